"""Control charts of a check piece, and the components of a gauge study."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from sharpset.plots.style import GREY, INK, label_of, new_figure, styled

if TYPE_CHECKING:
    from sharpset.comparison.drift import DriftChart
    from sharpset.comparison.gauge import GaugeStudy

__all__ = ["draw_drift_chart", "draw_gauge"]

_BLUE = "#2b7bba"
_ALARM = "#c0392b"
_WORDS = {
    "repeatability": "repeatability",
    "reproducibility": "reproducibility",
    "gauge": "whole measurement",
    "part": "between parts",
    "total": "total",
}


def draw_drift_chart(chart: DriftChart) -> Figure:
    """Draw individuals, moving range and EWMA of one response under one another.

    Parameters
    ----------
    chart : DriftChart

    Returns
    -------
    Figure
        Limits dashed, prints that set them shaded, signals marked by a red cross.
    """
    individuals, ewma = chart.individuals, chart.ewma
    points, average = individuals.points, ewma.points
    unit = " / mm" if chart.response.partition(":")[0].endswith("_mm") else ""
    with styled():
        figure = new_figure(7.6, 6.2)
        top, middle, bottom = figure.subplots(3, 1, sharex=True, height_ratios=[3, 1.6, 3])
        x = points["index"].to_numpy()
        top.plot(x, points["value"], "o-", color=INK, markersize=4, linewidth=0.9)
        _limits(top, individuals.centre, individuals.lower, individuals.upper)
        alarms = points["signal"].str.contains("sigma|side")
        top.plot(x[alarms], points.loc[alarms, "value"], "x", color=_ALARM, markersize=10, markeredgewidth=2)
        top.set_ylabel(f"single value{unit}")
        middle.plot(x, points["moving_range"], "o-", color=INK, markersize=3.5, linewidth=0.9)
        _limits(middle, individuals.mean_range, 0.0, individuals.range_upper)
        jumps = points["signal"].str.contains("moving range")
        middle.plot(x[jumps], points.loc[jumps, "moving_range"], "x", color=_ALARM, markersize=9, markeredgewidth=2)
        middle.set_ylabel(f"moving\nrange{unit}")
        bottom.plot(x, average["average"], "o-", color=_BLUE, markersize=4, linewidth=1.2)
        bottom.step(x, average["upper"], where="mid", color=GREY, linestyle="--", linewidth=1)
        bottom.step(x, average["lower"], where="mid", color=GREY, linestyle="--", linewidth=1)
        bottom.axhline(ewma.centre, color=GREY, linewidth=1)
        out = average["signal"] != ""
        bottom.plot(x[out], average.loc[out, "average"], "x", color=_ALARM, markersize=10, markeredgewidth=2)
        bottom.set_ylabel(f"EWMA, weight {ewma.weight:g}{unit}")
        bottom.set_xlabel("check piece, in the order printed")
        bottom.xaxis.set_major_locator(MaxNLocator(integer=True))
        for axes in (top, middle, bottom):
            axes.axvspan(0.5, chart.baseline + 0.5, color=_BLUE, alpha=0.07, zorder=0)
        name = chart.response.replace("_mm", "").replace("_", " ").replace(":", ", ")
        runs = f"mean run to a false alarm {individuals.run_length:.0f} (values) and {ewma.run_length:.0f} (EWMA)"
        seen = f"to see 1 sigma {individuals.run_length_1_sigma:.0f} and {ewma.run_length_1_sigma:.0f}"
        chance = f"either chart, false alarm within 20 prints: {100 * chart.false_alarm_20:.0f} %"
        figure.suptitle(
            f"{chart.printer}, {chart.material}: {name}{unit}, n = {len(x)}; shaded: the {chart.baseline} prints that "
            f"set the limits\n{runs}; {seen}\n{chance}",
            x=0.01,
            ha="left",
            fontsize=9,
        )
    return figure


def _limits(axes: Axes, centre: float, lower: float, upper: float) -> None:
    axes.axhline(centre, color=GREY, linewidth=1)
    for value in (lower, upper):
        axes.axhline(value, color=GREY, linewidth=1, linestyle="--")


def _quantity(value: str) -> str:
    """Return what was studied with its unit, as an axis says it."""
    if value == "deviation_mm":
        return "deviation from the drawn size / mm"
    return label_of(value)


def draw_gauge(study: GaugeStudy) -> Figure:
    """Draw the standard deviations of a gauge study with their 95 % intervals.

    Parameters
    ----------
    study : GaugeStudy

    Returns
    -------
    Figure
    """
    table = study.components
    with styled():
        figure = new_figure(7.0, 1.2 + 0.5 * len(table))
        axes: Axes = figure.subplots()
        y = np.arange(len(table))
        axes.barh(y, table["sd"], color=_BLUE, alpha=0.45, height=0.6)
        axes.errorbar(
            table["sd"],
            y,
            xerr=[np.maximum(table["sd"] - table["low"], 0), np.maximum(table["high"] - table["sd"], 0)],
            fmt="none",
            ecolor=INK,
            elinewidth=1.1,
            capsize=3,
        )
        axes.set_yticks(y, [_WORDS[c] for c in table["component"]])
        axes.invert_yaxis()
        axes.set_xlim(0, 1.25 * float(np.nanmax(table["high"])))
        for i, row in enumerate(table.itertuples()):
            text = f"  {row.percent_total:.0f} % of total"
            measurement = row.component not in ("part", "total")
            if measurement and np.isfinite(row.percent_tolerance):
                text += f", {row.percent_tolerance:.0f} % of tolerance"
            axes.annotate(text, (max(row.high, row.sd), i), va="center", fontsize=7.5)
        axes.set_xlabel(f"standard deviation of the {_quantity(study.value)}")
        axes.set_title(
            f"Gauge study: {study.n_parts} parts, {study.n_operators} operator{'s' if study.n_operators > 1 else ''}, "
            f"{study.n_trials} trials; bars: 95 %",
            fontsize=9,
        )
    return figure
