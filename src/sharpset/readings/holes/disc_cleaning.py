"""Round holes fitted again where dust lies on their rims or was taken for them."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sharpset.readings.holes.disc_fit import DiscProblem, DiscState, iterate_discs
from sharpset.readings.holes.disc_start import MISPLACED_MM
from sharpset.readings.holes.rim_marks import find_marks, follow_rims

__all__ = ["clean_discs", "price_of", "with_places"]

FloatArray = NDArray[np.float64]
_CLEANINGS = 3
_FEWEST_TO_COMPARE = 5
_PLACE_SPREADS, _PLACE_PX, _BESIDE = 1.5, 0.2, 1.4
"""A hole is expected within so many times the median distance of all holes from their common shift, or so many pixels;
further away by the last factor it is suspected to be dust."""
_MOST_SPREADS, _UNCERTAIN, _TAIL = 3.0, 5.0, 3.0
"""Pixels count as far off at most so many spreads; a hole whose pixels leave so many standard deviations more than
noise does is suspected; degrees of freedom of Student's t for the places of holes, of which a few are misplaced."""
_SURE = 20.0
"""Logarithm of odds beyond which they are as good as certain."""
_LEAST_IN_SIGHT = 0.4
"""Of a hole's missing light. Where a mark hides more of it, grain of the plate could be a hole that is covered."""
_ANY_LIGHT = 1 / 12
"""Variance of what may be anything from nothing to all."""
_BESIDE_RIM = 6.0
"""Blurs from a rim as far as which marks do harm."""
_SPECK_MM = 0.4
"""Dust is rarely larger (common practice, no source). Of a wider hole it hides the smaller part of the rim: what such a
hole leaves unexplained or is moved by is rather its own shape, an oval say."""
_SHAPE_TO_MARK = 3.0
"""Odds of its own shape against a mark on a wider hole, before its pixels are asked (taken, no source)."""


def clean_discs(
    problem: DiscProblem, found: DiscState, radii: FloatArray, *, weighed: NDArray[np.bool_] | None = None
) -> DiscState:
    """Fit holes with foreign marks again without them, and holes that lie apart from where the others do from there.

    Parameters
    ----------
    problem : DiscProblem
    found : DiscState
        Of a fit that knows of no marks.
    radii : ndarray of float, shape (n_holes,)
        Nominal, mm on the glass.
    weighed : ndarray of bool, shape (n_holes,), optional
        Wide holes that are weighed against being out of round elsewhere.

    Returns
    -------
    DiscState
    """
    marks = np.zeros(len(found.weight), dtype=bool)
    if len(radii) >= _FEWEST_TO_COMPARE:
        problem = with_places(problem, found, radii)
        residual = problem.residual(found.p)
        problem = replace(problem, typical=problem.scales(found.p, residual).typical)
        found, marks = _not_dust(problem, found, radii, residual)
    now = _Now(found, marks, problem.patches.owner)
    small = radii < _SPECK_MM
    for turn in range(_CLEANINGS):
        residual, known = problem.residual(now.p), now.known
        if problem.typical is None:
            problem = replace(problem, typical=problem.scales(now.p, residual).typical)
        clean = _without_skirts(problem, now, residual) if turn else problem
        n_before, rest = int(now.marks.sum()), ~small
        # A rim that scatters may be rough all round, or lie under a mark and be as even as the others elsewhere.
        for even in (True, False):
            chosen = np.flatnonzero(~rest if even else rest)
            if len(chosen):
                rough = now.look(clean if even else problem, chosen, residual, known, mark_odds=1.0 if even else None)
                rest[rough] = True
        if int(now.marks.sum()) == n_before:
            break
    # A mark over a third of a wide rim makes all of it scatter, and hides by that.
    wide = np.flatnonzero(~small & ~now.known & ~(small if weighed is None else weighed))
    for _ in range(_CLEANINGS if len(wide) else 0):
        residual, n_before = problem.residual(now.p), int(now.marks.sum())
        now.look(_without_skirts(problem, now, residual), wide, residual, now.known, mark_odds=1 / _SHAPE_TO_MARK)
        if int(now.marks.sum()) == n_before:
            break
    return DiscState(p=now.p, weight=now.weight, noise=now.noise, doubt_mm=now.doubt_mm, marks=now.marks)


