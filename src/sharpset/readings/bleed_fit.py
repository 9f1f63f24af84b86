"""Measure light that bleeds to one side of a piece's edges (the model is in `bleed`).

The mean edge of the wide strips tells how much and how far: with the right kernel and share taken out an edge rises
as it fell, as it must after any symmetric blur. What bleeds to both sides alike is symmetric already and stays with
the edge spread, so that one share is sought: the plate's where it lacks more than the ground has too much, else the
ground's.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from sharpset.errors import ReadingError
from sharpset.readings.bleed import Bleed, near_at, unbled
from sharpset.readings.blur import EdgeSpread
from sharpset.readings.light import PieceLight
from sharpset.readings.mean_edge import MeanEdge, crossing, mean_edge
from sharpset.readings.spread import WideEdges
from sharpset.scans import Pose

__all__ = ["measure_bleed"]

FloatArray = NDArray[np.float64]
_CELL_MM = 0.03
_REACHES_MM = 0.04 * 1.15 ** np.arange(16)
_LONG = 2.5
"""Kernels are normal ones, and even mixtures of one with another that reaches so much farther."""
_SUSPECT = 0.01
"""Difference of what plate and ground lack just beside edges, as a share of the contrast, that is looked into."""
_TOO_MUCH = 0.025
_SHARES = np.linspace(0.0, 1.5, 151)
_LEAST, _LEFT = 0.03, 0.3
"""Smallest share that is taken out, and what part of the edge's unevenness it may leave (mean squares)."""
_MOST_GROUND = 0.75
"""Largest share of the contrast that ground beside a plate may have too much."""
_LINES = np.linspace(-0.8, 0.8, 7)
_ROUNDS = 3
_NEARBY = np.array([0.81, 0.9, 1.0, 1.11, 1.23])
_LEAST_BLURS = 2.0
"""Blur widths that light must bleed at least to be told from blur."""
_BOUNDS = (-0.2, 1.2)
"""What noise leaves of the share solid; cut closer, it would make ground lighter and plate darker than they are."""


def measure_bleed(light: PieceLight, pose: Pose, edges: WideEdges, spread: EdgeSpread) -> Bleed | None:
    """Look for light that bleeds to one side of edges only.

    Parameters
    ----------
    light : PieceLight
        Without a `Bleed` of its own.
    pose : Pose
    edges : WideEdges
    spread : EdgeSpread

    Returns
    -------
    Bleed or None
        None where both sides of edges are as even, or as uneven, as each other.

    Raises
    ------
    ReadingError
        If the sides differ much and nothing that bleeds explains it.
    """
    edge = mean_edge(edges, spread)
    # Sharpening makes a plate too bright beside edges, and a ground too dark: that is no bleeding.
    apart = min(abs(edge.lack - edge.excess), max(edge.lack, edge.excess))
    if not apart > _SUSPECT:
        return None
    pixel_mm = float(np.mean(pose.pixel_mm))
    cells, cell_px = _coarse(light, pixel_mm)
    places = _places(edges, edge, pose) - np.array(light.origin)
    fit = _Fit(seen=cells, cell_px=cell_px, pixel_mm=pixel_mm, places=places, edge=edge)
    best = fit.best()
    # Ground that is as bright as the plate beside it all along is no bled light: what is solid could not be told.
    hidden = not fit.on_plate and best.share > _MOST_GROUND
    if hidden or best.share < _LEAST or best.left > _LEFT * fit.unevenness(0.0, *np.zeros((2, len(edge.place_mm)))):
        if apart < _TOO_MUCH and not hidden:
            return None
        side = "plate" if fit.on_plate else "ground"
        raise ReadingError(
            f"the {side} changes by {max(edge.lack, edge.excess):.1%} of the contrast along its edges, more than can "
            "be explained and taken out: a translucent piece, or light that comes from one side. Coat the piece with "
            "opaque matt paint or chalk, or lay another ground behind it, and take the picture again."
        )
    shares = (best.share, 0.0) if fit.on_plate else (0.0, best.share)
    across, down = np.gradient(best.solid_near)
    return Bleed(
        plate=shares[0],
        ground=shares[1],
        reach_mm=best.reach_mm,
        solid_near=best.solid_near,
        cell_px=cell_px,
        blur_mm=edge.core_mm,
        slope_per_mm=np.hypot(across, down) / np.float32(fit.cell_mm),
    )


