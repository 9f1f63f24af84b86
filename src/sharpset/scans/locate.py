"""Find pieces on the glass: where they lie, how they are turned, and which side they show.

The picture is reduced to about eight pixels a millimetre, cut at several grey levels both ways
round, and searched for outlines of the piece's size; where there is none, for the piece's openings
(`pattern_search`). Each find is compared with the piece's own
pattern in all turns and mirror images; the best one is moved into place by maximising the
enhanced correlation coefficient.

References
----------
Evangelidis & Psarakis, "Parametric image alignment using enhanced correlation coefficient
maximization", IEEE TPAMI 30(10), 2008, 1858-1865.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from sharpset.errors import ScanError
from sharpset.pieces import Piece
from sharpset.scans.outlines import (
    COARSE_MM,
    LEAST_SEEN,
    SIDE_SLACK,
    Outline,
    distinct,
    find_outlines,
    fits_piece,
    other_sizes,
    usual_dpi,
    why_not,
    why_not_these,
)
from sharpset.scans.pattern_search import PatternPlace, search_pattern
from sharpset.scans.pose import Pose
from sharpset.scans.scan import PixelSize, Scan
from sharpset.scans.strangers import find_strangers, places_mm, without_strangers

__all__ = ["Found", "LocatedPiece", "Mirror", "best_channel", "find_pieces", "locate_pieces"]

Mirror = Literal["auto", "yes", "no"]
FloatArray = NDArray[np.float64]

_CLIPPED, _ENOUGH = 0.08, 0.25
"""Share of a picture at the end of the scale from which on another channel is preferred, and the contrast that it must
have beside the strongest."""
_LEAST_MATCH = 0.45
_LEAST_LEAD = 0.06
_ROOM = 0.2
"""Share of its longer side by which a piece is looked for beyond where it seems to lie."""
_FIRST_STEPS, _LAST_STEPS, _HOPELESS = 15, 45, 0.25
"""Steps by which a trial is moved into place, and the correlation that it must have after the first ones to go on."""
_SURE_MATCH, _SURE_LEAD = 0.75, 0.2
"""The same for a piece of which the picture shows a part only: a part of anything is easily found somewhere."""
_MOST_BEYOND = 0.55
"""Share of a piece that may lie beyond the picture."""
_MOST_FAILED = 6
"""Places that are tried in vain, the likeliest first, before no piece is thought to be at less likely ones."""
_MOST_CUT = 10
"""Places that are tried for such a piece: what is seen of it stands out, and a trial takes a quarter of a second."""


_STANDS_OUT, _FEWEST_STAND_OUT = 0.08, 0.2
"""Share of the picture's range by which light differs from the usual one, and of a piece's area on which it does."""


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class LocatedPiece:
    """A piece found in a scan.

    Attributes
    ----------
    pose : Pose
        Good to about half a scan pixel; `sharpset.readings` refines it on the marks and features.
    match : float
        Correlation with the nominal pattern, 1 for a perfect print.
    lead : float
        How far the match is ahead of the best other turn or mirror image.
    plate_is_bright : bool
        Whether the piece is brighter than what lies behind it.
    channel : int or None
        Colour channel that shows it best.
    """

    pose: Pose
    match: float
    lead: float
    plate_is_bright: bool
    channel: int | None

    def summary(self) -> str:
        """Return the find in one line."""
        return f"{self.pose.summary()}; match {self.match:.2f}, ahead by {self.lead:.2f}"


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Found:
    """What was found in a scan.

    Attributes
    ----------
    pieces : tuple of LocatedPiece
        From left to right, then top to bottom.
    others_mm : tuple of (float, float)
        Where plates of other pieces have their middles, mm from the left and the top of the picture. Only stencils of
        which the whole outline shows are told from rules, paper, trays.
    """

    pieces: tuple[LocatedPiece, ...]
    others_mm: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Candidate:
    """A trial pose in the coarse picture."""

    match: float
    matrix: FloatArray
    seen_from_below: bool
    lead: float = 0.0


def best_channel(scan: Scan) -> int | None:
    """Return the colour channel with the strongest contrast (green unless another is clearly better).

    One that reaches the end of the scale has lost the shape of edges: it is left out where another is free of that and
    has a quarter of its contrast.
    """
    if scan.n_channels == 1:
        return None
    # A row of every half a millimetre says enough; which way up they are does not matter.
    step = max(1, round(0.5 / min(scan.pixel_mm)))
    rows = np.ascontiguousarray(scan.stored[min(step // 2, len(scan.stored) - 1) :: step, :, : scan.n_channels])
    size = (max(1, rows.shape[1] // step), rows.shape[0])
    small = scan.decode(cv2.resize(rows, size, interpolation=cv2.INTER_AREA)).astype(float)
    low, high = np.percentile(small.reshape(-1, scan.n_channels), (5, 95), axis=0)
    spread = high - low
    end = scan.decode(np.array([0, scan.full_scale]).astype(scan.stored.dtype))
    light = scan.decode(rows[:, :: max(1, step // 4)]).reshape(-1, scan.n_channels)
    clipped = np.maximum((light <= end[0]).mean(axis=0), (light >= end[1]).mean(axis=0))
    free = clipped < _CLIPPED
    if free.any() and spread[free].max() > _ENOUGH * spread.max():
        spread = np.where(free, spread, 0.0)
    best = int(np.argmax(spread))
    return 1 if spread[1] >= 0.8 * spread[best] else best


def locate_pieces(scan: Scan, piece: Piece, *, mirror: Mirror = "auto") -> list[LocatedPiece]:
    """Find every copy of a piece in a scan: `find_pieces`, without what else is there."""
    return list(find_pieces(scan, piece, mirror=mirror).pieces)


def find_pieces(scan: Scan, piece: Piece, *, mirror: Mirror = "auto") -> Found:
    """Find every copy of a piece in a scan, and plates of other pieces.

    Parameters
    ----------
    scan : Scan
    piece : Piece
    mirror : {'auto', 'yes', 'no'}
        Whether the scan shows the piece from below; 'auto' tells it from the pattern.

    Returns
    -------
    Found

    Raises
    ------
    ScanError
        If no piece is found; the text says what was seen instead.
    """
    if mirror not in ("auto", "yes", "no"):
        raise ScanError(f"mirror {mirror!r}: choices are auto, yes, no")
    channel = best_channel(scan)
    coarse, to_native = _coarse_picture(scan, channel)
    outlines = list(find_outlines(coarse))
    wanted = (piece.width_mm, piece.height_mm)
    pattern = _pattern(piece)
    found: list[LocatedPiece] = []

    def try_at(outline: Outline) -> bool:
        if any(_same_place(outline, other, to_native, scan, wanted) for other in found):
            return True
        candidate = _match(coarse, outline, pattern, piece, mirror)
        if candidate is not None:
            pose = Pose(matrix=_to_native(candidate.matrix, to_native), pixel_mm=scan.pixel_mm)
            bright = _signed(coarse, candidate.matrix, pattern) > 0
            found.append(
                LocatedPiece(
                    pose=pose, match=candidate.match, lead=candidate.lead, plate_is_bright=bright, channel=channel
                )
            )
        return candidate is not None

    def try_places(places: Iterable[PatternPlace]) -> None:
        failed = 0
        for place in places:
            there = try_at(Outline(centre=place.centre, sides_mm=wanted, angle_deg=place.angle_deg))
            failed = 0 if there else failed + 1
            if failed == _MOST_FAILED:
                return

    for outline in distinct(outline for outline in outlines if fits_piece(outline, wanted)):
        try_at(outline)
    # Outlines are the same whatever lies in them; nothing needs to be looked for where another piece's plate is.
    strangers = find_strangers(coarse, outlines, [_corners(one, piece, to_native) for one in found])
    rest = without_strangers(coarse, strangers)
    if not found and (not strangers or _holds_a_part(rest, pattern)):
        if not strangers:
            _check_resolution(scan, piece, pattern, channel, outlines, to_native, coarse.shape)
        try_places(search_pattern(rest, pattern, border_px=_border_px()))
        if not found:  # a piece of which the picture shows a part only
            room = round(_MOST_BEYOND * max(pattern.shape))
            try_places(search_pattern(rest, pattern, border_px=_border_px(), room_px=room)[:_MOST_CUT])
    if not found:
        covers = (scan.n_columns * scan.pixel_mm.x, scan.n_rows * scan.pixel_mm.y)
        why = why_not_these([one for one, _ in strangers], wanted) if strangers else why_not(outlines, wanted, covers)
        raise ScanError(f"{scan.path}: {why}")
    found.sort(key=lambda f: tuple(np.round(f.pose.to_pixels([[0, 0]])[0] / 200)))
    return Found(pieces=tuple(found), others_mm=tuple(places_mm(strangers)))


def _corners(located: LocatedPiece, piece: Piece, to_native: FloatArray) -> FloatArray:
    """Return the corners of a piece in the reduced picture, shape (4, 2)."""
    w, h = piece.width_mm, piece.height_mm
    corners = np.array([[0.0, 0.0], [w, 0.0], [w, h], [0.0, h]])
    return np.asarray((located.pose.to_pixels(corners) - to_native[2:]) / to_native[:2])


def _holds_a_part(picture: NDArray[np.float32], pattern: NDArray[np.float32]) -> bool:
    """Return whether a picture departs from its usual light in enough of it for a part of a piece that can be told."""
    departs = np.abs(cv2.GaussianBlur(picture, (0, 0), 2.0) - np.median(picture)) > _STANDS_OUT
    return bool(departs.sum() > LEAST_SEEN * _FEWEST_STAND_OUT * pattern.size)


def _coarse_picture(scan: Scan, channel: int | None) -> tuple[NDArray[np.float32], FloatArray]:
    """Return the reduced picture (0 to 1) and the map from its pixels to native ones: scale x, y, shift x, y."""
    pixel = scan.pixel_mm
    factor = 2 ** max(0, math.floor(math.log2(COARSE_MM / max(pixel))))
    factor = min(factor, scan.n_rows, scan.n_columns)
    small = scan.reduced(factor, channel)
    n_rows, n_columns = small.shape
    width = max(8, round(n_columns * factor * pixel.x / COARSE_MM))
    height = max(8, round(n_rows * factor * pixel.y / COARSE_MM))
    # The pixels left are less than two to one: interpolating them is good enough, and quick.
    resized = cv2.resize(small, (width, height), interpolation=cv2.INTER_LINEAR).astype(np.float32)
    del small
    scale = np.array([n_columns * factor / width, n_rows * factor / height])
    low, high = np.percentile(resized[::2, ::2], (0.5, 99.5))
    resized -= np.float32(low)
    resized /= np.float32(max(high - low, 1e-6))
    return resized, np.concatenate((scale, (scale - 1) / 2))


def _to_native(matrix: FloatArray, to_native: FloatArray) -> FloatArray:
    scale, shift = to_native[:2], to_native[2:]
    return np.asarray(np.column_stack((matrix[:, :2] * scale[:, None], matrix[:, 2] * scale + shift)))


def _same_place(
    outline: Outline, other: LocatedPiece, to_native: FloatArray, scan: Scan, wanted: tuple[float, float]
) -> bool:
    centre = np.array(outline.centre) * to_native[:2] + to_native[2:]
    middle = other.pose.to_pixels([[wanted[0] / 2, wanted[1] / 2]])[0]
    distance = np.hypot(*((centre - middle) * np.array(scan.pixel_mm)))
    return bool(distance < 0.4 * min(wanted))


def _pattern(piece: Piece) -> NDArray[np.float32]:
    """Return the nominal piece at the coarse scale, 1 solid and 0 open, row 0 at y = 0."""
    fine = 4
    size = (math.ceil(piece.width_mm / COARSE_MM), math.ceil(piece.height_mm / COARSE_MM))
    picture = np.ones((size[1] * fine, size[0] * fine), np.uint8)
    shift = 8
    for void in piece.void_shapes():
        # OpenCV paints borders whole, about a pixel too wide; at a quarter of a coarse pixel that does not matter here.
        points = np.asarray(void.exterior.coords) / COARSE_MM * fine - 0.5
        cv2.fillPoly(picture, [np.round(points * 2**shift).astype(np.int32)], 0, shift=shift)
    small = cv2.resize(picture.astype(np.float32), size, interpolation=cv2.INTER_AREA)
    return np.asarray(cv2.GaussianBlur(small, (0, 0), 0.8), dtype=np.float32)


def _match(
    coarse: NDArray[np.float32], outline: Outline, pattern: NDArray[np.float32], piece: Piece, mirror: Mirror
) -> _Candidate | None:
    """Return the best turn and mirror image, or None where none matches clearly."""
    trials = []
    for quarter in range(4):
        sides = outline.sides_mm if quarter % 2 == 0 else outline.sides_mm[::-1]
        if abs(sides[0] - piece.width_mm) > max(SIDE_SLACK * piece.width_mm, 0.6) + 0.3:
            continue
        for below in (False, True):
            matrix = _start(outline, piece, quarter, below)
            match = abs(_signed(coarse, matrix, pattern))
            trials.append(_Candidate(match=match, matrix=matrix, seen_from_below=below))
    if not trials:
        return None
    trials.sort(key=lambda t: -t.match)
    # Trials far behind the best one are not worth moving into place.
    close = [trial for trial in trials[:3] if trial.match > trials[0].match - 0.25]
    moved = sorted((_settle(coarse, trial, pattern) for trial in close), key=lambda t: -t.match)
    best = moved[0]
    lead = best.match - max((t.match for t in [*moved[1:], *trials[len(close) :]]), default=0.0)
    if best.match < _LEAST_MATCH or lead < _LEAST_LEAD:
        return None
    cut = _in_picture(coarse.shape, best.matrix, pattern) is not None
    if cut and (best.match < _SURE_MATCH or lead < _SURE_LEAD):
        return None
    if mirror != "auto" and best.seen_from_below != (mirror == "yes"):
        return None
    return replace(best, lead=lead)


def _start(outline: Outline, piece: Piece, quarter: int, seen_from_below: bool) -> FloatArray:
    turn = math.radians(outline.angle_deg + 90 * quarter)
    along = np.array([math.cos(turn), math.sin(turn)])
    across = np.array([math.sin(turn), -math.cos(turn)])
    if seen_from_below:
        across = -across
    linear = np.column_stack((along, across)) / COARSE_MM
    centre = np.array([piece.width_mm / 2, piece.height_mm / 2])
    return np.column_stack((linear, np.array(outline.centre) - linear @ centre))


def _pattern_to_coarse(matrix: FloatArray) -> NDArray[np.float32]:
    """Return the map from pattern pixels (centre of pixel 0 at half a coarse pixel) to coarse pixels."""
    linear = matrix[:, :2] * COARSE_MM
    return np.asarray(np.column_stack((linear, matrix[:, 2] + linear @ [0.5, 0.5])), dtype=np.float32)


def _border_px() -> int:
    return max(3, round(0.6 / COARSE_MM))


def _inside(pattern: NDArray[np.float32]) -> tuple[slice, slice]:
    edge = _border_px()
    return slice(edge, -edge), slice(edge, -edge)


def _settle(coarse: NDArray[np.float32], trial: _Candidate, pattern: NDArray[np.float32]) -> _Candidate:
    """Move a trial into place."""
    start = _pattern_to_coarse(trial.matrix)
    sign = 1.0 if _signed(coarse, trial.matrix, pattern) >= 0 else -1.0
    rows, columns = _around(start, pattern, coarse)
    start[:, 2] -= (columns.start, rows.start)
    template, picture = (sign * pattern).astype(np.float32), coarse[rows, columns]
    warp = start
    try:
        for n_steps in (_FIRST_STEPS, _LAST_STEPS):
            criteria = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, n_steps, 1e-5)
            met, warp = cv2.findTransformECC(template, picture, warp, cv2.MOTION_AFFINE, criteria, None, 3)
            if met < _HOPELESS:
                return trial
    except cv2.error:  # no convergence: the trial is a poor one and is judged as it stands
        return trial
    linear = warp[:, :2].astype(float)
    shift = warp[:, 2] + [columns.start, rows.start]
    settled = np.column_stack((linear / COARSE_MM, shift - linear @ [0.5, 0.5]))
    if np.any(np.abs(np.hypot(*linear) - 1) > 0.1):
        return trial
    return replace(trial, matrix=settled, match=abs(_signed(coarse, settled, pattern)))


def _around(
    to_coarse: NDArray[np.float32], pattern: NDArray[np.float32], coarse: NDArray[np.float32]
) -> tuple[slice, slice]:
    """Return the rows and columns of the picture in which a pattern lies, with room to move it."""
    height, width = pattern.shape
    corners = to_coarse[:, :2] @ [[0, width, 0, width], [0, 0, height, height]] + to_coarse[:, 2:]
    room = _ROOM * max(width, height)
    first = np.maximum(np.floor(corners.min(axis=1) - room), 0).astype(int)
    last = np.ceil(corners.max(axis=1) + room).astype(int)
    return slice(first[1], min(last[1], coarse.shape[0])), slice(first[0], min(last[0], coarse.shape[1]))


def _signed(coarse: NDArray[np.float32], matrix: FloatArray, pattern: NDArray[np.float32]) -> float:
    """Return the correlation of the picture with the pattern: negative where the plate is the darker one."""
    size = (pattern.shape[1], pattern.shape[0])
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    seen = cv2.warpAffine(coarse, _pattern_to_coarse(matrix), size, flags=flags, borderMode=cv2.BORDER_REPLICATE)
    rows, columns = _inside(pattern)
    a, b = pattern[rows, columns].astype(float), seen[rows, columns].astype(float)
    there = _in_picture(coarse.shape, matrix, pattern)
    if there is not None:
        if there.mean() < LEAST_SEEN:
            return 0.0
        a, b = a[there], b[there]
    a, b = a - a.mean(), b - b.mean()
    return float((a * b).sum() / max(np.sqrt((a * a).sum() * (b * b).sum()), 1e-9))


def _in_picture(shape: tuple[int, ...], matrix: FloatArray, pattern: NDArray[np.float32]) -> NDArray[np.bool_] | None:
    """Return which pixels of a pattern, its border left out, lie in the picture; None where all do."""
    rows, columns = _inside(pattern)
    first = np.array([columns.start, rows.start])
    last = np.subtract(pattern.shape[::-1], first + 1)
    to_coarse = _pattern_to_coarse(matrix).astype(float)
    corners = np.array([first, last, [first[0], last[1]], [last[0], first[1]]]) @ to_coarse[:, :2].T + to_coarse[:, 2]
    size = np.array(shape[::-1]) - 1
    if np.all(corners >= 0) and np.all(corners <= size):
        return None
    x, y = np.arange(first[0], last[0] + 1), np.arange(first[1], last[1] + 1)[:, None]
    there = np.ones((len(y), len(x)), dtype=bool)
    for axis in (0, 1):
        at = to_coarse[axis, 0] * x + to_coarse[axis, 1] * y + to_coarse[axis, 2]
        there &= (at >= 0) & (at <= size[axis])
    return there


def _check_resolution(
    scan: Scan,
    piece: Piece,
    pattern: NDArray[np.float32],
    channel: int | None,
    outlines: list[Outline],
    to_native: FloatArray,
    shape: tuple[int, ...],
) -> None:
    """Refuse a scan that shows the piece and its pattern at another size: its resolution is wrong."""
    if scan.viewing is not None:
        return
    wanted = (piece.width_mm, piece.height_mm)
    picture = [COARSE_MM * n for n in shape[::-1]]
    for (by_x, by_y), places in other_sizes(outlines, wanted, picture):
        size = PixelSize(scan.pixel_mm.x / by_x, scan.pixel_mm.y / by_y)
        trials = (
            _match_in_size(_around_outline(scan, one, to_native), size, piece, pattern, channel) for one in places
        )
        sure = next((trial for trial in trials if trial is not None), None)
        if sure is None:
            continue
        grown = COARSE_MM * np.hypot(*sure.matrix[:, :2].T)
        right = [usual_dpi(25.4 / mm * by) for mm, by in zip(size, grown, strict=True)]
        both = len(set(right)) == 1
        say, said = (f"{x:g}" if x == y else f"{x:g} x {y:g}" for x, y in (right, np.round(scan.dpi, 1)))
        raise ScanError(
            f"{scan.path}: the piece is there, but not in its size by a resolution of {said} dpi ({scan.scale_source})"
            f"; about {say} dpi fits. " + (f"Give --dpi {say}." if both else "Save it with the right resolution.")
        )


def _around_outline(scan: Scan, outline: Outline, to_native: FloatArray) -> Scan:
    """Return the part of a scan in which an outline lies, with some ground around it."""
    centre = np.array(outline.centre) * to_native[:2] + to_native[2:]
    reach = (0.5 + _ROOM) * math.hypot(*outline.sides_mm) / np.array(scan.pixel_mm)
    first = np.maximum(np.floor(centre - reach), 0).astype(int)
    last = np.ceil(centre + reach).astype(int)
    part = np.ascontiguousarray(scan.pixels[first[1] : last[1], first[0] : last[0]])
    return replace(scan, stored=part, orientation=1)


def _match_in_size(
    scan: Scan, size: PixelSize, piece: Piece, pattern: NDArray[np.float32], channel: int | None
) -> _Candidate | None:
    """Return where a piece surely lies in a part of a scan if its pixels are of another size, or None."""
    coarse, _ = _coarse_picture(replace(scan, pixel_mm=size), channel)
    fitting = (one for one in find_outlines(coarse) if fits_piece(one, (piece.width_mm, piece.height_mm)))
    trials = (_match(coarse, one, pattern, piece, "auto") for one in distinct(fitting))
    return next((trial for trial in trials if trial is not None and trial.match >= _SURE_MATCH), None)
