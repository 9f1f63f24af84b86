"""Designs that are improved together: the arithmetic of coordinate exchange.

One numpy call looks at every candidate value of one coordinate in all designs of a batch, and a rank-two
update keeps the inverse information matrices current.

References
----------
Meyer, R. K. & Nachtsheim, C. J. (1995), Technometrics 37(1), 60-69.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from sharpset.plans.models import ModelBasis

__all__ = ["CRITERIA", "Batch", "Criterion", "Problem"]

Criterion = Literal["D", "I", "A"]
CRITERIA: tuple[Criterion, ...] = ("D", "I", "A")
Array = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class Problem:
    """What an optimal design is asked for.

    Attributes
    ----------
    basis : ModelBasis
    blocks : ndarray of int, shape (n_runs,)
        Numbers 0, 1, ...; their differences are fixed effects.
    plots : ndarray of int, shape (n_runs,)
        Whole plot of each run, 0, 1, ...; every run its own plot where nothing is hard to change.
    hard : ndarray of bool, shape (n_factors,)
    ratio : float
        Variance between whole plots over variance between runs; 0 without whole plots.
    fixed : ndarray of float, shape (n_fixed, n_factors)
        Runs that stand already, the first rows of the design.
    criterion : {'D', 'I', 'A'}
    """

    basis: ModelBasis
    blocks: NDArray[np.int64]
    plots: NDArray[np.int64]
    hard: NDArray[np.bool_]
    ratio: float = 0.0
    fixed: Array = field(default_factory=lambda: np.empty((0, 0)))
    criterion: Criterion = "D"

    @property
    def n_runs(self) -> int:
        """Number of runs."""
        return len(self.blocks)

    @property
    def block_columns(self) -> Array:
        """Effect-coded block columns, shape (n_runs, n_blocks - 1)."""
        n = int(self.blocks.max()) + 1
        table = np.vstack([-np.ones((1, n - 1)), np.eye(n - 1)])
        return np.asarray(table[self.blocks])

    def information(self, rows: Array) -> Array:
        """Return X'V^-1 X for model rows of shape (..., n_runs, n_parameters)."""
        gram = np.swapaxes(rows, -1, -2) @ rows
        if self.ratio:
            for members in self.members:
                total = rows[..., members, :].sum(axis=-2)
                shrink = self.ratio / (1 + len(members) * self.ratio)
                gram -= shrink * total[..., :, None] * total[..., None, :]
        return np.asarray(gram)

    @property
    def members(self) -> list[NDArray[np.int64]]:
        """Rows of each whole plot."""
        return [np.flatnonzero(self.plots == w) for w in range(int(self.plots.max()) + 1)]


