"""Dust, fibres and scratches on straight features: found as residuals that hold together over several pixels."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from sharpset.readings.edges.sampling import INNER_MM, Samples
from sharpset.readings.picture.marks import grown_within, widened
from sharpset.readings.picture.medians import row_medians

__all__ = ["find_dust", "foreign_light"]

FloatArray = NDArray[np.float64]
_PIXEL_LIMIT, _PATCH_LIMIT, _GROW_LIMITS = 5.0, 4.5, (2.0, 3.0, 4.5)
_PATCH, _NEAR = 5, 3
_MOST_ROWS, _MOST_TOUCHED = 0.3, 0.6


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
    for dust. Strips of which marks would touch more than 60 % of the length, or be half as strong as anywhere over more
    than 30 % of it, are left alone: that is no dust but how the strip was formed.
    """
    found = np.zeros(len(residual), dtype=bool)
    for i, one, grid in _grids(samples):
        begins = residual[one] if surely is None else surely[one]
        found[one] = _marks(grid, residual[one], begins, float(noise[i]))[grid.cell]
    return found


def foreign_light(samples: Samples, residual: FloatArray, dust: NDArray[np.bool_]) -> FloatArray:
    """Return how much light marks add to pixels on and beside them or take from them; 0 elsewhere.

    Parameters
    ----------
    samples : Samples
    residual : ndarray of float, shape (n,)
        Share solid less what the strip's model says.
    dust : ndarray of bool, shape (n,)
        Pixels on foreign marks.

    Returns
    -------
    ndarray of float, shape (n,)
        The largest mean of three by three pixels of a mark no more than a pixel away.
    """
    out = np.zeros(len(residual))
    for _, one, grid in _grids(samples):
        if dust[one].any():
            total = np.bincount(grid.cell, residual[one], grid.count.size).reshape(grid.count.shape)
            mean = np.abs(_patches(total.astype(np.float32), _NEAR)) / np.maximum(_patches(grid.count, _NEAR), 1)
            marked = np.zeros(grid.count.size, dtype=bool)
            marked[grid.cell[dust[one]]] = True
            # Where a mark is as light as what it lies on nothing shows of it.
            light = cv2.dilate(
                np.where(marked.reshape(mean.shape), mean, np.float32(0)), np.ones((3, 3), dtype=np.uint8)
            )
            out[one] = light.ravel()[grid.cell]
    return out


def _grids(samples: Samples) -> Iterator[tuple[int, slice, _Grid]]:
    """Go through the strips that have pixels: where these are, and their cells."""
    step = samples.pixel_mm
    width = np.array([strip.width_mm for strip in samples.strips]) * samples.length_scale
    # The middle of wide openings is not sampled: both sides are moved together, whole pixels apart.
    hollow = np.floor(np.maximum(width / 2 - INNER_MM, 0.0) / step) * step
    pixels = samples.slices()
    moved = [samples.d_mm[one] - np.sign(samples.d_mm[one]) * hollow[i] for i, one in enumerate(pixels)]
    lowest = min((float(d_mm.min()) for d_mm in moved if len(d_mm)), default=0.0)
    for i, (one, d_mm) in enumerate(zip(pixels, moved, strict=True)):
        if len(d_mm):
            along = np.floor((samples.t_mm[one] + samples.half_length_mm[i]) / step).astype(np.intp)
            across = np.floor((d_mm - lowest) / step).astype(np.intp)
            yield i, one, _Grid.of(across - across.min(), along)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Grid:
    """Pixels of a strip sorted into cells of a pixel, flat and as an array (across, along) of how many each holds."""

    cell: NDArray[np.intp]
    count: NDArray[np.float32]

    @classmethod
    def of(cls, across: NDArray[np.intp], along: NDArray[np.intp]) -> _Grid:
        # The length of a strip comes last, as medians over it are what takes the time.
        # Patches reach beyond the pixels, and marks may go round by there.
        edge = _PATCH // 2
        shape = (int(across.max()) + 1 + 2 * edge, int(along.max()) + 1 + edge)
        cell = (across + edge) * shape[1] + along
        count = np.bincount(cell, minlength=shape[0] * shape[1])
        # Single precision is ample for telling marks, and twice as fast.
        return cls(cell=cell, count=count.reshape(shape).astype(np.float32))

    def off_median(self, values: FloatArray) -> NDArray[np.float32]:
        """Return the cells' sums less the median of their distance from the middle of the strip."""
        total = np.bincount(self.cell, values, self.count.size).reshape(self.count.shape).astype(np.float32)
        middle = row_medians(total / np.maximum(self.count, 1), self.count > 0.5)[:, None].astype(np.float32)
        return np.asarray(total - self.count * middle)


def _marks(grid: _Grid, residual: FloatArray, begins: FloatArray, noise: float) -> NDArray[np.bool_]:
    """Return which cells of a strip lie on foreign marks, flat."""
    count, nothing = grid.count, np.zeros(grid.count.size, dtype=bool)
    first = grid.off_median(begins)
    tried = ((first, count, _PIXEL_LIMIT), (_patches(first, _PATCH), _patches(count, _PATCH), _PATCH_LIMIT))
    seed = nothing.reshape(count.shape)
    for total, number, limit in tried:
        seed = seed | _beyond(total, number, noise, limit)
    if not seed.any():
        return nothing
    total = first if begins is residual else grid.off_median(residual)
    near, number = _patches(total, _NEAR), _patches(count, _NEAR)
    n_rows = max(int((count > 0).any(axis=0).sum()), 1)
    size = np.abs(near) / np.maximum(number, 1)
    for limit in _GROW_LIMITS:
        grown = grown_within(seed, seed | _beyond(near, number, noise, limit))
        mark = widened(grown)
        touched, covered = (one.any(axis=0).sum() for one in (mark, mark & (size > size[grown].max() / 2)))
        if touched <= _MOST_TOUCHED * n_rows and covered <= _MOST_ROWS * n_rows:
            return np.asarray(mark.ravel())
    return nothing


def _patches(values: NDArray[np.float32], size: int) -> NDArray[np.float32]:
    """Return the sums over square patches about each pixel; beyond the ends there is nothing."""
    return np.asarray(cv2.boxFilter(values, -1, (size, size), normalize=False, borderType=cv2.BORDER_CONSTANT))


def _beyond(total: NDArray[np.float32], count: NDArray[np.float32], noise: float, limit: float) -> NDArray[np.bool_]:
    """Return where a sum is further from nothing than `limit` spreads of all at its distance from the middle."""
    known = count > 0.5
    scaled = np.abs(np.where(known, total / np.sqrt(np.maximum(count, 1.0)), 0.0))
    # No spread is below the noise: where nothing is beyond that, spreads need not be known.
    far = scaled > limit * noise
    if not far.any():
        return far
    spread = np.maximum(1.4826 * row_medians(scaled, known), noise)
    return np.asarray(scaled > limit * spread[:, None])
