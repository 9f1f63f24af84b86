"""Making a plan: from factors and the name of a design to runs in random order."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sharpset.errors import PlanError
from sharpset.plans.building import CLASSICAL, MOST_RUNS, Wish
from sharpset.plans.exchange import Criterion
from sharpset.plans.factors import Factors
from sharpset.plans.formulas import Term, expand_model
from sharpset.plans.names import DESIGNS
from sharpset.plans.optimal import optimal_runs
from sharpset.plans.plan import Plan, ordered_runs
from sharpset.plans.remarks import design_remarks, hard_remarks, practice_remarks

__all__ = ["DESIGNS", "make_plan"]

Array = NDArray[np.float64]


_CRITERION: dict[str, Criterion] = {"d-optimal": "D", "i-optimal": "I", "a-optimal": "A"}


def make_plan(
    factors: Factors,
    *,
    design: str = "d-optimal",
    model: str | Sequence[str | Term] | None = None,
    runs: int | None = None,
    replicates: int = 1,
    centre_points: int | None = None,
    blocks: int = 1,
    seed: int = 1,
    resolution: int | None = None,
    generators: str | Sequence[str] | None = None,
    axial: str | float | None = None,
    levels: int = 2,
    whole_plots: int | None = None,
    variance_ratio: float = 1.0,
    starts: int | None = None,
    progress: bool = False,
) -> Plan:
    """Plan an experiment.

    Parameters
    ----------
    factors : Factors
    design : str
        One of :data:`DESIGNS`.
    model : str or sequence of str, optional
        Model that the plan is for; by default what the design is known for (quadratic for response
        surfaces and optimal designs, interactions for two-level designs that can tell them, else linear).
    runs : int, optional
        Number of prints of an optimal or Plackett-Burman design, or of a two-level fraction.
    replicates : int
        How often the whole design is printed.
    centre_points : int, optional
        Centre points in each replicate: for each combination of the factors that have no middle. By
        default what is usual for Box-Behnken and central composite designs, else none.
    blocks : int
        Groups of prints between which something may drift (days, spools). A multiple of ``replicates``.
    seed : int
        Seed of the random order and of the search.
    resolution : int, optional
        Of a fraction (the smallest one that has it), or of the cube of a central composite design.
    generators : str or sequence of str, optional
        Of a fraction, such as ``"E=ABC; F=BCD"`` or ``"5=234"``.
    axial : str or float, optional
        'rotatable', 'face-centred', 'inscribed', 'orthogonal' (blocks) or a distance. By default the design stays
        inside the limits: 'face-centred', or 'inscribed' in orthogonal blocks.
    levels : int
        Levels of continuous factors in a full factorial.
    whole_plots : int, optional
        How often the hard-to-change factors are set anew in an optimal design.
    variance_ratio : float
        Variance between whole plots over variance between runs, for optimal designs.
    starts : int, optional
        Random starts of the search for an optimal design.
    progress : bool
        Show a bar for long searches.

    Returns
    -------
    Plan

    Raises
    ------
    PlanError
        If the design does not suit the factors, breaks a rule, or cannot estimate the model.
    """
    if design not in DESIGNS:
        raise PlanError(f"there is no design {design!r}; choose one of {', '.join(DESIGNS)}.")
    for name, number, least in (
        ("replicates", replicates, 1),
        ("blocks", blocks, 1),
        ("seed", seed, 0),
        ("levels", levels, 2),
    ):
        if isinstance(number, bool) or not isinstance(number, int) or number < least:
            raise PlanError(f"{name} must be a whole number from {least} up, got {number!r}.")
    if centre_points is not None and not 0 <= centre_points <= 100:
        raise PlanError(f"centre points must be from 0 to 100, got {centre_points}.")
    if design.endswith("-optimal"):
        return _optimal_plan(
            factors,
            design,
            model,
            seed,
            replicates=replicates,
            blocks=blocks,
            centre_points=centre_points,
            runs=runs,
            whole_plots=whole_plots,
            variance_ratio=variance_ratio,
            starts=starts,
            progress=progress,
        )
    text = model_text(factors, model) if model is not None else None
    if blocks % replicates and blocks > 1:
        raise PlanError(
            f"{blocks} blocks cannot be shared by {replicates} replicates; give a multiple of {replicates}."
        )
    wish = Wish(
        blocks=max(1, blocks // replicates),
        centre_points=centre_points,
        runs=runs,
        resolution=resolution,
        generators=generators,
        axial=axial,
        levels=levels,
    )
    points = CLASSICAL[design](factors, wish)
    settings = factors.from_matrix(points.matrix)
    check_settings(factors, settings, design)
    n = len(settings)
    if n * replicates > MOST_RUNS:
        raise PlanError(
            f"this plan would take {n * replicates} prints, more than {MOST_RUNS}. Choose a smaller design."
        )
    all_settings = pd.concat([settings] * replicates, ignore_index=True)
    replicate = np.repeat(np.arange(replicates), n)
    all_blocks = np.tile(points.blocks, replicates)
    if blocks > 1:
        all_blocks = all_blocks + replicate * int(points.blocks.max())
    plots = _whole_plots(factors, all_settings, all_blocks, replicate) if factors.hard else None
    table = ordered_runs(factors, all_settings, blocks=all_blocks, seed=seed, plots=plots)
    about = {**points.about, "replicates": replicates}
    plan = Plan(factors=factors, design=design, model="linear", seed=seed, runs=table, about=about)
    plan = replace(plan, model=text if text is not None else usual_model(plan))
    if text is not None:
        _check_model(plan)
    return replace(plan, remarks=(*design_remarks(plan), *practice_remarks(factors, table)))


def _check_model(plan: Plan) -> None:
    """Refuse a model that the design cannot tell, and name what is mixed up."""
    matrix = plan.matrix()
    values = matrix.to_numpy()
    rank = int(np.linalg.matrix_rank(values))
    if rank == values.shape[1]:
        return
    mixed = next(
        str(name) for i, name in enumerate(matrix.columns) if np.linalg.matrix_rank(values[:, : i + 1]) < i + 1
    )
    raise PlanError(
        f"the {plan.design} design of {plan.n_runs} prints tells {rank} of the {values.shape[1]} coefficients of the "
        f"model {plan.model!r}; {mixed} is aliased with earlier ones. Choose a larger design, a smaller model, or "
        "d-optimal."
    )


def _optimal_plan(factors: Factors, design: str, model: Any, seed: int, *, replicates: int, **options: Any) -> Plan:
    text = model_text(factors, "quadratic" if model is None else model)
    found = optimal_runs(factors, text, criterion=_CRITERION[design], seed=seed, **options)
    n = len(found.matrix)
    settings = pd.concat([factors.from_matrix(found.matrix)] * replicates, ignore_index=True)
    step = np.repeat(np.arange(replicates), n)
    plots = np.tile(found.plots, replicates) + step * (int(found.plots.max()) + 1) if factors.hard else None
    table = ordered_runs(factors, settings, blocks=np.tile(found.blocks, replicates), seed=seed, plots=plots)
    about = {**found.about, "replicates": replicates}
    plan = Plan(factors=factors, design=design, model=text, seed=seed, runs=table, about=about)
    return replace(plan, remarks=(*hard_remarks(plan), *practice_remarks(factors, table)))


def model_text(factors: Factors, model: str | Sequence[str | Term]) -> str:
    """Check a model and return it as a text."""
    terms = expand_model(factors, model)
    if isinstance(model, str):
        return model
    return " + ".join(t.name for t in terms[1:])


def usual_model(plan: Plan) -> str:
    """Return the richest named model that the design is meant for and can tell."""
    wanted = {"box-behnken": "quadratic", "central-composite": "quadratic"}.get(plan.design)
    order = ["quadratic", "interactions", "linear"] if wanted else ["interactions", "linear"]
    if plan.design in ("plackett-burman", "simplex", "definitive"):
        order = ["linear"]
    if plan.design == "full" and any(plan.runs[f.name].nunique() > 2 for f in plan.factors if not f.is_categorical):
        order = ["quadratic", "interactions", "linear"]
    for model in order:
        matrix = plan.matrix(model).to_numpy()
        if np.linalg.matrix_rank(matrix) == matrix.shape[1]:
            return model
    return "linear"


def check_settings(factors: Factors, settings: pd.DataFrame, design: str) -> None:
    ok = factors.allowed(settings)
    if not ok.all():
        first = settings[~ok].iloc[0]
        broken = next(c.rule for c in factors.constraints if not c.holds({n: first[n] for n in factors.names}))
        values = ", ".join(
            f"{n} = {first[n]:g}" if not isinstance(first[n], str) else f"{n} = {first[n]}" for n in factors.names
        )
        raise PlanError(
            f"{int((~ok).sum())} of {len(settings)} points of the {design} design break the rule {broken!r} "
            f"(first: {values}). "
            "Use d-optimal or i-optimal, which keep rules, or narrow the limits."
        )
    for factor in factors:
        if not factor.is_categorical and factor.low > 0 and settings[factor.name].min() <= 0:
            raise PlanError(
                f"the axial points of {factor.name!r} would lie at {settings[factor.name].min():g} "
                f"{factor.unit}, which cannot be "
                "set. Use inscribed or face-centred axial points, or narrow the limits."
            )


def _whole_plots(
    factors: Factors, settings: pd.DataFrame, blocks: NDArray[np.int64], replicate: NDArray[np.int64]
) -> NDArray[np.int64]:
    """Runs of one block and replicate with the same hard settings share a whole plot."""
    keys = settings[[f.name for f in factors.hard]].assign(_block=blocks, _replicate=replicate)
    return np.asarray(keys.groupby(list(keys.columns), sort=False).ngroup(), dtype=np.int64)
