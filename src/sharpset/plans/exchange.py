"""Optimal designs by coordinate exchange.

Many random starts are improved side by side; then the best of them with some runs drawn anew. Whole plots
enter through V = I + ratio Z Z', so that the information is X'V^-1 X; blocks are fixed effects.

References
----------
Meyer, R. K. & Nachtsheim, C. J. (1995), Technometrics 37(1), 60-69.
Goos, P. & Vandebroek, M. (2003), Journal of Quality Technology 35(1), 1-15 (split-plot designs).
Jones, B. & Goos, P. (2012), Technometrics 54(1), 23-34 (I-optimality of split-plot designs).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sharpset.errors import PlanError
from sharpset.plans.improving import CRITERIA, Batch, Criterion, Problem

__all__ = ["CRITERIA", "Criterion", "Problem", "Solution", "exchange"]

Array = NDArray[np.float64]
_RIDGE = 1e-3
_MOST_PASSES = 40
_BATCH = 25
_POLISH_STEPS = np.array([0.0, 0.2, -0.2, 0.1, -0.1, 0.05, -0.05, 0.02, -0.02, 0.01, -0.01])


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
            batch = Batch(problem, _shaken(problem, matrix, finished, rng) if again else matrix)
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
    batch = Batch(problem, np.stack([m for _, m in finished]))
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


def _improve(batch: Batch, grids: list[Array]) -> None:
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


def _one_pass(batch: Batch, tables: list[tuple[Array, Array]], goal: str, ridge: float) -> bool:
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


def _polish(batch: Batch) -> None:
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


def _coordinates(batch: Batch) -> list[tuple[int, int]]:
    """First run and factor of every continuous coordinate that may be moved."""
    problem = batch.problem
    found = []
    for members in batch.members:
        for j, factor in enumerate(batch.factors):
            if members[0] >= len(problem.fixed) and not factor.levels:
                found += [(int(i), j) for i in (members[:1] if problem.hard[j] else members)]
    return found


def _move(batch: Batch, i: int, j: int) -> bool:
    centre = batch.matrix[:, i, j]
    candidates = np.clip(np.round(centre[:, None] + _POLISH_STEPS, 2), -1, 1)
    table = batch.basis.part(j, candidates)
    goal = batch.problem.criterion
    if batch.problem.hard[j]:
        return batch.change_plot(int(batch.plot_of[i]), j, candidates, table, goal, 0.0)
    return batch.change_run(i, j, candidates, table, goal)


def _weight(batch: Batch) -> Array:
    """Matrix whose product with the inverse information has the criterion as its trace."""
    weight = np.zeros((batch.n_parameters, batch.n_parameters))
    n = batch.n_block
    if batch.problem.criterion == "I":
        weight[n:, n:] = batch.basis.moments()
    elif batch.problem.criterion == "A":
        weight[n:, n:] = np.eye(batch.basis.n_columns)
    return weight
