"""Round holes fitted again where dust lies on their rims or was taken for them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from sharpset.readings.holes.disc_fit import DiscProblem, DiscState, iterate_discs
from sharpset.readings.holes.disc_start import MISPLACED_MM
from sharpset.readings.holes.rim_marks import find_marks

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
_LEAST_IN_SIGHT = 0.4
"""Of a hole's missing light. Where a mark hides more of it, grain of the plate could be a hole that is covered."""
_SPECK_MM = 0.4
"""Dust is rarely larger (common practice, no source). Of a wider hole it hides the smaller part of the rim: what such a
hole leaves unexplained or is moved by is its own shape, an oval say."""


def clean_discs(problem: DiscProblem, found: DiscState, radii: FloatArray) -> DiscState:
    """Fit holes with foreign marks again without them, and holes that lie apart from where the others do from there.

    Parameters
    ----------
    problem : DiscProblem
    found : DiscState
        Of a fit that knows of no marks.
    radii : ndarray of float, shape (n_holes,)
        Nominal, mm on the glass.

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
    p, weight = found.p.copy(), found.weight.copy()
    part, pixels, chosen = problem, np.arange(len(weight)), np.arange(len(p))
    known = np.bincount(problem.patches.owner, marks, len(p)) > 0
    for turn in range(_CLEANINGS):
        residual = part.residual(p[chosen])
        scales = part.scales(p[chosen], residual, known | (turn > 0))
        more = find_marks(part.patches, p[chosen], residual, scales, sigma=problem.sigma_mm) & ~marks
        dirty = np.unique(part.patches.owner[more])
        if len(dirty) == 0:
            break
        marks |= more
        chosen, known = chosen[dirty], known[dirty]
        part, kept = part.some(dirty)
        pixels, marks = pixels[kept], marks[kept]
        again = iterate_discs(part, p[chosen], marks=marks)
        p[chosen], weight[pixels] = again.p, again.weight
    return DiscState(p=p, weight=weight, noise=found.noise)


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
