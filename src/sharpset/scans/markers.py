"""Find the markers of a photo frame in a picture, their corners to a few hundredths of a pixel."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sharpset.scans.frame import DICTIONARY, N_MODULES
from sharpset.scans.scan import Scan

__all__ = ["MarkerSighting", "find_markers", "n_in_mirror_image"]

FloatArray = NDArray[np.float64]

_SEARCH_SIDES_PX = (1600, 3200)
_N_PROFILES = 48
_N_STEPS = 33
_NEIGHBOURS = 9
"""Profiles beside each other whose levels count together: light changes along a side, print texture from point to
point."""
_LEAST_REACH_PX, _MOST_REACH_PX, _REACH_BLURS = 2.5, 12.0, 5.0
"""How far profiles reach: an error of the levels by 1 % moves an edge by a hundredth of it."""


@dataclass(frozen=True, kw_only=True, slots=True)
class MarkerSighting:
    """Markers found in one picture.

    Attributes
    ----------
    ids : ndarray of int, shape (n,)
    corners_px : ndarray, shape (n, 4, 2)
        Column and row, each marker clockwise from its own upper-left corner.
    twice : frozenset of int
        Markers that are seen at more than one place, which are left out.
    """

    ids: NDArray[np.int64]
    corners_px: FloatArray
    twice: frozenset[int] = frozenset()


def find_markers(scan: Scan) -> MarkerSighting:
    """Find all markers of the frame's dictionary.

    The search runs on reduced pictures; the four sides of every marker are then measured on native pixels, in linear
    light, and its corners are where they cross.

    Parameters
    ----------
    scan : Scan

    Returns
    -------
    MarkerSighting
        Empty where there are none.
    """
    found: dict[int, FloatArray] = {}
    twice: set[int] = set()
    for factor in reversed(_factors(scan)):
        here: set[int] = set()
        for marker_id, corners in _search(_small(scan, factor), factor):
            if marker_id in here:
                twice.add(marker_id)
            here.add(marker_id)
            found[marker_id] = corners
    found = {marker_id: corners for marker_id, corners in found.items() if marker_id not in twice}
    if not found:
        return MarkerSighting(ids=np.zeros(0, dtype=np.int64), corners_px=np.zeros((0, 4, 2)), twice=frozenset(twice))
    refined = [(marker_id, _refine(scan, corners)) for marker_id, corners in sorted(found.items())]
    kept = [(marker_id, corners) for marker_id, corners in refined if corners is not None]
    return MarkerSighting(
        ids=np.array([marker_id for marker_id, _ in kept], dtype=np.int64),
        corners_px=np.array([corners for _, corners in kept]).reshape(-1, 4, 2),
        twice=frozenset(twice),
    )


def n_in_mirror_image(scan: Scan) -> int:
    """How many markers a picture's mirror image shows: tells why a picture of the frame shows none."""
    factor = _factors(scan)[0]
    return len(_search(_small(scan, factor)[:, ::-1], factor))


def _factors(scan: Scan) -> list[int]:
    largest = max(scan.n_rows, scan.n_columns)
    return sorted({max(1, round(largest / side)) for side in _SEARCH_SIDES_PX} | ({1} if largest <= 2400 else set()))


def _small(scan: Scan, factor: int) -> NDArray[np.float64]:
    return np.asarray(scan.reduced(factor) / scan.full_scale)


def _search(small: NDArray[np.floating], factor: int) -> list[tuple[int, FloatArray]]:
    import cv2

    grey = np.ascontiguousarray(np.round(np.clip(small, 0, 1) * 255).astype(np.uint8))
    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, DICTIONARY))
    corners, ids, _ = cv2.aruco.ArucoDetector(dictionary, parameters).detectMarkers(grey)
    if ids is None:
        return []
    to_native = [(np.asarray(c, dtype=float).reshape(4, 2) + 0.5) * factor - 0.5 for c in corners]
    return list(zip((int(i) for i in ids.ravel()), to_native, strict=True))


