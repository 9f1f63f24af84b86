from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

from sharpset.comparison import compare_readings
from sharpset.errors import ComparisonError

N_BOOT = 200


def by_size(found, kind="bar"):
    rows = found.verdict
    return rows[(rows["kind"] == kind) & rows["nominal_mm"].notna()].set_index("nominal_mm")


def test_a_clear_difference_is_found_and_named(draw, brief):
    found = compare_readings(
        draw(1, n_prints=5), draw(2, n_prints=5, name="b", bias=0.04), brief=brief, labels=("old", "new"), n_boot=N_BOOT
    )
    assert found.different and found.decidable
    assert set(by_size(found)["truer"]) == {"old"}
    whole = found.verdict[found.verdict["nominal_mm"].isna()]
    assert set(whole["truer"]) == {"old"}
    # Prints scatter by 0.004: the mean difference of five each is within 4 * 0.004 * sqrt(2/5) of the truth.
    assert (abs(by_size(found)["difference_mm"] + 0.04) < 0.012).all()
    assert (found.verdict["more_prints"] == 0).all()
    assert "old truer in 10 of 10 sizes" in found.summary()


def test_equal_printers_are_called_equal_within_the_tolerance(draw, brief):
    found = compare_readings(draw(3, n_prints=6), draw(4, n_prints=6, name="b"), brief=brief, n_boot=N_BOOT)
    assert not found.different
    assert (found.verdict["truer"] == "equal within the tolerance").all()


def test_opposite_biases_differ_but_none_is_truer(draw, brief):
    found = compare_readings(
        draw(5, n_prints=8, bias=0.03, sd_print=0.002),
        draw(6, n_prints=8, name="b", bias=-0.03, sd_print=0.002),
        brief=brief,
        n_boot=N_BOOT,
    )
    assert (by_size(found)["truer"] == "different, neither shown truer").all()


def test_sums_decide_who_is_truer_by_hand(draw, brief):
    a, b = draw(7, n_prints=5, bias=0.01), draw(8, n_prints=5, name="b", bias=-0.06)
    found = compare_readings(a, b, brief=brief, n_boot=N_BOOT)
    row = by_size(found).iloc[2]
    ya, yb = (
        t[(t["kind"] == "bar") & (t["nominal_mm"] == 0.25)]
        .assign(d=lambda t: t["measured_mm"] - t["nominal_mm"])
        .groupby("run_id")["d"]
        .mean()
        for t in (a, b)
    )
    se = math.sqrt(ya.var(ddof=1) / 5 + yb.var(ddof=1) / 5)
    assert row["bias_a_mm"] == pytest.approx(ya.mean())
    assert row["difference_mm"] == pytest.approx(ya.mean() - yb.mean())
    from scipy import stats

    df = stats.ttest_ind(ya, yb, equal_var=False).df
    p_sum = 2 * stats.t.sf(abs(ya.mean() + yb.mean()) / se, df)
    assert row["p_truer"] == pytest.approx(max(row["p_different"], p_sum), rel=1e-9)
    assert row["truer"] == "A"


def test_features_of_one_print_are_not_replicates(draw, brief):
    # Printers alike, prints apart by 0.03 mm: features taken as replicates would always differ.
    alarms = [
        compare_readings(
            draw(seed, n_prints=2, sd_print=0.03, sd_feature=0.001),
            draw(seed + 500, n_prints=2, name="b", sd_print=0.03, sd_feature=0.001),
            brief=brief,
            n_boot=20,
        ).different
        for seed in range(30)
    ]
    assert sum(alarms) <= 4  # 30 trials at 5 %: more than 4 has a chance below 1 %


@pytest.mark.slow
def test_false_alarms_stay_below_five_percent(draw, brief):
    alarms = [
        compare_readings(
            draw(2 * seed, n_prints=3 + seed % 3, limit=0.19),
            draw(2 * seed + 1, n_prints=3 + seed % 3, name="b", limit=0.19),
            brief=brief,
            n_boot=20,
        ).different
        for seed in range(60)
    ]
    # 60 trials at 5 %: more than 8 has a chance below 1 %. The benchmark runs a thousand.
    assert sum(alarms) <= 8


