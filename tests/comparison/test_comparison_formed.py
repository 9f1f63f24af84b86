from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm

from sharpset.comparison.formed import (
    PrintCounts,
    bootstrap_limits,
    expanded_levels,
    fit_limits,
    spearman_karber,
    weigh_prints,
)

SIZES = np.array([0.1, 0.125, 0.16, 0.2, 0.25, 0.315, 0.4, 0.5])


def test_many_features_agree_with_an_unpenalised_fit():
    # With thousands of features Firth's penalty is far below the standard error.
    n = np.full(8, 4000.0)
    p = 1 / (1 + np.exp(-8 * (np.log(SIZES) - np.log(0.2))))
    k = np.round(n * p)
    found = fit_limits(SIZES, k, n)[0]
    model = sm.GLM(np.column_stack([k, n - k]), sm.add_constant(np.log(SIZES)), family=sm.families.Binomial()).fit()
    expected = (np.log(9) - model.params[0]) / model.params[1]
    assert found[0] == pytest.approx(expected, abs=1e-4)
    gradient = np.array([-1, -expected]) / model.params[1]
    assert found[1] == pytest.approx(np.sqrt(gradient @ model.cov_params() @ gradient), rel=1e-3)


def test_a_clean_cut_stays_within_a_step_of_the_ladder():
    n = np.full(8, 6.0)
    k = np.where(SIZES >= 0.25, 6.0, 0.0)
    a90 = np.exp(fit_limits(SIZES, k, n)[0, 0])
    assert 0.2 < a90 < 0.315


def test_all_and_none_formed():
    n = np.full(8, 6.0)
    found = fit_limits(SIZES, np.stack([n, 0 * n]), np.stack([n, n]))
    assert np.exp(found[0, 0]) == pytest.approx(0.1)
    assert found[1, 0] == np.inf
    assert np.isnan(found[:, 1]).all()


def test_a_falling_curve_has_no_limit():
    n = np.full(8, 6.0)
    assert np.isnan(fit_limits(SIZES, np.array([6, 6, 5, 4, 3, 2, 1, 0.0]), n)[0, 0])


def test_many_sets_at_once_equal_one_at_a_time():
    rng = np.random.default_rng(1)
    n = np.full((20, 8), 6.0)
    k = rng.binomial(6, 1 / (1 + np.exp(-8 * (np.log(SIZES) - np.log(0.2)))), (20, 8)).astype(float)
    together = fit_limits(SIZES, k, n)
    alone = np.vstack([fit_limits(SIZES, k[i], n[i]) for i in range(20)])
    np.testing.assert_allclose(together, alone, atol=1e-6)


def test_weights_draw_whole_prints():
    w = weigh_prints(5, n_boot=300, rng=np.random.default_rng(1))
    assert (w.sum(axis=1) == 5).all()
    assert w.mean() == pytest.approx(1.0)


def test_bootstrap_spread_follows_print_to_print_scatter():
    # Prints whose ladders cut at different sizes: resampled limits must spread; prints all alike: they must not.
    n = np.full((6, 8), 6.0)
    cut = np.array([0.16, 0.2, 0.25, 0.25, 0.315, 0.4])
    apart = np.where(cut[:, None] <= SIZES, 6.0, 0.0)
    alike = np.where(np.full((6, 1), 0.25) <= SIZES, 6.0, 0.0)
    spread = [
        np.std(
            bootstrap_limits(PrintCounts(sizes_mm=SIZES, formed=k, tried=n), n_boot=500, rng=np.random.default_rng(2))
        )
        for k in (apart, alike)
    ]
    assert spread[0] > 0.02
    assert spread[1] == pytest.approx(0, abs=1e-12)


def test_expanded_levels_by_hand():
    # n = 5: sqrt(5/4) * t(.025, 4) = 1.1180 * -2.7764 = -3.1041; normal tail .000954.
    assert expanded_levels(5)[0] == pytest.approx(0.000954, abs=2e-6)
    assert sum(expanded_levels(9)) == pytest.approx(1.0)


def test_spearman_karber_of_a_clean_cut_lies_midway():
    k = np.where(SIZES >= 0.25, 6.0, 0.0)[None]
    middle = spearman_karber(SIZES, k, np.full((1, 8), 6.0))
    assert middle[0] == pytest.approx((np.log(0.2) + np.log(0.25)) / 2)


def test_spearman_karber_falls_as_more_forms():
    n = np.full((2, 8), 6.0)
    k = np.array([[0, 0, 1, 3, 5, 6, 6, 6], [0, 1, 2, 4, 6, 6, 6, 6.0]])
    middle = spearman_karber(SIZES, k, n)
    assert middle[1] < middle[0]
