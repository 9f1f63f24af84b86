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

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

__all__ = ["FORMED_FROM", "NOT_FORMED_TO", "Verdicts", "judge_discs", "judge_strips"]

FloatArray = NDArray[np.float64]
FORMED_FROM, NOT_FORMED_TO = 0.90, 0.10
_HOLE_FORMED_FROM, _HOLE_NOT_TO = 0.10, 0.03
_HOLE_CHOKED = 0.6
_LEAST_CONTRAST = 0.5
_MISPLACED_MM = 0.12
"""Uneven travel of a carriage reaches 0.03 to 0.05 mm; printers misplace holes by less (common practice, no source)."""


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Verdicts:
    """One entry a feature: 'yes', 'partly' or 'no', its confidence (0.5 to 1), and whether it is too faint or no
    feature at all but a foreign mark.
    """

    formed: list[str]
    confidence: FloatArray
    faint: NDArray[np.bool_]


def judge_strips(
    *,
    share: FloatArray,
    n_independent: FloatArray,
    width_mm: FloatArray,
    u_width_mm: FloatArray,
    nominal_mm: FloatArray,
    own_contrast: FloatArray,
    u_own_contrast: FloatArray,
) -> Verdicts:
    """Judge slots and bars.

    Parameters
    ----------
    share : ndarray
        Share of the length that is open (solid).
    n_independent : ndarray
        Number of independent places along the length.
    width_mm, u_width_mm, nominal_mm : ndarray
    own_contrast, u_own_contrast : ndarray
        Contrast by the feature's own data and its standard uncertainty, both relative to the scan's.
    """
    # A slot that is closed in places shows less contrast on the average too: only one that is evenly dim is faint.
    faint = (own_contrast < _LEAST_CONTRAST) & (u_own_contrast < 0.15) & (share >= FORMED_FROM)
    gone = (width_mm < 5 * u_width_mm) | ((width_mm < 0.15 * nominal_mm) & (share < 0.25)) | faint
    formed = np.where(share >= FORMED_FROM, "yes", np.where(share <= NOT_FORMED_TO, "no", "partly"))
    formed = np.where(gone, "no", formed)
    error = np.sqrt(np.clip(share * (1 - share), 0.0025, None) / np.maximum(n_independent, 1))
    margin = np.minimum(np.abs(share - FORMED_FROM), np.abs(share - NOT_FORMED_TO))
    confidence = ndtr(margin / error)
    return Verdicts(formed=formed.tolist(), confidence=np.asarray(confidence), faint=faint)


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
) -> Verdicts:
    """Judge holes by the share of their nominal area that is open.

    A spot of light clearly larger than the other holes' growth leaves, or clearly beside the place that the other
    holes agree on, is a foreign mark, not a hole; one smaller than a pixel is no hole either.

    Parameters
    ----------
    open_share, u_open_share, diameter_mm, u_diameter_mm, nominal_mm : ndarray of float, shape (n,)
    shift_mm : ndarray of float, shape (n, 2)
        Centres from their nominal places.
    u_shift_mm : ndarray of float, shape (n,)
    pixel_mm : float
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
    formed = np.where(open_share >= _HOLE_FORMED_FROM, "yes", np.where(open_share < _HOLE_NOT_TO, "no", "partly"))
    formed = np.where((gone | choked) & (formed == "yes"), "partly", formed)
    formed = np.where(foreign | (diameter_mm < pixel_mm), "no", formed)
    margin = np.minimum(np.abs(open_share - _HOLE_FORMED_FROM), np.abs(open_share - _HOLE_NOT_TO))
    confidence = ndtr(margin / np.maximum(u_open_share, 1e-4))
    return Verdicts(formed=formed.tolist(), confidence=np.asarray(confidence), faint=foreign)


def _misplaced(
    shift_mm: FloatArray, u_shift_mm: FloatArray, opened: NDArray[np.bool_], nominal_mm: FloatArray
) -> NDArray[np.bool_]:
    """Return which spots lie further from where the holes are than printers misplace and scans stretch them."""
    if opened.sum() < 5:
        return np.zeros(len(opened), dtype=bool)
    away = np.hypot(*(shift_mm - np.median(shift_mm[opened], axis=0)).T)
    scatter = float(np.median(away[opened]))
    return np.asarray(away > np.maximum(8 * scatter, np.maximum(_MISPLACED_MM, 0.1 * nominal_mm) + 3 * u_shift_mm))
