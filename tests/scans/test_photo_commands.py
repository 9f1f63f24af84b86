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
