from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from sharpset.comparison.cells import PrintTable
from sharpset.comparison.formed import PrintCounts, fit_limits, jackknife_variance
from sharpset.comparison.limits import limits_by_kind

SIZES = np.array([0.1, 0.125, 0.16, 0.2, 0.25, 0.315, 0.4, 0.5])


def _table(a: np.ndarray, b: np.ndarray, *, n_each: int, sizes: np.ndarray = SIZES) -> PrintTable:
    """Arrange what formed, shape (n_prints, n_sizes * n_each), as print jobs of both printers."""
    features = pd.DataFrame({"kind": "bar", "nominal_mm": np.repeat(sizes, n_each)})
    features["feature_id"] = [f"F{i}" for i in range(len(features))]
    formed = np.vstack([a, b]).astype(float)
    nothing = np.full(formed.shape, np.nan)
    return PrintTable(
        n_a=len(a),
        n_b=len(b),
        features=features,
        deviation_mm=nothing,
        roughness_mm=nothing,
        formed=formed,
        u_private_mm=nothing,
        u_common_mm=nothing,
    )


def _draw(rng: np.random.Generator, *, n_prints: int, n_each: int, sd: float) -> np.ndarray:
    middle = np.log(0.2) + rng.normal(0, sd, n_prints)
    chance = 1 / (1 + np.exp(-9 * (np.log(np.repeat(SIZES, n_each)) - middle[:, None])))
    return (rng.random(chance.shape) < chance).astype(float)


def test_jackknife_of_two_prints_is_half_their_distance_squared():
    # Leaving out one of two leaves the other: (2-1)/2 * 2 * (d/2)**2 = d**2 / 4.
    rng = np.random.default_rng(3)
    formed = _draw(rng, n_prints=2, n_each=6, sd=0.2).reshape(2, 8, 6).sum(axis=2)
    tried = np.full((2, 8), 6.0)
    alone = fit_limits(SIZES, formed, tried)[:, 0]
    found = jackknife_variance(PrintCounts(sizes_mm=SIZES, formed=formed, tried=tried))
    assert found == pytest.approx((alone[0] - alone[1]) ** 2 / 4, rel=1e-9)


def test_jackknife_of_prints_all_alike_is_zero():
    formed = np.tile([0, 0, 1, 3, 5, 6, 6, 6.0], (5, 1))
    counts = PrintCounts(sizes_mm=SIZES, formed=formed, tried=np.full((5, 8), 6.0))
    assert jackknife_variance(counts) == pytest.approx(0, abs=1e-12)


def test_two_prints_of_each_do_not_promise_more_than_they_hold():
    # Percentiles of resamples of two jobs held 72 % (200 pairs); 90 % of 60 pairs is 4 standard errors above that.
    rng, held = np.random.default_rng(11), []
    for seed in range(60):
        a, b = (_draw(rng, n_prints=2, n_each=6, sd=0.12) for _ in "ab")
        row = limits_by_kind(_table(a, b, n_each=6), n_boot=200, seed=seed).iloc[0]
        held.append(row["low_mm"] <= 0 <= row["high_mm"])
    assert np.mean(held) >= 0.9


def test_bounds_narrow_with_the_number_of_prints():
    rng = np.random.default_rng(5)
    widths = []
    for n in (3, 12):
        rows = [
            limits_by_kind(
                _table(*(_draw(rng, n_prints=n, n_each=6, sd=0.1) for _ in "ab"), n_each=6), n_boot=200, seed=s
            ).iloc[0]
            for s in range(8)
        ]
        widths.append(np.median([row["a90_a_high_mm"] / row["a90_a_mm"] for row in rows]))
    assert 1 < widths[1] < widths[0]


def test_all_formed_is_proven_from_29_features_on():
    # 0.9**28 = 0.0523 and 0.9**29 = 0.0471: 14 features a size prove nothing at two sizes, something at three.
    every = np.ones((2, 3 * 7))
    sizes = np.array([0.1, 0.125, 0.16])
    row = limits_by_kind(_table(every, every, n_each=7, sizes=sizes), n_boot=50, seed=1).iloc[0]
    assert row["a90_a_mm"] == pytest.approx(0.1)
    assert row["a90_a_high_mm"] == pytest.approx(0.16)
    assert np.isnan(row["a90_a_low_mm"])
    assert "at or below the smallest" in row["note"]


def test_all_formed_with_too_few_features_has_no_upper_bound():
    every = np.ones((2, 3 * 4))  # 24 features
    row = limits_by_kind(_table(every, every, n_each=4, sizes=np.array([0.1, 0.125, 0.16])), n_boot=50, seed=1).iloc[0]
    assert np.isnan(row["a90_a_high_mm"])


def test_one_print_has_a_limit_and_no_bounds():
    rng = np.random.default_rng(1)
    a, b = (_draw(rng, n_prints=1, n_each=6, sd=0.1) for _ in "ab")
    row = limits_by_kind(_table(a, b, n_each=6), n_boot=50, seed=1).iloc[0]
    assert np.isfinite(row["a90_a_mm"])
    assert row[["a90_a_low_mm", "a90_a_high_mm", "low_mm", "high_mm"]].isna().all()
