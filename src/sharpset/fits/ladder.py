"""Likelihood of ladders of sizes that are cut between not formed and formed, print by print."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

__all__ = ["Criterion", "Ladder", "Solution", "ladder_criterion", "probability", "quantile"]

Floats = NDArray[np.float64]
NODES = np.linspace(-4.2, 4.2, 61)
_DENSITY = np.exp(-0.5 * NODES**2)
WEIGHTS = _DENSITY / _DENSITY.sum()
"""Trapezium rule for the normal print effect: its error is far below that of Gauss-Hermite for steep steps."""
LOG_SD_BOUNDS = (np.log(0.005), np.log(1.5))


def probability(distance: Floats, s: float, print_sd: float) -> Floats:
    """Return the chance of forming at ``ln size - ln limit`` on a new print, shape as ``distance``."""
    from scipy.special import expit

    d = np.asarray(distance, dtype=float)
    return np.asarray(expit((d[..., None] - print_sd * NODES) / s) @ WEIGHTS)


def quantile(p: float, s: float, print_sd: float) -> float:
    """Return the ``ln size - ln limit`` at which the chance on a new print is ``p``."""
    from scipy.special import expit

    # Start from the logistic-normal match (1.702), then Newton; the curve is smooth and monotone.
    wide = float(np.hypot(s, print_sd / 1.702))
    d = wide * float(np.log(p / (1.0 - p)))
    low, high = -12.0 * (s + print_sd), 12.0 * (s + print_sd)
    for _ in range(60):
        chance = expit((d - print_sd * NODES) / s)
        miss = float(chance @ WEIGHTS) - p
        slope = float((chance * (1.0 - chance)) @ WEIGHTS) / s
        low, high = (low, d) if miss > 0 else (d, high)
        step = miss / slope if slope > 1e-12 else 0.0
        new = d - step if slope > 1e-12 and low < d - step < high else 0.5 * (low + high)
        if abs(new - d) <= 1e-13 + 1e-12 * abs(d):
            return new
        d = new
    return d


@dataclass(frozen=True, kw_only=True, slots=True)
class Ladder:
    """Counts of one kind, sorted by run.

    Attributes
    ----------
    log_size, n, hits : ndarray of float, shape (n_rows,)
    run : ndarray of int, shape (n_rows,)
        Position of the run in ``settings``.
    settings : pandas.DataFrame
        One row per run.
    """

    log_size: Floats
    n: Floats
    hits: Floats
    run: NDArray[np.int64]
    settings: pd.DataFrame

    @classmethod
    def from_counts(cls, counts: pd.DataFrame, jobs: pd.DataFrame) -> Ladder:
        """Build from counts sorted by run and jobs sorted the same way."""
        index = {run: i for i, run in enumerate(jobs["run_id"])}
        run = counts["run_id"].map(index).to_numpy(dtype=np.int64)
        order = np.argsort(run, kind="stable")
        return cls(
            log_size=np.log(counts["nominal_mm"].to_numpy(dtype=float))[order],
            n=counts["n"].to_numpy(dtype=float)[order],
            hits=counts["n_formed"].to_numpy(dtype=float)[order],
            run=run[order],
            settings=jobs,
        )

    @property
    def step(self) -> float:
        """Smallest ratio of neighbouring sizes, as a logarithm."""
        steps = np.diff(np.unique(np.round(self.log_size, 9)))
        return float(steps.min()) if len(steps) else 0.2

    def cuts(self) -> Floats:
        """Return ln of the size at which each run's ladder is best cut, shape (n_runs,)."""
        out = np.empty(len(self.settings))
        for r in range(len(out)):
            mine = self.run == r
            size, miss, hit = self.log_size[mine], (self.n - self.hits)[mine], self.hits[mine]
            edges = np.append(size, size[-1] + self.step)
            wrong = np.array([hit[size < e - 1e-12].sum() + miss[size >= e - 1e-12].sum() for e in edges])
            out[r] = edges[np.flatnonzero(wrong == wrong.min())].mean() - 0.5 * self.step
        return out


@dataclass(frozen=True, kw_only=True, slots=True)
class Solution:
    """Maximum of a ladder likelihood."""

    coef: Floats
    s: float
    print_sd: float
    covariance: Floats
    log_likelihood: float
    parameters: Floats
    runs_away: bool
    separated: bool


