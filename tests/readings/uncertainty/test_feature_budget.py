"""Budgets of readings and the uncertainty of differences, against sums done by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from reading_scenes import make_scene, write_scene

from sharpset.errors import ReadingError
from sharpset.readings import budgets_table, difference, load_budgets, read_scan, write_readings
from sharpset.readings.uncertainty.contributions import LINES
from sharpset.readings.uncertainty.feature_budget import BUDGET_COLUMNS


@pytest.fixture(scope="module")
def reading(tmp_path_factory):
    scene = make_scene(seed=11, dpi=600, blur_px=0.7)
    path = write_scene(scene, tmp_path_factory.mktemp("scan") / "a.png", dpi=600)
    return read_scan(path, piece=scene.piece)


def test_lines_of_a_budget_add_up_to_the_stated_interval(reading):
    (piece,) = reading.pieces
    for row in piece.table[piece.table["formed"] == "yes"].iloc[::9].itertuples():
        budget = piece.budget(row.feature_id)
        frame = budget.to_frame()
        private = np.sqrt((frame.loc[frame["shared"] == "no", "u_mm"] ** 2).sum())
        common = np.sqrt((frame.loc[frame["shared"] != "no", "u_mm"] ** 2).sum())
        assert private == pytest.approx(row.u_private_mm)
        assert common == pytest.approx(row.u_common_mm)
        assert row.U95_mm == pytest.approx(1.96 * np.hypot(private, common))
        assert frame["share_of_variance"].sum() == pytest.approx(1.0)
        assert set(frame["line"]) <= set(LINES)
        assert frame["u_mm"].is_monotonic_decreasing
        assert row.feature_id in budget.summary()
        assert "<table" in budget._repr_html_()


def test_scale_lines_follow_the_direction_of_a_strip(reading):
    (piece,) = reading.pieces
    lines = piece.contributions
    wide = piece.table[(piece.table["kind"] == "slot") & (piece.table["formed"] == "yes")]
    for row in wide.itertuples():
        own = lines[(lines["feature_id"] == row.feature_id)].groupby("line")["u_mm"].sum()
        # w (n_x^2 u_x + n_y^2 u_y) with u_x = u_y = 0.2 %: the two lines add up to 0.2 % of the width. The chance of a
        # wrong resolution, 0.2 % for a piece that is 0.3 % off, adds two thousandths to that.
        assert own["scale x"] + own["scale y"] == pytest.approx(0.002 * row.measured_mm, rel=4e-3)


def test_transfer_curve_moves_slots_and_bars_in_opposite_directions(reading):
    (piece,) = reading.pieces
    lines = piece.contributions[piece.contributions["line"] == "transfer"].merge(piece.table, on="feature_id")
    large = lines[lines["nominal_mm"].between(0.3, 1.0)]
    slots, bars = (set(large.loc[large["kind"] == kind, "sign"]) for kind in ("slot", "bar"))
    assert len(slots) == len(bars) == 1
    assert slots == {-sign for sign in bars}


def test_budget_names_what_is_wrong(reading):
    (piece,) = reading.pieces
    with pytest.raises(ReadingError, match="'nothing' is not on this piece"):
        piece.budget("nothing")
    gone = piece.table.loc[piece.table["formed"] == "no", "feature_id"].iloc[0]
    with pytest.raises(ReadingError, match="no measured size"):
        piece.budget(gone)


def test_written_budgets_load_again(reading, tmp_path):
    files = write_readings([reading], tmp_path / "r.csv", budget=True)
    assert files[-1].name == "r_budget.csv"
    table = load_budgets(files[-1])
    assert list(table.columns) == list(BUDGET_COLUMNS)
    # Four significant digits are written.
    np.testing.assert_allclose(table["u_mm"], budgets_table([reading])["u_mm"], rtol=1e-3)
    bad = tmp_path / "bad.csv"
    bad.write_text("scan_id,line\na,noise\n", encoding="utf-8")
    with pytest.raises(ReadingError, match="run_id is missing"):
        load_budgets(bad)


def _row(scan: str, feature: str, measured: float, private: float, common: float) -> dict[str, object]:
    return {
        "scan_id": scan,
        "feature_id": feature,
        "measured_mm": measured,
        "u_private_mm": private,
        "u_common_mm": common,
    }


def _line(scan: str, feature: str, line: str, u: float, shared: str, sign: int) -> dict[str, object]:
    return {
        "scan_id": scan,
        "run_id": "R01",
        "feature_id": feature,
        "line": line,
        "u_mm": u,
        "shared": shared,
        "sign": sign,
    }


def test_differences_within_and_between_scans_by_hand():
    a = pd.DataFrame([_row("s1", "slot", 0.30, 0.003, 0.005)])
    bar = pd.DataFrame([_row("s1", "bar", 0.25, 0.004, 0.005)])
    other = pd.DataFrame([_row("s2", "slot", 0.29, 0.003, 0.005)])
    lines = pd.DataFrame(
        [
            _line(scan, feature, line, u, shared, sign)
            for scan in ("s1", "s2")
            for feature, sign in (("slot", 1), ("bar", -1))
            for line, u, shared, sign in (("transfer", 0.003, "scanner", sign), ("contrast", 0.004, "scan", 1))
        ]
    )
    within = difference(a, bar, on=None, lines=lines).iloc[0]
    assert within.difference_mm == pytest.approx(0.05)
    assert within.u_private_mm == pytest.approx(0.005)
    # One scan: the contrast cancels (0.004 - 0.004), the transfer curve works in opposite directions (0.003 + 0.003).
    assert within.u_common_mm == pytest.approx(0.006)
    assert within.U95_mm == pytest.approx(1.96 * np.hypot(0.005, 0.006), rel=1e-4)
    # Two scanners: all shared parts add as squares, 2 (0.003^2 + 0.004^2).
    assert difference(a, other, lines=lines).iloc[0].u_common_mm == pytest.approx(np.sqrt(2) * 0.005)
    # One scanner: its curve is the same error in both scans, the contrast of each scan is not.
    same = difference(a, other, lines=lines, same_scanner=True).iloc[0]
    assert same.u_common_mm == pytest.approx(np.sqrt(2) * 0.004)
    # Without the lines the shared parts are all that is known.
    assert difference(a, other).iloc[0].u_common_mm == pytest.approx(np.sqrt(2) * 0.005)
    assert difference(a, bar, on=None).iloc[0].u_common_mm == pytest.approx(0.0)


_OWN = (("roughness", 0.003), ("noise", 0.004))


def test_what_two_scans_took_off_for_one_error_is_put_right_by_hand():
    a = pd.DataFrame([_row("s1", "slot", 0.300, 0.003, 0.004)])
    b = pd.DataFrame([_row("s2", "slot", 0.290, 0.004, 0.001)])

    def found(per_error, u_error, taken, line="shadow y", **known):
        lines = pd.DataFrame(
            [
                _line(scan, "slot", line, g * u, "scanner", 1) | {"u_error": u, "taken": t}
                for scan, g, u, t in zip(("s1", "s2"), per_error, u_error, taken, strict=True)
            ]
        )
        return difference(a, b, lines=lines, **known).iloc[0]

    # Half a turn: both lose the whole shift, one 4 um of it, the other 10 um. Put back, 0.304 and 0.300 are left.
    half = found((1, 1), (0.004, 0.002), (0.004, 0.010), same_scanner=True)
    assert half.difference_mm == pytest.approx(0.304 - 0.300)
    assert half.u_common_mm == pytest.approx(0, abs=1e-12)
    # A quarter turn: only the first is shaded. Weights 1 and 4: the mean is 8.8 um, good to (0.004 + 4 * 0.002) / 5.
    quarter = found((1, 0), (0.004, 0.002), (0.004, 0.010), same_scanner=True)
    assert quarter.difference_mm == pytest.approx(0.304 - 0.0088 - 0.290)
    assert quarter.u_common_mm == pytest.approx(0.0024)
    # Two scanners have two lamps, estimates that contradict each other are of two errors, and so are two curves.
    for other in (
        found((1, 1), (0.004, 0.002), (0.004, 0.010)),
        found((1, 1), (0.004, 0.002), (-0.004, 0.010), same_scanner=True),
        found((0.01, 0.01), (0.4, 0.2), (0.0, 0.79), line="transfer", same_scanner=True),
    ):
        assert other.difference_mm == pytest.approx(0.010)
        assert other.u_common_mm == pytest.approx(np.hypot(0.004, 0.002))
    assert half.u_private_mm == pytest.approx(0.005)


def test_what_is_not_sampled_of_a_piece_is_the_same_in_both_its_scans():
    a = pd.DataFrame([_row("s1", "slot", 0.300, 0.005, 0.0)])
    b = pd.DataFrame([_row("s2", "slot", 0.290, 0.005, 0.0)])
    lines = [_line(scan, "slot", line, u, "no", 1) for scan in ("s1", "s2") for line, u in _OWN]
    lines += [_line(scan, "slot", "scale x", 0.0, "scanner", 1) for scan in ("s1", "s2")]
    table = pd.DataFrame(lines)
    assert difference(a, b, lines=table).iloc[0].u_private_mm == pytest.approx(np.sqrt(2) * 0.005)
    one = difference(a, b, lines=table, same_piece=True).iloc[0]
    assert one.u_private_mm == pytest.approx(np.sqrt(2) * 0.004)


def test_difference_names_what_is_wrong():
    a = pd.DataFrame([_row("s1", "slot", 0.30, 0.003, 0.005)] * 2)
    with pytest.raises(ReadingError, match="u_common_mm is missing"):
        difference(a, a.drop(columns="u_common_mm"))
    with pytest.raises(ReadingError, match="2 rows cannot be paired with 1"):
        difference(a, a.head(1), on=None)
