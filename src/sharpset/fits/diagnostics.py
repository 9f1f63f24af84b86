"""What the residuals say, in words."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

__all__ = ["describe_residuals", "drift_of", "influence", "outliers", "outlying_groups", "unexplained"]

Floats = NDArray[np.float64]


def influence(residuals: Floats, leverage: Floats, *, rss: float, n_terms: int) -> pd.DataFrame:
    """Return externally studentised residuals and Cook's distances.

    Parameters
    ----------
    residuals : ndarray of float, shape (n,)
        Weighted residuals.
    leverage : ndarray of float, shape (n,)
    rss : float
    n_terms : int
    """
    n = len(residuals)
    df = n - n_terms
    free = np.maximum(1.0 - leverage, 1e-12)
    with np.errstate(invalid="ignore", divide="ignore"):
        left = (rss - residuals**2 / free) / (df - 1) if df > 1 else np.full(n, np.nan)
        student = residuals / np.sqrt(np.maximum(left, 0.0) * free)
        cook = residuals**2 * leverage / (free**2 * n_terms * rss / df) if df > 0 else np.full(n, np.nan)
    student = np.where(leverage > 1 - 1e-9, np.nan, student)
    return pd.DataFrame({"studentised": student, "cook": np.where(leverage > 1 - 1e-9, np.nan, cook)})


_FEWEST = 2
"""Degrees of freedom of the scatter of the other groups from which on a group can be judged by it."""


def unexplained(data: pd.DataFrame) -> Floats:
    """Return what neither settings nor a run's group explain, shape (n,)."""
    return np.asarray(data["within" if "within" in data else "residual"], dtype=float)


def describe_residuals(
    data: pd.DataFrame, *, df_resid: float, order: Floats | None = None, groups: pd.DataFrame | None = None
) -> tuple[str, ...]:
    """Say what is odd about the residuals of a fit.

    Parameters
    ----------
    data : pandas.DataFrame
        ``run_id, observed, fitted, residual, leverage, studentised, cook``, and ``within`` for a fit with groups.
    df_resid : float
    order : ndarray of float, shape (n,), optional
        Print order.
    groups : pandas.DataFrame, optional
        ``group`` (in words), ``studentised, df, rows``, a row a group of runs.

    Returns
    -------
    tuple of str
        At least one sentence.
    """
    from scipy import stats

    residual = unexplained(data)
    if df_resid >= 3 and np.ptp(residual) <= 1e-9 * max(float(np.ptp(data["observed"])), 1e-300):
        return ("The model fits every run exactly: no scatter to judge, and none in the intervals.",)
    if df_resid < 3:
        return (f"{df_resid:g} residual degrees of freedom are too few to judge the residuals by.",)
    said: list[str] = []
    n = len(residual)
    for odd in outliers(data, df_resid=df_resid).itertuples():
        if odd.p >= 0.05:
            continue
        if np.isfinite(odd.studentised):
            said.append(
                f"Run {odd.run_id} is an outlier (studentised residual {odd.studentised:+.1f}, p = {odd.p:.2g} "
                "allowing for the number of runs): look at the print and its notes before trusting it."
            )
        else:
            said.append(f"Without run {odd.run_id} the model fits every run exactly: values in steps, or typed over.")
    if groups is not None:
        said += [
            f"{odd.group} lies off the model as a whole (studentised {odd.studentised:+.1f}, p = {odd.p:.2g} allowing "
            "for the number of them): look at what was different there before trusting it."
            for odd in outlying_groups(groups, data, df_resid=df_resid).itertuples()
            if odd.p < 0.05
        ]
    pull = data[data["cook"].to_numpy(dtype=float) > 1.0]["run_id"]
    if len(pull):
        said.append(f"Run {', '.join(map(str, pull))} alone decides part of the model (Cook's distance above 1).")
    if n >= 8:
        shape = float(stats.shapiro(residual).pvalue)
        if shape < 0.02:
            said.append(f"The residuals are not normally spread (Shapiro-Wilk p = {shape:.2g}); see Box-Cox.")
        level = data["fitted"].to_numpy(dtype=float)
        spread = stats.spearmanr(np.abs(residual), level) if np.ptp(level) > 0 else None
        if spread is not None and spread.pvalue < 0.02:
            way = "grows" if spread.statistic > 0 else "shrinks"
            said.append(f"The scatter {way} with the fitted value (p = {spread.pvalue:.2g}); see Box-Cox.")
    drift = drift_of(residual, order)
    if drift is not None and drift[1] < 0.02:
        said.append(
            f"The residuals drift with print order (rank correlation {drift[0]:+.2f}, p = {drift[1]:.2g}): "
            "something changed while printing."
        )
    return tuple(said) or ("The residuals show nothing odd.",)


def outliers(data: pd.DataFrame, *, df_resid: float) -> pd.DataFrame:
    """Return the chance that a run without fault lies as far from the model as each does, allowing for their number.

    Parameters
    ----------
    data : pandas.DataFrame
        ``run_id, studentised``.
    df_resid : float

    Returns
    -------
    pandas.DataFrame
        ``run_id, studentised, p``, a row a run; no row where nothing can be judged.
    """
    from scipy import stats

    if df_resid < 3:
        return pd.DataFrame({"run_id": [], "studentised": [], "p": []})
    student = data["studentised"].to_numpy(dtype=float)
    p = np.minimum(2.0 * stats.t.sf(np.abs(student), df_resid - 1) * len(student), 1.0)
    return pd.DataFrame({"run_id": data["run_id"].to_numpy(), "studentised": student, "p": p})


def outlying_groups(groups: pd.DataFrame, data: pd.DataFrame, *, df_resid: float) -> pd.DataFrame:
    """Return the chance that a group without fault lies as far from the model as each does, allowing for their number.

    Parameters
    ----------
    groups : pandas.DataFrame
        ``group, studentised, df, rows``.
    data : pandas.DataFrame
        Residuals of the runs, ``run_id, studentised``.
    df_resid : float

    Returns
    -------
    pandas.DataFrame
        ``group, studentised, p``; no row for groups of too few others, or with a run that is an outlier by itself.
    """
    from scipy import stats

    odd = outliers(data, df_resid=df_resid)
    alone = set(np.flatnonzero(odd["p"].to_numpy(dtype=float) < 0.05).tolist())
    whole = groups["rows"].map(lambda rows: not alone & set(rows))
    judged = groups[(groups["df"] >= _FEWEST) & whole]
    student = judged["studentised"].to_numpy(dtype=float)
    p = np.minimum(2.0 * stats.t.sf(np.abs(student), judged["df"].to_numpy(dtype=float)) * len(groups), 1.0)
    return pd.DataFrame({"group": judged["group"].to_numpy(), "studentised": student, "p": p})


def drift_of(residual: Floats, order: Floats | None) -> tuple[float, float] | None:
    """Return rank correlation of residuals with print order and its p; None below eight runs or without an order."""
    from scipy import stats

    if order is None or len(residual) < 8 or len(np.unique(order)) != len(residual):
        return None
    found = stats.spearmanr(residual, order)
    return float(found.statistic), float(found.pvalue)
