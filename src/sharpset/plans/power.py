"""Power and precision before anything is printed: which effect would be seen with how many prints.

References
----------
Montgomery, D. C., Design and Analysis of Experiments, section 3.7 (power of the F test, non-central F).
Goos, P. & Jones, B. (2011), Optimal Design of Experiments, ch. 10 (strata of split-plot designs).
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sharpset.errors import PlanError
from sharpset.plans.formulas import Term
from sharpset.plans.models import ModelBasis, make_basis
from sharpset.plans.plan import Plan
from sharpset.plans.properties import block_columns, information_matrix

__all__ = ["needed_replicates", "power_table"]

Array = NDArray[np.float64]
_MOST_REPLICATES = 100
_SMALLEST, _LARGEST = 1e-12, 1e12


@dataclass(frozen=True, kw_only=True, slots=True)
class _Contrast:
    """A term's effect of size one: coefficients, columns, and the vector that gives the effect back."""

    columns: list[int]
    shapes: list[Array]
    weights: list[Array]


def power_table(
    plan: Plan,
    *,
    noise_sd: float,
    effect: float | Mapping[str, float] | None = None,
    model: str | Sequence[str | Term] | None = None,
    whole_plot_sd: float = 0.0,
    alpha: float = 0.05,
    wanted_power: float = 0.8,
    replicates: int = 1,
) -> pd.DataFrame:
    """Return power and precision for every term of a plan's model.

    Parameters
    ----------
    plan : Plan
    noise_sd : float
        Standard deviation of the response between prints of the same settings, in its own unit.
    effect : float or mapping of term name to float, optional
        Effect to be seen, in the unit of the response: the change from low to high for a factor, the
        change of a factor's effect between the ends of another for an interaction, the rise from the
        middle to the ends for a square, the largest difference between two labels for a categorical
        factor. Twice the noise by default.
    model : str or sequence of str or Term, optional
        The plan's own by default.
    whole_plot_sd : float
        Further scatter between whole plots (a nozzle taken off and put on again), in the same unit.
    alpha : float
        Level of the two-sided test; the interval has confidence 1 - alpha.
    wanted_power : float
        For ``detectable_effect``.
    replicates : int
        How often the whole plan is printed.

    Returns
    -------
    DataFrame
        ``term, df, df_error, effect, standard_error, half_width, power, detectable_effect``. The standard
        error and the half-width of the interval are those of the effect as defined above (for labels: of
        the least precise difference). NaN where no degrees of freedom are left for the error.

    Raises
    ------
    PlanError
        If the plan cannot tell the model or a number is out of range.

    Notes
    -----
    Without scatter between whole plots this is exact. With it, terms of hard-to-change factors alone are
    judged by the whole plots' degrees of freedom and the others by the runs' within them.
    """
    _check(noise_sd=noise_sd, whole_plot_sd=whole_plot_sd, alpha=alpha, wanted_power=wanted_power)
    if replicates < 1:
        raise PlanError(f"replicates must be 1 or more, got {replicates}.")
    basis = make_basis(plan.factors, plan.model if model is None else model)
    ratio = (whole_plot_sd / noise_sd) ** 2
    gram = information_matrix(plan, basis.terms[1:], ratio=ratio).to_numpy() * replicates
    if np.linalg.matrix_rank(gram) < len(gram):
        raise PlanError(
            f"these {plan.n_runs} runs cannot tell the {basis.n_columns} coefficients of the model; choose a smaller "
            "model or a larger plan."
        )
    covariance = np.linalg.inv(gram) * noise_sd**2
    rows = []
    for position, term in enumerate(basis.terms):
        if not term.powers:
            continue
        size = _wanted_effect(effect, term, noise_sd)
        df_error = _error_df(plan, basis, term, replicates, split=ratio > 0)
        rows.append({"term": term.name, **_judge(basis, position, covariance, size, df_error, alpha, wanted_power)})
    _unknown_terms(effect, basis)
    return pd.DataFrame(rows)


