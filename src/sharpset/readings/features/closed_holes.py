"""How likely holes and slots are closed though light is missing in their place: by a pit that is not through, a film.

An open hole shows what lies behind the plate: its light is missing as that of a disc of the scan's contrast is. A
closed one that keeps a pit lacks less, over a wider area, and the profile tells how much wider as far as the blur lets
it.
What it cannot tell, the other holes of the piece do: which size is to be expected, below which size they are closed,
and whether closed ones keep pits at all. Each of these is unknown, and averaged over as likely as all holes make it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from sharpset.readings.features.weighing import (
    ALIKE,
    LEAST_SCATTER_MM,
    Opening,
    among_open,
    film_chances,
    log_student,
    middle_of,
)

__all__ = ["closed_chances", "closed_slot_chances"]

FloatArray = NDArray[np.float64]
_OUT_OF_TURN = 0.05
"""Chance that a hole far above the size from which they form is closed, and one far below it is open."""
_STEEP = 0.2
"""Logarithm of sizes over which chances of forming rise, a standard deviation: a tenth to a quarter of the size is
common (common practice, no source)."""
_KEEP = np.array([0.02, 0.1, 0.3, 0.6, 0.9])
"""Shares of closed holes that may keep a pit, all as likely."""
_DARK = np.linspace(0.02, 0.97, 39)
"""Shares of the contrast that pits and films may show; the larger the less likely, linearly."""
_ACROSS = (np.arange(120) + 0.5) / 120 * 1.3
_WIDEST, _NARROWEST_PIT = 1.1, 0.2
"""Diameters over the nominal one: of all, of holes at most, and of pits at least."""
_FEWEST, _TURNS = 3, 4
_BY_GROWTH, _BY_SIZE = 0.5, 0.1
"""What growth may differ by between sizes a factor of e apart: a half of it, and a tenth of the size (taken, no
source)."""
_UNEXPECTED = 0.1
"""Chance of an open hole to be of any size, whatever the others' sizes are."""
_LEAST_U_SHARE, _LEAST_U_BREADTH, _BENT = 0.003, 0.05, 0.15
"""Of the open share and of the breadth; how far off a breadth is that is found by a straight line from one, over its
distance from one (blurred discs of 1 to 5 blurs)."""
_TINY = 1e-300
_NARROW_BLURS, _U_BLUR = 6.0, 0.06
"""Widths of slots in blurs up to which they are weighed so; by how much the blur of one slot may differ from what its
fit takes, as its edges are rougher or less so (relative standard uncertainty; open slots of 236 rendered scans)."""
_LEAST_U_MM, _FAINTEST = 0.0005, 0.03


def closed_chances(
    openings: Opening,
    *,
    open_share: FloatArray,
    u_open_share: FloatArray,
    breadth: FloatArray,
    u_breadth: FloatArray,
    power: int = 2,
) -> FloatArray:
    """Return the chance of each hole to be closed.

    Parameters
    ----------
    openings : Opening
    open_share, u_open_share : ndarray of float, shape (n,)
        Light that is missing over that of a hole as drawn.
    breadth, u_breadth : ndarray of float, shape (n,)
        Area over which it is missing, by its profile, over that of an open hole that lacks as much; NaN of wide holes,
        of which films alone are told (`film_chances`).
    power : int
        Of the size that the missing light grows by.

    Returns
    -------
    ndarray of float, shape (n,)

    Notes
    -----
    What one scan shows of each hole is weighed for holes that are open, closed by a pit, closed without a trace. The
    size from which holes form and the share of closed ones that keep a pit are the same for all holes; each hole's
    chances follow from the joint distribution. Which holes tell the expected sizes is found by turns.
    """
    narrow = np.isfinite(breadth) & np.isfinite(u_breadth)
    openings = among_open(openings)
    films = film_chances(openings)
    few = np.flatnonzero(narrow)
    if len(few) == 0:
        return films
    chance = films.copy()
    share, u_share = open_share[few], np.maximum(u_open_share[few], _LEAST_U_SHARE)
    wide, u_wide = breadth[few], np.maximum(u_breadth[few], _LEAST_U_BREADTH)
    by_share = _normal(share, _ACROSS**power, u_share)
    as_open = np.exp(log_student(wide, 1.0, u_wide))
    without = _normal(share, np.zeros(1), u_share)[:, 0] * as_open
    lit = (1 - _DARK) / np.sum(1 - _DARK)
    as_pit = np.zeros_like(by_share)
    for dark, likely in zip(_DARK, lit, strict=True):
        more = 1 / dark - 1
        by_breadth = np.exp(log_student(wide, 1 + more, np.hypot(u_wide, _BENT * more)))
        as_pit += likely * by_breadth[:, None] * _normal(share, dark * _ACROSS**power, u_share)
    # Wide holes that let light through are open for all that is asked here; of closed ones the fit is narrow.
    seen_open = ~narrow & openings.whole
    known = np.concatenate((few, np.flatnonzero(seen_open)))
    forms_from = np.geomspace(0.4 * openings.nominal_mm.min(), 2.5 * openings.nominal_mm.max(), 60)
    nominal = openings.nominal_mm[known]
    forms = _OUT_OF_TURN + (1 - 2 * _OUT_OF_TURN) * ndtr(np.log(nominal[:, None] / forms_from) / _STEEP)
    whole = seen_open
    for _ in range(_TURNS):
        sizes = [_sizes(openings, whole, int(i)) for i in few]
        opened = np.array([b @ s[0] for b, s in zip(by_share, sizes, strict=True)]) * as_open
        pitted = np.array([p @ s[1] for p, s in zip(as_pit, sizes, strict=True)])
        shut = _KEEP[:, None] * pitted + (1 - _KEEP[:, None]) * without
        n_wide = len(known) - len(few)
        opened, shut = np.pad(opened, (0, n_wide), constant_values=1.0), np.pad(shut, ((0, 0), (0, n_wide)))
        closed = (1 - forms) * shut[:, :, None]
        total = np.maximum(closed + forms * opened[:, None], _TINY)
        evidence = np.log(total).sum(axis=1)
        weight = np.exp(evidence - evidence.max())
        chance[few] = np.einsum("kil,kl->i", closed / total, weight / weight.sum())[: len(few)]
        before, whole = whole, openings.whole & (chance < 0.5)
        if np.array_equal(before, whole):
            break
    # Films over openings of the size that their peers lead to expect are told by that too.
    return np.maximum(chance, films)