class _Now:
    """Holes as they are fitted so far, their pixels that lie on marks, and what either is unsure by."""

    def __init__(self, found: DiscState, marks: NDArray[np.bool_], owner: NDArray[np.intp]) -> None:
        self.p, self.weight, self.noise = found.p.copy(), found.weight.copy(), found.noise.copy()
        self.marks, self.doubt_mm, self._owner = marks, np.zeros(len(found.p)), owner

    @property
    def known(self) -> NDArray[np.bool_]:
        """Which holes are known to be dirty."""
        return np.asarray(np.bincount(self._owner, self.marks, len(self.p)) > 0)

    def look(
        self,
        problem: DiscProblem,
        chosen: NDArray[np.intp],
        residual: FloatArray,
        known: NDArray[np.bool_],
        *,
        mark_odds: float | None,
    ) -> NDArray[np.intp]:
        """Look for marks on some holes and fit those without them; returns holes that rather are rough."""
        part, pixels = problem.some(chosen)
        new = _marked(part, self.p[chosen], residual[pixels], self.marks[pixels], known[chosen], mark_odds=mark_odds)
        if new is None:
            return chosen[:0]
        self.p[chosen[new.holes]], self.noise[chosen[new.holes]] = new.state.p, new.state.noise
        self.weight[pixels[new.pixels]], self.marks[pixels[new.pixels]] = new.state.weight, new.marks
        self.doubt_mm[chosen[new.asked]] = new.doubt_mm
        return chosen[new.rough]


def _without_skirts(problem: DiscProblem, now: _Now, residual: FloatArray) -> DiscProblem:
    """Return the problem with what holes scatter beside marks: skirts of these widen it until they are known."""
    anew = replace(problem, typical=None)
    return replace(problem, typical=anew.scales(now.p, residual, now.known, now.marks).typical)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Marked:
    """Holes fitted without new marks, their pixels and which of these lie on marks; holes that rather are rough.

    `asked` are holes that may be either, `doubt_mm` what that leaves their radius unsure by.
    """

    holes: NDArray[np.intp]
    state: DiscState
    pixels: NDArray[np.intp]
    marks: NDArray[np.bool_]
    rough: NDArray[np.intp]
    asked: NDArray[np.intp]
    doubt_mm: FloatArray


def _marked(
    problem: DiscProblem,
    p: FloatArray,
    residual: FloatArray,
    marks: NDArray[np.bool_],
    known: NDArray[np.bool_],
    *,
    mark_odds: float | None,
) -> _Marked | None:
    """Look for marks and fit holes without them.

    Where odds of a mark are given, holes that are not `known` to be dirty may be rough. Pixels as far as a blur reaches
    err together and so tell once.
    """
    owner, even = problem.patches.owner, mark_odds is not None
    scales = problem.scales(p, residual, known | even, marks)
    more = find_marks(problem.patches, p, residual, scales, sigma=problem.sigma_mm) & ~marks
    if even and more.any():
        # Grain of the plate is not what this is about.
        more &= known[owner] | (_away_mm(problem, p) < _BESIDE_RIM * problem.sigma_mm)
    dirty = np.unique(owner[more])
    if len(dirty) == 0:
        return None
    part, pixels = problem.some(dirty)
    hidden = (marks | more)[pixels]
    again = iterate_discs(part, p[dirty], marks=hidden)
    taken, asked, doubt = np.ones(len(dirty), dtype=bool), np.zeros(len(dirty), dtype=bool), np.zeros(len(dirty))
    if mark_odds is not None:
        gain = _evidence(part, p[dirty], marks[pixels], rough=True) - _evidence(part, again.p, hidden, rough=False)
        alike = max(4 * np.pi * (problem.sigma_mm / problem.pixel_mm) ** 2, 1.0)
        odds = mark_odds * np.exp(np.clip(gain / 2 / alike, -_SURE, _SURE))
        taken, asked = known[dirty] | (odds > 1), ~known[dirty]
        doubt = np.abs(again.p[:, 2] - p[dirty, 2]) * np.sqrt(odds) / (1 + odds)
    here = taken[part.patches.owner]
    return _Marked(
        holes=dirty[taken],
        state=DiscState(p=again.p[taken], weight=again.weight[here], noise=again.noise[taken]),
        pixels=pixels[here],
        marks=hidden[here],
        rough=dirty[~taken],
        asked=dirty[asked],
        doubt_mm=doubt[asked],
    )