def _coarse(light: PieceLight, pixel_mm: float) -> tuple[NDArray[np.float32], float]:
    """Return the share solid in square cells of whole pixels over the crop, and the pixels along a cell."""
    step = max(1, int(_CELL_MM / pixel_mm))
    n_rows, n_columns = (length // step for length in light.shape)
    columns = light.origin[0] + np.arange(n_columns * step)
    cells = np.empty((n_rows, n_columns), dtype=np.float32)
    band = max(1, 2_000_000 // (len(columns) * step))
    for top in range(0, n_rows, band):
        bottom = min(top + band, n_rows)
        seen = light.solid_grid(columns, light.origin[1] + np.arange(top * step, bottom * step))
        cells[top:bottom] = seen.reshape(bottom - top, step, n_columns, step).mean(axis=(1, 3))
    return cells, float(step)


def _places(edges: WideEdges, edge: MeanEdge, pose: Pose) -> FloatArray:
    """Return (column, row) of points on both edges of each strip, shape (n_strips, n_lines, n_places, 2)."""
    samples, pixel = edges.samples, np.array(pose.pixel_mm)
    centres = pose.to_pixels([[strip.x_mm, strip.y_mm] for strip in samples.strips])
    sign = np.where(samples.is_bar, 1.0, -1.0)[:, None]
    inwards = sign * edge.place_mm
    across = samples.normal[:, None, None, :]
    along = np.stack((across[..., 1], -across[..., 0]), axis=-1)
    t = (samples.half_length_mm[:, None] * _LINES)[:, :, None, None]
    found = []
    for side in (-1.0, 1.0):
        d = edge.centre_mm[:, None] + side * (edge.width_mm[:, None] / 2 - inwards)
        found.append(centres[:, None, None, :] + (d[:, None, :, None] * across + t * along) / pixel)
    return np.concatenate(found, axis=1)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Found:
    """One fit: the share, the kernel, the share of solid near, and the mean square of what stays uneven."""

    share: float
    reach_mm: float
    long: bool
    solid_near: NDArray[np.float32]
    left: float


class _Fit:
    """Fits of the share to the mean edge, one kernel at a time."""

    def __init__(
        self, *, seen: NDArray[np.float32], cell_px: float, pixel_mm: float, places: FloatArray, edge: MeanEdge
    ) -> None:
        self.seen, self.cell_px, self.cell_mm = seen, cell_px, cell_px * pixel_mm
        self.places, self.edge = places, edge
        self.on_plate = edge.lack > edge.excess
        self.solid = np.clip(seen, *_BOUNDS)

    def best(self) -> _Found:
        """Return the best kernel and share. What is solid is not known before the light is taken out: in turns."""
        reaches = _REACHES_MM[_LEAST_BLURS * self.edge.core_mm < _REACHES_MM]
        tried = [self.of(reach, long=long) for reach in reaches for long in (False, True)]
        found = min(tried, key=lambda one: one.left)
        for _ in range(_ROUNDS):
            self.solid = np.clip(self.without(self.seen, found.solid_near, np.zeros(1), found.share), *_BOUNDS).astype(
                np.float32
            )
            near = np.clip(found.reach_mm * _NEARBY, _LEAST_BLURS * self.edge.core_mm, None)
            found = min((self.of(reach, long=found.long) for reach in near), key=lambda one: one.left)
        return found

    def of(self, reach_mm: float, *, long: bool) -> _Found:
        """Return the share that suits a kernel best."""
        kernels = (reach_mm, _LONG * reach_mm) if long else (reach_mm,)
        blurred = [cv2.GaussianBlur(self.solid, (0, 0), kernel / self.cell_mm) for kernel in kernels]
        near = np.clip(np.mean(blurred, axis=0), 0, 1).astype(np.float32)
        at = near_at(near, self.cell_px, self.places[..., 0], self.places[..., 1]).mean(axis=1)
        at_place = np.sum(np.where(self.edge.shown, at, 0.0), axis=0) / np.maximum(self.edge.shown.sum(axis=0), 1)
        change = np.abs(np.gradient(at_place, self.edge.place_mm)) * self.edge.core_mm
        left = [self.unevenness(share, at_place, change) for share in _SHARES]
        k = int(np.argmin(left))
        return _Found(share=float(_SHARES[k]), reach_mm=float(reach_mm), long=long, solid_near=near, left=left[k])

    def without(
        self, seen: NDArray[np.floating], near: NDArray[np.floating], change: FloatArray, share: float
    ) -> FloatArray:
        """Return the share solid, light that bleeds to the side in question taken out."""
        return unbled(seen, near, change, *((share, 0.0) if self.on_plate else (0.0, share)))

    def unevenness(self, share: float, near: FloatArray, change: FloatArray) -> float:
        """Return by how much the mean edge rises otherwise than it fell, mean square over its places."""
        place, solid = self.edge.place_mm, self.without(self.edge.solid, near, change, share)
        known = np.isfinite(solid)
        place, solid = place[known], solid[known]
        if np.count_nonzero((solid[:-1] < 0.5) & (solid[1:] >= 0.5)) != 1:
            return np.inf
        middle, step = crossing(place, solid, 0.5), place[1] - place[0]
        away = step * np.arange(0.5, min(middle - place[0], place[-1] - middle) / step)
        both = np.interp(middle + away, place, solid) + np.interp(middle - away, place, solid) - 1
        return float(np.mean(both**2))
