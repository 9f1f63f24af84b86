from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
import statsmodels.formula.api as smf

from sharpset.comparison import gauge_study
from sharpset.errors import ComparisonError


def crossed(seed, *, n=8, m=3, r=2, part=0.02, operator=0.004, error=0.005):
    """Draw a crossed study without interaction."""
    rng = np.random.default_rng(seed)
    parts, people = rng.normal(0, part, n), rng.normal(0, operator, m)
    rows = [
        (f"p{i}", f"o{j}", f"t{k}", parts[i] + people[j] + rng.normal(0, error))
        for i in range(n)
        for j in range(m)
        for k in range(r)
    ]
    return pd.DataFrame(rows, columns=["part", "operator", "trial", "value"])


def study(table, **options):
    return gauge_study(table, value="value", part="part", operator="operator", trial="trial", **options)


def test_anova_agrees_with_statsmodels():
    table = crossed(1)
    ours = study(table, n_draws=100).table.set_index("source")
    theirs = sm.stats.anova_lm(smf.ols("value ~ C(part) * C(operator)", table).fit())
    for source, row in [
        ("part", "C(part)"),
        ("operator", "C(operator)"),
        ("interaction", "C(part):C(operator)"),
        ("repeatability", "Residual"),
    ]:
        assert ours.loc[source, "SS"] == pytest.approx(theirs.loc[row, "sum_sq"], rel=1e-8)
        assert ours.loc[source, "df"] == theirs.loc[row, "df"]


def test_interaction_is_pooled_by_the_stated_rule():
    table = crossed(1)
    p = study(table, n_draws=100).table.set_index("source").loc["interaction", "p"]
    assert study(table, pool_above=p - 0.01, n_draws=100).pooled
    assert not study(table, pool_above=p + 0.01, n_draws=100).pooled


def test_intervals_cover_the_truth():
    # 100 studies: repeatability's interval is exact after pooling is decided; 4 standard errors of 95 %.
    hits = {"repeatability": 0, "part": 0}
    for seed in range(100):
        table = study(crossed(seed), pool_above=0.0, n_draws=400).components.set_index("component")
        hits["repeatability"] += table.loc["repeatability", "low"] <= 0.005 <= table.loc["repeatability", "high"]
        hits["part"] += table.loc["part", "low"] <= 0.02 <= table.loc["part", "high"]
    for name, count in hits.items():
        assert count / 100 > 0.95 - 4 * np.sqrt(0.05 * 0.95 / 100), name


def test_both_methods_agree_on_average():
    ratio = [
        study(crossed(s, n=10, r=3), method="range", n_draws=50).repeatability
        / study(crossed(s, n=10, r=3), pool_above=1.0, n_draws=50).repeatability
        for s in range(30)
    ]
    # Without pooling, which prefers small errors. Ranges lose a little efficiency but no accuracy: four standard
    # errors of the mean ratio.
    assert np.mean(ratio) == pytest.approx(1.0, abs=4 * np.std(ratio) / np.sqrt(30))


def test_percentages_by_hand():
    found = study(crossed(2), tolerance_mm=0.05, n_draws=100)
    assert found.percent_tolerance == pytest.approx(100 * 6 * found.gauge / 0.1)
    assert found.total == pytest.approx(np.hypot(found.gauge, found.part))
    assert found.percent_total == pytest.approx(100 * found.gauge / found.total)
    share = found.components.set_index("component")["percent_contribution"]
    assert share["gauge"] + share["part"] == pytest.approx(100)


@pytest.mark.parametrize(("error", "says"), [(0.0005, "is good"), (0.002, "usable where"), (0.01, "not good enough")])
def test_verdict_in_words(error, says):
    # 6 sd over a zone of 0.1 mm: 3 %, 12 % and 60 %.
    found = study(crossed(3, operator=0.0, error=error), tolerance_mm=0.05, n_draws=100)
    assert says in found.verdict


def scans(draw, n_scans=4, *, shift=0.0, seed=1):
    """Scan the same two prints again and again; each scan may have an error of its own."""
    rng = np.random.default_rng(seed)
    base = draw(seed, n_prints=2)
    out = []
    for i in range(n_scans):
        error = rng.normal(0, shift) + rng.normal(0, 0.001, len(base))
        out.append(base.assign(scan_id=f"scan{i}", measured_mm=base["measured_mm"] + error))
    return pd.concat(out, ignore_index=True)


def test_readings_of_several_scans_need_no_data_entry(draw):
    found = gauge_study(scans(draw), tolerance_mm=0.05, n_draws=500)
    assert (found.n_parts, found.n_operators, found.n_trials) == (40, 1, 4)
    # True scatter 0.001 on 120 degrees of freedom: within 4 * 6.5 %.
    assert found.repeatability == pytest.approx(0.001, rel=0.26)
    assert np.isnan(found.reproducibility)
    assert "reproducibility is not covered" in found.verdict


