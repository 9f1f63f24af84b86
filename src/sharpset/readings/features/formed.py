"""Formed or not: a stated rule on the fitted models.

A slot is open (a bar solid) at one place of its length where its width there is at least 15 % of
the nominal width. It is **formed** ('yes') where at least 90 % of its length is so, 'no' up to 10 %,
'partly' between. A hole is formed where the light through it makes up at least 10 % of its nominal
area (a third of its diameter) and at least 60 % of what the growth of the piece's other holes leaves,
'no' below 3 %. What something thin closes is not formed, nor is a foreign mark: a groove that lets no
light through is not a slot.

How likely all that is, given the noise and what the piece's other features show, is the verdict's
confidence (`weighing`). Where open and closed are both more likely than one in ten nothing is said: the
feature is unsure, as is one whose size is below five standard uncertainties.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from sharpset.readings.features.closed_holes import closed_slot_chances
from sharpset.readings.features.weighing import (
    FILMED,
    FILMED_IN_PART,
    HOLE_FORMED_FROM,
    THIN_BARS,
    Opening,
    among_open,
    film_chances,
    hole_chances,
    mark_chances,
    share_chances,
)

__all__ = ["FORMED_FROM", "NOT_FORMED_TO", "Verdicts", "judge_discs", "judge_strips"]

FloatArray = NDArray[np.float64]
FORMED_FROM, NOT_FORMED_TO = 0.90, 0.10
_HOLE_NOT_TO = 0.03
_HOLE_CHOKED = 0.6
_LEAST_CONTRAST = 0.5
_LEAST_WIDTH = 0.15
_LIKELY, _UNSURE = 0.5, 0.1
"""Chances that something closes a feature from which on it does for all we know, or may."""
_UNKNOWN_PX = 0.15
"""What all widths of a scan may be off by, in pixels (shade, encoding; standard uncertainty), which is judged later."""
_NARROW_BLURS = 4.0
"""Widths in blurs below which a strip's light does not tell a film over a part of its length (`films`)."""
_MISPLACED_MM = 0.12
"""Uneven travel of a carriage reaches 0.03 to 0.05 mm; printers misplace holes by less (common practice, no source)."""


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Verdicts:
    """One entry a feature: 'yes', 'partly' or 'no', its confidence (0.5 to 1), whether it is too faint or no feature at
    all but a foreign mark, and a word for why nothing vouches for its size ('' where something does).
    """

    formed: list[str]
    confidence: FloatArray
    faint: NDArray[np.bool_]
    doubts: list[str]

    @property
    def is_formed(self) -> NDArray[np.bool_]:
        """Which are 'yes'."""
        return np.array([word == "yes" for word in self.formed], dtype=bool)

    def beside_grain(self, closed: NDArray[np.bool_], open_share: FloatArray, u_open_share: FloatArray) -> Verdicts:
        """Return the verdicts on holes, some of which take no more light than the plate's grain may.

        Parameters
        ----------
        closed : ndarray of bool, shape (n,)
            Those holes.
        open_share, u_open_share : ndarray of float, shape (n,)
            Share of the nominal area that is open, with the uncertainty by grain.
        """
        chance = hole_chances(open_share, u_open_share, low=_HOLE_NOT_TO, high=HOLE_FORMED_FROM)[0]
        sure = chance >= _LIKELY
        formed = np.where(closed, np.where(sure, "no", "partly"), self.formed)
        doubts = np.where(closed, np.where(sure, "", "unsure"), self.doubts)
        return replace(
            self,
            formed=[str(word) for word in formed],
            confidence=np.where(closed, chance, self.confidence),
            doubts=[str(word) for word in doubts],
        )


