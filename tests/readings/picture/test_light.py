"""Noise of the plate, on squares drawn from a normal distribution and stored in whole steps."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import norm

from sharpset.readings.picture.light import _WINSORIZED, LightMap, _noise, _quantum


@pytest.mark.parametrize("sigma", [0.45, 0.8, 3.0])
def test_noise_of_few_steps_is_neither_nothing_nor_a_whole_step(sigma):
    rng = np.random.default_rng(1)
    level = rng.uniform(90, 110, (2500, 1, 1))
    squares = np.round(level + rng.normal(0, sigma, (2500, 15, 15))).astype(np.float32)
    noise, inflation = _noise(squares)
    # Rounding adds a uniform error of one step; 22,500 values tell their spread to well below a per cent.
    assert noise == pytest.approx(np.hypot(sigma, 1 / np.sqrt(12)), rel=0.04)
    assert inflation == pytest.approx(1.0, abs=0.06)


def test_noise_does_not_see_dust_on_one_square_in_twenty():
    rng = np.random.default_rng(2)
    squares = rng.normal(100, 1, (2500, 15, 15)).astype(np.float32)
    squares[::20, 5:10, 5:10] = 20
    # A twentieth beyond one of the inner quantiles moves them a little.
    assert _noise(squares)[0] == pytest.approx(1.0, rel=0.12)


def test_winsorized_spread_of_a_normal_variable():
    assert np.clip(norm.ppf((np.arange(100000) + 0.5) / 100000), *norm.ppf([0.1, 0.9])).std() == pytest.approx(
        _WINSORIZED, abs=2e-4
    )


def test_step_between_stored_values_is_that_at_the_plate():
    plate = LightMap(coefficients=np.array([0.25]), centre_px=np.zeros(2), span_px=np.ones(2), order=0)
    step = _quantum(plate, lambda v: ((v / 255.0) ** 2).astype(np.float32), 8)
    # The slope of the square at one half is one.
    assert step == pytest.approx(1 / 255, rel=0.01)
