"""What a fit says on the terminal about single prints and about drift."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from sharpset.brief import Brief
from sharpset.fits import fit_plan
from sharpset.plans import factors_from_dict, make_plan
from sharpset.reports import fit_text


@pytest.fixture(scope="module")
def plan():
    factors = factors_from_dict(
        {"factor": [{"name": "speed", "low": 20, "high": 60}, {"name": "fan", "low": 20, "high": 100}]}
    )
    return make_plan(factors, design="full", replicates=4, model="linear")


def said(plan, values) -> list[str]:
    fit = fit_plan(plan, results=pd.DataFrame({"run_id": plan.runs["run_id"], "load_n": values}), formula="speed + fan")
    return [line for line in fit_text(fit).splitlines() if line.startswith("note: ")]


def test_a_slip_of_the_pen_and_a_change_while_printing_are_told(plan):
    rng = np.random.default_rng(3)
    good = 5 + 0.02 * plan.runs["speed"].to_numpy() + rng.normal(0, 0.1, 16)
    assert said(plan, good) == []
    wrong = good.copy()
    wrong[5] += 3.0
    (line,) = said(plan, wrong)
    assert f"run {plan.runs['run_id'].iloc[5]} is an outlier" in line
    drifting = good + 0.1 * (plan.runs["print_order"].to_numpy() > 8) + 0.05 * plan.runs["print_order"].to_numpy()
    assert any("drift with print order (rank correlation +" in line for line in said(plan, drifting))
    # One value typed over many equal ones is no residual without bounds.
    assert not any("inf" in line for line in said(plan, [*[2.0] * 15, 3.0]))


def test_responses_with_the_same_terms_share_a_table(plan):
    rng = np.random.default_rng(5)
    load = 5 + 0.02 * plan.runs["speed"] + rng.normal(0, 0.1, 16)
    results = pd.DataFrame({"run_id": plan.runs["run_id"], "load_n": load, "gap_mm": rng.normal(0.1, 0.01, 16)})
    lines = fit_text(fit_plan(plan, results=results)).splitlines()
    assert lines[0].startswith("Terms of 2 responses: speed, fan")
    (row,) = [line for line in lines if line.startswith("  load n ")]
    assert row.endswith("speed") and "speed" not in next(line for line in lines if line.startswith("  gap / mm "))
    # By hand: what a plane with interaction leaves over in 16 runs at four settings, their means.
    rest = load - load.groupby([plan.runs["speed"], plan.runs["fan"]]).transform("mean")
    assert f" {np.sqrt(rest @ rest / 12):.3g} " in row


def test_replicates_that_are_all_alike_tell_no_lack_of_fit(plan):
    """Steps of a ladder: their pure error is rounding, and would call every model wrong."""
    steps = np.where(plan.runs["speed"] > 30, 0.3, np.where(plan.runs["fan"] > 50, 0.1, 0.2))
    fit = fit_plan(plan, results=pd.DataFrame({"run_id": plan.runs["run_id"], "load_n": steps}), formula="speed")
    assert np.isnan(fit.responses["load_n"].lack_of_fit["p"].iloc[0])


def test_a_brief_of_which_nothing_was_measured_is_told(plan):
    brief = Brief.model_validate({"name": "davit", "process": "filament", "smallest_mm": {"bar": 0.3}})
    results = pd.DataFrame({"run_id": plan.runs["run_id"], "load_n": np.random.default_rng(2).normal(5, 1, 16)})
    text = fit_text(fit_plan(plan, results=results, brief=brief))
    assert "note: no settings are recommended: nothing that the brief asks for was measured" in text


def test_a_remark_on_several_responses_is_made_once():
    """Two-level plan with centre points: the squares of both factors are one column, for either response."""
    factors = factors_from_dict(
        {"factor": [{"name": "speed", "low": 20, "high": 60}, {"name": "fan", "low": 0, "high": 9}]}
    )
    plan = make_plan(factors, design="full", replicates=3, centre_points=3)
    rng = np.random.default_rng(4)
    results = pd.DataFrame(
        {"run_id": plan.runs["run_id"], "a": rng.normal(5, 1, len(plan.runs)), "b": rng.random(len(plan.runs))}
    )
    notes = [line for line in fit_text(fit_plan(plan, results=results)).splitlines() if "aliased" in line]
    assert [line.split(":")[1].strip() for line in notes] == ["a, b"]