def judge_strips(
    *,
    share: FloatArray,
    u_share: FloatArray,
    width_mm: FloatArray,
    u_width_mm: FloatArray,
    nominal_mm: FloatArray,
    blur_mm: FloatArray,
    openings: Opening,
    astray_mm: FloatArray,
    solid: NDArray[np.bool_],
    pixel_mm: float,
    dim_in_part: NDArray[np.bool_] | None = None,
) -> Verdicts:
    """Judge slots and bars.

    A slot that is closed by something thin lets some light through, evenly over its length: it is told by less contrast
    and less light than slots of about its width show. What lies askew, its ends beside their places, is a feature that
    came off, or a foreign mark.

    Parameters
    ----------
    share, u_share : ndarray
        Share of the length that is open (solid), and its standard uncertainty.
    width_mm, u_width_mm, nominal_mm, blur_mm : ndarray
    openings : Opening
        Widths and contrasts of all strips by their own data, relative to the scan's.
    astray_mm : ndarray
        How far the feature's ends lie beside its place.
    solid : ndarray of bool
        Which of them are bars.
    pixel_mm : float
    dim_in_part : ndarray of bool, optional
        Slots of whose open part the light says that something lies over it, or that it is a pit.
    """
    chances = share_chances(share, u_share, low=NOT_FORMED_TO, high=FORMED_FROM)
    # A slot that is closed in places shows less contrast on the average too: only one that is evenly dim is filmed.
    even = share >= FORMED_FROM
    filmed = np.zeros(len(share))
    for kind in (True, False):
        same = np.flatnonzero(solid == kind)
        some = openings.some(same)
        filmed[same] = film_chances(some, before=THIN_BARS) if kind else film_chances(among_open(some), before=FILMED)
    beside_peers = filmed * even
    shut = share <= NOT_FORMED_TO
    slots = np.flatnonzero(~solid & (even | shut))
    if len(slots):
        closed = closed_slot_chances(openings.some(slots), blur_mm=blur_mm[slots], shut=shut[slots])
        filmed[slots] = np.maximum(filmed[slots], closed)
    filmed *= even
    weak = even & (openings.contrast < _LEAST_CONTRAST) & (openings.u_contrast < 0.15)
    faint = weak & (beside_peers > _LIKELY)
    thin = width_mm < _LEAST_WIDTH * nominal_mm
    astray = astray_mm > _MISPLACED_MM
    dim = even & (filmed > _LIKELY) & ~faint
    if dim_in_part is not None:
        dim |= dim_in_part & ~even & (share > NOT_FORMED_TO)
    open_in_part = share > NOT_FORMED_TO
    unsure = even & ((filmed > _UNSURE) | weak) | (open_in_part & (width_mm < 5 * u_width_mm))
    unsure &= ~faint & ~dim & ~thin
    formed = np.where(even, "yes", np.where(open_in_part, "partly", "no"))
    formed = np.where((formed == "yes") & (dim | astray | unsure), "partly", formed)
    formed = np.where(open_in_part & (thin | faint), "no", formed)
    hidden = np.where(solid, 0.0, np.where(width_mm < _NARROW_BLURS * blur_mm, FILMED_IN_PART, FILMED_IN_PART / 5))
    u_mm = np.hypot(u_width_mm, _UNKNOWN_PX * pixel_mm)
    by_width = ndtr(np.abs(width_mm - _LEAST_WIDTH * nominal_mm) / u_mm)
    whole = chances[2] * (1 - filmed) * (1 - hidden)
    closed = np.where(faint, filmed, np.where(open_in_part, by_width, chances[0]))
    confidence = np.select([formed == "yes", formed == "no"], [np.minimum(whole, by_width), closed], chances[1])
    return Verdicts(
        formed=formed.tolist(),
        confidence=np.asarray(confidence),
        faint=faint,
        doubts=_doubts(formed, dim, astray, unsure),
    )


def _doubts(
    formed: NDArray[np.str_], dim: NDArray[np.bool_], astray: NDArray[np.bool_], unsure: NDArray[np.bool_]
) -> list[str]:
    words = np.where(astray, "askew", np.where(dim, "dim", np.where(unsure, "unsure", "")))
    return [str(word) for word in np.where(formed == "no", "", words)]


