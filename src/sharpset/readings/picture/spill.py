"""Light that a wide blur carries over from neighbouring edges and from the ends of features: taken off as drawn.

A feature is fitted as though nothing but its own two edges, or its own rim, were there. Where the blur reaches further
than the clear room about a feature, its neighbours' edges and its own ends change the light around it, and the maps of
light are taken from places that are not quite plate or not quite ground. What is drawn says how much of that there is.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from sharpset.pieces import Piece

__all__ = ["Spill", "spill_of"]

FloatArray = NDArray[np.float64]
_CELLS_PER_BLUR, _FINER = 6.0, 4
_FAR = 4.5
"""Blurs beyond which an edge changes the light by less than four millionths."""
_BORDER_MM = 1.5


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Spill:
    """What is drawn, in cells, and how wide it is blurred.

    Attributes
    ----------
    solid : ndarray of float32, shape (n_rows, n_columns)
        1 on the plate, 0 on the ground; rows along y, columns along x of the piece frame.
    cell_mm : float
    blur_mm : float
        Standard deviation of the scan's blur.
    growth_mm : float
        How far edges lie outside those drawn, as the plate grows.
    """

    solid: NDArray[np.float32]
    cell_mm: float
    blur_mm: float
    growth_mm: float

    def share_at(self, points_mm: FloatArray, *, pixel_mm: float) -> FloatArray:
        """Return the share of plate in means of 3 x 3 pixels at points of the piece frame, shape (n, 2).

        A pixel's own box is part of the blur; three of them, the middle one that nearest to a point, blur by nine
        twelfths of a square pixel more.
        """
        blurred = self._blurred(self.solid, np.hypot(self.blur_mm, pixel_mm * np.sqrt(9 / 12)))
        return _at(blurred, (points_mm + _BORDER_MM) / self.cell_mm - 0.5)

    def beside_strip(
        self,
        points_mm: FloatArray,
        *,
        centre_mm: tuple[float, float],
        angle_deg: float,
        width_mm: float,
        length_mm: float,
        solid: bool,
    ) -> FloatArray:
        """Return what all but a strip's own two edges, taken for endless, add to the share solid at points."""
        growth = self.growth_mm if solid else -self.growth_mm
        half_width, half_length = width_mm / 2 + growth, length_mm / 2 + growth
        turn = np.radians(angle_deg)

        def others(x: FloatArray, y: FloatArray, seen: NDArray[np.float32]) -> NDArray[np.floating]:
            across = np.abs(-np.sin(turn) * x + np.cos(turn) * y)
            along = np.abs(np.cos(turn) * x + np.sin(turn) * y)
            outside = np.clip((across - half_width) / self.cell_mm + 0.5, 0.0, 1.0)
            own = (across < half_width + self.cell_mm) & (along < half_length - self.cell_mm)
            return np.where(own, 0.0, seen - (1 - outside if solid else outside))

        return self._beside(points_mm, centre_mm, others)

    def beside_hole(self, points_mm: FloatArray, *, centre_mm: tuple[float, float], diameter_mm: float) -> FloatArray:
        """Return what all but a hole's own rim adds to the share solid at points."""

        def others(x: FloatArray, y: FloatArray, seen: NDArray[np.float32]) -> NDArray[np.floating]:
            own = np.hypot(x, y) < diameter_mm / 2 - self.growth_mm + self.cell_mm
            return np.where(own, np.float32(0), seen - np.float32(1))

        return self._beside(points_mm, centre_mm, others)

    def _beside(
        self,
        points_mm: FloatArray,
        centre_mm: tuple[float, float],
        others: Callable[[FloatArray, FloatArray, NDArray[np.float32]], NDArray[np.floating]],
    ) -> FloatArray:
        if len(points_mm) == 0:
            return np.zeros(0)
        place = (points_mm + _BORDER_MM) / self.cell_mm - 0.5
        reach = _FAR * self.blur_mm / self.cell_mm
        n_rows, n_columns = self.solid.shape
        low = np.clip(np.floor(place.min(axis=0) - reach).astype(int), 0, [n_columns - 1, n_rows - 1])
        high = np.clip(np.ceil(place.max(axis=0) + reach).astype(int) + 1, low + 1, [n_columns, n_rows])
        x, y = ((np.arange(low[k], high[k]) + 0.5) * self.cell_mm - _BORDER_MM - centre_mm[k] for k in (0, 1))
        left = others(x[None, :], y[:, None], self.solid[low[1] : high[1], low[0] : high[0]])
        return _at(self._blurred(left.astype(np.float32), self.blur_mm), place - low)

    def _blurred(self, image: NDArray[np.float32], blur_mm: float) -> NDArray[np.float32]:
        blurred = cv2.GaussianBlur(image, (0, 0), blur_mm / self.cell_mm, borderType=cv2.BORDER_REPLICATE)
        return np.asarray(blurred, dtype=np.float32)


def spill_of(piece: Piece, *, blur_mm: float, growth_mm: float) -> Spill:
    """Draw a piece in cells of a sixth of the blur.

    Parameters
    ----------
    piece : Piece
    blur_mm : float
    growth_mm : float
        How far the plate's edges lie outside those drawn.

    Returns
    -------
    Spill
    """
    cell = blur_mm / _CELLS_PER_BLUR
    n_rows, n_columns = (int(np.ceil((size + 2 * _BORDER_MM) / cell)) + 1 for size in (piece.height_mm, piece.width_mm))
    fine = cell / _FINER
    painted = np.zeros((n_rows * _FINER, n_columns * _FINER), dtype=np.uint8)
    # Polygons are painted half a pixel too wide on every side.
    kept = fine / 2
    for shapes, grown, value in (
        ([piece.outline], growth_mm, 255),
        (piece.void_shapes(), -growth_mm, 0),
    ):
        for one in shapes:
            moved = one.buffer(grown - kept, join_style="mitre")
            for part in getattr(moved, "geoms", [moved]):
                if part.is_empty:
                    continue
                corners = (np.asarray(part.exterior.coords) + _BORDER_MM) / fine - 0.5
                cv2.fillPoly(painted, [np.round(corners * 16).astype(np.int32)], value, shift=4)
    means = cv2.resize(painted, (n_columns, n_rows), interpolation=cv2.INTER_AREA)
    return Spill(
        solid=np.asarray(means / np.float32(255), dtype=np.float32), cell_mm=cell, blur_mm=blur_mm, growth_mm=growth_mm
    )


def _at(image: NDArray[np.float32], place: FloatArray) -> FloatArray:
    """Return an image's values at (column, row) places, interpolated."""
    x, y = (np.ascontiguousarray(place[:, k], dtype=np.float32) for k in (0, 1))
    most = 30_000
    # OpenCV addresses no longer rows.
    found = [
        cv2.remap(
            image, x[None, i : i + most], y[None, i : i + most], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
        )[0]
        for i in range(0, len(x), most)
    ]
    return np.concatenate(found).astype(float) if found else np.zeros(0)
