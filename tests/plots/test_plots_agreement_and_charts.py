"""Figures of comparisons: what they show is what the tables say."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from sharpset.brief import Brief
from sharpset.comparison import compare_readings, gauge_study, measure_agreement, study_drift
from sharpset.errors import ReportError
from sharpset.plots.agreement import draw_agreement, draw_deviations, draw_differences, draw_limits
from sharpset.plots.charts import draw_drift_chart, draw_gauge

SIZES = (0.1, 0.16, 0.25, 0.4)


def readings(name, *, n_prints, limit, bias, seed):
    rng = np.random.default_rng(seed)
    rows = []
    for i in range(n_prints):
        for kind in ("bar", "hole"):
            for size in SIZES:
                for k in range(5):
                    yes = rng.random() < 1 / (1 + (limit / size) ** 10)
                    width = size + bias + rng.normal(0, 0.003) if yes else np.nan
                    word = "yes" if yes else "no"
                    rows.append((f"{name}s{i}", "p", f"{name}{i}", f"{kind}{size}{k}", kind, size, word, width))
    columns = ["scan_id", "piece_id", "run_id", "feature_id", "kind", "nominal_mm", "formed", "measured_mm"]
    return pd.DataFrame(rows, columns=columns)


def compared(n_a=4, n_b=4, limits=(0.14, 0.2)):
    brief = Brief.model_validate({"name": "b", "process": "resin", "smallest_mm": {"bar": 0.2}})
    a = readings("a", n_prints=n_a, limit=limits[0], bias=0.0, seed=1)
    b = readings("b", n_prints=n_b, limit=limits[1], bias=0.02, seed=2)
    return compare_readings(a, b, brief=brief, labels=("old", "new"), n_boot=100)


@pytest.mark.parametrize("n_a", [1, 4])
def test_comparison_figures_have_a_panel_per_kind(n_a):
    found = compared(n_a=n_a)
    for draw in (draw_differences, draw_deviations):
        figure = draw(found)
        assert [axes.get_title(loc="left") for axes in figure.axes] == ["bar", "hole"]
        assert figure.axes[0].get_xlabel() == "nominal size / mm"
        assert figure.axes[0].get_ylabel().endswith("/ mm")
    assert str(n_a) in draw_differences(found).get_suptitle()


def test_no_interval_is_clipped_by_the_range_of_another_panel():
    found = compared()
    verdict = found.verdict.copy()
    # Holes scatter four times as much as bars, still within 2.5 tolerances.
    verdict["U95_difference_mm"] = np.where(verdict["kind"] == "hole", 0.08, 0.02)
    verdict["difference_mm"] = verdict["difference_mm"].where(verdict["difference_mm"].isna(), 0.01)
    low, high = draw_differences(replace(found, verdict=verdict)).axes[1].get_ylim()
    assert low < -0.07
    assert high > 0.09


def test_limits_are_written_beside_their_points():
    found = compared()
    texts = " ".join(t.get_text() for t in draw_limits(found).axes[0].texts)
    for column in ("a90_a_mm", "a90_b_high_mm"):
        assert f"{found.limits[column].iloc[0]:.3f}" in texts


def test_no_limits_no_figure():
    with pytest.raises(ReportError, match="neither printer has a limit"):
        draw_limits(compared(limits=(90.0, 90.0)))


def test_agreement_figure_says_n_and_limits():
    rng = np.random.default_rng(3)
    a, b = rng.normal(1, 0.1, 12), rng.normal(1, 0.1, 12)
    found = measure_agreement(a, b)
    figure = draw_agreement(a, b, found, labels=("x", "y"), unit="mm")
    assert "n = 12" in figure.axes[0].get_title(loc="left")
    texts = " ".join(t.get_text() for t in figure.axes[0].texts)
    assert f"{found.upper:.4g}" in texts


def test_drift_chart_marks_signals():
    tables = [readings(f"c{i}-", n_prints=1, limit=0.01, bias=0.03 * (i > 11), seed=i) for i in range(14)]
    prints = pd.DataFrame(
        {"run_id": [f"c{i}-0" for i in range(14)], "printed_at": [f"2026-03-{i + 1:02d}" for i in range(14)]}
    )
    study = study_drift(pd.concat(tables), prints=prints, tolerance_mm=0.05)
    figure = draw_drift_chart(study.charts[0])
    assert len(figure.axes) == 3
    crosses = [line for line in figure.axes[0].lines if line.get_marker() == "x"]
    assert 13 in crosses[0].get_xdata()
    assert "n = 14" in figure.get_suptitle()


def test_gauge_figure_has_a_bar_per_component():
    base = readings("g", n_prints=1, limit=0.01, bias=0.0, seed=5)
    rng = np.random.default_rng(6)
    scans = [
        base.assign(scan_id=f"s{i}", measured_mm=base["measured_mm"] + rng.normal(0, 0.001, len(base)))
        for i in range(3)
    ]
    study = gauge_study(pd.concat(scans), tolerance_mm=0.05, n_draws=200)
    figure = draw_gauge(study)
    assert len(figure.axes[0].patches) == len(study.components)
    assert "40 parts, 1 operator, 3 trials" in figure.axes[0].get_title(loc="left")
    assert figure.axes[0].get_xlabel() == "standard deviation of the deviation from the drawn size / mm"
    repeats = pd.concat(scans).assign(edge_roughness_um=lambda table: 1000 * table["measured_mm"])
    rough = draw_gauge(gauge_study(repeats, value="edge_roughness_um", n_draws=200))
    assert rough.axes[0].get_xlabel() == "standard deviation of the edge roughness / µm"
