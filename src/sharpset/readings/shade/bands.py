"""What a band beside shaded or lit walls does to an edge, and how far edges of such a breadth and lean are off.

Two kinds are thought possible. A *shaded* band of the bright side lacks a share h of the contrast, wholly or fading
away from the edge: the edge seems moved towards the bright side. A *lit* wall, seen beside an edge by a lens that looks
a little past it, or light that it throws on what is near, adds a tail on the dark side that fades away from the edge:
the edge seems moved towards the dark side. Either broadens the edge. What tells them apart is which way it leans: a
band that takes a part leans towards the bright side, a faint tail to the dark one. A band that takes nearly all leans
as a faint tail does; which of the two it is no scan tells, and the result holds both by their chances.

Two things more move edges and are weighed together with those. Edges that face a lamp may *glint*: their rounded rim
takes more light than the plate by a part of what those that face away lack. And walls, which look like the plate, may
show beside *all* edges alike, as far as a lens sees past the edges of such a plate. Blur that leans, as lenses make it,
leans the same way on the glass whichever way an edge faces, so that the mean lean of edges that face opposite ways
comes from none but these.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from sharpset.readings.edges.blur import EdgeSpread, edge_profile
from sharpset.readings.shade.edge_shapes import LEAN, PLACE, REACH, VARIANCE, deviations, edge_precision

__all__ = ["WIDEST_MM", "Seen", "Shift", "Shifts", "likely_shift", "likely_shifts"]

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
_GLINTS = ((0.0, 0.5), (0.25, 0.2), (0.5, 0.15), (0.75, 0.15))
"""By what share of the depth of shade edges that face the lamp are brighter, and the chances: walls that stand upright
have none, rims that are evenly rounded lose and gain alike."""
_ALL_ROUND, _ALL_WALLS = 0.08, 0.97
"""Chance that something lies beside all edges alike, before the scan is looked at, and that it is then the walls as the
lens sees them, which look like the plate, not rims that look otherwise than the plate (assumed). A tail of light much
shorter than the blur leaves no trace, as an edge's own place is unknown and all that is seen of a tail is the third
moment: the chance alone then says how far intervals reach."""
_SEEN_MM, _SEEN_SPREAD = 0.010, 0.6
"""How far beside an edge walls are seen, the median and the standard deviation of its logarithm. A lens sees a plate of
the thickness T at most T tan(a) past an edge, a half its aperture: 8 to 30 um for plates of 1 to 1.2 mm and lenses
of f/4 to f/8 that make pictures of a third to a seventh of the size. As few rays of a round aperture come in so
aslant (0.21 in the mean) and walls get darker with depth (0.65 in the mean, see `wall_bands`), that does as much as an
even fall over 0.55 of it."""
_LEANING, _LEANS = 0.1, 0.4
"""Chance that the blur itself leans (coma), and its third moment then, in cubes of the blur; lenses off their axis."""
_GLINT = 0.5
_N_ALL, _N_FEW, _ALL_DECADES = 40, 120, 2
_HOPELESS = 14.0
"""Logarithm by which a band may be less likely than the best one before it is dropped."""
_FLOOR_OF_ALL, _FLOOR_OF_AXIS = 0.008, 0.008
"""What the mean lean of all edges may be without any walls, in cubes of the blur, by the curve that the picture was
encoded with and by the fit, and what that of edges along one axis may be besides (26 rendered PNG and TIFF scans
without walls or lamps: 0.011 together, of which 0.007 by noise)."""
_OTHER, _FARTHEST_OTHER = ((0.99, 1.0), (0.01, 3.0)), 6.0
"""Chances that what else makes all edges lean is as large as that, or so many times (sharpening, a curve that is far
off), and how many times at the most."""
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
    """By what edges that face one way differ from those that face the other; lean towards the bright side.

    `both_mm3` is the mean lean of edges that face either way.
    """

    variance_mm2: float
    u_variance_mm2: float
    lean_mm3: float
    u_lean_mm3: float
    both_mm3: float = 0.0
    u_both_mm3: float = np.inf


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


@dataclass(frozen=True, kw_only=True, slots=True)
class Shifts:
    """Shifts by a lamp along columns and along rows, which one edge of a feature has, and of all edges alike."""

    x: Shift
    y: Shift
    all: Shift


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Bands:
    """Bands on one side: the shifts towards the bright side of the edges on both sides together, what they add to the
    differences of variance and lean and to the mean lean, and their chances.
    """

    shift_mm: FloatArray
    variance_mm2: FloatArray
    lean_mm3: FloatArray
    both_mm3: FloatArray
    chance: FloatArray


def likely_shift(
    seen: Seen, spread: EdgeSpread, *, evenly_lit: float, lamp: float = 0.0, on_ground: bool = False
) -> Shift:
    """Weigh all bands along one axis by how they agree with a scan.

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
    shift, log_weight = _along(seen, spread, np.zeros(1), evenly_lit=evenly_lit, lamp=lamp, on_ground=on_ground)
    return _shift_of(shift, _weights(log_weight)[:, 0])


