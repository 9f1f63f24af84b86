"""Blurred edges and discs against the error function and the noncentral chi-square distribution."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import ncx2

from sharpset.readings.edges.blur import EdgeSpread, SpreadShape, blurred_edge, edge_profile, normal_cdf
from sharpset.readings.holes.disc_model import Patches, evaluate_discs

SIGMA = 0.02


def test_normal_distribution_is_that_of_the_error_function():
    z = np.concatenate((np.linspace(-12, 12, 20_011), [-np.inf, np.inf, -40.0, 40.0]))
    true = np.array([0.5 * math.erfc(-value / math.sqrt(2)) for value in z])
    # Fourth derivative of the distribution (1.4 at most) over 24 times the fourth power of half a step of 1/32.
    assert np.abs(normal_cdf(z) - true).max() < 1.4 / 24 / 64**4 * 1.01
    assert normal_cdf(z.reshape(5, -1)).shape == (5, len(z) // 5)
    assert np.isnan(normal_cdf(np.array([np.nan, 0.0]))).tolist() == [True, False]


def test_edge_with_a_halo_is_two_edges():
    d = np.linspace(-0.3, 0.3, 301)
    both = 0.8 * normal_cdf(d / SIGMA) + 0.2 * normal_cdf(d / (3 * SIGMA))
    assert np.abs(edge_profile(d, SIGMA, SpreadShape(halo=0.2, ratio=3.0)) - both).max() < 1e-12


@pytest.mark.parametrize(("halo", "ratio"), [(0.0, 3.0), (0.3, 8.0), (-0.2, 1.8)])
def test_tabulated_edge_and_its_slope_are_those_of_the_error_function(halo, ratio):
    z = np.concatenate((np.linspace(-60, 60, 20_011), [-1e6, 1e6]))
    step, slope = blurred_edge(z.reshape(7, -1), SpreadShape(halo=halo, ratio=ratio))
    shares = ((1 - halo, 1.0), (halo, ratio))
    true = [sum(h * 0.5 * math.erfc(-v / w / math.sqrt(2)) for h, w in shares) for v in z]
    bell = sum(h / w * np.exp(-0.5 * (z / w) ** 2) / np.sqrt(2 * np.pi) for h, w in shares)
    # Third derivative of the step (0.4 at most, 1.2 times it with a negative halo) over 6 times the cube of half a
    # step of 1/128, or what is left of a halo at 5.5 of its blurs; that of the slope (0.55) over 2 times its square.
    assert np.abs(step.ravel() - true).max() < max(1.2 * 0.4 / 6 / 256**3, 0.3 * 2e-8)
    assert np.abs(slope.ravel() - bell).max() < 1.2 * 0.55 / 2 / 256**2


@pytest.mark.parametrize("halo", [0.0, 0.15])
def test_blurred_discs_of_all_sizes_are_noncentral_chi_square(halo):
    radii = np.array([0.2, 1.0, 3.0, 12.0, 60.0]) * SIGMA
    # Along a line through each disc, not through its middle, with a centre beside the nominal one.
    x = [np.linspace(-r - 0.1, r + 0.1, 400) for r in radii]
    y = [np.full(400, 0.3 * r) for r in radii]
    zeros = [np.zeros(400)] * len(radii)
    places = [np.zeros(400, dtype=np.intp)] * len(radii)
    patches = Patches.joined(x, y, zeros, places, places)
    p = np.column_stack((0.1 * radii, -0.2 * radii, radii, np.full(5, 0.95), np.full(5, 0.9)))
    spread = EdgeSpread(sigma_x_mm=SIGMA, sigma_y_mm=SIGMA, halo=halo, halo_ratio=2.5)
    model, jacobian = evaluate_discs(patches, p, SIGMA, spread)
    for i, one in enumerate(patches.slices()):
        r = np.hypot(x[i] - p[i, 0], y[i] - p[i, 1])
        disc = sum(
            share * ncx2.cdf((radii[i] / s) ** 2, 2, (r / s) ** 2)
            for share, s in ((1 - halo, SIGMA), (halo, 2.5 * SIGMA))
        )
        # Linear interpolation in steps of 0.08 blurs: step^2 / 8 times the largest curvature, and its like inside.
        assert np.abs(model[one] - (0.95 - 0.9 * disc)).max() < 4e-4
    for k in range(5):
        moved = p.copy()
        h = 1e-3 if k >= 3 else 0.05 * SIGMA
        moved[:, k] += h
        back = p.copy()
        back[:, k] -= h
        change = (
            evaluate_discs(patches, moved, SIGMA, spread)[0] - evaluate_discs(patches, back, SIGMA, spread)[0]
        ) / (2 * h)
        # Differences of interpolated values: 4e-4 over the step, and its third derivative.
        assert np.abs(jacobian[k] - change).max() < (0.02 / SIGMA if k < 3 else 1e-6)
