"""Blurred edges and circles against closed forms and published cases."""

from __future__ import annotations

import numpy as np
from scipy.integrate import dblquad

from sharpset.readings.edges.blur import SpreadShape, edge_profile, line_profile
from sharpset.readings.holes.disc_model import blurred_disc


def test_gaussian_edge_has_the_closed_form_mtf():
    """MTF(f) = exp(-2 pi^2 sigma^2 f^2): MTF50 = 0.187391 / sigma, MTF10 = 0.341541 / sigma (algebra)."""
    step = 0.01
    x = np.arange(-40, 40, step)
    for sigma in (0.7, 1.0, 1.5):
        spread = np.diff(edge_profile(x, sigma)) / step
        middle = x[:-1] + step / 2
        for level, product in ((0.5, 0.1873906), (0.1, 0.3415411)):
            f = product / sigma
            response = abs(np.sum(spread * np.exp(-2j * np.pi * f * middle)) * step)
            assert abs(response - level) < 1e-5


def test_line_profile_is_the_derivative_of_the_edge_profile():
    """By central differences; edges come from a table good to 2e-9, which a step of 1e-3 turns into 2e-6."""
    x = np.linspace(-5, 5, 101)
    h = 1e-3
    for halo in (0.0, 0.15):
        rise = edge_profile(x + h, 1.3, SpreadShape(halo=halo, ratio=3.0)) - edge_profile(
            x - h, 1.3, SpreadShape(halo=halo, ratio=3.0)
        )
        np.testing.assert_allclose(
            rise / (2 * h), line_profile(x, 1.3, SpreadShape(halo=halo, ratio=3.0)), rtol=0, atol=2.5e-6
        )


def test_blurred_disc_is_the_convolution_of_a_disc_with_a_gaussian():
    """By direct integration of the Gaussian over the disc."""
    sigma, radius = 1.0, 1.7
    for r in (0.0, 0.9, 1.7, 3.0):
        value, _ = dblquad(
            lambda t, s, r=r: s * np.exp(-((s * np.cos(t) - r) ** 2 + (s * np.sin(t)) ** 2) / 2) / (2 * np.pi),
            0,
            radius,
            0,
            2 * np.pi,
        )
        assert abs(blurred_disc(np.array([r]), radius, sigma)[0] - value) < 1e-7


def test_blurred_disc_agrees_across_the_change_of_formula():
    r = np.linspace(17, 23, 61)
    exact, large = blurred_disc(r, 19.999, 1.0), blurred_disc(r, 20.001, 1.0)
    # The correction for curvature leaves an error of the order (sigma / R)^2 = 2.5e-3 times 0.1.
    assert np.abs(exact - large).max() < 1.5e-3
