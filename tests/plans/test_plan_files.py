"""Plan folders, imports and results typed in by hand."""

from __future__ import annotations

import json
import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sharpset.errors import PlanError
from sharpset.plans import (
    factors_from_dict,
    import_plan,
    load_factors,
    load_plan,
    load_results,
    make_plan,
    practice_remarks,
    save_plan,
)

TWO = factors_from_dict(
    {
        "factor": [
            {"name": "speed", "unit": "mm/s", "low": 10, "high": 20},
            {"name": "resin", "levels": ["grey", "clear"]},
        ]
    }
)


def write(tmp_path, text, name="runs.csv"):
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    return path


@pytest.mark.parametrize("design", ["full", "d-optimal", "definitive"])
def test_saved_plan_comes_back(tmp_path, filament_file, design):
    factors = load_factors(filament_file)
    if design != "d-optimal":
        factors = factors_from_dict({"factor": factors.to_dict()["factor"]})
    plan = make_plan(factors, design=design, model="linear", **({"starts": 3} if design == "d-optimal" else {}))
    again = load_plan(save_plan(plan, tmp_path / "plan"))
    pd.testing.assert_frame_equal(again.runs, plan.runs, check_dtype=False)
    assert (again.design, again.model, again.seed, again.remarks) == (plan.design, plan.model, plan.seed, plan.remarks)
    assert again.factors.to_dict() == plan.factors.to_dict()
    assert [t.name for t in again.terms] == [t.name for t in plan.terms]


def test_plan_json_is_plain_json(tmp_path):
    plan = make_plan(TWO, design="full")
    data = json.loads((save_plan(plan, tmp_path / "p") / "plan.json").read_text(encoding="utf-8"))
    assert data["design"] == "full" and data["seed"] == 1
    assert data["properties"]["D_efficiency"] == pytest.approx(100)
    assert data["terms"] == ["Intercept", "speed", "resin", "speed:resin"]
    # NaN is no JSON: hours were not given.
    assert data["properties"]["hours"] is None


def test_same_plan_same_bytes(tmp_path):
    plan = make_plan(TWO, design="full", seed=3)
    for name in ("a", "b"):
        save_plan(plan, tmp_path / name)
    for file in ("plan.json", "runs.csv"):
        assert (tmp_path / "a" / file).read_bytes() == (tmp_path / "b" / file).read_bytes()


def test_import_takes_any_order_of_columns_and_keeps_responses(tmp_path):
    path = write(tmp_path, "width_mm,resin,speed,operator\n0.21,grey,10,ann\n,CLEAR,20.0,bo\n0.25,clear,15,ann\n")
    plan = import_plan(TWO, path)
    assert plan.runs["run_id"].tolist() == ["R01", "R02", "R03"]
    assert plan.runs["print_order"].tolist() == [1, 2, 3]
    assert plan.runs["whole_plot"].tolist() == [1, 2, 3]
    assert plan.runs["resin"].tolist() == ["grey", "clear", "clear"]
    assert plan.runs["speed"].tolist() == [10.0, 20.0, 15.0]
    assert plan.extra_columns == ("width_mm", "operator")
    assert plan.runs["width_mm"].tolist()[::2] == [0.21, 0.25] and math.isnan(plan.runs["width_mm"][1])
    assert plan.design == "imported"
    again = load_plan(save_plan(plan, tmp_path / "plan"))
    pd.testing.assert_frame_equal(again.runs, plan.runs, check_dtype=False)


def test_import_reads_semicolons_decimal_commas_comments_and_marks(tmp_path):
    path = tmp_path / "runs.csv"
    path.write_bytes(
        "\ufeff# from the old notebook\r\nRun ID;Speed (mm/s);Resin\r\nA1;10,5;grey\r\n\r\nA2;20;clear\r\n".encode()
    )
    plan = import_plan(TWO, path)
    assert plan.runs["run_id"].tolist() == ["A1", "A2"]
    assert plan.runs["speed"].tolist() == [10.5, 20.0]


