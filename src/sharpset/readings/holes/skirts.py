"""Skirts of foreign marks on holes: light too faint to be seen in a few pixels that still moves a rim."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from sharpset.readings.holes.disc_model import Patches
from sharpset.readings.holes.rim_marks import MOST_OF_RIM, NEAR_PX, as_image, away_mm, sum_about
from sharpset.readings.picture.medians import median

__all__ = ["with_skirts"]

FloatArray = NDArray[np.float64]
_PLAIN, _FELT = 2.0, 0.25
"""Noises of one pixel that means of three by three have on what is plainly a mark; light that is alike over sixteen
pixels is felt from a quarter of one on."""
_WIDE, _OF_NARROW = 2.5, 0.4
"""Radius in blurs from which on a hole has a flat middle, so that its rim tells its size; narrower ones tell it by all
the light that they take, of which skirts may not cost as much."""
_FADES_PX, _EVEN, _MOST_SKIRT_PX = (3, 2, 1), 0.7, 12
"""Over how many pixels inwards a mark's light is seen to fade, how many blurs from its middle at least (nearer it is
even), and the widest skirt."""


def with_skirts(
    patches: Patches, p: FloatArray, residual: FloatArray, marks: NDArray[np.bool_], noise: FloatArray, *, sigma: float
) -> NDArray[np.bool_]:
    """Return marks with their skirts: as far as their light, fading as it does at their borders, is felt by a rim.

    Parameters
    ----------
    patches : Patches
    p : ndarray of float, shape (n_holes, 5)
        Fits without the pixels of marks.
    residual : ndarray of float, shape (n,)
    marks : ndarray of bool, shape (n,)
    noise : ndarray of float, shape (n_holes,)
        Of one pixel.
    sigma : float
        Blur, mm.

    Returns
    -------
    ndarray of bool, shape (n,)

    Notes
    -----
    What is too faint to be seen in a few pixels still moves a rim, as it is alike over many, and a fit that holds it
    hides it. Where marks were found for little light nothing says how it fades.
    """
    out = marks.copy()
    for i, one in enumerate(patches.slices()):
        rim = np.abs(away_mm(patches, one, p[i])) < sigma
        if not marks[one].any() or (rim.any() and marks[one][rim].mean() > MOST_OF_RIM):
            continue
        at = (patches.row[one], patches.column[one])
        light = np.abs(sum_about(residual[one], at, NEAR_PX)) / (NEAR_PX * float(noise[i]))
        plainly = as_image(marks[one] & (light > _PLAIN), at)
        n, parts = cv2.connectedComponents(plainly.astype(np.uint8), connectivity=8)
        faded, known = as_image(light, at), as_image(np.ones(len(light), dtype=bool), at)
        reach = as_image(np.where(marks[one], np.inf, -1.0), at)
        for part in range(1, n):
            own = parts == part
            outside = cv2.distanceTransform((~own).astype(np.uint8), cv2.DIST_L2, 5)
            reach = np.maximum(reach, _skirt_px(faded, own, known) - outside)
        most = MOST_OF_RIM if p[i, 2] > _WIDE * sigma else _OF_NARROW
        for less in range(_MOST_SKIRT_PX):
            skirts = (reach > less)[at]
            if not rim.any() or skirts[rim].mean() <= max(most, marks[one][rim].mean()):
                out[one] = skirts
                break
    return out


def _skirt_px(light: FloatArray, own: NDArray[np.bool_], known: NDArray[np.bool_]) -> float:
    """Return how far beyond the border of what is plainly a mark its light is felt, if it fades as a normal curve does.

    `light` is in noises of one pixel; the mark goes on where no pixel is `known`.
    """
    inside = cv2.distanceTransform(np.pad(own | ~known, 1, mode="edge").astype(np.uint8), cv2.DIST_L2, 5)[1:-1, 1:-1]
    inside[~own] = 0.0
    peak = float(light[own].max())

    def blurs(level: float) -> float:
        """Return how many blurs from its middle a normal curve has faded to a level."""
        return float(np.sqrt(2 * np.log(max(peak / level, 1.0))))

    at_border = blurs(median(light[own & (inside <= 1.5)]))
    for depth in _FADES_PX:
        deeper = own & (inside > depth + 0.5) & (inside <= depth + 1.5)
        at_depth = blurs(median(light[deeper])) if deeper.any() else 0.0
        if at_depth > _EVEN or (depth == 1 and deeper.any()):
            per_px = max((at_border - at_depth) / depth, 1 / _MOST_SKIRT_PX)
            return float(min((blurs(_FELT) - at_border) / per_px, _MOST_SKIRT_PX))
    return 0.0
