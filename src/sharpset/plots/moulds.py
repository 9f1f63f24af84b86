"""Figures of masters and moulds: what a mould cure changed, which details of the prototype form."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from matplotlib.figure import Figure

from sharpset.errors import ReportError
from sharpset.plots.style import FORMED_COLOURS, GREY, INK, KIND_COLOURS, new_figure, styled

if TYPE_CHECKING:
    from sharpset.comparison.cure import CureCheck
    from sharpset.comparison.details import DetailBudget

__all__ = ["draw_budget", "draw_cure"]


def draw_cure(check: CureCheck) -> Figure:
    """Draw the change of width by kind with its 95 % interval; shaded: what the maker accepts.

    Raises
    ------
    ReportError
        If no kind was read before and after.
    """
    rows = check.changes[check.changes["nominal_mm"].isna() & np.isfinite(check.changes["change_mm"])]
    if rows.empty:
        raise ReportError("no kind of detail was read both before and after. Read the same masters twice.")
    with styled():
        figure = new_figure(6.6, 1.3 + 0.42 * len(rows))
        axes = figure.add_subplot()
        axes.axvspan(-check.tolerance_mm, check.tolerance_mm, color=FORMED_COLOURS["yes"], alpha=0.13, linewidth=0)
        axes.axvline(0, color=INK, linewidth=0.8)
        for place, row in enumerate(rows.itertuples()):
            colour = KIND_COLOURS.get(row.kind, INK)
            axes.plot([row.low_mm, row.high_mm], [place, place], color=colour, linewidth=2.2)
            axes.plot([row.change_mm], [place], "o", color=colour)
        axes.set_yticks(range(len(rows)), [f"{kind}s" for kind in rows["kind"]])
        axes.set_ylim(len(rows) - 0.4, -0.6)
        axes.grid(False, axis="y")
        axes.set_xlabel("change of width, after minus before / mm (lines: 95 %)")
        masters = f"{check.n_masters} master{'s' * (check.n_masters != 1)}"
        axes.set_title(f"Change in the mould cure, {masters}; shaded: tolerance {check.tolerance_mm:g} mm")
    return figure


def draw_budget(budget: DetailBudget) -> Figure:
    """Draw every detail's size on the master, true to scale and as it must be printed, and the limit of its kind.

    Raises
    ------
    ReportError
        If there is no detail.
    """
    table = budget.details
    if table.empty:
        raise ReportError("there is no detail to draw. Name one or more.")
    printed = table["thicken_to_mm"].fillna(table["master_mm"])
    places = np.arange(len(table))
    with styled():
        figure = new_figure(7.2, 1.5 + 0.32 * len(table))
        axes = figure.add_subplot()
        shades = {"no": FORMED_COLOURS["no"], "yes": FORMED_COLOURS["yes"]}
        colours = [shades.get(forms, GREY) for forms in table["forms"]]
        axes.hlines(places, table["master_mm"], printed, color=colours)
        # What comes out when it is drawn at its limit: growth lies between what is drawn and what is printed.
        smallest = table["master_mm"] - table["spare_mm"]
        axes.plot(smallest, places, "|", color=INK, markersize=15, label="smallest that forms")
        axes.scatter(printed, places, color=colours, zorder=3)
        thin = table["forms"].to_numpy() == "no"
        axes.scatter(
            table["master_mm"][thin], places[thin], facecolor="white", edgecolor=FORMED_COLOURS["no"], zorder=4
        )
        axes.scatter([], [], color=FORMED_COLOURS["yes"], label="forms, true to scale")
        axes.scatter([], [], facecolor="white", edgecolor=FORMED_COLOURS["no"], label="does not form, true to scale")
        axes.scatter([], [], color=FORMED_COLOURS["no"], label="thickened to")
        if (table["forms"] == "unknown").any():
            axes.scatter([], [], color=GREY, label="no limit known")
        axes.set_yticks(places, [f"{name} ({kind})" for name, kind in zip(table["name"], table["kind"], strict=True)])
        axes.set_ylim(len(table) - 0.4, -0.6)
        axes.set_xlabel("size on the master / mm")
        axes.set_title("Which details form, and what must be thickened")
        figure.legend(loc="outside lower center", ncols=3)
    return figure
