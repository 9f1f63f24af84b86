"""How fast a carriage's error changes, told by neighbouring features, on places made by hand."""

from __future__ import annotations

import numpy as np
import pytest

from sharpset.readings.uncertainty.contributions import _slope


def _places(seed: int) -> np.ndarray:
    """Features in rows, some beside each other, others a millimetre on."""
    rng = np.random.default_rng(seed)
    rows = np.cumsum(rng.uniform(0.5, 1.6, 35))
    return np.repeat(rows, 3)


@pytest.mark.parametrize(("amplitude_mm", "period_mm"), [(0.015, 6.0), (0.04, 12.0), (0.03, 20.0)])
def test_the_slope_of_a_sine_is_found(amplitude_mm, period_mm):
    expected = 2 * np.pi * amplitude_mm / period_mm / np.sqrt(2)
    found = []
    for seed in range(6):
        place = _places(seed)
        error = amplitude_mm * np.sin(2 * np.pi * place / period_mm)
        found.append(_slope(place, error + np.random.default_rng(seed + 50).normal(0, 0.003, len(place))))
    # Chords of a millimetre flatten a sine of 6 mm by 5 %; a handful of periods and the noise leave 15 %.
    assert np.mean(found) == pytest.approx(expected, rel=0.2)


def test_places_that_scatter_alone_have_no_slope():
    slopes = [_slope(_places(seed), np.random.default_rng(seed).normal(0, 0.004, 105)) for seed in range(8)]
    assert max(slopes) < 0.002
    assert np.median(slopes) == 0.0
