"""The contrast that narrow features borrow, against drawn contrasts of known mean and drift."""

from __future__ import annotations

import numpy as np
import pytest

from sharpset.readings.edges.pooled_contrast import pool_contrast


def _drawn(rng: np.random.Generator, n: int, *, drift: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    width = rng.uniform(0.1, 1.0, n)
    u = 0.02 / np.sqrt(width / 0.1)
    return 0.98 + np.where(width > np.median(width), drift, 0.0) + rng.normal(0, u), u, width


def test_all_features_count_by_their_information_where_contrast_does_not_change_with_width():
    rng = np.random.default_rng(1)
    away, stated = [], []
    for _ in range(300):
        contrast, u, width = _drawn(rng, 24, drift=0.0)
        pooled = pool_contrast(contrast, u, width)
        away.append(pooled.contrast - 0.98)
        stated.append(pooled.u_contrast)
        best = 1 / np.sqrt(np.sum(u**-2.0))
    # The biweight at five spreads is 3 % wider than the weighted mean; a drift that noise feigns costs the rest.
    assert np.std(away) < 1.35 * best
    assert np.median(stated) == pytest.approx(np.std(away), rel=0.35)


def test_a_clear_drift_leaves_narrow_features_their_own_contrast():
    rng = np.random.default_rng(2)
    away, stated = [], []
    for _ in range(200):
        pooled = pool_contrast(*_drawn(rng, 24, drift=0.05))
        away.append(pooled.contrast - 0.98)
        stated.append(pooled.evident)
    # A drift of ten standard uncertainties lets the wide half count with a hundredth.
    assert abs(np.mean(away)) < 0.002
    assert np.median(stated) == pytest.approx(0.05, rel=0.2)


def test_one_wrong_feature_hardly_counts():
    rng = np.random.default_rng(3)
    contrast, u, width = _drawn(rng, 20, drift=0.0)
    contrast[np.argmax(width)] = 1.2
    assert abs(pool_contrast(contrast, u, width).contrast - 0.98) < 4 / np.sqrt(np.sum(u**-2.0))


@pytest.mark.parametrize("n", [0, 3])
def test_too_few_features_tell_nothing(n):
    assert pool_contrast(np.ones(n), np.full(n, 0.01), np.ones(n)) is None


def test_four_features_are_one_half():
    pooled = pool_contrast(np.array([0.9, 1.0, 1.1, 1.0]), np.full(4, 0.1), np.array([0.1, 0.2, 0.3, 0.4]))
    assert pooled.contrast == pytest.approx(1.0)
    # 0.1 / sqrt 4; the biweight leaves values one spread away 0.92 of their weight.
    assert pooled.u_contrast == pytest.approx(0.05, rel=0.05)
    assert pooled.drift == pytest.approx(0.0)
