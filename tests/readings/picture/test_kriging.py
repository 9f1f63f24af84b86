"""Kriging of wandering edges against dense algebra and against drawn processes of known autocovariance."""

from __future__ import annotations

import numpy as np
import pytest

from sharpset.readings.picture.kriging import correlation_reach, krige, wander_variance

N_EDGES, N_STEPS = 40, 120


def _wendland(distance: np.ndarray) -> np.ndarray:
    left = np.clip(1 - distance, 0, None)
    return left**4 * (4 * distance + 1)


def _drawn(reach: float, sd: float, noise: float, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Return edges with that autocovariance (by a Cholesky factor) and what is seen of them."""
    rng = np.random.default_rng(seed)
    step = np.arange(N_STEPS)
    cover = sd**2 * _wendland(np.abs(step[:, None] - step) / reach)
    true = rng.normal(size=(N_EDGES, N_STEPS)) @ np.linalg.cholesky(cover + 1e-12 * np.eye(N_STEPS)).T
    return true, true + rng.normal(0, noise, true.shape)


def test_predictions_are_those_of_the_dense_equations():
    reach, sd, noise = 9.5, 0.3, 0.1
    _, seen = _drawn(reach, sd, noise, 1)
    information = np.full(seen.shape, noise**-2)
    information[:, 40:47] = 0.0
    variance = np.linspace(0.5, 2, N_EDGES) * sd**2
    found = krige(seen * information, information, variance, reach)
    step, open_ = np.arange(N_STEPS), information[0] > 0
    alike = _wendland(np.abs(step[:, None] - step) / reach)
    for i in (0, 17, N_EDGES - 1):
        dense = variance[i] * alike
        equations = dense[np.ix_(open_, open_)] + noise**2 * np.eye(open_.sum())
        expected = dense[:, open_] @ np.linalg.solve(equations, seen[i, open_])
        # A hidden step counts with a millionth of the edge's own variance.
        np.testing.assert_allclose(found[i], expected, atol=2e-5)


def test_edges_shorter_than_others_are_predicted_as_though_alone():
    """One is even shorter than the reach of the autocovariance."""
    reach, sd, noise = 9.5, 0.3, 0.1
    _, seen = _drawn(reach, sd, noise, 6)
    length = np.array([N_STEPS, 5, 60, 1, 80])
    used = np.arange(N_STEPS) < length[:, None]
    information = np.where(used, noise**-2, 0.0)
    variance = np.linspace(0.5, 2, len(length)) * sd**2
    found = krige(seen[: len(length)] * information, information, variance, reach, used)
    for i, n in enumerate(length):
        part = slice(i, i + 1), slice(0, n)
        alone = krige(seen[part] * information[part], information[part], variance[i : i + 1], reach)
        np.testing.assert_allclose(found[part], alone, atol=1e-9)
    assert not found[~used].any()


def test_a_hidden_stretch_is_known_better_than_by_the_mean_of_the_edge():
    reach, sd, noise = 16.0, 0.3, 0.02
    true, seen = _drawn(reach, sd, noise, 2)
    information = np.full(seen.shape, noise**-2)
    hidden = slice(50, 56)
    information[:, hidden] = 0.0
    found = krige(seen * information, information, np.full(N_EDGES, sd**2), reach)
    error = (found - true)[:, hidden].mean(axis=1)
    step = np.arange(N_STEPS)
    dense = sd**2 * _wendland(np.abs(step[:, None] - step) / reach)
    gone, open_ = step[hidden], np.delete(step, step[hidden])
    gain = np.linalg.solve(dense[np.ix_(open_, open_)] + noise**2 * np.eye(len(open_)), dense[np.ix_(open_, gone)])
    left = dense[np.ix_(gone, gone)] - dense[np.ix_(gone, open_)] @ gain
    # The kriging variance of the mean; 40 edges tell a spread to 11 %, three of these.
    assert np.std(error) == pytest.approx(np.sqrt(left.mean()), rel=0.35)
    assert np.std(error) < 0.5 * np.std(true[:, hidden].mean(axis=1))


@pytest.mark.parametrize("reach", [8.0, 16.0, 30.0])
def test_variance_and_reach_come_out_of_the_edges(reach):
    sd, noise = 0.3, 0.1
    _, seen = _drawn(reach, sd, noise, 3)
    information = np.full(seen.shape, noise**-2)
    used = np.ones(seen.shape, dtype=bool)
    variance = wander_variance(seen * information, information, used)
    # The mean of each edge is taken off: a share of about the reach's half-width over the length.
    assert np.sqrt(np.median(variance)) == pytest.approx(sd, rel=0.15)
    # The half-width comes in whole steps, a third of which is the reach.
    found = correlation_reach(seen * information, information, used, variance)
    assert found == pytest.approx(reach, abs=3.2 + 0.15 * reach)


def test_smooth_edges_have_the_usual_reach_and_stay_where_they_are():
    rng = np.random.default_rng(4)
    seen = rng.normal(0, 0.1, (N_EDGES, N_STEPS))
    information = np.full(seen.shape, 100.0)
    used = np.ones(seen.shape, dtype=bool)
    variance = wander_variance(seen * information, information, used)
    found = krige(
        seen * information, information, variance, correlation_reach(seen * information, information, used, variance)
    )
    assert np.std(found) < 0.35 * 0.1
