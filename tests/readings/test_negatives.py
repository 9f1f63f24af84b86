"""Pictures whose light and dark were exchanged after they were scanned."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from reading_scenes import make_scene, write_scene

from sharpset.errors import ReadingError
from sharpset.readings import read_scan


def test_a_negative_is_refused(tmp_path: Path) -> None:
    scene = make_scene(seed=3, plate=0.55, background=0.04)
    path = write_scene(replace(scene, pixels=255 - scene.pixels), tmp_path / "negative.png")
    with pytest.raises(ReadingError, match=r"negative.*positive.*--encoding .sRGB"):
        read_scan(path, piece=scene.piece)


def test_a_negative_of_a_dark_piece_is_refused(tmp_path: Path) -> None:
    scene = make_scene(seed=3, plate=0.08, background=0.7)
    path = write_scene(replace(scene, pixels=255 - scene.pixels), tmp_path / "negative.png")
    with pytest.raises(ReadingError, match="those of a negative"):
        read_scan(path, piece=scene.piece)


def test_a_dark_piece_on_white_is_no_negative(tmp_path: Path) -> None:
    scene = make_scene(seed=3, plate=0.04, background=0.55)
    path = write_scene(scene, tmp_path / "dark.png")
    assert read_scan(path, piece=scene.piece).pieces


def test_a_dark_piece_that_hardly_stands_out_of_a_bright_ground_is_no_negative(tmp_path: Path) -> None:
    # Upside down the two would differ by less than 0.02 of full light, too little to be read.
    scene = make_scene(seed=3, plate=0.7, background=0.8, noise=0.004)
    path = write_scene(scene, tmp_path / "bright.png")
    assert read_scan(path, piece=scene.piece).pieces