def test_import_takes_coded_settings_where_the_file_says_so(tmp_path):
    factors = factors_from_dict(
        {
            "factor": [
                {"name": "x1", "low": -1, "high": 1},
                {"name": "grit", "kind": "categorical", "levels": [-1, 1]},
                {"name": "n", "kind": "levels", "levels": [-1, 0, 1]},
            ]
        }
    )
    plan = import_plan(factors, write(tmp_path, "x1,grit,n,y\n-1,-1,0,3\n1,+1.0,-1.0,5\n"))
    assert plan.runs["x1"].tolist() == [-1, 1]
    assert plan.runs["grit"].tolist() == ["-1", "1"]
    assert plan.matrix("x1 + grit")["grit[1]"].tolist() == [-1.0, 1.0]


def test_import_sorts_by_print_order_and_keeps_given_columns(tmp_path):
    path = write(
        tmp_path, "run_id,print_order,whole_plot,block,speed,resin\nB,2,7,day two,10,grey\nA,1,5,day one,20,grey\n"
    )
    plan = import_plan(TWO, path)
    assert plan.runs["run_id"].tolist() == ["A", "B"]
    assert plan.runs["whole_plot"].tolist() == [5, 7]
    assert plan.runs["block"].tolist() == [2, 1]


def test_import_finds_whole_plots_in_the_order(tmp_path):
    factors = factors_from_dict(
        {"factor": [{"name": "nozzle", "kind": "levels", "levels": [0.2, 0.4], "hard_to_change": True},
                    {"name": "speed", "low": 10, "high": 20}]}
    )  # fmt: skip
    path = write(tmp_path, "nozzle,speed\n0.2,10\n0.2,20\n0.4,10\n0.2,10\n0.2,20\n")
    assert import_plan(factors, path).runs["whole_plot"].tolist() == [1, 1, 2, 3, 3]


def test_import_remarks_on_settings_outside(tmp_path):
    plan = import_plan(TWO, write(tmp_path, "speed,resin\n5,grey\n20,grey\n"))
    assert any("1 runs have speed outside 10 to 20 mm/s" in r for r in plan.remarks)
    assert any("resin is grey in every run" in r for r in plan.remarks)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("speed\n10\n", r"runs.csv: there is no column for the factor 'resin'; columns are speed"),
        (
            "speed,resin\n10,grey\nfast,grey\n",
            r"row 3, column 'speed': the factor 'speed' must be a number, got 'fast'",
        ),
        ("speed,resin\n,grey\n", r"row 2, column 'speed': the factor 'speed' must be a number, got ''"),
        ("speed,resin\n1_0,grey\n", r"row 2, column 'speed'.*got '1_0'"),
        ("speed,resin\nnan,grey\n", r"row 2, column 'speed'.*got 'nan'"),
        ("speed,resin\n10,blue\n", r"row 2, column 'resin': resin must be one of grey, clear, got 'blue'"),
        (
            "run_id,speed,resin\nA,10,grey\nB,10,grey\nA,20,grey\n",
            r"row 4, column 'run_id': run id 'A' stands in row 2",
        ),
        ("run_id,speed,resin\n,10,grey\n", r"row 2, column 'run_id': the run id is empty"),
        (
            "print_order,speed,resin\n1,10,grey\n1,20,grey\n",
            r"row 3, column 'print_order': print order 1 stands in row 2",
        ),
        ("print_order,speed,resin\n1.5,10,grey\n", r"print order must be a whole number, got 1.5"),
        ("speed,resin\n10,grey,1\n", r"row 2 has 3 cells, the header has 2"),
        ("speed,speed\n10,10\n", r"column 'speed' stands in the header twice"),
        ("speed,,resin\n10,1,grey\n", r"column 2 has no name"),
        ("speed,resin\n", r"has a header but no rows"),
        ("", r"is empty"),
        ("\n\n# only a remark\n", r"is empty"),
    ],
)
def test_faulty_runs_are_refused_with_row_column_and_value(tmp_path, text, message):
    with pytest.raises(PlanError, match=message):
        import_plan(TWO, write(tmp_path, text))


