"""Pixels around round holes: which of them tell of a hole, as they lie or drawn to a circle."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sharpset.readings.edges.blur import EdgeSpread
from sharpset.readings.holes.disc_model import Patches
from sharpset.readings.holes.out_of_round import OutOfRound, out_of_round
from sharpset.readings.picture.light import PieceLight
from sharpset.scans import Pose

__all__ = ["Disc", "HolePixels", "enough_mm", "joined", "pixels_around", "rounded"]

FloatArray = NDArray[np.float64]
_LEAST_REACH_MM, _LEAST_HOLLOW_MM, _ENOUGH_FLAT = 0.25, 0.5, 3000


@dataclass(frozen=True, kw_only=True, slots=True)
class Disc:
    """A round hole to be read; (x, y) is its nominal centre in the piece frame."""

    name: str
    diameter_mm: float
    x_mm: float
    y_mm: float
    reach_mm: float


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class HolePixels:
    """Pixels around one hole: position from its nominal centre (mm on the glass) and share solid."""

    x: FloatArray
    y: FloatArray
    solid: FloatArray
    column: NDArray[np.intp]
    row: NDArray[np.intp]
    area_mm2: float
    scale: float
    shape: OutOfRound | None = None


def enough_mm(disc: Disc, pose: Pose, spread: EdgeSpread) -> float:
    """Return how far from an edge pixels still add to what is known of it: the blur, and a few thousand beyond it."""
    radius = disc.diameter_mm / 2
    flat_from = radius + 4 * spread.mean_sigma_mm
    flat_to = np.sqrt(flat_from**2 + _ENOUGH_FLAT * float(np.prod(pose.pixel_mm)) / np.pi)
    widest = spread.halo_ratio if spread.halo else 1.0
    blur_mm = max(8.0, 4.0 * widest) * spread.mean_sigma_mm
    return float(min(disc.reach_mm, max(_LEAST_REACH_MM, blur_mm, flat_to - radius)))


def pixels_around(light: PieceLight, pose: Pose, disc: Disc) -> HolePixels:
    pixel = np.array(pose.pixel_mm)
    centre = pose.to_pixels([[disc.x_mm, disc.y_mm]])[0]
    scale = float(np.sqrt(abs(np.linalg.det(pose.linear_mm))))
    reach = disc.diameter_mm * scale / 2 + disc.reach_mm
    n_rows, n_columns = light.shape
    left, top = light.origin
    low = np.maximum(np.floor(centre - reach / pixel).astype(int), [left, top])
    high = np.minimum(np.ceil(centre + reach / pixel).astype(int), [left + n_columns - 1, top + n_rows - 1])
    columns, rows = np.arange(low[0], high[0] + 1), np.arange(low[1], high[1] + 1)
    x, y = (columns - centre[0]) * pixel[0], (rows - centre[1]) * pixel[1]
    square = x * x + (y * y)[:, None]
    # The middle of a large hole says nothing about its edge.
    inner = disc.diameter_mm * scale / 2 - disc.reach_mm
    keep = square <= reach**2
    if inner >= _LEAST_HOLLOW_MM:
        keep &= square >= inner**2
    row, column = np.divmod(kept := np.flatnonzero(keep), len(columns))
    x, y = x.take(column), y.take(row)
    solid = light.solid_grid(columns, rows, kept) if len(row) else np.zeros(0)
    if light.spill is not None:
        at = (disc.x_mm, disc.y_mm)
        drawn = at + np.linalg.solve(pose.linear_mm, np.stack((x, y))).T
        solid = solid - light.spill.beside_hole(drawn, centre_mm=at, diameter_mm=disc.diameter_mm)
    return HolePixels(
        x=x,
        y=y,
        solid=solid,
        column=column,
        row=row,
        area_mm2=float(pixel.prod()),
        scale=scale,
    )


def rounded(patches: Sequence[HolePixels], discs: Sequence[Disc], sigma: float) -> list[list[HolePixels]]:
    """Return patches as they are and, of holes that may be out of round, also drawn to a circle."""
    shapes = out_of_round(
        [(one.x, one.y, one.solid) for one in patches],
        [disc.diameter_mm * one.scale / 2 for disc, one in zip(discs, patches, strict=True)],
        pixel_area_mm2=patches[0].area_mm2,
        sigma_mm=sigma,
    )
    ways = []
    for patch, shape in zip(patches, shapes, strict=True):
        ways.append([patch])
        if shape is not None:
            x, y = shape.drawn(patch.x, patch.y)
            ways[-1].append(replace(patch, x=x, y=y, shape=shape))
    return ways


def joined(patches: Sequence[HolePixels], far_mm: FloatArray, ring_mm: float) -> Patches:
    return Patches.joined(
        [one.x for one in patches],
        [one.y for one in patches],
        [one.solid for one in patches],
        [one.column for one in patches],
        [one.row for one in patches],
        far_mm,
        ring_mm,
    )
