"""Overlays: outlines lie where the features lie in the picture."""

from __future__ import annotations

import re
from types import SimpleNamespace
from xml.etree import ElementTree

import numpy as np
import pandas as pd
import pytest
from matplotlib.collections import LineCollection, PolyCollection

from sharpset.errors import ReportError
from sharpset.pieces import make_stencil
from sharpset.plots import draw_formed_chart, draw_scan_overlay, view_readings, write_overlays
from sharpset.scans import PixelSize, Pose

PX_PER_MM = 12.0


@pytest.fixture(scope="module")
def piece():
    return make_stencil(process="resin", run_id="R03")


@pytest.fixture(scope="module")
def pose():
    # Turned by 90 degrees and not mirrored: the piece's x runs up the picture.
    return Pose(
        matrix=np.array([[0.0, -PX_PER_MM, 700.0], [-PX_PER_MM, 0.0, 640.0]]),
        pixel_mm=PixelSize(1 / PX_PER_MM, 1 / PX_PER_MM),
    )


def read(piece, pose, **changes):
    table = piece.features.assign(formed="yes", measured_mm=piece.features["nominal_mm"] - 0.02)
    small = table["nominal_mm"] < 0.12
    table.loc[small, ["formed", "measured_mm"]] = ["no", np.nan]
    table.loc[table["feature_id"] == "slots-0-0.15-1", "formed"] = "partly"
    blank = dict.fromkeys(("x_dev_mm", "y_dev_mm", "edge_roughness_mm", "share"), np.nan)
    table = table.assign(U95_mm=0.004, deviation_mm=-0.02, flags="", **blank).assign(**changes)
    lines = pd.DataFrame({"feature_id": ["slots-0-0.2-1"] * 2, "line": ["noise", "scale x"], "shared": ["no", "scan"]})
    return SimpleNamespace(table=table, pose=pose, run_id="R03", contributions=lines.assign(u_mm=[0.001, 0.002]))


def test_outlines_lie_on_the_features_in_the_colour_of_what_was_found(piece, pose):
    found = read(piece, pose)
    figure = draw_scan_overlay(np.full((720, 900), 120, dtype=np.uint8), found, piece)
    outlines = [c for c in figure.axes[0].collections if isinstance(c, PolyCollection)]
    counts = found.table["formed"].value_counts()
    assert [len(c.get_paths()) for c in outlines] == [counts["yes"], counts["partly"], counts["no"]]
    (partly,) = outlines[1].get_paths()
    row = found.table.set_index("feature_id").loc["slots-0-0.15-1"]
    centre = (partly.vertices.min(axis=0) + partly.vertices.max(axis=0)) / 2
    # By hand from the pose: column 700 - 12 y, row 640 - 12 x.
    np.testing.assert_allclose(centre, [700 - 12 * row["y_mm"], 640 - 12 * row["x_mm"]], atol=1e-6)


def test_close_ups_show_the_sizes_where_forming_stops(piece, pose):
    figure = draw_scan_overlay(np.full((720, 900), 120, dtype=np.uint8), read(piece, pose), piece)
    slots = next(axes for axes in figure.axes if axes.get_title("left").startswith("slots"))
    said = [text.get_text().split("\n") for text in slots.texts]
    sizes = [float(size) for size, _ in said]
    assert sizes == sorted(sizes)
    assert min(sizes) < 0.12 < max(sizes)
    for size, measured in said:
        assert measured == ("–" if float(size) < 0.12 else f"{float(size) - 0.02:.3f}")


@pytest.mark.parametrize("shape", [(720, 900), (720, 900, 3)])
@pytest.mark.parametrize("kind", [np.uint8, np.uint16, np.float32])
def test_pictures_of_every_kind_can_be_shown(piece, pose, shape, kind):
    top = 1.0 if kind is np.float32 else np.iinfo(kind).max
    picture = np.full(shape, 0.5 * top, dtype=kind)
    shown = draw_scan_overlay(picture, read(piece, pose), piece).axes[0].images[0].get_array()
    assert np.asarray(shown).mean() == pytest.approx(0.5, abs=0.01)


def test_large_pictures_are_averaged_not_skipped(piece):
    wide = Pose(matrix=np.array([[60.0, 0.0, 50.0], [0.0, -60.0, 2600.0]]), pixel_mm=PixelSize(1 / 60, 1 / 60))
    stripes = np.zeros((2800, 2900), dtype=np.uint8)
    stripes[:, ::2] = 200
    shown = np.asarray(draw_scan_overlay(stripes, read(piece, wide), piece).axes[0].images[0].get_array())
    assert max(shown.shape) <= 1500
    assert shown.std() < 0.02


def test_readings_of_another_piece_are_refused(piece, pose):
    found = read(piece, pose)
    found.table.loc[0, "feature_id"] = "slots-0-9-1"
    with pytest.raises(ReportError, match="slots-0-9-1 was read"):
        draw_scan_overlay(np.zeros((720, 900), dtype=np.uint8), found, piece)


def test_piece_outside_the_picture_is_refused(piece, pose):
    with pytest.raises(ReportError, match="outside the picture"):
        draw_scan_overlay(np.zeros((50, 60), dtype=np.uint8), read(piece, pose), piece)