def test_only_one_printer_forms_the_small_sizes(brief):
    rng = np.random.default_rng(9)

    def printer(name, limit):
        rows = []
        for i in range(6):
            for size in (0.1, 0.125, 0.16, 0.2, 0.25, 0.315, 0.4, 0.5):
                for k in range(8):
                    chance = 1 / (1 + np.exp(-14 * np.log(size / limit)))
                    yes = rng.random() < chance
                    width = size + rng.normal(0, 0.004) if yes else np.nan
                    rows.append(
                        (f"{name}s{i}", "p", f"{name}{i}", f"{size}-{k}", "bar", size, "yes" if yes else "no", width)
                    )
        columns = ["scan_id", "piece_id", "run_id", "feature_id", "kind", "nominal_mm", "formed", "measured_mm"]
        return pd.DataFrame(rows, columns=columns)

    found = compare_readings(printer("a", 0.12), printer("b", 0.27), brief=brief, labels=("fine", "coarse"), n_boot=500)
    forms = by_size(found)["forms"]
    assert forms[0.2] == "only fine"
    assert forms[0.5] == "both"
    assert forms[0.1] == "neither"
    limits = found.limits.iloc[0]
    # a90 of a logistic curve: limit * 9^(1/14).
    assert limits["a90_a_low_mm"] < 0.12 * 9 ** (1 / 14) < limits["a90_a_high_mm"]
    assert limits["a90_b_low_mm"] < 0.27 * 9 ** (1 / 14) < limits["a90_b_high_mm"]
    assert limits["low_mm"] < (0.12 - 0.27) * 9 ** (1 / 14) < limits["high_mm"] < 0
    forming = found.by_kind[found.by_kind["measure"] == "size that half form"].iloc[0]
    assert forming["verdict"] == "fine forms smaller details"


def test_rougher_edges_are_found(draw, brief):
    found = compare_readings(
        draw(10, n_prints=6), draw(11, n_prints=6, name="b", rough=0.03), brief=brief, labels=("x", "y"), n_boot=N_BOOT
    )
    rough = found.by_kind[found.by_kind["measure"] == "edge roughness"]
    assert set(rough["verdict"]) == {"x has the smoother edges"}


def test_one_print_decides_nothing_but_describes(draw, brief):
    found = compare_readings(
        draw(12, n_prints=1),
        draw(13, n_prints=4, name="b", bias=0.3),
        brief=brief,
        labels=("one", "four"),
        n_boot=N_BOOT,
    )
    assert not found.decidable and not found.different
    assert (by_size(found)["truer"] == "not yet decided").all()
    assert found.verdict["p_different"].isna().all()
    assert found.verdict["U95_difference_mm"].isna().all()
    assert found.limits[["low_mm", "high_mm", "a90_a_high_mm"]].isna().all().all()
    assert by_size(found)["difference_mm"].notna().all()
    assert "Only one print job of one" in found.remarks[0]
    assert "at least 2 of each" in found.remarks[0]
    assert found.recommended_prints >= 3
    assert "not decidable" in found.summary()


def test_repeated_scans_do_not_add_prints(draw, brief):
    a, b = draw(14), draw(15, name="b")
    again = pd.concat([a, a.assign(scan_id=a["scan_id"] + "-again")], ignore_index=True)
    once = compare_readings(a, b, brief=brief, n_boot=N_BOOT)
    twice = compare_readings(again, b, brief=brief, n_boot=N_BOOT)
    assert twice.n_prints_a == 4
    np.testing.assert_allclose(once.verdict["p_different"], twice.verdict["p_different"], rtol=1e-9)


