"""Which arcs of a rim are the hole's own and which a mark's: competing circles, weighed by their likelihoods.

Where marks lie on a rim, what is left of it may be the hole's or the border of a mark that was not told, and what
they hide may wander as rims do. Sectors are clean or lie on a mark, mostly as their neighbours are (a hidden Markov
chain along the rim); clean ones lie on a circle or out of round by a little, as far as rims of this scan scatter.
Circles that are begun on different arcs compete by their evidence: their mean is the radius, and what they leave open,
within and between them, its uncertainty.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sharpset.readings.holes.disc_fit import DiscProblem, DiscState
from sharpset.readings.holes.disc_model import DiscTables
from sharpset.readings.holes.rim_chances import clean_along
from sharpset.readings.picture.medians import median

__all__ = ["Arcs", "weigh_arcs"]

FloatArray = NDArray[np.float64]
_TOLD_FROM, _MOVED_FROM = 1.5, 2.25
"""Radii in blurs: of smaller holes arcs say nothing; up to the second they tell how unsure a radius is, but no better
radius (sectors of such rims blur into each other)."""
_ON_RIM, _REACH = 1.0, 2.5
"""Blurs from a rim as far as marks lie on it, and as far as it is looked at."""
_SECTOR_PX, _SECTOR_BLURS, _SECTORS = 2.0, 1.5, (8, 48)
_SEEN = 0.5
"""A sector of which marks hide more than the rest of what tells where its edge lies is hidden."""
_FEWEST_RIMS, _POOLED_FROM, _FEWEST_SECTORS = 5, 3.0, 10
"""Rims from which on the scan tells how far they scatter, by radii in blurs, and clean sectors of each."""
_SCATTERS_PX, _LEAST_SCATTER_PX = (0.03, 0.06, 0.12, 0.25, 0.5, 1.0), 0.03
_LIKE_OTHERS = 1.6
"""Factor by which single rims' scatter differs from that of the others (a standard deviation; taken, no source)."""
_OUT_OF_ROUND = ((1e-5, 0.8), (0.01, 0.1), (0.05, 0.1))
"""Standard deviation of each harmonic over the radius, and how likely that is (taken, no source)."""
_ANYWHERE_BLURS = 3.5
"""Range over which light of any strength displaces a sector: on one side of an edge it moves it by 1.8 blurs."""
_LEAST_CLEAN = 0.35
"""Share of a rim that must be clean."""
_N_ARCS, _HALVES = 8, (-0.2, 0.4)
"""Directions that circles are begun in, and cosines about them from which on sectors belong to such an arc."""
_TURNS, _POOL_TURNS = 5, 4
_ALIKE_PX = 0.02
_HARMONICS = (1, 2, 3)
_FEW_SECTORS = 20


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Arcs:
    """What the arcs of rims say of holes with marks on their rim.

    Attributes
    ----------
    p : ndarray of float, shape (n_holes, 5)
        As `DiscState` has it, radii as the arcs say.
    u_radius_mm : ndarray of float, shape (n_holes,)
        Standard uncertainty of radii by what the arcs leave open, 0 where no marks lie on the rim.
    """

    p: FloatArray
    u_radius_mm: FloatArray


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Sectors:
    """How far out each sector's edge lies from a circle (mm), the noise's variance of that, and which are hidden."""

    angle: FloatArray
    out: FloatArray
    variance: FloatArray
    hidden: NDArray[np.bool_]

    def design(self) -> FloatArray:
        """Return a constant, cosine and sine of the centre's shift, and of the harmonics, shape (n, 5) or (n, 7)."""
        orders = _HARMONICS if len(self.angle) >= _FEW_SECTORS else _HARMONICS[:-1]
        waves = [wave(k * self.angle) for k in orders for wave in (np.cos, np.sin)]
        return np.column_stack((np.ones(len(self.angle)), *waves))