def test_one_file_for_each_piece_of_a_scan(tmp_path, piece, pose):
    import tifffile

    path = tmp_path / "two.tif"
    tifffile.imwrite(path, np.full((720, 900), 90, dtype=np.uint8), resolution=(300, 300), resolutionunit="INCH")
    scan = SimpleNamespace(scan_id="two-1a2b", path=path, pieces=(read(piece, pose), read(piece, pose)))
    files = write_overlays([scan], piece, tmp_path / "overlays")
    names = ["two-1a2b-1.png", "two-1a2b-1.html", "two-1a2b-2.png", "two-1a2b-2.html"]
    assert [file.name for file in files] == names
    assert all(file.read_bytes().startswith(b"\x89PNG") for file in files[::2])
    assert all("</svg>" in file.read_text(encoding="utf-8") for file in files[1::2])


def test_a_view_tells_every_reading_where_the_feature_lies(piece, pose):
    flags = np.where(piece.features["feature_id"] == "slots-0-0.15-1", "few pixels;refused: glare", "")
    picture = np.full((720, 900), 120, dtype=np.uint8)
    view = view_readings(picture, read(piece, pose, flags=flags), piece, title="a < b")
    assert "a &lt; b" in view.fragment and view.fragment == view._repr_html_()
    svg = ElementTree.fromstring(re.search(r"<svg.*</svg>", view.fragment, re.DOTALL)[0])
    tag = "{http://www.w3.org/2000/svg}"
    told = {p[0].text.split(":", 1)[0]: p for p in svg.iter(f"{tag}polygon")}
    assert set(told) == set(piece.features["feature_id"])
    text = told["slots-0-0.2-1"][0].text
    assert "measured 0.1800 mm \u00b1 0.0040 mm" in text and "scale x 2.00 (shared), noise 1.00" in text
    assert "refused (glare): no size" in told["slots-0-0.15-1"][0].text
    # The picture begins where the piece and its margin do; at most 2000 pixels are shown as they are.
    shape = dict(zip(piece.features["feature_id"], piece.feature_shapes(), strict=True))["slots-0-0.2-1"]
    x, y = pose.to_pixels(np.array([shape.centroid.coords[0]]))[0]
    points = np.array([p.split(",") for p in told["slots-0-0.2-1"].get("points").split()], dtype=float)
    corners = pose.to_pixels(np.asarray(piece.outline.exterior.coords))
    low = np.maximum(np.floor(corners.min(axis=0) - 2.0 * PX_PER_MM), 0) - 0.5
    assert points.mean(axis=0) == pytest.approx([x - low[0], y - low[1]], abs=0.1)


def test_refused_features_have_a_count_and_a_mark_of_their_own(piece, pose):
    flags = np.where(piece.features["feature_id"] == "slots-0-0.15-1", "few pixels;refused: glare", "")
    # What was refused is kept as 'partly' in the table; here nothing else is.
    found = read(piece, pose, flags=flags)
    figure = draw_scan_overlay(np.full((720, 900), 120, dtype=np.uint8), found, piece)
    labels = [text.get_text() for text in figure.legends[0].get_texts()]
    n_no = int((found.table["formed"] == "no").sum())
    assert labels[1:] == ["partly formed (0)", f"not formed ({n_no})", "refused, cannot be read (1)"]
    outlines = [c for c in figure.axes[0].collections if isinstance(c, PolyCollection)]
    assert len(outlines[1].get_paths()) == 0
    (crossed,) = [c for c in figure.axes[0].collections if isinstance(c, LineCollection)]
    assert len(crossed.get_segments()) == 3  # its outline and the two strokes of the cross
    row = found.table.set_index("feature_id").loc["slots-0-0.15-1"]
    for stroke in crossed.get_segments()[1:]:
        np.testing.assert_allclose(stroke.mean(axis=0), [700 - 12 * row["y_mm"], 640 - 12 * row["x_mm"]], atol=1e-6)


def test_nothing_refused_is_not_spoken_of(piece, pose):
    figure = draw_scan_overlay(np.full((720, 900), 120, dtype=np.uint8), read(piece, pose), piece)
    assert len(figure.legends[0].get_texts()) == 3


def test_the_chart_of_what_formed_leaves_refused_readings_out(piece, pose):
    table = read(piece, pose).table.assign(run_id="R03", flags="")
    slots = table["kind"].eq("slot") & table["group"].str.startswith("slots") & (table["nominal_mm"] == 0.315)
    assert slots.sum() > 2
    table.loc[table.index[slots][0], ["formed", "flags"]] = ["partly", "refused: glare"]

    def cells(readings):
        panel = next(axes for axes in draw_formed_chart(readings).axes if axes.get_title("left") == "slots")
        names = [label.get_text() for label in panel.get_xticklabels()]
        return {names[round(text.get_position()[0])]: text.get_text() for text in panel.texts}

    assert cells(table)["0.315"] == f"{slots.sum() - 1}/{slots.sum() - 1}"
    assert cells(table.assign(flags=""))["0.315"] == f"{slots.sum() - 1}/{slots.sum()}"