def likely_shifts(
    seen: tuple[Seen, Seen],
    spread: EdgeSpread,
    *,
    evenly_lit: tuple[float, float],
    lamp: tuple[float, float] = (0.0, 0.0),
    on_ground: bool = False,
    u_of_file_mm3: float = 0.0,
    curves: Sequence[tuple[float, float]] = (),
) -> Shifts:
    """Weigh bands along columns, bands along rows and what all edges have alike, together.

    Parameters
    ----------
    seen : (Seen, Seen)
        Along columns and along rows.
    spread, evenly_lit, lamp, on_ground
        As for `likely_shift`, the two axes apart.
    u_of_file_mm3 : float
        Standard uncertainty of the mean lean, along both axes alike, from how the picture was stored.
    curves : sequence of (float, float)
        Mean leans by curves that the picture may be encoded with, mm^3, and their chances; that of 0 by default.

    Returns
    -------
    Shifts
    """
    alike, lean, chance = _all_round(spread, on_ground)
    fine = _FLOOR_OF_ALL * spread.mean_sigma_mm**3
    few, lies = _at_few(lean, curves or ((0.0, 1.0),), fine, float(np.hypot(u_of_file_mm3, fine)))
    share = np.maximum(chance @ lies, 1e-300)
    axes = [
        _along(one, spread, few, evenly_lit=even, lamp=side, on_ground=on_ground)
        for one, even, side in zip(seen, evenly_lit, lamp, strict=True)
    ]
    whole = [np.logaddexp.reduce(log_weight, axis=0) for _, log_weight in axes]
    found = [
        _shift_of(shift, _weights(log_weight + np.log(share) + other).sum(axis=1))
        for (shift, log_weight), other in zip(axes, whole[::-1], strict=True)
    ]
    both = np.broadcast_to(whole[0] + whole[1], len(few))
    weight = chance * (lies @ np.exp(both - both.max()))
    return Shifts(x=found[0], y=found[1], all=_shift_of(alike, weight / weight.sum()))


def _at_few(
    lean: FloatArray, curves: Sequence[tuple[float, float]], fine: float, u: float
) -> tuple[FloatArray, FloatArray]:
    """Return a few leans of all edges, `fine` apart near nothing and the farther the wider, and the chances that walls,
    the picture's curve, and whatever else makes all edges lean by about `u` come to them together, one row for every
    lean by walls.
    """
    by_curves = [by_curve for by_curve, _ in curves]
    beyond = _FARTHEST_OTHER * u
    ends = lean.min() + min(by_curves) - beyond, lean.max() + max(by_curves) + beyond
    low, high = (float(np.arcsinh(end / fine)) for end in ends)
    few = fine * np.sinh(np.linspace(low, high, _N_FEW))
    step = np.gradient(few)
    lies = np.zeros((len(lean), len(few)))
    for by_curve, chance in curves:
        wide = np.hypot(u, np.interp(lean + by_curve, few, step))[:, None]
        off = (few - by_curve - lean[:, None]) / wide
        parts = [part / times * np.exp(-((off / times) ** 2) / 2) for part, times in _OTHER]
        part = np.sum(parts, axis=0) * step
        lies += chance * part / part.sum(axis=1, keepdims=True)
    return few, lies


