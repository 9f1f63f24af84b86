"""Power and precision: by textbook formulas, by another library, by simulation."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.power import FTestAnovaPower, TTestIndPower

from sharpset.cli import main
from sharpset.errors import PlanError
from sharpset.plans import factors_from_dict, make_plan, needed_replicates, power_table, save_plan


def two_groups(n):
    factors = factors_from_dict({"factor": [{"name": "printer", "levels": ["old", "new"]}]})
    return make_plan(factors, design="full", replicates=n)


@pytest.mark.parametrize(("n", "effect"), [(4, 2.0), (6, 1.5), (10, 0.7)])
def test_two_groups_agree_with_the_t_test(n, effect):
    row = power_table(two_groups(n), noise_sd=0.5, effect=0.5 * effect).iloc[0]
    # Two-sided t test of two independent groups, effect in standard deviations; both are exact, 1e-6 is the
    # accuracy of the non-central distributions.
    assert row["power"] == pytest.approx(TTestIndPower().power(effect, n, 0.05), abs=1e-6)
    assert row["standard_error"] == pytest.approx(0.5 * math.sqrt(2 / n))
    assert row["half_width"] == pytest.approx(stats.t.ppf(0.975, 2 * n - 2) * 0.5 * math.sqrt(2 / n))
    assert row["df_error"] == 2 * n - 2


def test_three_labels_agree_with_the_analysis_of_variance():
    factors = factors_from_dict({"factor": [{"name": "resin", "levels": ["a", "b", "c"]}]})
    row = power_table(make_plan(factors, design="full", replicates=5), noise_sd=1.0, effect=2.0).iloc[0]
    # Two labels one sd up and down, the third between: f = sqrt((1 + 1 + 0)/3).
    expected = FTestAnovaPower().power(math.sqrt(2 / 3), 15, 0.05, k_groups=3)
    assert row["power"] == pytest.approx(expected, abs=1e-6)
    assert row["df"] == 2
    assert row["standard_error"] == pytest.approx(math.sqrt(2 / 5))


def test_detectable_effect_has_the_wanted_power(unit_factors):
    plan = make_plan(unit_factors(3), design="full", replicates=2)
    table = power_table(plan, noise_sd=0.02, wanted_power=0.9)
    for _, row in table.iterrows():
        again = power_table(plan, noise_sd=0.02, effect=dict.fromkeys(table["term"], row["detectable_effect"]))
        power = again.set_index("term").loc[row["term"], "power"]
        assert power == pytest.approx(0.9, abs=1e-6)


def test_factorial_effect_by_hand(unit_factors):
    plan = make_plan(unit_factors(3), design="full", replicates=2)
    table = power_table(plan, noise_sd=3.0, model="linear").set_index("term")
    # An effect is the difference of two means of eight: 3 sqrt(2/8); 16 - 4 degrees of freedom.
    assert table["standard_error"].tolist() == pytest.approx([3 * math.sqrt(2 / 8)] * 3)
    assert set(table["df_error"]) == {12}


def test_square_is_the_rise_from_the_middle_to_the_ends(unit_factors):
    plan = make_plan(unit_factors(1), design="full", levels=3, replicates=4)
    row = power_table(plan, noise_sd=1.0, model="a + a^2").set_index("term").loc["a^2"]
    # Mean of the eight end prints minus the mean of the four in the middle.
    assert row["standard_error"] == pytest.approx(math.sqrt(1 / 8 + 1 / 4))


@pytest.mark.slow
def test_power_by_simulation_with_whole_plots():
    factors = factors_from_dict(
        {
            "factor": [
                {"name": "nozzle", "levels": ["fine", "coarse"], "hard_to_change": True},
                {"name": "speed", "low": -1, "high": 1},
            ]
        }
    )
    plan = make_plan(factors, design="full", replicates=4)
    assert plan.runs["whole_plot"].nunique() == 8
    effect = {"nozzle": 3.0, "speed": 1.5, "nozzle:speed": 2.0}
    table = power_table(plan, noise_sd=1.0, whole_plot_sd=1.0, effect=effect).set_index("term")
    assert table["df_error"].to_dict() == {"nozzle": 6, "speed": 6, "nozzle:speed": 6}
    rng = np.random.default_rng(8)
    n = 4000
    x = plan.matrix()
    w = plan.runs["whole_plot"].to_numpy() - 1
    y = x.to_numpy() @ [0, 1.5, 0.75, 1.0] + rng.normal(size=(n, 8))[:, w] + rng.normal(size=(n, 16))
    # Balanced: whole-plot means test the nozzle, differences within whole plots test the rest.
    mean = np.stack([y[:, w == i].mean(axis=1) for i in range(8)], axis=1)
    side = np.array([x.iloc[w == i, 1].iloc[0] for i in range(8)])
    p_nozzle = stats.ttest_ind(mean[:, side > 0], mean[:, side < 0], axis=1).pvalue
    speed = x["speed"].to_numpy()
    slope = np.stack([(y[:, w == i] * speed[w == i]).sum(axis=1) / 2 for i in range(8)], axis=1)
    t = slope.mean(axis=1) / np.sqrt(
        (slope[:, side > 0].var(axis=1, ddof=1) + slope[:, side < 0].var(axis=1, ddof=1)) / 2 / 8
    )
    p_speed = 2 * stats.t.sf(np.abs(t), 6)
    # 4000 repeats: four binomial standard deviations are at most 0.032.
    assert np.mean(p_nozzle < 0.05) == pytest.approx(table.loc["nozzle", "power"], abs=0.032)
    assert np.mean(p_speed < 0.05) == pytest.approx(table.loc["speed", "power"], abs=0.032)


def test_needed_replicates_agree_with_the_t_test():
    table = needed_replicates(two_groups(1), noise_sd=1.0, effect=1.2, wanted_power=0.8)
    n = int(table["replicates"].iloc[-1])
    assert TTestIndPower().power(1.2, n, 0.05) >= 0.8 > TTestIndPower().power(1.2, n - 1, 0.05)
    assert table["n_runs"].iloc[-1] == 2 * n


def test_no_power_without_degrees_of_freedom(unit_factors):
    table = power_table(make_plan(unit_factors(2), design="full"), noise_sd=1.0, model="interactions")
    assert table["power"].isna().all() and table["half_width"].isna().all()
    assert (table["df_error"] == 0).all()


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"noise_sd": 0.0}, "noise_sd must be a number above 0"),
        ({"noise_sd": math.nan}, "noise_sd must be a number above 0"),
        ({"noise_sd": 1.0, "whole_plot_sd": -1.0}, "whole_plot_sd must be a number from 0 up"),
        ({"noise_sd": 1.0, "effect": -1.0}, "effect of a must be a number above 0, got -1"),
        ({"noise_sd": 1.0, "effect": {"z": 1.0}}, "effect is given for 'z'"),
        ({"noise_sd": 1.0, "model": "quadratic"}, "cannot tell the 6 coefficients"),
        ({"noise_sd": 1.0, "alpha": 0.9}, "alpha must lie between 0 and 0.5"),
        ({"noise_sd": 1.0, "replicates": 0}, "replicates must be 1 or more"),
    ],
)
def test_faulty_wishes_are_explained(unit_factors, options, message):
    with pytest.raises(PlanError, match=message):
        power_table(make_plan(unit_factors(2), design="full", replicates=2), **options)


def test_hopeless_effects_are_refused(unit_factors):
    with pytest.raises(PlanError, match="even 100 replicates"):
        needed_replicates(make_plan(unit_factors(1), design="full"), noise_sd=1.0, effect=1e-3)
    with pytest.raises(PlanError, match="no term 'z'"):
        needed_replicates(make_plan(unit_factors(1), design="full"), noise_sd=1.0, terms=["z"])


def test_scatter_between_whole_plots_that_is_not_given_is_said(tmp_path, capsys):
    factors = factors_from_dict(
        {
            "factor": [
                {"name": "nozzle", "levels": [1, 2], "hard_to_change": True},
                {"name": "speed", "low": 1, "high": 2},
            ]
        }
    )
    save_plan(make_plan(factors, design="d-optimal", model="linear", whole_plots=4, runs=8, starts=5), tmp_path / "p")
    assert main(["plan", "power", str(tmp_path / "p"), "--noise", "1"]) == 0
    assert "note: no scatter is assumed of setting nozzle anew" in capsys.readouterr().out
    assert main(["plan", "power", str(tmp_path / "p"), "--noise", "1", "--whole-plot-noise", "0.5"]) == 0
    assert "no scatter is assumed" not in capsys.readouterr().out