def _refine(scan: Scan, corners: FloatArray) -> FloatArray | None:
    """Corners as crossings of the four sides; None where a side cannot be seen."""
    module_px = float(np.mean(np.linalg.norm(np.roll(corners, -1, axis=0) - corners, axis=1))) / N_MODULES
    reach = min(max(0.6 * module_px, _LEAST_REACH_PX), _MOST_REACH_PX)
    low = np.floor(corners.min(axis=0) - reach - 2).astype(int)
    high = np.ceil(corners.max(axis=0) + reach + 3).astype(int)
    if (low < 0).any() or high[0] > scan.n_columns or high[1] > scan.n_rows:
        return None
    light = scan.linear(slice(int(low[1]), int(high[1])), slice(int(low[0]), int(high[0])))
    local = corners - low
    for _ in range(3):
        sides = [_fit_side(light, local[i], local[(i + 1) % 4], reach) for i in range(4)]
        found = [side for side in sides if side is not None]
        if len(found) < len(sides):
            return None
        local = np.array([np.cross(found[i - 1].line, found[i].line) for i in range(4)])
        local = local[:, :2] / local[:, 2:]
        blur_px = float(np.median([side.blur_px for side in found]))
        reach = min(reach, max(_REACH_BLURS * blur_px, _LEAST_REACH_PX))
    moved = np.linalg.norm(local + low - corners, axis=1)
    return local + low if moved.max() < max(3.0, module_px) else None


class _Side(NamedTuple):
    """One side of a marker: a, b, c with a x + b y + c = 0, and the standard deviation of its blur."""

    line: FloatArray
    blur_px: float


def _fit_side(light: NDArray[np.float32], start: FloatArray, end: FloatArray, reach: float) -> _Side | None:
    """The line along one side of a marker, black on the right of start to end."""
    import cv2

    along = (end - start) / np.linalg.norm(end - start)
    outward = np.array([along[1], -along[0]])
    shares = np.linspace(0.1, 0.9, _N_PROFILES)[:, None]
    feet = start + shares * (end - start)
    steps = np.linspace(-reach, reach, _N_STEPS)
    places = (feet[:, None, :] + steps[None, :, None] * outward).astype(np.float32)
    profiles = cv2.remap(light, places[..., 0], places[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    n_ends = _N_STEPS // 6
    dark, bright = (_levels(part) for part in (profiles[:, :n_ends], profiles[:, -n_ends:]))
    contrast = bright - dark
    if np.median(contrast) < 0.05:
        return None
    # Where black of this level would have to end for the same light: unmoved by any symmetric blur.
    step = steps[1] - steps[0]
    share = (bright[:, None] - profiles) / np.maximum(contrast, 0.02)[:, None]
    offsets = -reach + step * (share[:, 1:-1].sum(axis=1) + 0.5 * (share[:, 0] + share[:, -1]))
    line = _robust_line(feet + offsets[:, None] * outward, offsets)
    if line is None:
        return None
    steepest = float(np.median(np.max(share[:, :-2] - share[:, 2:], axis=1))) / (2 * step)
    return _Side(line, 1 / (math.sqrt(2 * math.pi) * max(steepest, 1e-6)))


def _levels(ends: NDArray[np.float32]) -> FloatArray:
    """Level at one end of every profile, from its neighbours' too."""
    from scipy.ndimage import uniform_filter1d

    return np.asarray(uniform_filter1d(np.median(ends, axis=1).astype(float), _NEIGHBOURS, mode="nearest"))


def _robust_line(points: FloatArray, offsets: FloatArray) -> FloatArray | None:
    spread = 1.4826 * float(np.median(np.abs(offsets - np.median(offsets))))
    kept = points[np.abs(offsets - np.median(offsets)) <= max(3.0 * spread, 0.3)]
    if len(kept) < _N_PROFILES // 2:
        return None
    centre = kept.mean(axis=0)
    normal: Any = np.linalg.svd(kept - centre)[2][1]
    return np.array([normal[0], normal[1], -float(normal @ centre)])
