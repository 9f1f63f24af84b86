"""The printed frame: sizes on the page, its description, refusals."""

from __future__ import annotations

import base64
import json
import re
import zlib
from pathlib import Path

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sharpset.errors import ScanError
from sharpset.scans.frame import FrameMarker, PhotoFrame, load_frame, marker_modules, write_frame

MM = 72 / 25.4


def page_stream(pdf: Path) -> str:
    """The drawing commands of the page, unpacked from the file without a PDF library."""
    data = pdf.read_bytes()
    for match in re.finditer(rb"stream\r?\n(.*?)endstream", data, re.DOTALL):
        body = match.group(1).strip()
        if body.endswith(b"~>"):
            body = base64.a85decode(b"<~" + body, adobe=True)
        try:
            text = zlib.decompress(body).decode("latin-1")
        except zlib.error:
            continue
        if " cm" in text and re.search(r" re\b", text):
            return text
    raise AssertionError("no page in the file")


NUMBER = r"(-?[\d.]+) "


def rectangles(stream: str) -> np.ndarray:
    return np.array(re.findall(NUMBER * 4 + "re", stream), dtype=float)


def test_page_is_drawn_in_millimetres_at_true_scale(tmp_path: Path) -> None:
    frame = write_frame(tmp_path / "frame.pdf")
    stream = page_stream(tmp_path / "frame.pdf")
    scales = np.array(re.findall(r"([\d.]+) 0 0 ([\d.]+) \S+ \S+ cm", stream), dtype=float)
    # six decimals in the file: 1 part in a million
    assert scales.prod(axis=0) == pytest.approx([MM, MM], rel=1e-6)
    found = rectangles(stream)
    blacks = found[(found[:, 2] == frame.marker_mm) & (found[:, 3] == frame.marker_mm)]
    assert len(blacks) == frame.n_markers
    centres = blacks[:, :2] + frame.marker_mm / 2
    wanted = [(m.x_mm, m.y_mm) for m in frame.markers]
    np.testing.assert_allclose(centres, wanted, atol=1e-5)


def test_rulers_have_their_lengths(tmp_path: Path) -> None:
    frame = write_frame(tmp_path / "frame.pdf")
    found = rectangles(page_stream(tmp_path / "frame.pdf"))
    upright = found[np.isclose(found[:, 2], 0.12)]
    lying = found[np.isclose(found[:, 3], 0.12)]
    assert np.ptp(upright[:, 0]) == pytest.approx(frame.ruler_x_mm, abs=1e-4)
    assert np.ptp(lying[:, 1]) == pytest.approx(frame.ruler_y_mm, abs=1e-4)
    assert len(upright) == frame.ruler_x_mm + 1
    assert len(lying) == frame.ruler_y_mm + 1
    assert (frame.ruler_x_mm, frame.ruler_y_mm) == (100, 80)


def test_white_modules_are_those_of_the_dictionary(tmp_path: Path) -> None:
    frame = write_frame(tmp_path / "frame.pdf")
    found = rectangles(page_stream(tmp_path / "frame.pdf"))
    module = frame.marker_mm / 6
    whites = found[np.isclose(found[:, 2], module, atol=1e-5) & np.isclose(found[:, 3], module, atol=1e-5)]
    # The same marker drawn by OpenCV at 60 pixels, counted in mm2.
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_250)
    n_white = sum((cv2.aruco.generateImageMarker(dictionary, m.marker_id, 60) > 127).sum() / 100 for m in frame.markers)
    assert len(whites) == n_white


def test_file_embeds_its_font_and_forbids_scaling(tmp_path: Path) -> None:
    write_frame(tmp_path / "frame.pdf")
    data = (tmp_path / "frame.pdf").read_bytes()
    assert b"/FontFile2" in data
    assert b"DejaVuSans" in data
    assert re.search(rb"/PrintScaling\s*/None", data)


def test_same_frame_gives_the_same_bytes(tmp_path: Path) -> None:
    for name in ("a.pdf", "b.pdf"):
        write_frame(tmp_path / name)
    assert (tmp_path / "a.pdf").read_bytes() == (tmp_path / "b.pdf").read_bytes()


def test_description_comes_back(tmp_path: Path) -> None:
    frame = PhotoFrame(window_x_mm=60, window_y_mm=45, marker_mm=7, gap_mm=3, ground="black")
    write_frame(tmp_path / "calib" / "frame.pdf", frame=frame, paper="A5")
    assert load_frame(tmp_path / "calib" / "frame.json") == frame


