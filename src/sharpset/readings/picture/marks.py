"""Marks in a picture of true and false pixels: grown as far as they hold together, and by a pixel all round."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["grown_within", "widened"]


def grown_within(seeds: NDArray[np.bool_], mask: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return the parts of a mask that hold a seed; pixels hang together by their sides.

    Parameters
    ----------
    seeds, mask : ndarray of bool, shape (n_rows, n_columns)
        Seeds outside the mask grow nothing.
    """
    count, part = cv2.connectedComponents(mask.view(np.uint8), connectivity=4)
    taken = np.zeros(count, dtype=bool)
    taken[part[seeds]] = True
    # Part 0 is what lies outside the mask.
    taken[0] = False
    return np.asarray(taken.take(part))


def widened(marks: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return marks with a pixel all round them, corners included."""
    return np.asarray(cv2.dilate(marks.view(np.uint8), np.ones((3, 3), dtype=np.uint8)).view(np.bool_))
