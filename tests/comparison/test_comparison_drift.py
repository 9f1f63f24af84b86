from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from sharpset.comparison import check_responses, study_drift
from sharpset.errors import ComparisonError


def check_pieces(draw, n=18, *, drift_from=99, step=0.01, seed=1):
    tables, prints = [], []
    for i in range(n):
        bias = step * max(0, i - drift_from + 1)
        tables.append(draw(seed * 1000 + i, n_prints=1, name=f"c{i}-", bias=bias))
        prints.append({"run_id": f"c{i}-0", "printed_at": f"2026-01-{i + 1:02d}", "printer": "P1", "material": "grey"})
    return pd.concat(tables, ignore_index=True), pd.DataFrame(prints)


def test_a_steady_printer_needs_no_new_proof(draw):
    readings, prints = check_pieces(draw, seed=4)
    found = study_drift(readings, prints=prints, tolerance_mm=0.05)
    assert not found.verdict["prove_again"].any()
    assert {c.response for c in found.charts} == {"width_deviation_mm", "edge_roughness_mm"}
    assert "steady" in found.summary()


def test_drift_is_seen_and_dated(draw):
    readings, prints = check_pieces(draw, drift_from=14)
    found = study_drift(readings, prints=prints, tolerance_mm=0.05)
    chart = next(c for c in found.charts if c.response == "width_deviation_mm")
    assert chart.baseline == 12
    assert chart.signals["run_id"].iloc[0] in {"c14-0", "c15-0", "c16-0"}
    assert found.verdict["prove_again"].all()
    assert "signals at print" in found.verdict["reasons"].iloc[0]


def test_prints_are_taken_in_the_order_of_their_dates(draw):
    readings, prints = check_pieces(draw, drift_from=14)
    mixed = prints.sample(frac=1, random_state=1)
    one = study_drift(readings, prints=prints, tolerance_mm=0.05)
    two = study_drift(readings.iloc[::-1], prints=mixed, tolerance_mm=0.05)
    assert one.charts[0].runs == two.charts[0].runs == tuple(f"c{i}-0" for i in range(18))


def test_a_large_slow_drift_exceeds_the_tolerance(draw):
    readings, prints = check_pieces(draw, drift_from=13, step=0.03)
    found = study_drift(readings, prints=prints, tolerance_mm=0.05)
    assert "more than the tolerance of 0.05 mm" in found.verdict["reasons"].iloc[0]


@pytest.mark.parametrize(
    ("column", "options", "says"),
    [
        ({"changed": [""] * 15 + ["new nozzle", "", ""]}, {}, "changed before print c15-0: new nozzle"),
        ({}, {"prove_after_prints": 10}, "18 check pieces since the proof, more than 10"),
        ({}, {"prove_after_days": 10}, "17 days since the proof, more than 10"),
    ],
)
def test_other_reasons_for_a_new_proof(draw, column, options, says):
    readings, prints = check_pieces(draw, seed=4)
    found = study_drift(readings, prints=prints.assign(**column), tolerance_mm=0.05, **options)
    assert says in found.verdict["reasons"].iloc[0]


def test_charts_start_anew_at_the_last_proof(draw):
    readings, prints = check_pieces(draw, seed=4)
    prints["proven"] = ["yes", *[""] * 8, "yes", *[""] * 8]
    found = study_drift(readings, prints=prints, tolerance_mm=0.05)
    assert found.charts[0].runs[0] == "c9-0"
    assert found.verdict["n_prints"].iloc[0] == 9


def test_printers_and_materials_are_charted_apart(draw):
    readings, prints = check_pieces(draw)
    prints["printer"] = ["P1"] * 9 + ["P2"] * 9
    prints.loc[17, "material"] = "black"
    found = study_drift(readings, prints=prints, tolerance_mm=0.05)
    assert len(found.verdict) == 3
    assert found.skipped == ("P2, black: 1 prints since the proof, at least 8 needed",)


def test_responses_use_only_features_that_always_formed(draw):
    readings, _ = check_pieces(draw, n=3)
    readings.loc[0, ["formed", "measured_mm"]] = ["no", np.nan]
    rest = readings[readings["feature_id"] != readings["feature_id"].iloc[0]]
    expected = (rest["measured_mm"] - rest["nominal_mm"]).groupby(rest["run_id"], sort=False).mean()
    found = check_responses(readings).set_index("run_id")
    np.testing.assert_allclose(found["width_deviation_mm"], expected.reindex(found.index))
    assert found["formed_share"].iloc[0] == pytest.approx(19 / 20)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lambda p: p.drop(columns="printed_at"), "lacks printed_at"),
        (lambda p: p.assign(printed_at="last week"), "no date"),
        (lambda p: p.iloc[1:], "print c0-0 has readings but no date"),
        (lambda p: pd.concat([p, p.iloc[:1]]), "c0-0 is listed twice"),
    ],
)
def test_bad_tables_of_prints_are_refused(draw, change, says):
    readings, prints = check_pieces(draw, n=9)
    with pytest.raises(ComparisonError, match=says):
        study_drift(readings, prints=change(prints), tolerance_mm=0.05)


def test_results_show_themselves(draw):
    readings, prints = check_pieces(draw, n=10)
    found = study_drift(readings, prints=prints, tolerance_mm=0.05)
    assert "<table" in found._repr_html_()
    assert len(found.charts[0].to_frame()) == 10
    assert "<table" in found.charts[0]._repr_html_()
    assert found.to_frame().equals(found.verdict)
