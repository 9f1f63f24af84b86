from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from scipy import stats

from sharpset.comparison.cells import arrange_prints, compare_means, print_effects
from sharpset.comparison.tables import check_readings, merge_scans


def test_effects_without_gaps_are_row_means():
    values = np.random.default_rng(1).normal(size=(4, 6))
    np.testing.assert_allclose(print_effects(values), values.mean(axis=1))


def test_gaps_are_filled_by_the_additive_model():
    # Exact additive data: whatever is missing, the effects must be those of the full table.
    rows, columns = np.array([0.01, -0.02, 0.03]), np.array([0.0, 0.05, -0.04, 0.1])
    values = rows[:, None] + columns
    gaps = values.copy()
    gaps[0, 3] = gaps[1, 0] = gaps[2, 2] = np.nan
    np.testing.assert_allclose(print_effects(gaps), values.mean(axis=1), atol=1e-12)


def test_gaps_agree_with_least_squares_of_statsmodels():
    rng = np.random.default_rng(2)
    values = rng.normal(size=(5, 7))
    values[rng.random((5, 7)) < 0.2] = np.nan
    r, c = np.nonzero(np.isfinite(values))
    fit = smf.ols("y ~ C(r) + C(c)", pd.DataFrame({"y": values[r, c], "r": r, "c": c})).fit()
    expected = [np.mean([fit.predict(pd.DataFrame({"r": [i], "c": [j]}))[0] for j in range(7)]) for i in range(5)]
    np.testing.assert_allclose(print_effects(values), expected, atol=1e-9)


def test_an_empty_print_has_no_effect():
    values = np.array([[1.0, 2.0], [np.nan, np.nan], [3.0, np.nan]])
    found = print_effects(values)
    assert np.isnan(found[1])
    # Column offsets: the second is one above the first, from row one.
    np.testing.assert_allclose(found[[0, 2]], [1.5, 3.5], atol=1e-12)
    assert np.isnan(print_effects(np.full((2, 3), np.nan))).all()


def test_difference_agrees_with_scipy():
    rng = np.random.default_rng(3)
    values, is_a = rng.normal(size=9), np.arange(9) < 4
    found = compare_means(values, is_a)
    welch = stats.ttest_ind(values[is_a], values[~is_a], equal_var=False)
    assert found.p_beyond() == pytest.approx(welch.pvalue, rel=1e-9)
    assert found.df == pytest.approx(welch.df, rel=1e-9)
    low, high = welch.confidence_interval()
    assert found.half_width() == pytest.approx((high - low) / 2, rel=1e-9)


def test_a_chance_lack_of_scatter_does_not_make_certainty():
    values, is_a = np.array([0.010, 0.010, 0.011, 0.011]), np.array([True, True, False, False])
    assert compare_means(values, is_a).p_beyond() == 0.0
    # Each value is known to 0.002 only: difference 0.001, se 0.002, df 2.
    found = compare_means(values, is_a, floor_sd=0.002)
    assert found.se == pytest.approx(0.002)
    assert found.p_beyond() == pytest.approx(2 * stats.t.sf(0.5, 2))


def test_one_print_has_no_scatter():
    found = compare_means(np.array([0.1, 0.2, 0.3]), np.array([True, False, False]))
    assert found.difference == pytest.approx(-0.15)
    assert np.isnan([found.se, found.df, found.p_beyond(), found.half_width(), found.sd_a]).all()


def test_p_beyond_a_margin():
    found = compare_means(np.array([1.0, 1.2, 0.0, 0.2]), np.array([True, True, False, False]))
    assert found.p_beyond(5.0) == 1.0
    assert found.p_beyond(0.5) == pytest.approx(2 * stats.t.sf(0.5 / found.se, found.df))


def test_arrays_pair_features_by_name(draw):
    a, b = (merge_scans(check_readings(draw(i, n_prints=2, name=n), name=n)) for i, n in enumerate("ab"))
    b = b[b["feature_id"] != "bar-0.2-0"].sample(frac=1, random_state=1)
    table = arrange_prints(a, b)
    assert "bar-0.2-0" not in set(table.features["feature_id"])
    assert table.deviation_mm.shape == (4, 19)
    row = b[(b["run_id"] == "b1") & (b["feature_id"] == "slot-0.25-90")].iloc[0]
    j = int(np.flatnonzero(table.features["feature_id"] == "slot-0.25-90")[0])
    i = table.n_a + list(dict.fromkeys(b["run_id"])).index("b1")
    assert table.deviation_mm[i, j] == pytest.approx(row["deviation_mm"])


def test_counts_by_size(draw):
    a, b = (merge_scans(check_readings(draw(i, n_prints=2, name=n, limit=0.22), name=n)) for i, n in enumerate("ab"))
    counts = arrange_prints(a, b).counts("slot", printer="b")
    np.testing.assert_allclose(counts.sizes_mm, [0.16, 0.2, 0.25, 0.315, 0.4])
    np.testing.assert_allclose(counts.formed, [[0, 0, 2, 2, 2]] * 2)
    np.testing.assert_allclose(counts.tried, [[2] * 5] * 2)