def with_places(problem: DiscProblem, found: DiscState, radii: FloatArray) -> DiscProblem:
    """Return the problem with what all holes together tell of where one lies: the others' place and their scatter."""
    if len(radii) < _FEWEST_TO_COMPARE:
        return problem
    # Holes smaller than the blur do not tell where they are.
    plain = radii > problem.sigma_mm
    shift = found.p[plain if plain.sum() >= _FEWEST_TO_COMPARE else slice(None), :2]
    middle = np.median(shift, axis=0)
    away = float(np.median(np.hypot(*(shift - middle).T)))
    precision, mean = problem.precision.copy(), problem.mean.copy()
    precision[:2] = max(_PLACE_SPREADS * away, _PLACE_PX * problem.pixel_mm) ** -2
    mean[:2] = middle
    return replace(problem, precision=precision, mean=mean)


def _not_dust(
    problem: DiscProblem, found: DiscState, radii: FloatArray, residual: FloatArray
) -> tuple[DiscState, NDArray[np.bool_]]:
    """Fit holes again that lie apart from where the others do, or leave much unexplained: dust may have been fitted.

    Each is begun where the others lie, once without the side it lies towards and once without the side of what it
    leaves unexplained. What explains most counts (`price_of`). Also returned is which pixels lie on marks then.
    """
    marks = np.zeros(len(found.weight), dtype=bool)
    dirty = np.ones(len(radii), dtype=bool)
    off = found.p[:, :2] - problem.mean[:2]
    z = np.minimum(np.abs(residual) / problem.scales(found.p, residual, dirty).scale, _MOST_SPREADS)
    owner, n = problem.patches.owner, len(radii)
    count = np.bincount(owner, minlength=n)
    excess = np.bincount(owner, z**2 - 1, n) / np.sqrt(2.0 * count)
    apart = np.hypot(*off.T) > _BESIDE * problem.precision[0] ** -0.5
    suspects = np.flatnonzero((apart | (excess > _UNCERTAIN)) & (radii < _SPECK_MM))
    if len(suspects) == 0:
        return found, marks
    part, pixels = problem.some(suspects)
    lowest = price_of(part, found.p[suspects], np.zeros(len(pixels), dtype=bool), residual[pixels])
    p, weight = found.p.copy(), found.weight.copy()
    smaller = float(np.median(found.p[:, 2] - radii))
    start = np.tile(problem.mean, (len(suspects), 1))
    start[:, 2] = np.maximum(radii[suspects] + smaller, 0.3 * radii[suspects])
    own = part.patches.owner
    x, y = part.patches.x_mm - start[own, 0], part.patches.y_mm - start[own, 1]
    left = np.maximum(z[pixels] ** 2 - 1, 0.0)
    worst = np.column_stack([np.bincount(own, left * v, len(suspects)) for v in (x, y)])
    for direction, displaced in ((off[suspects], apart[suspects]), (worst, np.zeros(len(suspects), dtype=bool))):
        towards = direction / np.maximum(np.hypot(*direction.T), 1e-12)[:, None]
        ahead = x * towards[own, 0] + y * towards[own, 1] > 0.2 * start[own, 2]
        half = iterate_discs(part, start, marks=ahead)
        # What the hole does not explain from there may be the dust, which must not draw it back.
        residual = part.residual(half.p)
        scales = part.scales(half.p, residual, dirty[suspects])
        seen = find_marks(part.patches, half.p, residual, scales, sigma=problem.sigma_mm)
        # Where a mark hides most of a rim none is given: the other side has to do.
        none = displaced & (np.bincount(own, seen, len(suspects)) == 0)
        seen = np.where(none[own], ahead, seen)
        again = iterate_discs(part, half.p, marks=seen)
        residual = part.residual(again.p)
        price = price_of(part, again.p, seen, residual)
        better = (price < lowest) & (_in_sight(part, again.p, seen, residual) >= _LEAST_IN_SIGHT)
        lowest = np.where(better, price, lowest)
        p[suspects[better]] = again.p[better]
        taken = better[own]
        weight[pixels[taken]], marks[pixels[taken]] = again.weight[taken], seen[taken]
    return DiscState(p=p, weight=weight, noise=found.noise), marks


