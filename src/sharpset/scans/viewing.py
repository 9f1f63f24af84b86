"""From where a photograph was taken, as far as a picture made true to size keeps it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

__all__ = ["Viewing", "Viewpoint"]

FloatArray = NDArray[np.float64]
_ALIKE = 2e-4
"""Squares of slants (offset over height) that differ by less than about this count alike, so that pictures from one
place are averaged. Elsewhere the one with the smaller slant is seen, with about a millimetre of blend between two."""


class Viewpoint(NamedTuple):
    """Where a lens stood: along columns and rows from the picture's upper-left corner, and over the face."""

    x_mm: float
    y_mm: float
    height_mm: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Viewing:
    """The viewpoints of a picture that was made true to size from photographs.

    Attributes
    ----------
    points : tuple of Viewpoint
        One for each photograph that was put in.
    face_mm : float
        Height above the card of the plane that is true to size.
    u_height : float
        Relative standard uncertainty of the heights, which offsets over heights share.
    is_nearest : bool
        Whether every place is shown as the photograph from most straight above it saw it; pictures made by earlier
        versions show the middle of all photographs.
    is_linear : bool
        Whether the photographs held linear light, not tones that a camera bent to please.
    has_rulers : bool
        Whether the printed frame's rulers were measured; pictures made by earlier versions count as though they were.
    u_tones : float or None
        Relative standard uncertainty of the exponent of these tones; None in pictures made by earlier versions.
    """

    points: tuple[Viewpoint, ...]
    face_mm: float
    u_height: float = 0.0
    is_nearest: bool = True
    is_linear: bool = False
    has_rulers: bool = True
    u_tones: float | None = None

    def shares(self, points_mm: FloatArray) -> FloatArray:
        """Return how much each photograph counts at places of the picture.

        Parameters
        ----------
        points_mm : ndarray of float, shape (n, 2)
            Along columns and rows from the picture's upper-left corner.

        Returns
        -------
        ndarray of float, shape (n_views, n)
            Their sum over photographs is 1.
        """
        eyes = np.array(self.points, dtype=float)
        if not self.is_nearest:
            return np.full((len(eyes), len(points_mm)), 1 / len(eyes))
        away = np.sum((points_mm[None] - eyes[:, None, :2]) ** 2, axis=2) / eyes[:, None, 2] ** 2
        weight = np.exp(-(away - away.min(axis=0)) / _ALIKE)
        return np.asarray(weight / weight.sum(axis=0))
