"""Control charts against published constants, charts and run lengths.

Sources stand beside each check and in the first line of each data file.
"""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from sharpset.comparison import chart_constants, chart_ewma, chart_individuals, run_length_ewma, run_length_individuals
from sharpset.comparison.run_lengths import RULES

DATA = Path(__file__).parent / "data"


def test_constants_of_the_tables():
    # ISO 7870-2 and NIST e-Handbook 6.3.2.1 tables, n = 2..10, printed to three decimals (from memory).
    d2 = (1.128, 1.693, 2.059, 2.326, 2.534, 2.704, 2.847, 2.970, 3.078)
    a2 = (1.880, 1.023, 0.729, 0.577, 0.483, 0.419, 0.373, 0.337, 0.308)
    d4 = (3.267, 2.575, 2.282, 2.114, 2.004, 1.924, 1.864, 1.816, 1.777)
    d3 = (0, 0, 0, 0, 0, 0.076, 0.136, 0.184, 0.223)
    for i, n in enumerate(range(2, 11)):
        constants = chart_constants(n)
        assert constants.d2 == pytest.approx(d2[i], abs=1e-3)
        assert pytest.approx(a2[i], abs=1e-3) == constants.A2
        assert pytest.approx(d4[i], abs=1e-3) == constants.D4
        assert pytest.approx(d3[i], abs=1e-3) == constants.D3


def test_constants_of_the_file():
    table = pd.read_csv(DATA / "control_chart_constants.csv", comment="#")
    for row in table.itertuples(index=False):
        constants = chart_constants(row.n)
        for name in ("d2", "d3", "c4", "A2", "D3", "D4", "A3", "B3", "B4"):
            # Five decimals are given; their rounding grows by up to three in the D and B columns.
            assert getattr(constants, name) == pytest.approx(getattr(row, name), abs=2e-5), (row.n, name)


def test_nist_individuals():
    # NIST/SEMATECH e-Handbook 6.3.2.2 (limits seen second-hand, data from memory, limits recomputed).
    table = pd.read_csv(DATA / "nist_individuals_flowrate.csv", comment="#")
    chart = chart_individuals(table["flowrate"])
    assert chart.centre == pytest.approx(50.81, abs=1e-9)
    assert chart.mean_range == pytest.approx(1.8778, abs=5e-5)
    # The handbook divides by 1.128; the unrounded d2 moves a limit by 0.0017.
    assert chart.upper == pytest.approx(55.8041, abs=2e-3)
    assert chart.lower == pytest.approx(45.8159, abs=2e-3)
    assert chart.signals.empty


def test_nist_ewma():
    # NIST/SEMATECH e-Handbook 6.3.2.4; it prints LCL 47.4115 where 47.41157 is exact.
    table = pd.read_csv(DATA / "nist_ewma.csv", comment="#")
    chart = chart_ewma(table["y"], weight=0.3, sigmas=3.0, centre=50.0, sigma=2.0539, steady=True)
    assert chart.upper == pytest.approx(52.5884, abs=5e-5)
    assert chart.lower == pytest.approx(47.4115, abs=1e-4)
    printed = [50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33, 50.11, 49.36, 49.52, 50.05]
    printed += [49.38, 49.92, 50.73, 51.23, 51.94, 51.99]
    assert chart.points["average"].tolist() == pytest.approx(printed, abs=5.1e-3)
    assert chart.signals.empty


@pytest.mark.parametrize(
    ("rules", "run_length"),
    [((0,), 370.40), ((0, 1), 225.44), ((0, 2), 166.05), ((0, 3), 152.73), ((0, 1, 2, 3), 91.75)],
)
def test_run_lengths_of_zone_rules(rules, run_length):
    # Champ & Woodall 1987, Technometrics 29:393-399, table 1, no shift (from memory).
    names = [list(RULES)[i] for i in rules]
    assert run_length_individuals(0.0, rules=names) == pytest.approx(run_length, abs=5.1e-3)


@pytest.mark.parametrize(("weight", "sigmas", "shifted"), [(0.1, 2.814, 10.3), (0.2, 2.962, 10.5), (0.4, 3.054, 14.3)])
def test_run_lengths_of_ewma(weight, sigmas, shifted):
    # Lucas & Saccucci 1990, Technometrics 32:1-12, table 3: designs for a run of 500 (from memory).
    assert run_length_ewma(0.0, weight=weight, sigmas=sigmas) == pytest.approx(500, abs=1.0)
    assert run_length_ewma(1.0, weight=weight, sigmas=sigmas) == pytest.approx(shifted, abs=0.05)
