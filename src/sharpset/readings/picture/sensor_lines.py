"""Lines that a scanner draws through a whole picture: dead or stuck pixels of its sensor, dust before them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sharpset.readings.picture.light import PieceLight
from sharpset.scans import Pose

__all__ = ["SensorLines", "find_sensor_lines"]

FloatArray = NDArray[np.float64]
_LOOKED_AT = 160
_WINDOW = 11
"""Pixels across which a line must be narrower than half; edges of pieces are steps, which a median keeps."""
_OFF, _OFF_NOISE = 0.03, 5.0
_MOST_OF = 0.5
"""A line runs through all of a picture; nothing of a piece is as narrow and as long."""
_MOST_LINES = 0.03
"""Beyond this share of all columns it is texture of the plate that happens to lie along them."""
_ALONG_DEG, _OF_LENGTH = 12.0, 0.1
"""Lines that cross a strip at a greater angle touch few pixels at each distance from its middle; they are set aside."""
_SMALL_PX = 20.0
_NOISE_ROWS = 4
"""Every so many rows tell the noise well enough."""


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class SensorLines:
    """Columns and rows of the scan that are off all along.

    Attributes
    ----------
    columns, rows : ndarray of int
    """

    columns: NDArray[np.intp]
    rows: NDArray[np.intp]

    def __len__(self) -> int:
        return len(self.columns) + len(self.rows)

    def touches(self, features: pd.DataFrame, pose: Pose, reach_mm: float) -> NDArray[np.bool_]:
        """Return which features of a piece a line runs along, within some reach of their edges, or through, if small.

        Parameters
        ----------
        features : pandas.DataFrame
            Of a piece.
        pose : Pose
        reach_mm : float
        """
        hit = np.zeros(len(features), dtype=bool)
        if len(self) == 0:
            return hit
        along = np.linspace(-0.5, 0.5, 41)
        for i, f in enumerate(features.itertuples()):
            angles = {"hole": (), "square": (0.0, 90.0)}.get(f.kind, (f.angle_deg,))
            half = f.nominal_mm / 2 + reach_mm
            for angle in angles:
                turn = np.radians(angle)
                u, v = np.array([np.cos(turn), np.sin(turn)]), np.array([-np.sin(turn), np.cos(turn)])
                middle = pose.to_pixels(np.array([f.x_mm, f.y_mm]) + along[:, None] * f.length_mm * u)
                normal = np.array(pose.linear_mm @ v) / np.array(pose.pixel_mm)
                hit[i] |= self._runs_along(middle, normal, half)
            if not angles:
                centre = pose.to_pixels([[f.x_mm, f.y_mm]])[0]
                for axis, lines in enumerate((self.columns, self.rows)):
                    pixel = pose.pixel_mm[axis]
                    small = f.nominal_mm < _SMALL_PX * pixel
                    hit[i] |= small and bool(np.any(np.abs(lines - centre[axis]) < half / pixel))
        return hit

    def _runs_along(self, middle: FloatArray, normal: FloatArray, half_mm: float) -> bool:
        for axis, lines in enumerate((self.columns, self.rows)):
            if len(lines) == 0 or abs(normal[axis]) < np.cos(np.radians(_ALONG_DEG)) * np.hypot(*normal):
                continue
            near = np.abs(lines[None, :] - middle[:, axis, None]) <= half_mm * abs(normal[axis]) + 0.5
            if near.any(axis=1).mean() > _OF_LENGTH:
                return True
        return False

    def summary(self) -> str:
        """Return how many there are, in words."""
        both = ((self.columns, "column"), (self.rows, "row"))
        many = [f"{len(a)} {word}{'s' if len(a) > 1 else ''}" for a, word in both if len(a)]
        verb = "is" if len(self.columns) + len(self.rows) == 1 else "are"
        return f"{' and '.join(many)} of pixels {verb} off all along the picture"


def find_sensor_lines(light: PieceLight) -> SensorLines:
    """Look for columns and rows that differ from those beside them all along a piece and its margin.

    Parameters
    ----------
    light : PieceLight

    Notes
    -----
    Every pixel of some rows is compared with the median of eleven about it along the row. A column is off where at
    least half of the rows are off to the same side there by 3 % of the contrast and five spreads of the noise.
    """
    n_rows, n_columns = light.shape
    left, top = light.origin
    rows = np.unique(np.linspace(0, n_rows - 1, _LOOKED_AT).astype(np.intp))
    columns = np.unique(np.linspace(0, n_columns - 1, _LOOKED_AT).astype(np.intp))
    across, down = light.stored[rows], np.ascontiguousarray(light.stored[:, columns].T)
    return SensorLines(columns=left + _off(light, across), rows=top + _off(light, down))


def _off(light: PieceLight, stored: NDArray[Any]) -> NDArray[np.intp]:
    """Return which columns are off, of some rows as stored."""
    n_seen = stored.shape[1]
    if n_seen < 2 * _WINDOW:
        return np.zeros(0, dtype=np.intp)
    half = _WINDOW // 2
    padded = np.pad(stored, ((0, 0), (half, half)), mode="reflect")
    # Decoding keeps the order of values, so that medians may be taken before it.
    around = _medians([padded[:, k : k + n_seen] for k in range(_WINDOW)])
    away = (light.decode(stored) - light.decode(around)) / np.float32(abs(light.contrast))
    noise = 1.4826 * float(np.median(np.abs(away[::_NOISE_ROWS])))
    limit = max(_OFF, _OFF_NOISE * noise)
    share = np.maximum(np.mean(away > limit, axis=0), np.mean(away < -limit, axis=0))
    found = np.flatnonzero(share >= _MOST_OF)
    return found if len(found) <= _MOST_LINES * n_seen else found[:0]


def _medians(values: list[NDArray[Any]]) -> NDArray[Any]:
    """Return the medians of an odd number of arrays, element by element.

    Notes
    -----
    Of more than half of the values neither the largest nor the smallest is the median: both are dropped, another value
    is taken in, and so on. Whole arrays are compared at once: a tenth of the time of sorting each element's.
    """
    enough = len(values) // 2 + 2
    kept, rest = values[:enough], values[enough:]
    while len(kept) > 1:
        for k in range(len(kept) - 1):
            kept[k], kept[k + 1] = np.minimum(kept[k], kept[k + 1]), np.maximum(kept[k], kept[k + 1])
        for k in range(len(kept) - 2, 0, -1):
            kept[k - 1], kept[k] = np.minimum(kept[k - 1], kept[k]), np.maximum(kept[k - 1], kept[k])
        kept, rest = kept[1:-1] + rest[:1], rest[1:]
    return kept[0]
