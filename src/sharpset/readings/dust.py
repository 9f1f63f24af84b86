"""Dust, fibres and scratches on straight features: found as residuals that hold together over several pixels."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import binary_dilation, uniform_filter

from sharpset.readings.sampling import INNER_MM, Samples

__all__ = ["find_dust"]

FloatArray = NDArray[np.float64]
_PIXEL_LIMIT, _PATCH_LIMIT = 5.0, 4.5
_PATCH = 5
_MOST_ROWS = 0.3


def find_dust(samples: Samples, residual: FloatArray, noise: FloatArray) -> NDArray[np.bool_]:
    """Return which pixels lie on foreign marks.

    Parameters
    ----------
    samples : Samples
    residual : ndarray of float, shape (n,)
        Share solid less what the strip's model says, of every pixel.
    noise : ndarray of float, shape (n_strips,)
        Standard deviation of one pixel where the strip is flat.

    Returns
    -------
    ndarray of bool, shape (n,)

    Notes
    -----
    Single pixels from five spreads on, and patches of five by five from four and a half of their own spread on,
    with a pixel around them, count as foreign: the faint skirts of a mark shift an edge more than noise does.
    Spreads are those of each distance from the middle of the strip, so that what a rough edge leaves is not taken
    for dust. Strips of which more than 30 % of the length would be lost are left alone: that is no dust but how
    the strip was formed.
    """
    step = samples.pixel_mm
    own = samples.owner
    n_strips = len(samples.strips)
    width = np.array([strip.width_mm for strip in samples.strips]) * samples.length_scale
    # The middle of wide openings is not sampled: both sides are moved together, whole pixels apart.
    hollow = np.floor(np.maximum(width / 2 - INNER_MM, 0.0) / step) * step
    d = samples.d_mm - np.sign(samples.d_mm) * hollow[own]
    along = np.floor((samples.t_mm + samples.half_length_mm[own]) / step).astype(np.intp)
    across = np.floor((d - d.min()) / step).astype(np.intp)
    shape = (n_strips, int(along.max()) + 1, int(across.max()) + 1)
    cell = (own * shape[1] + along) * shape[2] + across
    size = shape[0] * shape[1] * shape[2]
    count = np.asarray(np.bincount(cell, minlength=size).reshape(shape), dtype=np.float64)
    total = np.asarray(np.bincount(cell, residual, size).reshape(shape), dtype=np.float64)
    total = total - count * _column_median(total / np.maximum(count, 1), count)[:, None, :]
    mark = _beyond(total, count, noise, _PIXEL_LIMIT)
    area = _PATCH**2
    patch, patch_count = (area * uniform_filter(v, (0, _PATCH, _PATCH), mode="constant") for v in (total, count))
    faint = _beyond(patch, np.maximum(patch_count, 0.0), noise, _PATCH_LIMIT)
    mark = binary_dilation(mark | faint, np.ones((1, 3, 3), dtype=bool))
    rows = np.any(mark, axis=2).sum(axis=1) / np.maximum(np.any(count > 0, axis=2).sum(axis=1), 1)
    mark[rows > _MOST_ROWS] = False
    return np.asarray(mark.ravel()[cell])


def _column_median(mean: FloatArray, count: FloatArray) -> FloatArray:
    """Return the median over the length for each strip and distance, 0 where there are no pixels."""
    ordered = np.sort(np.where(count > 0.5, mean, np.inf), axis=1)
    n = (count > 0.5).sum(axis=1)
    middle = np.take_along_axis(ordered, np.maximum(n - 1, 0)[:, None, :] // 2, axis=1)[:, 0, :]
    return np.asarray(np.where(n > 0, middle, 0.0))


def _beyond(total: FloatArray, count: FloatArray, noise: FloatArray, limit: float) -> NDArray[np.bool_]:
    """Return where a sum is further from nothing than `limit` spreads of its column."""
    scaled = np.where(count > 0.5, total / np.sqrt(np.maximum(count, 1e-9)), 0.0)
    spread = 1.4826 * _column_median(np.abs(scaled), count)
    spread = np.maximum(spread, noise[:, None])
    return np.asarray(np.abs(scaled) > limit * spread[:, None, :])
