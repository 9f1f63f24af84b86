"""Gauge studies against the published 10 x 3 x 3 study.

Data and figures: AIAG, Measurement Systems Analysis, 4th ed. 2010, ch. III-B (data and analysis of variance seen in
public copies; average-and-range figures from memory; all recomputed from the data).
"""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from sharpset.comparison import gauge_study

DATA = Path(__file__).parent / "data" / "aiag_gauge_10x3x3.csv"


@pytest.fixture(scope="module")
def study_10x3x3():
    return pd.read_csv(DATA, comment="#")


def run(table, **options):
    return gauge_study(table, value="value", part="part", operator="appraiser", trial="trial", **options)


def test_anova_table(study_10x3x3):
    table = run(study_10x3x3).table.set_index("source")
    # Printed to four decimals.
    for source, ss, df in [
        ("part", 88.3619, 9),
        ("operator", 3.1673, 2),
        ("interaction", 0.3590, 18),
        ("repeatability", 2.7589, 60),
        ("total", 94.6471, 89),
    ]:
        assert table.loc[source, "SS"] == pytest.approx(ss, abs=6e-5)
        assert table.loc[source, "df"] == df
    assert table.loc["interaction", "F"] == pytest.approx(0.434, abs=5e-4)
    assert table.loc["interaction", "p"] == pytest.approx(0.9741, abs=5e-5)


def test_anova_components_with_the_interaction_pooled(study_10x3x3):
    study = run(study_10x3x3)
    assert study.pooled
    assert study.repeatability == pytest.approx(0.199933, abs=2e-6)
    assert study.reproducibility == pytest.approx(0.226838, abs=2e-6)
    assert study.gauge == pytest.approx(0.302373, abs=2e-6)
    assert study.part == pytest.approx(1.042327, abs=2e-6)
    assert study.total == pytest.approx(1.0853, abs=5e-5)
    assert study.percent_total == pytest.approx(27.86, abs=5e-3)
    share = study.components.set_index("component")["percent_contribution"]
    for name, value in [("repeatability", 3.39), ("reproducibility", 4.37), ("gauge", 7.76), ("part", 92.24)]:
        assert share[name] == pytest.approx(value, abs=6e-3)


def test_anova_components_not_pooled(study_10x3x3):
    study = run(study_10x3x3, pool_above=1.0)
    assert not study.pooled
    assert study.repeatability == pytest.approx(0.214435, abs=2e-6)
    assert study.reproducibility == pytest.approx(0.228304, abs=2e-6)
    assert study.part == pytest.approx(1.043395, abs=2e-6)


def test_number_of_categories_uses_1_41_and_truncates(study_10x3x3):
    study = run(study_10x3x3)
    # 1.41 PV / GRR; the square root of 2 would give 4.875.
    assert study.n_categories_raw == pytest.approx(4.8605, abs=1e-4)
    assert study.n_categories == 4


def test_average_and_range(study_10x3x3):
    study = run(study_10x3x3, method="range")
    table = study.table.set_index("quantity")
    assert table.loc["mean range", "value"] == pytest.approx(0.3417, abs=5e-5)
    # The manual rounds the operators' means first and prints .4446 or .4447.
    assert table.loc["range of operators' means", "value"] == pytest.approx(0.4447, abs=1e-4)
    assert table.loc["range of parts' means", "value"] == pytest.approx(3.511, abs=5e-4)
    for quantity, k in [
        ("mean range", 0.5908),
        ("range of operators' means", 0.5231),
        ("range of parts' means", 0.3146),
    ]:
        assert table.loc[quantity, "K"] == pytest.approx(k, abs=5e-5)
    # Half a unit in the fourth decimal of K3 moves PV and TV by 1.8e-4.
    assert study.repeatability == pytest.approx(0.20188, abs=1e-4)
    assert study.reproducibility == pytest.approx(0.22963, abs=1e-4)
    assert study.gauge == pytest.approx(0.30575, abs=1e-4)
    assert study.part == pytest.approx(1.10456, abs=1.8e-4)
    assert study.total == pytest.approx(1.14610, abs=1.8e-4)
    percent = study.components.set_index("component")["percent_total"]
    for name, value in [("repeatability", 17.62), ("reproducibility", 20.04), ("gauge", 26.68), ("part", 96.38)]:
        assert percent[name] == pytest.approx(value, abs=0.01)
    assert study.n_categories == 5
