"""Formed or not: a stated rule on the fitted models.

A slot is open (a bar solid) at one place of its length where its width there is at least 15 % of
the nominal width and three times the noise. It is **formed** ('yes') where at least 90 % of its
length is so, 'no' up to 10 %, 'partly' between. A hole is formed where the light through it makes
up at least 10 % of its nominal area (a third of its diameter) and at least 60 % of what the growth of
the piece's other holes leaves, 'no' below 3 %. Nothing is formed whose width is below five standard
uncertainties, or that shows less than half the contrast of the scan where the scan can tell: a groove
that lets no light through is not a slot.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

__all__ = ["FORMED_FROM", "NOT_FORMED_TO", "Verdicts", "judge_discs", "judge_strips"]

FloatArray = NDArray[np.float64]
FORMED_FROM, NOT_FORMED_TO = 0.90, 0.10
_HOLE_FORMED_FROM, _HOLE_NOT_TO = 0.10, 0.03
_HOLE_CHOKED = 0.6
_LEAST_CONTRAST = 0.5
_LEAST_WIDTH = 0.15
_DIM, _ALIKE = 0.8, 0.3
"""Share of its peers' contrast below which a strip is dim, and how far peers' widths may differ (their logarithms)."""
_SEVERAL, _UPPER_QUARTILE = 8, 0.6745
_APART, _ALIKE_CONTRAST = 6.0, 0.08
"""Or it is dim where it lies so many of its peers' spreads below them, and by more than openings of one width differ
that lie beside walls and in the open (some per cent)."""
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

    def without(self, closed: NDArray[np.bool_]) -> Verdicts:
        """Return the verdicts with some features not formed after all."""
        return replace(
            self,
            formed=np.where(closed, "no", self.formed).tolist(),
            doubts=np.where(closed, "", self.doubts).tolist(),
        )


def judge_strips(
    *,
    share: FloatArray,
    n_independent: FloatArray,
    width_mm: FloatArray,
    u_width_mm: FloatArray,
    nominal_mm: FloatArray,
    own_contrast: FloatArray,
    u_own_contrast: FloatArray,
    astray_mm: FloatArray,
    solid: NDArray[np.bool_],
) -> Verdicts:
    """Judge slots and bars.

    A slot that is closed by something thin lets some light through, evenly over its length: it is told by less contrast
    than slots of about its width show, where the scan can tell. What lies askew, its ends beside their places, is a
    feature that came off, or a foreign mark.

    Parameters
    ----------
    share : ndarray
        Share of the length that is open (solid).
    n_independent : ndarray
        Number of independent places along the length.
    width_mm, u_width_mm, nominal_mm : ndarray
    own_contrast, u_own_contrast : ndarray
        Contrast by the feature's own data and its standard uncertainty, both relative to the scan's.
    astray_mm : ndarray
        How far the feature's ends lie beside its place.
    solid : ndarray of bool
        Which of them are bars.
    """
    # A slot that is closed in places shows less contrast on the average too: only one that is evenly dim is faint.
    even = share >= FORMED_FROM
    faint = (own_contrast < _LEAST_CONTRAST) & (u_own_contrast < 0.15) & even
    # What is closed in places is no measure for others.
    dim = even & _dim(np.where(even, own_contrast, np.nan), u_own_contrast, nominal_mm, solid)
    astray = astray_mm > _MISPLACED_MM
    gone = (width_mm < 5 * u_width_mm) | (width_mm < _LEAST_WIDTH * nominal_mm) | faint
    formed = np.where(even, "yes", np.where(share <= NOT_FORMED_TO, "no", "partly"))
    formed = np.where((formed == "yes") & (dim | astray), "partly", formed)
    formed = np.where(gone, "no", formed)
    error = np.sqrt(np.clip(share * (1 - share), 0.0025, None) / np.maximum(n_independent, 1))
    margin = np.minimum(np.abs(share - FORMED_FROM), np.abs(share - NOT_FORMED_TO))
    confidence = ndtr(margin / error)
    return Verdicts(
        formed=formed.tolist(), confidence=np.asarray(confidence), faint=faint, doubts=_doubts(formed, dim, astray)
    )


def _doubts(formed: NDArray[np.str_], dim: NDArray[np.bool_], astray: NDArray[np.bool_]) -> list[str]:
    words = np.where(astray, "askew", np.where(dim, "dim", ""))
    return list(np.where(formed == "no", "", words))


def _dim(own: FloatArray, u_own: FloatArray, nominal_mm: FloatArray, solid: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return which features clearly show less contrast than the better ones of about their size do."""
    known = np.isfinite(own) & (u_own < 0.1)
    dim = np.zeros(len(own), dtype=bool)
    for i in np.flatnonzero(known):
        peers = known & (solid == solid[i]) & (np.abs(np.log(nominal_mm / nominal_mm[i])) < _ALIKE)
        if peers.sum() >= 4:
            upper, middle = np.quantile(own[peers], (0.75, 0.5))
            scatter = 1.4826 * float(np.median(np.abs(own[peers] - middle)))
            if peers.sum() >= _SEVERAL:
                # Films only lower contrasts: where several peers have one, the better ones tell how much they scatter.
                scatter = min(scatter, float(upper - middle) / _UPPER_QUARTILE)
            least = max(_DIM * min(float(upper), 1.0), float(middle) - max(_APART * scatter, _ALIKE_CONTRAST))
            dim[i] = own[i] + 3 * u_own[i] < least
    return dim


