"""Where the fits of round holes begin: from the light that each sector lacks, so that dust spoils only some sectors."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["start_disc"]

FloatArray = NDArray[np.float64]
_FAINT, _MOST_MISSING = 0.15, 1.2
_MISPLACED_MM = 0.12
"""Printers misplace holes by less, and uneven travel stretches scans by less (common practice, no source)."""
_SMALL_PX = 6.0
_MOST_PIXELS = 2000
_SECTOR_PX, _FEWEST_SECTORS, _MOST_SECTORS = 2.5, 8, 32


def start_disc(
    x: FloatArray, y: FloatArray, solid: FloatArray, *, radius_mm: float, pixel_area_mm2: float
) -> FloatArray:
    """Return start values of a hole.

    Parameters
    ----------
    x, y : ndarray of float, shape (n,)
        Pixels from the hole's nominal centre, mm on the glass.
    solid : ndarray of float, shape (n,)
        Share solid.
    radius_mm : float
        Nominal.
    pixel_area_mm2 : float

    Returns
    -------
    ndarray of float, shape (5,)
        Centre x and y, radius (mm), level around the hole, contrast.
    """
    near = x * x + y * y <= (radius_mm + max(_MISPLACED_MM, 3 * np.sqrt(pixel_area_mm2))) ** 2
    # Of a large hole some of the pixels say enough; rows are not a multiple of the step long, as a rule.
    step = max(1, int(near.sum()) // _MOST_PIXELS)
    kept, pixel_area_mm2 = np.flatnonzero(near)[::step], pixel_area_mm2 * step
    x, y = x[kept], y[kept]
    missing = np.clip(1 - solid[kept], 0.0, _MOST_MISSING)
    missing[missing < _FAINT] = 0.0
    total = max(float(missing.sum()), 1e-9)
    found = float(np.sqrt(max(total * pixel_area_mm2, 1e-9) / np.pi))
    hollow = float(np.hypot(x, y).min()) > 0.3 * radius_mm if len(x) else True
    if not hollow and 2 * found < _SMALL_PX * np.sqrt(pixel_area_mm2):
        centre = np.array([(missing * x).sum(), (missing * y).sum()]) / total
        return np.array([*centre, max(min(found, 1.5 * radius_mm), 0.15 * radius_mm), 1.0, 1.0])
    centre, radius = np.zeros(2), radius_mm
    for _ in range(2):
        moved = _circle_of_sectors(x - centre[0], y - centre[1], missing, radius_mm, pixel_area_mm2, whole=not hollow)
        centre, radius = centre + moved[1:], float(moved[0])
    if not 0.15 * radius_mm < radius < 1.5 * radius_mm + _MISPLACED_MM:
        return np.array([0.0, 0.0, radius_mm, 1.0, 1.0])
    return np.array([*centre, radius, 1.0, 1.0])


def _circle_of_sectors(
    x: FloatArray, y: FloatArray, missing: FloatArray, radius: float, pixel_area_mm2: float, *, whole: bool
) -> FloatArray:
    """Return radius and centre of a circle through the sectors' own radii by Tukey's biweight."""
    n = int(np.clip(2 * np.pi * radius / (_SECTOR_PX * np.sqrt(pixel_area_mm2)), _FEWEST_SECTORS, _MOST_SECTORS))
    sector = ((np.arctan2(y, x) + np.pi) / (2 * np.pi) * n).astype(int) % n
    inner = 0.0 if whole else float(np.hypot(x, y).min())
    area = np.bincount(sector, missing, n) * pixel_area_mm2 + np.pi * inner**2 / n
    own = np.sqrt(n * area / np.pi)
    angle = (np.arange(n) + 0.5) * 2 * np.pi / n - np.pi
    # About a centre that is nearly right the radius rises and falls with the centre's own error.
    design = np.column_stack((np.ones(n), np.cos(angle), np.sin(angle)))
    weight = np.where(np.abs(own - np.median(own)) <= 2 * np.median(np.abs(own - np.median(own))) + 1e-9, 1.0, 0.1)
    for _ in range(6):
        weighted = (design * weight[:, None]).T
        solution = np.linalg.solve(weighted @ design + 1e-9 * np.eye(3), weighted @ own)
        away = own - design @ solution
        scale = max(1.4826 * float(np.median(np.abs(away))), 0.1 * np.sqrt(pixel_area_mm2))
        weight = np.clip(1 - (away / (4 * scale)) ** 2, 0.0, None) ** 2
    return np.asarray(solution)
