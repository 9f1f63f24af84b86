"""Does noise rise from pixel to pixel, as it does where a picture was sharpened?

Noise of a sensor is white or, where light was blurred or averaged since, the more alike the nearer two pixels are. A
mask that sharpens takes its neighbours' share from every pixel, so that pixels next to each other differ more than
those two and three apart do. Texture of a print lies the other way and hides it; so does loss in JPEG files.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from sharpset.pieces import Piece
from sharpset.readings.picture.light import sample_points
from sharpset.scans import Pose

__all__ = ["noise_rises"]

_REACH_PX = 7
_MOST_SQUARES, _FEWEST_SQUARES = 2500, 100
_QUIET = 0.8
"""Share of the squares that count, those that scatter least: dust and misprints lie in the others."""
_MORE, _SURE = 1.008, 3.0
"""By how much neighbours must differ more than pixels further apart, along rows and columns, as a ratio of variances
and in standard errors. Of rendered scans those that were not sharpened showed ratios of 0.99 to 1.0 in the least of
four, masks of a radius of 1 pixel 1.014 to 1.04 at a strength of 0.4 and 1.06 to 1.08 at 1."""


def noise_rises(stored: NDArray[Any], origin: tuple[int, int], pose: Pose, piece: Piece) -> bool:
    """Tell whether pixels of the plate differ more from their neighbours than from pixels further on.

    Parameters
    ----------
    stored : ndarray
        The piece and a margin as stored.
    origin : (column, row) of ``stored[0, 0]`` in the scan
    pose : Pose
    piece : Piece

    Returns
    -------
    bool
        False where too little of the plate shows, or all of it is of one value.
    """
    points = sample_points(piece)[0]
    points = points[:: max(1, len(points) // _MOST_SQUARES)]
    column, row = (np.round(pose.to_pixels(points)).astype(np.intp) - np.array(origin)).T
    n_rows, n_columns = stored.shape
    inside = (column >= _REACH_PX) & (row >= _REACH_PX)
    inside &= (column < n_columns - _REACH_PX) & (row < n_rows - _REACH_PX)
    if inside.sum() < _FEWEST_SQUARES:
        return False
    span = np.arange(-_REACH_PX, _REACH_PX + 1)
    rows, columns = row[inside, None, None] + span[:, None], column[inside, None, None] + span
    squares = stored[rows, columns].astype(np.float32)
    scatter = squares.std(axis=(1, 2))
    squares = squares[scatter <= np.quantile(scatter, _QUIET)]
    return all(_differ_more(squares, axis, further) for axis in (1, 2) for further in (2, 3))


def _differ_more(squares: NDArray[np.float32], axis: int, further: int) -> bool:
    """Whether neighbours along an axis differ more than pixels so many further on do."""
    values = np.moveaxis(squares, axis, -1)
    near = np.square(np.diff(values, axis=-1)).mean(axis=(1, 2), dtype=float)
    far = np.square(values[..., further:] - values[..., :-further]).mean(axis=(1, 2), dtype=float)
    if not far.mean() > 0:
        return False
    more = near - far
    error = float(more.std()) / np.sqrt(len(more))
    return bool(near.mean() > _MORE * far.mean() and more.mean() > _SURE * error)
