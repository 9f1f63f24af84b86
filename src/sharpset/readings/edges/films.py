"""Something thin that closes a part of a slot's length: it shows as a step in how dark (or light) the slot's middle is.

Only slots whose middle lies clear of both edges' blur, two pixels of it, can tell it from a slot that is narrower
there: light that is missing over a width and light that is dimmed over a larger one look alike where the blur joins the
edges. What changes steadily along a slot is uneven ground or uneven light, no film.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sharpset.readings.picture.medians import row_medians

__all__ = ["CLEAR_BLURS", "filmed"]

FloatArray = NDArray[np.float64]
CLEAR_BLURS = 2.2
"""Blur widths from an edge on which its wandering by a half of the blur changes light by less than 0.02."""
_N_BLOCKS, _FEWEST_CLOSED, _FEWEST_OPEN = 12, 3, 2
"""Parts of a length, and how many of them a film closes and leaves open at least."""
_LEAST, _SURE, _LEAST_NOISE = 0.06, 5.0, 1e-3
"""Step that is taken for a film: share of the contrast, and standard uncertainties; least noise of a block."""
_NOISIER = 1.5
"""By how much more than the others' a slot's own blocks may be thought to scatter: eleven differences tell little, and
films and dust are among them."""
_EVEN, _FOREIGN, _BETTER = 0.3, 5.0, 0.7
"""Part of the step that every block shows; noises at which what a block is off by is cut; share of what a straight line
leaves that a step may leave at most."""
_BAND_PX, _MOST_BANDS, _FEWEST_PIXELS = 1.5, 5, 12
"""Bands along a slot's middle that a film dims each, their width and number, and how many pixels tell it."""
_DIMMED, _TOLD = 0.4, 2.0
"""A band is as dark as elsewhere where it shows less of the step than this, by so many standard uncertainties."""


def filmed(
    effect: FloatArray,
    cell: NDArray[np.intp],
    shape: tuple[int, int],
    *,
    asked: NDArray[np.bool_],
    across_px: FloatArray | None = None,
) -> NDArray[np.bool_]:
    """Return the steps along strips over which something thin lies.

    Parameters
    ----------
    effect : ndarray of float, shape (n_pixels,)
        Light that is missing (dark plates: too much) in pixels of the slots' middles, as a share of the contrast.
    cell : ndarray of int, shape (n_pixels,)
        Flat index of each pixel's step in a table of strips and steps.
    shape : (int, int)
        Of that table.
    asked : ndarray of bool, shape (n_strips,)
        Which strips to look at.
    across_px : ndarray of float, shape (n_pixels,), optional
        Places across the strips: where they are given a film must dim all of the middle. A slot that is narrower over a
        part of its length stays as dark as it was in its midst, and beside strings that cross it.

    Returns
    -------
    ndarray of bool, shape `shape`
    """
    size = shape[0] * shape[1]
    total = np.bincount(cell, effect, size).reshape(shape)
    count = np.bincount(cell, minlength=size).reshape(shape)
    seen = count > 0
    value = total / np.maximum(count, 1)
    block = np.minimum(np.cumsum(seen, axis=1) - 1, 10**6) * _N_BLOCKS // np.maximum(seen.sum(axis=1), 1)[:, None]
    level = np.stack([row_medians(value, seen & (block == b)) for b in range(_N_BLOCKS)], axis=1)
    found = np.zeros(shape, dtype=bool)
    rows = np.flatnonzero(asked & (seen.sum(axis=1) >= 3 * _N_BLOCKS))
    if len(rows) == 0:
        return found
    level = level[rows]
    # Neighbouring blocks differ by their noise alone, but for the ends of a film.
    own = 1.4826 * np.median(np.abs(np.diff(level, axis=1)), axis=1) / np.sqrt(2)
    typical = max(float(np.median(own)), _LEAST_NOISE)
    noise = np.clip(own, typical, _NOISIER * typical)
    first, last, step = _best_window(level, noise)
    inside = (block[rows] >= first[:, None]) & (block[rows] < last[:, None])
    found[rows] = seen[rows] & inside & (step > 0)[:, None]
    if across_px is not None:
        strip = cell // shape[1]
        for row, drop in zip(rows, step, strict=True):
            if drop > 0:
                own = strip == row
                film = found[row].take(cell[own] - row * shape[1])
                if not _dims_all(effect[own], across_px[own], film, float(drop)):
                    found[row] = False
    return found


def _dims_all(effect: FloatArray, across_px: FloatArray, film: NDArray[np.bool_], drop: float) -> bool:
    """Return whether pixels where a film may lie are dimmer than the others all across, or noise hides it.

    The darker fourth of the pixels of each band along the strip is compared, which strings leave as dark as it was.
    """
    low, high = float(across_px.min()), float(across_px.max())
    n_bands = int(np.clip((high - low) // _BAND_PX, 1, _MOST_BANDS))
    band = np.minimum(((across_px - low) / max(high - low, 1e-9) * n_bands).astype(np.intp), n_bands - 1)
    for k in range(n_bands):
        inside, outside = effect[film & (band == k)], effect[~film & (band == k)]
        if min(len(inside), len(outside)) < _FEWEST_PIXELS:
            continue
        # A quartile of n normal values scatters by 1.36 / sqrt(n) of one.
        spread = 1.4826 * float(np.median(np.abs(outside - np.median(outside))))
        u = 1.36 * spread * np.sqrt(1 / len(inside) + 1 / len(outside))
        dimmed = float(np.quantile(outside, 0.75) - np.quantile(inside, 0.75))
        if dimmed + _TOLD * u < _DIMMED * drop:
            return False
    return True


def _best_window(level: FloatArray, noise: FloatArray) -> tuple[NDArray[np.intp], NDArray[np.intp], FloatArray]:
    """Return the window of blocks that explains each row best, from its first to before its last block, and how much
    lower it is; 0 where nothing is a film.
    """
    n = len(level)
    most = _FOREIGN * noise[:, None]
    place = np.arange(_N_BLOCKS) - (_N_BLOCKS - 1) / 2
    pairs = np.triu_indices(_N_BLOCKS, 1)
    slope = np.median((level[:, pairs[1]] - level[:, pairs[0]]) / (pairs[1] - pairs[0]), axis=1)
    straight = level - slope[:, None] * place
    straight -= np.median(straight, axis=1, keepdims=True)
    left = _BETTER * np.minimum(np.abs(straight), most).sum(axis=1)
    first, last = np.zeros((2, n), dtype=np.intp)
    step = np.zeros(n)
    for start in range(_N_BLOCKS):
        for stop in range(start + _FEWEST_CLOSED, min(_N_BLOCKS, start + _N_BLOCKS - _FEWEST_OPEN) + 1):
            inside = np.zeros(_N_BLOCKS, dtype=bool)
            inside[start:stop] = True
            low, high = np.median(level[:, inside], axis=1), np.median(level[:, ~inside], axis=1)
            drop = high - low
            remains = np.minimum(np.abs(level - np.where(inside, low[:, None], high[:, None])), most).sum(axis=1)
            # A film is even; marks of dust are not, nor do they reach so far.
            even = np.all(high[:, None] - level[:, inside] > _EVEN * drop[:, None], axis=1)
            u = 1.25 * noise * np.sqrt(1 / inside.sum() + 1 / (~inside).sum())
            better = even & (drop > np.maximum(_LEAST, _SURE * u)) & (remains < left)
            first[better], last[better], step[better], left[better] = start, stop, drop[better], remains[better]
    return first, last, step
