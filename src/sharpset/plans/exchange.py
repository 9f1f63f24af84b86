"""Optimal designs by coordinate exchange.

Many random starts are improved side by side: one numpy call looks at every candidate value of one
coordinate in all starts at once, and a rank-two update keeps the inverse information matrices current.
Whole plots enter through V = I + ratio Z Z', so that the information is X'V^-1 X; blocks are fixed effects.

References
----------
Meyer, R. K. & Nachtsheim, C. J. (1995), Technometrics 37(1), 60-69.
Goos, P. & Vandebroek, M. (2003), Journal of Quality Technology 35(1), 1-15 (split-plot designs).
Jones, B. & Goos, P. (2012), Technometrics 54(1), 23-34 (I-optimality of split-plot designs).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from sharpset.errors import PlanError
from sharpset.plans.models import ModelBasis

__all__ = ["CRITERIA", "Problem", "Solution", "exchange"]

Criterion = Literal["D", "I", "A"]
CRITERIA: tuple[Criterion, ...] = ("D", "I", "A")
Array = NDArray[np.float64]
_RIDGE = 1e-3
_MOST_PASSES = 40
_BATCH = 25
_POLISH_STEPS = np.array([0.0, 0.2, -0.2, 0.1, -0.1, 0.05, -0.05, 0.02, -0.02, 0.01, -0.01])


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


@dataclass(frozen=True, kw_only=True, slots=True)
class Solution:
    """The best design that was found.

    Attributes
    ----------
    matrix : ndarray of float, shape (n_runs, n_factors)
        Coded settings, level numbers for categorical factors.
    value : float
        det(M)**(1/p) for D (larger is better), average prediction variance for I and sum of the
        coefficients' variances for A (smaller is better), in units of the run variance.
    starts : int
        Number of random starts that ended in an estimable design.
    """

    matrix: Array
    value: float
    starts: int


class _Batch:
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


def exchange(problem: Problem, *, starts: int = 100, seed: int = 1, progress: bool = False) -> Solution:
    """Find an optimal design.

    Parameters
    ----------
    problem : Problem
    starts : int
        Random starts.
    seed : int
    progress : bool
        Show a bar.

    Returns
    -------
    Solution

    Raises
    ------
    PlanError
        If no start leads to a design that can estimate the model.
    """
    from tqdm import tqdm

    rng = np.random.default_rng(seed)
    finished: list[tuple[float, Array]] = []
    grids = [_coarse(problem, j) for j in range(len(problem.basis.factors))]
    n_good = done = 0
    with tqdm(total=starts, desc="optimal design", unit="start", disable=not progress, leave=False) as bar:
        while done < starts:
            size = min(starts - done, _BATCH)
            # The first half starts from nothing, the second from the best designs with some runs drawn anew.
            again = done >= starts / 2 and len(finished) > 0
            matrix = _random_start(problem, size, rng)
            batch = _Batch(problem, _shaken(problem, matrix, finished, rng) if again else matrix)
            _improve(batch, grids)
            values = batch.values()
            n_good += len(values)
            finished = _best(finished, values, batch.matrix)
            done += size
            bar.update(size)
    if not finished:
        raise PlanError(
            "no design was found that can estimate this model: the levels and rules leave some terms without "
            "information. Leave terms out, add levels or loosen the rules."
        )
    batch = _Batch(problem, np.stack([m for _, m in finished]))
    _polish(batch)
    values = batch.values()
    at = int(np.argmin(values))
    value = float(values[at])
    if problem.criterion == "D":
        value = float(np.exp(-value / batch.n_parameters))
    return Solution(matrix=np.round(batch.matrix[at], 6) + 0.0, value=value, starts=n_good)


def _best(
    finished: list[tuple[float, Array]], values: Array, matrices: Array, n: int = 20
) -> list[tuple[float, Array]]:
    """Keep the best designs; of several with the same value one."""
    finished = finished + [(float(v), m.copy()) for v, m in zip(values, matrices, strict=True)]
    kept: list[tuple[float, Array]] = []
    for value, matrix in sorted(finished, key=lambda item: item[0]):
        if not kept or value - kept[-1][0] > 1e-7 * abs(value):
            kept.append((value, matrix))
    return kept[:n]


def _shaken(problem: Problem, fresh: Array, finished: list[tuple[float, Array]], rng: np.random.Generator) -> Array:
    """Copy the best designs and take some of their runs (or one whole plot) from fresh ones."""
    n_fixed = len(problem.fixed)
    for s in range(len(fresh)):
        old = finished[min(int(rng.exponential(len(finished) / 4)), len(finished) - 1)][1]
        if problem.hard.any():
            free = [w for w, members in enumerate(problem.members) if members[0] >= n_fixed]
            change = np.isin(problem.plots, rng.choice(free, size=max(1, len(free) // 6), replace=False))
        else:
            change = np.zeros(problem.n_runs, dtype=bool)
            n_free = problem.n_runs - n_fixed
            change[n_fixed + rng.choice(n_free, size=max(1, n_free // 6), replace=False)] = True
        fresh[s, ~change] = old[~change]
    return fresh


def _coarse(problem: Problem, j: int) -> Array:
    """Candidate values of a factor in the first search."""
    factor = problem.basis.factors.factors[j]
    if factor.levels:
        return factor.coded_levels
    highest = max((p for t in problem.basis.terms for n, p in t.powers if n == factor.name), default=1)
    if any(factor.name in c.names for c in problem.basis.factors.constraints):
        return np.linspace(-1, 1, 11 if highest < 3 else 21)
    if highest == 1:
        return np.array([-1.0, 1.0])
    # Five levels reach better designs than three, seven where prediction counts (measured on quadratics).
    return np.linspace(-1, 1, max(2 * highest - 1, 5 if problem.criterion == "D" else 7))


def _random_start(problem: Problem, size: int, rng: np.random.Generator) -> Array:
    """Draw designs whose runs keep the rules; hard factors are constant in a whole plot."""
    factors = problem.basis.factors
    pool = factors.sample(2**13, seed=int(rng.integers(2**31)))
    smooth = [j for j, f in enumerate(factors) if not f.levels]
    rounded = pool.copy()
    rounded[:, smooth] = np.round(pool[:, smooth], 1) + 0.0
    kept = rounded[factors.allowed(factors.from_matrix(rounded))]
    pool = kept if len(kept) else pool
    if len(pool) == 0:
        raise PlanError("no settings that keep the rules were found. Loosen one of them.")
    matrix = pool[rng.integers(len(pool), size=(size, problem.n_runs))]
    n_fixed = len(problem.fixed)
    if problem.hard.any():
        for members in problem.members:
            matrix[:, members] = _same_hard(problem, pool, matrix[:, members], rng)
    if n_fixed:
        matrix[:, :n_fixed] = problem.fixed
    return np.asarray(matrix)


def _same_hard(problem: Problem, pool: Array, plot: Array, rng: np.random.Generator) -> Array:
    """Give the runs of a whole plot the hard settings of its first run, within the rules."""
    factors = problem.basis.factors
    plot = plot.copy()
    plot[..., problem.hard] = plot[:, :1, problem.hard]
    for _ in range(200):
        bad: NDArray[np.bool_] = ~factors.allowed({f.name: f.decode(plot[..., i]) for i, f in enumerate(factors)})
        if not bad.any():
            break
        draw = pool[rng.integers(len(pool), size=int(bad.sum()))]
        draw[:, problem.hard] = plot[bad][:, problem.hard]
        plot[bad] = draw
    else:
        stuck = np.any(bad, axis=1)
        plot[stuck] = plot[stuck][:, :1]
    return plot


def _improve(batch: _Batch, grids: list[Array]) -> None:
    """Exchange until nothing improves: first with a small ridge and D, then the criterion itself."""
    goal = batch.problem.criterion
    batch.weight = _weight(batch)
    tables = [(grid[None], batch.basis.part(j, grid)[None]) for j, grid in enumerate(grids)]
    plan = [("D", _RIDGE, 2), (goal, 0.0, _MOST_PASSES)]
    if goal != "D":
        plan.insert(1, ("D", 0.0, 2))
    for stage, ridge, passes in plan:
        for _ in range(passes):
            batch.refresh(ridge)
            if not len(batch.matrix) or not _one_pass(batch, tables, stage, ridge):
                break
    batch.refresh(0.0)


def _one_pass(batch: _Batch, tables: list[tuple[Array, Array]], goal: str, ridge: float) -> bool:
    changed = False
    n_fixed = len(batch.problem.fixed)
    for w, members in enumerate(batch.members):
        if batch.problem.hard.any() and members[0] >= n_fixed:
            for j in np.flatnonzero(batch.problem.hard):
                changed |= batch.change_plot(w, int(j), *tables[j], goal, ridge)
        for i in members[members >= n_fixed]:
            for j in np.flatnonzero(~batch.problem.hard):
                changed |= batch.change_run(int(i), int(j), *tables[j], goal)
    return changed


def _polish(batch: _Batch) -> None:
    """Move the continuous coordinates of the best designs by smaller and smaller steps.

    After a pass over all of them only those that moved are tried again, until none moves; then all once more.
    """
    batch.weight = _weight(batch)
    batch.least = 1e-5
    everything = _coordinates(batch)
    active = everything
    for _ in range(4 * _MOST_PASSES):
        batch.refresh(0.0)
        moved = [c for c in active if _move(batch, *c)]
        if not moved and active is everything:
            break
        active = moved or everything
    batch.refresh(0.0)


def _coordinates(batch: _Batch) -> list[tuple[int, int]]:
    """First run and factor of every continuous coordinate that may be moved."""
    problem = batch.problem
    found = []
    for members in batch.members:
        for j, factor in enumerate(batch.factors):
            if members[0] >= len(problem.fixed) and not factor.levels:
                found += [(int(i), j) for i in (members[:1] if problem.hard[j] else members)]
    return found


def _move(batch: _Batch, i: int, j: int) -> bool:
    centre = batch.matrix[:, i, j]
    candidates = np.clip(np.round(centre[:, None] + _POLISH_STEPS, 2), -1, 1)
    table = batch.basis.part(j, candidates)
    goal = batch.problem.criterion
    if batch.problem.hard[j]:
        return batch.change_plot(int(batch.plot_of[i]), j, candidates, table, goal, 0.0)
    return batch.change_run(i, j, candidates, table, goal)


def _weight(batch: _Batch) -> Array:
    """Matrix whose product with the inverse information has the criterion as its trace."""
    weight = np.zeros((batch.n_parameters, batch.n_parameters))
    n = batch.n_block
    if batch.problem.criterion == "I":
        weight[n:, n:] = batch.basis.moments()
    elif batch.problem.criterion == "A":
        weight[n:, n:] = np.eye(batch.basis.n_columns)
    return weight
