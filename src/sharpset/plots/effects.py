"""Effects of the factors on a response."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from sharpset.errors import FitError, ReportError
from sharpset.plots.style import FORMED_COLOURS, GREY, INK, label_of, new_figure, styled, term_label

if TYPE_CHECKING:
    from sharpset.fits.surface import ResponseFit

__all__ = ["draw_effects", "draw_half_normal", "draw_main_effects"]

_BLUE = FORMED_COLOURS["yes"]


def draw_main_effects(
    fit: ResponseFit,
    runs: pd.DataFrame,
    *,
    at: Mapping[str, Any] | None = None,
    wanted: tuple[float, float] | None = None,
) -> Figure:
    """Draw a response against each factor, the other factors held.

    Parameters
    ----------
    fit : ResponseFit
    runs : pandas.DataFrame
        The runs with settings in natural units and the response's column.
    at : mapping of factor to setting, optional
        Where the other factors are held; the middle of their ranges by default.
    wanted : (low, high), optional
        What the brief accepts; shaded.

    Returns
    -------
    Figure
        One panel per factor: the model with its 95 % interval for the mean, and every run (grey),
        which was printed at other settings of the other factors as well.
    """
    base = {factor.name: _middle(factor, runs) for factor in fit.space.factors} | dict(at or {})
    with styled():
        n = len(fit.space.factors)
        n_columns = min(n, 4)
        n_rows = -(-n // n_columns)
        figure = new_figure(2.9 * n_columns + 0.4, 2.8 * n_rows + 0.5)
        panels = figure.subplots(n_rows, n_columns, sharey=True, squeeze=False).ravel()
        for axes, factor in zip(panels, fit.space.factors, strict=False):
            _factor_panel(axes, fit, runs, factor, base)
            if wanted is not None:
                axes.axhspan(*wanted, color=_BLUE, alpha=0.08, zorder=0)
        for axes in panels[n:]:
            axes.remove()
        for axes in panels[::n_columns]:
            axes.set_ylabel(label_of(fit.name))
        held = ", ".join(_said(factor, base[factor.name]) for factor in fit.space.factors)
        figure.suptitle(
            f"{label_of(fit.name)}: effect of each factor (others held at {held})",
            x=0.01,
            ha="left",
            fontsize=9,
            wrap=True,
        )
    return figure


def _said(factor: Any, value: Any) -> str:
    text = f"{value:.3g}" if isinstance(value, int | float | np.number) else str(value)
    return f"{factor.name.replace('_', ' ')} {text} {factor.unit or ''}".rstrip()


def _middle(factor: Any, runs: pd.DataFrame) -> Any:
    if factor.kind == "categorical":
        return runs[factor.name].mode().iloc[0]
    if factor.kind == "levels":
        return sorted(factor.levels)[len(factor.levels) // 2]
    return float(factor.decode([0.0])[0])


def _factor_panel(axes: Axes, fit: ResponseFit, runs: pd.DataFrame, factor: Any, base: Mapping[str, Any]) -> None:
    categorical = factor.kind == "categorical"
    values: list[Any] = list(factor.levels) if categorical else list(factor.decode(np.linspace(-1, 1, 41)))
    settings = pd.DataFrame([{**base, factor.name: value} for value in values])
    places = np.arange(len(values)) if categorical else np.asarray(values, dtype=float)
    observed = runs[factor.name].map({v: i for i, v in enumerate(values)}) if categorical else runs[factor.name]
    axes.scatter(observed, runs[fit.name], s=14, color=GREY, alpha=0.8, linewidths=0, zorder=2)
    try:
        told = fit.predict(settings)
    except FitError:
        means = runs.groupby(factor.name)[fit.name].mean()
        axes.plot(np.arange(len(means)) if categorical else means.index, means, marker="o", color=_BLUE)
    else:
        if categorical:
            low, high = told["predicted"] - told["mean_low"], told["mean_high"] - told["predicted"]
            axes.errorbar(places, told["predicted"], yerr=[low, high], fmt="o", color=_BLUE, capsize=3, zorder=3)
        else:
            axes.plot(places, told["predicted"], color=_BLUE, zorder=3)
            axes.fill_between(places, told["mean_low"], told["mean_high"], color=_BLUE, alpha=0.18, linewidth=0)
    if categorical:
        axes.set_xticks(places, [str(value) for value in values])
    axes.set_xlabel(label_of(factor.name, unit=factor.unit))
    axes.margins(x=0.06)


def draw_half_normal(fit: ResponseFit) -> Figure:
    """Draw the half-normal plot of an unreplicated plan with Lenth's margins of error.

    Raises
    ------
    ReportError
        If the fit was not judged by Lenth's method (it has an error estimate of its own then).
    """
    if fit.lenth is None:
        raise ReportError(f"{fit.name} was judged by its own error; draw its effects instead of a half-normal plot.")
    table = fit.lenth.to_frame()
    with styled():
        figure = new_figure(5.4, 4.0)
        axes = figure.add_subplot()
        real = table["size"] > fit.lenth.me
        for chosen, colour, name in ((~real, GREY, "within chance"), (real, _BLUE, "beyond the margin of error")):
            axes.scatter(table["size"][chosen], table["half_normal"][chosen], s=26, color=colour, label=name, zorder=3)
        for margin, name, dash in (
            (fit.lenth.me, "margin of error, one effect", (0, (4, 2))),
            (fit.lenth.sme, "all effects", ":"),
        ):
            if np.isfinite(margin):
                axes.axvline(margin, color=INK, linestyle=dash, linewidth=1.0, label=f"{name}: {margin:.3g}")
        for row in table[real].itertuples():
            axes.annotate(
                f"{term_label(str(row.term))} ({row.effect:+.3g})",
                (row.size, row.half_normal),
                xytext=(-5, 4),
                textcoords="offset points",
                ha="right",
                fontsize=8,
            )
        axes.set_xlim(left=0)
        axes.set_ylim(bottom=0)
        axes.margins(y=0.12)
        axes.set_xlabel(f"size of effect (low to high) on {label_of(fit.name)}")
        axes.set_ylabel("half-normal quantile")
        axes.set_title(f"Effects of {len(table)} terms, {fit.n} prints, 95 % margins (Lenth)")
        axes.legend(loc="upper left" if not real.any() else "lower right", fontsize=7.5)
    return figure


def draw_effects(fit: ResponseFit, *, n_shown: int = 12) -> Figure:
    """Draw the terms of a fit with their 95 % intervals, largest first.

    Parameters
    ----------
    fit : ResponseFit
    n_shown : int
        How many terms at most.

    Returns
    -------
    Figure
        Change of the response from the low to the high end of a factor is twice what is shown.
    """
    terms = fit.predictor.terms
    terms = terms[terms["term"] != "Intercept"]
    if terms.empty:
        raise ReportError(f"{fit.name}: the model has no terms but the mean, so there is no effect to draw.")
    terms = terms.reindex(terms["estimate"].abs().sort_values(ascending=False).index).head(n_shown)[::-1]
    with styled():
        figure = new_figure(5.4, 1.2 + 0.3 * len(terms))
        axes = figure.add_subplot()
        for place, row in enumerate(terms.itertuples()):
            known = np.isfinite(row.low) and np.isfinite(row.high)
            clear = known and row.low * row.high > 0
            colour = _BLUE if clear else GREY
            if known:
                axes.plot([row.low, row.high], [place, place], color=colour, linewidth=2)
            axes.plot(row.estimate, place, marker="o", color=colour, linestyle="none")
        axes.axvline(0, color=INK, linewidth=0.8)
        axes.set_yticks(range(len(terms)), [term_label(term) for term in terms["term"]])
        axes.set_ylim(-0.6, len(terms) - 0.4)
        axes.xaxis.set_major_locator(MaxNLocator(5))
        axes.set_xlabel(f"{label_of(fit.name)}, coefficient in coded units")
        axes.set_title(f"{fit.n} prints, 95 % intervals; blue: clear of zero")
    return figure
