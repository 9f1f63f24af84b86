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
from sharpset.readings.edges.blur import EdgeSpread
from sharpset.readings.edges.mean_edge import MeanEdge, crossing, mean_edge
from sharpset.readings.edges.spread import WideEdges
from sharpset.readings.picture.bleed import Bleed, near_at, unbled
from sharpset.readings.picture.light import PieceLight
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
_SHARE_STEPS = 10
"""Of so many shares one is tried first, and then those beside the best of them."""
_KERNEL_CELLS = 3.0
"""Cells that a kernel is wide at least: putting more of them together would lose what it spreads."""
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
            "be explained and taken out: a translucent or marbled piece, or light that comes from one side. Coat the "
            "piece with opaque matt paint or chalk, or lay another ground behind it, and take the picture again."
        )
    shares = (best.share, 0.0) if fit.on_plate else (0.0, best.share)
    near, cell_px = fit.joined(best), cell_px * best.fields[0].factor
    across, down = np.gradient(near)
    return Bleed(
        plate=shares[0],
        ground=shares[1],
        reach_mm=best.reach_mm,
        solid_near=near,
        cell_px=cell_px,
        blur_mm=edge.core_mm,
        slope_per_mm=np.hypot(across, down) / np.float32(cell_px * pixel_mm),
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
class _Field:
    """The share of solid near by one normal kernel, in squares of `factor` by `factor` cells of the picture."""

    values: NDArray[np.float32]
    factor: int


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Found:
    """One fit: the share, the kernel with its one or two normal parts, and the mean square of what stays uneven."""

    share: float
    reach_mm: float
    fields: tuple[_Field, ...]
    left: float


def _coarser(cells: NDArray[np.float32], factor: int) -> NDArray[np.float32]:
    """Return means over squares of cells; the last ones are filled up by what lies before the border."""
    if factor == 1:
        return cells
    n_rows, n_columns = cells.shape
    down, right = -n_rows % factor, -n_columns % factor
    whole = cv2.copyMakeBorder(cells, 0, down, 0, right, cv2.BORDER_REFLECT_101)
    size = (whole.shape[1] // factor, whole.shape[0] // factor)
    return np.asarray(cv2.resize(whole, size, interpolation=cv2.INTER_AREA), dtype=np.float32)


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
        found = self._best_of(reaches, (False, True))
        for _ in range(_ROUNDS):
            near = near_at(self.joined(found), self.cell_px * found.fields[0].factor, *self._pixels(1))
            clear = self.without(self.seen, near, np.zeros(1), found.share)
            self.solid = np.clip(clear, *_BOUNDS).astype(np.float32)
            reaches = np.clip(found.reach_mm * _NEARBY, _LEAST_BLURS * self.edge.core_mm, None)
            found = self._best_of(reaches, (len(found.fields) > 1,))
        return found

    def _best_of(self, reaches_mm: NDArray[np.floating], longs: tuple[bool, ...]) -> _Found:
        best = None
        for reach in reaches_mm.tolist():
            short = self._near(reach)
            for long in longs:
                one = self.of(reach, (short, self._near(_LONG * reach)) if long else (short,))
                best = one if best is None or one.left < best.left else best
        assert best is not None
        return best

    def _near(self, kernel_mm: float) -> _Field:
        factor = max(1, int(kernel_mm / (_KERNEL_CELLS * self.cell_mm)))
        # Means over squares, and lines between them, blur a little already: each by a variance of squares' sides.
        variance = (kernel_mm / self.cell_mm) ** 2 - (factor**2 - 1) * (1 / 12 + 1 / 6)
        cells = _coarser(self.solid, factor)
        blurred = cv2.GaussianBlur(cells, (0, 0), np.sqrt(variance) / factor)
        return _Field(values=np.asarray(blurred, dtype=np.float32), factor=factor)

    def _pixels(self, factor: int) -> tuple[FloatArray, FloatArray]:
        """Return the columns and the rows of the middles of squares of so many cells, in pixels of the picture."""
        n_rows, n_columns = (-(-length // factor) for length in self.seen.shape)
        columns, rows = ((np.arange(n) + 0.5) * self.cell_px * factor - 0.5 for n in (n_columns, n_rows))
        return columns, rows[:, None]

    def joined(self, found: _Found) -> NDArray[np.float32]:
        """Return the share of solid near by the whole kernel, in the squares of its first part."""
        first, *more = found.fields
        places = self._pixels(first.factor)
        total = first.values.astype(np.float64)
        for one in more:
            total += near_at(one.values, self.cell_px * one.factor, *places)
        return np.asarray(np.clip(total / len(found.fields), 0, 1), dtype=np.float32)

    def of(self, reach_mm: float, fields: tuple[_Field, ...]) -> _Found:
        """Return the share that suits a kernel best."""
        columns, rows = self.places[..., 0], self.places[..., 1]
        parts = [near_at(one.values, self.cell_px * one.factor, columns, rows) for one in fields]
        at = np.clip(np.mean(parts, axis=0), 0, 1).mean(axis=1)
        at_place = np.sum(np.where(self.edge.shown, at, 0.0), axis=0) / np.maximum(self.edge.shown.sum(axis=0), 1)
        change = np.abs(np.gradient(at_place, self.edge.place_mm)) * self.edge.core_mm
        left = np.full(len(_SHARES), np.inf)
        left[::_SHARE_STEPS] = [self.unevenness(share, at_place, change) for share in _SHARES[::_SHARE_STEPS]]
        rough = int(np.argmin(left))
        beside = slice(max(rough - _SHARE_STEPS + 1, 0), rough + _SHARE_STEPS)
        left[beside] = [self.unevenness(share, at_place, change) for share in _SHARES[beside]]
        k = int(np.argmin(left))
        return _Found(share=float(_SHARES[k]), reach_mm=reach_mm, fields=fields, left=float(left[k]))

    def without(
        self, seen: NDArray[np.floating], near: NDArray[np.floating], change: FloatArray, share: float
    ) -> FloatArray:
        """Return the share solid, light that bleeds to the side in question taken out."""
        return unbled(seen, near, change, *((share, 0.0) if self.on_plate else (0.0, share)))

    def unevenness(self, share: float, near: FloatArray, change: FloatArray) -> float:
        """Return by how much the mean edge rises otherwise than it fell, mean square over its places."""
        known = np.isfinite(self.edge.solid)
        place, solid = (
            self.edge.place_mm[known],
            self.without(self.edge.solid[known], near[known], change[known], share),
        )
        if np.count_nonzero((solid[:-1] < 0.5) & (solid[1:] >= 0.5)) != 1:
            return np.inf
        middle, step = crossing(place, solid, 0.5), place[1] - place[0]
        away = step * np.arange(0.5, min(middle - place[0], place[-1] - middle) / step)
        both = np.interp(middle + away, place, solid) + np.interp(middle - away, place, solid) - 1
        return float(np.mean(both**2))
