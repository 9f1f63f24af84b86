"""The mean edge of a scan's wide strips: its blur, and what lies beside it on either side."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sharpset.readings.edges.blur import EdgeSpread
from sharpset.readings.edges.spread import WideEdges
from sharpset.readings.picture.medians import row_medians

__all__ = ["MeanEdge", "crossing", "mean_edge"]

FloatArray = NDArray[np.float64]
_FEWEST = 4
_BESIDE_MM, _BESIDE_REACH_MM = 0.1, 0.36
_FOOT_LEVELS, _FOOT_BLURS = (0.08, 0.25), 0.731
"""Shares of an edge between which its foot is measured, and how many standard deviations lie between them."""


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class MeanEdge:
    """The mean edge of a scan's wide strips.

    Attributes
    ----------
    place_mm : ndarray of float, shape (n,)
        Distance from the fitted edge, towards the plate.
    solid : ndarray of float, shape (n,)
        Median over strips of the share solid; nan where too few strips show it.
    shown : ndarray of bool, shape (n_strips, n)
        Which strips show which distances.
    centre_mm, width_mm : ndarray of float, shape (n_strips,)
        Fitted places and widths of the strips across them.
    core_mm : float
        Blur of the sharper half of the edge, as the standard deviation of a normal one.
    """

    place_mm: FloatArray
    solid: FloatArray
    shown: NDArray[np.bool_]
    centre_mm: FloatArray
    width_mm: FloatArray
    core_mm: float

    @property
    def lack(self) -> float:
        """How much the plate lacks just beyond the blur, as a share of the contrast; nan where too little shows it."""
        return self._beside(1 - self.solid, self.place_mm)

    @property
    def excess(self) -> float:
        """How much the ground has too much just beyond the blur, likewise."""
        return self._beside(self.solid, -self.place_mm)

    def _beside(self, off: FloatArray, away: FloatArray) -> float:
        near = (away >= 4 * self.core_mm) & (away < 4 * self.core_mm + _BESIDE_MM) & np.isfinite(off)
        return float(np.median(off[near])) if near.sum() >= _FEWEST else np.nan


def mean_edge(edges: WideEdges, spread: EdgeSpread) -> MeanEdge:
    """Return the mean edge out to where its neighbourhood shows.

    Parameters
    ----------
    edges : WideEdges
    spread : EdgeSpread
        Fitted to them. What lies beside edges on one side may have widened it, so that `core_mm` is taken from the
        foot of the edge's sharper half.
    """
    samples, profiles = edges.samples, edges.profiles
    fits = edges.fitted(spread)
    sign = np.where(samples.is_bar, 1.0, -1.0)[:, None]
    half = fits.width_mm[:, None] / 2
    inwards = half - np.abs(profiles.d_mm - fits.centre_mm[:, None])
    step = samples.pixel_mm / 2
    n = int(np.ceil(_BESIDE_REACH_MM / step))
    bins = np.floor(sign * inwards / step).astype(np.intp) + n
    # What lies beyond the middle of a strip belongs to its other edge.
    inside = (bins >= 0) & (bins < 2 * n) & (profiles.n_pixels > 0) & (inwards < half - step)
    cell = np.arange(len(bins))[:, None] * 2 * n + np.clip(bins, 0, 2 * n - 1)
    shape = (len(bins), 2 * n)
    weight = np.bincount(cell[inside], profiles.n_pixels[inside], shape[0] * shape[1]).reshape(shape)
    total = np.bincount(cell[inside], (profiles.n_pixels * profiles.solid)[inside], shape[0] * shape[1]).reshape(shape)
    shown = weight > 0
    enough = shown.sum(axis=0) >= _FEWEST
    edge = np.where(enough, row_medians((total / np.maximum(weight, 1e-9)).T, shown.T), np.nan)
    place = (np.arange(2 * n) - n + 0.5) * step
    feet = [_foot_mm(np.asarray(place, dtype=np.float64), side) for side in (edge, 1 - edge[::-1])]
    return MeanEdge(
        place_mm=np.asarray(place, dtype=np.float64),
        solid=edge,
        shown=shown & enough,
        centre_mm=fits.centre_mm,
        width_mm=fits.width_mm,
        core_mm=float(np.nanmin([spread.mean_sigma_mm, *feet])),
    )


def _foot_mm(place: FloatArray, edge: FloatArray) -> float:
    """Return the blur that the foot of a rising edge stands for."""
    low, high = (crossing(place, edge, level) for level in _FOOT_LEVELS)
    return (high - low) / _FOOT_BLURS if high > low else np.nan


def crossing(place: FloatArray, edge: FloatArray, level: float) -> float:
    """Return where a rising edge last passes a level; nan if it never does."""
    below = np.flatnonzero((edge[:-1] < level) & (edge[1:] >= level))
    if not len(below):
        return np.nan
    i = below[-1]
    return float(place[i] + (place[i + 1] - place[i]) * (level - edge[i]) / (edge[i + 1] - edge[i]))
