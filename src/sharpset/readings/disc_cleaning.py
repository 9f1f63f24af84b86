"""Round holes fitted again where dust lies on their rims or was taken for them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from sharpset.readings.disc_fit import DiscProblem, DiscState, iterate_discs
from sharpset.readings.rim_marks import find_marks

__all__ = ["clean_discs"]

FloatArray = NDArray[np.float64]
_CLEANINGS = 3
_FEWEST_TO_COMPARE, _WORSE = 5, 2.0
_PLACE_SPREADS, _PLACE_PX, _BESIDE = 1.5, 0.2, 1.4
"""A hole is expected within so many times the median distance of all holes from their common shift, or so many pixels;
further away by the last factor it is suspected to be dust."""


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
    if len(radii) >= _FEWEST_TO_COMPARE:
        problem = _with_places(problem, found)
        problem = replace(problem, typical=problem.scales(found.p, problem.residual(found.p)).typical)
        found = _not_beside(problem, found, radii)
    p, weight = found.p.copy(), found.weight.copy()
    part, pixels, chosen = problem, np.arange(len(weight)), np.arange(len(p))
    marks = np.zeros(len(weight), dtype=bool)
    for turn in range(_CLEANINGS):
        residual = part.residual(p[chosen])
        scales = part.scales(p[chosen], residual, np.full(len(chosen), turn > 0))
        more = find_marks(part.patches, p[chosen], residual, scales, sigma=problem.sigma_mm) & ~marks
        dirty = np.unique(part.patches.owner[more])
        if len(dirty) == 0:
            break
        marks |= more
        chosen = chosen[dirty]
        part, kept = part.some(dirty)
        pixels, marks = pixels[kept], marks[kept]
        again = iterate_discs(part, p[chosen], marks=marks)
        p[chosen], weight[pixels] = again.p, again.weight
    return DiscState(p=p, weight=weight, noise=found.noise)


def _with_places(problem: DiscProblem, found: DiscState) -> DiscProblem:
    """Return the problem with what all holes together tell of where one lies: the others' place and their scatter."""
    shift = found.p[:, :2]
    middle = np.median(shift, axis=0)
    away = float(np.median(np.hypot(*(shift - middle).T)))
    precision, mean = problem.precision.copy(), problem.mean.copy()
    precision[:2] = max(_PLACE_SPREADS * away, _PLACE_PX * problem.pixel_mm) ** -2
    mean[:2] = middle
    return replace(problem, precision=precision, mean=mean)


def _not_beside(problem: DiscProblem, found: DiscState, radii: FloatArray) -> DiscState:
    """Fit holes that lie apart from where the others lie again from there: it may be dust that was fitted."""
    away = np.hypot(*(found.p[:, :2] - problem.mean[:2]).T)
    beside = np.flatnonzero(away > _BESIDE * problem.precision[0] ** -0.5)
    if len(beside) == 0:
        return found
    part, pixels = problem.some(beside)
    smaller = float(np.median(found.p[:, 2] - radii))
    start = np.tile(problem.mean, (len(beside), 1))
    start[:, 2] = np.maximum(radii[beside] + smaller, 0.3 * radii[beside])
    # What lies on the side of the suspected dust has no say at first.
    own, towards = part.patches.owner, (found.p[beside, :2] - problem.mean[:2]) / away[beside, None]
    ahead = (part.patches.x_mm - start[own, 0]) * towards[own, 0] + (part.patches.y_mm - start[own, 1]) * towards[
        own, 1
    ]
    half = iterate_discs(part, start, marks=ahead > 0.2 * start[own, 2])
    # What the hole does not explain from there may be the dust, which must not draw it back.
    residual = part.residual(half.p)
    scales = part.scales(half.p, residual, np.ones(len(beside), dtype=bool))
    marks = find_marks(part.patches, half.p, residual, scales, sigma=problem.sigma_mm)
    again = iterate_discs(part, half.p, marks=marks)
    p, weight = found.p.copy(), found.weight.copy()
    nearer = np.hypot(*(again.p[:, :2] - problem.mean[:2]).T) < away[beside]
    better = nearer & (_unexplained(part, again.p) < _WORSE * _unexplained(part, found.p[beside]))
    p[beside[better]] = again.p[better]
    taken = better[part.patches.owner]
    weight[pixels[taken]] = again.weight[taken]
    return DiscState(p=p, weight=weight, noise=found.noise)


def _unexplained(problem: DiscProblem, p: FloatArray) -> FloatArray:
    """Return how much of each hole's surroundings the model leaves, far outliers counted as three spreads."""
    residual = problem.residual(p)
    z = np.minimum(np.abs(residual) / problem.scales(p, residual).scale, 3.0)
    return np.asarray(np.bincount(problem.patches.owner, z**2, problem.patches.n_holes), dtype=np.float64)
