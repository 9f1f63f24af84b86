"""What a band beside shaded or lit walls does to an edge, and how far edges of such a breadth and lean are off.

Two kinds are thought possible. A *shaded* band of the bright side lacks a share h of the contrast, wholly or fading
away from the edge: the edge seems moved towards the bright side. A *lit* wall, seen beside an edge by a lens that looks
a little past it, or light that it throws on what is near, adds a tail on the dark side that fades away from the edge:
the edge seems moved towards the dark side. Either broadens the edge. What tells them apart is which way it leans: a
band that takes a part leans towards the bright side, a faint tail to the dark one. A band that takes nearly all leans
as a faint tail does; which of the two it is no scan tells, and the result holds both by their chances.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from sharpset.readings.blur import EdgeSpread
from sharpset.readings.edge_shapes import LEAN, PLACE, REACH, VARIANCE, deviations, edge_precision

__all__ = ["WIDEST_MM", "Seen", "Shift", "likely_shift"]

FloatArray = NDArray[np.float64]
WIDEST_MM = 0.0125
"""Largest shift that is thought possible before the scan is looked at (a band of 25 um that lacks half)."""
_SHADED = 0.85
"""Chance that a band is a shaded one, before the scan is looked at."""
_DEPTHS = ((0.2, 0.1), (0.35, 0.25), (0.5, 0.3), (0.65, 0.25), (0.8, 0.07), (0.95, 0.03))
"""Shares of the contrast that a shaded band lacks, and their chances: what a lamp at one side gives of all light
(the rest is thrown back by lid and glass); a band that lacks all is rare."""
_TAILS = ((0.1, 0.2), (0.2, 0.2), (0.3, 0.2), (0.4, 0.2), (0.5, 0.2))
"""The same of what a lit wall adds at the edge: at most half of the lens looks past an edge at its wall."""
_LONGEST_MM = 0.08
_FARTHEST, _FARTHEST_ON_GROUND = 1.5, 3.0
"""Shift that is thought possible over the root of the excess variance, sqrt(h / (1 - h)) of it: shares h of 0.7 on a
plate, whose rounded edges see most of what is round them, of 0.9 on ground at the foot of walls."""
_N_SHIFTS, _N_SMEAR, _N_PLACES, _N_STEPS = 40, 5, 61, 3
_SHAPE_UNSURE = 0.15
"""Relative standard uncertainty of what a band of given depth and width does, as no band is one of these shapes."""
_FLOOR = 0.01
"""What the model of the blur itself may be wrong by, in squares and cubes of it: edges of scans without any band."""
_NOISE = 0.002
_WRONG_SIDE = 0.05
"""Chance of shade on the side where the lamp seems to be, or of a lit wall on the other, against those that suit it."""
_K95 = 1.96
_MISFIT = 6.0
"""Sum of squares, over those of variance and lean that the best band leaves, from which on no band is quite the right
one: what is seen then counts less."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Seen:
    """By what edges that face one way differ from those that face the other; lean towards the bright side."""

    variance_mm2: float
    u_variance_mm2: float
    lean_mm3: float
    u_lean_mm3: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Shift:
    """How far the edges on one side are off towards the bright side; negative for lit walls.

    Attributes
    ----------
    middle_mm : float
        Median over all bands that agree with the scan, none included: nothing where none is the likelier.
    u_mm : float
        Standard uncertainty: 95 % of them are within 1.96 times as much of the median.
    most_mm : float
        The size that 95 % of them stay below, whichever way.
    lit : float
        Chance that it is a lit wall if it is a band at all.
    """

    middle_mm: float
    u_mm: float
    most_mm: float
    lit: float


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Bands:
    """Bands: shifts towards the bright side, what they add to variance and lean, and their chances."""

    shift_mm: FloatArray
    variance_mm2: FloatArray
    lean_mm3: FloatArray
    chance: FloatArray


def likely_shift(
    seen: Seen, spread: EdgeSpread, *, evenly_lit: float, lamp: float = 0.0, on_ground: bool = False
) -> Shift:
    """Weigh all bands by how they agree with a scan.

    Parameters
    ----------
    seen : Seen
    spread : EdgeSpread
    evenly_lit : float
        Chance that there is no band, before the scan is looked at. Otherwise any shift up to `WIDEST_MM` is as
        likely as another (more only where the scan itself says so), on either side.
    lamp : float
        Where the lamp seems to lie: positive on the side that edges of greater variance face, if that is positive;
        0 if nothing tells.
    on_ground : bool
        Whether the bright side is the ground (a dark piece).

    Returns
    -------
    Shift
    """
    sigma = spread.mean_sigma_mm
    farthest = _FARTHEST_ON_GROUND if on_ground else _FARTHEST
    # What noise alone may make of an excess says nothing of wider bands.
    evident = max(abs(seen.variance_mm2) - 2 * seen.u_variance_mm2, 0.0)
    bands = _bands(max(WIDEST_MM, farthest * float(np.sqrt(evident))), spread)
    u_variance = np.hypot(seen.u_variance_mm2, _FLOOR * sigma**2)
    u_lean = np.hypot(seen.u_lean_mm3, _FLOOR * sigma**3)
    left, chances = [], []
    for side in (1.0, -1.0):
        widths = (
            np.hypot(u_variance, _SHAPE_UNSURE * bands.variance_mm2),
            np.hypot(u_lean, _SHAPE_UNSURE * bands.lean_mm3),
        )
        off = side * seen.variance_mm2 - bands.variance_mm2, side * seen.lean_mm3 - bands.lean_mm3
        left.append((off[0] / widths[0]) ** 2 + (off[1] / widths[1]) ** 2)
        suits = np.where(side * lamp * bands.shift_mm > 0, _WRONG_SIDE, 1.0)
        chances.append(bands.chance * suits * (1 - evenly_lit) / 2 / (widths[0] * widths[1]))
    left.append(np.array([(seen.variance_mm2 / u_variance) ** 2 + (seen.lean_mm3 / u_lean) ** 2]))
    chances.append(np.array([evenly_lit / (u_variance * u_lean)]))
    squares = np.concatenate(left)
    squares /= max(1.0, float(squares.min()) / _MISFIT)
    log_all = np.log(np.concatenate(chances)) - squares / 2
    shift = np.concatenate((bands.shift_mm, bands.shift_mm, [0.0]))
    weight = np.exp(log_all - log_all.max())
    weight /= weight.sum()
    middle = _median(shift, weight)
    some = float(weight[:-1].sum())
    return Shift(
        middle_mm=middle,
        # Never nothing at all: scans of one lamp are compared by the ratio of what each allows.
        u_mm=max(_within(np.abs(shift - middle), weight), WIDEST_MM / 400) / _K95,
        most_mm=max(_within(np.abs(shift), weight), WIDEST_MM / 400),
        lit=float(weight[:-1][shift[:-1] < 0].sum() / some) if some > 0 else 0.0,
    )


