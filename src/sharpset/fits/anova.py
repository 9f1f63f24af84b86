"""Analysis of variance: types I to III, pure error and lack of fit."""

from __future__ import annotations

from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sharpset.fits.algebra import independent_columns, solve_least_squares
from sharpset.fits.terms import Model, Term

__all__ = ["anova_table", "lack_of_fit_table"]

Floats = NDArray[np.float64]


def _rss(matrix: Floats, y: Floats, weights: Floats | None) -> float:
    if matrix.shape[1] == 0:
        return float(y @ y) if weights is None else float(y @ (weights * y))
    return solve_least_squares(matrix[:, independent_columns(matrix)], y, weights=weights).rss


def anova_table(
    model: Model,
    runs: pd.DataFrame,
    response: Floats,
    *,
    kind: Literal["I", "II", "III"] = "III",
    weights: Floats | None = None,
    typed_matrix: Floats | None = None,
) -> pd.DataFrame:
    """Return an analysis-of-variance table, one row per term.

    Parameters
    ----------
    model : Model
    runs : pandas.DataFrame
    response : ndarray of float, shape (n,)
    kind : {'I', 'II', 'III'}
        Sequential, hierarchical, or each term last. Columns are coded -1..1 and categories are
        effect-coded, as type III needs.
    weights : ndarray of float, shape (n,), optional
    typed_matrix : ndarray of float, shape (n, p), optional
        Use these columns instead of the coded ones.

    Returns
    -------
    pandas.DataFrame
        ``term, df, ss, ms, F, p`` and the rows Residual and Total (about the mean).
    """
    from scipy import stats

    coded, names = model.columns(runs)
    matrix = coded if typed_matrix is None else typed_matrix
    owner = [name.term for name in names]
    shift = float(np.mean(response)) if model.has_intercept else 0.0
    y = response - shift
    full = _rss(matrix, y, weights)
    df_full = len(y) - len(independent_columns(matrix))
    rows = []
    terms = [term for term in model.terms if term != Term()]
    for position, term in enumerate(terms):
        if kind == "I":
            before = [t for t in model.terms if t == Term()] + terms[:position]
            after = [*before, term]
        elif kind == "II":
            before = [t for t in model.terms if t != term and not t.contains(term)]
            after = [*before, term]
        else:
            before, after = [t for t in model.terms if t != term], list(model.terms)
        less = matrix[:, [i for i, t in enumerate(owner) if t in before]]
        more = matrix[:, [i for i, t in enumerate(owner) if t in after]]
        df = len(independent_columns(more)) - len(independent_columns(less))
        rows.append({"term": term.label, "df": df, "ss": max(_rss(less, y, weights) - _rss(more, y, weights), 0.0)})
    table = pd.DataFrame(rows, columns=["term", "df", "ss"])
    table["ms"] = table["ss"] / table["df"].where(table["df"] > 0)
    scale = full / df_full if df_full > 0 else np.nan
    table["F"] = table["ms"] / scale if df_full > 0 and scale > 0 else np.nan
    table["p"] = stats.f.sf(table["F"].to_numpy(dtype=float), table["df"].to_numpy(dtype=float), max(df_full, 1))
    ones = np.ones((len(y), 1)) if model.has_intercept else np.zeros((len(y), 0))
    total = _rss(ones, y, weights)
    tail = pd.DataFrame(
        [
            {"term": "Residual", "df": df_full, "ss": full, "ms": scale, "F": np.nan, "p": np.nan},
            {"term": "Total", "df": len(y) - ones.shape[1], "ss": total, "ms": np.nan, "F": np.nan, "p": np.nan},
        ]
    )
    return pd.concat([table.astype({"F": float, "p": float}), tail], ignore_index=True)


def lack_of_fit_table(
    groups: pd.DataFrame, response: Floats, *, rss: float, df_resid: int, weights: Floats | None = None
) -> pd.DataFrame | None:
    """Split the residual into pure error and lack of fit.

    Parameters
    ----------
    groups : pandas.DataFrame
        Settings (and block) of each run; equal rows are replicates.
    response : ndarray of float, shape (n,)
    rss, df_resid : float, int
        Of the fitted model.
    weights : ndarray of float, shape (n,), optional

    Returns
    -------
    pandas.DataFrame or None
        Rows ``Lack of fit`` and ``Pure error``; None where no setting was replicated. F and p are NaN where replicates
        are all alike, as steps of a ladder are: they tell no error to compare with.
    """
    from scipy import stats

    keys = groups.apply(lambda c: c.round(10) if pd.api.types.is_numeric_dtype(c) else c)
    label = keys.groupby(list(keys.columns), dropna=False, sort=False).ngroup().to_numpy()
    w = np.ones(len(response)) if weights is None else weights
    pure, df_pure = 0.0, 0
    for group in np.unique(label):
        y, v = response[label == group], w[label == group]
        pure += float(np.sum(v * (y - np.sum(v * y) / np.sum(v)) ** 2))
        df_pure += len(y) - 1
    if df_pure == 0 or df_resid <= 0:
        return None
    df_lack = df_resid - df_pure
    lack = max(rss - pure, 0.0)
    if pure <= 1e-20 * float(np.sum(w * response**2)):
        pure = 0.0  # replicates that are all alike: what is left is rounding
    f = (lack / df_lack) / (pure / df_pure) if df_lack > 0 and pure > 0 else float("nan")
    return pd.DataFrame(
        [
            {
                "term": "Lack of fit",
                "df": df_lack,
                "ss": lack if df_lack > 0 else 0.0,
                "ms": lack / df_lack if df_lack > 0 else np.nan,
                "F": f,
                "p": float(stats.f.sf(f, df_lack, df_pure)) if df_lack > 0 else np.nan,
            },
            {"term": "Pure error", "df": df_pure, "ss": pure, "ms": pure / df_pure, "F": np.nan, "p": np.nan},
        ]
    )
