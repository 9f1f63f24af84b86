"""Where an edge is found that has a band of light beside it: a wall that a lens sees at a slant."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["edge_beside_band"]

FloatArray = NDArray[np.float64]
_NARROW_BLURS = 3.0
"""Breadth of a band in blurs up to which an edge comes off it as if the blur were given. Broader ones make the blur
that is fitted broader too, so that an edge never comes off further."""
_FADING = 0.25
"""Light at the foot of a wall over that at the face. A wall of a slot as deep as wide sees, at its foot, 0.3 of the sky
that its upper edge sees, of one half as deep 0.55, of one twice as deep 0.1 (form factors of long slots)."""


def edge_beside_band(
    breadth_mm: FloatArray, share: FloatArray, blur_mm: FloatArray, *, fading: float = _FADING
) -> FloatArray:
    """Return where an edge is found that has a band of light beside it, from its own place, mm.

    Parameters
    ----------
    breadth_mm, share : ndarray of float, shape (n,)
        Of the band; its mean light between that of the ground, 0, and of the plate, 1.
    blur_mm : ndarray of float, shape (n,)
        Standard deviation of the edge that is fitted, normal.
    fading : float
        Light at the foot of the wall over that at the face, where the wall is not as light as the face all over.

    Notes
    -----
    Least squares of one blurred step to what a band makes of it: a step at the face, an even fall along the band, and
    another step at the foot. A narrow band moves an edge by its share of the breadth; from a broad one it comes off.
    """
    top = np.minimum(2.0 * share / (1.0 + fading), 1.0)
    foot = 2.0 * share - top
    root = np.sqrt(2.0) * np.maximum(np.maximum(blur_mm, breadth_mm / _NARROW_BLURS), 1e-6)
    low = np.zeros(np.broadcast(breadth_mm, share, root).shape)
    high = low + breadth_mm
    for _ in range(40):
        middle = (low + high) / 2
        short = _band(middle, breadth_mm, top, foot, root) < 0.5
        low, high = np.where(short, middle, low), np.where(short, high, middle)
    return np.asarray((low + high) / 2)


def _band(x: FloatArray, breadth: FloatArray, top: FloatArray, foot: FloatArray, blur: FloatArray) -> FloatArray:
    """Return the light at distances from an edge, towards the ground negative, that has a band beside it."""
    from scipy.special import ndtr

    near, far = x / blur, (x - breadth) / blur
    ramp = np.exp(-0.5 * near**2) - np.exp(-0.5 * far**2)
    along = (near * ndtr(near) - far * ndtr(far) + ramp / np.sqrt(2.0 * np.pi)) * blur / np.maximum(breadth, 1e-9)
    return np.asarray((1.0 - top) * ndtr(near) + (top - foot) * along + foot * ndtr(far))