def judge_discs(
    *,
    open_share: FloatArray,
    u_open_share: FloatArray,
    diameter_mm: FloatArray,
    u_diameter_mm: FloatArray,
    nominal_mm: FloatArray,
    shift_mm: FloatArray,
    u_shift_mm: FloatArray,
    pixel_mm: float,
    own_contrast: FloatArray,
    u_own_contrast: FloatArray,
) -> Verdicts:
    """Judge holes by the share of their nominal area that is open.

    A spot of light clearly larger than the other holes' growth leaves, or clearly beside the place that the other
    holes agree on, is a foreign mark, not a hole. One smaller than a pixel that lets light through may be one or not:
    nothing is said of it.

    Parameters
    ----------
    open_share, u_open_share, diameter_mm, u_diameter_mm, nominal_mm : ndarray of float, shape (n,)
    shift_mm : ndarray of float, shape (n, 2)
        Centres from their nominal places.
    u_shift_mm : ndarray of float, shape (n,)
    pixel_mm : float
    own_contrast, u_own_contrast : ndarray of float, shape (n,)
        Of the middle of each fitted hole, relative to the scan's; NaN where there is no middle.
    """
    opened = open_share >= _HOLE_FORMED_FROM
    smaller = (nominal_mm - diameter_mm)[opened]
    shrink = float(np.median(smaller)) if opened.sum() >= 5 else 0.0
    scatter = 1.4826 * float(np.median(np.abs(smaller - shrink))) if opened.sum() >= 5 else np.inf
    foreign = diameter_mm - (nominal_mm - shrink) > np.maximum(8 * scatter, 0.15 * nominal_mm + pixel_mm)
    foreign |= _misplaced(shift_mm, u_shift_mm, opened, nominal_mm)
    expected = np.maximum(nominal_mm - max(shrink, 0.0), 0.4 * nominal_mm) / nominal_mm
    choked = open_share < _HOLE_CHOKED * expected**2
    gone = diameter_mm < 5 * u_diameter_mm
    dim = _dim(own_contrast, u_own_contrast, nominal_mm, np.zeros(len(nominal_mm), dtype=bool))
    dim |= own_contrast + 3 * u_own_contrast < _LEAST_CONTRAST
    formed = np.where(open_share >= _HOLE_FORMED_FROM, "yes", np.where(open_share < _HOLE_NOT_TO, "no", "partly"))
    formed = np.where((gone | choked | dim) & (formed == "yes"), "partly", formed)
    small = diameter_mm < pixel_mm
    formed = np.where(foreign | small, "no", formed)
    margin = np.minimum(np.abs(open_share - _HOLE_FORMED_FROM), np.abs(open_share - _HOLE_NOT_TO))
    confidence = ndtr(margin / np.maximum(u_open_share, 1e-4))
    doubts = _doubts(formed, dim, np.zeros(len(formed), dtype=bool))
    # Something lets light through, and a hole as small as this one may be wholly formed.
    untold = small & opened & ~foreign
    doubts = ["small" if one else word for word, one in zip(doubts, untold, strict=True)]
    return Verdicts(formed=formed.tolist(), confidence=np.asarray(confidence), faint=foreign, doubts=doubts)


def _misplaced(
    shift_mm: FloatArray, u_shift_mm: FloatArray, opened: NDArray[np.bool_], nominal_mm: FloatArray
) -> NDArray[np.bool_]:
    """Return which spots lie further from where the holes are than printers misplace and scans stretch them."""
    if opened.sum() < 5:
        return np.zeros(len(opened), dtype=bool)
    away = np.hypot(*(shift_mm - np.median(shift_mm[opened], axis=0)).T)
    scatter = float(np.median(away[opened]))
    return np.asarray(away > np.maximum(8 * scatter, np.maximum(_MISPLACED_MM, 0.1 * nominal_mm) + 3 * u_shift_mm))
