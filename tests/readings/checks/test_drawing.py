"""Scans of a piece read by the folder of another one: refused, whatever the two have alike."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from reading_scenes import make_scene, write_scene

from sharpset.errors import ReadingError, ScanError
from sharpset.pieces import make_stencil
from sharpset.readings import read_scan
from sharpset.readings.checks.drawing import check_places
from sharpset.readings.placing.registration import PlaceData

SMALLEST = {"bar": 0.15, "slot": 0.15, "hole": 0.25}


@pytest.fixture(scope="module")
def scan(tmp_path_factory):
    scene = make_scene(piece=make_stencil(process="resin", smallest_mm=SMALLEST), dpi=600, blur_px=0.8, seed=4)
    return write_scene(scene, tmp_path_factory.mktemp("scan") / "s.png", dpi=600)


@pytest.mark.parametrize(
    ("kind", "size_mm", "words"),
    [
        # One ladder that begins a step lower or higher moves what stands beside it or only its own features.
        ("bar", 0.12, "lie more than 0.06 mm from where they are drawn"),
        ("hole", 0.2, "lie more than 0.06 mm from where they are drawn"),
        ("slot", 0.12, "openings are seen where the drawing"),
        ("hole", 0.4, "openings are seen where the drawing"),
    ],
)
def test_a_drawing_with_one_other_ladder_is_refused(scan, kind, size_mm, words):
    other = make_stencil(process="resin", smallest_mm={**SMALLEST, kind: size_mm}, size_mm=40.0)
    with pytest.raises((ReadingError, ScanError), match=rf"{words}.*right piece folder"):
        read_scan(scan, piece=other)


def test_the_right_drawing_is_read(scan):
    (one,) = read_scan(scan, piece=make_stencil(process="resin", smallest_mm=SMALLEST)).pieces
    assert np.isfinite(one.table["measured_mm"]).sum() > 100


def test_bars_that_bow_are_no_other_drawing():
    n = 40
    points = np.column_stack((np.arange(n, dtype=float), np.zeros(n)))
    across = np.tile([0.0, 1.0], (n, 1))
    bowed = np.arange(n) < 8
    places = PlaceData(points_mm=points, directions=across, glass_mm=np.where(bowed, 0.07, 0.0))
    scan = SimpleNamespace(path="s.png", viewing=None)
    registration = SimpleNamespace(pose=SimpleNamespace(to_pixels=lambda at: at, pixel_mm=(1.0, 1.0)))
    check_places(scan, places, registration, bent=bowed)
    with pytest.raises(ReadingError, match="8 of 40 features lie more than"):
        check_places(scan, places, registration, bent=~bowed)