def judge_discs(
    *,
    open_share: FloatArray,
    u_open_share: FloatArray,
    u_diameter_mm: FloatArray,
    shift_mm: FloatArray,
    u_shift_mm: FloatArray,
    pixel_mm: float,
    openings: Opening,
    closed_chance: FloatArray,
) -> Verdicts:
    """Judge holes by the share of their nominal area that is open.

    A spot of light clearly larger than the other holes' growth leaves, or clearly beside the place that the other
    holes agree on, is a foreign mark, not a hole; one that covers the whole place of a hole may hide it. One smaller
    than a pixel that lets light through may be a hole or not. Nothing is said of either.

    Parameters
    ----------
    open_share, u_open_share, u_diameter_mm : ndarray of float, shape (n,)
    shift_mm : ndarray of float, shape (n, 2)
        Centres from their nominal places.
    u_shift_mm : ndarray of float, shape (n,)
    pixel_mm : float
    openings : Opening
        Diameters, and contrasts of the middle of each fitted hole relative to the scan's, NaN where there is none.
    closed_chance : ndarray of float, shape (n,)
        That a pit or a film lies where light is missing (`closed_holes`).
    """
    diameter_mm, nominal_mm = openings.size_mm, openings.nominal_mm
    opened = open_share >= HOLE_FORMED_FROM
    smaller = (nominal_mm - diameter_mm)[opened]
    shrink = float(np.median(smaller)) if opened.sum() >= 5 else 0.0
    scatter = 1.4826 * float(np.median(np.abs(smaller - shrink))) if opened.sum() >= 5 else np.inf
    marked = mark_chances(
        size_mm=diameter_mm, nominal_mm=nominal_mm, shift_mm=shift_mm, u_shift_mm=u_shift_mm, whole=opened
    )
    foreign = diameter_mm - (nominal_mm - shrink) > np.maximum(8 * scatter, 0.15 * nominal_mm + pixel_mm)
    hidden = foreign & _covered(shift_mm, opened, diameter_mm, nominal_mm - shrink)
    foreign |= _misplaced(shift_mm, u_shift_mm, opened, nominal_mm)
    expected = np.maximum(nominal_mm - max(shrink, 0.0), 0.4 * nominal_mm) / nominal_mm
    choked = open_share < _HOLE_CHOKED * expected**2
    gone = diameter_mm < 5 * u_diameter_mm
    filmed = np.where(open_share >= _HOLE_NOT_TO, closed_chance, 0.0)
    dim = filmed > _LIKELY
    dim |= openings.contrast + 3 * openings.u_contrast < _LEAST_CONTRAST
    chances = hole_chances(open_share, u_open_share, low=_HOLE_NOT_TO, high=HOLE_FORMED_FROM)
    formed = np.where(open_share >= HOLE_FORMED_FROM, "yes", np.where(open_share < _HOLE_NOT_TO, "no", "partly"))
    unsure = opened & ~dim & ~foreign & (np.maximum(filmed, marked) > _UNSURE)
    formed = np.where((gone | choked | dim | unsure) & (formed == "yes"), "partly", formed)
    small = diameter_mm < pixel_mm
    formed = np.where(foreign | small, "no", formed)
    whole = chances[2] * (1 - filmed) * (1 - marked)
    partly = np.where(choked & opened, 1.0, chances[1]) * (1 - marked) * (1 - filmed)
    closed = np.where(foreign, np.maximum(marked, 1 - _UNSURE), chances[0])
    confidence = np.select([formed == "yes", formed == "no"], [whole, closed], partly)
    doubts = _doubts(formed, dim, np.zeros(len(formed), dtype=bool), unsure)
    # Something lets light through, and a hole as small as this one may be wholly formed.
    untold = small & opened & ~foreign
    doubts = ["small" if one else word for word, one in zip(doubts, untold, strict=True)]
    doubts = ["dirty" if one else word for word, one in zip(doubts, hidden, strict=True)]
    return Verdicts(formed=formed.tolist(), confidence=np.asarray(confidence), faint=foreign, doubts=doubts)


def _covered(
    shift_mm: FloatArray, opened: NDArray[np.bool_], diameter_mm: FloatArray, expected_mm: FloatArray
) -> NDArray[np.bool_]:
    """Return which spots cover all of where a hole of the expected diameter would be."""
    place = np.median(shift_mm[opened], axis=0) if opened.any() else np.zeros(2)
    away = np.hypot(*(shift_mm - place).T)
    return np.asarray((expected_mm > 0) & (away + expected_mm / 2 < diameter_mm / 2))


def _misplaced(
    shift_mm: FloatArray, u_shift_mm: FloatArray, opened: NDArray[np.bool_], nominal_mm: FloatArray
) -> NDArray[np.bool_]:
    """Return which spots lie further from where the holes are than printers misplace and scans stretch them."""
    if opened.sum() < 5:
        return np.zeros(len(opened), dtype=bool)
    away = np.hypot(*(shift_mm - np.median(shift_mm[opened], axis=0)).T)
    scatter = float(np.median(away[opened]))
    return np.asarray(away > np.maximum(8 * scatter, np.maximum(_MISPLACED_MM, 0.1 * nominal_mm) + 3 * u_shift_mm))
