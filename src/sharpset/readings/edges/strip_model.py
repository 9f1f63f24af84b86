"""The picture of a strip, a blurred pair of edges, and its least squares: many strips at once."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sharpset.readings.edges.blur import SpreadShape, blurred_edge

__all__ = [
    "CENTRE",
    "CONTRAST",
    "LEVEL",
    "LOG_BLUR",
    "SLOPE",
    "WIDTH",
    "Lowest",
    "StripProblem",
    "gain_ahead",
    "lowest",
]

FloatArray = NDArray[np.float64]
_DONE_SHARE = 0.25
_GAIN_SHARE, _GAIN = 1e-6, 1e-4
"""Share of the cost, and the cost, that a last step may still gain; the latter moves a width by a hundredth of its
standard uncertainty."""
_LEAST_MM = 1e-4
_FLOOR_REACHES = 30.0
"""Widths and centres are known at least to so many times the neighbourhood that is looked at; any edge tells a
million times more."""
WIDTH, CENTRE, LEVEL, SLOPE, CONTRAST, LOG_BLUR = range(6)
_RESIDUAL = 6


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class StripProblem:
    """Data and priors of many strips in padded arrays.

    Attributes
    ----------
    d, solid, root_weight : ndarray of float, shape (n, m)
        Place and share solid of each step, and one over its standard deviation, 0 where there is no step.
    sign : ndarray of float, shape (n, 1)
        1 of bars, -1 of slots.
    prior_mean, prior_precision : ndarray of float, shape (n, 6)
        Of width, centre, level, slope, contrast and logarithm of the blur.
    shape : SpreadShape
        Of the edge spread.
    reach : ndarray of float, shape (n,)
        How far from its middle a strip is looked at, mm.
    rest : ndarray of float, shape (n,)
        Weighted sum of squares that lies within the steps.
    n_free : ndarray of int, shape (n,)
        Degrees of freedom of each strip's residuals.
    """

    d: FloatArray
    solid: FloatArray
    root_weight: FloatArray
    sign: FloatArray
    prior_mean: FloatArray
    prior_precision: FloatArray
    shape: SpreadShape
    reach: FloatArray
    rest: FloatArray
    n_free: NDArray[np.intp]

    def rows(self, p: FloatArray) -> FloatArray:
        """Return the derivatives of the model and the residual over the steps' standard deviations, shape (n, 7, m)."""
        half, level, slope = p[:, WIDTH, None] / 2, p[:, LEVEL, None], p[:, SLOPE, None]
        per_blur = np.exp(-p[:, LOG_BLUR, None])
        height = self.sign * p[:, CONTRAST, None]
        away = self.d - p[:, CENTRE, None]
        place = np.empty((2, *away.shape))
        np.add(away, half, out=place[0])
        np.subtract(away, half, out=place[1])
        place *= per_blur
        (left, right), lines = blurred_edge(place, self.shape)
        span = np.subtract(left, right, out=left)
        at_left, at_right = lines
        rows = np.empty((len(p), 7, self.d.shape[1]))
        np.add(at_left, at_right, out=rows[:, WIDTH])
        rows[:, WIDTH] *= height * per_blur / 2
        np.subtract(at_right, at_left, out=rows[:, CENTRE])
        rows[:, CENTRE] *= height * per_blur
        # A blur that grows by a factor moves the profile as the distances shrink by it.
        lines *= place
        np.subtract(at_right, at_left, out=rows[:, LOG_BLUR])
        rows[:, LOG_BLUR] *= height
        rows[:, LEVEL] = 1.0
        rows[:, SLOPE] = self.d
        np.multiply(span, self.sign, out=rows[:, CONTRAST])
        span *= -height
        span += self.solid
        span -= level
        span -= slope * self.d
        rows[:, _RESIDUAL] = span
        rows *= self.root_weight[:, None]
        return rows

    def equations(self, p: FloatArray) -> FloatArray:
        """Return all products of `rows`, shape (n, 7, 7): normal matrix, gradient and sum of squares."""
        rows = self.rows(p)
        return np.asarray(rows @ rows.transpose(0, 2, 1))

    def cost(self, p: FloatArray, equations: FloatArray) -> FloatArray:
        """Return half the weighted sum of squares of each strip, priors included."""
        prior = np.sum(self.prior_precision * (p - self.prior_mean) ** 2, axis=1)
        return np.asarray((equations[:, _RESIDUAL, _RESIDUAL] + self.rest + prior) / 2)

    def chi2(self, equations: FloatArray) -> FloatArray:
        """Return the mean square residual of each strip over what noise alone would leave."""
        return np.asarray((equations[:, _RESIDUAL, _RESIDUAL] + self.rest) / self.n_free)

    def floor(self) -> FloatArray:
        """Return a precision that keeps equations solvable where nothing shows a width or a centre."""
        floor = np.full((len(self.reach), 6), 1e-12)
        floor[:, [WIDTH, CENTRE]] = (_FLOOR_REACHES * self.reach[:, None]) ** -2
        return floor

    def weighed(self, share: FloatArray) -> StripProblem:
        """Return the problem with weights that count for less, by a share for each strip."""
        return replace(self, root_weight=self.root_weight * np.sqrt(share)[:, None], rest=self.rest * share)

    def some(self, chosen: NDArray[np.bool_]) -> StripProblem:
        """Return the problem of some of the strips."""
        weight = self.root_weight[chosen]
        m = int((weight > 0).sum(axis=1).max(initial=1))
        return StripProblem(
            d=self.d[chosen, :m],
            solid=self.solid[chosen, :m],
            root_weight=weight[:, :m],
            sign=self.sign[chosen],
            prior_mean=self.prior_mean[chosen],
            prior_precision=self.prior_precision[chosen],
            shape=self.shape,
            reach=self.reach[chosen],
            rest=self.rest[chosen],
            n_free=self.n_free[chosen],
        )


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Lowest:
    """Parameters at the lowest cost, that cost (see `StripProblem.cost`), and the equations there."""

    p: FloatArray
    cost: FloatArray
    equations: FloatArray