def _within(size: FloatArray, weight: FloatArray) -> float:
    """Return what 95 % stay below."""
    order = np.argsort(size)
    return float(size[order][min(int(np.searchsorted(np.cumsum(weight[order]), 0.95)), len(size) - 1)])


def _median(shift: FloatArray, weight: FloatArray) -> float:
    """Return the weighted median, between neighbouring values by what lies below each, so that it moves steadily."""
    values, where = np.unique(shift, return_inverse=True)
    mass = np.bincount(where, weight)
    below = np.cumsum(mass)
    # No band at all is one value of great weight.
    if values[min(int(np.searchsorted(below, 0.5)), len(values) - 1)] == 0.0:
        return 0.0
    return float(np.interp(0.5, below - mass / 2, values))


@lru_cache(maxsize=4)
def _bands(widest_mm: float, spread: EdgeSpread) -> _Bands:
    """Return all bands that shift edges by up to so much."""
    shifts: FloatArray = (np.arange(_N_SHIFTS) + 0.5) / _N_SHIFTS * widest_mm
    kinds = [(1.0, share, chance * _SHADED / 2, fading) for share, chance in _DEPTHS for fading in (False, True)]
    kinds += [(-1.0, share, chance * (1 - _SHADED), True) for share, chance in _TAILS]
    steps, chances, places = [], [], []
    for side, share, chance, fading in kinds:
        width: FloatArray = np.asarray(shifts * ((2 if fading else 1) / share))
        possible = width <= _LONGEST_MM
        at = (np.arange(_N_SMEAR) + 0.5) / _N_SMEAR if fading else np.ones(_N_SMEAR)
        places.append(side * width[possible, None] * at)
        steps.append(np.full(possible.sum(), share))
        chances.append(np.full(possible.sum(), chance / _N_SHIFTS))
    shift, variance, lean = _as_fitted(np.concatenate(places), np.concatenate(steps), spread)
    all_chances = np.concatenate(chances)
    return _Bands(shift_mm=shift, variance_mm2=variance, lean_mm3=lean, chance=all_chances / all_chances.sum())


def _as_fitted(place: FloatArray, share: FloatArray, spread: EdgeSpread) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return shift, excess variance and lean that the fit of a plain edge finds on edges with bands.

    Parameters
    ----------
    place : ndarray of float, shape (n, n_smear)
        Where the part of the step lies that the band moves, towards the bright side.
    share : ndarray of float, shape (n,)
        How large that part is.
    spread : EdgeSpread
    """
    sigma = spread.mean_sigma_mm
    x = np.linspace(-REACH, REACH, _N_PLACES) * sigma
    columns = deviations(x, np.array(sigma), spread)
    precision = np.diag(edge_precision()) * _NOISE**2
    step = 1 / np.sqrt(np.maximum(np.einsum("mi,mi->i", columns, columns), 1e-300))
    scaled = columns * step
    whole = np.linalg.solve(scaled.T @ scaled + precision * np.outer(step, step), scaled.T)
    few = scaled[:, :VARIANCE]
    first = np.linalg.solve(few.T @ few + (precision * np.outer(step, step))[:VARIANCE, :VARIANCE], few.T)
    plain = _risen(x, np.zeros((1, 1)), np.zeros(1), spread)[0]
    found = np.zeros(len(share))
    for _ in range(_N_STEPS):
        off = _risen(x + found[:, None], place, share, spread) - plain
        found = found + off @ first[PLACE] * step[PLACE]
    off = _risen(x + found[:, None], place, share, spread) - plain
    parts = (off @ whole.T) * step
    return found, parts[:, VARIANCE], parts[:, LEAN]


def _risen(x: FloatArray, place: FloatArray, share: FloatArray, spread: EdgeSpread) -> FloatArray:
    """Return blurred edges of which a share lies elsewhere, shape (n, n_x)."""

    def edge(distance: FloatArray) -> FloatArray:
        core = ndtr(distance / spread.mean_sigma_mm)
        if not spread.halo:
            return np.asarray(core)
        return np.asarray(
            (1 - spread.halo) * core + spread.halo * ndtr(distance / (spread.halo_ratio * spread.mean_sigma_mm))
        )

    x = np.atleast_2d(x)
    moved = np.mean([edge(x - at[:, None]) for at in place.T], axis=0)
    return np.asarray((1 - share[:, None]) * edge(x) + share[:, None] * moved)