def weigh_arcs(problem: DiscProblem, found: DiscState) -> Arcs:
    """Weigh the arcs of rims on which marks lie.

    Parameters
    ----------
    problem : DiscProblem
        With what all holes tell of their places.
    found : DiscState
        Ends of fits without marks, and these.
    """
    p, u_radius = found.p.copy(), np.zeros(len(found.p))
    marks, sigma = found.marks, problem.sigma_mm
    if marks is None or not marks.any():
        return Arcs(p=p, u_radius_mm=u_radius)
    told = np.flatnonzero(p[:, 2] >= _TOLD_FROM * sigma)
    dirty = [int(i) for i in told if _on_rim(problem, p[i], int(i), marks)]
    if not dirty:
        return Arcs(p=p, u_radius_mm=u_radius)
    tables = DiscTables.of(p[:, 2], sigma, problem.spread)
    wide = told[p[told, 2] >= _POOLED_FROM * sigma].tolist()
    rims = {i: _sectors(problem, found, tables, i, marks) for i in {*dirty, *wide}}
    scatter = _usual_scatter([rims[i] for i in wide], problem.pixel_mm)
    for i in dirty:
        off = problem.mean[:2] - p[i, :2]
        moved, variance = _weighed(rims[i], problem, float(p[i, 2]), off, scatter)
        better = p[i, 2] >= _MOVED_FROM * sigma
        # Pixels and arcs are two ways to the same radius: half of what they differ by is unsure.
        u_radius[i] = np.sqrt(variance + (moved / 2 if better else moved) ** 2)
        p[i, 2] += moved if better else 0.0
    return Arcs(p=p, u_radius_mm=u_radius)


def _near(problem: DiscProblem, p: FloatArray, i: int, blurs: float) -> slice:
    first = int(problem.patches.start[i])
    return slice(first, first + problem.patches.n_within(i, p, blurs * problem.sigma_mm))


def _on_rim(problem: DiscProblem, p: FloatArray, i: int, marks: NDArray[np.bool_]) -> bool:
    """Return whether a mark lies on a hole's rim."""
    one = _near(problem, p, i, _ON_RIM)
    at = np.flatnonzero(marks[one])
    x, y = problem.patches.x_mm[one][at] - p[0], problem.patches.y_mm[one][at] - p[1]
    return bool(np.any(np.abs(np.sqrt(x * x + y * y) - p[2]) < _ON_RIM * problem.sigma_mm))


def _sectors(problem: DiscProblem, found: DiscState, tables: DiscTables, i: int, marks: NDArray[np.bool_]) -> _Sectors:
    """Return where each sector's edge lies by least squares over its pixels outside marks."""
    p, sigma = found.p[i], problem.sigma_mm
    one = _near(problem, p, i, _REACH)
    x, y = problem.patches.x_mm[one], problem.patches.y_mm[one]
    model, rows = tables.rows(i, x, y, p)
    dx, dy = x - p[0], y - p[1]
    rim = np.flatnonzero(np.abs(np.sqrt(dx * dx + dy * dy) - p[2]) < _REACH * sigma)
    by_radius, left = rows[2].take(rim), (problem.patches.solid[one] - model).take(rim)
    wide = max(_SECTOR_PX * problem.pixel_mm, _SECTOR_BLURS * sigma)
    n = int(np.clip(2 * np.pi * p[2] / wide, *_SECTORS))
    turn = np.arctan2(dy.take(rim), dx.take(rim)) / (2 * np.pi) + 0.5
    sector = (turn * n).astype(np.intp) % n
    clean: FloatArray = np.where(marks[one].take(rim), 0.0, 1.0)
    of_all = np.bincount(sector, by_radius**2, n)
    known = np.bincount(sector, clean * by_radius**2, n)
    return _Sectors(
        angle=(np.arange(n) + 0.5) * 2 * np.pi / n - np.pi,
        out=np.bincount(sector, clean * by_radius * left, n) / np.maximum(known, 1e-12),
        variance=float(found.noise[i]) ** 2 / np.maximum(known, 1e-12),
        hidden=known < _SEEN * np.maximum(of_all, 1e-12),
    )


