"""What a fit of holes finds where there is no hole: the least that a hole must take from the light to be one.

The texture of a plate (grain, layer lines) has dark spots. A fit that may move its centre ends at the darkest one near
by, so that what chance can do is told by the same fit at places of the plate that are plain, as the detection limit of
an analysis is told by blanks.

References
----------
Currie, "Limits for qualitative detection and quantitative determination", Analytical Chemistry 40(3), 1968, 586-593.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import lru_cache

import numpy as np
import shapely
from numpy.typing import NDArray

from sharpset.pieces import Piece
from sharpset.readings.holes.discs import Disc, DiscFit

__all__ = ["faintest_hole_mm2", "lacking_mm2", "plain_places"]

FloatArray = NDArray[np.float64]
_N_PLACES, _FEWEST, _EVERY = 32, 12, 4
_GRID_MM, _CLEAR_MM, _REACH_MM = 0.7, 0.45, 0.25
_DOUBTFUL_BLURS = 3.0
"""Holes from this many blurs across on take two thirds of the light in their middle; texture does not."""
_UPPER, _BEYOND = 0.9, 2.0
"""Of one-sided normal scatter the upper tenth begins at 1.6 (one place) to 2.4 standard deviations (the best of a dozen
places): twice that is passed by chance in a thousand holes once, or less."""
_PLAINLY = 3.0
"""Holes that take so many times as much as the second of a few blanks, doubled, are plainly holes: of one-sided normal
scatter the second of eight lies below a third of the upper tenth's beginning once in eighty times."""


@lru_cache(maxsize=8)
def plain_places(piece: Piece) -> FloatArray:
    """Return places of a piece's plate that lie clear of all openings, of its code and of its border.

    Parameters
    ----------
    piece : Piece

    Returns
    -------
    ndarray of float, shape (n, 2)
        In the piece frame, mm, spread evenly over the piece; at most 32.
    """
    x = np.arange(_GRID_MM, piece.width_mm, _GRID_MM)
    y = np.arange(_GRID_MM, piece.height_mm, _GRID_MM)
    points = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    points = points[shapely.contains_xy(piece.outline, points[:, 0], points[:, 1])]
    # Cells that this piece's code leaves closed are open in the prints of other runs.
    voids = shapely.STRtree([piece.outline.exterior, *piece.void_shapes(), *piece.code_cells()])
    # Several times as fast as asking how far away the nearest is.
    beside, _ = voids.query(shapely.points(points), predicate="dwithin", distance=_CLEAR_MM)
    clear = np.delete(points, beside, axis=0)
    return np.asarray(clear[np.linspace(0, len(clear) - 1, min(len(clear), _N_PLACES)).astype(int)])


def lacking_mm2(fits: Sequence[DiscFit]) -> FloatArray:
    """Return the area of light that each hole takes from the plate, mm2."""
    return np.array([np.pi / 4 * fit.diameter_mm**2 * fit.contrast for fit in fits])


def faintest_hole_mm2(
    piece: Piece,
    discs: Sequence[Disc],
    fits: Sequence[DiscFit],
    *,
    in_doubt: NDArray[np.bool_],
    blur_mm: float,
    fit: Callable[[Sequence[Disc]], list[DiscFit]],
) -> float:
    """Return the least area of missing light that is more than the plate's texture shows by chance.

    Parameters
    ----------
    piece : Piece
    discs, fits : sequences, one entry a hole
    in_doubt : ndarray of bool, shape (n_holes,)
        Which of them are holes unless they take too little light.
    blur_mm : float
        Standard deviation of the scan's blur.
    fit : callable
        Fits holes as those of the piece were fitted.

    Returns
    -------
    float
        0 where no hole is small enough to be doubtful, where a few blanks tell already that all take plainly more, or
        where the plate has no room for blanks.
    """
    small = [one for one, found in zip(discs, fits, strict=True) if found.diameter_mm < _DOUBTFUL_BLURS * blur_mm]
    places = plain_places(piece) if small else np.empty((0, 2))
    if len(places) < _FEWEST or not in_doubt.any():
        return 0.0
    like = sorted(small, key=lambda one: one.diameter_mm)[len(small) // 2]
    blanks = [
        Disc(name="", diameter_mm=like.diameter_mm, x_mm=float(x), y_mm=float(y), reach_mm=_REACH_MM) for x, y in places
    ]
    few = np.sort(lacking_mm2(fit(blanks[::_EVERY])))
    if lacking_mm2(fits)[in_doubt].min() > _PLAINLY * _BEYOND * few[-2]:
        return 0.0
    return _BEYOND * float(np.quantile(lacking_mm2(fit(blanks)), _UPPER))
