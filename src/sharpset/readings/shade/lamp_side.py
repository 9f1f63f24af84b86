"""Shade on the ground: on which side of a piece the lamp lies, and how unevenly openings let light through."""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray

from sharpset.pieces import Piece
from sharpset.readings.picture.light import PieceLight, means_of_nine, sample_points
from sharpset.scans import Pose

__all__ = ["ground_unevenness", "lamp_side"]

FloatArray = NDArray[np.float64]
_OFF_MM = np.arange(0.15, 0.75, 0.1)
_STEP_MM, _CORNER_MM = 0.25, 1.5
_FEWEST = 20
_PLACE_MM, _FEWEST_ALIKE = 0.3, 9
"""Points from which on their median is not what a line or two across them make of it."""
_LAGS, _NEIGHBOURS_MM = 9, (0.2, 0.45)
"""Points along an opening's wall are 0.3 mm apart, round corners and in holes nearer."""
_LEAST = 0.006
"""Smallest difference of the ground on opposite sides, as a share of the contrast, that is taken for shade: what the
maps of light, which end at the piece, may be wrong by just outside of it."""
_CLEAR = 4.0
"""The same in standard uncertainties."""


def lamp_side(light: PieceLight, pose: Pose, piece: Piece) -> FloatArray:
    """Compare the ground outside opposite edges of the plate.

    Parameters
    ----------
    light, pose, piece : as read

    Returns
    -------
    ndarray of float, shape (2,)
        Direction (column, row) of the lamp from the piece, of unit length; zeros where the ground does not tell it (a
        black one hardly does).
    """
    w, h = piece.width_mm, piece.height_mm
    linear = pose.linear_mm
    towards = np.zeros(2)
    variance = 0.0
    for axis, (across, along) in enumerate(((w, h), (h, w))):
        place = np.arange(_CORNER_MM, along - _CORNER_MM, _STEP_MM)
        sides = []
        for off in (-_OFF_MM, across + _OFF_MM):
            grid = np.stack(np.broadcast_arrays(off[:, None], place), axis=-1).reshape(-1, 2)
            seen = _light_at(light, pose, grid if axis == 0 else grid[:, ::-1])
            if len(seen) < _FEWEST:
                return np.zeros(2)
            spread = 1.4826 * float(np.median(np.abs(seen - np.median(seen))))
            sides.append((float(np.median(seen)), spread / np.sqrt(len(place))))
        (low, u_low), (high, u_high) = sides
        towards += (high - low) * linear[:, axis] / np.hypot(*linear[:, axis])
        variance += u_low**2 + u_high**2
    size = float(np.hypot(*towards))
    if size < max(_LEAST, _CLEAR * np.sqrt(variance)):
        return np.zeros(2)
    return towards / size


def ground_unevenness(light: PieceLight, pose: Pose, piece: Piece) -> tuple[float, float]:
    """Return how much the ground differs between the wide openings of a piece, well away from their edges.

    Parameters
    ----------
    light, pose, piece : as read

    Returns
    -------
    of_all : float
        Range of the inner four fifths of the ground's light about its smooth map, as a share of the contrast; what
        the pixels' noise makes of it is taken off, and what its own grain does: points some tenths of a millimetre
        apart along an opening's walls are shaded alike, but differ by grain.
    by_walls : float
        The same, but not more than the range of what openings of one shape have alike in the same place: walls shade
        them alike, ruled lines and dust do not.
    """
    points, seen = means_of_nine(light, pose, sample_points(piece)[1])
    low, high = np.quantile(seen, [0.1, 0.9])
    grain = _grain(points, seen)
    # Four fifths of a normal variable lie within 1.28 standard deviations.
    noise = 2 * 1.2816 * max(light.noise / abs(light.contrast) * light.noise_inflation / 3, grain)
    uneven = float(np.sqrt(max((high - low) ** 2 - noise**2, 0.0)))
    alike = _alike(points, seen, piece)
    by_walls = float(np.ptp(np.quantile(alike, [0.1, 0.9]))) if len(alike) >= _FEWEST else uneven
    return uneven, min(uneven, by_walls)


def _alike(points_mm: FloatArray, seen: FloatArray, piece: Piece) -> FloatArray:
    """Return for each point the median of those in the same place of openings of the same shape, where there are some.

    Openings are alike whose areas and extents along both axes are; places are told to 0.3 mm from an opening's centre.
    """
    shapes = piece.void_shapes()
    which, opening = shapely.STRtree(shapes).query(shapely.points(points_mm), predicate="within")
    extent = shapely.bounds(np.array(shapes))
    sizes = np.column_stack((shapely.area(np.array(shapes)), extent[:, 2:] - extent[:, :2]))
    _, kind = np.unique(np.round(sizes, 2), axis=0, return_inverse=True)
    away = points_mm[which] - (extent[opening, :2] + extent[opening, 2:]) / 2
    place = np.round(away / _PLACE_MM)
    _, group = np.unique(np.column_stack((kind.ravel()[opening], place)), axis=0, return_inverse=True)
    values, group = seen[which], group.ravel()
    counts = np.bincount(group)
    medians = np.array([np.median(values[group == k]) for k in range(len(counts))])
    return np.asarray(medians[group][counts[group] >= _FEWEST_ALIKE])


def _grain(points_mm: FloatArray, seen: FloatArray) -> float:
    """Return the standard deviation of neighbouring points about what both have alike."""
    apart: list[FloatArray] = []
    for lag in range(1, _LAGS):
        away = np.hypot(*(points_mm[lag:] - points_mm[:-lag]).T)
        near = (away > _NEIGHBOURS_MM[0]) & (away < _NEIGHBOURS_MM[1])
        apart.append(np.abs(seen[lag:] - seen[:-lag])[near])
    every = np.concatenate(apart)
    return 1.4826 * float(np.median(every)) / np.sqrt(2) if len(every) >= _FEWEST else 0.0


def _light_at(light: PieceLight, pose: Pose, points_mm: FloatArray) -> FloatArray:
    """Return how bright the ground is at points, as a share of the contrast; what lies outside the crop is left out."""
    where = np.round(pose.to_pixels(points_mm)).astype(np.intp)
    low = np.array(light.origin)
    high = low + np.array(light.shape[::-1]) - 1
    where = where[np.all((where > low) & (where < high), axis=1)]
    return np.asarray(light.solid_share(where[:, 0], where[:, 1]) * np.sign(light.contrast))
