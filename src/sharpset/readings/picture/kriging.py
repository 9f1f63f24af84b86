"""Wandering edges from what is seen of them: best linear prediction by their own autocovariance (kriging).

Where an edge is seen its place is known to the noise of a step; where dust hides it, neighbouring steps tell it as far
as they are alike. The autocovariance is a Wendland function of the distance along the edge, which is 0 from a reach on,
so that the equations of all edges of a scan together are one band matrix.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solveh_banded

from sharpset.readings.picture.medians import row_medians

__all__ = ["correlation_reach", "krige", "wander_variance"]

FloatArray = NDArray[np.float64]
_HALF = 0.313
"""Share of the reach at which the autocovariance has fallen to a half."""
_USUAL_STEPS, _FEWEST_STEPS, _MOST_STEPS = 16.0, 4.0, 48.0
_MOST_SPREADS = 3.0


def _likeness(distance: FloatArray) -> FloatArray:
    """Return the autocorrelation at a share of the reach.

    References
    ----------
    H. Wendland, Piecewise polynomial, positive definite and compactly supported radial functions of minimal degree,
    Adv. Comput. Math. 4 (1995) 389 (written from memory).
    """
    left = np.clip(1 - distance, 0.0, None)
    return np.asarray(left**4 * (4 * distance + 1))


def wander_variance(pull: FloatArray, information: FloatArray, used: NDArray[np.bool_]) -> FloatArray:
    """Return the variance of each edge's local places by their median, the noise's share removed, shape (n_edges,).

    Parameters
    ----------
    pull, information : ndarray of float, shape (n_edges, n_steps)
        Right and left side of each step's normal equation: place times information, one over variance.
    used : ndarray of bool, shape (n_edges, n_steps)
    """
    known = _known(information, used)
    safe = np.where(information > 0, information, np.inf)
    raw = pull / safe
    spread = 1.4826 * row_medians(np.abs(raw - row_medians(raw, known)[:, None]), known)
    noise = row_medians(1 / safe, known)
    return np.asarray(np.maximum(spread**2 - noise, 1e-3 * noise) + 1e-14)


def _known(information: FloatArray, used: NDArray[np.bool_]) -> NDArray[np.bool_]:
    known = used & (information > 0.3 * np.median(information, axis=1, keepdims=True)) & (information > 0)
    known[~known.any(axis=1)] = True
    return known


def correlation_reach(
    pull: FloatArray, information: FloatArray, used: NDArray[np.bool_], variance: FloatArray
) -> float:
    """Return the reach (in steps) of the autocovariance that all edges share.

    Parameters
    ----------
    pull, information, used : as for `wander_variance`
    variance : ndarray of float, shape (n_edges,)

    Returns
    -------
    float
        From where the mean autocorrelation of the rough edges falls to a half; 16 steps where no edge is rough.
    """
    known = _known(information, used)
    raw = np.where(known, pull / np.where(information > 0, information, np.inf), 0.0)
    noise = row_medians(1 / np.where(information > 0, information, np.inf), known)
    rough = variance > noise
    if not rough.any():
        return _USUAL_STEPS
    scaled = raw[rough] / np.sqrt(variance[rough])[:, None]
    scaled, seen = np.clip(scaled, -_MOST_SPREADS, _MOST_SPREADS), known[rough].astype(float)
    scaled = (scaled - scaled.sum(axis=1, keepdims=True) / seen.sum(axis=1, keepdims=True)) * seen
    lags = np.arange(1, int(min(_MOST_STEPS * _HALF, scaled.shape[1] - 2)) + 1)
    alike = np.array(
        [np.sum(scaled[:, k:] * scaled[:, :-k]) / max(np.sum(seen[:, k:] * seen[:, :-k]), 1) for k in lags]
    )
    # Beside noise, which only the lag 0 holds, the first lag is already a little less alike.
    at_once = alike[0] + max(alike[0] - alike[1], 0.0) / 3 if len(lags) > 1 else 1.0
    below = np.flatnonzero(alike < 0.5 * at_once)
    half = float(lags[below[0]]) if len(below) else float(lags[-1])
    return float(np.clip(half / _HALF, _FEWEST_STEPS, _MOST_STEPS))


def krige(
    pull: FloatArray,
    information: FloatArray,
    variance: FloatArray,
    reach: float,
    used: NDArray[np.bool_] | None = None,
) -> FloatArray:
    """Return the best linear prediction of each edge's places, drawn towards nothing.

    Parameters
    ----------
    pull, information : ndarray of float, shape (n_edges, n_steps)
        As for `wander_variance`; an information of 0 stands for a hidden step.
    variance : ndarray of float, shape (n_edges,)
        Of the edges' places.
    reach : float
        Of their autocovariance, in steps.
    used : ndarray of bool, shape (n_edges, n_steps), optional
        Steps that lie on an edge, from its first one on without a gap; all of them by default. Nothing is predicted
        of the others.

    Returns
    -------
    ndarray of float, shape (n_edges, n_steps)
    """
    used = np.ones(pull.shape, dtype=bool) if used is None else used
    length = used.sum(axis=1)
    first = np.cumsum(length) - length
    bands = min(int(np.ceil(reach)), int(length.max())) - 1
    prior = np.repeat(variance, length)
    # A step that is seen a million times worse than its edge wanders is as good as hidden.
    noise = 1 / np.maximum(information[used] * prior, 1e-6)
    seen = pull[used] * noise * prior
    # Both sides are divided by the variance, so that every edge has the same autocorrelation.
    matrix = np.empty((bands + 1, len(prior)))
    matrix[bands] = 1 + noise
    for lag in range(1, bands + 1):
        matrix[bands - lag] = _likeness(np.array(lag / reach))
        # Edges have nothing to do with each other.
        matrix[bands - lag, np.minimum(first[:, None] + np.arange(lag), len(prior) - 1)] = 0.0
    weight = solveh_banded(matrix, seen, overwrite_ab=True, check_finite=False)
    out = np.zeros(pull.shape)
    # Autocorrelation times weights is what is left of the right side without the noise's part.
    out[used] = seen - noise * weight
    return out
