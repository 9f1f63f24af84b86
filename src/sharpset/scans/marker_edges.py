"""The mean edge of a frame's markers: what a camera made of a sharp edge between ink and paper."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sharpset.scans.frame import N_MODULES
from sharpset.scans.markers import MarkerSighting
from sharpset.scans.scan import Scan

__all__ = ["MeanEdge", "marker_edge"]

FloatArray = NDArray[np.float64]

_BINS_PER_PX = 4
_MOST_REACH_PX, _LEAST_REACH_PX = 14.0, 5.0
_SHARE_OF_MODULE = 0.6
"""How far from a side is looked at, of a module's width: halos of the marker's inner modules reach towards it."""
_FEWEST_SIDES = 12
_CLIPPED, _MOST_CLIPPED, _BRIGHTEST, _LEAST_CONTRAST = 0.985, 0.02, 0.96, 0.2
"""Stored values from which halos count as cut off, the share of such pixels from which a distance is left out, and what
paper may be at most."""


@dataclass(frozen=True, kw_only=True, slots=True)
class MeanEdge:
    """Stored values across the markers' sides, 0 dark and 1 bright, and the levels they stand for.

    Attributes
    ----------
    place_px : ndarray, shape (n,)
        Distance from the side, outwards.
    value, weight : ndarray, shape (n,)
        Weights are 0 where halos are cut off.
    dark, bright : float
        Stored values of ink and paper, 0 to 1.
    module_px : float
        Width of a marker's module.
    """

    place_px: FloatArray
    value: FloatArray
    weight: FloatArray
    dark: float
    bright: float
    module_px: float


def marker_edge(scan: Scan, sighting: MarkerSighting) -> MeanEdge | None:
    """Average all sides of all markers, in stored values, brought to the same levels.

    Parameters
    ----------
    scan : Scan
    sighting : MarkerSighting
        Markers with their corners in this picture.

    Returns
    -------
    MeanEdge or None
        None where too few sides of markers can be used.
    """
    if len(sighting.ids) == 0:
        return None
    module_px = float(np.median(np.linalg.norm(np.diff(sighting.corners_px, axis=1), axis=2))) / N_MODULES
    reach = min(_SHARE_OF_MODULE * module_px, _MOST_REACH_PX)
    if reach < _LEAST_REACH_PX:
        return None
    n_bins = 2 * math.floor(reach * _BINS_PER_PX)
    total, count, clipped = np.zeros((3, n_bins))
    levels = []
    for corners in sighting.corners_px:
        for k in range(4):
            side = _side(scan, corners[k], corners[(k + 1) % 4], reach)
            if side is None:
                continue
            place, value, dark, bright = side
            at = np.floor(place * _BINS_PER_PX + n_bins / 2).astype(np.intp)
            inside = (at >= 0) & (at < n_bins)
            total += np.bincount(at[inside], value[inside], n_bins)
            count += np.bincount(at[inside], minlength=n_bins)
            cut = value * (bright - dark) + dark > _CLIPPED
            clipped += np.bincount(at[inside & cut], minlength=n_bins)
            levels.append((dark, bright))
    if len(levels) < _FEWEST_SIDES or (count == 0).any():
        return None
    dark, bright = np.median(levels, axis=0)
    middle = (np.arange(n_bins) + 0.5) / _BINS_PER_PX - n_bins / 2 / _BINS_PER_PX
    return MeanEdge(
        place_px=middle,
        value=total / count,
        weight=np.sqrt(count) * (clipped < _MOST_CLIPPED * count),
        dark=float(dark),
        bright=float(bright),
        module_px=module_px,
    )


def _side(
    scan: Scan, start: FloatArray, end: FloatArray, reach: float
) -> tuple[FloatArray, FloatArray, float, float] | None:
    """Distances of the pixels beside a side from it, outwards, their values from 0 to 1, and the levels of both sides.

    None where the paper itself is at the end of the scale.
    """
    length = float(np.linalg.norm(end - start))
    along = (end - start) / length
    outward = np.array([along[1], -along[0]])
    low = np.floor(np.minimum(start, end) - reach).astype(int)
    high = np.ceil(np.maximum(start, end) + reach).astype(int) + 1
    if (low < 0).any() or high[0] > scan.n_columns or high[1] > scan.n_rows:
        return None
    part = scan.pixels[low[1] : high[1], low[0] : high[0]].astype(float) / scan.full_scale
    grey = part if part.ndim == 2 else part[..., :3] @ np.array([0.299, 0.587, 0.114])
    columns, rows = np.meshgrid(np.arange(low[0], high[0]), np.arange(low[1], high[1]))
    offset = np.stack((columns - start[0], rows - start[1]), axis=-1)
    place, run = offset @ outward, offset @ along
    # Corners are left out as far as halos reach round them.
    keep = (np.abs(place) < reach) & (run > reach / 2 + 1) & (run < length - reach / 2 - 1)
    place, grey = place[keep], grey[keep]
    far = 0.8 * reach
    if not (place < -far).any() or not (place > far).any():
        return None
    dark, bright = float(np.median(grey[place < -far])), float(np.median(grey[place > far]))
    if bright - dark < _LEAST_CONTRAST or bright > _BRIGHTEST:
        return None
    return place, (grey - dark) / (bright - dark), dark, bright
