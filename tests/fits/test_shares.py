"""Counts out of a number: which columns they are, and their model by another route."""

from __future__ import annotations

import json

import numpy as np
import pandas as pd
import pytest

from sharpset.cli import main
from sharpset.errors import FitError
from sharpset.fits import fit_plan, fit_share, load_fit, space_of
from sharpset.fits.shares import count_columns
from sharpset.plans import factors_from_dict, import_plan, load_results

FACTORS = {"factor": [{"name": "speed", "low": 10, "high": 20}, {"name": "fan", "low": 0, "high": 100}]}
RUNS = "speed,fan\n10,0\n20,0\n10,100\n20,100\n15,50\n15,50\n15,50\n"
RESULTS = (
    "run_id,formed,width_mm\nR01,7/20,1.02\nR02,2 of 20,1.23\nR03,12/20,1.01\nR04,6/20,1.2\nR05,8/20,1.11\n"
    "R06,7/20,1.12\nR07,,1.1\n"
)


@pytest.fixture
def plan(tmp_path):
    (tmp_path / "runs.csv").write_text(RUNS, encoding="utf-8")
    return import_plan(factors_from_dict(FACTORS), tmp_path / "runs.csv")


@pytest.mark.parametrize(
    ("columns", "pairs", "sizes"),
    [
        ({"tried": [20, 20, 10], "formed": [3, 20, 0]}, {"formed": "tried"}, ["tried"]),
        ({"bars": [3, 4, 5], "bars_total": [9, 9, 9], "x": [1.5, 2, 3]}, {"bars": "bars_total"}, ["bars_total"]),
        # A unit, a broken number or more than were tried: no counts.
        ({"n": [20, 20, 10], "time_min": [3, 4, 5]}, {}, ["n"]),
        ({"n": [20, 20, 10], "y": [3, 4.5, 5]}, {}, ["n"]),
        ({"n": [20, 20, 10], "y": [3, 4, 15]}, {}, ["n"]),
        ({"Total": [20, 21, 30], "y": [3.1, 4, 15]}, {}, []),
        ({"a": [1, 2, 3], "b": [4, 5, 6]}, {}, []),
    ],
)
def test_which_columns_are_counts(columns, pairs, sizes):
    assert count_columns(pd.DataFrame(columns), list(columns)) == (pairs, sizes)


def test_a_count_above_its_number_is_named():
    runs = pd.DataFrame({"run_id": ["R1", "R2", "R3"], "bars": [3, 14, 5], "bars_total": [9, 9, 9]})
    with pytest.raises(FitError, match=r"^bars: more counted than bars_total says: R2 14 of 9\. Correct the table\.$"):
        count_columns(runs, ["bars", "bars_total"])
    runs["bars"] = [30, 140, 50]  # no counts out of that number
    assert count_columns(runs, ["bars", "bars_total"])[0] == {}


def test_cells_such_as_7_of_20_are_fitted_as_shares(tmp_path, plan):
    (tmp_path / "results.csv").write_text(RESULTS, encoding="utf-8")
    results = load_results(tmp_path / "results.csv", plan)
    assert list(results["formed"].dropna()) == [7, 2, 12, 6, 8, 7] and set(results["formed_total"].dropna()) == {20}
    fit = fit_plan(plan, results=results)
    assert list(fit.responses) == ["width_mm"] and list(fit.shares) == ["formed"]
    assert "formed out of formed_total" in fit.summary() and "42 of 120" in fit.summary()
    fit.save(tmp_path / "fit")
    again = load_fit(tmp_path / "fit")
    assert again.shares["formed"].coef == pytest.approx(fit.shares["formed"].coef, rel=1e-12)
    assert list(fit_plan(plan, results=results, response="formed").shares) == ["formed"]


def test_command_line_with_report(tmp_path, capsys):
    (tmp_path / "runs.csv").write_text(RUNS, encoding="utf-8")
    (tmp_path / "results.csv").write_text(RESULTS, encoding="utf-8")
    toml = "".join(f'[[factor]]\nname="{f["name"]}"\nlow={f["low"]}\nhigh={f["high"]}\n' for f in FACTORS["factor"])
    (tmp_path / "f.toml").write_text(toml, encoding="utf-8")
    plan, out = str(tmp_path / "plan"), tmp_path / "fit"
    words = ["--factors", str(tmp_path / "f.toml"), "--runs", str(tmp_path / "runs.csv"), "--out", plan]
    assert main(["plan", "import", *words]) == 0
    assert main(["fit", "--plan", plan, "--results", str(tmp_path / "results.csv"), "--out", str(out)]) == 0
    assert "formed out of formed_total: logit of the share" in capsys.readouterr().out
    assert json.loads((out / "fit.json").read_text(encoding="utf-8"))["shares"]["formed"]["n_counted"] == 42
    assert "formed out of formed_total" in (out / "report.html").read_text(encoding="utf-8")


def test_two_groups_by_hand():
    # 8 of 20 against 14 of 20, twice each: the logit differs by ln((14/6)/(8/12)), variance 1/16 + 1/24 + 1/28 + 1/12.
    runs = pd.DataFrame({"a": [-1.0, 1.0, -1.0, 1.0], "k": [8, 14, 8, 14], "n": [20] * 4}).assign(run_id=list("pqrs"))
    found = fit_share(runs, "k", "n", space=space_of(runs[["run_id", "a"]]))
    slope = found.terms.set_index("term").loc["a"]
    assert 2 * slope["estimate"] == pytest.approx(np.log((14 / 6) / (8 / 12)), rel=1e-8)
    assert 2 * slope["se"] == pytest.approx(np.sqrt(1 / 16 + 1 / 24 + 1 / 28 + 1 / 12), rel=1e-6)
    assert found.dispersion == 1.0 and found.deviance == pytest.approx(0.0, abs=1e-9)
    assert found.share(pd.DataFrame({"a": [-1.0, 1.0]})) == pytest.approx([0.4, 0.7], rel=1e-8)


def test_prints_that_scatter_more_than_counting_widen_the_errors():
    runs = pd.DataFrame({"a": [-1.0, 1.0] * 4, "k": [2, 18, 14, 6, 3, 17, 15, 9], "n": [20] * 8})
    runs = runs.assign(run_id=[f"R{i}" for i in range(8)])
    found = fit_share(runs, "k", "n", space=space_of(runs[["run_id", "a"]]))
    share = np.array([34, 50]) / 80
    pearson = sum((k - 20 * p) ** 2 / (20 * p * (1 - p)) for k, p in zip(runs["k"], np.tile(share, 4), strict=True))
    assert found.dispersion == pytest.approx(pearson / 6, rel=1e-8) and found.dispersion > 5
    assert "scatter" in found.summary() and "none" in found.summary()


def test_separated_counts_stay_finite_and_equal_ones_are_refused():
    runs = pd.DataFrame({"a": [-1.0, 1.0, -1.0, 1.0], "k": [0, 9, 0, 9], "n": [9] * 4}).assign(run_id=list("pqrs"))
    space = space_of(runs[["run_id", "a"]])
    found = fit_share(runs, "k", "n", space=space)
    # Firth: half a count on each side of a two-by-two table, ln(18.5 / 0.5) from either middle.
    assert found.penalised and found.coef == pytest.approx([0.0, np.log(18.5 / 0.5)], abs=1e-6)
    with pytest.raises(FitError, match="all of 36"):
        fit_share(runs.assign(k=9), "k", "n", space=space)
