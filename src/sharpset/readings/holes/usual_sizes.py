"""Sizes that a piece's other holes lead to expect of one: they weigh explanations against each other, no more.

Dust that passes for a part of a hole changes its area, and holes of one print that are much unlike those of about their
size are rare. What the pixels say of a hole's size is not drawn towards the others'.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sharpset.readings.picture.medians import median

__all__ = ["price_of_sizes", "usual_radii"]

FloatArray = NDArray[np.float64]
_ALIKE, _FEWEST = 2.0, 5
"""Holes within this factor of a hole's nominal size are like it; fewer than so many say nothing."""
_LEAST_MM = 0.006
"""Standard deviation of radii that holes of one print and size are thought to have at least (taken, no source)."""
_TAIL = 3.0
"""Degrees of freedom of Student's t: a hole in some dozens is misshapen."""


def usual_radii(radius_mm: FloatArray, nominal_mm: FloatArray) -> FloatArray:
    """Return what radius the other holes lead to expect of each and its scatter, infinite where they say nothing.

    Parameters
    ----------
    radius_mm, nominal_mm : ndarray of float, shape (n_holes,)

    Returns
    -------
    ndarray of float, shape (n_holes, 2)
    """
    off, size = radius_mm - nominal_mm, np.log(nominal_mm)
    usual = np.column_stack((nominal_mm, np.full(len(off), np.inf)))
    for i in range(len(off)):
        alike = np.abs(size - size[i]) < np.log(_ALIKE)
        alike[i] = False
        if np.count_nonzero(alike) >= _FEWEST:
            middle = median(off[alike])
            usual[i] = nominal_mm[i] + middle, max(1.4826 * median(np.abs(off[alike] - middle)), _LEAST_MM)
    return usual


def price_of_sizes(radius_mm: FloatArray, usual_mm: FloatArray) -> FloatArray:
    """Return minus twice the logarithm of how likely radii are beside those of the others (Student's t).

    Parameters
    ----------
    radius_mm : ndarray of float, shape (n_holes,)
    usual_mm : ndarray of float, shape (n_holes, 2)
        See `usual_radii`.
    """
    return np.asarray((_TAIL + 1) * np.log1p(((radius_mm - usual_mm[:, 0]) / usual_mm[:, 1]) ** 2 / _TAIL))
