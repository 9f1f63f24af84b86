"""Simulated readings whose truth is known."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from sharpset.brief import Brief

SIZES = (0.16, 0.2, 0.25, 0.315, 0.4)


def features(kinds=("bar", "slot"), sizes=SIZES, angles=(0, 90)):
    """Features of an invented piece, one of each kind, size and angle."""
    rows = [(k, s, a) for k in kinds for s in sizes for a in angles]
    frame = pd.DataFrame(rows, columns=["kind", "nominal_mm", "angle_deg"])
    frame["feature_id"] = [f"{r.kind}-{r.nominal_mm:g}-{r.angle_deg}" for r in frame.itertuples()]
    return frame


def make_readings(
    seed,
    *,
    n_prints=4,
    name="a",
    bias=0.0,
    sd_print=0.004,
    sd_feature=0.004,
    limit=0.0,
    rough=0.01,
    piece="stencil-1",
    **layout,
):
    """Draw a table of readings: a shift per print job, scatter per feature, everything above `limit` formed."""
    rng = np.random.default_rng(seed)
    out = []
    for i in range(n_prints):
        frame = features(**layout)
        n = len(frame)
        width = frame["nominal_mm"] + bias + rng.normal(0, sd_print) + rng.normal(0, sd_feature, n)
        formed = frame["nominal_mm"].to_numpy() >= limit
        out.append(
            frame.assign(
                scan_id=f"{name}-scan{i}",
                piece_id=piece,
                run_id=f"{name}{i}",
                formed=np.where(formed, "yes", "no"),
                measured_mm=np.where(formed, width, np.nan),
                U95_mm=0.002,
                edge_roughness_mm=np.where(formed, rough * np.exp(rng.normal(0, 0.1, n)), np.nan),
            )
        )
    return pd.concat(out, ignore_index=True)


@pytest.fixture
def draw():
    return make_readings


@pytest.fixture
def brief():
    return Brief.model_validate(
        {"name": "davit masters", "process": "resin", "smallest_mm": {"bar": 0.2}, "tolerance_mm": {"width": 0.05}}
    )
