"""Two printers side by side: differences against the tolerance, deviations, limits, agreement."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FixedLocator, FuncFormatter, NullLocator
from numpy.typing import ArrayLike

from sharpset.errors import ReportError
from sharpset.plots.style import GREY, INK, new_figure, styled

if TYPE_CHECKING:
    from sharpset.comparison.agreement import Agreement
    from sharpset.comparison.printers import Comparison

__all__ = ["PRINTER_COLOURS", "draw_agreement", "draw_deviations", "draw_differences", "draw_limits"]

PRINTER_COLOURS = ("#2b7bba", "#b0541f")
"""First and second printer; markers differ as well."""
_MARKERS = ("o", "s")
_BAND = "#2b7bba"


def _size_axis(axes: Axes, sizes: list[float]) -> None:
    """Log axis of nominal sizes with plain numbers at the sizes that were printed, thinned where they crowd."""
    axes.set_xscale("log")
    shown: list[float] = []
    step = np.log(sizes[-1] / sizes[0]) / 9 if sizes[-1] > sizes[0] else 0.0
    for size in sizes:
        if not shown or np.log(size / shown[-1]) > step:
            shown.append(size)
    axes.xaxis.set_major_locator(FixedLocator(shown))
    axes.xaxis.set_major_formatter(FuncFormatter(lambda v, _: f"{v:.3g}"))
    axes.xaxis.set_minor_locator(NullLocator())
    axes.tick_params(axis="x", labelrotation=60, labelsize=8)
    axes.set_xlim(sizes[0] / 1.15, sizes[-1] * 1.15)
    axes.set_xlabel("nominal size / mm")


def _panels(comparison: Comparison, *, height: float) -> tuple[Figure, list[Axes], list[str]]:
    kinds = list(dict.fromkeys(comparison.verdict["kind"]))
    if not kinds:
        raise ReportError("the comparison has no kind of detail, so there is nothing to draw. Compare readings first.")
    figure = new_figure(1.2 + 2.7 * len(kinds), height)
    return figure, list(figure.subplots(1, len(kinds), sharey=True, squeeze=False)[0]), kinds


def draw_differences(comparison: Comparison) -> Figure:
    """Draw the difference of both printers' widths at every size against the tolerance.

    Parameters
    ----------
    comparison : Comparison

    Returns
    -------
    Figure
        A panel per kind: mean difference (first minus second printer) with its 95 % interval over print jobs, each
        interval alone; filled where the verdict is reached after the correction for many comparisons.
    """
    with styled():
        figure, panels, kinds = _panels(comparison, height=3.7)
        for axes, kind in zip(panels, kinds, strict=True):
            rows = comparison.verdict[(comparison.verdict["kind"] == kind) & comparison.verdict["nominal_mm"].notna()]
            tolerance = comparison.tolerance_mm
            axes.axhspan(-tolerance, tolerance, color=_BAND, alpha=0.10, zorder=0)
            axes.axhline(0, color=INK, linewidth=0.8)
            known = rows[rows["difference_mm"].notna()]
            for row in known.itertuples():
                decided = row.truer != "not yet decided"
                axes.errorbar(
                    row.nominal_mm,
                    row.difference_mm,
                    yerr=None if np.isnan(row.U95_difference_mm) else row.U95_difference_mm,
                    fmt="o",
                    markersize=5,
                    color=INK,
                    markerfacecolor=INK if decided else "white",
                    elinewidth=1.1,
                    capsize=2.5,
                )
            axes.set_title(kind)
            _size_axis(axes, sorted(rows["nominal_mm"]))
        _clip_wide(
            panels[0], comparison.verdict.dropna(subset=["nominal_mm", "difference_mm"]), comparison.tolerance_mm
        )
        panels[0].set_ylabel(f"{comparison.label_a} minus {comparison.label_b} / mm")
        figure.suptitle(
            f"Difference in width, {comparison.n_prints_a} and {comparison.n_prints_b} prints; bars: 95 % interval of "
            f"each alone;\nband: tolerance {comparison.tolerance_mm:g} mm; filled: decided after correction",
            x=0.01,
            ha="left",
            fontsize=9,
        )
    return figure


def _clip_wide(axes: Axes, known: pd.DataFrame, tolerance: float) -> None:
    """Keep one interval from very few prints from squashing all others, in panels that share their axis."""
    if known.empty:
        return
    reach = known["difference_mm"].abs() + known["U95_difference_mm"].fillna(0)
    limit = max(2.5 * tolerance, 1.3 * float(known["difference_mm"].abs().max()), 1.1 * float(reach.median()))
    low, high = axes.get_ylim()
    axes.set_ylim(max(low, -limit), min(high, limit))


def draw_deviations(comparison: Comparison) -> Figure:
    """Draw both printers' mean deviation from nominal at every size.

    Parameters
    ----------
    comparison : Comparison

    Returns
    -------
    Figure
        A panel per kind; bars are 95 % intervals over the print jobs of each printer, absent with one print job.
    """
    from scipy import stats

    with styled():
        figure, panels, kinds = _panels(comparison, height=3.6)
        labels = (comparison.label_a, comparison.label_b)
        for axes, kind in zip(panels, kinds, strict=True):
            rows = comparison.verdict[(comparison.verdict["kind"] == kind) & comparison.verdict["nominal_mm"].notna()]
            axes.axhline(0, color=INK, linewidth=0.8)
            for which, letter in enumerate("ab"):
                shift = (0.975, 1.025)[which]
                n = rows[f"n_{letter}"].to_numpy(float)
                with np.errstate(invalid="ignore", divide="ignore"):
                    half = stats.t.ppf(0.975, np.where(n > 1, n - 1, np.nan)) * rows[f"sd_{letter}_mm"] / np.sqrt(n)
                axes.errorbar(
                    rows["nominal_mm"] * shift,
                    rows[f"bias_{letter}_mm"],
                    yerr=np.nan_to_num(half),
                    fmt=_MARKERS[which],
                    markersize=4.5,
                    color=PRINTER_COLOURS[which],
                    elinewidth=1.1,
                    capsize=2,
                    label=labels[which],
                )
            axes.set_title(kind)
            _size_axis(axes, sorted(rows["nominal_mm"]))
        panels[0].set_ylabel("measured minus nominal / mm")
        handles, names = panels[0].get_legend_handles_labels()
        figure.legend(handles, names, loc="outside upper right", ncols=2)
        figure.suptitle("Deviation from nominal; bars: 95 % over print jobs", x=0.01, ha="left", fontsize=9)
    return figure


def draw_limits(comparison: Comparison) -> Figure:
    """Draw both printers' limits by kind.

    Parameters
    ----------
    comparison : Comparison

    Returns
    -------
    Figure
        A row per kind: the size that forms 90 % of the time and its bounds, each 95 % one-sided; no bounds with one
        print job.
    """
    limits = comparison.limits
    finite = limits[["a90_a_mm", "a90_b_mm"]].replace([np.inf], np.nan)
    if finite.isna().to_numpy().all():
        raise ReportError("neither printer has a limit within the sizes printed, so there is nothing to draw.")
    with styled():
        figure = new_figure(7.2, 1.3 + 0.75 * len(limits))
        axes: Axes = figure.subplots()
        labels = (comparison.label_a, comparison.label_b)
        for i, row in enumerate(limits.itertuples()):
            for which, letter in enumerate("ab"):
                value = getattr(row, f"a90_{letter}_mm")
                low, high = getattr(row, f"a90_{letter}_low_mm"), getattr(row, f"a90_{letter}_high_mm")
                y = i + (-0.15, 0.15)[which]
                if np.isfinite(low) and np.isfinite(high):
                    axes.plot([low, high], [y, y], color=PRINTER_COLOURS[which], linewidth=2.2)
                if np.isfinite(value):
                    axes.plot(value, y, _MARKERS[which], color=PRINTER_COLOURS[which], markersize=6)
                    text = f"  {value:.3f}" + (f", a90/95 {high:.3f}" if np.isfinite(high) else "")
                    axes.annotate(
                        text,
                        (max(value, high) if np.isfinite(high) else value, y),
                        va="center",
                        fontsize=7.5,
                        color=PRINTER_COLOURS[which],
                    )
        axes.set_yticks(range(len(limits)), list(limits["kind"]))
        axes.set_ylim(len(limits) - 0.5, -0.5)
        low, high = axes.get_xlim()
        axes.set_xlim(max(low, 0), high + 0.25 * (high - low))
        axes.set_xlabel("size / mm")
        for which, (label, n) in enumerate(zip(labels, (comparison.n_prints_a, comparison.n_prints_b), strict=True)):
            axes.plot([], [], _MARKERS[which], color=PRINTER_COLOURS[which], label=f"{label}, {n} prints")
        figure.legend(loc="outside upper right", ncols=2)
        figure.suptitle("Size that forms 90 % of the time; line: 95 % bounds", x=0.01, ha="left", fontsize=9)
    return figure


def draw_agreement(a: ArrayLike, b: ArrayLike, agreement: Agreement, *, labels: tuple[str, str], unit: str) -> Figure:
    """Draw differences against means of pairs, with bias and limits of agreement.

    Parameters
    ----------
    a, b : array_like of float, shape (n,)
    agreement : Agreement
        Of the same pairs.
    labels : (str, str)
    unit : str

    Returns
    -------
    Figure
        Shaded: 95 % intervals of the bias and of both limits.
    """
    x, y = np.asarray(a, float), np.asarray(b, float)
    with styled():
        figure = new_figure(6.4, 4.0)
        axes: Axes = figure.subplots()
        axes.plot((x + y) / 2, x - y, "o", color=INK, markersize=4.5, alpha=0.75)
        lines: list[tuple[str, float, float, float, Any]] = [
            ("bias", agreement.bias, agreement.bias_low, agreement.bias_high, "-"),
            ("upper limit", agreement.upper, agreement.upper_low, agreement.upper_high, "--"),
            ("lower limit", agreement.lower, agreement.lower_low, agreement.lower_high, "--"),
        ]
        for name, value, low, high, style in lines:
            axes.axhspan(low, high, color=_BAND, alpha=0.12, zorder=0)
            axes.axhline(value, color=PRINTER_COLOURS[0], linestyle=style, linewidth=1.2)
            axes.annotate(
                f"{name} {value:.3g}",
                (1.01, value),
                xycoords=("axes fraction", "data"),
                va="center",
                fontsize=8,
                annotation_clip=False,
            )
        axes.axhline(0, color=GREY, linewidth=0.8)
        axes.set_xlabel(f"mean of {labels[0]} and {labels[1]} / {unit}")
        axes.set_ylabel(f"{labels[0]} minus {labels[1]} / {unit}")
        axes.set_title(f"Agreement, n = {agreement.n} pairs; shaded: 95 % intervals")
    return figure
