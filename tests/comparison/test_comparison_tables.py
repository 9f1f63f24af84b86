from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from sharpset.comparison.tables import check_one_piece, check_readings, keep_ladders, load_readings, merge_scans
from sharpset.errors import ComparisonError, SharpsetError


def test_load_readings_reads_csv_and_parquet_alike(draw, tmp_path):
    table = draw(1)
    table.to_csv(tmp_path / "a.csv", index=False)
    table.to_parquet(tmp_path / "a.parquet")
    from_csv, from_parquet = load_readings(tmp_path / "a.csv"), load_readings(tmp_path / "a.parquet")
    pd.testing.assert_frame_equal(from_csv, from_parquet)
    np.testing.assert_allclose(from_csv["deviation_mm"], from_csv["measured_mm"] - from_csv["nominal_mm"])


def test_load_readings_keeps_names_with_leading_zeros(draw, tmp_path):
    draw(1).assign(run_id="007").to_csv(tmp_path / "a.csv", index=False)
    assert set(load_readings(tmp_path / "a.csv")["run_id"]) == {"007"}


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (None, "cannot be read"),
        (b"", "not a table of readings"),
        (b"scan_id,piece_id\n", "no rows"),
        (b"\xff\xfe\x00\x01\x02", "not a table of readings"),
        (b"scan_id,piece_id\ns,p\n", "run_id, feature_id, kind, nominal_mm, formed, measured_mm are missing"),
    ],
)
def test_load_readings_refuses_bad_files_in_one_line(tmp_path, content, says):
    path = tmp_path / "a.csv"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(ComparisonError, match=says) as caught:
        load_readings(path)
    assert "\n" not in str(caught.value)
    assert str(path) in str(caught.value)
    assert isinstance(caught.value, ValueError)


@pytest.mark.parametrize("column", ["measured_um", "nominal_in", "width_inch", "measured_mil", "Nominal_cm"])
def test_columns_in_another_unit_are_refused(draw, column):
    with pytest.raises(ComparisonError, match=f"'{column}' is not in millimetres"):
        check_readings(draw(1).assign(**{column: 1.0}), name="a.csv")


@pytest.mark.parametrize("factor", [25.4, 1 / 25.4, 1000.0, 1 / 1000.0])
def test_values_in_another_unit_are_refused(draw, factor):
    table = draw(1)
    table["measured_mm"] *= factor
    with pytest.raises(ComparisonError, match="units are mixed"):
        check_readings(table, name="a.csv")


def test_one_scan_in_another_unit_is_found_among_good_ones(draw):
    table = draw(1)
    table.loc[table["scan_id"] == "a-scan2", "measured_mm"] *= 1000
    with pytest.raises(ComparisonError, match="scan a-scan2"):
        check_readings(table, name="a.csv")


def test_a_badly_oversized_print_is_not_taken_for_another_unit(draw):
    table = draw(1, bias=0.3)
    assert len(check_readings(table, name="a.csv")) == len(table)


@pytest.mark.parametrize(
    ("column", "value", "says"),
    [
        ("formed", "maybe", "formed is 'maybe'; it must be one of yes, no, partly"),
        ("measured_mm", "0.2 mm", "row 1, column measured_mm: '0.2 mm' is not a number"),
        ("nominal_mm", 0.0, "row 1: nominal_mm must be a size above 0"),
        ("measured_mm", "inf", "is not a number"),
    ],
)
def test_bad_values_are_named(draw, column, value, says):
    table = draw(1).astype({column: object})
    table.loc[0, column] = value
    with pytest.raises(ComparisonError, match=says):
        check_readings(table, name="a.csv")


def test_a_feature_twice_in_a_scan_is_refused(draw):
    table = draw(1)
    with pytest.raises(ComparisonError, match="stands twice in scan a-scan0"):
        check_readings(pd.concat([table, table.iloc[:1]]), name="a.csv")


def test_numbers_as_run_ids_become_one_name(draw):
    table = draw(1, n_prints=1)
    whole, broken = check_readings(table.assign(run_id=3), name="a"), check_readings(table.assign(run_id=3.0), name="a")
    assert set(whole["run_id"]) == set(broken["run_id"]) == {"3"}


def test_common_uncertainty_is_taken_from_the_readings(draw):
    table = check_readings(draw(1).assign(u_common_mm=0.002), name="a")
    assert table["U95_common_mm"].iloc[0] == pytest.approx(0.00392, abs=1e-5)


def test_different_pieces_are_refused(draw):
    a = check_readings(draw(1), name="a")
    with pytest.raises(ComparisonError, match="different pieces cannot be compared"):
        check_one_piece(a, check_readings(draw(2, piece="stencil-2"), name="b"), label_a="A", label_b="B")
    other = check_readings(draw(2, sizes=(0.16, 0.2, 0.26)), name="b")
    other["feature_id"] = other["feature_id"].str.replace("0.26", "0.25")
    with pytest.raises(ComparisonError, match=r"0\.25 mm in one table and 0\.26 mm"):
        check_one_piece(a, other, label_a="A", label_b="B")
    other = check_readings(draw(2, kinds=("post",)), name="b")
    with pytest.raises(ComparisonError, match="share no feature"):
        check_one_piece(a, other, label_a="A", label_b="B")


def test_units_mixed_between_two_tables_are_named(draw):
    a, b = check_readings(draw(1), name="a"), draw(2)
    b["nominal_mm"] /= 25.4
    b["measured_mm"] /= 25.4
    with pytest.raises(ComparisonError, match="units are mixed between A and B"):
        check_one_piece(a, check_readings(b, name="b"), label_a="A", label_b="B")


def test_marks_and_artefacts_are_no_ladder(draw):
    table = draw(1, n_prints=1)
    table["group"] = ["marks", "scale-x", "round", *["bars-0"] * (len(table) - 3)]
    assert len(keep_ladders(table)) == len(table) - 3
    assert len(keep_ladders(table.drop(columns="group"))) == len(table)


def test_repeated_scans_of_a_print_count_once(draw):
    first = check_readings(draw(1, n_prints=1), name="a")
    second = first.assign(scan_id="again", measured_mm=first["measured_mm"] + 0.002)
    second["deviation_mm"] = second["measured_mm"] - second["nominal_mm"]
    second.loc[0, ["formed", "measured_mm", "deviation_mm"]] = ["no", np.nan, np.nan]
    merged = merge_scans(pd.concat([first, second], ignore_index=True))
    assert len(merged) == len(first)
    assert merged["formed"].iloc[0] == "partly"
    np.testing.assert_allclose(merged["measured_mm"].iloc[1:], first["measured_mm"].iloc[1:] + 0.001, atol=1e-12)
    assert (merged["n_scans"] == 2).all()


def test_errors_belong_to_the_tree():
    assert issubclass(ComparisonError, SharpsetError)
