"""Optimal plans: how many runs, which whole plots, which blocks, and the search itself."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sharpset.errors import PlanError
from sharpset.plans.exchange import Criterion, Problem, exchange
from sharpset.plans.factors import Factors
from sharpset.plans.models import ModelBasis, make_basis

__all__ = ["OptimalRuns", "optimal_runs"]

Array = NDArray[np.float64]
_MOST_RUNS = 500


@dataclass(frozen=True, kw_only=True, slots=True)
class OptimalRuns:
    """Points of an optimal design, coded, with block (1, 2, ...) and whole plot (0, 1, ...) of each."""

    matrix: Array
    blocks: NDArray[np.int64]
    plots: NDArray[np.int64]
    about: dict[str, Any]


def optimal_runs(
    factors: Factors,
    model: str,
    *,
    criterion: Criterion = "D",
    runs: int | None = None,
    blocks: int = 1,
    centre_points: int | None = None,
    whole_plots: int | None = None,
    variance_ratio: float = 1.0,
    starts: int | None = None,
    seed: int = 1,
    progress: bool = False,
) -> OptimalRuns:
    """Search for an optimal design.

    By default it has five runs more than the model has coefficients, and three whole plots more than
    the coefficients of the hard-to-change factors.
    """
    basis = make_basis(factors, model)
    p = basis.n_columns + blocks - 1
    hard = np.array([f.hard_to_change for f in factors])
    n_fixed = centre_points or 0
    if not variance_ratio > 0 or not math.isfinite(variance_ratio):
        raise PlanError(f"the variance ratio must be a number above 0, got {variance_ratio!r}.")
    if n_fixed and (hard.any() or any(f.is_categorical for f in factors)):
        raise PlanError(
            "centre points cannot be forced into an optimal design with categorical or hard-to-change factors. Use "
            "more runs or replicates instead."
        )
    if whole_plots is not None and not (hard.any() and not hard.all()):
        why = "every factor is" if hard.any() else "no factor is"
        raise PlanError(
            f"whole_plots ({whole_plots}) asks for groups of prints between changes of hard-to-change factors, and "
            f"{why} marked so. Write hard_to_change = true beside the factors that take long to change, or leave "
            "it out."
        )
    if hard.all():
        hard = np.zeros_like(hard)
    n_plots = _n_whole_plots(basis, hard, whole_plots, blocks) if hard.any() else 0
    n = runs if runs is not None else _usual_runs(p, n_plots)
    if n > _MOST_RUNS:
        raise PlanError(f"{n} prints are more than an optimal design is sought for, {_MOST_RUNS}. Give fewer --runs.")
    if n < p:
        raise PlanError(
            f"{n} runs are too few: the model has {basis.n_columns} coefficients"
            f"{f' and {blocks - 1} between blocks' if blocks > 1 else ''}. Give at least {p} runs or leave terms out."
        )
    if n_plots > n:
        raise PlanError(f"{n_plots} whole plots are more than {n} runs. Lower whole_plots or give more runs.")
    if blocks > n // 2:
        raise PlanError(f"{blocks} blocks are too many for {n} runs. Every block needs at least two.")
    plots = np.arange(n) * n_plots // n if n_plots else np.arange(n)
    block = plots * blocks // n_plots if n_plots else np.arange(n) * blocks // n
    fixed = _centre(factors, n_fixed) if n_fixed else np.empty((0, len(factors)))
    if n_fixed:
        block = np.concatenate([np.arange(n_fixed) % blocks, np.arange(n - n_fixed) * blocks // (n - n_fixed)])
    problem = Problem(
        basis=basis,
        blocks=block.astype(np.int64),
        plots=plots.astype(np.int64),
        hard=hard,
        ratio=variance_ratio if n_plots else 0.0,
        fixed=fixed,
        criterion=criterion,
    )
    solution = exchange(problem, starts=starts or (200 if n_plots else 100), seed=seed, progress=progress)
    about: dict[str, Any] = {"criterion": criterion, "criterion_value": solution.value, "starts": solution.starts}
    if n_plots:
        about |= {"variance_ratio": variance_ratio}
    return OptimalRuns(
        matrix=solution.matrix, blocks=block.astype(np.int64) + 1, plots=plots.astype(np.int64), about=about
    )


def _usual_runs(p: int, n_plots: int) -> int:
    n = p + 5
    return n if not n_plots else math.ceil(max(n, 2 * n_plots) / n_plots) * n_plots


def _n_whole_plots(basis: ModelBasis, hard: NDArray[np.bool_], wanted: int | None, blocks: int) -> int:
    names = {f.name for f, is_hard in zip(basis.factors, hard, strict=True) if is_hard}
    p_hard = sum(set(basis.terms[owner].factors) <= names for owner in basis.owner) + blocks - 1
    if wanted is None:
        return math.ceil((p_hard + 3) / blocks) * blocks
    if wanted < p_hard:
        raise PlanError(
            f"{wanted} whole plots are too few: the hard-to-change factors have {p_hard} coefficients. Give at least "
            f"{p_hard + 1}."
        )
    return wanted


def _centre(factors: Factors, n: int) -> Array:
    row = [0.0 if not f.levels else float(f.coded_levels[np.argmin(np.abs(f.coded_levels))]) for f in factors]
    matrix = np.tile(row, (n, 1))
    if not factors.allowed(factors.from_matrix(matrix)).all():
        raise PlanError(
            "the centre of the factors' limits breaks a rule, so it cannot be a centre point. Leave centre points out."
        )
    return matrix
