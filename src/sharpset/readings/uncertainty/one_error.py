"""When several scans are off by one and the same error: how well all of them together know it.

A scan's sizes were worked out with an estimate t of a shared error s (nothing, or what was taken off), which is good
to u; they are still off by s - t times what each size changes by per unit of it. Two scans of one scanner have one s:
their difference holds (g_a - g_b) s and what is known, g_a t_a - g_b t_b. So what they took off apart is put right, and
what is left of s is as unsure as the mean of their estimates. Estimates that contradict each other are of two errors.
"""

from __future__ import annotations

from itertools import combinations

import numpy as np
from numpy.typing import NDArray

__all__ = ["one_error"]

FloatArray = NDArray[np.float64]
_CONTRADICT = 3.0
"""Standard uncertainties from which on two estimates are not of one error."""
_OTHER_CURVE = 0.3
"""Logarithms of exponents that differ by more are of two curves (linear and sRGB by 0.8), however unsure both are."""


def one_error(line: str, u: FloatArray, taken: FloatArray) -> tuple[NDArray[np.bool_], FloatArray, FloatArray]:
    """Judge whether scans share one error, and pool what they know of it.

    Parameters
    ----------
    line : str
        Name of the line.
    u, taken : ndarray of float, shape (m_scans, ...)
        Standard uncertainty of the error in each scan, and what of it was taken off there.

    Returns
    -------
    is_one : ndarray of bool, shape (...)
    u_one : ndarray of float, shape (...)
        Standard uncertainty of the estimates' mean, weighted by the squares of their uncertainties. Estimates by one
        kind of evidence err alike, so that the mean is no surer than the surest of them.
    beyond : ndarray of float, shape (m_scans, ...)
        What each scan took off beyond that mean.
    """
    is_one = np.asarray(np.all(np.isfinite(u) & np.isfinite(taken) & (u > 0), axis=0))
    for i, j in combinations(range(len(u)), 2):
        apart = np.abs(taken[i] - taken[j])
        is_one &= apart <= _CONTRADICT * np.hypot(u[i], u[j])
        if line == "transfer":
            is_one &= apart <= _OTHER_CURVE
    weight = np.where(is_one, 1 / np.where(is_one, u, 1.0) ** 2, 0.0)
    total = np.where(is_one, weight.sum(axis=0), 1.0)
    mean = np.sum(weight * np.where(is_one, taken, 0.0), axis=0) / total
    u_one = np.sum(weight * np.where(is_one, u, 0.0), axis=0) / total
    return is_one, u_one, np.where(is_one, taken - mean, 0.0)