def test_first_and_last_markers_by_hand() -> None:
    # Window 80 x 60, markers 8, gaps 4: ring of 96 x 76 round the window, 8 and 6 steps.
    frame = PhotoFrame()
    assert frame.n_markers == 28
    assert frame.markers[0] == FrameMarker(0, -8.0, 68.0)
    assert frame.markers[8] == FrameMarker(8, 88.0, 68.0)
    assert frame.markers[14] == FrameMarker(14, 88.0, -8.0)
    assert frame.markers[22] == FrameMarker(22, -8.0, -8.0)
    np.testing.assert_allclose(frame.corners_mm()[0], [(-12, 72), (-4, 72), (-4, 64), (-12, 64)])


@settings(max_examples=60, deadline=None)
@given(
    window=st.tuples(st.floats(20, 150), st.floats(20, 150)),
    marker=st.floats(4, 15),
    share=st.floats(0.25, 1.0),
)
def test_markers_never_touch_each_other_or_the_window(window: tuple[float, float], marker: float, share: float) -> None:
    gap = max(1.0, share * marker)
    frame = PhotoFrame(window_x_mm=window[0], window_y_mm=window[1], marker_mm=marker, gap_mm=gap)
    centres = np.array([(m.x_mm, m.y_mm) for m in frame.markers])
    apart = np.abs(centres[:, None] - centres[None]).max(axis=2)
    np.fill_diagonal(apart, np.inf)
    assert apart.min() >= marker + gap - 1e-6
    x_out = np.maximum(-centres[:, 0], centres[:, 0] - window[0])
    y_out = np.maximum(-centres[:, 1], centres[:, 1] - window[1])
    assert np.maximum(x_out, y_out).min() >= marker / 2 + gap - 1e-6


def test_measured_rulers_scale_the_corners() -> None:
    frame = PhotoFrame().with_rulers(x_mm=99.5, y_mm=80.4, u_mm=0.05)
    np.testing.assert_allclose(frame.corners_mm()[8].mean(axis=0), (88 * 0.995, 68 * 1.005))
    assert frame.u_scale == pytest.approx(0.05 / 80)


def test_marker_border_is_black() -> None:
    modules = marker_modules(3)
    assert modules.shape == (6, 6)
    assert not modules[[0, -1]].any()
    assert not modules[:, [0, -1]].any()


@pytest.mark.parametrize(
    ("options", "text"),
    [
        ({"window_x_mm": 5}, "window_x_mm is 5"),
        ({"marker_mm": float("nan")}, "marker_mm is nan"),
        ({"ground": "red"}, "ground 'red'"),
        ({"gap_mm": 1, "marker_mm": 20}, "need 3.33 of white"),
        ({"window_x_mm": 400, "window_y_mm": 400, "marker_mm": 3, "gap_mm": 1}, "markers are needed"),
    ],
)
def test_impossible_frames_are_refused(options: dict[str, float], text: str) -> None:
    with pytest.raises(ScanError, match=text):
        PhotoFrame(**options)


def test_frame_larger_than_the_paper_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ScanError, match="A4 paper has 210 x 297"):
        write_frame(tmp_path / "frame.pdf", frame=PhotoFrame(window_x_mm=200))
    assert not list(tmp_path.iterdir())


def test_unknown_paper_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ScanError, match="Use A5, A4, letter, A3"):
        write_frame(tmp_path / "frame.pdf", paper="napkin")


def test_descriptions_that_are_none_are_refused(tmp_path: Path) -> None:
    file = tmp_path / "frame.json"
    with pytest.raises(ScanError, match="cannot be read"):
        load_frame(file)
    file.write_text("{", encoding="utf-8")
    with pytest.raises(ScanError, match="is no photo frame"):
        load_frame(file)
    file.write_text('{"kind": "piece"}', encoding="utf-8")
    with pytest.raises(ScanError, match="is not the description"):
        load_frame(file)
    with pytest.raises(ScanError, match="another file stands there"):
        write_frame(tmp_path / "frame.pdf")
    file.unlink()
    write_frame(tmp_path / "frame.pdf")
    data = json.loads(file.read_text(encoding="utf-8"))
    data["markers"][3]["x_mm"] += 1
    file.write_text(json.dumps(data), encoding="utf-8")
    with pytest.raises(ScanError, match="not those of this frame"):
        load_frame(file)
    # As it says there: written again.
    assert write_frame(tmp_path / "frame.pdf") == load_frame(file)


@pytest.mark.parametrize(("name", "ground"), [("photo_frame", "white"), ("photo_frame_black", "black")])
def test_frames_that_come_with_the_project_are_current(tmp_path: Path, name: str, ground: str) -> None:
    shipped = Path(__file__).parents[2] / "calib"
    frame = PhotoFrame(ground=ground)
    assert load_frame(shipped / f"{name}.json") == frame
    write_frame(tmp_path / "new.pdf", frame=frame)
    np.testing.assert_allclose(
        rectangles(page_stream(shipped / f"{name}.pdf")), rectangles(page_stream(tmp_path / "new.pdf")), atol=1e-5
    )
