"""Fitting one response of a plan."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sharpset.errors import FitError
from sharpset.fits.algebra import LeastSquares, independent_columns, solve_least_squares
from sharpset.fits.anova import anova_table, lack_of_fit_table
from sharpset.fits.boxcox import BoxCox, box_cox, power_transform
from sharpset.fits.defaults import ModelChoice, choose_model, drop_aliased
from sharpset.fits.diagnostics import describe_residuals, influence
from sharpset.fits.few import FEW_PRINTS, rounding_variance, select_from_few
from sharpset.fits.mixed import MixedFit, few_within, fit_mixed, group_labels
from sharpset.fits.mixed_residuals import mixed_residuals
from sharpset.fits.selection import select_terms, with_parents
from sharpset.fits.solving import solve_model
from sharpset.fits.space import Space
from sharpset.fits.surface import Method, ResponseFit
from sharpset.fits.terms import ColumnName, Model, Term, evaluate, parse_formula
from sharpset.fits.unreplicated import Lenth, lenth

__all__ = ["fit_response"]

Floats = NDArray[np.float64]
FEW_DF = 5
"""Residual degrees of freedom below which predictions come from the selected model."""


@dataclass(frozen=True, kw_only=True, slots=True)
class _Job:
    """Everything that fitting one response needs."""

    name: str
    left: str
    runs: pd.DataFrame
    y: Floats
    weights: Floats | None
    space: Space
    groups: tuple[str, ...]
    power: float
    level: float
    asked: bool
    detail: bool


def fit_response(
    runs: pd.DataFrame,
    response: str,
    *,
    space: Space,
    formula: str | None = None,
    uncertainty: str | None = None,
    groups: tuple[str, ...] = (),
    power: float = 1.0,
    select: bool | None = None,
    level: float = 0.95,
    detail: bool = True,
) -> ResponseFit:
    """Fit a response surface to one response.

    Parameters
    ----------
    runs : pandas.DataFrame
        One row per print job: settings in natural units, the response, and what else the formula
        names. Rows without the response are left out.
    response : str
        Column of ``runs``.
    space : Space
        Factors and their coding.
    formula : str, optional
        Any patsy formula over the columns. Without it the largest standard model that the plan
        supports is taken.
    uncertainty : str, optional
        Column with the standard uncertainty of each value; used as weights where it varies enough
        to matter.
    groups : tuple of str
        Random groupings (``whole_plot``); makes the fit a mixed model.
    power : float
        Box-Cox power applied to the response; 0 for logarithms.
    select : bool, optional
        Whether predictions come from the model after selection. By default they do where the full
        model leaves fewer than five residual degrees of freedom.
    level : float
        Of the intervals of the terms.
    detail : bool
        False leaves out ANOVA and Box-Cox, for fits that are made again after every print.

    Returns
    -------
    ResponseFit

    Raises
    ------
    FitError
        If the response is constant, too few runs have it, or the formula asks for more terms than
        there are runs.
    """
    table = _usable(runs, response)
    y = table[response].to_numpy(dtype=float)
    job = _Job(
        name=response,
        left=response,
        runs=table,
        y=power_transform(y, power) if power != 1.0 else y,
        weights=None,
        space=space,
        groups=groups,
        power=power,
        level=level,
        asked=formula is not None,
        detail=detail,
    )
    if formula is None:
        choice = choose_model(space, table, blocks="block" not in groups)
    else:
        job, choice = _asked_model(job, formula)
    if uncertainty is not None and uncertainty in table and not groups:
        job = _weighted(job, choice.model, table[uncertainty].to_numpy(dtype=float))
    full = _fit(job, choice.model, remarks=choice.remarks)
    reduced, note = _reduce(job, full, choice)
    prefer = select if select is not None else (full.df_resid < FEW_DF or bool(choice.candidates)) and not job.asked
    if not full.df_resid > 0 and reduced is not None:
        prefer = True
    if prefer and note:
        full = replace(full, remarks=(*full.remarks, note))
    return replace(full, reduced=reduced, predicts_with_reduced=bool(prefer and reduced is not None))


def _usable(runs: pd.DataFrame, response: str) -> pd.DataFrame:
    values = pd.to_numeric(runs[response], errors="coerce")
    wrong = runs.loc[values.isna() & runs[response].notna(), response]
    if len(wrong):
        raise FitError(f"Response {response}: {wrong.iloc[0]!r} is not a number. Correct the results file.")
    infinite = np.isinf(values.to_numpy(dtype=float))
    if infinite.any():
        raise FitError(f"Response {response}: a value is infinite. Correct the results file.")
    table = runs.assign(**{response: values})[values.notna()].reset_index(drop=True)
    if len(table) < 3:
        raise FitError(
            f"Response {response}: {len(table)} of {len(runs)} runs have a value; a model needs at least three. "
            "Print and measure more runs."
        )
    y = table[response].to_numpy(dtype=float)
    if np.ptp(y) == 0:
        raise FitError(
            f"Response {response} is {y[0]:g} in all {len(y)} runs; a constant response has no effects to fit. "
            "Measure it more finely or choose another response."
        )
    return table


def _asked_model(job: _Job, formula: str) -> tuple[_Job, ModelChoice]:
    text = formula if "~" in formula else f"{job.name} ~ {formula}"
    left, model = parse_formula(text, job.runs, job.space)
    if left not in (None, job.name, f"Q('{job.name}')"):
        values = evaluate(str(left), job.runs)
        job = replace(job, y=values, left=str(left))
        if np.ptp(values) == 0:
            raise FitError(f"The left side {left!r} is the same in all runs; there is nothing to fit.")
    matrix, _ = model.columns(job.runs)
    rank = len(independent_columns(matrix))
    if matrix.shape[1] > len(job.y):
        raise FitError(
            f"Response {job.name}: the formula asks for {matrix.shape[1]} terms and {len(job.y)} runs have a value. "
            "Leave terms out or print more runs."
        )
    remarks: tuple[str, ...] = ()
    if rank < matrix.shape[1]:
        smaller, lost = drop_aliased(model, job.runs)
        if lost:
            remarks = (
                f"aliased with earlier terms in these runs, so they cannot be told apart and were left out: "
                f"{_with_partners(model, lost, job.runs)}. Add runs ('sharpset plan augment') to tell them apart",
            )
            model = smaller
    return job, ModelChoice(model=model, remarks=remarks)


def _with_partners(model: Model, lost: list[Term], runs: pd.DataFrame) -> str:
    """Return lost terms, each with the earlier column that it equals, if it equals one."""
    matrix, names = model.columns(runs)
    length = np.linalg.norm(matrix, axis=0)
    unit = matrix / np.where(length > 0, length, 1.0)
    said = []
    for term in lost[:12]:
        mine = [i for i, name in enumerate(names) if name.term == term]
        others = [i for i, name in enumerate(names) if name.term not in lost]
        overlap = np.abs(unit[:, others].T @ unit[:, mine[0]]) if len(mine) == 1 and others else np.zeros(1)
        partner = f" (= {names[others[int(np.argmax(overlap))]].label})" if overlap.max() > 1 - 1e-9 else ""
        said.append(f"{term.label}{partner}")
    return ", ".join(said) + (f" and {len(lost) - 12} more" if len(lost) > 12 else "")


def _weighted(job: _Job, model: Model, u: Floats) -> _Job:
    """Weight by print-to-print variance plus reading variance, where they differ enough to matter."""
    if not np.isfinite(u).all() or (u < 0).any():
        return job
    matrix, _ = model.columns(job.runs)
    matrix = matrix[:, independent_columns(matrix)]
    df = len(job.y) - matrix.shape[1]
    if df < 2:
        return job
    between = max(solve_least_squares(matrix, job.y).rss / df - float(np.mean(u**2)), 0.0)
    for _ in range(30):
        variance = between + u**2
        if not variance.min() > 0:
            return job
        fit = solve_least_squares(matrix, job.y, weights=1.0 / variance)
        # Method of moments: weighted residual sum of squares equals its degrees of freedom.
        change = (fit.rss - df) / float(np.sum((1 - fit.leverage) / variance))
        new = max(between + change, 0.0)
        if abs(new - between) <= 1e-9 * (new + float(np.mean(u**2))):
            break
        between = new
    variance = between + u**2
    if variance.max() < 1.5 * variance.min():
        return job
    return replace(job, weights=np.asarray(variance.mean() / variance))


def _fit(job: _Job, model: Model, *, remarks: tuple[str, ...] = ()) -> ResponseFit:
    found = solve_model(model, job.runs, job.y, weights=job.weights, as_asked=job.asked)
    in_coded = found.units == "coded"
    if not in_coded:
        remarks = (
            *remarks,
            "the formula is a different model in coded units (products or powers without their lower terms, or no "
            "constant), so it is fitted in natural units as written",
        )
    n_kept, names, coef = len(found.kept), found.names, found.coef
    df = float(len(job.y) - n_kept)
    mixed, remarks = _mixed(job, found.matrix, remarks)
    method: Method = "REML" if mixed is not None else "WLS" if job.weights is not None else "OLS"
    # Three or four effects are too few for Lenth's method: it sees nothing but one that dwarfs all others.
    few = len(job.y) <= FEW_PRINTS and not job.asked
    judged = _judge_effects(names, coef) if df == 0 and not few else None
    if judged is not None:
        method = "Lenth"
    variance = found.used.rss / df if df > 0 else float("nan")
    covariance = found.used.inverse_gram * variance
    if mixed is not None:
        coef, covariance, variance = mixed.coef, mixed.covariance, float(mixed.variances[-1])
    shape = _shape_of(job, found.used, n_kept, model.has_intercept)
    terms = _term_table(names, coef, covariance, df, job.level, mixed, judged)
    in_natural = (
        _natural_table(
            job, found.natural, found.natural_names, found.kept, mixed, found.natural_matrix, judged, found.shift
        )
        if found.both or not in_coded
        else pd.DataFrame(columns=terms.columns)
    )
    rest, by_group = (
        (_residuals(job, found.used, n_kept), None) if mixed is None else _by_group(job, mixed, found.matrix)
    )
    data = _data(job, rest, model)
    order = job.runs["print_order"].to_numpy(dtype=float) if "print_order" in job.runs else None
    left = job.left if job.power == 1.0 else f"power({job.left}, {job.power:g})"
    fit = ResponseFit(
        name=job.name,
        formula=f"{left} ~ {model.formula}" + "".join(f" + (1 | {g})" for g in (mixed.groups if mixed else ())),
        method=method,
        n=len(job.y),
        df_resid=df if mixed is None else _mean_df(mixed, found.matrix),
        residual_sd=float(np.sqrt(variance)),
        r2=shape["r2"],
        r2_adjusted=shape["r2_adjusted"],
        r2_predicted=shape["r2_predicted"],
        terms=terms,
        terms_natural=in_natural,
        anova=_anova(job, model, mixed, names, None if in_coded else found.natural_matrix),
        lack_of_fit=_lack(job, found.used, int(df)) if mixed is None else None,
        lenth=judged,
        box_cox=_box_cox(job, found.matrix),
        mixed=mixed,
        power=job.power,
        data=data,
        groups=by_group,
        diagnostics=describe_residuals(data, df_resid=df, order=order, groups=by_group),
        remarks=remarks,
        model=model,
        space=job.space,
        coef=coef,
        covariance=covariance,
        kept=tuple(found.kept),
        units=found.units,
    )
    return fit if in_coded else replace(fit, terms=fit.terms.iloc[0:0], terms_natural=fit.terms)


def _mixed(job: _Job, matrix: Floats, remarks: tuple[str, ...]) -> tuple[MixedFit | None, tuple[str, ...]]:
    if not job.groups:
        return None, remarks
    usable: dict[str, Any] = {}
    for name in job.groups:
        labels = group_labels(job.runs, name)
        count = len(np.unique(labels))
        within = np.eye(count)[labels]
        free = len(independent_columns(np.hstack([matrix, within]))) - matrix.shape[1]
        if count < 2 or count >= len(labels) or free < 1:
            remarks = (
                *remarks,
                f"too few separate groups of {name} to estimate its own scatter; it is not in the model",
            )
            continue
        usable[name] = labels
    if not usable or len(job.y) <= matrix.shape[1] + 1:
        return None, remarks
    return fit_mixed(matrix, job.y, groups=usable), (*remarks, *few_within(matrix, usable))


def _mean_df(mixed: MixedFit, matrix: Floats) -> float:
    """Return the degrees of freedom of the total variance of one print (Satterthwaite)."""
    total = float(mixed.variances.sum())
    spread = float(np.ones(len(mixed.variances)) @ mixed.variance_covariance @ np.ones(len(mixed.variances)))
    free = 2.0 * total**2 / spread if spread > 0 else float(len(matrix) - matrix.shape[1])
    return float(min(max(free, 1.0), len(matrix) - matrix.shape[1]))


def _judge_effects(names: list[ColumnName], coef: Floats) -> Lenth | None:
    rows = [(n.label, 2.0 * b) for n, b in zip(names, coef, strict=True) if n.term != Term()]
    rows = [(label, effect) for label, effect in rows if not label.startswith("block[")]
    return lenth([e for _, e in rows], labels=[n for n, _ in rows]) if len(rows) >= 3 else None


def _term_table(
    names: list[ColumnName],
    coef: Floats,
    covariance: Floats,
    df: float,
    level: float,
    mixed: MixedFit | None,
    judged: Lenth | None,
) -> pd.DataFrame:
    from scipy import stats

    p = len(coef)
    se = np.sqrt(np.maximum(np.diag(covariance), 0.0)) if df > 0 or mixed is not None else np.full(p, np.nan)
    dfs = np.full(p, df)
    if mixed is not None:
        dfs = np.array([mixed.df(row) for row in np.eye(p)])
    if judged is not None:
        se = np.full(p, judged.pse / 2.0)
        dfs = np.full(p, judged.df)
    with np.errstate(divide="ignore", invalid="ignore"):
        t = coef / se
        k = stats.t.ppf(0.5 + level / 2.0, dfs)
        prob = 2.0 * stats.t.sf(np.abs(t), dfs)
    return pd.DataFrame(
        {
            "term": [n.label for n in names],
            "estimate": coef,
            "se": se,
            "df": dfs,
            "t": t,
            "p": prob,
            "low": coef - k * se,
            "high": coef + k * se,
        }
    )


def _natural_table(
    job: _Job,
    solved: LeastSquares,
    names: list[ColumnName],
    keep: list[int],
    mixed: MixedFit | None,
    matrix: Floats,
    judged: Lenth | None,
    shift: float,
) -> pd.DataFrame:
    df = float(len(job.y) - len(keep))
    coef, covariance = solved.coef.copy(), solved.inverse_gram * (solved.rss / df if df > 0 else np.nan)
    columns = [names[i] for i in keep]
    for position, column in enumerate(columns):
        if column.term == Term():
            coef[position] += shift
    if mixed is not None:
        other = fit_mixed(matrix[:, keep], job.y, groups={g: group_labels(job.runs, g) for g in mixed.groups})
        coef, covariance, mixed = other.coef, other.covariance, other
    table = _term_table(columns, coef, covariance, df, job.level, mixed, None)
    if judged is not None:
        table[["se", "t", "p", "low", "high"]] = np.nan
        table["df"] = 0.0
    return table


def _shape_of(job: _Job, solved: LeastSquares, p: int, intercept: bool) -> dict[str, float]:
    w = np.ones(len(job.y)) if job.weights is None else job.weights
    centre = float(np.sum(w * job.y) / np.sum(w)) if intercept else 0.0
    total = float(np.sum(w * (job.y - centre) ** 2))
    n, free = len(job.y), 1.0 if intercept else 0.0
    left = np.maximum(1.0 - solved.leverage, 1e-12)
    press = float(np.sum(w * (solved.residuals / left) ** 2)) if (solved.leverage < 1 - 1e-9).all() else float("nan")
    adjusted = 1.0 - (solved.rss / (n - p)) / (total / (n - free)) if n > p and n > free else float("nan")
    return {"r2": 1.0 - solved.rss / total, "r2_adjusted": adjusted, "r2_predicted": 1.0 - press / total}


def _residuals(job: _Job, solved: LeastSquares, p: int) -> pd.DataFrame:
    root = np.ones(len(job.y)) if job.weights is None else np.sqrt(job.weights)
    odd = influence(solved.residuals * root, solved.leverage, rss=solved.rss, n_terms=p)
    own = {"fitted": job.y - solved.residuals, "residual": solved.residuals, "leverage": solved.leverage}
    return pd.concat([pd.DataFrame(own), odd], axis=1)


def _by_group(job: _Job, mixed: MixedFit, matrix: Floats) -> tuple[pd.DataFrame, pd.DataFrame]:
    labels = {name: group_labels(job.runs, name) for name in mixed.groups}
    found = mixed_residuals(mixed, matrix, job.y, groups=labels)
    firsts = [job.runs.iloc[rows[0]] for rows in found.groups["rows"]]
    names = [
        " of ".join(f"{column.replace('_', ' ')} {first[column]}" for column in reversed(str(grouping).split(":")))
        for grouping, first in zip(found.groups["grouping"], firsts, strict=True)
    ]
    return found.runs, found.groups.assign(group=[name[:1].upper() + name[1:] for name in names])


def _data(job: _Job, residuals: pd.DataFrame, model: Model) -> pd.DataFrame:
    names = job.runs["run_id"].astype(str) if "run_id" in job.runs else pd.Series(range(1, len(job.y) + 1)).astype(str)
    base = pd.DataFrame({"run_id": names.to_numpy(), "observed": job.y})
    if job.weights is not None:
        residuals = residuals.assign(weight=job.weights)
    wanted = {*job.space.names, "block", "whole_plot", *model.ranges} - set(base.columns) - set(residuals.columns)
    settings = job.runs[[c for c in job.runs.columns if c in wanted]]
    return pd.concat([base, residuals, settings.reset_index(drop=True)], axis=1)


def _anova(
    job: _Job, model: Model, mixed: MixedFit | None, names: list[ColumnName], natural: Floats | None
) -> dict[str, pd.DataFrame]:
    if not job.detail:
        return {}
    if mixed is None:
        return {
            kind: anova_table(model, job.runs, job.y, kind=kind, weights=job.weights, typed_matrix=natural)
            for kind in ("I", "II", "III")
        }
    rows = []
    for term in model.terms:
        if term == Term():
            continue
        positions = [i for i, n in enumerate(names) if n.term == term]
        if positions:
            rows.append({"term": term.label, **mixed.f_test(np.eye(len(names))[positions])})
    return {"III": pd.DataFrame(rows, columns=["term", "F", "df", "df_denominator", "p"])}


def _lack(job: _Job, solved: LeastSquares, df: int) -> pd.DataFrame | None:
    columns = [c for c in [*job.space.names, "block"] if c in job.runs]
    if not columns or df <= 0:
        return None
    return lack_of_fit_table(job.runs[columns], job.y, rss=solved.rss, df_resid=df, weights=job.weights)


def _box_cox(job: _Job, matrix: Floats) -> BoxCox | None:
    if (
        not job.detail
        or job.power != 1.0
        or job.left != job.name
        or (job.y <= 0).any()
        or len(job.y) - matrix.shape[1] < 3
    ):
        return None
    return box_cox(matrix, job.y)


def _reduce(job: _Job, full: ResponseFit, choice: ModelChoice) -> tuple[ResponseFit | None, str]:
    """Return the fit after selection (None where selection changes nothing) and what few prints support."""
    fixed = tuple(t for t in full.model.terms if "block" in t.categories)
    pooled: dict[str, Any] = {"candidates": choice.candidates, "fixed": fixed, "weights": job.weights}
    said = ""
    if full.lenth is not None:
        strong = {n for n, e in zip(full.lenth.labels, full.lenth.effects, strict=True) if abs(e) > full.lenth.me}
        chosen = [t for t in full.model.terms if t.label in strong or t == Term() or t in fixed]
        terms = with_parents(chosen, full.model.terms)
        note = "terms beyond Lenth's margin of error, with their parents"
    elif full.units == "natural" or job.groups:
        return None, ""
    elif len(job.y) <= FEW_PRINTS:
        rounding = rounding_variance(job.runs[job.name].to_numpy(dtype=float)) if job.power == 1.0 else 0.0
        few = select_from_few(full.model, job.runs, job.y - np.mean(job.y), rounding=rounding, **pooled)
        terms, said = few.terms, few.statement(len(job.y))
        note = "terms that few prints can tell from chance"
    else:
        terms = select_terms(full.model, job.runs, job.y - np.mean(job.y), **pooled)
        note = "terms chosen by AICc with hierarchy"
    if set(terms) == set(full.model.terms) or len(terms) >= len(job.y):
        return None, said
    fit = _fit(job, full.model.with_terms(terms), remarks=(note,))
    return (fit, said) if fit.df_resid > 0 else (None, "")
