"""Where the fits of round holes begin: from the light that each sector lacks, so that dust spoils only some sectors."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sharpset.readings.picture.medians import row_medians

__all__ = ["MISPLACED_MM", "sectors_of", "start_discs"]

FloatArray = NDArray[np.float64]
_FAINT, _MOST_MISSING = 0.15, 1.2
MISPLACED_MM = 0.12
"""Printers misplace holes by less, and uneven travel stretches scans by less (common practice, no source)."""
_SMALL_PX = 6.0
_MOST_PIXELS = 2000
_SECTOR_PX, _FEWEST_SECTORS, _MOST_SECTORS = 2.5, 8, 32


def start_discs(
    holes: Sequence[tuple[FloatArray, FloatArray, FloatArray]], radii_mm: Sequence[float], *, pixel_area_mm2: float
) -> FloatArray:
    """Return start values of holes.

    Parameters
    ----------
    holes : sequence of (x, y, solid)
        Pixels from each hole's nominal centre, mm on the glass, and their share solid.
    radii_mm : sequence of float
        Nominal.
    pixel_area_mm2 : float

    Returns
    -------
    ndarray of float, shape (n, 5)
        Centre x and y, radius (mm), level around the hole, contrast.
    """
    found = np.tile([0.0, 0.0, 0.0, 1.0, 1.0], (len(holes), 1))
    found[:, 2] = radii_mm
    begun = [
        _Begun.of(*hole, radius_mm=radius, pixel_area_mm2=pixel_area_mm2)
        for hole, radius in zip(holes, radii_mm, strict=True)
    ]
    large = [i for i, one in enumerate(begun) if one.small is None]
    for i, one in enumerate(begun):
        if one.small is not None:
            found[i, :3] = one.small
    centres = np.zeros((len(large), 2))
    radius = found[large, 2]
    for _ in range(2):
        sectors = [begun[i].sectors(centre) for i, centre in zip(large, centres, strict=True)]
        moved = _circles(sectors, np.array([np.sqrt(begun[i].area_mm2) for i in large]))
        centres, radius = centres + moved[:, 1:], moved[:, 0]
    nominal = found[large, 2]
    good = (radius > 0.15 * nominal) & (radius < 1.5 * nominal + MISPLACED_MM)
    where = np.array(large, dtype=np.intp)[good]
    found[where, :2], found[where, 2] = centres[good], radius[good]
    return found


def sectors_of(
    hole: tuple[FloatArray, FloatArray, FloatArray], *, radius_mm: float, pixel_area_mm2: float
) -> Callable[[FloatArray], FloatArray]:
    """Return what tells the radius of a hole in each of up to 32 sectors about a centre, by the light that it lacks.

    Parameters
    ----------
    hole : (x, y, solid)
    radius_mm, pixel_area_mm2 : float
        Nominal radius; area of a pixel.

    Returns
    -------
    callable
        Of a centre, ndarray of float, shape (2,); gives ndarray of float, shape (n_sectors,), from -180 degrees on.
    """
    return _Begun.of(*hole, radius_mm=radius_mm, pixel_area_mm2=pixel_area_mm2).sectors


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Begun:
    """The pixels of a hole that its start values come from; `small` are those of a hole of a few pixels."""

    x: FloatArray
    y: FloatArray
    missing: FloatArray
    radius_mm: float
    area_mm2: float
    hollow: bool
    small: FloatArray | None

    @classmethod
    def of(cls, x: FloatArray, y: FloatArray, solid: FloatArray, *, radius_mm: float, pixel_area_mm2: float) -> _Begun:
        near = np.flatnonzero(x * x + y * y <= (radius_mm + max(MISPLACED_MM, 3 * np.sqrt(pixel_area_mm2))) ** 2)
        # Of a large hole some of the pixels say enough; rows are not a multiple of the step long, as a rule.
        step = max(1, len(near) // _MOST_PIXELS)
        kept, area = near[::step], pixel_area_mm2 * step
        x, y = x[kept], y[kept]
        missing = np.clip(1 - solid[kept], 0.0, _MOST_MISSING)
        missing[missing < _FAINT] = 0.0
        total = max(float(missing.sum()), 1e-9)
        found = float(np.sqrt(max(total * area, 1e-9) / np.pi))
        hollow = float(np.sqrt((x * x + y * y).min())) > 0.3 * radius_mm if len(x) else True
        small = None
        if not hollow and 2 * found < _SMALL_PX * np.sqrt(area):
            centre = (float(missing @ x) / total, float(missing @ y) / total)
            small = np.array([*centre, max(min(found, 1.5 * radius_mm), 0.15 * radius_mm)])
        return cls(x=x, y=y, missing=missing, radius_mm=radius_mm, area_mm2=area, hollow=hollow, small=small)

    def sectors(self, centre: FloatArray) -> FloatArray:
        """Return the radius of each sector about a centre by the light that it lacks."""
        x, y = self.x - centre[0], self.y - centre[1]
        around = 2 * np.pi * self.radius_mm / (_SECTOR_PX * np.sqrt(self.area_mm2))
        n = int(np.clip(around, _FEWEST_SECTORS, _MOST_SECTORS))
        sector = ((np.arctan2(y, x) + np.pi) / (2 * np.pi) * n).astype(int) % n
        inner = np.sqrt((x * x + y * y).min()) if self.hollow and len(x) else 0.0
        area = np.bincount(sector, self.missing, n) * self.area_mm2 + np.pi * inner**2 / n
        return np.asarray(np.sqrt(n * area / np.pi))


def _circles(sectors: Sequence[FloatArray], pixel_mm: FloatArray) -> FloatArray:
    """Return radius and centre of circles through the sectors' own radii by Tukey's biweight, shape (n, 3)."""
    if not sectors:
        return np.zeros((0, 3))
    counts = np.array([len(own) for own in sectors])[:, None]
    number = np.arange(counts.max())
    known = number < counts
    own = np.zeros(known.shape)
    own[known] = np.concatenate(sectors)
    angle = (number + 0.5) * 2 * np.pi / counts - np.pi
    # About a centre that is nearly right the radius rises and falls with the centre's own error.
    design = np.stack((np.ones(known.shape), np.cos(angle), np.sin(angle)), axis=1)
    off = np.abs(own - row_medians(own, known)[:, None])
    weight = np.where(off <= 2 * row_medians(off, known)[:, None] + 1e-9, 1.0, 0.1) * known
    for _ in range(6):
        weighted = design * weight[:, None]
        normal = weighted @ design.transpose(0, 2, 1) + 1e-9 * np.eye(3)
        solution = np.linalg.solve(normal, weighted @ own[..., None])[..., 0]
        away = np.abs(own - np.einsum("nk,nkm->nm", solution, design))
        scale = np.maximum(1.4826 * row_medians(away, known), 0.1 * pixel_mm)[:, None]
        weight = np.clip(1 - (away / (4 * scale)) ** 2, 0.0, None) ** 2 * known
    return np.asarray(solution)
