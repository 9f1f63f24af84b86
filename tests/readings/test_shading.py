"""The shade of walls from the spread of edges, on profiles written out from closed forms."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import ndtr

from sharpset.readings.blur import EdgeSpread
from sharpset.readings.profiles import Profiles
from sharpset.readings.sampling import Samples, Strip
from sharpset.readings.shading import diameter_effect, measure_shade, width_effect
from sharpset.readings.strips import Priors, fit_strips

SIGMA = 0.025
N = 24


def _scene(shift_mm: float, depth: float, rng: np.random.Generator):
    """Slots and bars at four directions; edges that face down (+y on the glass) are half shaded over a band."""
    strips, d, solid, normals = [], [], [], []
    across = np.linspace(-0.7, 0.7, 180)
    for k in range(N):
        angle = np.radians(45.0 * (k % 4) + 7.0)
        normal = np.array([-np.sin(angle), np.cos(angle)])
        is_bar = bool(k % 3 == 0)
        width = 0.4 + 0.01 * k
        strips.append(
            Strip(
                name=f"s{k}",
                solid=is_bar,
                width_mm=width,
                length_mm=3.0,
                x_mm=0,
                y_mm=0,
                angle_deg=45.0 * (k % 4),
                reach_mm=0.4,
            )
        )
        # The edge of the solid that faces +normal is the lower one of a slot and the upper one of a bar.
        sign = 1 if is_bar else -1
        light = np.full(len(across), 0.0 if is_bar else 1.0)
        for side in (-1, 1):
            facing = side * sign * normal
            band = shift_mm / depth * max(facing[1], 0.0)
            distance = side * across - width / 2
            inner = -sign * band
            step = (1 - depth) * ndtr(-distance / SIGMA) + depth * ndtr((inner - distance) / SIGMA)
            light += sign * (step - 0.5)
        d.append(across)
        solid.append(light + rng.normal(0, 0.001, len(across)))
        normals.append(normal)
    samples = Samples(
        strips=tuple(strips),
        owner=np.repeat(np.arange(N), 1),
        d_mm=np.zeros(N),
        t_mm=np.zeros(N),
        solid=np.zeros(N),
        normal=np.array(normals),
        length_scale=np.ones(N),
        half_length_mm=np.full(N, 1.2),
        pixel_mm=0.021,
        pixel_area_mm2=0.021**2,
    )
    profiles = Profiles(
        d_mm=np.array(d),
        solid=np.array(solid),
        n_pixels=np.full((N, len(across)), 100.0),
        noise=np.full(N, 0.01),
        dirty=np.zeros(N),
    )
    spread = EdgeSpread(sigma_x_mm=SIGMA, sigma_y_mm=SIGMA)
    fits = fit_strips(samples, profiles, spread, Priors(contrast=0.1, level=0.1, slope_per_mm=0.2, blur=0.6))
    return samples, profiles, fits, spread


@pytest.mark.parametrize("shift_mm", [0.005, 0.010])
def test_excess_spread_of_shaded_edges_is_that_of_two_steps(shift_mm):
    shade = measure_shade(*_scene(shift_mm, 0.5, np.random.default_rng(1)))
    # Two steps of equal height a band b apart have the variance b^2 / 4, and the shift is b / 2.
    assert np.sqrt(shade.excess_y_mm2) == pytest.approx(shift_mm, rel=0.15)
    assert shade.facing == (0, 1)
    assert abs(shade.excess_x_mm2) < 3 * shade.u_excess_x_mm2 + 2e-6
    # Bands that lack a third to two thirds of the contrast agree with it: up to sqrt(0.673 / 0.327) = 1.43 times, and
    # the uncertainty of the excess on top.
    assert shift_mm < shade.shift_y_mm < 1.65 * shift_mm
    assert "shade one side along rows" in shade.summary()
    # Slots of a bright plate read too wide by the shift, of a dark one too narrow; nothing is seen along columns.
    assert shade.taken_mm(1) == pytest.approx(shift_mm, rel=0.15)
    assert replace(shade, plate_is_bright=False).taken_mm(1) == -shade.taken_mm(1)
    assert shade.taken_mm(0) == 0.0
    assert shade.u_shift_mm(1) == pytest.approx(0.35 * shade.taken_mm(1))
    assert shade.u_shift_mm(0) == pytest.approx(shade.shift_x_mm / 1.96)
    # A slot across the lamp's direction carries it whole, one along it not at all.
    np.testing.assert_allclose(width_effect(np.array([[0.0, 1.0], [-1.0, 0.0]])), [[0.0, 1.0], [1.0, 0.0]])
    # Averaged round a hole: the mean of the positive part of a cosine is 1 / pi, twice that on the diameter.
    angle = (np.arange(1000) + 0.5) / 1000 * 2 * np.pi
    assert diameter_effect() == pytest.approx(2 * np.mean(np.maximum(np.cos(angle), 0)), rel=1e-4)


def test_no_shade_is_seen_where_there_is_none():
    shade = measure_shade(*_scene(0.0, 0.5, np.random.default_rng(2)))
    assert shade.facing == (0, 0)
    assert shade.taken_mm(0) == shade.taken_mm(1) == 0.0
    # Noise hides shifts of about the blur times the root of the relative error of its square.
    assert max(shade.shift_x_mm, shade.shift_y_mm) < 0.1 * SIGMA
    assert "no shade seen" in shade.summary()


def test_too_few_wide_strips_leave_the_largest_possible_shift():
    samples, profiles, fits, spread = _scene(0.0, 0.5, np.random.default_rng(3))
    blurred = replace(fits, sigma_mm=np.full(N, 0.2))
    shade = measure_shade(samples, profiles, blurred, spread)
    assert shade.n == 0
    assert shade.shift_x_mm == pytest.approx(0.0125)
    assert np.isnan(shade.excess_y_mm2)
