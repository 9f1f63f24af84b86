"""Exact area coverage of polygons on a grid of square pixels.

Every side of a polygon adds the signed area between itself and the right border of the picture to
the pixels that it crosses; a running sum along each row then turns this into the covered share of
each pixel. Nothing is sampled: the result is the area of the polygon inside each pixel, to
floating-point rounding. (Filling routines for drawing, such as OpenCV's ``fillPoly``, paint border
pixels whole and so make shapes about one pixel too wide.)
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

__all__ = ["Sides", "area_coverage", "sides_of"]

Floats = NDArray[np.float64]


class Sides:
    """The directed sides of many rings, solid on the left of each (shells counter-clockwise).

    Parameters
    ----------
    ends : ndarray of float, shape (n_sides, 4)
        x0, y0, x1, y1 of each side, in any one unit.
    """

    __slots__ = ("ends",)

    def __init__(self, ends: Floats) -> None:
        self.ends = np.asarray(ends, dtype=np.float64).reshape(-1, 4)

    def map(self, matrix: Floats) -> Sides:
        """Return the sides under an affine map; a mirroring map keeps the solid solid.

        Parameters
        ----------
        matrix : ndarray of float, shape (2, 3)
        """
        start = self.ends[:, :2] @ matrix[:, :2].T + matrix[:, 2]
        stop = self.ends[:, 2:] @ matrix[:, :2].T + matrix[:, 2]
        pair = (start, stop) if np.linalg.det(matrix[:, :2]) > 0 else (stop, start)
        return Sides(np.hstack(pair))

    def signed_area(self) -> float:
        """Return the enclosed area by the shoelace formula, openings counted off."""
        x0, y0, x1, y1 = self.ends.T
        return float(np.sum(x0 * y1 - x1 * y0) / 2)


def sides_of(geometry: BaseGeometry | Iterable[BaseGeometry]) -> Sides:
    """Return the directed sides of polygons, shells counter-clockwise and openings clockwise.

    Parameters
    ----------
    geometry : shapely Polygon, MultiPolygon or iterable of them
        Polygons that do not overlap each other.
    """
    parts = shapely.get_parts(np.atleast_1d(np.asarray(geometry, dtype=object)))
    parts = np.asarray([part for part in parts if part.geom_type == "Polygon" and not part.is_empty], dtype=object)
    pieces = []
    for polygon in shapely.orient_polygons(parts) if len(parts) else ():
        for ring in (polygon.exterior, *polygon.interiors):
            points = shapely.get_coordinates(ring)
            pieces.append(np.hstack((points[:-1], points[1:])))
    return Sides(np.vstack(pieces) if pieces else np.empty((0, 4)))


def _split(low: Floats, high: Floats) -> tuple[NDArray[np.intp], Floats]:
    """Number the unit cells that each interval touches: index of the interval, cell of each part."""
    first = np.floor(np.minimum(low, high))
    last = np.maximum(np.ceil(np.maximum(low, high)), first + 1)
    count = (last - first).astype(np.intp)
    owner = np.repeat(np.arange(len(low)), count)
    step = np.arange(len(owner)) - np.repeat(np.cumsum(count) - count, count)
    return owner, first[owner] + step


def _cut(ends: Floats, axis: int, cells: Floats) -> Floats:
    """Cut each side to the unit cell given for it along one axis (0: x, 1: y)."""
    a, b = ends[:, axis], ends[:, axis + 2]
    length = b - a
    safe = np.where(length == 0, 1.0, length)
    t0 = np.where(length == 0, 0.0, (np.clip(a, cells, cells + 1) - a) / safe)
    t1 = np.where(length == 0, 1.0, (np.clip(b, cells, cells + 1) - a) / safe)
    other = 1 - axis
    c, d = ends[:, other], ends[:, other + 2]
    out = np.empty_like(ends)
    out[:, axis] = np.clip(a, cells, cells + 1)
    out[:, axis + 2] = np.clip(b, cells, cells + 1)
    out[:, other] = c + t0 * (d - c)
    out[:, other + 2] = c + t1 * (d - c)
    return out


def area_coverage(sides: Sides, *, shape: tuple[int, int], first_row: int = 0) -> Floats:
    """Return the share of each pixel that the polygons cover.

    Parameters
    ----------
    sides : Sides
        In pixel-border coordinates: the pixel of row r and column c is the square from (c, r) to
        (c + 1, r + 1), y downwards or upwards as the caller likes.
    shape : (n_rows, n_columns)
        Size of the picture, or of the band of it that is wanted.
    first_row : int
        Row of the picture at which the band begins.

    Returns
    -------
    ndarray of float, shape (n_rows, n_columns)
        0 to 1, rounding errors below 1e-11. What lies beyond the picture is cut off exactly.
    """
    rows, columns = shape
    ends = sides.ends
    low, high = np.minimum(ends[:, 1], ends[:, 3]), np.maximum(ends[:, 1], ends[:, 3])
    left = np.minimum(ends[:, 0], ends[:, 2])
    ends = ends[(high > first_row) & (low < first_row + rows) & (high > low) & (left < columns)].copy()
    ends[:, [1, 3]] -= first_row
    ends = _clip_rows(ends, rows)
    owner, row = _split(ends[:, 1], ends[:, 3])
    ends = _cut(ends[owner], 1, row)
    keep = ends[:, 1] != ends[:, 3]
    ends, row = ends[keep], row[keep]
    owner, column = _split(ends[:, 0], ends[:, 2])
    ends, row = _cut(ends[owner], 0, column), row[owner]
    return _accumulate(ends, row, column, shape)


def _clip_rows(ends: Floats, rows: int) -> Floats:
    """Cut sides to the band of rows, so that long sides outside cost nothing."""
    a, b = ends[:, 1], ends[:, 3]
    rise = b - a
    t0 = (np.clip(a, 0, rows) - a) / rise
    t1 = (np.clip(b, 0, rows) - a) / rise
    x0, run = ends[:, 0], ends[:, 2] - ends[:, 0]
    return np.column_stack((x0 + t0 * run, np.clip(a, 0, rows), x0 + t1 * run, np.clip(b, 0, rows)))


def _accumulate(ends: Floats, row: Floats, column: Floats, shape: tuple[int, int]) -> Floats:
    rows, columns = shape
    rise = ends[:, 3] - ends[:, 1]
    # The solid lies at smaller x than a rising side, so what is to the right of that side is taken away.
    rise = -rise
    inside = np.clip((ends[:, 0] + ends[:, 2]) / 2 - column, 0.0, 1.0)
    beyond_left = column < 0
    inside = np.where(beyond_left, 0.0, inside)
    cell = np.where(beyond_left, 0, column).astype(np.intp)
    keep = (cell < columns) & (rise != 0)
    cell, inside, rise = cell[keep], inside[keep], rise[keep]
    place = row[keep].astype(np.intp) * (columns + 2) + cell
    size = rows * (columns + 2)
    grid: Floats = np.bincount(place, weights=rise * (1 - inside), minlength=size).astype(np.float64, copy=False)
    grid += np.bincount(place + 1, weights=rise * inside, minlength=size)
    return np.asarray(np.cumsum(grid.reshape(rows, columns + 2), axis=1)[:, :columns], dtype=np.float64)
