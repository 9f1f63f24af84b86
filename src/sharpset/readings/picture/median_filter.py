"""Filters against specks (medians) that a scanning program ran over a picture: their trace, and what they take.

A median of a square of pixels leaves long straight edges where they are and rounds off what is small: it closes holes
and fills strips narrower than half of it. It gives each pixel a value that stood there before, so that neighbours are
exactly alike far more often than light and noise make them, as far as their squares share pixels.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["Filtered", "MedianLoss", "median_loss", "median_window"]

FloatArray = NDArray[np.float64]
_MOST_PIXELS = 1400
"""Rows and columns amid the piece that are looked at."""
_EDGE = 0.25
"""Share of the picture's range over three pixels from which on an edge is there: along it values differ smoothly."""
_LEAST_RANGE = 24
"""Values of 8 bits from ground to plate at least: differences of one or two must be noise and no part of an edge."""
_LAGS, _FAR = 13, 9
_FEWEST = 2000
_FILTERED, _SHARED = 1.6, 1.12
"""How much more often neighbours (and pixels further along) are alike than pixels nine and more apart. Filtered
pictures showed 1.9 to 3.4 for neighbours and at three pixels, of 5 x 5 pixels, 1.3 to 1.5 (3 x 3: 1.1 at most; 7 x 7:
1.14 at five); 45 pictures of all kinds that were not filtered so 0.9 to 1.24."""
_WINDOWS = {1: 3, 2: 3, 3: 5, 4: 5}
_DRAWN = 3
_SIZES_PX = (1.5, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 11.0, 16.0, 24.0, 40.0)
_WIDEST_STRIP_PX = 11.0
_PLACES_PX = ((0.0, 0.0), (0.5, 0.5), (0.25, 0.4))
_STEP_PX = 0.1
_U_LOSS = 0.5
"""Relative standard uncertainty of what is put back: on rendered scans it was off by up to a half (noise lets a median
move more, blur of another shape less) from the square's side on."""
_U_NARROW_PX = 0.15
"""The same of sizes that are no wider than the square, in pixels, less and less up to twice that: blur and contrast
that were told by wide edges are not those that noise and a median leave of narrow details. On two rendered scans
narrow strips were 0.15 to 0.3 pixels too wide."""


