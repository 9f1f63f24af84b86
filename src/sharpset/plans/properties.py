"""Properties of a plan: efficiencies, variance inflation, aliases, correlations, prediction variance.

Efficiencies compare the information matrix M = X'V^-1 X with n times the identity, what n runs of an
orthogonal design of -1 and +1 would give: 100 % cannot be passed by two-level designs, response surfaces
stay well below. They rank plans of the same model and number of runs, they are no marks.

References
----------
Atkinson, A. C., Donev, A. N. & Tobias, R. D. (2007), Optimum Experimental Designs, with SAS, ch. 10-11.
Zahran, A., Anderson-Cook, C. M. & Myers, R. H. (2003), J. Qual. Technol. 35(4), 377-386 (fraction of design space).
"""

from __future__ import annotations

import html
import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sharpset.errors import PlanError
from sharpset.plans.aliases import alias_table
from sharpset.plans.formulas import Term
from sharpset.plans.models import make_basis
from sharpset.plans.plan import Plan

__all__ = ["PlanProperties", "correlation_map", "design_space_curve", "information_matrix", "plan_properties"]

Array = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, slots=True)
class PlanProperties:
    """What a plan can tell, before anything is printed.

    Attributes
    ----------
    model : str
    n_runs, n_coefficients, n_distinct : int
        Prints, coefficients of the model, different settings.
    df_pure_error : int
        Degrees of freedom from repeated settings.
    D_efficiency, A_efficiency, G_efficiency, I_efficiency : float
        Per cent; 100 det(M)^(1/p)/n, 100 p/(n tr M^-1), 100 p/(n max f'M^-1 f), 100 tr W/(n tr M^-1 W), W the
        mean of f f' over the region. NaN where the model cannot be told.
    mean_variance, largest_variance : float
        Of the predicted mean over the region, in units of the run variance.
    vif : dict of str to float
        Variance inflation by column of the model matrix.
    largest_correlation : float
        Largest |r| between two columns of the model.
    aliases : dict of str to list of str
        Main effects and two-factor interactions that cannot be told apart.
    n_changes : dict of str to int
        Changes of each hard-to-change factor between prints.
    hours, grams : float
        Estimated effort; NaN where nothing was said about one print.
    """

    model: str
    n_runs: int
    n_coefficients: int
    n_distinct: int
    df_pure_error: int
    D_efficiency: float
    A_efficiency: float
    G_efficiency: float
    I_efficiency: float
    mean_variance: float
    largest_variance: float
    vif: dict[str, float]
    largest_correlation: float
    aliases: dict[str, list[str]] = field(default_factory=dict)
    n_changes: dict[str, int] = field(default_factory=dict)
    hours: float = math.nan
    grams: float = math.nan

    def summary(self) -> str:
        """Return the properties in one line."""
        if math.isnan(self.D_efficiency):
            return f"{self.n_runs} runs cannot tell the {self.n_coefficients} coefficients of the model {self.model}"
        worst = max(self.vif.values(), default=1.0)
        return (
            f"{self.n_runs} runs, {self.n_coefficients} coefficients: D {self.D_efficiency:.1f} %, A "
            f"{self.A_efficiency:.1f} %, "
            f"G {self.G_efficiency:.1f} %, I {self.I_efficiency:.1f} %; largest VIF {worst:.2f}"
        )

    def to_dict(self) -> dict[str, Any]:
        """Return the properties as plain values."""
        return {name: getattr(self, name) for name in self.__dataclass_fields__}

    def to_frame(self) -> pd.DataFrame:
        """Return name and value of the single numbers."""
        rows = [(k, v) for k, v in self.to_dict().items() if isinstance(v, int | float)]
        return pd.DataFrame(rows, columns=["property", "value"])

    def _repr_html_(self) -> str:
        return f"<p>{html.escape(self.summary())}</p>{self.to_frame().to_html(index=False)}"