def test_unknown_level_is_named(tmp_path):
    factors = factors_from_dict({"factor": [{"name": "nozzle", "kind": "levels", "levels": [0.2, 0.4]}]})
    with pytest.raises(PlanError, match=r"row 3, column 'nozzle': nozzle has the levels 0.2, 0.4, got 0.3"):
        import_plan(factors, write(tmp_path, "nozzle\n0.2\n0.3\n"))


def test_files_that_are_no_tables_are_refused(tmp_path):
    with pytest.raises(PlanError, match="cannot be read"):
        import_plan(TWO, tmp_path / "missing.csv")
    path = tmp_path / "picture.csv"
    path.write_bytes(b"\x89PNG\r\n\x1a\n\x00\x00")
    with pytest.raises(PlanError, match="not a text file"):
        import_plan(TWO, path)
    path.write_bytes(b"speed,re\x00sin\n1,2\n")
    with pytest.raises(PlanError, match="not a text file"):
        import_plan(TWO, path)


@settings(max_examples=60, deadline=None)
@given(st.text(alphabet="speedrin_,;\t\n\"'#10.-x\0", max_size=60))
def test_any_text_is_read_or_refused_in_words(tmp_path_factory, text):
    path = tmp_path_factory.mktemp("any") / "runs.csv"
    path.write_text(f"speed,resin\n{text}", encoding="utf-8")
    try:
        plan = import_plan(TWO, path)
    except PlanError as error:
        assert str(path) in str(error)
    else:
        assert np.isfinite(plan.runs["speed"]).all()


@pytest.mark.parametrize(
    ("spoil", "message"),
    [
        (lambda p: (p / "plan.json").unlink(), "not a plan folder, plan.json cannot be read"),
        (lambda p: (p / "plan.json").write_text("{", encoding="utf-8"), "not a JSON file"),
        (lambda p: (p / "plan.json").write_text("[]", encoding="utf-8"), "key 'factors' is missing"),
        (
            lambda p: (p / "plan.json").write_text('{"factors": {}, "model": 3}', encoding="utf-8"),
            "key 'model' is missing or not a str",
        ),
        (lambda p: (p / "runs.csv").unlink(), "runs.csv: the runs file cannot be read"),
        (lambda p: (p / "runs.csv").write_text("run_id\nR01\n", encoding="utf-8"), "no column for the factor 'speed'"),
    ],
)
def test_broken_plan_folders_are_refused(tmp_path, spoil, message):
    folder = save_plan(make_plan(TWO, design="full"), tmp_path / "plan")
    spoil(folder)
    with pytest.raises(PlanError, match=message):
        load_plan(folder)


def test_results_come_in_print_order_with_blanks(tmp_path):
    plan = make_plan(TWO, design="full")
    path = write(tmp_path, "run_id,width_mm,count,note\nR03,0.30,4,ok\nr01,,2,torn\nR02,0.20,n/a,\n", "results.csv")
    results = load_results(path, plan)
    assert results["run_id"].tolist() == ["R01", "R02", "R03"]
    assert list(results.columns) == ["run_id", "width_mm", "count"]
    assert math.isnan(results["width_mm"][0]) and results["width_mm"].tolist()[1:] == [0.2, 0.3]
    assert results["count"].tolist()[::2] == [2.0, 4.0] and math.isnan(results["count"][1])


def test_results_may_be_a_copy_of_the_runs_with_a_column_more(tmp_path):
    plan = make_plan(TWO, design="full")
    path = tmp_path / "results.csv"
    plan.runs.assign(width_mm=[1.0, 2, 3, 4]).to_csv(path, index=False)
    assert list(load_results(path, plan).columns) == ["run_id", "width_mm"]


