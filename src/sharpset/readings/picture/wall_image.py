"""Walls that a camera sees beside edges, as light that is taken off the picture."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["WallImage"]

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class WallImage:
    """Light of walls over that of the ground.

    Attributes
    ----------
    share : ndarray of float32, shape (n_rows, n_columns)
        Share of the contrast that walls add at each pixel of a piece's crop, blurred as the picture is.
    """

    share: NDArray[np.float32]

    def without(self, seen: FloatArray, columns: FloatArray, rows: FloatArray) -> FloatArray:
        """Return the share solid at whole pixels (counted from the crop's corner), walls taken off."""
        return np.asarray(seen - self.share[np.asarray(rows, dtype=np.intp), np.asarray(columns, dtype=np.intp)])
