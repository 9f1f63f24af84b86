"""Medians of many rows at once, of which each may have gaps."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["row_medians"]

FloatArray = NDArray[np.float64]


def row_medians(
    values: NDArray[np.floating], known: NDArray[np.bool_] | None = None, *, empty: float = 0.0
) -> FloatArray:
    """Return the median along the last axis of those values that are known.

    Parameters
    ----------
    values : ndarray of float, shape (..., n)
        Finite where they are known.
    known : ndarray of bool, shape (..., n), optional
        All of them by default.
    empty : float
        What stands for the median of nothing.

    Returns
    -------
    ndarray of float, shape (...)

    Notes
    -----
    One sort of all rows, several times as fast as `numpy.nanmedian`, which takes them one by one.
    """
    if known is None:
        return np.asarray(np.median(values, axis=-1), dtype=float)
    ordered = np.sort(np.where(known, values, values.dtype.type(np.inf)), axis=-1)
    n = known.sum(axis=-1)
    low, high = np.maximum(n - 1, 0) // 2, np.minimum(n // 2, values.shape[-1] - 1)
    middle = [np.take_along_axis(ordered, k[..., None], axis=-1)[..., 0] for k in (low, high)]
    return np.where(n > 0, (middle[0] + middle[1]) / 2, empty).astype(float)
