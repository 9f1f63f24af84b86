"""Dust, fibres and scratches on straight features: found as residuals that hold together over several pixels."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import binary_propagation

from sharpset.readings.medians import row_medians
from sharpset.readings.sampling import INNER_MM, Samples

__all__ = ["find_dust"]

FloatArray = NDArray[np.float64]
_PIXEL_LIMIT, _PATCH_LIMIT, _GROW_LIMIT = 5.0, 4.5, 2.0
_PATCH, _NEAR = 5, 3
_MOST_ROWS = 0.3


def find_dust(
    samples: Samples, residual: FloatArray, noise: FloatArray, *, surely: FloatArray | None = None
) -> NDArray[np.bool_]:
    """Return which pixels lie on foreign marks.

    Parameters
    ----------
    samples : Samples
    residual : ndarray of float, shape (n,)
        Share solid less what the strip's model says, of every pixel.
    noise : ndarray of float, shape (n_strips,)
        Standard deviation of one pixel where the strip is flat.
    surely : ndarray of float, shape (n,), optional
        What is left of the residual beyond all that an edge may do; marks begin where this says so.

    Returns
    -------
    ndarray of bool, shape (n,)

    Notes
    -----
    Single pixels from five spreads on, and patches of five by five from four and a half of their own spread on,
    count as foreign, and from there all pixels whose own three by three are beyond two spreads, with a pixel around
    them: the faint skirts of a mark shift an edge more than noise does.
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
    # The length of a strip comes last, as medians over it are what takes the time.
    shape = (n_strips, int(across.max()) + 1, int(along.max()) + 1)
    cell = (own * shape[1] + across) * shape[2] + along
    size = shape[0] * shape[1] * shape[2]
    # Single precision is ample for telling marks, and twice as fast.
    count = np.bincount(cell, minlength=size).reshape(shape).astype(np.float32)
    total = _off_median(np.bincount(cell, residual, size).reshape(shape).astype(np.float32), count)
    first = total
    if surely is not None:
        first = _off_median(np.bincount(cell, surely, size).reshape(shape).astype(np.float32), count)
    seed = _beyond(first, count, noise, _PIXEL_LIMIT)
    seed |= _beyond(_patches(first, _PATCH), _patches(count, _PATCH), noise, _PATCH_LIMIT)
    near = _beyond(_patches(total, _NEAR), _patches(count, _NEAR), noise, _GROW_LIMIT)
    mark = np.zeros(shape, dtype=bool)
    for i in np.flatnonzero(seed.any(axis=(1, 2))):
        grown = binary_propagation(seed[i], mask=seed[i] | near[i])
        mark[i] = cv2.dilate(grown.view(np.uint8), np.ones((3, 3), dtype=np.uint8)).view(np.bool_)
    rows = np.any(mark, axis=1).sum(axis=1) / np.maximum(np.any(count > 0, axis=1).sum(axis=1), 1)
    mark[rows > _MOST_ROWS] = False
    return np.asarray(mark.ravel()[cell])


def _off_median(total: NDArray[np.float32], count: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return sums less the median of their distance from the middle of the strip."""
    middle = row_medians(total / np.maximum(count, 1), count > 0.5)[..., None].astype(np.float32)
    return np.asarray(total - count * middle)


def _patches(values: NDArray[np.float32], size: int) -> NDArray[np.float32]:
    """Return the sums over square patches about each pixel; beyond the ends there is nothing."""
    border = cv2.BORDER_CONSTANT
    return np.stack([cv2.boxFilter(one, -1, (size, size), normalize=False, borderType=border) for one in values])


def _beyond(
    total: NDArray[np.float32], count: NDArray[np.float32], noise: FloatArray, limit: float
) -> NDArray[np.bool_]:
    """Return where a sum is further from nothing than `limit` spreads of all at its distance from the middle."""
    known = count > 0.5
    scaled = np.abs(np.where(known, total / np.sqrt(np.maximum(count, 1.0)), 0.0))
    spread = np.maximum(1.4826 * row_medians(scaled, known), noise[:, None])
    return np.asarray(scaled > limit * spread[..., None])
