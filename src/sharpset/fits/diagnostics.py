"""What the residuals say, in words."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

__all__ = ["describe_residuals", "influence"]

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


def describe_residuals(data: pd.DataFrame, *, df_resid: float, order: Floats | None = None) -> tuple[str, ...]:
    """Say what is odd about the residuals of a fit.

    Parameters
    ----------
    data : pandas.DataFrame
        ``run_id, observed, fitted, residual, leverage, studentised, cook``.
    df_resid : float
    order : ndarray of float, shape (n,), optional
        Print order.

    Returns
    -------
    tuple of str
        At least one sentence.
    """
    from scipy import stats

    residual = data["residual"].to_numpy(dtype=float)
    if df_resid >= 3 and np.ptp(residual) <= 1e-9 * max(float(np.ptp(data["observed"])), 1e-300):
        return ("The model fits every run exactly: no scatter to judge, and none in the intervals.",)
    if df_resid < 3:
        return (f"{df_resid:g} residual degrees of freedom are too few to judge the residuals by.",)
    said: list[str] = []
    student = data["studentised"].to_numpy(dtype=float)
    n = len(student)
    if df_resid > 1:
        p = 2.0 * stats.t.sf(np.abs(student), df_resid - 1) * n
        for i in np.flatnonzero(p < 0.05):
            said.append(
                f"Run {data['run_id'].iloc[i]} is an outlier (studentised residual {student[i]:+.1f}, p = {p[i]:.2g} "
                "allowing for the number of runs): look at the print and its notes before trusting it."
            )
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
    if order is not None and n >= 8 and len(np.unique(order)) == n:
        drift = stats.spearmanr(residual, order)
        if drift.pvalue < 0.02:
            said.append(
                f"The residuals drift with print order (rank correlation {drift.statistic:+.2f}, "
                f"p = {drift.pvalue:.2g}): "
                "something changed while printing."
            )
    return tuple(said) or ("The residuals show nothing odd.",)