def test_swapping_printers_turns_signs_only(draw, brief):
    a, b = draw(16, bias=0.01), draw(17, name="b", n_prints=5, limit=0.19)
    one = compare_readings(a, b, brief=brief, n_boot=N_BOOT).verdict
    other = compare_readings(b, a, brief=brief, n_boot=N_BOOT).verdict
    np.testing.assert_allclose(one["difference_mm"], -other["difference_mm"], atol=1e-12)
    np.testing.assert_allclose(one["p_adjusted"], other["p_adjusted"], rtol=1e-9)


def test_a_shared_scan_error_must_be_exceeded(draw, brief):
    a, b = draw(18, n_prints=6), draw(19, n_prints=6, name="b", bias=0.03)
    for table, name in ((a, "scan-a"), (b, "scan-b")):
        table["scan_id"] = name
        table["feature_id"] = table["feature_id"] + ""
    found = compare_readings(a, b, brief=brief, n_boot=N_BOOT)
    assert any("share a scan" in r for r in found.remarks)
    kept = compare_readings(a, b, brief=brief, common_U95_mm=0.03, n_boot=N_BOOT)
    # sqrt(2) * 0.03 exceeds the difference of 0.03.
    assert not kept.different
    assert kept.verdict["U95_common_mm"].iloc[0] == pytest.approx(0.03 * math.sqrt(2))
    assert found.different


def test_own_scans_show_their_error_in_the_scatter(draw, brief):
    found = compare_readings(draw(20), draw(21, name="b"), brief=brief, common_U95_mm=0.03, n_boot=N_BOOT)
    assert (found.verdict["U95_common_mm"] == 0).all()


def test_what_two_scanners_do_shows_in_no_scatter(draw, brief):
    # Every print has a scan of its own, but one scanner reads all of A 0.02 mm narrower than the other all of B.
    a, b = draw(20, n_prints=6), draw(21, name="b", n_prints=6)
    a["measured_mm"] -= 0.02
    assert compare_readings(a, b, brief=brief, common_U95_mm=0.015, n_boot=N_BOOT).different
    apart = compare_readings(a, b, brief=brief, common_U95_mm=0.015, two_scanners=True, n_boot=N_BOOT)
    # sqrt(2) * 0.015 = 0.021 is not exceeded.
    assert apart.verdict["U95_common_mm"].iloc[0] == pytest.approx(0.015 * math.sqrt(2))
    assert not apart.different
    unknown = compare_readings(a, b, brief=brief, two_scanners=True, n_boot=N_BOOT)
    assert any("scanners of their own" in remark for remark in unknown.remarks)


def test_gaps_do_not_bias_the_difference(draw, brief):
    # Every feature has its own offset; printer B loses features with large ones. Paired by feature nothing changes.
    a, b = draw(22, sd_print=0, sd_feature=0), draw(23, name="b", sd_print=0, sd_feature=0, bias=0.02)
    offset = {f: 0.01 * (i % 2) for i, f in enumerate(a["feature_id"].unique())}
    for table in (a, b):
        table["measured_mm"] += table["feature_id"].map(offset)
    lost = (b["feature_id"].map(offset) > 0) & b["run_id"].isin(["b0", "b1"])
    b.loc[lost, "formed"] = "no"
    b.loc[lost, "measured_mm"] = np.nan
    found = compare_readings(a, b, brief=brief, n_boot=N_BOOT)
    np.testing.assert_allclose(found.verdict["difference_mm"], -0.02, atol=1e-9)


