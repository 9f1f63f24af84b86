from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.weightstats import ttost_ind, ttost_paired

from sharpset.comparison import assess_equivalence, assess_equivalence_summary, holm_adjust
from sharpset.errors import ComparisonError


def test_two_samples_agree_with_statsmodels():
    rng = np.random.default_rng(1)
    a, b = rng.normal(0.01, 0.02, 9), rng.normal(0, 0.04, 6)
    found = assess_equivalence(a, b, bounds=(-0.05, 0.05))
    p, low, high = ttost_ind(a, b, -0.05, 0.05, usevar="unequal")
    assert found.p == pytest.approx(p, rel=1e-9)
    assert [found.t_low, found.t_high] == pytest.approx([low[0], high[0]], rel=1e-9)


def test_pairs_agree_with_statsmodels():
    rng = np.random.default_rng(2)
    a = rng.normal(0, 1, 12)
    b = a + rng.normal(0.1, 0.2, 12)
    found = assess_equivalence(a, b, bounds=(-0.3, 0.3), paired=True)
    assert found.p == pytest.approx(ttost_paired(a, b, -0.3, 0.3)[0], rel=1e-9)


def test_interval_and_test_agree():
    rng = np.random.default_rng(3)
    for _ in range(50):
        found = assess_equivalence(rng.normal(0.2, 1, 10), bounds=(-0.8, 0.8))
        assert found.equivalent == (found.ci_low > -0.8 and found.ci_high < 0.8)


def test_level_at_the_bound():
    # True difference on the bound: equivalence is claimed in at most alpha of the trials, and close to alpha.
    rng = np.random.default_rng(4)
    hits = [assess_equivalence(rng.normal(0.5, 0.2, 8), bounds=(-0.5, 0.5)).equivalent for _ in range(2000)]
    assert 0.05 - 4 * 0.0049 < np.mean(hits) < 0.05 + 4 * 0.0049


@pytest.mark.parametrize(
    ("options", "says"),
    [
        ({"bounds": (0.1, -0.1)}, "no interval"),
        ({"bounds": (-0.1, 0.1), "alpha": 0.7}, "alpha is 0.7"),
        ({"bounds": (-0.1, 0.1), "n": 1}, "at least two values"),
        ({"bounds": (-0.1, 0.1), "mean_b": 0.0, "sd_b": 0.1}, "two samples need n_b"),
    ],
)
def test_wrong_calls_are_refused(options, says):
    with pytest.raises(ComparisonError, match=says):
        assess_equivalence_summary(**({"mean": 0.0, "sd": 0.1, "n": 5} | options))


def test_unequal_pairs_are_refused():
    with pytest.raises(ComparisonError, match="got 3 and 2"):
        assess_equivalence([1, 2, 3], [1, 2], bounds=(-1, 1), paired=True)


@settings(max_examples=40, deadline=None)
@given(st.lists(st.floats(1e-6, 1.0), min_size=1, max_size=12))
def test_holm_agrees_with_statsmodels(p):
    np.testing.assert_allclose(holm_adjust(p), multipletests(p, method="holm")[1], rtol=1e-9)


def test_holm_leaves_out_tests_that_were_not_made():
    assert holm_adjust([0.01, np.nan, 0.04]) == pytest.approx([0.02, np.nan, 0.04], nan_ok=True)
    assert np.isnan(holm_adjust([np.nan, np.nan])).all()


def test_weighted_holm_by_hand():
    # p/w: .01/.5 = .02 first: .02 * 1 = .02; then .03/.25 = .12 over the left .5: .06; last .2/.25 * .25 = .2.
    assert holm_adjust([0.01, 0.03, 0.2], weights=[0.5, 0.25, 0.25]) == pytest.approx([0.02, 0.06, 0.2])


def test_weighted_holm_keeps_the_level():
    rng = np.random.default_rng(5)
    weights = np.array([0.5, 0.2, 0.2, 0.1])
    shared = rng.normal(size=(4000, 1))
    z = 0.8 * shared + 0.6 * rng.normal(size=(4000, 4))
    p = 2 * stats.norm.sf(abs(z))
    alarms = np.mean([(holm_adjust(row, weights=weights) < 0.05).any() for row in p])
    assert alarms < 0.05 + 3 * 0.0035