@dataclass(frozen=True, kw_only=True, slots=True)
class Criterion:
    """Minus the (penalised) log-likelihood and its gradient, parameters ``coef, ln s, ln print_sd``.

    A fixed limit turns the intercept into a function of the other parameters: ``hold`` is the row of
    the model matrix, the log size and the probability that has to be met there.
    """

    ladder: Ladder
    matrix: Floats
    firth: bool
    free_print_sd: bool
    hold: tuple[Floats, float, float] | None = None

    def expand(self, theta: Floats) -> Floats:
        """Return all parameters, the intercept filled in where a limit is held."""
        p = self.matrix.shape[1]
        if not self.free_print_sd:
            theta = np.append(theta, LOG_SD_BOUNDS[0])
        if self.hold is None:
            return theta
        row, log_size, prob = self.hold
        rest, s, sd = theta[: p - 1], np.exp(theta[p - 1]), np.exp(theta[p])
        first = log_size - quantile(prob, float(s), float(sd)) - float(row[1:] @ rest)
        return np.concatenate([[first], theta])

    def value(self, theta: Floats) -> tuple[float, Floats]:
        """Return the criterion and its gradient by ``theta``."""
        full = self.expand(theta)
        value, gradient = self._plain(full)
        if self.free_print_sd:
            value, gradient = self._restrict(full, value, gradient)
        if self.firth:
            h = 1e-5
            base = self._penalty(full)
            for k in range(len(full)):
                moved = full.copy()
                moved[k] += h
                gradient[k] -= (self._penalty(moved) - base) / h
            value -= base
        if self.hold is not None:
            gradient = self._pull_back(full, gradient)
        return value, gradient if self.free_print_sd else gradient[:-1]

    def _restrict(self, full: Floats, value: float, gradient: Floats) -> tuple[float, Floats]:
        """Add the adjustment that makes it a restricted likelihood.

        Maximum likelihood takes the print effect too small, the more so the more settings are fitted.
        The Cox-Reid term is half the log-determinant of the information on the coefficients; for a
        ladder of step d with r copies a print tells its limit with variance ``d s / r``.
        """
        p = self.matrix.shape[1]
        sd2 = float(np.exp(2.0 * full[p + 1]))
        within = self.ladder.step * float(np.exp(full[p])) / float(np.mean(self.ladder.n))
        gradient = gradient.copy()
        gradient[p] -= 0.5 * p * within / (sd2 + within)
        gradient[p + 1] -= p * sd2 / (sd2 + within)
        return value - 0.5 * p * float(np.log(sd2 + within)), gradient

    def _pull_back(self, full: Floats, gradient: Floats) -> Floats:
        assert self.hold is not None
        row, _, prob = self.hold
        p = self.matrix.shape[1]
        s, sd = float(np.exp(full[p])), float(np.exp(full[p + 1]))
        q = quantile(prob, s, sd)
        from scipy.special import expit

        eta = (q - sd * NODES) / s
        slope = expit(eta) * expit(-eta) * WEIGHTS
        total = max(float(slope.sum()) / s, 1e-300)
        by_s, by_sd = float(slope @ eta) / total, float(slope @ (sd * NODES / s)) / total
        out = gradient[1:].copy()
        out[: p - 1] -= gradient[0] * row[1:]
        out[p - 1] -= gradient[0] * by_s
        out[p] -= gradient[0] * by_sd
        return out

    def _plain(self, full: Floats) -> tuple[float, Floats]:
        from scipy.special import expit

        lad, p = self.ladder, self.matrix.shape[1]
        s, sd = np.exp(full[p]), np.exp(full[p + 1])
        centre = (self.matrix @ full[:p])[lad.run]
        eta = ((lad.log_size - centre)[:, None] - sd * NODES[None, :]) / s
        log_p, log_q = -np.logaddexp(0.0, -eta), -np.logaddexp(0.0, eta)
        rows = lad.hits[:, None] * log_p + (lad.n - lad.hits)[:, None] * log_q
        starts = np.flatnonzero(np.diff(lad.run, prepend=-1))
        runs = np.add.reduceat(rows, starts, axis=0) + np.log(WEIGHTS)[None, :]
        top = runs.max(axis=1, keepdims=True)
        post = np.exp(runs - top)
        norm = post.sum(axis=1, keepdims=True)
        value = -float(np.sum(top + np.log(norm)))
        post /= norm
        error = (lad.hits[:, None] - lad.n[:, None] * expit(eta)) * post[lad.run]
        by_centre = -np.bincount(lad.run, weights=error.sum(axis=1), minlength=len(self.matrix)) / s
        gradient = np.empty(p + 2)
        gradient[:p] = -(self.matrix.T @ by_centre)
        gradient[p] = float(np.sum(error * eta))
        gradient[p + 1] = float(np.sum(error * (sd * NODES[None, :] / s)))
        return value, gradient

    def _penalty(self, full: Floats) -> float:
        lad, p = self.ladder, self.matrix.shape[1]
        s, sd = float(np.exp(full[p])), float(np.exp(full[p + 1]))
        chance = probability(lad.log_size - (self.matrix @ full[:p])[lad.run], s, sd)
        design = np.column_stack([self.matrix[lad.run], lad.log_size - lad.log_size.mean()])
        information = (design * (lad.n * chance * (1.0 - chance))[:, None]).T @ design
        sign, log_det = np.linalg.slogdet(information)
        return 0.5 * float(log_det) if sign > 0 else -1e3

    def bounds(self) -> list[tuple[float | None, float | None]]:
        """Return bounds of the parameters, ``coef`` without the intercept where a limit is held."""
        n_coef = self.matrix.shape[1] - (self.hold is not None)
        middle = float(self.ladder.log_size.mean())
        first: list[tuple[float | None, float | None]] = [(middle - 8.0, middle + 8.0)] if self.hold is None else []
        slopes: list[tuple[float | None, float | None]] = [(-4.0, 4.0)] * (n_coef - len(first))
        low_s = np.log(0.1 * self.ladder.step)
        spread: list[tuple[float | None, float | None]] = [(low_s, np.log(3.0))]
        return [*first, *slopes, *spread, *([LOG_SD_BOUNDS] if self.free_print_sd else [])]

    def start(self) -> Floats:
        """Return starting values from least squares on the cuts."""
        cuts = self.ladder.cuts()
        coef = np.linalg.lstsq(self.matrix, cuts, rcond=None)[0]
        rest = float(np.std(cuts - self.matrix @ coef))
        coef = coef if self.hold is None else coef[1:]
        tail = [np.log(max(0.4 * self.ladder.step, 0.02)), np.log(np.clip(rest, 0.02, 1.0))]
        return np.concatenate([coef, tail if self.free_print_sd else tail[:1]])

    def minimise(self, start: Floats | None = None) -> Solution:
        """Return the maximum of the likelihood."""
        from scipy.optimize import minimize

        bounds = self.bounds()
        low = np.array([-np.inf if b[0] is None else b[0] for b in bounds])
        high = np.array([np.inf if b[1] is None else b[1] for b in bounds])
        first = np.clip(self.start() if start is None else start, low + 1e-6, high - 1e-6)
        starts = [first]
        if start is None:
            other = first.copy()
            other[-2 if self.free_print_sd else -1] += 1.0
            starts.append(np.clip(other, low + 1e-6, high - 1e-6))
        options = {"maxiter": 500, "ftol": 1e-12, "gtol": 1e-7}
        results = [minimize(self.value, s, jac=True, method="L-BFGS-B", bounds=bounds, options=options) for s in starts]
        best = min(results, key=lambda r: float(r.fun))
        theta = np.asarray(best.x)
        full = self.expand(theta)
        p = self.matrix.shape[1]
        value = -self._plain(full)[0]
        coef = full[:p]
        return Solution(
            coef=coef,
            s=float(np.exp(full[p])),
            print_sd=float(np.exp(full[p + 1])),
            covariance=self._covariance(theta, low, high) if self.hold is None else np.zeros((p + 2, p + 2)),
            log_likelihood=value,
            parameters=theta,
            runs_away=bool(np.any(np.abs(coef[1:]) > 3.9)),
            separated=value > -0.05,
        )

    def _covariance(self, theta: Floats, low: Floats, high: Floats) -> Floats:
        n = len(theta)
        h = 1e-4
        hessian = np.empty((n, n))
        for k in range(n):
            up, down = theta.copy(), theta.copy()
            up[k] += h
            down[k] -= h
            hessian[k] = (self.value(up)[1] - self.value(down)[1]) / (2 * h)
        hessian = 0.5 * (hessian + hessian.T)
        free = (theta > low + 1e-3) & (theta < high - 1e-3) & (np.diag(hessian) > 1e-6)
        p = self.matrix.shape[1]
        out = np.zeros((p + 2, p + 2))
        where = np.flatnonzero(free)
        block = hessian[np.ix_(where, where)]
        values, vectors = np.linalg.eigh(block)
        ok = values > 1e-8 * max(float(values.max(initial=0.0)), 1e-300)
        inverse = (vectors[:, ok] / values[ok]) @ vectors[:, ok].T
        # A nearly flat spread parameter must not spoil the others: ln s and ln sd within a factor of e.
        out[np.ix_(where, where)] = inverse
        return out

    def held(self, row: Floats, log_size: float, prob: float) -> Criterion:
        """Return the criterion with the limit held at ``row``."""
        return replace(self, hold=(row, log_size, prob))


def ladder_criterion(ladder: Ladder, matrix: Floats, *, firth: bool) -> Criterion:
    """Return the criterion of a ladder; a single print has no print effect to estimate."""
    return Criterion(ladder=ladder, matrix=matrix, firth=firth, free_print_sd=len(matrix) > 1)
