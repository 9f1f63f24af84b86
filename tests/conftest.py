"""A small made-up experiment: known formulas, seeded scatter, no picture."""

from __future__ import annotations

import itertools

import numpy as np
import pandas as pd
import pytest

from sharpset.brief import Brief
from sharpset.fits import fit_plan
from sharpset.plans import Factor, Factors, make_plan

LADDER = (0.1, 0.125, 0.16, 0.2, 0.25, 0.315, 0.4, 0.5)


def made_up_readings(runs: pd.DataFrame, *, seed: int = 5) -> pd.DataFrame:
    """Return readings whose growth rises with layer height and whose limit rises with speed."""
    draw = np.random.default_rng(seed)
    rows = []
    for run in runs.itertuples():
        growth = 0.010 + 0.2 * (run.layer_height - 0.06) + draw.normal(0, 0.001)
        limit = 0.16 * np.exp(0.012 * (run.speed - 30) + draw.normal(0, 0.03))
        for kind, size, repeat in itertools.product(("slot", "bar", "hole"), LADDER, range(4)):
            formed = size > limit * np.exp(draw.logistic(0, 0.05))
            deviation = (2 if kind == "bar" else -2) * growth + draw.normal(0, 0.003)
            rows.append(
                {
                    "scan_id": f"scan-{run.run_id}",
                    "piece_id": "made-up",
                    "run_id": run.run_id,
                    "feature_id": f"{kind}s-{size:g}-{repeat}",
                    "kind": kind,
                    "nominal_mm": size,
                    "angle_deg": 45.0 * (repeat % 3),
                    "formed": "yes" if formed else "no",
                    "measured_mm": size + deviation if formed else np.nan,
                    "U95_mm": 0.003 if formed else np.nan,
                    "deviation_mm": deviation if formed else np.nan,
                    "x_dev_mm": np.nan,
                    "y_dev_mm": np.nan,
                    "edge_roughness_mm": 0.008 + 0.0001 * run.speed + draw.normal(0, 0.0005) if formed else np.nan,
                    "flags": "",
                }
            )
    return pd.DataFrame(rows)


@pytest.fixture(scope="session")
def plan():
    """Return a face-centred plan of two factors."""
    factors = Factors(
        factors=(
            Factor(name="layer_height", unit="mm", low=0.04, high=0.08),
            Factor(name="speed", unit="mm/s", low=15, high=45),
        )
    )
    return make_plan(factors, design="central-composite", axial="face-centred", seed=3)


@pytest.fixture(scope="session")
def readings(plan):
    """Return readings of every run of the plan."""
    return made_up_readings(plan.runs)


@pytest.fixture(scope="session")
def brief():
    """Return a brief at 1:24 that the made-up printer can nearly meet."""
    return Brief(
        name="quay crane masters",
        process="filament",
        scale=24,
        smallest_mm={"slot": 0.2, "bar": 0.16},
        tolerance_mm={"width": 0.04, "edge_roughness": 0.012},
        limits={"print_time_h": 2.0},
    )


@pytest.fixture(scope="session")
def results(plan):
    """Return print times as they would be typed in."""
    runs = plan.runs
    hours = 0.5 + 0.03 / runs["layer_height"] + 5 / runs["speed"]
    return pd.DataFrame({"run_id": runs["run_id"], "print_time_h": hours.round(2)})


@pytest.fixture(scope="session")
def fit(plan, readings, results, brief):
    """Return the fit of the made-up experiment."""
    return fit_plan(plan, readings=readings, results=results, brief=brief)