def test_what_a_whole_scan_shares_is_told_apart(draw):
    found = gauge_study(scans(draw, n_scans=12, shift=0.004), tolerance_mm=0.05, n_draws=2000)
    assert found.within_scans == pytest.approx(0.001, rel=0.15)
    # 11 degrees of freedom: chi-square limits at 1 in 1000 are 0.37 to 1.69 of the truth.
    assert 0.37 * 0.004 < found.between_scans < 1.69 * 0.004
    assert found.repeatability == pytest.approx(np.hypot(found.between_scans, found.within_scans))
    row = found.components.set_index("component").loc["repeatability"]
    # The interval must know that a dozen scans, not hundreds of features, carry the information.
    assert row["high"] / row["sd"] > 1.4


def test_pieces_scanned_one_by_one_make_a_study_too(draw):
    """Every piece lies alone in its scans, each of which has a name of its own and an error that it shares."""
    rng = np.random.default_rng(3)
    base = draw(0, n_prints=8)
    alone = []
    for run, piece in base.groupby("run_id", sort=False):
        for scan in range(3 if run != base["run_id"].iloc[0] else 4):
            error = rng.normal(0, 0.004) + rng.normal(0, 0.001, len(piece))
            alone.append(piece.assign(scan_id=f"{run}-{scan}", measured_mm=piece["measured_mm"] + error))
    found = gauge_study(pd.concat(alone, ignore_index=True), tolerance_mm=0.05, n_draws=2000)
    assert (found.n_trials, found.n_dropped) == (3, 0)
    assert found.within_scans == pytest.approx(0.001, rel=0.2)
    # 8 pieces of 3 scans leave 16 degrees of freedom: chi-square limits at 1 in 1000 are 0.48 to 1.57 of the truth.
    assert 0.48 * 0.004 < found.between_scans < 1.57 * 0.004
    # By hand: scatter of the scans' means within pieces, less the share of the features' own scatter.
    table = pd.concat(alone).assign(d=lambda t: t["measured_mm"] - t["nominal_mm"])
    table = table[~table["scan_id"].str.endswith("-3")]
    means = table.groupby(["run_id", "scan_id"])["d"].mean()
    n_features = len(base) / 8
    by_hand = means.groupby("run_id").var().mean() - found.within_scans**2 / n_features
    assert found.between_scans == pytest.approx(np.sqrt(by_hand), rel=1e-6)


def test_a_ladder_of_sizes_is_not_part_variation(draw):
    by_deviation = gauge_study(scans(draw), n_draws=100)
    by_width = gauge_study(scans(draw), value="measured_mm", n_draws=100)
    assert by_width.part > 10 * by_deviation.part


def test_operators_come_from_a_table(draw):
    table = pd.DataFrame({"scan_id": [f"scan{i}" for i in range(4)], "operator": ["Ada", "Ada", "Ben", "Ben"]})
    found = gauge_study(scans(draw), operators=table, n_draws=100)
    assert (found.n_operators, found.n_trials) == (2, 2)
    position = table.rename(columns={"operator": "position"})
    assert gauge_study(scans(draw), operators=position, n_draws=100).n_operators == 2


def test_features_missing_from_a_scan_are_dropped_and_counted(draw):
    table = scans(draw)
    table.loc[3, "measured_mm"] = np.nan
    found = gauge_study(table, n_draws=100)
    assert (found.n_parts, found.n_dropped) == (39, 1)


@pytest.mark.parametrize(
    ("options", "says"),
    [
        ({"method": "guess"}, "must be one of anova, range"),
        ({"tolerance_mm": -1}, "above 0 mm"),
        ({"part": "nothing"}, "no column nothing"),
        ({"operators": pd.DataFrame({"scan_id": ["scan0"]})}, "it needs scan_id and operator"),
        ({"operators": pd.DataFrame({"scan_id": ["scan0"], "operator": ["Ada"]})}, "no row for scan scan1"),
    ],
)
def test_wrong_calls_are_refused(draw, options, says):
    with pytest.raises(ComparisonError, match=says):
        gauge_study(scans(draw), **options)


def test_one_scan_is_no_study(draw):
    with pytest.raises(ComparisonError, match="at least 2 parts read at least twice"):
        gauge_study(draw(1))


def test_result_shows_itself(draw):
    found = gauge_study(scans(draw), tolerance_mm=0.05, n_draws=100)
    assert "categories" in found.summary()
    assert "<table" in found._repr_html_()
    assert set(found.to_frame()["component"]) == {"repeatability", "gauge", "part", "total"}


def test_number_of_categories_has_an_interval_that_holds_the_truth():
    # True sd 0.02 between parts and 0.005 of the gauge: 1.41 * 4 = 5.64 categories. 95 % of 60 studies is 57; four
    # standard errors of a share of 0.95 leave 0.84.
    held = []
    for seed in range(60):
        rng = np.random.default_rng(seed)
        parts = rng.normal(0, 0.02, 10)
        rows = [
            {"scan_id": f"s{k}", "feature_id": f"F{i}", "deviation_mm": parts[i] + rng.normal(0, 0.005), "hand": h}
            for h in ("Ines", "Oskar", "Nele")
            for k in (f"{h}1", f"{h}2")
            for i in range(10)
        ]
        found = gauge_study(pd.DataFrame(rows), operator="hand", n_draws=2000)
        assert found.n_categories_low <= found.n_categories_raw <= found.n_categories_high
        held.append(found.n_categories_low <= 5.64 <= found.n_categories_high)
    assert np.mean(held) >= 0.84