def needed_replicates(
    plan: Plan,
    *,
    noise_sd: float,
    effect: float | Mapping[str, float] | None = None,
    wanted_power: float = 0.8,
    terms: Sequence[str] | None = None,
    model: str | Sequence[str | Term] | None = None,
    whole_plot_sd: float = 0.0,
    alpha: float = 0.05,
) -> pd.DataFrame:
    """Return how the power grows with replicates of the whole plan, up to the number that is needed.

    Parameters
    ----------
    plan, noise_sd, effect, model, whole_plot_sd, alpha
        As for :func:`power_table`.
    wanted_power : float
    terms : sequence of str, optional
        Terms that must reach it; all by default.

    Returns
    -------
    DataFrame
        ``replicates, n_runs, power, weakest_term``; the last row is the first with the wanted power.

    Raises
    ------
    PlanError
        If a hundred replicates are not enough.
    """
    rows = []
    for replicates in range(1, _MOST_REPLICATES + 1):
        table = power_table(
            plan,
            noise_sd=noise_sd,
            effect=effect,
            model=model,
            whole_plot_sd=whole_plot_sd,
            alpha=alpha,
            wanted_power=wanted_power,
            replicates=replicates,
        )
        if terms is not None:
            missing = [t for t in terms if t not in set(table["term"])]
            if missing:
                raise PlanError(f"the model has no term {missing[0]!r}; its terms are {', '.join(table['term'])}.")
            table = table[table["term"].isin(terms)]
        power = table["power"].fillna(0.0)
        weakest = str(table["term"].iloc[int(np.argmin(power.to_numpy()))])
        lowest = float(power.min())
        rows.append(
            {"replicates": replicates, "n_runs": replicates * plan.n_runs, "power": lowest, "weakest_term": weakest}
        )
        if lowest >= wanted_power:
            return pd.DataFrame(rows)
    raise PlanError(
        f"even {_MOST_REPLICATES} replicates give a power of {rows[-1]['power']:.2f} for {rows[-1]['weakest_term']}. "
        "Look for a larger effect or for less noise."
    )


def _check(*, noise_sd: float, whole_plot_sd: float, alpha: float, wanted_power: float) -> None:
    if not _SMALLEST <= noise_sd <= _LARGEST:
        raise PlanError(
            f"noise_sd must be a number above 0, in the unit of the response, got {noise_sd!r} (at least "
            f"{_SMALLEST:g}, at most {_LARGEST:g})."
        )
    if not 0 <= whole_plot_sd <= _LARGEST:
        raise PlanError(f"whole_plot_sd must be a number from 0 up to {_LARGEST:g}, got {whole_plot_sd!r}.")
    if not 0 < alpha < 0.5 or not alpha < wanted_power < 1:
        raise PlanError(
            f"alpha must lie between 0 and 0.5 and the wanted power between alpha and 1, got {alpha!r}, "
            f"{wanted_power!r}."
        )


def _wanted_effect(effect: float | Mapping[str, float] | None, term: Term, noise_sd: float) -> float:
    if effect is None:
        return 2 * noise_sd
    size = float(effect.get(term.name, math.nan)) if isinstance(effect, Mapping) else float(effect)
    if not isinstance(effect, Mapping) and math.isnan(size):
        raise PlanError("the effect to be seen must be a number above 0, got nan.")
    if size <= 0 or math.isinf(size):
        raise PlanError(f"the effect of {term.name} must be a number above 0, got {size:g}.")
    return size


def _unknown_terms(effect: Any, basis: ModelBasis) -> None:
    names = [t.name for t in basis.terms[1:]]
    for name in effect if isinstance(effect, Mapping) else ():
        if name not in names:
            raise PlanError(
                f"an effect is given for {name!r}, which is not in the model; its terms are {', '.join(names)}."
            )


