"""Which columns of an imported plan and of a results file become responses."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from sharpset.errors import FitError
from sharpset.fits import fit_plan
from sharpset.fits.slips import slips_of_the_point
from sharpset.plans import factors_from_dict, import_plan, load_results


@pytest.fixture
def plan(tmp_path):
    path = tmp_path / "runs.csv"
    path.write_text(
        "std,speed,Yield [%],z\n1,10,,1\n2,20,,2\n3,10,,1.1\n4,20,,2.1\n5,15,,1.5\n6,15,,1.6\n", encoding="utf-8"
    )
    return import_plan(factors_from_dict({"factor": [{"name": "speed", "low": 10, "high": 20}]}), path)


def test_results_fill_and_overrule_columns_of_the_plan(tmp_path, plan):
    path = tmp_path / "results.csv"
    path.write_text(
        "run_id,Yield [%],z\n" + "".join(f"R0{i},{i * i},{2 if i == 1 else ''}\n" for i in range(1, 7)),
        encoding="utf-8",
    )
    fit = fit_plan(plan, results=load_results(path, plan))
    assert list(fit.runs["Yield [%]"]) == [1, 4, 9, 16, 25, 36]
    assert list(fit.runs["z"]) == [2, 2, 1.1, 2.1, 1.5, 1.6]
    assert any("z of the results differs from the plan's own column (R01)" in r for r in fit.remarks)
    assert set(fit.responses) == {"Yield [%]", "z"}


def test_response_is_found_without_case_and_unit(plan):
    results = pd.DataFrame({"run_id": plan.runs["run_id"], "Yield [%]": [1.0, 2, 1, 2, 1.5, 1.4]})
    assert list(fit_plan(plan, results=results, response="yield").responses) == ["Yield [%]"]


def test_numbers_of_runs_are_fitted_only_when_asked_for(plan):
    assert list(fit_plan(plan).responses) == ["z"]
    assert list(fit_plan(plan, response="std").responses) == ["std"]


def test_no_response_names_the_columns_that_are_none(tmp_path):
    path = tmp_path / "runs.csv"
    path.write_text("run,speed,day\n1,10,Mon\n2,20,Tue\n", encoding="utf-8")
    plan = import_plan(factors_from_dict({"factor": [{"name": "speed", "low": 10, "high": 20}]}), path)
    with pytest.raises(FitError, match="run, day"):
        fit_plan(plan)


def test_a_point_in_the_wrong_place_is_asked_about():
    runs = pd.DataFrame({"run_id": [f"R{n}" for n in range(1, 9)]})
    good = [8.1, 15.3, 10.2, 19.9, 9.0, 18.1, 8.8, 16.2]
    assert slips_of_the_point(runs.assign(rough=good), "rough") == []
    (said,) = slips_of_the_point(runs.assign(rough=[*good[:5], 181.0, *good[6:]]), "rough")
    assert said.startswith("rough: 181 of run R6 stands apart, 18.1 would lie among the others")
    (said,) = slips_of_the_point(runs.assign(rough=[0.81, *good[1:]]), "rough")
    assert "0.81 of run R1" in said and "8.1 would lie" in said
    # A response that spans a hundred times has no gap, and one of both signs has no point to move.
    assert slips_of_the_point(runs.assign(rough=np.geomspace(1, 100, 8)), "rough") == []
    assert slips_of_the_point(runs.assign(rough=[-1.0, *good[1:7], 181.0]), "rough") == []
