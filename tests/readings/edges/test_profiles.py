"""Profiles in fewer steps hold what the fine ones hold."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy.special import ndtr

from sharpset.readings.edges.blur import EdgeSpread
from sharpset.readings.edges.profiles import robust_profiles
from sharpset.readings.edges.sampling import Samples, Strip
from sharpset.readings.edges.strips import Priors, fit_strips

PIXEL, SIGMA, WIDTHS = 0.02, 0.024, (0.1, 0.5)


def _slots() -> Samples:
    """Two slots across a grid of pixels that is turned a little, with noise."""
    rng = np.random.default_rng(5)
    i, j = (v.ravel() * PIXEL for v in np.meshgrid(np.arange(-60, 61), np.arange(-45, 46)))
    turn = 0.07
    d, t = np.cos(turn) * i + np.sin(turn) * j, np.cos(turn) * j - np.sin(turn) * i
    parts = []
    for k, width in enumerate(WIDTHS):
        keep = np.abs(d) < width / 2 + 0.42
        near = d[keep]
        light = 1 - ndtr((near + width / 2) / SIGMA) + ndtr((near - width / 2) / SIGMA)
        parts.append((np.full(len(near), k), near, t[keep], light + rng.normal(0, 0.02, len(near))))
    owner, d, t, solid = (np.concatenate(column) for column in zip(*parts, strict=True))
    return Samples(
        strips=tuple(
            Strip(name=f"s{w}", solid=False, width_mm=w, length_mm=2.0, x_mm=0, y_mm=0, angle_deg=90, reach_mm=0.42)
            for w in WIDTHS
        ),
        owner=owner,
        d_mm=d,
        t_mm=t,
        solid=solid,
        normal=np.tile([np.cos(turn), np.sin(turn)], (2, 1)),
        length_scale=np.ones(2),
        half_length_mm=np.full(2, 1.0),
        pixel_mm=PIXEL,
        pixel_area_mm2=PIXEL**2,
    )


def test_merged_steps_keep_pixels_light_squares_and_all_steps_near_edges():
    fine = robust_profiles(_slots())
    few = fine.merged
    assert few.d_mm.shape[1] < 0.75 * fine.d_mm.shape[1]
    np.testing.assert_array_equal(few.n_steps, (fine.n_pixels > 0).sum(axis=1))
    for power in (0, 1):
        sums = [(p.n_pixels * p.solid**power).sum(axis=1) for p in (fine, few)]
        np.testing.assert_allclose(sums[1], sums[0], rtol=1e-12)
    places = [(p.n_pixels * p.d_mm).sum(axis=1) for p in (fine, few)]
    np.testing.assert_allclose(places[1], places[0], rtol=0, atol=1e-9)
    squares = [(p.n_pixels * p.solid**2).sum(axis=1) for p in (fine, few)]
    np.testing.assert_allclose(squares[1] + few.within, squares[0], rtol=1e-12)
    for k, width in enumerate(WIDTHS):
        near, kept = (
            p.d_mm[k][(p.n_pixels[k] > 0) & (np.abs(np.abs(p.d_mm[k]) - width / 2) < 8 * PIXEL)] for p in (fine, few)
        )
        np.testing.assert_allclose(kept, near, rtol=0, atol=1e-12)


def test_fits_of_merged_profiles_are_those_of_fine_ones():
    samples = _slots()
    fine = robust_profiles(samples)
    spread = EdgeSpread(sigma_x_mm=SIGMA, sigma_y_mm=SIGMA)
    few, many = (fit_strips(samples, p, spread, Priors()) for p in (fine, replace(fine, for_fits=None)))
    # A hundredth of what is known of them, and no less known.
    assert np.all(np.abs(few.width_mm - many.width_mm) < 0.01 * many.u_width_mm)
    np.testing.assert_allclose(few.u_width_mm, many.u_width_mm, rtol=0.002)
    np.testing.assert_allclose(few.misfit, many.misfit, rtol=0.002)
    assert np.all(np.abs(few.width_mm - WIDTHS) < 4 * few.u_width_mm)
