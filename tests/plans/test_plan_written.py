"""Runs and results as people write them: signs, run order, missing marks, encodings, coded runs."""

from __future__ import annotations

import math

import pandas as pd
import pytest

from sharpset.errors import PlanError
from sharpset.fits.joining import join_tables
from sharpset.plans import factors_from_dict, import_plan, load_plan, load_results, save_plan

FACTORS = factors_from_dict(
    {
        "factor": [
            {"name": "temp", "unit": "C", "low": 20, "high": 40},
            {"name": "speed", "unit": "mm/s", "kind": "levels", "levels": [10, 30, 50]},
        ]
    }
)


def taken(tmp_path, text, encoding="utf-8"):
    path = tmp_path / "runs.csv"
    path.write_bytes(text.encode(encoding))
    return import_plan(FACTORS, path)


@pytest.mark.parametrize(("low", "middle", "high"), [("-", "0", "+"), ("\u2212", "0", "+"), ("Low", "mid", "HIGH")])
def test_signs_and_words_stand_for_limits(tmp_path, low, middle, high):
    plan = taken(tmp_path, f"temp,speed\n{low},{high}\n{high},{low}\n{middle},{middle}\n")
    assert plan.runs["temp"].tolist() == [20, 40, 30]
    assert plan.runs["speed"].tolist() == [50, 10, 30]
    assert any("temp is written in signs or words, read as 20 to 40 C" in r for r in plan.remarks)


def test_numbers_are_never_taken_for_signs(tmp_path):
    factors = factors_from_dict({"factor": [{"name": "fan", "low": 0, "high": 2}]})
    path = tmp_path / "runs.csv"
    path.write_text("fan\n0\n1\n2\n1\n", encoding="utf-8")
    assert import_plan(factors, path).runs["fan"].tolist() == [0, 1, 2, 1]


@pytest.mark.parametrize(
    ("cells", "message"),
    [
        ("-1 1 -1 1 0", "runs go from -1 to 1, which does not suit the limits 20 to 40 C. If the runs are coded"),
        ("0.02 0.04 0.02 0.04 0.03", "in the same unit"),
        ("20000 40000 20000 40000 30000", "in the same unit"),
    ],
)
def test_coded_runs_and_another_unit_are_refused(tmp_path, cells, message):
    with pytest.raises(PlanError, match=message):
        taken(tmp_path, "temp,speed\n" + "".join(f"{c},10\n" for c in cells.split()))


def test_star_points_beyond_the_limits_are_kept(tmp_path):
    plan = taken(tmp_path, "temp,speed\n20,10\n40,10\n20,50\n40,50\n13.2,30\n46.8,30\n30,30\n")
    assert plan.runs["temp"].max() == 46.8
    assert any("outside 20 to 40 C" in r for r in plan.remarks)


def test_run_order_orders_the_runs_but_std_order_is_kept(tmp_path):
    plan = taken(tmp_path, "Std Order,Run order,Temp [C],SPEED,y\n1,3,20,10,5\n2,1,40,10,6\n3,2,20,50,7\n")
    assert plan.runs["y"].tolist() == [6, 7, 5]
    assert plan.runs["print_order"].tolist() == [1, 2, 3]
    assert plan.runs["Std Order"].tolist() == [2, 3, 1]


@pytest.mark.parametrize("mark", ["NA", "n/a", "-", "*", ".", "", "missing"])
def test_missing_results_leave_a_column_of_numbers(tmp_path, mark):
    plan = taken(tmp_path, f"temp,speed,y\n20,10,1.5\n40,10,{mark}\n")
    assert plan.runs["y"][0] == 1.5 and math.isnan(plan.runs["y"][1])


def test_a_slip_among_numbers_and_unused_groups_are_remarked(tmp_path):
    said = " ".join(taken(tmp_path, "temp,speed,day,y\n20,10,Mon,1\n40,10,Mon,7o\n20,50,Tue,2\n").remarks)
    assert "y does not hold numbers only (row 3 has '7o')" in said
    assert "day holds words" in said