def _usual_scatter(rims: list[_Sectors], pixel_mm: float) -> float | None:
    """Return how far clean sectors scatter about rims' low harmonics, noise removed, mm; None where few rims tell."""
    found = []
    for rim in rims:
        design, clean = rim.design(), np.where(rim.hidden, 0.0, 1.0)
        n_terms = design.shape[1]
        if clean.sum() < max(_FEWEST_SECTORS, n_terms + 3):
            continue
        weight, left = clean, rim.out
        for _ in range(_POOL_TURNS):
            normal = (design.T * weight) @ design + 1e-9 * np.eye(n_terms)
            left = rim.out - design @ np.linalg.solve(normal, design.T @ (weight * rim.out))
            usual = max(1.4826 * median(np.abs(left[clean > 0])), 1e-9)
            weight = clean * np.clip(2 - np.abs(left) / (2 * usual), 0.0, 1.0)
        free = max(float(weight.sum()) - n_terms, 0.2 * float(weight.sum()), 1e-9)
        noise = median(rim.variance[clean > 0])
        found.append(np.sqrt(max(float(weight @ left**2) / free - noise, 0.1 * noise)))
    return max(median(np.array(found)), _LEAST_SCATTER_PX * pixel_mm) if len(found) >= _FEWEST_RIMS else None


def _begun(rim: _Sectors) -> FloatArray:
    """Return which sectors circles are begun with: all that show, and arcs in all directions, shape (n_starts, n)."""
    towards = np.arange(_N_ARCS) * 2 * np.pi / _N_ARCS
    cosine = np.cos(rim.angle - towards[:, None])
    starts = np.concatenate((np.ones((1, len(rim.angle))), *(cosine > least for least in _HALVES)))
    return np.where(rim.hidden, 0.0, starts)


def _weighed(
    rim: _Sectors, problem: DiscProblem, radius: float, off_mm: FloatArray, usual_mm: float | None
) -> tuple[float, float]:
    """Return how much further out the rim lies than its circle, and the variance of that, over competing circles."""
    design = rim.design()
    n, k = design.shape
    begun = _begun(rim)
    scatter = np.repeat(np.array(_SCATTERS_PX) * problem.pixel_mm, len(_OUT_OF_ROUND))
    shape, chance = (np.tile(one, len(_SCATTERS_PX)) for one in np.array(_OUT_OF_ROUND).T)
    likely_before = np.log(chance)
    if usual_mm is not None:
        likely_before -= 0.5 * (np.log(scatter / usual_mm) / np.log(_LIKE_OTHERS)) ** 2
    n_kinds, kind = len(scatter), np.tile(np.arange(len(scatter)), len(begun))
    precision = np.zeros((len(kind), k))
    precision[:, 0] = (0.5 * radius) ** -2
    precision[:, 1:3] = max(float(problem.precision[0]), 1e-6)
    precision[:, 3:] = ((shape * radius) ** -2.0)[kind, None]
    expected = np.zeros(k)
    expected[1:3] = off_mm
    variance = (scatter**2)[kind, None] + rim.variance
    products = (design[:, :, None] * design[:, None, :]).reshape(n, k * k)
    foreign = 1 / (_ANYWHERE_BLURS * problem.sigma_mm)
    clean = np.repeat(begun, n_kinds, axis=0)
    for _ in range(_TURNS):
        weight = clean / variance
        normal = (weight @ products).reshape(-1, k, k)
        normal[:, np.arange(k), np.arange(k)] += precision
        right = (weight * rim.out) @ design + precision * expected
        found = np.linalg.solve(normal, right[..., None])[..., 0]
        square = (rim.out - found @ design.T) ** 2 / variance
        density = np.exp(-0.5 * np.minimum(square, 1000.0)) / np.sqrt(2 * np.pi * variance)
        likely, clean = clean_along(np.where(rim.hidden, foreign, density), foreign)
        clean = np.where(rim.hidden, 0.0, clean)
    before = 0.5 * np.sum(np.log(precision / (2 * np.pi)) - precision * (found - expected) ** 2, axis=1)
    volume = 0.5 * (k * np.log(2 * np.pi) - np.linalg.slogdet(normal)[1])
    evidence = likely + before + volume + likely_before[kind]
    evidence[clean.mean(axis=1) < _LEAST_CLEAN] = -np.inf
    # Circles that ended alike are one.
    ends = np.column_stack((kind, np.round(found[:, :3] / (_ALIKE_PX * problem.pixel_mm))))
    _, once = np.unique(ends, axis=0, return_index=True)
    best = float(evidence[once].max())
    if not np.isfinite(best):
        return 0.0, 0.0
    share = np.exp(evidence[once] - best)
    share /= share.sum()
    out, within = found[once, 0], np.linalg.inv(normal[once])[:, 0, 0]
    moved = float(share @ out)
    return moved, float(share @ (within + (out - moved) ** 2))
