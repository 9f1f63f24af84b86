"""Light that bleeds: a translucent piece is dim along its edges, and a ground is lit or dim beside walls.

Light that enters a translucent solid wanders and leaves through its walls where they are near; a ground beside tall
walls lacks light that they keep off, or gets some that they throw back. Either way light on one side of an edge changes
slowly with the share of solid round about, R * S, where R spreads over far more than the scan's blur:

    seen = S (1 - p (1 - R * S)) + (1 - S) g (R * S)

with S the share solid. With p = g that is a wide halo of the scan's own blur, which the edge spread holds already
(`spread`). Where p and g differ, the difference is measured and taken out of the picture (`bleed_fit`).
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

__all__ = ["Bleed", "near_at", "unbled"]

FloatArray = NDArray[np.float64]
_ROUNDS = 2
_U_EDGE = 0.05
_LEAST_LEFT = 0.2
"""Smallest share of the contrast that solid parts are believed to have left."""
_DENSITY = np.append(np.exp(-0.5 * ndtri(np.linspace(0, 1, 4097)) ** 2) / np.sqrt(2 * np.pi), 0.0)
_RISE = np.diff(_DENSITY, append=0.0)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Bleed:
    """How light bleeds on one piece.

    Attributes
    ----------
    plate, ground : float
        What the plate lacks, as a share of the contrast, per share of ground round about, and what the ground has too
        much per share of plate.
    reach_mm : float
        Standard deviation of the (narrower) kernel.
    solid_near : ndarray of float32, shape (n_rows, n_columns)
        Share of solid round about each cell of a coarse grid.
    cell_px : float
        Pixels a cell.
    blur_mm : float
        Standard deviation of the scan's blur.
    slope_per_mm : ndarray of float32, shape (n_rows, n_columns)
        How fast the share of solid near changes there.
    """

    plate: float
    ground: float
    reach_mm: float
    solid_near: NDArray[np.float32]
    cell_px: float
    blur_mm: float
    slope_per_mm: NDArray[np.float32]

    @property
    def u_edge_mm(self) -> float:
        """Standard uncertainty of each edge's place from the light that is taken out, common to all edges of a scan.

        Rendered scans with a known kernel came out within this share of the blur; without it they erred by ten times
        as much.
        """
        return _U_EDGE * abs(self.plate - self.ground) * self.blur_mm

    def without(self, seen: FloatArray, columns: FloatArray, rows: FloatArray) -> FloatArray:
        """Return the share solid at pixels (counted from the crop's corner), bled light taken out."""
        near, slope = (near_at(field, self.cell_px, columns, rows) for field in (self.solid_near, self.slope_per_mm))
        return unbled(seen, near, slope * self.blur_mm, self.plate, self.ground)

    def summary(self) -> str:
        """Return what was found in one line."""
        where = (
            f"the plate lacks {self.plate / 2:.0%} of the contrast"
            if self.plate > self.ground
            else f"the ground is {self.ground / 2:.0%} of the contrast nearer to the plate"
        )
        return (
            f"light bleeds along edges, where {where}, over {self.reach_mm:.2f} mm (a translucent piece, or walls that "
            "light or shade the ground); it is taken out, but opaque matt paint or another ground serves better"
        )


def unbled(
    seen: NDArray[np.floating], near: NDArray[np.floating], change: NDArray[np.floating], plate: float, ground: float
) -> FloatArray:
    """Solve the model for the share solid.

    Parameters
    ----------
    seen, near : ndarray of float
    change : ndarray of float
        Change of `near` within one blur width.
    plate, ground : float

    Notes
    -----
    Blur comes after the bleeding. The solid that a pixel on an edge sees lies on the solid's side of it, by
    s phi(z) / S on the mean for a normal blur s and S = Phi(z), where more solid is near.

    On a faint piece that is translucent the plate may lack as much as it differs from the ground; what is hidden
    wholly is not made up.
    """
    left = np.maximum(1 - plate * (1 - near) - ground * near, _LEAST_LEFT)
    rest = seen - ground * near
    solid = rest / left
    if not np.any(change):
        return np.asarray(solid)
    change = (plate - ground) * change
    for _ in range(_ROUNDS):
        solid = (rest - change * _density(solid)) / left
    return np.asarray(solid)


def _density(solid: FloatArray) -> FloatArray:
    """Return the density of a normal blur where its distribution has come to a share, from a table (good to 2e-5)."""
    place = np.clip(solid, 0.0, 1.0) * (len(_DENSITY) - 2)
    cell = place.astype(np.intp)
    place -= cell
    return _DENSITY.take(cell) + place * _RISE.take(cell)


def near_at(field: NDArray[np.float32], cell_px: float, columns: FloatArray, rows: FloatArray) -> FloatArray:
    """Return a coarse grid's values at pixels that are counted from the corner of its first cell.

    Columns and rows are broadcast against each other; between cells the values are interpolated.
    """
    most = 30_000
    # Cell k holds pixels k cell_px to (k + 1) cell_px.
    places = [((np.asarray(v, dtype=float) + 0.5) / cell_px - 0.5).astype(np.float32) for v in (columns, rows)]
    x, y = np.broadcast_arrays(*places)
    flat_x, flat_y = x.ravel(), y.ravel()
    # OpenCV addresses no longer rows.
    found = [
        cv2.remap(
            field,
            flat_x[None, i : i + most],
            flat_y[None, i : i + most],
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        )[0]
        for i in range(0, len(flat_x), most)
    ]
    return np.concatenate(found).astype(float).reshape(x.shape) if found else np.zeros(x.shape)
