"""Traces that a scanning program leaves when it stretches the levels of a picture or brightens it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from sharpset.errors import ReadingError
from sharpset.readings.picture.light import PieceLight
from sharpset.scans import Scan

__all__ = [
    "FEW_VALUES",
    "Levels",
    "check_values",
    "count_gaps",
    "count_spikes",
    "fills_scale",
    "is_stretched",
    "share_of_values",
]

_MOST_PIXELS = 4_000_000
_REACH = 3
"""A stretch by a half leaves every third value empty; values this far on either side tell how often one is due."""
_FEWEST_DUE, _EMPTY = 30.0, 0.1
"""From how many pixels that a value is due an empty one is no accident, and below which share of them it counts as
empty: the chance of three pixels or fewer where thirty are due is below one in a million million."""
_FEWEST_FOR_SPIKES, _SPIKE = 200.0, 1.5
"""From how many pixels of its neighbours a value that is half as frequent again is no accident (four and a half
standard deviations); two values that were pressed into one are twice as frequent."""
_FEWEST_VALUES, FEW_VALUES = 12, 0.6
_FEWEST_LEFT = 7
"""On a scan of 600 dpi that was rounded, sizes left their intervals at 4 and 5 values, and not at 7, 9 and more."""
_HEAP = 1e-3
"""Automatic levels send 0.1 % to 2 % of the pixels to either end of the scale (common practice, no source); a card and
a plate that are exposed well reach neither."""
_TAIL, _OF_HEAP = 32, 0.1
"""Part of the scale beside either end, and how many pixels it holds at least, as a share of those at the end. Levels
that were stretched cut off the tail of a level, so that what is left of it lies beside; single pixels that are dead,
hot or disturbed stand at an end alone."""
_FEWEST_GAPS, _FEWEST_SPIKES = 3, 5
"""The levels of plate and background may be a spike each."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Levels:
    """What a program did to the stored values: values missing or doubled, both ends reached, or few values left."""

    stretched: bool
    filled: bool
    few: bool = False

    @classmethod
    def of(cls, scan: Scan, light: PieceLight) -> Levels:
        """Look at the stored values of a piece."""
        stretched = scan.kind != "JPEG" and is_stretched(light.stored)
        # Cameras send highlights there.
        filled = not stretched and scan.viewing is None and fills_scale(light.stored)
        return cls(stretched=stretched, filled=filled, few=stretched and share_of_values(light.stored) < FEW_VALUES)


def count_gaps(stored: NDArray[Any]) -> int:
    """Return how many values inside the range of an 8-bit picture are empty while their neighbours are not.

    Parameters
    ----------
    stored : ndarray of uint8
        Pixels as stored; of any other type there is nothing to tell.

    Notes
    -----
    Light, noise and blur fill the values between dark and bright without gaps. A curve that is steeper than one,
    applied to whole numbers, leaves some out. Compression that loses (JPEG) fills them again.
    """
    counts = _counts(stored)
    around = np.lib.stride_tricks.sliding_window_view(np.pad(counts, _REACH), 2 * _REACH + 1)
    # Values must be frequent on both sides: where a level's noise ends they are on one side only.
    due = np.minimum(around[:, :_REACH].max(axis=1), around[:, _REACH + 1 :].max(axis=1))
    return int(np.sum((due > _FEWEST_DUE) & (counts < _EMPTY * due)))


def count_spikes(stored: NDArray[Any]) -> int:
    """Return how many values of an 8-bit picture are far more frequent than both of their neighbours.

    A curve that is flatter than one, applied to whole numbers, presses some of them together.
    """
    counts = _counts(stored)
    middle, beside = counts[1:-1], np.maximum(counts[:-2], counts[2:])
    return int(np.sum((beside > _FEWEST_FOR_SPIKES) & (middle > _SPIKE * beside)))


def share_of_values(stored: NDArray[Any]) -> float:
    """Return which share of the values between dark and bright an 8-bit picture uses; 1 where too few pixels tell.

    A palette of few colours, or light that was rounded to few levels (posterised), leaves most of them out.
    """
    between = _between(stored)
    # Where fewer pixels than this lie between the two levels, chance leaves values out.
    if len(between) < _FEWEST_VALUES or np.sort(between)[:-2].sum() < _FEWEST_DUE * len(between):
        return 1.0
    return float(np.mean(between > 0))


def check_values(scan: Scan, light: PieceLight) -> None:
    """Refuse a picture that was rounded to so few values that edges have lost their shape.

    Raises
    ------
    ReadingError
    """
    between = _between(light.stored)
    left = int(np.count_nonzero(between))
    if scan.kind != "JPEG" and left < _FEWEST_LEFT and len(between) >= _FEWEST_VALUES:
        raise ReadingError(
            f"{scan.path}: only {left} different values lead from ground to plate (a palette, or rounding to few "
            f"levels); {_FEWEST_LEFT} are needed. Save in 8 or 16 bits, grey or full colour, without a palette."
        )


def _between(stored: NDArray[Any]) -> NDArray[np.float64]:
    """Return how many pixels have each value between dark and bright of an 8-bit picture."""
    counts = _counts(stored)
    below = np.cumsum(counts) / max(float(counts.sum()), 1.0)
    low, high = (int(np.searchsorted(below, share)) for share in (0.02, 0.98))
    return counts[low : high + 1]


def _counts(stored: NDArray[Any]) -> NDArray[np.float64]:
    if stored.dtype != np.uint8:
        return np.zeros(256)
    step = max(1, -(-stored.size // _MOST_PIXELS))
    kept = np.ascontiguousarray(stored[::step])
    return np.asarray(cv2.calcHist([kept], [0], None, [256], [0, 256]), dtype=float).ravel()


def is_stretched(stored: NDArray[Any]) -> bool:
    """Return whether the values of a picture went through another curve after it was scanned."""
    if count_gaps(stored) >= _FEWEST_GAPS or count_spikes(stored) >= _FEWEST_SPIKES:
        return True
    return share_of_values(stored) < FEW_VALUES


def fills_scale(stored: NDArray[Any]) -> bool:
    """Return whether many pixels of a picture lie at the lowest and at the highest value there is.

    Levels that a scanning program stretches before it rounds to 8 bits, or those of a picture of 16 bits or of a JPEG
    file, leave no other trace.
    """
    if stored.dtype not in (np.uint8, np.uint16):
        return False
    kept = stored[:: max(1, -(-stored.size // _MOST_PIXELS))]
    top = int(np.iinfo(stored.dtype).max)
    reach = (top + 1) // _TAIL
    for end, beside in ((0, (1, reach)), (top, (top - reach, top - 1))):
        heap = np.count_nonzero(kept == end)
        if heap < _HEAP * kept.size:
            return False
        if np.count_nonzero((kept >= beside[0]) & (kept <= beside[1])) < _OF_HEAP * heap:
            return False
    return True