def test_settings_of_the_results_that_are_others_than_the_plans_are_refused(tmp_path):
    """TWO's first factor at another setting for R02: fitted at the planned one the response would be wrong."""
    plan = make_plan(TWO, design="full")
    name = plan.factors.names[0]
    factor = next(iter(plan.factors))
    copy = plan.runs.assign(width_mm=[1.0, 2, 3, 4])
    rounded = copy.assign(**{name: copy[name] + 0.001 * (factor.high - factor.low)})
    rounded.to_csv(tmp_path / "results.csv", index=False)
    assert list(load_results(tmp_path / "results.csv", plan).columns) == ["run_id", "width_mm"]
    copy.loc[1, name] = (factor.low + factor.high) / 2
    copy.to_csv(tmp_path / "results.csv", index=False)
    with pytest.raises(PlanError, match=rf"row 3, column '{name}': .* but the plan has .* for run R02.*plan import"):
        load_results(tmp_path / "results.csv", plan)
    plan.runs.assign(block=[1, 1, 2, 2], width_mm=1.0).to_csv(tmp_path / "results.csv", index=False)
    with pytest.raises(PlanError, match="'block' groups the runs otherwise"):
        load_results(tmp_path / "results.csv", plan)


def test_order_of_printing_typed_with_the_results_is_kept(tmp_path):
    plan = make_plan(TWO, design="full")
    path = write(tmp_path, "run_id,print_order,width_mm\nR01,4,0.1\nR02,2,0.2\nR03,3,0.3\nR04,,\n", "results.csv")
    results = load_results(path, plan)
    assert results["print_order"].tolist()[:3] == [4, 2, 3]
    with pytest.raises(PlanError, match=r"row 3, column 'print_order': .* a different one for each run, got '4'"):
        load_results(write(tmp_path, "run_id,print_order,w\nR01,4,1\nR02,4,2\n", "results.csv"), plan)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("width_mm\n0.2\n", "there is no column 'run_id'; columns are width_mm"),
        ("run_id,w\nR01,1\nR09,1\n", r"row 3, column 'run_id': the plan has no run 'R09'; its runs are R01, R02"),
        ("run_id,w\nR01,1\nR01,2\n", r"row 3, column 'run_id': run 'R01' stands in row 2 already"),
        ("run_id,w\nR01,wide\n", r"row 2, column 'w': the response 'w' must be a number, got 'wide'"),
        ("run_id,w\nR01,inf\n", r"got 'inf'"),
        ("run_id\nR01\n", "no column with a response"),
        ("run_id,note\nR01,torn\n", "no column with a response"),
    ],
)
def test_faulty_results_are_refused_with_row_column_and_value(tmp_path, text, message):
    with pytest.raises(PlanError, match=message):
        load_results(write(tmp_path, text, "results.csv"), make_plan(TWO, design="full"))


def test_layer_above_three_quarters_of_the_nozzle_is_remarked():
    for layer, nozzle, unit, scale in [
        ("layer_height", "nozzle", "mm", 1),
        ("layer_height_um", "nozzle_diameter_mm", "", 1000),
    ]:
        factors = factors_from_dict(
            {
                "factor": [
                    {"name": layer, "unit": unit, "low": 0.05 * scale, "high": 0.2 * scale},
                    {"name": nozzle, "levels": [0.25, 0.4]},
                ]
            }
        )
        plan = make_plan(factors, design="full")
        # By hand: 0.2 / 0.25 = 0.8 in one of four runs.
        assert len(plan.remarks) == 1 and plan.remarks[0].startswith("1 of 4 runs have a layer_height")
        assert "0.2 mm with 0.25 mm" in plan.remarks[0]


def test_labels_with_a_unit_are_read_as_nozzle_diameters():
    factors = factors_from_dict(
        {
            "factor": [
                {"name": "layer_height", "low": 0.05, "high": 0.2},
                {"name": "nozzle", "levels": ["0.25 mm", "brass"]},
            ]
        }
    )
    runs = pd.DataFrame({"layer_height": [0.2, 0.2, 0.1], "nozzle": ["0.25 mm", "brass", "0.25 mm"]})
    assert len(practice_remarks(factors, runs)) == 1
    assert practice_remarks(factors, runs.iloc[1:]) == []
