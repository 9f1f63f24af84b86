"""What a fit says on the terminal about single prints and about drift."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

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
