"""Sizes from several scans, against generalised least squares written out in full."""

from __future__ import annotations

import numpy as np
import pytest

from sharpset.readings.uncertainty.joint_fit import fit_jointly


def _fit(measured, u, effects, *, mean=None, sd=None, doubt=None):
    j = effects.shape[-1]
    return fit_jointly(
        measured,
        u,
        effects,
        prior_mean=np.zeros(j) if mean is None else mean,
        prior_sd=np.ones(j) if sd is None else sd,
        doubt=np.ones_like(measured) if doubt is None else doubt,
    )


def test_fit_is_generalised_least_squares():
    rng = np.random.default_rng(3)
    n, m, j = 12, 3, 2
    size = rng.uniform(0.1, 0.5, n)
    effects = rng.normal(0, 0.004, (n, m, j))
    u = rng.uniform(0.001, 0.002, (n, m))
    measured = size[:, None] + effects @ rng.normal(size=j) + rng.normal(size=(n, m)) * u
    fit = _fit(measured, u, effects)
    # Readings m = X w + Z z + e: the covariance is Z Z' + diag(u^2) and w comes from weighted least squares.
    design = np.kron(np.eye(n), np.ones((m, 1)))
    z = effects.reshape(n * m, j)
    covariance = z @ z.T + np.diag(u.ravel() ** 2)
    inverse = np.linalg.inv(covariance)
    spread = np.linalg.inv(design.T @ inverse @ design)
    expected = spread @ design.T @ inverse @ measured.ravel()
    np.testing.assert_allclose(fit.size_mm, expected, atol=1e-9)
    private = np.sum(fit.weight**2 * u**2, axis=1)
    np.testing.assert_allclose(private + np.sum(fit.common_mm**2, axis=1), np.diag(spread), rtol=1e-6)
    np.testing.assert_allclose(fit.weight.sum(axis=1), 1.0)


def test_a_prior_with_a_mean_is_taken_off_where_scans_cannot_tell():
    measured = np.full((5, 2), 0.3)
    effects = np.full((5, 2, 1), 0.002)
    fit = _fit(measured, np.full((5, 2), 0.001), effects, mean=np.array([1.5]), sd=np.array([0.4]))
    # Both scans are off alike: nothing but the prior says by how much.
    np.testing.assert_allclose(fit.size_mm, 0.3 - 1.5 * 0.002)
    np.testing.assert_allclose(np.abs(fit.common_mm[:, 0]), 0.4 * 0.002)


def test_dust_on_one_of_three_scans_is_left_out():
    measured = np.tile([0.300, 0.301, 0.3005], (6, 1))
    measured[2, 1] += 0.05
    fit = _fit(measured, np.full((6, 3), 0.001), np.zeros((6, 3, 1)))
    assert fit.left_out.tolist() == [False, False, True, False, False, False]
    assert fit.size_mm[2] == pytest.approx(0.30025)
    assert fit.weight[2, 1] == 0.0


def test_of_two_scans_that_disagree_the_doubtful_one_is_left_out_or_both_are_kept_with_more_uncertainty():
    measured = np.tile([0.300, 0.301], (6, 1))
    measured[2:4, 1] += 0.05
    doubt = np.ones((6, 2))
    doubt[2, 1] = 8.0
    fit = _fit(measured, np.full((6, 2), 0.001), np.zeros((6, 2, 1)), doubt=doubt)
    assert fit.left_out.tolist() == [False, False, True, False, False, False]
    assert fit.size_mm[2] == pytest.approx(0.300)
    assert fit.disagree.tolist() == [False, False, False, True, False, False]
    # Half of what lies between them.
    assert fit.excess_mm[3] == pytest.approx(0.0255, rel=0.01)


def test_a_scan_without_a_size_has_no_weight():
    measured = np.array([[0.3, np.nan], [0.2, 0.202], [np.nan, np.nan]])
    fit = _fit(measured, np.where(np.isfinite(measured), 0.001, np.nan), np.zeros((3, 2, 1)))
    assert fit.size_mm[0] == pytest.approx(0.3)
    assert fit.weight[0].tolist() == [1.0, 0.0]
    assert np.isnan(fit.size_mm[2])
