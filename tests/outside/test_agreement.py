"""Agreement and equivalence against published cases.

Bland & Altman 1986: Lancet i:307-310 (data seen in two public packages, printed results from memory, recomputed).
Equivalence: three summary-data cases, regression values of an R package for two one-sided tests, to six digits.
"""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from sharpset.comparison import assess_equivalence_summary, measure_agreement, repeatability_coefficient

DATA = Path(__file__).parent / "data" / "bland_altman_1986_pefr.csv"


@pytest.fixture(scope="module")
def pefr():
    return pd.read_csv(DATA, comment="#")


def test_pefr_limits_as_printed_with_2_sd(pefr):
    found = measure_agreement(pefr["WrightFirst"], pefr["MiniWrightFirst"], multiplier=2.0, method="1986")
    assert found.n == 17
    # The paper rounds mean, sd and standard errors before it adds (75.5 + 34.6 = 110.1): 0.2 covers that.
    printed = {"bias": -2.1, "sd": 38.8, "lower": -79.7, "upper": 75.5}
    printed |= {"bias_low": -22.0, "bias_high": 17.8, "lower_low": -114.3, "lower_high": -45.1}
    printed |= {"upper_low": 40.9, "upper_high": 110.1}
    for name, value in printed.items():
        assert getattr(found, name) == pytest.approx(value, abs=0.2), name


def test_pefr_limits_exact(pefr):
    found = measure_agreement(pefr["WrightFirst"], pefr["MiniWrightFirst"], multiplier=2.0, method="1986")
    exact = {"bias": -2.1176, "sd": 38.7651, "lower": -79.65, "upper": 75.41, "bias_low": -22.05, "bias_high": 17.81}
    exact |= {"lower_low": -114.17, "lower_high": -45.13, "upper_low": 40.89, "upper_high": 109.93}
    for name, value in exact.items():
        assert getattr(found, name) == pytest.approx(value, abs=6e-3), name
    normal = measure_agreement(pefr["WrightFirst"], pefr["MiniWrightFirst"])
    assert normal.lower == pytest.approx(-78.10, abs=5e-3)
    assert normal.upper == pytest.approx(73.86, abs=5e-3)


def test_pefr_repeatability(pefr):
    wright = repeatability_coefficient(pefr["WrightFirst"], pefr["WrightSecond"], multiplier=2.0)
    mini = repeatability_coefficient(pefr["MiniWrightFirst"], pefr["MiniWrightSecond"], multiplier=2.0)
    assert wright == pytest.approx(43.2, abs=0.15)
    assert mini == pytest.approx(56.4, abs=0.15)
    assert wright == pytest.approx(43.29, abs=6e-3)
    assert mini == pytest.approx(56.32, abs=6e-3)


def test_equivalence_one_sample():
    found = assess_equivalence_summary(mean=0.52, mean_b=0.5, sd=0.5, n=300, bounds=(-0.1, 0.1))
    assert [found.t_low, found.t_high] == pytest.approx([4.156922, -2.771281], abs=1e-5)
    assert [found.p_low, found.p_high] == pytest.approx([2.108451e-05, 0.002966762], rel=1e-5)
    assert [found.ci_low, found.ci_high] == pytest.approx([-0.02763041, 0.06763041], abs=1e-5)
    assert found.equivalent


def test_equivalence_two_samples():
    found = assess_equivalence_summary(mean=5.25, sd=0.95, n=95, mean_b=5.22, sd_b=0.83, n_b=89, bounds=(-0.384, 0.384))
    assert found.df == pytest.approx(181.1344, abs=1e-4)
    assert [found.t_low, found.t_high] == pytest.approx([3.153015, -2.696056], abs=1e-5)
    assert [found.p_low, found.p_high] == pytest.approx([0.0009458745, 0.003838994], rel=1e-5)
    assert [found.ci_low, found.ci_high] == pytest.approx([-0.1870843, 0.2470843], abs=1e-5)


def test_equivalence_paired():
    found = assess_equivalence_summary(
        mean=5.83, sd=1.17, n=65, mean_b=5.75, sd_b=1.29, r=0.75, bounds=(-0.350782, 0.350782)
    )
    assert [found.t_low, found.t_high] == pytest.approx([3.960381, -2.489426], abs=1e-5)
    assert [found.p_low, found.p_high] == pytest.approx([9.531728e-05, 0.00770235], rel=1e-5)