@pytest.mark.parametrize("encoding", ["utf-8-sig", "cp1252", "utf-16"])
def test_encodings_of_spreadsheets(tmp_path, encoding):
    plan = taken(tmp_path, "temp (°C)\tspeed\tHöhe µm\r\n20\t10\t1,5\r\n\r\n40\t10\t2,5\r\n", encoding)
    assert plan.runs["Höhe µm"].tolist() == [1.5, 2.5]


def test_binary_files_are_refused(tmp_path):
    (tmp_path / "runs.csv").write_bytes(b"PK\x03\x04\x14\x00\x00\xff\n")
    with pytest.raises(PlanError, match="is not a text file"):
        import_plan(FACTORS, tmp_path / "runs.csv")


def test_empty_columns_at_the_right_and_line_breaks_in_cells(tmp_path):
    plan = taken(tmp_path, 'temp,speed,"note",,\n20,10,"a\nb",,\n40,50,c,,\n,,,,\n')
    assert list(plan.runs.columns[-3:]) == ["temp", "speed", "note"]
    assert plan.runs["note"].tolist() == ["a\nb", "c"]
    again = load_plan(save_plan(plan, tmp_path / "plan"))
    assert again.runs["note"].tolist() == ["a\nb", "c"]


def test_cells_beyond_the_header_are_refused_with_their_row(tmp_path):
    with pytest.raises(PlanError, match="row 4 has 3 cells, the header has 2"):
        taken(tmp_path, 'temp,speed\n# note\n20,10\n"20","10",7\n')


def test_words_and_run_numbers_in_results_are_no_responses(tmp_path):
    plan = taken(tmp_path, "temp,speed\n20,10\n40,10\n20,50\n")
    path = tmp_path / "results.csv"
    path.write_text("Run ID,operator,run order,y [mm]\nR01,Ann,3,1\nR02,Bo,1,*\nR03,Ann,2,3\n", encoding="utf-8")
    results = load_results(path, plan)
    assert list(results.columns) == ["run_id", "operator", "y [mm]"]
    assert math.isnan(results["y [mm]"][1])


HEATS = factors_from_dict(
    {
        "factor": [
            {"name": "temp", "low": 20, "high": 40, "hard_to_change": True},
            {"name": "speed", "low": 10, "high": 30},
        ]
    }
)
TEMPS, SPEEDS = (20, 20, 40, 40, 40, 40, 20, 20), (10, 30) * 4


def split(tmp_path, name, values):
    path = tmp_path / "runs.csv"
    rows = [f"{t},{s},{v},{i + 0.5}" for i, (t, s, v) in enumerate(zip(TEMPS, SPEEDS, values, strict=True))]
    path.write_text("\n".join([f"temp,speed,{name},width_mm", *rows]) + "\n", encoding="utf-8")
    return import_plan(HEATS, path)


def test_heats_of_one_temperature_stay_apart(tmp_path):
    plan = split(tmp_path, "bed", (1, 1, 2, 2, 3, 3, 4, 4))
    assert plan.runs["whole_plot"].tolist() == [1, 1, 2, 2, 3, 3, 4, 4] and plan.extra_columns == ("width_mm",)
    assert any("bed numbers the settings of temp and is taken as whole_plot" in r for r in plan.remarks)
    save_plan(plan, tmp_path / "plan")
    assert load_plan(tmp_path / "plan").runs["whole_plot"].tolist() == [1, 1, 2, 2, 3, 3, 4, 4]