def closed_slot_chances(openings: Opening, *, blur_mm: FloatArray, shut: NDArray[np.bool_]) -> FloatArray:
    """Return the chance of each slot to be closed by a groove that is not through, or by a film.

    Parameters
    ----------
    openings : Opening
        Slots that are of one kind over their length.
    blur_mm : ndarray of float, shape (n,)
    shut : ndarray of bool, shape (n,)
        Those that show no light.
    """
    width = np.maximum(openings.size_mm, 1e-4)
    breadth = 1 / np.clip(openings.contrast, _FAINTEST, 1 / _FAINTEST)
    # The second moment of a slot is a twelfth of its width's square, and the blur's square.
    by_blur = 12 * (blur_mm / width) ** 2 * _U_BLUR
    u_breadth = np.hypot(openings.u_contrast * breadth**2, by_blur)
    told = ~shut & (width < _NARROW_BLURS * blur_mm)
    return closed_chances(
        openings,
        open_share=width / openings.nominal_mm,
        u_open_share=np.hypot(openings.u_size_mm, _LEAST_U_MM) / openings.nominal_mm,
        breadth=np.where(shut, 1.0, np.where(told, breadth, np.nan)),
        u_breadth=np.where(shut, 1e3, u_breadth),
        power=1,
    )


def _normal(value: FloatArray, mean: FloatArray, u: FloatArray) -> FloatArray:
    """Return the density of each value about every mean, shape (n, n_means)."""
    z = (value[:, None] - mean) / u[:, None]
    return np.asarray(np.exp(-0.5 * z * z) / (np.sqrt(2 * np.pi) * u[:, None]))


def _sizes(openings: Opening, whole: NDArray[np.bool_], hole: int) -> tuple[FloatArray, FloatArray]:
    """Return how likely each diameter is (`_ACROSS`): of a hole that is open, and of a pit or a film."""
    any_size = np.where(_ACROSS < _WIDEST, 1.0, 0.0)
    of_pits = np.where(_ACROSS > _NARROWEST_PIT, any_size, 0.0)
    any_size, of_pits = any_size / any_size.sum(), of_pits / of_pits.sum()
    nominal = float(openings.nominal_mm[hole])
    away = np.abs(np.log(openings.nominal_mm / nominal))
    others = whole.copy()
    others[hole] = False
    if others.sum() < _FEWEST:
        return any_size, of_pits
    alike = others & (away <= max(ALIKE, float(np.sort(away[others])[_FEWEST - 1])) + 1e-9)
    grown, scatter = middle_of((openings.size_mm - openings.nominal_mm)[alike], LEAST_SCATTER_MM)
    spread = np.hypot(scatter, (_BY_GROWTH * abs(grown) + _BY_SIZE * nominal) * float(np.median(away[alike])))
    likely = np.exp(log_student(_ACROSS * nominal, nominal + grown, spread))
    likely /= max(float(likely.sum()), _TINY)
    return (1 - _UNEXPECTED) * likely + _UNEXPECTED * any_size, (likely + of_pits) / 2
