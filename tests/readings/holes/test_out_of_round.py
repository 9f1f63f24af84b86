"""Rims that wander about a circle, and rims that many marks lie on."""

from __future__ import annotations

import numpy as np
from scipy.special import ndtr

from sharpset.readings.holes.out_of_round import OutOfRound, out_of_round

PIXEL, RADIUS, BLUR = 0.0423, 0.8, 0.05


def _found(oval_mm: float, n_marks: int, seed: int) -> OutOfRound | None:
    rng = np.random.default_rng(seed)
    places = np.arange(-1.3, 1.3, PIXEL) + 0.011
    x, y = (grid.ravel() for grid in np.meshgrid(places, places))
    solid = ndtr((np.hypot(x, y) - RADIUS - oval_mm * np.cos(2 * np.arctan2(y, x))) / BLUR)
    for _ in range(n_marks):
        turn, size, level = rng.uniform(0, 2 * np.pi), rng.uniform(0.05, 0.15), rng.integers(0, 2)
        away = np.hypot(x - RADIUS * np.cos(turn), y - RADIUS * np.sin(turn))
        solid += np.exp(-((away / size) ** 2) / 2) * (level - solid)
    solid += rng.normal(0, 0.01, solid.shape)
    return out_of_round([(x, y, solid)], [RADIUS], pixel_area_mm2=PIXEL**2, sigma_mm=BLUR)[0]


def test_ovals_are_found_and_rims_full_of_marks_are_seldom_taken_for_them():
    for seed in range(5):
        found = _found(0.1, 0, seed)
        assert found is not None
        # Root mean square of a cosine of 0.1 mm; sectors of a few pixels are off by half a pixel.
        assert abs(np.sqrt(found.square_mm2) - 0.1 / np.sqrt(2)) < 0.006
        assert _found(0.0, 0, seed) is None
    # Of such rims three in ten pass for ovals if only the harmonics' own error is looked at.
    tried = [found.chance for found in (_found(0.0, 8, seed) for seed in range(40)) if found is not None]
    assert sum(chance > 0.5 for chance in tried) <= 6
    assert sum(tried) <= 6


def _drawn(radius: float, oval: float, lobed: float, *, cut_at: float = np.inf) -> OutOfRound | None:
    places = np.arange(-radius - 0.5, radius + 0.5, PIXEL) + 0.011
    x, y = (grid.ravel() for grid in np.meshgrid(places, places))
    turn = np.arctan2(y, x)
    solid = ndtr((np.hypot(x, y) - radius - oval * np.cos(2 * turn) - lobed * np.cos(3 * turn)) / BLUR)
    return out_of_round([(x, y, np.where(x > cut_at, 0.0, solid))], [radius], pixel_area_mm2=PIXEL**2, sigma_mm=BLUR)[0]


def test_no_oval_is_told_of_a_rim_that_something_lies_across_or_of_a_small_lobed_one():
    assert _drawn(RADIUS, 0.1, 0.0) is not None
    assert _drawn(RADIUS, 0.1, 0.0, cut_at=0.7) is None
    assert _drawn(0.32, 0.08, 0.0) is not None
    assert _drawn(0.32, 0.08, 0.06) is None


def test_what_marks_are_said_to_hide_does_not_outweigh_the_rim():
    """Ovals of 13 by 8 pixels had been read 40 um too small as circles whose ends marks hide."""
    shape = OutOfRound(centre_mm=np.zeros(2), terms_mm=np.array([0.02, 0.01]), chance=0.998)
    assert shape.odds(-300.0, blur_px=1.0) > 20
    assert shape.odds(0.0, blur_px=1.0) > shape.odds(-20.0, blur_px=1.0) > shape.odds(-300.0, blur_px=1.0)
    unsure = OutOfRound(centre_mm=np.zeros(2), terms_mm=np.array([0.02, 0.01]), chance=0.5)
    assert 0.04 < unsure.odds(-300.0, blur_px=1.0) < 0.06
