"""What is to be expected at the recommended settings, against what the brief asks."""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.figure import Figure

from sharpset.errors import ReportError
from sharpset.plots.style import FORMED_COLOURS, GREY, INK, label_of, new_figure, styled

__all__ = ["draw_recommendation"]


def draw_recommendation(expected: pd.DataFrame) -> Figure:
    """Draw predicted responses with their 95 % intervals for one new print.

    Parameters
    ----------
    expected : pandas.DataFrame
        One row per response: ``response, predicted, low, high`` and ``wanted_low, wanted_high`` (NaN
        where the brief sets no limit on that side).

    Returns
    -------
    Figure
        One strip per response, each on its own scale; the shaded part is what the brief accepts.
    """
    table = expected[np.isfinite(expected["predicted"])]
    if table.empty:
        raise ReportError("no response was predicted, so there is nothing to draw. Fit readings first.")
    with styled():
        figure = new_figure(7.6, 0.6 + 0.62 * len(table))
        strips = figure.subplots(len(table), 1, squeeze=False)[:, 0]
        for axes, row in zip(strips, table.itertuples(), strict=True):
            ends = [row.predicted, row.low, row.high, row.wanted_low, row.wanted_high]
            ends = [value for value in ends if np.isfinite(value)]
            span = max(max(ends) - min(ends), 1e-6)
            left, right = min(ends) - 0.15 * span, max(ends) + 0.15 * span
            asked = np.isfinite(row.wanted_low) or np.isfinite(row.wanted_high)
            if asked:
                low = row.wanted_low if np.isfinite(row.wanted_low) else left
                high = row.wanted_high if np.isfinite(row.wanted_high) else right
                axes.axvspan(low, high, color=FORMED_COLOURS["yes"], alpha=0.13, linewidth=0)
                inside = (not np.isfinite(row.wanted_low) or row.low >= row.wanted_low) and (
                    not np.isfinite(row.wanted_high) or row.high <= row.wanted_high
                )
                colour = FORMED_COLOURS["yes"] if inside else FORMED_COLOURS["no"]
            else:
                colour = GREY
            axes.plot([row.low, row.high], [0, 0], color=colour, linewidth=3.5, solid_capstyle="butt")
            axes.plot(row.predicted, 0, marker="o", color=colour, markersize=7, markeredgecolor="white")
            axes.set_xlim(left, right)
            axes.set_ylim(-1, 1)
            axes.set_yticks([0], [label_of(row.response)])
            axes.tick_params(axis="y", length=0)
            axes.ticklabel_format(axis="x", useOffset=False)
            axes.grid(axis="y", visible=False)
            axes.spines["left"].set_visible(False)
            axes.tick_params(axis="x", labelsize=7.5, colors=INK)
        figure.suptitle(
            "Expected of one new print: 95 % intervals; shaded: accepted by the brief; blue: the whole interval is",
            x=0.01,
            ha="left",
            fontsize=9,
        )
    return figure
