"""Figures of a plan before anything is printed: how precise it is where, what it mixes up, what it would find."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.figure import Figure

from sharpset.plots.style import FORMED_COLOURS, GREY, INK, label_of, new_figure, styled, term_label

if TYPE_CHECKING:
    import pandas as pd

    from sharpset.plans import Plan

__all__ = ["draw_correlations", "draw_design_space", "draw_found"]

_LINES = ("-", "--", "-.", ":")


def draw_design_space(plans: Mapping[str, Plan], *, model: str | None = None) -> Figure:
    """Draw the fraction-of-design-space curves of plans.

    Parameters
    ----------
    plans : mapping of name to Plan
        At most four are easy to read.
    model : str, optional
        Each plan's own by default.

    Returns
    -------
    Figure
        The lower and the flatter a curve, the better the plan predicts, and the more evenly.
    """
    from sharpset.plans import design_space_curve

    with styled():
        figure = new_figure(5.6, 3.6)
        axes = figure.add_subplot()
        for k, (name, plan) in enumerate(plans.items()):
            curve = design_space_curve(plan, model)
            axes.plot(
                100 * curve["fraction"],
                curve["relative_se"],
                linestyle=_LINES[k % len(_LINES)],
                label=f"{name}, {plan.n_runs} prints",
            )
        axes.set_xlim(0, 100)
        axes.set_ylim(bottom=0)
        axes.set_xlabel("share of the region / %")
        axes.set_ylabel("standard error of a prediction\n/ scatter of one print")
        axes.legend(loc="upper left")
        axes.set_title(f"How well each plan predicts: {model or 'own'} model", loc="left", fontsize=9)
    return figure


def draw_correlations(plan: Plan, *, model: str = "quadratic") -> Figure:
    """Draw which effects a plan mixes up: correlations between the columns of a model.

    Parameters
    ----------
    plan : Plan
    model : str
        Usually one larger than the plan can fit.

    Returns
    -------
    Figure
        White: told apart without loss; the darker, the more of one effect is taken for the other.
    """
    from sharpset.plans import correlation_map

    table = correlation_map(plan, model).abs()
    names = [term_label(name) for name in table.columns]
    n = len(names)
    with styled():
        size = max(3.6, 0.27 * n + 1.9)
        figure = new_figure(size + 0.9, size)
        axes = figure.add_subplot()
        image = axes.imshow(table.to_numpy(dtype=float), cmap="Blues", vmin=0, vmax=1)
        axes.grid(False)
        axes.set_xticks(range(n), names, rotation=90, fontsize=7)
        axes.set_yticks(range(n), names, fontsize=7)
        for i, j in zip(*np.nonzero(np.triu(table.to_numpy(dtype=float) > 0.3, 1)), strict=True):
            value = table.iloc[i, j]
            axes.text(j, i, f"{value:.1f}", ha="center", va="center", fontsize=6, color="white" if value > 0.6 else INK)
        bar = figure.colorbar(image, ax=axes, shrink=0.8)
        bar.set_label("|correlation|")
        axes.set_title(f"{plan.design}, {plan.n_runs} prints: what is mixed up", loc="left", fontsize=9)
    return figure


def draw_found(effects: pd.DataFrame, *, response: str, n_repeats: int) -> Figure:
    """Draw how often a rehearsed plan found each effect of one response.

    Parameters
    ----------
    effects : pandas.DataFrame
        Of :func:`sharpset.dress_rehearsal.dress_rehearsal`.
    response : str
    n_repeats : int
        For the caption.

    Returns
    -------
    Figure
        Bars: the true effect of half the factor's range; beside each the share of the rehearsals that
        called it clear.
    """
    table = effects[effects["response"] == response]
    table = table.iloc[np.argsort(table["effect"].abs().to_numpy(), kind="stable")]
    names = [term_label(term) for term in table["term"]]
    with styled():
        figure = new_figure(6.2, 0.32 * len(table) + 1.3)
        axes = figure.add_subplot()
        colours = [FORMED_COLOURS["yes"] if real else GREY for real in table["real"]]
        axes.barh(range(len(table)), table["effect"], color=colours, height=0.6)
        axes.errorbar(
            table["effect"], range(len(table)), xerr=table["sd"], fmt="none", ecolor=INK, elinewidth=0.9, capsize=2
        )
        axes.set_yticks(range(len(table)), names)
        axes.axvline(0, color=INK, linewidth=0.8)
        axes.set_xlabel(f"change of {label_of(response)} for half the range")
        axes.grid(axis="y", visible=False)
        for i, share in enumerate(table["found"]):
            axes.text(
                1.02,
                i,
                f"{100 * share:.0f} %",
                transform=axes.get_yaxis_transform(),
                va="center",
                ha="left",
                fontsize=8,
            )
        axes.text(1.02, len(table) - 0.35, "found", transform=axes.get_yaxis_transform(), fontsize=8, color=GREY)
        axes.set_title(
            f"{n_repeats} rehearsals (invented); blue: really there; whiskers: ± sd of one experiment",
            loc="left",
            fontsize=9,
        )
    return figure
