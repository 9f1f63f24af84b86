from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from sharpset.comparison import check_cure
from sharpset.errors import ComparisonError


def cured(table, *, change=0.0, scatter=0.001, per_master=0.0, seed=1):
    """Readings of the same prints after a cure."""
    rng = np.random.default_rng(seed)
    shift = table["run_id"].map({r: rng.normal(0, per_master) for r in table["run_id"].unique()})
    width = table["measured_mm"] + change + shift + rng.normal(0, scatter, len(table))
    return table.assign(measured_mm=width, scan_id=table["scan_id"] + "-after")


def test_an_unchanged_master_survives(draw):
    before = draw(1, n_prints=3)
    found = check_cure(before, cured(before), tolerance_mm=0.05)
    assert found.verdict.startswith("the master survived the cure (3 masters): every width stayed within 0.05 mm")
    assert found.lost.empty


def test_a_swollen_master_is_told_with_its_interval(draw):
    before = draw(2, n_prints=4)
    found = check_cure(before, cured(before, change=0.08, per_master=0.002), tolerance_mm=0.05)
    whole = found.changes[found.changes["nominal_mm"].isna()]
    assert (whole["verdict"] == "changed by more than the tolerance").all()
    assert ((whole["low_mm"] < 0.08) & (whole["high_mm"] > 0.08)).all()
    assert "did not survive" in found.verdict


def test_a_small_change_is_seen_and_within_the_tolerance(draw):
    before = draw(3, n_prints=5)
    found = check_cure(before, cured(before, change=0.01), tolerance_mm=0.05)
    assert (found.changes["verdict"] == "changed, within the tolerance").all()
    assert found.verdict.endswith("a change is seen")


def test_masters_not_features_are_the_replicates(draw):
    # Masters change by chance amounts of 0.02: two of them can decide nothing at a tolerance of 0.03.
    before = draw(4, n_prints=2)
    found = check_cure(before, cured(before, per_master=0.02, seed=3), tolerance_mm=0.03)
    assert (found.changes["p_adjusted"] > 0.05).all()
    assert "not yet decided" in found.verdict


def test_sizes_that_stay_open_are_named(draw):
    before = draw(4, n_prints=3)
    sizes = sorted(before.loc[before["kind"] == "slot", "nominal_mm"].unique())
    rare = (before["kind"] == "slot") & (before["nominal_mm"] == sizes[-1])
    only = before[rare].iloc[:1]
    before = pd.concat([before[~rare], only])
    found = check_cure(before, cured(before), tolerance_mm=0.05)
    assert f"slot {sizes[-1]:g} mm (too few features) not yet shown to have stayed within 0.05 mm" in found.verdict
    n_sizes = found.changes["nominal_mm"].notna().sum()
    assert f"{n_sizes - 1} of {n_sizes} sizes are" in found.verdict


def test_one_master_speaks_for_itself_only(draw):
    before = draw(5, n_prints=1)
    found = check_cure(before, cured(before), tolerance_mm=0.05)
    assert "One master only" in found.remarks[0]
    single = found.changes[found.changes["nominal_mm"].notna()]
    assert (single["n_features"] == 2).all()


def test_lost_features_are_listed(draw):
    before = draw(6, n_prints=2)
    after = cured(before)
    after.loc[3, ["formed", "measured_mm"]] = ["partly", np.nan]
    found = check_cure(before, after, tolerance_mm=0.05)
    assert found.lost["feature_id"].tolist() == [before["feature_id"].iloc[3]]
    assert found.lost["after"].tolist() == ["partly"]
    assert "1 features that had formed are no longer whole" in found.verdict


def test_change_of_scale_and_roughness(draw):
    before = draw(7, n_prints=1)
    n = len(before)
    before = before.assign(x_mm=np.linspace(2, 50, n), y_mm=np.linspace(3, 30, n)[::-1] ** 1.1)
    before = before.assign(x_dev_mm=0.0, y_dev_mm=0.0)
    after = cured(before).assign(x_dev_mm=-0.01 * before["x_mm"], y_dev_mm=-0.02 * before["y_mm"])
    after["edge_roughness_mm"] += 0.005
    found = check_cure(before, after, tolerance_mm=0.05)
    assert found.scale is not None
    assert (found.scale.scale_x, found.scale.scale_y) == pytest.approx((0.99, 0.98), abs=1e-9)
    assert found.roughness_change_mm == pytest.approx(0.005)


def test_readings_uncertainty_is_the_least_scatter(draw):
    before = draw(8, n_prints=1)
    found = check_cure(before.assign(U95_mm=0.02), cured(before, scatter=0).assign(U95_mm=0.02), tolerance_mm=0.05)
    row = found.changes[found.changes["nominal_mm"].notna()].iloc[0]
    # Two features, both readings 0.02 (95 %): se = sqrt(2) * 0.0102 / sqrt(2) = 0.0102, t(1) = 12.706.
    assert row["high_mm"] - row["change_mm"] == pytest.approx(12.706 * 0.02 / 1.96, rel=1e-3)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lambda a: a.assign(run_id="other"), "no master is in both"),
        (lambda a: a.assign(piece_id="other"), "different pieces"),
        (lambda a: a.assign(formed="no", measured_mm=np.nan), "only 0 features"),
        (lambda a: a.assign(measured_mm=a["measured_mm"] * 25.4), "units are mixed"),
    ],
)
def test_what_cannot_be_compared_is_refused(draw, change, says):
    before = draw(9, n_prints=1)
    with pytest.raises(ComparisonError, match=says):
        check_cure(before, change(before), tolerance_mm=0.05)


def test_result_shows_itself(draw):
    before = draw(10, n_prints=2)
    found = check_cure(before, cured(before), tolerance_mm=0.05)
    assert "<table" in found._repr_html_()
    pd.testing.assert_frame_equal(found.to_frame(), found.changes)
    assert any("presses" in c for c in found.cautions)