def _along(
    seen: Seen, spread: EdgeSpread, all_lean: FloatArray, *, evenly_lit: float, lamp: float, on_ground: bool
) -> tuple[FloatArray, FloatArray]:
    """Return shifts by bands along an axis, the last one of none, and the logarithms of how likely each is together
    with each lean of all edges, shape (n_bands, n_leans).
    """
    sigma = spread.mean_sigma_mm
    farthest = _FARTHEST_ON_GROUND if on_ground else _FARTHEST
    # What noise alone may make of an excess says nothing of wider bands.
    evident = max(abs(seen.variance_mm2) - 2 * seen.u_variance_mm2, 0.0)
    bands = _bands(max(WIDEST_MM, farthest * float(np.sqrt(evident))), spread)
    side = np.concatenate((np.ones_like(bands.shift_mm), -np.ones_like(bands.shift_mm), [0.0]))
    shift, variance, lean, both, chance = (
        np.concatenate((values, values, [none]))
        for values, none in (
            (bands.shift_mm, 0.0),
            (bands.variance_mm2, 0.0),
            (bands.lean_mm3, 0.0),
            (bands.both_mm3, 0.0),
            (bands.chance * (1 - evenly_lit) / 2, evenly_lit),
        )
    )
    u_variance = np.hypot(np.hypot(seen.u_variance_mm2, _FLOOR * sigma**2), _SHAPE_UNSURE * variance)
    u_lean = np.hypot(np.hypot(seen.u_lean_mm3, _FLOOR * sigma**3), _SHAPE_UNSURE * lean)
    off_lean = seen.lean_mm3 - side * lean
    # The difference of leans is the band's, and at some chance that of a blur that leans.
    wide = np.hypot(u_lean, 2 * _LEANS * sigma**3)
    most = (1 - _LEANING) / u_lean, _LEANING / wide
    likely = most[0] * np.exp(-((off_lean / u_lean) ** 2) / 2) + most[1] * np.exp(-((off_lean / wide) ** 2) / 2)
    in_lean = -2 * np.log(np.maximum(likely / sum(most), 1e-300))
    squares = ((seen.variance_mm2 - side * variance) / u_variance) ** 2 + in_lean
    chance = chance * np.where(side * lamp * shift > 0, _WRONG_SIDE, 1.0) / u_variance * sum(most)
    log_weight = np.log(chance)
    alone = log_weight - squares / 2 / max(1.0, float(squares.min()) / _MISFIT)
    kept = alone > alone.max() - _HOPELESS
    kept[-1] = True
    shift, both = shift[kept], both[kept, None]
    squares, log_weight = squares[kept, None], log_weight[kept, None]
    if np.isfinite(seen.u_both_mm3):
        floor = np.hypot(seen.u_both_mm3, _FLOOR_OF_AXIS * sigma**3)
        u_both = np.hypot(floor, _SHAPE_UNSURE * np.hypot(both, all_lean))
        squares = squares + ((seen.both_mm3 - both - all_lean) / u_both) ** 2
        log_weight = log_weight - np.log(u_both)
    squares = squares / max(1.0, float(squares.min()) / _MISFIT)
    return shift, log_weight - squares / 2


def _weights(log_weight: FloatArray) -> FloatArray:
    weight = np.exp(log_weight - log_weight.max())
    return np.asarray(weight / weight.sum())


