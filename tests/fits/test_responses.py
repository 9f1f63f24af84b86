"""Summaries of readings to one row per print job, by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from sharpset.errors import FitError
from sharpset.fits import formed_counts, responses_from_readings
from sharpset.fits.responses import smallest_formed


def row(run, feature, kind, nominal, formed="yes", deviation=0.0, **more):
    return {
        "scan_id": "s1",
        "piece_id": "p1",
        "run_id": run,
        "feature_id": feature,
        "kind": kind,
        "nominal_mm": nominal,
        "formed": formed,
        "measured_mm": nominal + deviation if formed == "yes" else np.nan,
        "U95_mm": 0.00392,
        "deviation_mm": deviation if formed == "yes" else np.nan,
        "edge_roughness_mm": 0.01,
        **more,
    }


def test_growth_signs_and_wide_half():
    """Bars wider by 40 um and slots narrower by 30 um have grown 20 and 15 um per side; narrow ones do not count."""
    rows = [
        row("1", f"b{i}", "bar", s, deviation=0.04 if s >= 0.3 else 9.0)
        for i, s in enumerate([0.1, 0.2, 0.3, 0.4, 0.5])
    ]
    rows += [row("1", f"s{i}", "slot", s, deviation=-0.03) for i, s in enumerate([0.2, 0.3, 0.4])]
    got = responses_from_readings(pd.DataFrame(rows)).iloc[0]
    assert got["growth_bar_mm"] == pytest.approx(0.02, abs=1e-12)
    assert got["growth_slot_mm"] == pytest.approx(0.015, abs=1e-12)
    # No scatter: what is left is the readings' own uncertainty, halved: .00392 / 1.96 / 2.
    assert got["u_growth_slot_mm"] == pytest.approx(0.001, rel=1e-9)


def test_uncertainty_joins_scatter_and_reading():
    deviations = [0.01, 0.03, 0.02, 0.04]
    rows = [row("1", f"b{i}", "bar", 0.4, deviation=d) for i, d in enumerate(deviations)]
    got = responses_from_readings(pd.DataFrame(rows)).iloc[0]
    expected = 0.5 * np.hypot(0.002, np.std(deviations, ddof=1) / 2)
    assert got["u_growth_bar_mm"] == pytest.approx(expected, rel=1e-9)
    assert got["feature_sd_bar_mm"] == pytest.approx(np.std(deviations, ddof=1), rel=1e-12)


def test_one_feature_has_no_spread():
    got = responses_from_readings(pd.DataFrame([row("1", "b", "bar", 0.4, deviation=0.02)])).iloc[0]
    assert np.isnan(got["feature_sd_bar_mm"])


def test_scans_of_one_job_are_averaged_not_counted():
    rows = [
        row("1", "b0", "bar", 0.4, deviation=0.02, scan_id="a"),
        row("1", "b0", "bar", 0.4, deviation=0.04, scan_id="b"),
    ]
    got = responses_from_readings(pd.DataFrame(rows))
    assert len(got) == 1
    assert got["n_features"].iloc[0] == 1
    assert got["growth_bar_mm"].iloc[0] == pytest.approx(0.015)


def test_scans_that_disagree_count_as_partly():
    rows = [row("1", "b0", "bar", 0.2, formed="yes", scan_id="a"), row("1", "b0", "bar", 0.2, formed="no", scan_id="b")]
    counts = formed_counts(pd.DataFrame(rows))
    assert counts[["n", "n_formed"]].iloc[0].tolist() == [1, 0]


def test_partly_counts_as_not_formed():
    counts = formed_counts(pd.DataFrame([row("1", "b0", "bar", 0.2, formed="partly"), row("1", "b1", "bar", 0.2)]))
    assert counts[["n", "n_formed"]].iloc[0].tolist() == [2, 1]


def test_refused_readings_that_are_not_whole_count_as_not_formed():
    """Dim, askew and half-formed features are closed or gone in part; behind glare nothing is known."""
    flags = ["", "contrast borrowed;refused: dim", "refused: askew", "refused: glare", None, "refused: unsure"]
    states = ["yes", "partly", "partly", "partly", "yes", "partly"]
    rows = [
        row("1", f"b{i}", "bar", 0.2, formed=s, flags=f) for i, (s, f) in enumerate(zip(states, flags, strict=True))
    ]
    assert formed_counts(pd.DataFrame(rows))[["n", "n_formed"]].iloc[0].tolist() == [5, 2]
    table = responses_from_readings(pd.DataFrame(rows))
    assert table.attrs["remarks"][:2] == (
        "1 reading was refused (glare) and left out",
        "3 readings were refused (askew, dim, unsure) and count as not formed",
    )


def test_a_scan_that_refused_a_feature_as_dim_says_that_it_is_not_whole():
    rows = [
        row("1", "b", "bar", 0.2, scan_id="s1", flags=""),
        row("1", "b", "bar", 0.2, formed="partly", scan_id="s2", flags="refused: dim"),
    ]
    assert formed_counts(pd.DataFrame(rows))[["n", "n_formed"]].iloc[0].tolist() == [1, 0]
    # Two scans that measured it whole outweigh one.
    rows.append(row("1", "b", "bar", 0.2, scan_id="s3", flags=""))
    assert formed_counts(pd.DataFrame(rows))[["n", "n_formed"]].iloc[0].tolist() == [1, 1]


@pytest.mark.parametrize(
    ("formed", "size", "state"),
    [
        ([0, 0, 1, 1], 0.3, ""),
        ([1, 1, 1, 1], 0.1, "all formed"),
        ([0, 0, 0, 0], np.nan, "none formed"),
        ([0, 1, 0, 1], 0.4, ""),  # cuts at .2 and .4 are equally good: the larger
        ([0, 1, 1, 0], 0.2, ""),  # one broken wide feature does not decide
    ],
)
def test_smallest_formed(formed, size, state):
    got = smallest_formed(np.array([0.1, 0.2, 0.3, 0.4]), np.array(formed, dtype=bool))
    assert got[0] == pytest.approx(size, nan_ok=True)
    assert got[2] == state


def test_scales_by_hand():
    """X stretched by 3 per mille, y shrunk by 2, the piece turned a little: the turn must not count as scale."""
    rng = np.random.default_rng(4)
    x, y = rng.uniform(0, 60, 40), rng.uniform(0, 35, 40)
    turn = 0.001
    rows = [
        row("7", f"h{i}", "hole", 0.5, x_mm=a, y_mm=b, x_dev_mm=0.003 * a - turn * b, y_dev_mm=-0.002 * b + turn * a)
        for i, (a, b) in enumerate(zip(x, y, strict=True))
    ]
    rows[3]["x_dev_mm"] += 0.5  # one gross error
    got = responses_from_readings(pd.DataFrame(rows)).iloc[0]
    assert got["scale_x"] == pytest.approx(1.003, abs=1e-9)
    assert got["scale_y"] == pytest.approx(0.998, abs=1e-9)


def test_contract_columns_alone_degrade_with_a_remark():
    got = responses_from_readings(pd.DataFrame([row("1", "b0", "bar", 0.4)]))
    assert "scale_x" not in got
    assert any("scale_x" in remark for remark in got.attrs["remarks"])


def test_run_numbers_as_text_and_numbers_are_the_same_run():
    got = responses_from_readings(pd.DataFrame([row(3.0, "b0", "bar", 0.4), row("3", "b1", "bar", 0.4)]))
    assert got["run_id"].tolist() == ["3"]


def test_missing_column_is_named():
    with pytest.raises(FitError, match="'formed'"):
        responses_from_readings(pd.DataFrame([row("1", "b", "bar", 0.4)]).drop(columns="formed"))


def test_wrong_state_is_named():
    with pytest.raises(FitError, match="'maybe'"):
        responses_from_readings(pd.DataFrame([row("1", "b", "bar", 0.4, formed="maybe")]))


def test_readings_without_a_run():
    with pytest.raises(FitError, match="run_id is empty"):
        responses_from_readings(pd.DataFrame([row(np.nan, "b", "bar", 0.4)]))


def test_growth_near_the_brief_is_given_apart():
    """A bead has a least width: narrow bars come out wider than wide ones do."""
    from sharpset.brief import Brief

    brief = Brief.model_validate({"name": "b", "process": "filament", "smallest_mm": {"bar": 0.2}})
    sizes = [0.1, 0.15, 0.2, 0.25, 0.4, 0.6, 0.8]
    rows = [row("1", f"b{i}", "bar", s, deviation=0.02 + (0.1 if s < 0.3 else 0.0)) for i, s in enumerate(sizes)]
    got = responses_from_readings(pd.DataFrame(rows), brief).iloc[0]
    assert got["growth_bar_at_brief_mm"] == pytest.approx(0.06)  # .20 and .25 count, .15 is below 0.8 of .20
    assert got["growth_bar_mm"] == pytest.approx(0.5 * (0.12 + 3 * 0.02) / 4)  # .25, .40, .60, .80


def test_artefacts_are_passed_over():
    rows = [row("1", "b", "bar", 0.4), row("1", "sq", "square", 10.0)]
    assert "growth_square_mm" not in responses_from_readings(pd.DataFrame(rows))
    with pytest.raises(FitError, match="no detail of a kind"):
        responses_from_readings(pd.DataFrame(rows[1:]))