def test_open_sizes_say_how_many_more_prints(draw, brief):
    found = compare_readings(
        draw(24, n_prints=2, sd_print=0.02), draw(25, n_prints=2, name="b", sd_print=0.02), brief=brief, n_boot=N_BOOT
    )
    rows = by_size(found)
    assert (rows["truer"] == "not yet decided").all()
    assert (rows["more_prints"] >= 1).all()
    assert rows["verdict"].str.contains("more print").any()


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lambda a, b: (a, b.assign(piece_id="other")), "different pieces"),
        (lambda a, b: (a, b.drop(columns="run_id")), "run_id is missing"),
        (lambda a, b: (a, b.assign(run_id=np.nan)), "no run_id"),
        (lambda a, b: (a, a.copy()), "are the same readings"),
        (lambda a, b: (a, b.assign(measured_mm=b["measured_mm"] * 1000)), "units are mixed"),
    ],
)
def test_what_cannot_be_compared_is_refused_in_one_line(draw, brief, change, says):
    a, b = change(draw(26), draw(27, name="b"))
    with pytest.raises(ComparisonError, match=says) as caught:
        compare_readings(a, b, brief=brief, labels=("one", "two"), n_boot=20)
    assert "\n" not in str(caught.value)


def test_labels_must_differ(draw, brief):
    with pytest.raises(ComparisonError, match="two different names"):
        compare_readings(draw(1), draw(2, name="b"), brief=brief, labels=("x", "x"))


def test_time_and_cost(draw, brief):
    a, b = draw(28, n_prints=3), draw(29, n_prints=3, name="b")
    jobs = pd.DataFrame(
        {
            "run_id": ["a0", "a1", "a2", "b0", "b1", "b2"],
            "print_time_h": [2, 2.2, 2.1, 4, 4.2, 4.4],
            "n_parts": [1, 1, 1, 2, 2, 2],
            "cost": [1.0, 1.1, 1.2, 3.0, 3.0, 3.3],
        }
    )
    found = compare_readings(a, b, brief=brief, jobs=jobs, n_boot=N_BOOT).jobs.set_index("measure")
    assert found.loc["time per part", "value_a"] == pytest.approx(2.1)
    assert found.loc["time per part", "value_b"] == pytest.approx(2.1)
    assert found.loc["cost per part", "difference"] == pytest.approx(1.1 - 1.55)
    assert found.loc["cost per part", "low"] < -0.45 < found.loc["cost per part", "high"]
    with pytest.raises(ComparisonError, match="needs run_id and print_time_h or cost"):
        compare_readings(a, b, brief=brief, jobs=jobs[["run_id"]], n_boot=20)


def test_result_shows_itself(draw, brief):
    found = compare_readings(draw(30), draw(31, name="b"), brief=brief, n_boot=N_BOOT)
    assert "<table" in found._repr_html_()
    pd.testing.assert_frame_equal(found.to_frame(), found.verdict)
    assert list(found.agreement["kind"]) == ["bar", "slot"]


def test_agreement_by_kind_recovers_scatter(brief, draw):
    a = draw(32, n_prints=12, sd_print=0.006, sd_feature=0.004)
    b = draw(33, n_prints=12, name="b", bias=0.02, sd_print=0.006, sd_feature=0.004)
    found = compare_readings(a, b, brief=brief, n_boot=N_BOOT).agreement.set_index("kind")
    # A single feature's difference scatters by sqrt(2 (0.006^2 + 0.004^2)) = 0.0102; the print part rests on 22 df.
    assert found.loc["bar", "sd_mm"] == pytest.approx(0.0102, rel=0.35)
    assert found.loc["bar", "bias_low_mm"] < -0.02 < found.loc["bar", "bias_high_mm"]
    assert found.loc["bar", "lower_low_mm"] < found.loc["bar", "lower_mm"] < found.loc["bar", "upper_mm"]


def test_a_scan_that_stands_in_both_tables_is_refused(draw, brief):
    a, b = draw(1, n_prints=3), draw(2, n_prints=3, name="b")
    run, scan = b[["run_id", "scan_id"]].iloc[0]
    mixed = pd.concat([a, b[b["run_id"] == run].sample(frac=1, random_state=1)], ignore_index=True)
    with pytest.raises(ComparisonError, match=f"scan {scan}, run {run}, stands in both tables, of A and of B"):
        compare_readings(mixed, b, brief=brief)
