from __future__ import annotations

import numpy as np
import pytest

from sharpset.comparison import measure_agreement, repeatability_coefficient
from sharpset.errors import ComparisonError


def test_bias_and_limits_by_hand():
    # Differences 1, 2, 3: mean 2, sd 1.
    found = measure_agreement([2, 4, 6], [1, 2, 3], multiplier=2.0)
    assert (found.bias, found.sd, found.lower, found.upper) == pytest.approx((2, 1, 0, 4))


def test_exact_limits_cover_as_often_as_they_say():
    # True limits of standard normal differences are -/+1.96; each exact 95 % interval must hold its limit 95 % of
    # times.
    rng = np.random.default_rng(1)
    hits = []
    for _ in range(400):
        d = rng.normal(0, 1, 8)
        found = measure_agreement(d, np.zeros(8))
        hits.append(found.upper_low < 1.959964 < found.upper_high)
    assert np.mean(hits) > 0.95 - 4 * np.sqrt(0.05 * 0.95 / 400)
    assert np.mean(hits) < 0.95 + 4 * np.sqrt(0.05 * 0.95 / 400)


def test_exact_intervals_are_symmetric_about_the_bias():
    rng = np.random.default_rng(2)
    found = measure_agreement(rng.normal(0.3, 1, 12), np.zeros(12))
    assert found.upper_low - found.bias == pytest.approx(found.bias - found.lower_high, rel=1e-9)
    assert found.upper_high - found.bias == pytest.approx(found.bias - found.lower_low, rel=1e-9)


def test_trend_is_found_where_bias_grows_with_size():
    x = np.linspace(0.1, 1, 20)
    rng = np.random.default_rng(3)
    found = measure_agreement(1.2 * x + rng.normal(0, 0.005, 20), x)
    # d = 0.2 x and mean = 1.1 x.
    assert found.trend == pytest.approx(0.2 / 1.1, abs=0.01)
    assert found.trend_p < 1e-6


def test_missing_partners_are_left_out():
    with pytest.raises(ComparisonError, match="at least 3 pairs, got 2"):
        measure_agreement([1, 2, np.nan, 4], [1, 1, 1, np.nan])
    with pytest.raises(ComparisonError, match="equal counts, got 3 and 2"):
        measure_agreement([1, 2, 3], [1, 2])


def test_repeatability_by_hand():
    # Differences 1 and -1: root mean square 1.
    assert repeatability_coefficient([2, 1], [1, 2], multiplier=2.0) == pytest.approx(2.0)
    with pytest.raises(ComparisonError, match="got 1"):
        repeatability_coefficient([1.0], [2.0])


def test_result_shows_itself():
    found = measure_agreement([2, 4, 6, 9], [1, 2, 3, 5])
    assert "limits of agreement" in found.summary()
    assert found.to_frame()["quantity"].tolist() == ["bias", "lower limit", "upper limit"]
    assert "<table" in found._repr_html_()
