from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.power import TTestIndPower

from sharpset.comparison import prints_for_difference, prints_for_equality
from sharpset.comparison.prints_needed import power_of_difference, power_of_equality, upper_sd
from sharpset.errors import ComparisonError


@pytest.mark.parametrize("alpha", [0.05, 0.05 / 30])
def test_power_agrees_with_statsmodels(alpha):
    for n in (3, 5, 10):
        ours = power_of_difference(difference=0.05, sd=0.02, n_prints=n, alpha=alpha)
        theirs = TTestIndPower().power(effect_size=2.5, nobs1=n, alpha=alpha, ratio=1.0)
        # Ours leaves out the wrong tail, some millionths here.
        assert ours == pytest.approx(theirs, abs=1e-5)


def test_prints_are_the_smallest_number_that_is_enough():
    n = int(prints_for_difference(difference=0.05, sd=0.02, alpha=0.002))
    assert power_of_difference(difference=0.05, sd=0.02, n_prints=n, alpha=0.002) >= 0.8
    assert power_of_difference(difference=0.05, sd=0.02, n_prints=n - 1, alpha=0.002) < 0.8


def test_power_of_equality_against_simulation():
    rng = np.random.default_rng(1)
    n, sd, tolerance = 6, 0.03, 0.05
    a, b = rng.normal(0, sd, (20000, n)), rng.normal(0, sd, (20000, n))
    se = np.sqrt((a.var(axis=1, ddof=1) + b.var(axis=1, ddof=1)) / n)
    size = abs(a.mean(axis=1) - b.mean(axis=1))
    simulated = np.mean((tolerance - size) / se > stats.t.ppf(0.95, 2 * n - 2))
    ours = power_of_equality(difference=0.0, sd=sd, tolerance=tolerance, n_prints=n, alpha=0.05)
    # The formula leaves out that both tests share the estimate of the scatter; 0.02 covers that and the simulation.
    assert ours == pytest.approx(simulated, abs=0.02)


def test_no_number_of_prints_shows_what_is_not_so():
    assert prints_for_difference(difference=0.0, sd=0.02) == math.inf
    assert prints_for_difference(difference=0.001, sd=0.5) == math.inf
    assert prints_for_equality(sd=0.02, tolerance=0.05, difference=0.06) == math.inf


def test_fewer_prints_for_less_scatter():
    numbers = [prints_for_equality(sd=sd, tolerance=0.05) for sd in (0.01, 0.02, 0.04)]
    assert numbers == sorted(numbers)
    assert numbers[0] >= 2


def test_upper_sd_covers():
    rng = np.random.default_rng(2)
    sds = rng.normal(0, 1, (4000, 5)).std(axis=1, ddof=1)
    covered = np.mean([upper_sd(s, 4) > 1 for s in sds])
    assert covered == pytest.approx(0.8, abs=4 * np.sqrt(0.16 / 4000))
    assert math.isnan(upper_sd(1.0, 0))


def test_impossible_wishes_are_refused():
    with pytest.raises(ComparisonError, match="scatter between print jobs"):
        prints_for_difference(difference=1, sd=math.nan)
    with pytest.raises(ComparisonError, match="between 0 and 1"):
        prints_for_equality(sd=1, tolerance=1, power=1.5)