def _away_mm(problem: DiscProblem, p: FloatArray) -> FloatArray:
    """Return how far each pixel is from its hole's edge, outwards."""
    patches = problem.patches
    x, y, radius = p[patches.owner, :3].T
    return np.asarray(np.hypot(patches.x_mm - x, patches.y_mm - y) - radius)


def _in_sight(problem: DiscProblem, p: FloatArray, marks: NDArray[np.bool_], residual: FloatArray) -> FloatArray:
    """Return what share of the light that each hole takes from the plate is missing outside marks."""
    patches = problem.patches
    lacking = np.maximum(p[patches.owner, 3] - (patches.solid - residual), 0.0)
    seen = np.bincount(patches.owner, np.where(marks, 0.0, lacking), patches.n_holes)
    return np.asarray(seen / np.maximum(np.bincount(patches.owner, lacking, patches.n_holes), 1e-12))


def price_of(problem: DiscProblem, p: FloatArray, marks: NDArray[np.bool_], residual: FloatArray) -> FloatArray:
    """Return minus twice the logarithm of how likely holes are, with marks whose light may be anything.

    Optics blur marks as they do edges: a mark tells no more than one light for each patch as large as the blur is wide,
    and each such light costs what a far outlier does; about it pixels scatter by their noise. Places
    have long tails, but end where printers misplace no hole (taken for three standard deviations).
    """
    patches = problem.patches
    scale = problem.scales(p, residual, np.ones(patches.n_holes, dtype=bool)).scale
    z = np.minimum(np.abs(residual) / scale, _MOST_SPREADS)
    unlike = max(4 * np.pi * (problem.sigma_mm / problem.pixel_mm) ** 2, 1.0)
    cost = np.bincount(patches.owner, np.where(marks, 1 + _MOST_SPREADS**2 / unlike, z**2), patches.n_holes)
    square = np.sum((p[:, :2] - problem.mean[:2]) ** 2, axis=1)
    place = (_TAIL + 2) * np.log1p(square * problem.precision[0] / _TAIL) + square * (3 / MISPLACED_MM) ** 2
    return np.asarray(cost + place)


def _evidence(problem: DiscProblem, p: FloatArray, marks: NDArray[np.bool_], *, rough: bool) -> FloatArray:
    """Return minus twice the logarithm of how likely the pixels of holes are, rims `rough` or as even as the others.

    What lies under marks may be any light from the ground's to the plate's, smooth by the scan's blur s: a field with
    the spectrum V 4 pi s^2 exp(-(2 pi s f)^2), of which pixels with the noise n see L^2 / (8 pi s^2) logarithms each,
    L that of its largest ratio to the noise, besides what they scatter. Rough rims wander (`follow_rims`).
    """
    patches = problem.patches
    residual = problem.residual(p)
    scale = problem.scales(p, residual, np.ones(patches.n_holes, dtype=bool), marks).scale
    wandering = np.zeros(patches.n_holes)
    if rough:
        own = problem.scales(p, residual, None, marks)
        residual, wandering = follow_rims(patches, p, residual, own, sigma=problem.sigma_mm)
    z = np.minimum(np.abs(residual) / scale, _MOST_SPREADS)
    blur = 4 * np.pi * max(problem.sigma_mm / problem.pixel_mm, 0.3) ** 2
    largest = np.log(max(_ANY_LIGHT * blur / problem.noise**2, 1.0))
    each = np.where(marks, 1 + largest**2 / (2 * blur), z**2 + 2 * np.log(scale / problem.noise))
    return np.asarray(np.bincount(patches.owner, each, patches.n_holes) + wandering)