def information_matrix(
    plan: Plan, model: str | Sequence[str | Term] | None = None, *, ratio: float = 1.0
) -> pd.DataFrame:
    """Return X'V^-1 X of a plan's model, in units of the inverse run variance.

    Parameters
    ----------
    plan : Plan
    model : str or sequence of str or Term, optional
    ratio : float
        Variance between whole plots over variance between runs; used where runs share a whole plot.
        Blocks are fixed effects and have been taken out.

    Returns
    -------
    DataFrame, shape (n_coefficients, n_coefficients)
    """
    x = plan.matrix(model)
    rows = x.to_numpy()
    inverse = inverse_covariance(plan, ratio)
    gram = rows.T @ inverse @ rows
    blocks = block_columns(plan)
    if blocks.shape[1]:
        cross = rows.T @ inverse @ blocks
        gram = gram - cross @ np.linalg.pinv(blocks.T @ inverse @ blocks) @ cross.T
    return pd.DataFrame(gram, index=x.columns, columns=x.columns)


def inverse_covariance(plan: Plan, ratio: float) -> Array:
    """Return V^-1 of V = I + ratio Z Z', Z showing which runs share a whole plot."""
    n = plan.n_runs
    inverse = np.eye(n)
    if not plan.is_split_plot or not plan.factors.hard:
        return inverse
    for plot in plan.runs["whole_plot"].unique():
        members = np.flatnonzero(plan.runs["whole_plot"].to_numpy() == plot)
        inverse[np.ix_(members, members)] -= ratio / (1 + ratio * len(members))
    return inverse


def block_columns(plan: Plan) -> Array:
    """Return effect-coded block columns centred on the runs, shape (n_runs, n_blocks - 1)."""
    codes = pd.Categorical(plan.runs["block"]).codes
    n = int(codes.max()) + 1
    table = np.vstack([-np.ones((1, n - 1)), np.eye(n - 1)])
    return np.asarray(table[codes])


def plan_properties(
    plan: Plan,
    model: str | Sequence[str | Term] | None = None,
    *,
    ratio: float | None = None,
    hours_per_print: float | None = None,
    grams_per_print: float | None = None,
    hours_per_change: float = 0.0,
) -> PlanProperties:
    """Work out the properties of a plan.

    Parameters
    ----------
    plan : Plan
    model : str or sequence of str or Term, optional
        The plan's own model by default.
    ratio : float, optional
        Variance between whole plots over variance between runs; by default what the plan was made for, else 1.
    hours_per_print, grams_per_print, hours_per_change : float, optional
        For the estimate of hours and material.

    Returns
    -------
    PlanProperties
    """
    text = plan.model if model is None else model if isinstance(model, str) else " + ".join(str(t) for t in model)
    basis = make_basis(plan.factors, text)
    used = ratio if ratio is not None else float(plan.about.get("variance_ratio", 1.0))
    gram = information_matrix(plan, text, ratio=used).to_numpy()
    n, p = plan.n_runs, basis.n_columns
    x = plan.matrix(text)
    distinct = plan.runs[[*plan.factors.names, *(["block"] if plan.n_blocks > 1 else [])]].drop_duplicates()
    numbers = dict.fromkeys(
        ("D_efficiency", "A_efficiency", "G_efficiency", "I_efficiency", "mean_variance", "largest_variance"), math.nan
    )
    if np.linalg.matrix_rank(gram) == p:
        inverse = np.linalg.inv(gram)
        weight = basis.moments()
        variance = _variances(plan, text, inverse)
        numbers = {
            "D_efficiency": 100 * math.exp(np.linalg.slogdet(gram)[1] / p) / n,
            "A_efficiency": 100 * p / (n * float(np.trace(inverse))),
            "G_efficiency": 100 * p / (n * float(variance.max())),
            "I_efficiency": 100 * float(np.trace(weight)) / (n * float(np.trace(inverse @ weight))),
            "mean_variance": float(np.trace(inverse @ weight)),
            "largest_variance": float(variance.max()),
        }
    effort = (
        n * hours_per_print + hours_per_change * sum(plan.n_changes.values())
        if hours_per_print is not None
        else math.nan
    )
    return PlanProperties(
        model=text,
        n_runs=n,
        n_coefficients=p,
        n_distinct=len(distinct),
        df_pure_error=n - len(distinct),
        **numbers,
        vif=_inflation(x),
        largest_correlation=_largest_correlation(x),
        aliases=_aliases(plan),
        n_changes=plan.n_changes,
        hours=effort,
        grams=n * grams_per_print if grams_per_print is not None else math.nan,
    )


