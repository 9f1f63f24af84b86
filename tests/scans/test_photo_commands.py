"""The verb ``photo``: a frame is written, a photograph of it comes out as a file to read."""

from __future__ import annotations

import argparse
from pathlib import Path

import pytest
from photo_scene import Scene, render
from PIL import Image

from sharpset.errors import ScanError
from sharpset.scans.frame import PhotoFrame, load_frame
from sharpset.scans.opening import open_scan
from sharpset.scans.photo_commands import configure


def call(*words: object) -> int:
    parser = argparse.ArgumentParser()
    configure(parser)
    args = parser.parse_args([str(word) for word in words])
    return int(args.run(args))


def test_frame_and_photograph(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert call("frame", "--out", tmp_path / "f.pdf", "--window", 70, 50, "--ground", "grey") == 0
    frame = load_frame(tmp_path / "f.json")
    assert frame == PhotoFrame(window_x_mm=70, window_y_mm=50, ground="grey")
    assert "90 and 70 mm" in capsys.readouterr().out  # whole centimetres of 94 x 74
    Image.fromarray(render(Scene(), frame)).save(tmp_path / "photo.png")
    done = call(
        "rectify", tmp_path / "photo.png", "--frame", tmp_path / "f.json", "--out", tmp_path / "w.tif",
        "--rulers", 90.9, 70.7, "--pixel", 0.15,
    )  # fmt: skip
    assert done == 0
    text = capsys.readouterr().out
    assert "photograph 1:" in text
    assert "not measured" not in text
    scan = open_scan(tmp_path / "w.tif")
    assert scan.pixel_mm.x == pytest.approx(0.15, rel=1e-4)
    assert (scan.n_columns, scan.n_rows) == (466, 333)


def test_a_photograph_that_is_none_leaves_nothing_behind(tmp_path: Path) -> None:
    call("frame", "--out", tmp_path / "f.pdf")
    (tmp_path / "photo.jpg").write_text("no picture", encoding="utf-8")
    with pytest.raises(ScanError, match=r"photo\.jpg: this is not a picture"):
        call("rectify", tmp_path / "photo.jpg", "--frame", tmp_path / "f.json", "--out", tmp_path / "w.tif")
    assert not (tmp_path / "w.tif").exists()


@pytest.mark.parametrize(
    ("out", "rulers", "text"),
    [
        ("photo.tif", (100, 80), r"photo\.tif: --out names one of the photographs"),
        ("w.jpg", (100, 80), r"w\.jpg: .* ends with \.tif"),
        ("w.tif", (80, 100), r"along x of 80 mm does not go with the 100 mm"),
        ("w.tif", (100, 80), r"none of the frame's 28 markers is seen"),
    ],
)
def test_no_photograph_is_lost_or_named_wrong(tmp_path: Path, out: str, rulers: tuple[int, int], text: str) -> None:
    call("frame", "--out", tmp_path / "f.pdf")
    photo = tmp_path / "photo.tif"
    Image.new("L", (640, 480), 200).save(photo)
    before = photo.read_bytes()
    with pytest.raises(ScanError, match=text):
        call("rectify", photo, "--frame", tmp_path / "f.json", "--out", tmp_path / out, "--rulers", *rulers)
    assert photo.read_bytes() == before
    assert not (tmp_path / "w.tif").exists()


def test_a_dark_photograph_asks_for_light(tmp_path: Path) -> None:
    call("frame", "--out", tmp_path / "f.pdf")
    Image.new("L", (640, 480), 20).save(tmp_path / "photo.png")
    with pytest.raises(ScanError, match=r"bright parts lie at 8% of the scale"):
        call("rectify", tmp_path / "photo.png", "--frame", tmp_path / "f.json", "--out", tmp_path / "w.tif")


def test_no_other_file_is_written_over(tmp_path: Path) -> None:
    frame = PhotoFrame(window_x_mm=70, window_y_mm=50)
    call("frame", "--out", tmp_path / "f.pdf", "--window", 70, 50)
    Image.fromarray(render(Scene(), frame)).save(tmp_path / "photo.png")
    words = ("rectify", tmp_path / "photo.png", "--frame", tmp_path / "f.json", "--pixel", 0.3, "--out")
    Image.new("L", (64, 48), 200).save(tmp_path / "scan.tif", dpi=(600, 600))
    (tmp_path / "notes.tif").write_text("notes", encoding="utf-8")
    (tmp_path / "folder.tif").mkdir()
    for name, text in (("scan", "another file stands"), ("notes", "another file stands"), ("folder", "is a folder")):
        with pytest.raises(ScanError, match=rf"{name}\.tif: .*{text}"):
            call(*words, tmp_path / f"{name}.tif")
    assert (tmp_path / "notes.tif").read_text(encoding="utf-8") == "notes"
    # One's own is written anew.
    for _ in range(2):
        assert call(*words, tmp_path / "w.tif") == 0


def test_the_file_of_a_frame_that_was_printed_is_kept(tmp_path: Path) -> None:
    call("frame", "--out", tmp_path / "f.pdf", "--window", 70, 50)
    before = (tmp_path / "f.json").read_bytes()
    for other in (("--window", 60, 50), ("--window", 70, 50, "--ground", "black"), ("--window", 70, 50, "--gap", 5)):
        with pytest.raises(ScanError, match=r"f\.json: the file of another frame stands there"):
            call("frame", "--out", tmp_path / "f.pdf", *other)
    assert (tmp_path / "f.json").read_bytes() == before
    assert call("frame", "--out", tmp_path / "f.pdf", "--window", 70, 50) == 0
