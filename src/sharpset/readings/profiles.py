"""Profiles across straight features: robust means along the feature, in fine steps across it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sharpset.readings.medians import groups_of
from sharpset.readings.sampling import Samples

__all__ = ["Profiles", "robust_profiles"]

FloatArray = NDArray[np.float64]
_STEPS_PER_PIXEL = 3


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Profiles:
    """Mean light across each strip.

    Attributes
    ----------
    d_mm : ndarray of float, shape (n_strips, n_bins)
        Mean position of the pixels of each step.
    solid : ndarray of float, shape (n_strips, n_bins)
        Robust mean share solid.
    n_pixels : ndarray of float, shape (n_strips, n_bins)
        Weight of each step in pixels; 0 where there is none.
    noise : ndarray of float, shape (n_strips,)
        Standard deviation of one pixel about the profile, where the profile is flat.
    dirty : ndarray of float, shape (n_strips,)
        Share of pixels that were set aside as dust, fibres or other foreign marks.
    """

    d_mm: FloatArray
    solid: FloatArray
    n_pixels: FloatArray
    noise: FloatArray
    dirty: FloatArray


def robust_profiles(samples: Samples) -> Profiles:
    """Average the pixels of each strip along its length.

    Each step's mean is a redescending M-mean (weight 1 to 2.5 spreads, 0 from 5) about its median.
    The spread is the step's own, so that a rough edge is not mistaken for dirt, but not less than
    the strip's typical one.
    """
    step = samples.pixel_mm / _STEPS_PER_PIXEL
    n_strips = len(samples.strips)
    reach = np.zeros(n_strips)
    np.maximum.at(reach, samples.owner, np.abs(samples.d_mm))
    n_bins = int(np.ceil(2 * reach.max() / step)) + 2
    column = np.floor((samples.d_mm + reach[samples.owner]) / step).astype(np.intp)
    cell = samples.owner * n_bins + column
    size = n_strips * n_bins
    shape = (n_strips, n_bins)
    groups = groups_of(cell, size)
    median, spread = np.zeros(size), np.full(size, np.nan)
    for one in groups:
        median[one.cells], spread[one.cells] = one.median_and_spread(samples.solid)
    spread = _smooth_spread(spread.reshape(shape)).ravel()
    total, mean, place, dropped = np.zeros((4, size))
    for one in groups:
        solid, d_mm = samples.solid[one.members], samples.d_mm[one.members]
        weight = (5.0 - np.abs(solid - median[one.cells, None]) / spread[one.cells, None]) / 2.5
        weight = np.where(one.is_member, np.clip(weight, 0.0, 1.0), 0.0)
        total[one.cells] = weight.sum(axis=1)
        mean[one.cells] = np.einsum("ij,ij->i", weight, solid)
        place[one.cells] = np.einsum("ij,ij->i", weight, d_mm)
        dropped[one.cells] = one.counts - (weight >= 0.5).sum(axis=1)
    safe = np.maximum(total, 1e-12)
    counts = np.bincount(samples.owner, minlength=n_strips)
    filled = (total > 0.5).reshape(shape)
    d_mm, solid, n_pixels = _packed(filled, *((v.reshape(shape)) for v in (place / safe, mean / safe, total)))
    return Profiles(
        d_mm=d_mm,
        solid=solid,
        n_pixels=n_pixels,
        noise=_flat_noise(spread.reshape(shape), total.reshape(shape)),
        dirty=dropped.reshape(shape).sum(axis=1) / np.maximum(counts, 1),
    )


def _packed(filled: NDArray[np.bool_], *tables: FloatArray) -> list[FloatArray]:
    """Return tables with the filled steps of each row moved to its left end, zeros behind them."""
    order = np.argsort(~filled, axis=1, kind="stable")[:, : int(filled.sum(axis=1).max())]
    kept = np.take_along_axis(filled, order, axis=1)
    return [np.asarray(np.where(kept, np.take_along_axis(table, order, axis=1), 0.0)) for table in tables]


def _smooth_spread(spread: FloatArray) -> FloatArray:
    """Return each step's spread: the largest of it, its neighbours and the strip's median one."""
    filled = np.where(np.isfinite(spread), spread, 0.0)
    typical = np.nanmedian(np.where(spread > 0, spread, np.nan), axis=1, keepdims=True)
    typical = np.where(np.isfinite(typical), typical, 0.01)
    padded = np.pad(filled, ((0, 0), (4, 4)))
    near = np.max([padded[:, k : k + spread.shape[1]] for k in range(9)], axis=0)
    return np.asarray(np.maximum(np.maximum(near, typical), 1e-4))


def _flat_noise(spread: FloatArray, total: FloatArray) -> FloatArray:
    """Return the typical spread of the quieter half of the steps of each strip."""
    values = np.where(total > 0.5, spread, np.nan)
    return np.asarray(np.nanquantile(values, 0.3, axis=1))
