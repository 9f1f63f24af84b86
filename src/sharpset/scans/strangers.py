"""Plates of other pieces in a scan: told by the round marks in corners, which lie alike in stencils of any size."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from sharpset.pieces import mark_places
from sharpset.scans.outlines import COARSE_MM, Outline

__all__ = ["find_strangers", "places_mm", "without_strangers"]

FloatArray = NDArray[np.float64]
Picture = NDArray[np.float32]
_LEAST_MM, _MOST_MM = 12.0, 250.0
"""Sides of plates: two marks and what lies between them do not fit into less."""
_FRAME_MM = (0.3, 0.8)
"""How far from the outline a plate is solid, and its ground free, as far as their light is taken there."""
_OFF_MM = 0.3
"""How far a mark may lie from its place: two pixels of the reduced picture, and what a plate shrinks."""
_NARROWED, _WIDENED = 0.7, 1.2
"""A printed mark's diameter over the drawn one's."""
_ROUND = (0.62, 0.92)
"""Area of a disc over that of the square around it (0.785), as pixels and dirt on its rim let it come out."""
_FEWEST_CORNERS = 3
_FEWEST_OPENINGS = 8
_ROOM_PX = 4


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Upright:
    """A plate turned upright, as shares of the way from its own light to the ground's."""

    share: Picture
    margin_px: int


def find_strangers(
    coarse: Picture, outlines: Iterable[Outline], found: Sequence[FloatArray]
) -> list[tuple[Outline, FloatArray]]:
    """Return the plates in a reduced picture that are stencils by their marks and lie where no piece was found.

    Parameters
    ----------
    coarse : ndarray of float32
        The reduced picture.
    outlines : iterable of Outline
        All that may be plates; of several around one plate the first that shows it as a stencil counts.
    found : sequence of ndarray, shape (4, 2)
        Corners (column, row in the reduced picture) of the pieces that were found.

    Returns
    -------
    list of (Outline, ndarray of shape (4, 2))
        With their corners; none lies upon another or upon a piece.

    Notes
    -----
    Rules, paper, shadows and dust have no round openings at equal distances from three corners, a further one beside
    one of them, and openings between that are as dark (or as bright) as what lies around the plate.
    """
    taken = [np.asarray(corners, dtype=np.float32) for corners in found]
    strangers: list[tuple[Outline, FloatArray]] = []
    for outline in outlines:
        if min(outline.sides_mm) < _LEAST_MM or max(outline.sides_mm) > _MOST_MM:
            continue
        corners = cv2.boxPoints((outline.centre, [side / COARSE_MM for side in outline.sides_mm], outline.angle_deg))
        if any(_overlap(corners, other) for other in taken):
            continue
        if _is_stencil(coarse, outline):
            taken.append(corners)
            strangers.append((outline, np.asarray(corners, dtype=float)))
    return strangers


def without_strangers(coarse: Picture, strangers: Sequence[tuple[Outline, FloatArray]]) -> Picture:
    """Return a reduced picture in which plates are painted over with the light of most of the rest."""
    if not strangers:
        return coarse
    there = np.zeros(coarse.shape, np.uint8)
    for outline, _ in strangers:
        sides = [side / COARSE_MM + 2 * _ROOM_PX for side in outline.sides_mm]
        box = cv2.boxPoints((outline.centre, sides, outline.angle_deg))
        cv2.fillConvexPoly(there, np.round(box).astype(np.int32), 1)
    left = coarse.copy()
    rest = coarse[there == 0]
    left[there != 0] = float(np.median(rest)) if len(rest) else 0.0
    return left


def places_mm(strangers: Sequence[tuple[Outline, FloatArray]]) -> Iterator[tuple[float, float]]:
    """Yield where plates have their middles, mm from the left and the top of the picture."""
    for outline, _ in strangers:
        yield (outline.centre[0] + 0.5) * COARSE_MM, (outline.centre[1] + 0.5) * COARSE_MM


def _overlap(a: Picture, b: Picture) -> bool:
    """Return whether one quadrilateral holds the middle of the other or covers a tenth of it."""
    shared = float(cv2.intersectConvexConvex(a.astype(np.float32), b)[0])
    return shared > 0.1 * min(cv2.contourArea(a.astype(np.float32)), cv2.contourArea(b))


