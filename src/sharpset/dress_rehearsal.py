"""A whole experiment rehearsed before anything is printed: plan, prints, readings, fits, settings. INVENTED DATA.

The rehearsal knows no fits and the fits know no rehearsal; this module stands above both.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from sharpset.errors import FitError, RehearsalError

if TYPE_CHECKING:
    from sharpset.brief import Brief
    from sharpset.fits import Fit
    from sharpset.pieces import Piece
    from sharpset.plans import Plan
    from sharpset.rehearsal import Printer

__all__ = ["DressRehearsal", "dress_rehearsal", "true_chance"]

ROUGHNESS_SCATTER = 0.06
"""Scatter of the roughness from print to print, as virtual printers have it (log sd)."""
REAL = 3.0
"""An effect counts as real where all repeats together put it this many of its standard errors from nil."""
ANGLES_DEG = (0.0, 45.0, 90.0)


@dataclass(frozen=True, kw_only=True, slots=True)
class DressRehearsal:
    """What came of a plan when all of it was rehearsed several times.

    Attributes
    ----------
    effects : pandas.DataFrame
        Per response and term of the plan's model: ``effect`` (coded units, from the mean responses over all
        repeats), ``sd`` (its scatter from experiment to experiment), ``real`` (whether it stands out of
        its own error) and ``found`` (share of the repeats whose fit has the term with p < 0.05).
    settings : pandas.DataFrame
        Per repeat: the recommended settings, ``predicted_chance``, ``true_chance`` and ``lost_chance``
        (what the best settings in the region would have given more).
    best_settings : dict
        Truly best settings in the region that the plan allows.
    best_chance : float
    n_repeats, n_prints : int
        Experiments, and prints in each.
    failed : dict of str to str
        Repeats that gave no settings, and why.
    """

    effects: pd.DataFrame
    settings: pd.DataFrame
    best_settings: dict[str, Any]
    best_chance: float
    n_repeats: int
    n_prints: int
    failed: dict[str, str]

    def summary(self) -> str:
        """Return the outcome in one line."""
        real = self.effects[self.effects["real"]]
        text = (
            f"INVENTED: {self.n_repeats} rehearsals of {self.n_prints} prints: {len(real)} real effects, found in "
            f"{100 * real['found'].mean():.0f} % of the cases"
            if len(real)
            else f"INVENTED: {self.n_repeats} rehearsals of {self.n_prints} prints: no real effect"
        )
        if len(self.settings):
            got = self.settings["true_chance"]
            text += (
                f"; recommended settings truly meet the brief with a chance of {100 * got.median():.0f} % (median; "
                f"from {100 * got.min():.0f} to {100 * got.max():.0f} %), the best settings with "
                f"{100 * self.best_chance:.0f} %"
            )
        if self.failed:
            text += f"; {len(self.failed)} repeats gave no settings"
        return text

    def to_frame(self) -> pd.DataFrame:
        """Return the effects."""
        return self.effects.copy()

    def _repr_html_(self) -> str:
        return f"<p>{self.summary()}</p>{self.effects.to_html(index=False)}{self.settings.to_html(index=False)}"


def true_chance(behaviour: Any, brief: Brief) -> float:
    """Return the chance that a virtual print meets a brief, growth allowed for in CAD.

    Parameters
    ----------
    behaviour : sharpset.rehearsal.Behaviour
        Mean behaviour at the settings.
    brief : Brief

    Returns
    -------
    float
        From the virtual printer's own formulas: every kind's detail of the size to draw forms and comes
        out within the tolerance, edges are smooth enough, the print is in time.
    """
    from scipy.special import expit, ndtr

    top = brief.tolerance_mm.edge_roughness
    chance = 1.0 if top is None else float(ndtr(np.log(top / behaviour.roughness_mm) / ROUGHNESS_SCATTER))
    if brief.limits.print_time_h is not None and behaviour.print_time_h > brief.limits.print_time_h:
        return 0.0
    scatter = float(np.hypot(2 * behaviour.run_growth_scatter_mm, behaviour.width_scatter_mm))
    tolerance = brief.tolerance_mm.width
    # Normal scatter between prints on top of the logistic chance within one: 41 points of the normal's range.
    nodes = np.linspace(-4.0, 4.0, 41)
    weights = np.exp(-0.5 * nodes**2)
    weights /= weights.sum()
    for kind, wanted in brief.smallest_mm.items():
        drawn = float(np.clip(2 * wanted - behaviour.mean_width_mm(kind, wanted), 0.05 * wanted, 3 * wanted))
        limits = np.array([behaviour.limit_mm(kind, angle_deg=angle) for angle in ANGLES_DEG])
        distance = np.log(drawn / limits)[:, None] - behaviour.run_limit_scatter * nodes
        forms = float(np.mean(expit(distance / behaviour.limit_spread) @ weights))
        missed = behaviour.mean_width_mm(kind, drawn) - wanted
        inside = float(ndtr((tolerance - missed) / scatter) - ndtr((-tolerance - missed) / scatter))
        chance *= forms * inside
    return chance


def dress_rehearsal(
    plan: Plan,
    brief: Brief,
    *,
    piece: Piece | None = None,
    printer: Printer | int | None = None,
    fixed: Mapping[str, object] | None = None,
    n_repeats: int = 10,
    seed: int = 0,
    progress: bool = False,
) -> DressRehearsal:
    """Run a whole plan on a virtual printer several times, from prints to recommended settings.

    Parameters
    ----------
    plan : Plan
    brief : Brief
    piece : Piece, optional
        By default the stencil of the brief.
    printer : Printer or int, optional
        A virtual printer or its number; by default a middling one.
    fixed : mapping of str to number, optional
        Settings that no factor changes.
    n_repeats : int
    seed : int
        Draws the scatter of prints and readings.
    progress : bool
        Show a bar.

    Returns
    -------
    DressRehearsal

    Raises
    ------
    RehearsalError
        If the plan does not suit the printer or the number of repeats is below 2.
    """
    from tqdm import tqdm

    from sharpset.pieces import stencil_from_brief
    from sharpset.rehearsal import Printer, virtual_printer

    if n_repeats < 2:
        raise RehearsalError(f"A rehearsal needs two repeats or more to tell how results scatter, got {n_repeats}.")
    machine = printer if isinstance(printer, Printer) else virtual_printer(brief.process, printer)
    piece = piece or stencil_from_brief(brief)
    columns = [c for c in plan.runs.columns if c not in plan.extra_columns]
    tables, runs, rows, failed = [], [], [], {}
    bar = tqdm(range(n_repeats), desc="Rehearsing", unit="experiment", disable=None if progress else True)
    for repeat in bar:
        readings, results = _one_experiment(plan.runs[columns], piece, machine, fixed, seed * 1000 + repeat)
        try:
            fit = _fit(plan, readings, results, brief)
        except FitError as error:
            failed[str(repeat + 1)] = str(error)
            continue
        tables.append(fit.to_frame())
        runs.append(fit.runs.assign(repeat=repeat + 1))
        if fit.best is not None:
            truth = true_chance(machine.behaviour({**(fixed or {}), **fit.best.settings}, piece), brief)
            rows.append(
                {
                    "repeat": repeat + 1,
                    **fit.best.settings,
                    "predicted_chance": fit.best.chance,
                    "true_chance": truth,
                }
            )
    if not tables:
        raise RehearsalError(f"No repeat could be fitted: {next(iter(failed.values()))}")
    best, chance = _truly_best(plan, piece, machine, fixed, brief, rows)
    settings = pd.DataFrame(rows)
    if len(settings):
        settings["lost_chance"] = np.maximum(chance - settings["true_chance"], 0.0)
    return DressRehearsal(
        effects=_effects(plan, pd.concat(runs, ignore_index=True), tables, n_repeats=n_repeats),
        settings=settings,
        best_settings=best,
        best_chance=chance,
        n_repeats=n_repeats,
        n_prints=plan.n_runs,
        failed=failed,
    )


def _one_experiment(
    runs: pd.DataFrame, piece: Piece, machine: Printer, fixed: Mapping[str, object] | None, seed: int
) -> tuple[pd.DataFrame, pd.DataFrame]:
    from sharpset.rehearsal import quick_readings
    from sharpset.rehearsal.runs import noted_results, print_runs

    jobs = list(print_runs(runs, piece, machine, fixed=fixed, seed=seed, shapes=False))
    noted = noted_results(pd.DataFrame([job.whole_row() for job in jobs]))
    return quick_readings(jobs, seed=seed), noted[["run_id", "print_time_h"]]


def _fit(plan: Plan, readings: pd.DataFrame, results: pd.DataFrame, brief: Brief) -> Fit:
    from sharpset.brief import KINDS
    from sharpset.fits import fit_plan

    return fit_plan(plan, readings=readings[readings["kind"].isin(KINDS)], results=results, brief=brief)


def _truly_best(
    plan: Plan,
    piece: Piece,
    machine: Printer,
    fixed: Mapping[str, object] | None,
    brief: Brief,
    found: list[dict[str, Any]],
) -> tuple[dict[str, Any], float]:
    """Return the truly best of many settings in the region, those of the plan and the recommended ones among them."""
    factors = plan.factors
    table = pd.concat(
        [
            factors.from_matrix(factors.sample(512, seed=1)),
            plan.runs[list(factors.names)],
            pd.DataFrame(found, columns=list(factors.names)),
        ],
        ignore_index=True,
    )
    rows = table.to_dict("records")
    chances = [true_chance(machine.behaviour({**(fixed or {}), **row}, piece), brief) for row in rows]
    best = int(np.argmax(chances))
    return {str(name): value for name, value in rows[best].items()}, float(chances[best])


def _effects(plan: Plan, runs: pd.DataFrame, tables: list[pd.DataFrame], *, n_repeats: int) -> pd.DataFrame:
    """Return the effects of the plan's model on the mean responses, and how often single repeats found them."""
    matrix = plan.matrix()
    order = matrix.index.astype(str).tolist()
    solve = np.linalg.pinv(matrix.to_numpy(dtype=float))
    found = pd.concat(tables, ignore_index=True)
    rows = []
    for response in found["response"].unique():
        wide = runs.pivot_table(index="run_id", columns="repeat", values=response).reindex(order)
        if wide.isna().to_numpy().any():  # a response that some prints do not have: no common model to average over
            continue
        values = wide.to_numpy(dtype=float)
        each = solve @ values
        within = float(np.mean(np.var(values, axis=1, ddof=1)))
        sds = np.sqrt(within * np.sum(solve**2, axis=1))
        hits = found[(found["response"] == response) & (found["p"] < 0.05)]["term"].value_counts()
        for name, effect, sd in zip(matrix.columns, each.mean(axis=1), sds, strict=True):
            if name == "Intercept":
                continue
            term = re.sub(r"(\w+)\^(\d+)", r"I(\1 ** \2)", str(name))
            rows.append(
                {
                    "response": response,
                    "term": term,
                    "effect": effect,
                    "sd": sd,
                    "real": bool(abs(effect) > REAL * sd / np.sqrt(values.shape[1])),
                    "found": float(hits.get(term, 0)) / n_repeats,
                }
            )
    return pd.DataFrame(rows, columns=["response", "term", "effect", "sd", "real", "found"])
