"""Find a piece by its openings where its outline does not show: a brim is left on, pieces touch, paper lies against it.

The directions of the edges in the picture tell how a piece may be turned; the picture is turned upright by each of
them and compared with the piece's pattern at every place (normalised cross-correlation).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["PatternPlace", "search_pattern"]

FloatArray = NDArray[np.float64]
Picture = NDArray[np.float32]
_BIN_DEG, _MOST_ANGLES = 0.5, 4
_LEAST_SCORE = 0.3
_MOST_PLACES = 40


@dataclass(frozen=True, kw_only=True, slots=True)
class PatternPlace:
    """Where a pattern may lie.

    Attributes
    ----------
    centre : (float, float)
        Of the piece, column and row in the picture.
    angle_deg : float
        Direction of the piece's x in the picture, from columns towards rows.
    score : float
        Absolute correlation.
    """

    centre: tuple[float, float]
    angle_deg: float
    score: float


def search_pattern(picture: Picture, pattern: Picture, *, border_px: int, room_px: int = 0) -> list[PatternPlace]:
    """Look for a pattern in all turns, mirror images and places.

    Parameters
    ----------
    picture : ndarray of float32
        At the same scale as the pattern.
    pattern : ndarray of float32
        The piece seen from below (row 0 at y = 0), 1 solid and 0 open.
    border_px : int
        Width of the pattern's border that is left out, as nothing is known of what lies beside the piece.
    room_px : int
        How far the pattern may reach beyond the picture.

    Returns
    -------
    list of PatternPlace
        The best first; no two lie within a third of the pattern's shorter side.
    """
    level = float(np.median(picture))
    room = 2 * ((room_px + 1) // 2)
    wider = cv2.copyMakeBorder(picture, room, room, room, room, cv2.BORDER_CONSTANT, value=level) if room else picture
    half = cv2.resize(wider, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    inner = pattern[border_px:-border_px, border_px:-border_px]
    small = cv2.resize(inner, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    found = [
        place
        for angle in _edge_angles(half[room // 2 : half.shape[0] - room // 2, room // 2 : half.shape[1] - room // 2])
        for place in _places(half, small, angle)
    ]
    found.sort(key=lambda place: -place.score)
    kept: list[PatternPlace] = []
    apart = min(small.shape) / 3
    for place in found:
        near = (np.hypot(place.centre[0] - k.centre[0], place.centre[1] - k.centre[1]) < apart for k in kept)
        if not any(near):
            kept.append(place)
        if len(kept) == _MOST_PLACES:
            break
    # A pixel of the halved picture covers two of the whole: their centres lie half a pixel apart.
    return [
        PatternPlace(
            centre=(2 * p.centre[0] + 0.5 - room, 2 * p.centre[1] + 0.5 - room), angle_deg=p.angle_deg, score=p.score
        )
        for p in kept
    ]


def _edge_angles(picture: Picture) -> list[float]:
    """Return the commonest directions of edges, modulo a quarter turn, degrees."""
    smooth = cv2.GaussianBlur(picture, (0, 0), 1.0)
    across, down = cv2.Scharr(smooth, cv2.CV_32F, 1, 0), cv2.Scharr(smooth, cv2.CV_32F, 0, 1)
    strength = np.hypot(across, down)
    strong = strength > np.quantile(strength[::3, ::3], 0.9)
    if not strong.any():  # a picture of one grey
        return []
    angle = np.degrees(np.arctan2(down[strong], across[strong])) % 90
    n = round(90 / _BIN_DEG)
    # Strong edges of foreign things shall not outweigh many.
    weight = np.minimum(strength[strong], np.median(strength[strong]))
    histogram = np.bincount((angle / _BIN_DEG).astype(int) % n, weight, n)
    ring = np.convolve(np.concatenate((histogram[-2:], histogram, histogram[:2])), [1, 2, 3, 2, 1], "valid")
    found: list[float] = []
    for index in np.argsort(-ring):
        # A parabola through three bins finds the peak between them.
        left, middle, right = ring[index - 1], ring[index], ring[(index + 1) % n]
        bend = left - 2 * middle + right
        shift = 0.5 * (left - right) / bend if bend < 0 else 0.0
        value = (index + 0.5 + np.clip(shift, -0.5, 0.5)) * _BIN_DEG
        if all(abs((value - other + 45) % 90 - 45) > 3 for other in found):
            found.append(float(value))
        if len(found) == _MOST_ANGLES:
            break
    return found


def _places(picture: Picture, pattern: Picture, angle_deg: float) -> Iterator[PatternPlace]:
    """Yield where the pattern fits a picture whose edges run along an angle, in four turns and mirrored."""
    n_rows, n_columns = picture.shape
    turn = np.radians(angle_deg)
    cos, sin = np.cos(turn), np.sin(turn)
    upright = np.array([[cos, sin], [-sin, cos]])
    corners = np.array([[0, 0], [n_columns, 0], [0, n_rows], [n_columns, n_rows]], dtype=float) @ upright.T
    low, high = np.floor(corners.min(axis=0)), np.ceil(corners.max(axis=0))
    width, height = (int(v) for v in high - low)
    matrix = np.column_stack((upright, -low)).astype(np.float32)
    level = float(np.median(picture))
    turned = cv2.warpAffine(picture, matrix, (width, height), flags=cv2.INTER_LINEAR, borderValue=level)
    back = upright.T
    for quarter in range(4):
        for mirrored in (False, True):
            shape = np.ascontiguousarray(np.rot90(pattern[::-1] if mirrored else pattern, -quarter))
            if shape.shape[0] > height or shape.shape[1] > width:
                continue
            score = np.abs(cv2.matchTemplate(turned, shape, cv2.TM_CCOEFF_NORMED))
            for row, column in _peaks(score, min(shape.shape) // 3):
                middle = np.array([column + (shape.shape[1] - 1) / 2, row + (shape.shape[0] - 1) / 2])
                x, y = back @ (middle + low)
                yield PatternPlace(
                    centre=(float(x), float(y)), angle_deg=angle_deg + 90 * quarter, score=float(score[row, column])
                )


def _peaks(score: FloatArray, apart: int) -> Iterator[tuple[int, int]]:
    """Yield the highest places of a table of scores, none near another."""
    left = score.copy()
    for _ in range(_MOST_PLACES):
        row, column = (int(v) for v in np.unravel_index(int(np.argmax(left)), left.shape))
        if left[row, column] < _LEAST_SCORE:
            return
        yield row, column
        left[max(0, row - apart) : row + apart + 1, max(0, column - apart) : column + apart + 1] = 0.0
