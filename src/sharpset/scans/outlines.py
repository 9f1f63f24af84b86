"""Outlines in the reduced picture that may be a piece's, in its size or in another, and what is said where none is."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import islice

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = [
    "COARSE_MM",
    "LEAST_SEEN",
    "SIDE_SLACK",
    "Outline",
    "distinct",
    "find_outlines",
    "fits_piece",
    "other_sizes",
    "usual_dpi",
    "why_not",
    "why_not_these",
]

COARSE_MM = 0.125
"""Pixels of the reduced picture."""
_LEVELS = (0.5, 0.35, 0.65, 0.2, 0.8, 0.1, 0.9)
SIDE_SLACK = 0.05
"""Largest difference of an outline's side from the piece's, as a share; printers shrink by 1-2 %."""
LEAST_SEEN = 0.4
"""Share of a piece that must be in the picture."""
_LEAST_SIZE, _MOST_SIZES, _UPRIGHT_DEG = 0.06, 4, 3.0
"""Smallest size, as a share of its own, in which a piece is looked for where the resolution may be wrong, how many
sizes are tried, and how upright a piece lies whose resolutions along columns and rows may differ."""
_MOST_OF_A_SIZE = 3
"""Outlines of a size that are looked at: pieces of one scan are all in the same wrong size."""
_SAME_PX, _SAME_DEG, _SAME_MM = 1.5, 1.0, 0.25
_USUAL_DPI = (75, 100, 150, 200, 240, 300, 400, 600, 720, 800, 1200, 1600, 2400, 3200, 4800, 6400, 9600)
_WHOLE = 0.96
"""Share of the picture's sides from which an outline is the picture's own border."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Outline:
    """A rectangle-like contour in the reduced picture (pixels of that picture)."""

    centre: tuple[float, float]
    sides_mm: tuple[float, float]
    angle_deg: float


def find_outlines(coarse: NDArray[np.float32]) -> Iterator[Outline]:
    """Cut a reduced picture (0 to 1) at several grey levels and yield what has about the area of its rectangle."""
    smooth = cv2.GaussianBlur(coarse, (0, 0), 0.8)
    for level in _LEVELS:
        above = (smooth > level).astype(np.uint8)
        for bright in (True, False):
            mask = above if bright else 1 - above
            contours, _ = cv2.findContours(mask, cv2.RETR_LIST, cv2.CHAIN_APPROX_SIMPLE)
            for contour in contours:
                if len(contour) < 4 or cv2.contourArea(contour) < 200:
                    continue
                (x, y), (w, h), angle = cv2.minAreaRect(contour)
                # A contour runs through the centres of border pixels: half a pixel is added on each side.
                area = cv2.contourArea(contour) + cv2.arcLength(contour, True) / 2 + 1
                if area < 0.9 * (w + 1) * (h + 1):
                    continue
                sides = ((w + 1) * COARSE_MM, (h + 1) * COARSE_MM)
                yield Outline(centre=(x, y), sides_mm=sides, angle_deg=angle)


def fits_piece(outline: Outline, wanted: tuple[float, float]) -> bool:
    """Return whether an outline has a piece's sides (mm)."""
    slack = [max(SIDE_SLACK * side, 0.6) for side in wanted]
    return any(
        all(abs(side - want) <= allowed for side, want, allowed in zip(sides, wanted, slack, strict=True))
        for sides in (outline.sides_mm, outline.sides_mm[::-1])
    )


def distinct(outlines: Iterable[Outline]) -> Iterator[Outline]:
    """Leave out outlines that lie as one before does: another grey level cut them out of the same thing."""
    before: list[Outline] = []
    for outline in outlines:
        if not any(_alike(outline, other) for other in before):
            before.append(outline)
            yield outline


def _alike(a: Outline, b: Outline) -> bool:
    turned = (a.angle_deg - b.angle_deg + 45) % 90 - 45
    return (
        math.hypot(a.centre[0] - b.centre[0], a.centre[1] - b.centre[1]) < _SAME_PX
        and abs(turned) < _SAME_DEG
        and all(abs(x - y) < _SAME_MM for x, y in zip(sorted(a.sides_mm), sorted(b.sides_mm), strict=True))
    )