class Batch:
    """A batch of designs that are improved together; first axis of every array: the start."""

    def __init__(self, problem: Problem, matrix: Array) -> None:
        self.problem = problem
        self.matrix = matrix
        self.basis = problem.basis
        self.n_block = problem.block_columns.shape[1]
        self.members = problem.members
        self.plot_of = problem.plots
        self.factors = self.basis.factors.factors
        self.parts = np.stack([self._part(j, matrix[:, :, j]) for j in range(len(self.factors))])
        zeros = np.zeros((len(matrix), problem.n_runs, self.n_block + self.basis.n_columns))
        zeros[..., : self.n_block] = problem.block_columns
        self.rows = zeros
        self.rows[..., self.n_block :] = self.parts.prod(axis=0)
        self.weight = np.zeros((self.n_parameters, self.n_parameters))
        self.inverse: Array = np.empty(0)
        # Smallest relative gain for which a coordinate is changed.
        self.least = 1e-8

    @property
    def n_parameters(self) -> int:
        return int(self.rows.shape[-1])

    def _part(self, j: int, coded: Array) -> Array:
        return self.basis.part(j, coded)

    def refresh(self, ridge: float) -> None:
        """Calculate the inverse information matrices anew; designs that are not estimable are dropped."""
        gram = self.problem.information(self.rows) + ridge * np.eye(self.n_parameters)
        sign, logdet = np.linalg.slogdet(gram)
        good = (sign > 0) & (logdet > self.n_parameters * np.log(1e-7 * self.problem.n_runs))
        if not good.all():
            self.matrix, self.rows = self.matrix[good], self.rows[good]
            self.parts, gram = self.parts[:, good], gram[good]
        self.inverse = np.asarray(np.linalg.inv(gram)) if len(gram) else gram

    def values(self) -> Array:
        """Return the criterion, smaller is better."""
        if self.problem.criterion == "D":
            return np.asarray(-np.linalg.slogdet(self.problem.information(self.rows))[1])
        return self._trace()

    def _trace(self) -> Array:
        return np.asarray((self.inverse * self.weight).sum(axis=(1, 2)))

    def _candidate_rows(self, index: Any, j: int, table: Array) -> Array:
        """Model rows with factor j changed: rest (S, ..., p) times table (S or 1, c, p)."""
        others = [f for f in range(len(self.factors)) if f != j]
        rest = self.parts[others][:, :, index].prod(axis=0)
        return np.asarray(rest[:, None] * (table if rest.ndim == 2 else table[:, :, None, :]))

    def _allowed(self, index: Any, j: int, candidates: Array) -> NDArray[np.bool_] | None:
        """Whether candidates (S or 1, c) keep the rules in a row or in all rows of a whole plot."""
        factors = self.basis.factors
        name = factors.names[j]
        rules = [c for c in factors.constraints if name in c.names]
        if not rules:
            return None
        rows = np.atleast_1d(np.asarray(index))
        settings: dict[str, Any] = {}
        for f, factor in enumerate(factors.factors):
            settings[factor.name] = factor.decode(self.matrix[:, rows, f])[:, None, :]
        settings[name] = factors.factors[j].decode(candidates)[:, :, None]
        shape = (len(self.matrix), candidates.shape[1], len(rows))
        ok = np.ones(shape, dtype=bool)
        for rule in rules:
            ok &= rule.holds(settings)
        return np.asarray(ok.all(axis=2))

    def change_run(self, i: int, j: int, candidates: Array, table: Array, goal: str) -> bool:
        """Give factor j of run i its best candidate in every start; return whether one changed."""
        starts = np.arange(len(self.matrix))
        old = self.rows[:, i]
        d = np.zeros((len(starts), candidates.shape[1], self.n_parameters))
        d[..., self.n_block :] = self._candidate_rows(i, j, table) - old[:, None, self.n_block :]
        members = self.members[self.plot_of[i]]
        shrink = self.problem.ratio / (1 + len(members) * self.problem.ratio)
        g = old - shrink * self.rows[:, members].sum(axis=1) if shrink else old
        d_inv = d @ self.inverse
        g_inv = np.einsum("sp,spq->sq", g, self.inverse)
        a = np.einsum("scp,scp->sc", d_inv, d)
        b = np.einsum("scp,sp->sc", d, g_inv)
        c = np.einsum("sp,sp->s", g_inv, g)[:, None]
        rest = (1 - shrink) - c
        gain = (1 + b) ** 2 + a * rest
        if goal == "D":
            score = gain.copy()
        else:
            qd = d_inv @ self.weight
            qa = np.einsum("scp,scp->sc", qd, d_inv)
            qb = np.einsum("scp,sp->sc", qd, g_inv)
            qc = np.einsum("sp,pq,sq->s", g_inv, self.weight, g_inv)[:, None]
            safe = np.where(gain > 1e-6, gain, 1.0)
            score = np.where(gain > 1e-6, (rest * qa + 2 * (1 + b) * qb - a * qc) / safe, -np.inf)
        ok = self._allowed(i, j, candidates)
        if ok is not None:
            score[~ok] = -np.inf
        best = np.argmax(score, axis=1)
        floor: Any = 1.0 + self.least if goal == "D" else self.least * self._trace()
        better = score[starts, best] > floor
        if not better.any():
            return False
        self._accept(i, j, candidates, table, best, better)
        u = np.stack([d_inv[starts, best] * better[:, None], g_inv], axis=2)
        a, b = a[starts, best] * better, b[starts, best] * better
        determinant = -((1 + b) ** 2 + a * rest[:, 0])
        k = np.empty((len(starts), 2, 2))
        k[:, 0, 0], k[:, 1, 1] = -rest[:, 0], a
        k[:, 0, 1] = k[:, 1, 0] = -(1 + b)
        self.inverse -= u @ (k / determinant[:, None, None]) @ np.swapaxes(u, 1, 2)
        return True

    def _accept(self, index: Any, j: int, candidates: Array, table: Array, best: Any, better: Any) -> None:
        who = np.flatnonzero(better)
        chosen = best[who]
        value = np.broadcast_to(candidates, (len(self.matrix), candidates.shape[1]))[who, chosen]
        part = np.broadcast_to(table, (len(self.matrix), *table.shape[1:]))[who, chosen]
        for i in np.atleast_1d(np.asarray(index)):
            self.matrix[who, i, j] = value
            self.parts[j, who, i] = part
            self.rows[who, i, self.n_block :] = self.parts[:, who, i].prod(axis=0)

    def change_plot(self, w: int, j: int, candidates: Array, table: Array, goal: str, ridge: float) -> bool:
        """Give hard factor j its best candidate in a whole whole plot."""
        members = self.members[w]
        starts = np.arange(len(self.matrix))
        old = self.rows[:, members]
        new = np.empty((len(starts), candidates.shape[1], len(members), self.n_parameters))
        new[..., : self.n_block] = old[:, None, :, : self.n_block]
        new[..., self.n_block :] = self._candidate_rows(members, j, table)
        shrink = self.problem.ratio / (1 + len(members) * self.problem.ratio)
        base = self.problem.information(self.rows) + ridge * np.eye(self.n_parameters) - _plot_gram(old, shrink)
        gram = base[:, None] + _plot_gram(new, shrink)
        sign, logdet = np.linalg.slogdet(gram)
        if goal == "D":
            score = np.where(sign > 0, logdet, -np.inf)
            current = -np.linalg.slogdet(self.inverse)[1]
        else:
            fine = (sign > 0) & (logdet > self.n_parameters * np.log(1e-7 * self.problem.n_runs))
            gram[~fine] = np.eye(self.n_parameters)
            score = np.where(fine, -np.einsum("scij,ji->sc", np.linalg.inv(gram), self.weight), -np.inf)
            current = -self._trace()
        ok = self._allowed(members, j, candidates)
        if ok is not None:
            score[~ok] = -np.inf
        best = np.argmax(score, axis=1)
        better = score[starts, best] > current + self.least * (1.0 if goal == "D" else np.abs(current))
        if not better.any():
            return False
        self._accept(members, j, candidates, table, best, better)
        self.inverse[better] = np.linalg.inv(gram[starts, best][better])
        return True


def _plot_gram(rows: Array, shrink: float) -> Array:
    total = rows.sum(axis=-2)
    gram = np.swapaxes(rows, -1, -2) @ rows - shrink * total[..., :, None] * total[..., None, :]
    return np.asarray(gram)