def _shift_of(shift: FloatArray, weight: FloatArray) -> Shift:
    """Return what shifts with weights make together; the last one is that of no band."""
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
    steps, places, chances = _steps(kinds, shifts, np.full(_N_SHIFTS, 1 / _N_SHIFTS))
    shift, variance, lean = _as_fitted(places, steps, spread)
    shaded = places[:, -1] > 0
    glint = np.zeros((3, len(steps)))
    glint[:, shaded] = _as_fitted(places[shaded], -_GLINT * steps[shaded], spread)
    parts = []
    for share, of_it in _GLINTS:
        these = shaded | (share == 0.0)
        more, more_variance, more_lean = share / _GLINT * glint[:, these]
        # A lit wall has no other side.
        weight = np.where(shaded, of_it, 1.0)[these]
        parts.append(
            (
                shift[these] + more,
                variance[these] - more_variance,
                lean[these] - more_lean,
                (lean[these] + more_lean) / 2,
                chances[these] * weight,
            )
        )
    whole = [np.concatenate(values) for values in zip(*parts, strict=True)]
    return _Bands(
        shift_mm=whole[0],
        variance_mm2=whole[1],
        lean_mm3=whole[2],
        both_mm3=whole[3],
        chance=whole[4] / whole[4].sum(),
    )


@lru_cache(maxsize=4)
def _all_round(spread: EdgeSpread, on_ground: bool) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return shifts of all edges by what lies beside all of them, their leans and chances; the last is none."""
    shifts: FloatArray = WIDEST_MM * 10.0 ** -(_ALL_DECADES * (np.arange(_N_ALL) + 0.5) / _N_ALL)
    # Walls that look like the plate take from what is bright where that is the ground.
    walls, rims = (1.0, -1.0) if on_ground else (-1.0, 1.0)
    kinds = [(walls, share, chance * _ALL_WALLS, True) for share, chance in _TAILS]
    kinds += [(rims, share, chance * (1 - _ALL_WALLS), True) for share, chance in (_TAILS if on_ground else _DEPTHS)]
    steps, places, chances = _steps(kinds, shifts, np.ones(_N_ALL))
    seen = np.log(2 * np.abs(places.mean(axis=1)) / _SEEN_MM) / _SEEN_SPREAD
    shift, _, lean = _as_fitted(places, steps, spread)
    chances = chances * np.exp(-(seen**2) / 2)
    chance = np.append(_ALL_ROUND * chances / chances.sum(), 1 - _ALL_ROUND)
    return np.append(shift, 0.0), np.append(lean, 0.0), chance


def _steps(
    kinds: list[tuple[float, float, float, bool]], shifts: FloatArray, likely: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return shares of the step, where they lie, and the chances of bands: side, share, chance and whether it fades."""
    steps, places, chances = [], [], []
    for side, share, chance, fading in kinds:
        width: FloatArray = np.asarray(shifts * ((2 if fading else 1) / share))
        possible = width <= _LONGEST_MM
        at = (np.arange(_N_SMEAR) + 0.5) / _N_SMEAR if fading else np.ones(_N_SMEAR)
        places.append(side * width[possible, None] * at)
        steps.append(np.full(possible.sum(), share))
        chances.append(chance * likely[possible])
    return np.concatenate(steps), np.concatenate(places), np.concatenate(chances)


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
        return edge_profile(distance, spread.mean_sigma_mm, spread.shape)

    x = np.atleast_2d(x)
    moved = edge(x - place[:, :1])
    # Bands that do not fade lie in one place.
    fading = np.flatnonzero(np.any(place != place[:, :1], axis=1))
    if len(fading):
        others = [edge(x[fading] - at[fading, None]) for at in place.T[1:]]
        moved[fading] = np.mean([moved[fading], *others], axis=0)
    return np.asarray((1 - share[:, None]) * edge(x) + share[:, None] * moved)