def other_sizes(
    outlines: list[Outline], wanted: tuple[float, float], picture_mm: list[float]
) -> list[tuple[tuple[float, float], list[Outline]]]:
    """Return by which factors along columns and rows outlines may be a piece's in another size, the largest first.

    Beside each pair of factors stand the outlines that say so.
    """
    found: dict[tuple[float, float], list[Outline]] = {}
    for outline in sorted(outlines, key=_area_mm2, reverse=True):
        if all(a > _WHOLE * b for a, b in zip(sorted(outline.sides_mm), sorted(picture_mm), strict=True)):
            continue
        factors = [max(outline.sides_mm) / max(wanted)] * 2
        turned = round(outline.angle_deg / 90) % 2
        x, y = outline.sides_mm[::-1] if turned else outline.sides_mm
        pairs = [(factors[0], factors[1])] if _same_shape(outline, wanted) else []
        if abs(outline.angle_deg - 90 * round(outline.angle_deg / 90)) < _UPRIGHT_DEG:
            # Twice as many steps of the carriage as pixels of the sensor, or half as many.
            upright = [(x / a, y / b) for a, b in (wanted, wanted[::-1])]
            pairs += [(a, b) for a, b in upright if abs(abs(math.log2(a / b)) - 1) < SIDE_SLACK]
        for pair in pairs:
            if all(_LEAST_SIZE < one < 1 / _LEAST_SIZE for one in pair):
                near = (
                    one for one in found if abs(math.log(pair[0] / one[0])) + abs(math.log(pair[1] / one[1])) <= 0.05
                )
                found.setdefault(next(near, pair), []).append(outline)
    return [(pair, list(islice(distinct(own), _MOST_OF_A_SIZE))) for pair, own in islice(found.items(), _MOST_SIZES)]


def usual_dpi(dpi: float) -> float:
    """Return a resolution that scanners have where one is as near as printers are true, else the rounded one."""
    near = min(_USUAL_DPI, key=lambda one: abs(math.log(one / dpi)))
    return float(near if abs(near / dpi - 1) < SIDE_SLACK / 2 else round(dpi))


def why_not(outlines: list[Outline], wanted: tuple[float, float], picture_mm: tuple[float, float]) -> str:
    """Return why no piece of these sides (mm) was found in a picture of those, and what to do."""
    need = f"{wanted[0]:g} x {wanted[1]:g} mm"
    if any(fits_piece(outline, wanted) for outline in outlines):
        return (
            f"something of the piece's size ({need}) is there, but its pattern is not this piece's. "
            "Is it the right piece folder (and the right --mirror)?"
        )
    picture = sorted(picture_mm)
    if any(has < LEAST_SEEN * wants for has, wants in zip(picture, sorted(wanted), strict=True)):
        return (
            f"the picture covers {picture[1]:.3g} x {picture[0]:.3g} mm only, of a piece of {need}. "
            "Scan all of the piece; if it is all there, the dpi is wrong."
        )
    outlines = [o for o in outlines if any(a < _WHOLE * b for a, b in zip(sorted(o.sides_mm), picture, strict=True))]
    plausible = [o for o in outlines if 0.15 < max(o.sides_mm) / max(wanted) < 7 and min(o.sides_mm) > 3]
    # The largest one: windows of a piece may happen to have its shape, and are no sign of a wrong resolution.
    alike = [o for o in plausible if _same_shape(o, wanted)]
    if alike:
        # Of the cuts through one outline the first, half-way up the edge, comes nearest to its size.
        most = max(_area_mm2(o) for o in alike)
        long, short = sorted(next(o for o in alike if _area_mm2(o) > 0.8 * most).sides_mm)[::-1]
        return (
            f"no piece of {need} is there, but an outline of the same shape of {long:.1f} x {short:.1f} mm. "
            f"Is the dpi wrong by a factor of {long / max(wanted):.2f}, or is it another piece folder?"
        )
    if plausible:
        biggest = max(plausible, key=_area_mm2)
        a, b = sorted(biggest.sides_mm)[::-1]
        return (
            f"no piece of {need} is there; the largest plate-like thing is {a:.1f} x {b:.1f} mm. "
            "Is the whole piece on the picture with some background on every side, and is it the right piece folder?"
        )
    return (
        f"no piece of {need} is there. The whole piece must lie on a plain background that is clearly darker or "
        "lighter than the plastic."
    )


def why_not_these(others: list[Outline], wanted: tuple[float, float]) -> str:
    """Return what to do where no piece of these sides (mm) was found, but plates that are surely of other pieces."""
    sizes = sorted({f"{max(one.sides_mm):.0f} x {min(one.sides_mm):.0f} mm" for one in others})
    there = "1 plate of another piece" if len(others) == 1 else f"{len(others)} plates of other pieces"
    return (
        f"no piece of {wanted[0]:g} x {wanted[1]:g} mm with the right pattern is there, but {there}, by the round "
        f"marks in their corners ({', '.join(sizes[:4])}). Is it the right piece folder (and the right --mirror)?"
    )


def _area_mm2(outline: Outline) -> float:
    return outline.sides_mm[0] * outline.sides_mm[1]


def _same_shape(outline: Outline, wanted: tuple[float, float]) -> bool:
    """Return whether an outline has the piece's proportions, but not its size."""
    long, short = sorted(outline.sides_mm)[::-1]
    stretch = long / short / (max(wanted) / min(wanted))
    return abs(stretch - 1) < 0.02 and abs(long / max(wanted) - 1) > SIDE_SLACK