def lowest(problem: StripProblem, start: FloatArray, most_steps: int) -> Lowest:
    """Go down to the lowest cost by Levenberg and Marquardt's steps; strips that have got there are left alone."""
    todo, p = np.arange(len(start)), start.copy()
    damping = np.full(len(p), 1e-3)
    equations = problem.equations(p)
    cost = problem.cost(p, equations)
    found = Lowest(p=p.copy(), cost=cost.copy(), equations=equations.copy())
    was_nothing = np.zeros(len(p), dtype=bool)
    for _ in range(most_steps):
        trial = _stepped(problem, p, equations, damping)
        new = problem.equations(trial)
        new_cost = problem.cost(trial, new)
        better = new_cost <= cost
        gain = np.where(better, cost - new_cost, np.inf)
        p[better], equations[better], cost[better] = trial[better], new[better], new_cost[better]
        damping = np.where(better, damping / 5, damping * 8)
        done = (gain < _GAIN_SHARE * cost + _GAIN) | (damping > 1e8)
        # Where there is no strip there is no place to be found.
        nothing = p[:, WIDTH] <= _LEAST_MM
        done |= nothing & was_nothing
        was_nothing = nothing
        found.p[todo], found.cost[todo], found.equations[todo] = p, cost, equations
        if done.all():
            break
        if done.mean() > _DONE_SHARE:
            more = ~done
            problem, todo = problem.some(more), todo[more]
            p, equations, cost, damping = (v[more] for v in (p, equations, cost, damping))
            was_nothing = nothing[more]
    return found


def gain_ahead(problem: StripProblem, found: Lowest) -> FloatArray:
    """Return how much the sum of squares of each strip's data would fall in one more step, were the model linear."""
    normal = found.equations[:, :_RESIDUAL, :_RESIDUAL]
    pull = found.equations[:, :_RESIDUAL, _RESIDUAL]
    step = np.linalg.solve(*_damped(problem, found.p, found.equations, np.zeros(len(found.p))))
    moved = np.einsum("nij,nj->ni", normal, step[..., 0])
    return np.asarray(np.sum(step[..., 0] * (pull - moved / 2), axis=1))


def _damped(
    problem: StripProblem, p: FloatArray, equations: FloatArray, damping: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return the normal equations of a damped step, matrix and right side."""
    normal = equations[:, :_RESIDUAL, :_RESIDUAL].copy()
    gradient = equations[:, :_RESIDUAL, _RESIDUAL] - problem.prior_precision * (p - problem.prior_mean)
    index = np.arange(6)
    normal[:, index, index] = (normal[:, index, index] + problem.prior_precision) * (1 + damping[:, None])
    normal[:, index, index] += problem.floor()
    return normal, gradient[..., None]


def _stepped(problem: StripProblem, p: FloatArray, equations: FloatArray, damping: FloatArray) -> FloatArray:
    """Return the parameters after one damped Gauss-Newton step, kept within bounds."""
    trial = p + np.linalg.solve(*_damped(problem, p, equations, damping))[..., 0]
    trial[:, WIDTH] = np.clip(trial[:, WIDTH], _LEAST_MM, 2 * problem.reach)
    trial[:, CENTRE] = np.clip(trial[:, CENTRE], -problem.reach, problem.reach)
    about = problem.prior_mean[:, LOG_BLUR]
    trial[:, LOG_BLUR] = np.clip(trial[:, LOG_BLUR], about - 1, about + 1)
    return np.asarray(trial)