def _inflation(x: pd.DataFrame) -> dict[str, float]:
    """Variance inflation 1/(1 - R^2) of every column but the constant; infinite where it cannot be told."""
    columns = [c for c in x.columns if c != "Intercept"]
    centred = x[columns].to_numpy() - x[columns].to_numpy().mean(axis=0)
    length = np.sqrt((centred**2).sum(axis=0))
    if np.any(length < 1e-12) or np.linalg.matrix_rank(centred) < len(columns):
        return dict.fromkeys(columns, math.inf)
    unit = centred / length
    return dict(zip(columns, np.diag(np.linalg.inv(unit.T @ unit)).tolist(), strict=True))


def _largest_correlation(x: pd.DataFrame) -> float:
    columns = [c for c in x.columns if c != "Intercept" and np.ptp(x[c]) > 1e-12]
    if len(columns) < 2:
        return 0.0
    r = np.abs(np.corrcoef(x[columns].to_numpy().T))
    return float(np.max(r[np.triu_indices(len(columns), 1)]))


def _aliases(plan: Plan) -> dict[str, list[str]]:
    try:
        table = alias_table(plan, max_order=2)
    except PlanError:
        return {}
    return {row.effect: row.aliases.split(" = ") for row in table.itertuples() if row.aliases}


def correlation_map(plan: Plan, model: str | Sequence[str | Term] = "quadratic") -> pd.DataFrame:
    """Return the correlations between the columns of a model, usually one larger than can be fitted.

    Returns
    -------
    DataFrame, shape (n_columns, n_columns)
        Names of the columns on both sides, the constant left out; NaN for a column that does not vary.
    """
    x = plan.matrix(model).drop(columns="Intercept")
    with np.errstate(all="ignore"):
        values = np.corrcoef(x.to_numpy().T) if x.shape[1] > 1 else np.ones((1, 1))
    return pd.DataFrame(np.round(values, 12), index=x.columns, columns=x.columns)


def _variances(plan: Plan, model: str, inverse: Array, n_points: int = 8192) -> Array:
    """Prediction variance at points all over the region, its corners and the runs included."""
    basis = make_basis(plan.factors, model)
    matrix = plan.factors.sample(n_points)
    edge = plan.factors.spread(4096)
    edge = edge[plan.factors.allowed(edge)]
    for settings in (edge, plan.runs):
        coded = plan.factors.to_matrix(settings)
        inside = np.all(
            [(np.abs(coded[:, i]) <= 1 + 1e-9) | f.is_categorical for i, f in enumerate(plan.factors)], axis=0
        )
        matrix = np.vstack([matrix, coded[inside]])
    rows = basis.evaluate(matrix)
    return np.asarray(np.einsum("ij,jk,ik->i", rows, inverse, rows))


def design_space_curve(
    plan: Plan, model: str | None = None, *, ratio: float = 1.0, n_points: int = 101
) -> pd.DataFrame:
    """Return the fraction-of-design-space curve.

    Returns
    -------
    DataFrame
        ``fraction`` of the region (0 to 1) in which the standard error of the predicted mean, in units of
        the run standard deviation, stays below ``relative_se``.

    Raises
    ------
    PlanError
        If the plan cannot tell the model.
    """
    text = plan.model if model is None else model
    gram = information_matrix(plan, text, ratio=ratio).to_numpy()
    if np.linalg.matrix_rank(gram) < len(gram):
        raise PlanError(f"these {plan.n_runs} runs cannot tell the model {text!r}. Choose a smaller model.")
    basis = make_basis(plan.factors, text)
    rows = basis.evaluate(plan.factors.sample(2**13))
    variance = np.einsum("ij,jk,ik->i", rows, np.linalg.inv(gram), rows)
    fraction = np.linspace(0, 1, n_points)
    return pd.DataFrame({"fraction": fraction, "relative_se": np.sqrt(np.quantile(variance, fraction))})
