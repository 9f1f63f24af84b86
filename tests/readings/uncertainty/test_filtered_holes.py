"""What filters of cameras make of small holes."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import median_filter

from sharpset.readings.uncertainty.contributions import _FILTER_PX, _filtered

FINER = 8


@pytest.mark.parametrize("radius_px", [4.0, 8.0, 12.0])
def test_a_median_moves_the_rim_of_a_hole_by_what_its_uncertainty_holds(radius_px: float) -> None:
    half = round((radius_px + 3) * FINER)
    y, x = np.mgrid[-half : half + 1, -half : half + 1]
    hole = (x**2 + y**2 < (radius_px * FINER) ** 2).astype(np.uint8)
    reach = round(_FILTER_PX * FINER)
    b, a = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    left = median_filter(hole, footprint=a**2 + b**2 <= reach**2).sum()
    smaller_px = 2 * (np.sqrt(hole.sum() / np.pi) - np.sqrt(left / np.pi)) / FINER
    # Anything from nothing to all of it: a standard uncertainty of the whole over the root of three.
    u = _filtered(np.array([2 * radius_px * 0.04]), 0.04)[0]
    assert u == pytest.approx(smaller_px * 0.04 / np.sqrt(3), rel=0.15)


def test_of_tiny_holes_no_more_than_a_quarter() -> None:
    assert _filtered(np.array([0.01]), 0.04)[0] == pytest.approx(0.0025 / np.sqrt(3))