@pytest.mark.parametrize(
    "values",
    [
        (1, 1, 2, 2, 2, 2, 1, 1),  # says no more than the temperature does: may be a result
        (1, 2, 3, 4, 1, 2, 3, 4),  # holds both temperatures under one number
        (1, 1, 2, 2, 3, 3, 5, 5),  # does not count
        (1.5, 1.5, 2, 2, 3, 3, 4, 4),
        (1, 2, 3, 4, 5, 6, 7, 8),  # every run a number of its own
    ],
)
def test_other_numbers_are_no_whole_plots(tmp_path, values):
    plan = split(tmp_path, "score", values)
    assert "score" in plan.extra_columns and plan.runs["whole_plot"].tolist() == [1, 1, 2, 2, 2, 2, 3, 3]


def test_a_column_called_whole_plot_is_taken_at_its_word(tmp_path):
    """Printed group by group on other days than the order of the table tells: the numbers count, not the order."""
    plan = split(tmp_path, "WP", (1, 1, 2, 2, 4, 4, 1, 1))
    assert plan.runs["whole_plot"].tolist() == [1, 1, 2, 2, 4, 4, 1, 1]


def test_days_are_groups_and_no_response(tmp_path):
    plan = taken(tmp_path, "temp,speed,Day,y\n20,10,1,3.1\n40,10,1,4.2\n20,10,2,3.3\n40,10,2,4.0\n")
    assert any(r.startswith("Day says which runs were made together") for r in plan.remarks)
    assert join_tables(plan).responses == ("y",)
    results = pd.DataFrame({"run_id": plan.runs["run_id"], "day": [1, 1, 2, 2], "z": [1.0, 2, 3, 4]})
    joined = join_tables(plan, results=results)
    assert joined.responses == ("z",) and any("day of the results" in r for r in joined.remarks)


def test_replicates_are_no_response_and_said_so(tmp_path):
    plan = taken(tmp_path, "temp,speed,Rep,y\n20,10,1,3.1\n40,10,1,4.2\n20,10,2,3.3\n40,10,2,4.0\n")
    assert any(r.startswith("Rep numbers the replicates and is no response") for r in plan.remarks)
    (tmp_path / "results.csv").write_text("run_id,rep,z\nR01,1,2\nR02,1,3\nR03,2,2\nR04,2,4\n", encoding="utf-8")
    assert list(load_results(tmp_path / "results.csv", plan).columns) == ["run_id", "z"]


@pytest.mark.parametrize("head", ["run_id", "Run"])
def test_results_name_runs_by_the_numbers_of_the_table_that_was_imported(tmp_path, head):
    plan = taken(tmp_path, "run,temp,speed\n3,20,10\n1,40,10\n4,20,50\n2,40,50\n")
    (tmp_path / "results.csv").write_text(f"{head},width\n1,0.1\n2,0.2\n3,0.3\n4,0.4\n", encoding="utf-8")
    got = load_results(tmp_path / "results.csv", plan)
    assert dict(zip(got["run_id"], got["width"], strict=True)) == {"R01": 0.3, "R02": 0.1, "R03": 0.4, "R04": 0.2}


def test_results_name_runs_by_the_numbers_that_their_ids_end_with(tmp_path):
    plan = taken(tmp_path, "temp,speed\n20,10\n40,10\n20,50\n40,50\n")
    (tmp_path / "results.csv").write_text("run_id,width\n2,0.2\nr01,0.1\n4,0.4\n", encoding="utf-8")
    got = load_results(tmp_path / "results.csv", plan)
    assert dict(zip(got["run_id"], got["width"], strict=True)) == {"R01": 0.1, "R02": 0.2, "R04": 0.4}
    (tmp_path / "results.csv").write_text("run_id,width\n1,0.2\nR01,0.1\n", encoding="utf-8")
    with pytest.raises(PlanError, match="'R01' stands in row 2 already"):
        load_results(tmp_path / "results.csv", plan)
    (tmp_path / "results.csv").write_text("run_id,width\n7,0.2\n", encoding="utf-8")
    with pytest.raises(PlanError, match="no run '7'"):
        load_results(tmp_path / "results.csv", plan)
