"""Jumps of places where sensors meet or a carriage slips, on places made by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from sharpset.readings.placing.registration import PlaceData, register
from sharpset.readings.placing.seams import across_seams, find_seams
from sharpset.scans import Pose
from sharpset.scans.scan import PixelSize

PIXEL = 0.0212


def _registered(shift, *, noise_mm: float = 0.003, seed: int = 1):
    """Return places on a grid whose x is shifted by a function of x, and their pose."""
    rng = np.random.default_rng(seed)
    points = np.stack(np.meshgrid(np.arange(1.0, 42.0, 2.7), np.arange(1.0, 38.0, 4.1)), axis=-1).reshape(-1, 2)
    points += rng.uniform(-0.8, 0.8, points.shape)
    pose = Pose(matrix=np.array([[1, 0, 3], [0, -1, 42]]) / PIXEL, pixel_mm=PixelSize(PIXEL, PIXEL))
    glass = pose.to_pixels(points) * PIXEL
    glass[:, 0] += shift(glass[:, 0])
    glass += rng.normal(0, noise_mm, glass.shape)
    axes = np.repeat(np.eye(2), len(points), axis=0)
    places = PlaceData(
        points_mm=np.tile(points, (2, 1)), directions=axes, glass_mm=np.concatenate((glass[:, 0], glass[:, 1]))
    )
    return places, register(places, pose).pose


@pytest.mark.parametrize("jump_px", [0.8, -1.2, 4.0])
def test_a_jump_is_found_and_features_across_it_are_named(jump_px):
    places, pose = _registered(lambda x: jump_px * PIXEL * (x > 21.0))
    (seam,) = find_seams(places, pose)
    assert seam.axis == 0
    assert seam.low_mm - 0.2 < 21.0 < seam.high_mm + 0.2
    assert seam.jump_mm == pytest.approx(jump_px * PIXEL, abs=0.15 * abs(jump_px) * PIXEL + 0.003)
    # 18 mm in the piece is 21 mm on the glass: a slot along the seam, the same far from it, one across it, a hole.
    features = pd.DataFrame(
        {
            "kind": ["slot", "slot", "slot", "hole"],
            "nominal_mm": [0.5, 0.5, 0.5, 1.0],
            "x_mm": [18.0, 25.0, 18.0, 18.3],
            "y_mm": [9.0, 9.0, 20.0, 30.0],
            "angle_deg": [90.0, 90.0, 0.0, 0.0],
        }
    )
    assert across_seams([seam], features, pose).tolist() == [True, False, False, True]


@pytest.mark.parametrize(
    "shift",
    [
        lambda x: 0.0 * x,
        lambda x: 0.04 * np.sin(2 * np.pi * x / 12),
        lambda x: 0.015 * np.sin(2 * np.pi * x / 6),
        lambda x: 0.0001 * (x - 20) ** 2,
    ],
)
def test_smooth_travel_has_no_seam(shift):
    assert all(find_seams(*_registered(shift, seed=seed)) == [] for seed in range(3))


@pytest.mark.parametrize("seed", [2, 3, 4])
def test_several_jumps_are_found_among_features_that_are_misplaced_themselves(seed):
    jumps = ((12.0, 0.06), (22.0, -0.06), (33.0, 0.1))
    places, pose = _registered(lambda x: sum(by * (x > at) for at, by in jumps), noise_mm=0.014, seed=seed)
    seams = sorted(find_seams(places, pose), key=lambda seam: seam.low_mm)
    assert [seam.axis for seam in seams] == [0, 0, 0]
    for seam, (at, by) in zip(seams, jumps, strict=True):
        assert seam.low_mm - 0.2 < at < seam.high_mm + 0.2
        assert seam.jump_mm == pytest.approx(by, abs=0.03)