def median_window(stored: NDArray[Any], *, n_bits: int | None = None) -> int:
    """Return the side in pixels of the median's square that a picture went through: 0 (none), 3, 5 or 7 (or more).

    Parameters
    ----------
    stored : ndarray of uint8 or uint16
        Pixels as stored; pictures of other types, and files that lose (JPEG), show nothing.
    n_bits : int, optional
        How many of their bits carry the value; all by default.
    """
    if stored.dtype not in (np.uint8, np.uint16) or min(stored.shape) < 4 * _LAGS:
        return 0
    top, left = (max(0, (n - _MOST_PIXELS) // 2) for n in stored.shape)
    seen = stored[top : top + _MOST_PIXELS, left : left + _MOST_PIXELS]
    bits = 8 * stored.itemsize if n_bits is None else n_bits
    seen = (seen >> max(bits - 8, 0)).astype(np.int16)
    low, high = np.quantile(seen[::7, ::7], [0.02, 0.98])
    if high - low < _LEAST_RANGE:
        return 0
    counts = np.zeros((_LAGS, 5))
    for one in (seen, np.ascontiguousarray(seen.T)):
        counts += _alike(one, _EDGE * (high - low))
    if counts.sum(axis=1).min() < _FEWEST:
        return 0
    beside, further = (np.log(np.maximum(counts[:, [2 - k, 2 + k]].mean(axis=1), 1.0)) for k in (1, 2))
    # Smooth distributions are parabolas about 0, in logarithms.
    ratio = counts[:, 2] / np.exp((4 * beside - further) / 3)
    ratio = ratio / ratio[_FAR - 1 :].mean()
    if ratio[0] < _FILTERED:
        return 0
    reach = int(np.argmin(np.append(ratio, 0.0) > _SHARED))
    return _WINDOWS.get(reach, 7)


def _alike(values: NDArray[np.int16], steep: float) -> FloatArray:
    """Return how often pixels along upright edges differ by -2 to 2, by how far they are apart; shape (lags, 5)."""
    edges = np.zeros(values.shape, dtype=bool)
    np.greater(np.abs(values[:-_LAGS, 3:] - values[:-_LAGS, :-3]), steep, out=edges[:-_LAGS, 1:-2])
    flat, places = values.ravel(), np.flatnonzero(edges)
    here = flat.take(places)
    counts = np.zeros((_LAGS, 5))
    for lag in range(1, _LAGS + 1):
        step = flat.take(places + lag * values.shape[1]) - here
        counts[lag - 1] = np.bincount(step[np.abs(step) <= 2] + 2, minlength=5)
    return counts


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class MedianLoss:
    """What a median takes from holes and strips of a given blur.

    Attributes
    ----------
    window : int
        Side of its square, pixels.
    pixel_mm : float
    drawn_px : ndarray of float, shape (n,)
        Sizes.
    hole_px, strip_px, slanted_px : ndarray of float, shape (n,)
        What holes, strips along rows or columns, and strips at 45 degrees measure, filtered.
    """

    window: int
    pixel_mm: float
    drawn_px: FloatArray
    hole_px: FloatArray
    strip_px: FloatArray
    slanted_px: FloatArray

    @property
    def narrowest_mm(self) -> float:
        """Size below which what is left is mostly the filter's: the side of its square."""
        return self.window * self.pixel_mm

    def of_holes(self, seen_mm: FloatArray) -> FloatArray:
        """Return what holes were made smaller by, mm."""
        return self._lost(seen_mm, self.hole_px)

    def of_strips(self, seen_mm: FloatArray, normal: FloatArray) -> FloatArray:
        """Return what strips with the given unit normals were made narrower by, mm."""
        slanted = np.abs(2 * normal[:, 0] * normal[:, 1])
        straight = self._lost(seen_mm, self.strip_px)
        return np.asarray(straight + slanted * (self._lost(seen_mm, self.slanted_px) - straight))

    def u_mm(self, lost_mm: FloatArray, size_mm: FloatArray) -> FloatArray:
        """Return the standard uncertainty of sizes that what they had lost was put back to."""
        narrow = np.clip(2 - size_mm / self.narrowest_mm, 0.0, 1.0)
        return np.asarray(np.hypot(_U_LOSS * lost_mm, _U_NARROW_PX * self.pixel_mm * narrow))

    def summary(self) -> str:
        """Return what was found in one line."""
        return f"the picture was filtered against specks (a median of {self.window} x {self.window} pixels)"

    def _lost(self, seen_mm: FloatArray, filtered_px: FloatArray) -> FloatArray:
        seen = np.asarray(seen_mm, dtype=float) / self.pixel_mm
        lost = self.drawn_px - filtered_px
        return np.asarray(np.interp(seen, filtered_px, lost, right=0.0) * self.pixel_mm)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Filtered:
    """What was put back of a piece's strips and holes, mm each."""

    loss: MedianLoss
    strips_mm: FloatArray
    holes_mm: FloatArray


def median_loss(window: int, blur_px: float, pixel_mm: float) -> MedianLoss:
    """Return what a median of `window` x `window` pixels takes from sizes, by filtering drawn holes and strips.

    Parameters
    ----------
    window : int
        3 or 5.
    blur_px : float
        Standard deviation of the edge spread, the pixel's own box included.
    pixel_mm : float
    """
    optical = float(np.sqrt(max(blur_px**2 - 1 / 12, 0.05)))
    sizes = np.array(_SIZES_PX)
    narrow = sizes <= _WIDEST_STRIP_PX
    holes, strips, slanted = (
        _filtered_sizes(window, optical, sizes[chosen], angle)
        for chosen, angle in ((narrow | True, None), (narrow, 0.0), (narrow, np.pi / 4))
    )
    wide = sizes[~narrow]
    return MedianLoss(
        window=window,
        pixel_mm=pixel_mm,
        drawn_px=sizes,
        hole_px=holes,
        strip_px=np.append(strips, wide),
        slanted_px=np.append(slanted, wide),
    )


def _filtered_sizes(window: int, blur_px: float, sizes: FloatArray, angle: float | None) -> FloatArray:
    """Return the least-squares sizes of drawn holes (no angle) or strips once they are filtered, never falling."""
    found = []
    for size in sizes:
        # As many pixels for all three, so that they can be compared.
        n = int(size + 8 * blur_px + 4 * window) | 1
        moved = []
        for place in _PLACES_PX:
            less, drawn, more = (
                _drawing(size + change, blur_px, place, angle, n) for change in (-_STEP_PX, 0.0, _STEP_PX)
            )
            per_size = (more - less) / (2 * _STEP_PX)
            off = cv2.medianBlur(drawn, window) - drawn
            # The ends of a strip lie outside.
            inner = slice(window, -window) if angle is None else slice(len(drawn) // 2 - 3, len(drawn) // 2 + 4)
            moved.append(float(np.sum((per_size * off)[inner]) / np.sum(per_size[inner] ** 2)))
        found.append(size + min(float(np.mean(moved)), 0.0))
    return np.maximum.accumulate(np.array(found) + 1e-6 * np.arange(len(found)))


def _drawing(
    size: float, blur_px: float, place: tuple[float, float], angle: float | None, n: int
) -> NDArray[np.float32]:
    at = (np.arange(n * _DRAWN, dtype=np.float32) + 0.5) / _DRAWN - n / 2
    x, y = at[None, :] - np.float32(place[0]), at[:, None] - np.float32(place[1])
    away = np.hypot(x, y) if angle is None else np.abs(x * np.float32(np.cos(angle)) + y * np.float32(np.sin(angle)))
    fine = np.clip((np.float32(size / 2) - away) * _DRAWN + 0.5, 0, 1).astype(np.float32)
    fine = cv2.GaussianBlur(fine, (0, 0), blur_px * _DRAWN, borderType=cv2.BORDER_REPLICATE)
    return np.asarray(cv2.resize(fine, (n, n), interpolation=cv2.INTER_AREA), dtype=np.float32)
