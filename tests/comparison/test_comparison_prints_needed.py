from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from statsmodels.stats.power import TTestIndPower

from sharpset.comparison import prints_for_difference, prints_for_equality
from sharpset.comparison.planning import prints_to_form
from sharpset.comparison.prints_needed import power_of_difference, power_of_equality, prints_for_bound, upper_sd
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


def test_prints_for_a_bound_by_hand():
    # sd 0.2 and n = 4: t(.95, 3) = 2.353, 2.353 * 0.2 / 2 = 0.2353; n = 5: 2.132 * 0.2 / sqrt 5 = 0.1907.
    assert prints_for_bound(distance=0.20, sd=0.2) == 5
    assert prints_for_bound(distance=0.2354, sd=0.2) == 4
    assert prints_for_bound(distance=0.0, sd=0.2) == math.inf
    assert prints_for_bound(distance=0.001, sd=0.2) == math.inf


def _forming_rows(*, forms: str, nominal_mm: float) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    sizes = pd.DataFrame([{"kind": "bar", "nominal_mm": nominal_mm, "forms": forms}])
    limits = pd.DataFrame(
        [
            {
                "kind": "bar",
                **{"a90_a_mm": 0.10, "a90_a_low_mm": 0.08, "a90_a_high_mm": 0.12, "sd_ln_a": 0.1},
                **{"a90_b_mm": 0.20, "a90_b_low_mm": 0.15, "a90_b_high_mm": 0.30, "sd_ln_b": 0.2},
            }
        ]
    )
    kinds = pd.DataFrame(
        [{"kind": "bar", "measure": "size that half form", "difference": 0.5, "sd_between_prints": 0.2, "weight": 0.1}]
    )
    return sizes, limits, kinds


def test_prints_to_form_follow_the_printer_that_is_open():
    # At 0.25 mm A is past its bound; B needs ln(0.25 / 0.2) = 0.2231 with 0.2 a print: 4 give 0.2353, 5 give 0.1907.
    tables = _forming_rows(forms="A forms it, B not yet decided", nominal_mm=0.25)
    assert prints_to_form(*tables, alpha=0.05, n_now=3) == [2.0]
    assert prints_to_form(*tables, alpha=0.05, n_now=10) == [1.0]


def test_prints_to_form_of_a_kind_are_those_of_its_test():
    # ln 0.5 = -0.693 with sd 0.2 at level 0.05 * 0.1: the power of the t test decides, computed elsewhere in this file.
    tables = _forming_rows(forms="not yet decided", nominal_mm=math.nan)
    needed = prints_for_difference(difference=math.log(2), sd=0.2, alpha=0.005)
    assert prints_to_form(*tables, alpha=0.05, n_now=2) == [needed - 2]


@pytest.mark.parametrize("forms", ["both", "neither", "only A", "A forms smaller details"])
def test_decided_rows_need_no_more_prints(forms):
    tables = _forming_rows(forms=forms, nominal_mm=0.25)
    assert prints_to_form(*tables, alpha=0.05, n_now=3) == [0.0]
