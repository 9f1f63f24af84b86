"""Residuals of a fit: what the model leaves over."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from matplotlib.figure import Figure

from sharpset.errors import ReportError
from sharpset.fits.diagnostics import unexplained
from sharpset.plots.style import FORMED_COLOURS, GREY, INK, label_of, new_figure, styled

if TYPE_CHECKING:
    import pandas as pd

    from sharpset.fits.surface import ResponseFit

__all__ = ["draw_residuals"]


def draw_residuals(fit: ResponseFit, runs: pd.DataFrame | None = None) -> Figure:
    """Draw residuals against what was fitted, in print order, and against a normal distribution.

    Parameters
    ----------
    fit : ResponseFit
    runs : pandas.DataFrame, optional
        With ``run_id`` and ``print_order``; without them the order of the table is taken.

    Returns
    -------
    Figure
        Runs whose studentised residual is beyond 3 are named.

    Raises
    ------
    ReportError
        If the model passes through every run, so that nothing is left over.
    """
    from scipy import stats

    use = fit.predictor
    data = use.data.copy()
    if not use.df_resid > 0:
        raise ReportError(f"{fit.name}: the model has as many terms as runs, so there are no residuals to draw.")
    if runs is not None and "print_order" in runs:
        data["order"] = (
            data["run_id"].astype(str).map(dict(zip(runs["run_id"].astype(str), runs["print_order"], strict=True)))
        )
    else:
        data["order"] = np.arange(1, len(data) + 1)
    data["left"] = unexplained(data)
    blue = FORMED_COLOURS["yes"]
    with styled():
        figure = new_figure(9.6, 3.0)
        by_fit, by_order, normal = figure.subplots(1, 3)
        by_fit.scatter(data["fitted"], data["left"], s=20, color=blue)
        by_fit.set_xlabel(f"fitted {label_of(fit.name)}")
        by_order.plot(*data.sort_values("order")[["order", "left"]].to_numpy().T, color=GREY, linewidth=0.8)
        by_order.scatter(data["order"], data["left"], s=20, color=blue, zorder=3)
        by_order.set_xlabel("print order")
        within = "" if use.mixed is None else f" within {_groups(use)}"
        for axes in (by_fit, by_order):
            axes.axhline(0, color=INK, linewidth=0.8)
            axes.set_ylabel(f"residual{within}")
        ranked = data.sort_values("studentised")
        quantile = stats.norm.ppf((np.arange(1, len(data) + 1) - 0.375) / (len(data) + 0.25))
        normal.scatter(quantile, ranked["studentised"], s=20, color=blue, zorder=3)
        normal.plot(quantile, quantile, color=INK, linewidth=0.8)
        normal.set_xlabel("normal quantile")
        normal.set_ylabel("studentised residual")
        for row in data[data["studentised"].abs() > 3].itertuples():
            by_fit.annotate(
                str(row.run_id), (row.fitted, row.left), xytext=(4, 4), textcoords="offset points", fontsize=7.5
            )
        figure.suptitle(
            f"{label_of(fit.name)}: residuals of {use.n} prints, {_scatter(use)}",
            x=0.01,
            ha="left",
            fontsize=9,
            wrap=True,
        )
    return figure


def _scatter(fit: ResponseFit) -> str:
    """Say by how much runs scatter, and from what those of fits with groups are counted."""
    if fit.mixed is None:
        return f"{fit.df_resid:.3g} df, sd {fit.residual_sd:.3g}"
    parts = fit.mixed.standard_deviations
    between = " and ".join(f"{parts[name]:.3g} between {name.replace('_', ' ')}s" for name in fit.mixed.groups)
    return f"sd {fit.residual_sd:.3g} within {_groups(fit)}, {between}"


def _groups(fit: ResponseFit) -> str:
    assert fit.mixed is not None
    return " and ".join(f"{name.replace('_', ' ')}s" for name in fit.mixed.groups)
