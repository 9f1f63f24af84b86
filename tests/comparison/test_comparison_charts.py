from __future__ import annotations

import numpy as np
import pytest

from sharpset.comparison import chart_constants, chart_ewma, chart_individuals, run_length_ewma, run_length_individuals
from sharpset.comparison.constants import d2_star
from sharpset.comparison.run_lengths import RULES, chance_of_signal, zone_signals
from sharpset.errors import ComparisonError

ALL = tuple(RULES)


def test_constants_against_closed_forms():
    # n = 2: d2 = 2/sqrt(pi), d3 = sqrt(2 - 4/pi), c4 = sqrt(2/pi); n = 3: d2 = 3/sqrt(pi).
    two = chart_constants(2)
    assert two.d2 == pytest.approx(2 / np.sqrt(np.pi), abs=1e-9)
    assert two.d3 == pytest.approx(np.sqrt(2 - 4 / np.pi), abs=1e-7)
    assert two.c4 == pytest.approx(np.sqrt(2 / np.pi), abs=1e-12)
    assert chart_constants(3).d2 == pytest.approx(3 / np.sqrt(np.pi), abs=1e-9)


def test_constants_against_simulation_for_many_values():
    ranges = np.ptp(np.random.default_rng(1).normal(size=(20000, 150)), axis=1)
    found = chart_constants(150)
    assert found.d2 == pytest.approx(ranges.mean(), abs=4 * found.d3 / np.sqrt(20000))
    assert found.d3 == pytest.approx(ranges.std(), rel=0.03)


def test_d2_star_by_hand():
    # One range of 3: sqrt(1.69257^2 + 0.88837^2) = 1.91155, the 1/0.5231 of the gauge manual.
    assert d2_star(3, 1) == pytest.approx(1.91155, abs=1e-5)
    with pytest.raises(ComparisonError, match="got 1"):
        chart_constants(1)


def test_zone_signals_by_hand():
    z = np.array([0.5, 3.1, 0.2, 2.1, 0.1, 2.2, 0.3, -2.5, -0.1, -2.1, -2.2])
    found = zone_signals(z, rules=ALL)
    assert np.flatnonzero(found["one beyond 3 sigma"]).tolist() == [1]
    # 3.1 and 2.1 with 0.2 between; 2.1 and 2.2 with 0.1 between; -2.5 and -2.1; -2.1 and -2.2.
    assert np.flatnonzero(found["two of three beyond 2 sigma"]).tolist() == [3, 5, 9, 10]


def test_runs_on_one_side():
    z = np.r_[-0.1, np.full(9, 0.2), -0.1]
    found = zone_signals(z, rules=["eight in a row on one side"])["eight in a row on one side"]
    assert np.flatnonzero(found).tolist() == [8, 9]


@pytest.mark.parametrize("rules", [ALL[:1], ALL[:2], ALL])
def test_run_lengths_against_simulation(rules):
    rng = np.random.default_rng(2)
    z = rng.normal(1.0, 1, (6000, 400))
    hit = np.zeros(z.shape, bool)
    for found in zone_signals(z, rules=rules).values():
        hit |= found
    lengths = np.where(hit.any(axis=1), hit.argmax(axis=1) + 1, 400)
    expected = run_length_individuals(1.0, rules=rules)
    # Run lengths scatter about as much as their mean.
    assert lengths.mean() == pytest.approx(expected, abs=4 * lengths.std() / np.sqrt(6000) + 0.02)


def test_one_rule_is_geometric():
    # 1 / (2 * 0.00134990) = 370.398.
    assert run_length_individuals(rules=ALL[:1]) == pytest.approx(370.3983, abs=1e-3)
    assert run_length_ewma(weight=1.0, sigmas=3.0) == pytest.approx(370.3983, abs=1e-3)


def test_ewma_run_length_against_simulation():
    rng = np.random.default_rng(3)
    level, lengths = np.zeros(4000), np.full(4000, 300)
    limit = 2.7 * np.sqrt(0.25 / 1.75)
    alive = np.ones(4000, bool)
    for i in range(300):
        level = 0.25 * rng.normal(0.7, 1, 4000) + 0.75 * level
        out = alive & (abs(level) > limit)
        lengths[out] = i + 1
        alive &= ~out
    expected = run_length_ewma(0.7, weight=0.25, sigmas=2.7)
    assert lengths.mean() == pytest.approx(expected, abs=4 * lengths.std() / np.sqrt(4000))


def test_limits_from_few_prints_raise_more_false_alarms():
    options = {"rules": ALL[:2], "weight": 0.2, "sigmas": 2.962}
    known = chance_of_signal(20, n_baseline=None, **options)
    few = chance_of_signal(20, n_baseline=10, **options)
    assert few > known + 0.1
    # Independent values with rule one alone: 1 - (1 - 0.0027)^20 = 0.0526 at the least.
    assert known > 0.0526


def test_a_shift_is_seen():
    rng = np.random.default_rng(4)
    values = np.r_[rng.normal(0, 1, 15), rng.normal(4, 1, 5)]
    individuals = chart_individuals(values, n_baseline=15)
    ewma = chart_ewma(values, n_baseline=15)
    assert (individuals.signals["index"] >= 16).any()
    assert (ewma.signals["index"] >= 16).any()
    assert individuals.n_baseline == 15


def test_moving_range_signals_a_jump():
    rng = np.random.default_rng(5)
    values = rng.normal(0, 1, 20)
    values[12] += 8
    chart = chart_individuals(values, n_baseline=12)
    assert "moving range" in chart.points["signal"].iloc[12]
    assert chart.range_upper == pytest.approx(3.26653 * chart.mean_range, rel=1e-5)


def test_early_limits_are_narrower():
    chart = chart_ewma(np.zeros(5), weight=0.3, sigmas=3, centre=0, sigma=1)
    # First value: limits are L * weight * sigma.
    assert chart.points["upper"].iloc[0] == pytest.approx(0.9)
    assert (np.diff(chart.points["upper"]) > 0).all()


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda: chart_individuals([1, 2, 3]), "at least 8 check pieces, got 3"),
        (lambda: chart_individuals([1.0] * 9), "no spread"),
        (lambda: chart_individuals([1.0, np.nan] * 5), "a number at every point"),
        (lambda: chart_individuals(np.arange(9), rules=["nelson"]), "unknown rule 'nelson'"),
        (lambda: chart_ewma(np.arange(9), weight=0), "weight is 0"),
        (lambda: chart_ewma(np.arange(9), centre=0, sigma=0), "sigma is 0"),
    ],
)
def test_what_cannot_be_charted_is_refused(call, says):
    with pytest.raises(ComparisonError, match=says):
        call()


def test_results_show_themselves():
    values = np.random.default_rng(6).normal(size=12)
    for chart in (chart_individuals(values), chart_ewma(values)):
        assert "false alarm every" in chart.summary()
        assert len(chart.to_frame()) == 12
        assert "<table" in chart._repr_html_()
