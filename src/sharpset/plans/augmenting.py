"""Adding runs to a plan that stands: fold-over, centre points, axial points, optimal runs, runs that are named."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sharpset.errors import PlanError
from sharpset.plans.building import middle
from sharpset.plans.exchange import Criterion, Problem, exchange
from sharpset.plans.factors import Factors
from sharpset.plans.formulas import Term
from sharpset.plans.making import check_settings, model_text, usual_model
from sharpset.plans.models import make_basis
from sharpset.plans.names import AUGMENTS
from sharpset.plans.plan import Plan, ordered_runs
from sharpset.plans.properties import information_matrix
from sharpset.plans.remarks import practice_remarks

__all__ = ["AUGMENTS", "augment_plan"]

Array = NDArray[np.float64]


def augment_plan(
    plan: Plan,
    *,
    how: str,
    runs: int | None = None,
    given: pd.DataFrame | None = None,
    model: str | Sequence[str | Term] | None = None,
    factor: str | None = None,
    axial: str | float = "face-centred",
    criterion: Criterion = "D",
    whole_plots: int | None = None,
    variance_ratio: float = 1.0,
    new_block: bool = True,
    starts: int = 100,
    seed: int = 1,
    progress: bool = False,
) -> Plan:
    """Add runs to a plan.

    Parameters
    ----------
    plan : Plan
        Its runs keep their ids, order and settings.
    how : {'foldover', 'centre', 'axial', 'optimal', 'given'}
        All runs again with every sign turned; centre points; two axial points for every factor, and
        centre points; the runs that add most for a model, given those that stand; those of `given`.
    runs : int, optional
        Number of centre points (3 by default, 2 beside axial points) or of optimal runs.
    given : DataFrame, optional
        Runs to add in their order, one column per factor, and ``run_id`` where they are named already.
    model : str or sequence of str or Term, optional
        Model of the enlarged plan. By default quadratic after axial points, the plan's own for optimal
        runs, else the richest named model that can be told.
    factor : str, optional
        Fold over this factor alone.
    axial : {'face-centred', 'rotatable'} or float
        Distance of the axial points.
    criterion : {'D', 'I', 'A'}
    whole_plots : int, optional
        Number of new whole plots for optimal runs, where a factor is hard to change.
    variance_ratio : float
        Variance between whole plots over variance between runs.
    new_block : bool
        Put the new runs into a block of their own, since they are printed on another day.
    starts, seed, progress
        As for :func:`sharpset.plans.make_plan`.

    Returns
    -------
    Plan
    """
    if how not in AUGMENTS:
        raise PlanError(f"there is no way {how!r} to add runs; choose one of {', '.join(AUGMENTS)}.")
    plots: NDArray[np.int64] | None = None
    if (how == "given") != (given is not None):
        raise PlanError("'given' goes with a table of the runs to add, and with nothing else. Give both or neither.")
    if given is not None:
        return _larger(plan, how, model, _with_given(plan, given, new_block), len(given))
    if how == "foldover":
        matrix = _folded(plan, factor)
    elif how == "centre":
        matrix = _centres(plan.factors, 3 if runs is None else runs)
    elif how == "axial":
        matrix = np.vstack([_axial(plan, axial), _centres(plan.factors, 2 if runs is None else runs)])
    else:
        text = plan.model if model is None else model_text(plan.factors, model)
        problem = _problem(plan, text, runs, criterion, whole_plots, variance_ratio, new_block)
        matrix = exchange(problem, starts=starts, seed=seed, progress=progress).matrix[plan.n_runs :]
        plots = problem.plots[plan.n_runs :]
    settings = plan.factors.from_matrix(matrix)
    check_settings(plan.factors, settings, how)
    return _larger(plan, how, model, _appended(plan, settings, plots, seed, new_block), len(settings))


def _larger(plan: Plan, how: str, model: Any, table: pd.DataFrame, n_new: int) -> Plan:
    done = [*plan.about.get("augmented", []), f"{how} ({n_new} runs)"]
    larger = replace(plan, runs=table, about={**plan.about, "augmented": done}, remarks=())
    larger = replace(larger, model=_model(larger, how, model))
    return replace(larger, remarks=tuple(practice_remarks(plan.factors, table)))


def _with_given(plan: Plan, given: pd.DataFrame, new_block: bool) -> pd.DataFrame:
    """Put the named runs behind those that stand, in their own order."""
    factors, n = plan.factors, len(given)
    settings = given[list(factors.names)].reset_index(drop=True)
    broken = ~factors.allowed(settings)
    if broken.any():
        first = ", ".join(f"{name} = {settings.loc[int(np.flatnonzero(broken)[0]), name]}" for name in factors.names)
        raise PlanError(f"a run to be added breaks a rule of the plan ({first}). Leave it out.")
    ids = [str(name) for name in given["run_id"]] if "run_id" in given else _free_ids(plan, n)
    taken = set(plan.runs["run_id"].astype(str).str.casefold())
    twice = [name for name in ids if name.casefold() in taken]
    if twice:
        raise PlanError(f"the plan has a run {twice[0]} already. Give every run to be added a run_id of its own.")
    hard = settings[[f.name for f in factors.hard]] if factors.hard else settings
    anew = (hard != hard.shift()).any(axis=1) if factors.hard else pd.Series(True, index=settings.index)
    new = settings.assign(
        run_id=ids,
        print_order=int(plan.runs["print_order"].max()) + np.arange(1, n + 1),
        whole_plot=int(plan.runs["whole_plot"].max()) + anew.cumsum().to_numpy(),
        block=int(plan.runs["block"].max()) + int(new_block),
    )
    return pd.concat([plan.runs, new], ignore_index=True)


def _model(plan: Plan, how: str, model: Any) -> str:
    if model is not None:
        return model_text(plan.factors, model)
    if how == "axial":
        gram = information_matrix(plan, "quadratic").to_numpy()
        return "quadratic" if np.linalg.matrix_rank(gram) == len(gram) else plan.model
    return usual_model(plan) if how == "foldover" else plan.model


def _folded(plan: Plan, only: str | None) -> Array:
    matrix = plan.factors.to_matrix(plan.runs)
    names = [plan.factors[only].name] if only else list(plan.factors.names)
    for i, f in enumerate(plan.factors):
        if f.name not in names:
            continue
        if f.is_categorical and len(f.levels) != 2:
            raise PlanError(
                f"factor {f.name!r} has {len(f.levels)} labels and no sign to turn. Fold over the others one by one."
            )
        matrix[:, i] = 1 - matrix[:, i] if f.is_categorical else -matrix[:, i]
        if f.kind == "levels" and not np.all(np.isin(np.round(matrix[:, i], 9), np.round(f.coded_levels, 9))):
            raise PlanError(
                f"the levels of {f.name!r} do not lie evenly about their middle, so they cannot be turned. Use optimal."
            )
    return matrix


def _centres(factors: Factors, n: int) -> Array:
    if not 1 <= n <= 100:
        raise PlanError(f"the number of centre points must be from 1 to 100, got {n}.")
    row = [middle(f) for f in factors]
    without = [f.name for f, value in zip(factors, row, strict=True) if value is None]
    if without:
        raise PlanError(f"factor {without[0]!r} has no middle level, so there is no centre point. Use optimal.")
    return np.tile(np.asarray(row, dtype=float), (n, 1))


def _axial(plan: Plan, axial: str | float) -> Array:
    matrix = plan.factors.to_matrix(plan.runs)
    numeric = [i for i, f in enumerate(plan.factors) if f.kind == "continuous"]
    without = [f.name for f in plan.factors if middle(f) is None]
    if without:
        raise PlanError(f"factor {without[0]!r} has no middle level, so there are no axial points. Use optimal.")
    if axial == "face-centred":
        distance = 1.0
    elif axial == "rotatable":
        corners = np.all(np.abs(matrix[:, numeric]) == 1, axis=1)
        distance = float(len(np.unique(matrix[corners], axis=0)) ** 0.25)
    elif isinstance(axial, int | float) and 0 < axial <= 10:
        distance = float(axial)
    else:
        raise PlanError(f"axial must be face-centred, rotatable or a number up to 10, got {axial!r}.")
    base = _centres(plan.factors, 1)[0]
    rows = []
    for i, f in enumerate(plan.factors):
        for sign in (-1.0, 1.0):
            row = base.copy()
            row[i] = sign * (distance if f.kind == "continuous" else 1.0)
            rows.append(row)
    return np.array(rows)


def _problem(
    plan: Plan,
    model: str,
    runs: int | None,
    criterion: Criterion,
    whole_plots: int | None,
    ratio: float,
    new_block: bool,
) -> Problem:
    basis = make_basis(plan.factors, model)
    old_blocks = pd.factorize(plan.runs["block"], sort=True)[0]
    n_blocks = int(old_blocks.max()) + 1 + int(new_block)
    short = basis.n_columns + n_blocks - 1 - plan.n_runs
    n = runs if runs is not None else max(4, short + 1)
    if n < 1 or n < short + (1 if new_block and short > 0 else 0):
        raise PlanError(
            f"{n} new runs are too few: the model has {basis.n_columns} coefficients and the plan {plan.n_runs} runs. "
            f"Give at least {max(short, 1)} or leave terms out."
        )
    hard = np.array([f.hard_to_change for f in plan.factors])
    hard = np.zeros_like(hard) if hard.all() else hard
    old_plots = pd.factorize(plan.runs["whole_plot"])[0]
    first = int(old_plots.max()) + 1
    if hard.any():
        size = max(1, round(plan.n_runs / first))
        n_plots = whole_plots if whole_plots is not None else max(1, round(n / size))
        if not 1 <= n_plots <= n:
            raise PlanError(f"{n_plots} new whole plots do not suit {n} new runs. Give 1 to {n}.")
        new_plots = first + np.arange(n) * n_plots // n
    else:
        new_plots = first + np.arange(n)
    return Problem(
        basis=basis,
        blocks=np.concatenate([old_blocks, np.full(n, n_blocks - 1)]).astype(np.int64),
        plots=np.concatenate([old_plots, new_plots]).astype(np.int64),
        hard=hard,
        ratio=ratio if hard.any() else 0.0,
        fixed=plan.factors.to_matrix(plan.runs),
        criterion=criterion,
    )


def _appended(
    plan: Plan, settings: pd.DataFrame, plots: NDArray[np.int64] | None, seed: int, new_block: bool
) -> pd.DataFrame:
    """Put the new runs behind those that stand, in random order, with ids that go on."""
    n = len(settings)
    if plots is None and plan.factors.hard:
        names = [f.name for f in plan.factors.hard]
        plots = np.asarray(settings.groupby(names, sort=False).ngroup(), dtype=np.int64)
    block = int(plan.runs["block"].max()) + int(new_block)
    new = ordered_runs(plan.factors, settings, blocks=np.full(n, block), seed=seed, plots=plots)
    new["run_id"] = _free_ids(plan, n)
    new["print_order"] += int(plan.runs["print_order"].max())
    new["whole_plot"] += int(plan.runs["whole_plot"].max())
    return pd.concat([plan.runs, new], ignore_index=True)


def _free_ids(plan: Plan, n: int) -> list[str]:
    """Return ids for new runs that go on where the plan's end."""
    taken = set(plan.runs["run_id"].astype(str))
    width = max(2, len(str(plan.n_runs + n)))
    ids: list[str] = []
    number = plan.n_runs
    while len(ids) < n:
        number += 1
        name = f"R{number:0{width}d}"
        if name not in taken:
            ids.append(name)
    return ids