def _contrast(basis: ModelBasis, position: int) -> _Contrast:
    """Coefficient patterns of an effect of one, and weights that turn coefficients into the effect."""
    columns = basis.columns_of(position)
    term = basis.terms[position]
    labels = [n for n in term.factors if basis.factors[n].is_categorical]
    if not labels:
        span = 1.0 if all(p % 2 == 0 for _, p in term.powers) else 2.0
        return _Contrast(columns=columns, shapes=[np.array([1 / span])], weights=[np.array([span])])
    m = len(columns)
    shapes = [np.eye(m)[i] / 2 for i in range(m)]
    weights = [np.eye(m)[i] * 2 for i in range(m)]
    if len(labels) == 1:
        # Level effects are the columns' coefficients, the first level's is minus their sum.
        level = np.vstack([-np.ones(m), np.eye(m)])
        pairs = list(itertools.combinations(range(m + 1), 2))
        weights = [level[j] - level[i] for i, j in pairs]
        shapes = []
        for i, j in pairs:
            values = np.zeros(m + 1)
            values[i], values[j] = -0.5, 0.5
            shapes.append(values[1:])
    return _Contrast(columns=columns, shapes=shapes, weights=weights)


def _judge(
    basis: ModelBasis, position: int, covariance: Array, size: float, df_error: int, alpha: float, wanted: float
) -> dict[str, float]:
    from scipy import stats

    contrast = _contrast(basis, position)
    inside = covariance[np.ix_(contrast.columns, contrast.columns)]
    precision = np.linalg.inv(inside)
    df = len(contrast.columns)
    se = math.sqrt(max(float(w @ inside @ w) for w in contrast.weights))
    unit = min(float(s @ precision @ s) for s in contrast.shapes)
    row = {"df": df, "df_error": df_error, "effect": size, "standard_error": se}
    if df_error < 1:
        return row | {"half_width": math.nan, "power": math.nan, "detectable_effect": math.nan}
    limit = float(stats.f.ppf(1 - alpha, df, df_error))
    power = _power(limit, df, df_error, unit * size**2) if math.isfinite(size) else math.nan
    detectable = math.sqrt(_needed_noncentrality(limit, df, df_error, wanted) / unit)
    half_width = float(stats.t.ppf(1 - alpha / 2, df_error)) * se
    return row | {"half_width": half_width, "power": power, "detectable_effect": detectable}


def _power(limit: float, df: int, df_error: int, noncentrality: float) -> float:
    from scipy import stats

    if noncentrality > 1e4:
        return 1.0
    return float(np.clip(stats.ncf.sf(limit, df, df_error, noncentrality), 0.0, 1.0))


def _needed_noncentrality(limit: float, df: int, df_error: int, wanted: float) -> float:
    from scipy import optimize

    high = 1.0
    while _power(limit, df, df_error, high) < wanted:
        high *= 2
    return float(optimize.brentq(lambda x: _power(limit, df, df_error, x) - wanted, 0.0, high))


def _error_df(plan: Plan, basis: ModelBasis, term: Term, replicates: int, *, split: bool) -> int:
    """Degrees of freedom of the error that a term is judged by."""
    x = plan.matrix(basis.terms[1:]).to_numpy()
    z = block_columns(plan)
    p = int(np.linalg.matrix_rank(np.hstack([x, z])))
    n = plan.n_runs * replicates
    hard = {f.name for f in plan.factors.hard}
    if not split or not plan.is_split_plot or not hard:
        return n - p
    whole = [i for i, owner in enumerate(basis.owner) if set(basis.terms[owner].factors) <= hard]
    p_whole = int(np.linalg.matrix_rank(np.hstack([x[:, whole], z])))
    n_plots = int(plan.runs["whole_plot"].nunique()) * replicates
    if set(term.factors) <= hard:
        return n_plots - p_whole
    return n - n_plots - (p - p_whole)