def _is_stencil(coarse: Picture, outline: Outline) -> bool:
    upright = _upright(coarse, outline)
    if upright is None:
        return False
    open_ = (upright.share > 0.5).astype(np.uint8)
    n, _, stats, middles = cv2.connectedComponentsWithStats(open_, connectivity=4)
    height, width = open_.shape
    left, top, wide, high, area = (stats[:, k] for k in range(5))
    # What surrounds the plate touches the border of this picture.
    inner = (left > 0) & (top > 0) & (left + wide < width) & (top + high < height) & (area >= 4)
    inner[0] = False
    if n - 1 < _FEWEST_OPENINGS or inner.sum() < _FEWEST_OPENINGS:
        return False
    filled = area / np.maximum(wide * high, 1)
    alike = np.abs(wide - high) <= np.maximum(2, 0.2 * np.maximum(wide, high))
    discs = inner & alike & (filled > _ROUND[0]) & (filled < _ROUND[1])
    # A pixel's centre is half a pixel inside: distances are from the plate's own sides.
    at = (middles[discs] + 0.5 - upright.margin_px) * COARSE_MM
    diameter = np.sqrt(4 * area[discs] / np.pi) * COARSE_MM
    size = (np.array([width, height]) - 2 * upright.margin_px) * COARSE_MM
    return any(_has_marks(at, diameter, size, *kind) for kind in mark_places())


def _has_marks(at: FloatArray, diameter: FloatArray, size: FloatArray, inset: float, wide: float, apart: float) -> bool:
    """Return whether discs lie where a stencil's marks do, in any turn and mirror image of it."""
    fit = (diameter > _NARROWED * wide) & (diameter < _WIDENED * wide)
    at = at[fit]
    if len(at) <= _FEWEST_CORNERS:
        return False

    def is_there(place: FloatArray) -> bool:
        return bool(np.min(np.hypot(*(at - place).T)) < _OFF_MM)

    corners = [np.where(far, size - inset, inset) for far in ((0, 0), (1, 0), (1, 1), (0, 1))]
    seen = [is_there(corner) for corner in corners]
    if sum(seen) < _FEWEST_CORNERS:
        return False
    inwards = [np.sign(size / 2 - corner) for corner in corners]
    steps = (np.array([apart, 0.0]), np.array([0.0, apart]))
    beside = [is_there(corner + way * step) for corner, way in zip(corners, inwards, strict=True) for step in steps]
    return sum(beside) == 1 and not _are_several(at, size, inset)


def _are_several(at: FloatArray, size: FloatArray, inset: float) -> bool:
    """Return whether marks face each other across a line through the plate: pieces that touch have one outline."""
    for along in (0, 1):
        place, across = at[:, along], at[:, 1 - along]
        sides = [place[np.abs(across - edge) < _OFF_MM] for edge in (inset, size[1 - along] - inset)]
        for first in np.concatenate(sides):
            four = [side - to for side in sides for to in (first, first + 2 * inset)]
            if sum(bool(len(away) and np.abs(away).min() < _OFF_MM) for away in four) >= _FEWEST_CORNERS:
                return True
    return False


def _upright(coarse: Picture, outline: Outline) -> _Upright | None:
    """Return an outlined part of a picture, or None where it is not solid along its border on even ground."""
    margin = round(_FRAME_MM[1] / COARSE_MM)
    width, height = (round(side / COARSE_MM) + 2 * margin for side in outline.sides_mm)
    turn = np.radians(outline.angle_deg)
    along, across = np.array([np.cos(turn), np.sin(turn)]), np.array([-np.sin(turn), np.cos(turn)])
    linear = np.column_stack((along, across))
    matrix = np.column_stack((linear, outline.centre - linear @ [(width - 1) / 2, (height - 1) / 2]))
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    part = cv2.warpAffine(coarse, matrix, (width, height), flags=flags, borderMode=cv2.BORDER_REPLICATE)
    near = round(_FRAME_MM[0] / COARSE_MM)
    plate, ground = part[_ring(part.shape, margin + near, 2 * margin)], part[_ring(part.shape, 0, margin - near)]
    low, high = float(np.median(plate)), float(np.median(ground))
    if abs(high - low) < 0.05:
        return None
    share = (part - low) / (high - low)
    solid = share[_ring(part.shape, margin + near, 2 * margin)] < 0.5
    return _Upright(share=share.astype(np.float32), margin_px=margin) if solid.mean() > 0.9 else None


def _ring(shape: tuple[int, ...], first: int, last: int) -> NDArray[np.bool_]:
    """Return which pixels lie so far from the border."""
    rows, columns = np.ogrid[: shape[0], : shape[1]]
    away = np.minimum(np.minimum(rows, shape[0] - 1 - rows), np.minimum(columns, shape[1] - 1 - columns))
    return np.asarray((away >= first) & (away < last))
