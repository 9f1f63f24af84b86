"""Uneven travel of a carriage: what edges at a slant show of it, and what it does to intervals."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from reading_scenes import Scene, make_scene, write_scene

from sharpset.readings import read_scan
from sharpset.readings.results import PieceReading
from sharpset.readings.uncertainty.travel import Travel

DPI, PERIOD_PX, SIZE_PX = 600, 60.0, 0.35


@pytest.fixture(scope="module")
def scene() -> Scene:
    """One ordinary scene."""
    return make_scene(dpi=DPI, blur_px=0.8, angle_deg=2.0, seed=41, noise=0.0)


def _read(scene: Scene, path: Path, size_px: float, *, along_rows: bool = True) -> PieceReading:
    """Read a scene whose rows lie where a carriage that travels unevenly takes them."""
    rows, columns = np.indices(scene.pixels.shape).astype(np.float32)
    off = size_px * np.sin(2 * np.pi * (rows if along_rows else columns) / PERIOD_PX).astype(np.float32)
    at = (columns, rows + off) if along_rows else (columns + off, rows)
    pixels = cv2.remap(scene.pixels.astype(np.float32), *at, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    pixels = pixels + np.random.default_rng(3).normal(0, 1.0, pixels.shape)
    moved = replace(scene, pixels=np.clip(np.round(pixels), 0, 255).astype(np.uint8))
    (piece,) = read_scan(write_scene(moved, path, dpi=DPI), piece=scene.piece).pieces
    return piece


def _carriage_um(read: PieceReading, group: str) -> float:
    lines = read.contributions
    lines = lines[(lines["line"] == "carriage") & lines["feature_id"].str.startswith(group)]
    return 1000 * float(lines["u_mm"].median())


def test_a_ripple_of_the_rows_that_places_hardly_show_is_in_the_intervals(scene, tmp_path):
    """Period of 2.5 mm: features about a millimetre apart do not follow it; widths change by up to 3.7 %."""
    still, moved = (_read(scene, tmp_path / f"{size}.png", size) for size in (0.0, SIZE_PX))
    assert _carriage_um(still, "slots-0") < 0.5
    # A ripple of a pixels differs over w of its period T by the root of 2, a sin(pi w / T), root mean square.
    for width_mm in (0.25, 0.315):
        pixel_um = 25400 / DPI
        expected = np.sqrt(2) * SIZE_PX * pixel_um * np.sin(np.pi * width_mm / (PERIOD_PX * pixel_um / 1000))
        assert 0.6 * expected < _carriage_um(moved, f"bars-0-{width_mm:g}-") < 1.6 * expected
    assert _carriage_um(moved, "slots-90") < 1.0
    assert any("rows of the picture do not lie evenly" in remark for remark in moved.remarks)
    assert not any("do not lie evenly" in remark for remark in still.remarks)


def test_widths_at_a_slant_take_a_part_of_it():
    travel = Travel(lag_mm=np.array([0.1, 0.2, 0.4]), off_mm=np.array([0.002, 0.004, 0.006]))
    along = np.array([1.0, 0.5, 0.0, 1.0])
    assert travel.of_width(np.array([0.2, 0.2, 0.2, 3.0]), along) == pytest.approx([0.004, 0.001, 0.0, 0.006])
    assert Travel(lag_mm=np.zeros(0), off_mm=np.zeros(0)).of_width(np.array([0.2]), np.array([1.0])) == [0.0]
