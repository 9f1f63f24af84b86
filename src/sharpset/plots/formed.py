"""What formed: by kind and size on the prints, and as a fitted chance."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.colors import LinearSegmentedColormap
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from sharpset.errors import ReportError
from sharpset.plots.style import FORMED_COLOURS, GREY, INK, KIND_COLOURS, new_figure, styled
from sharpset.refusals import says_nothing

if TYPE_CHECKING:
    from sharpset.fits.formed import FormedFit
    from sharpset.fits.limits import Limit

__all__ = ["draw_formed_chart", "draw_formed_curves"]

_LONGEST_LADDER = 8.0

_SHARES = LinearSegmentedColormap.from_list("formed", [FORMED_COLOURS["no"], "#f7ead0", FORMED_COLOURS["yes"]])


def draw_formed_chart(
    readings: pd.DataFrame,
    *,
    wanted_mm: Mapping[str, float] | None = None,
    by: Literal["angle_deg", "run_id"] = "run_id",
    order: Sequence[Any] | None = None,
) -> Figure:
    """Draw which share of the features formed, per kind and size.

    Parameters
    ----------
    readings : pandas.DataFrame
        Columns ``kind, nominal_mm, formed`` and the one named by `by`; one row per feature.
    wanted_mm : mapping of kind to float, optional
        Smallest sizes of the brief; marked by a line.
    by : {'angle_deg', 'run_id'}
        What the rows of the chart are: directions on one piece, or runs.
    order : sequence, optional
        Order of the rows from the top; sorted by default.

    Returns
    -------
    Figure
        One panel per kind; each cell says how many of how many formed ('partly' is not formed). Refused readings that
        tell nothing of it count as neither.

    Raises
    ------
    ReportError
        If there is nothing to draw.
    """
    ladders = readings[readings["kind"].isin(KIND_COLOURS)]
    if "flags" in ladders:
        ladders = ladders[~says_nothing(ladders["flags"])]
    if "group" in ladders:
        ladders = ladders[~ladders["group"].isin(("marks", "round", "square", "scale-x", "scale-y"))]
    kinds = [kind for kind in KIND_COLOURS if kind in set(ladders["kind"])]
    if not kinds:
        raise ReportError("no slot, bar or hole was read, so there is nothing to chart. Read a stencil first.")
    rows = list(order) if order is not None else sorted(set(ladders[by]), key=_natural)
    with styled():
        n_sizes = [ladders.loc[ladders["kind"] == kind, "nominal_mm"].nunique() for kind in kinds]
        height = 1.5 + 0.24 * len(rows) + (0.5 if len(rows) < 4 else 0.0)
        figure = new_figure(1.4 + 0.42 * sum(n_sizes), height)
        panels = figure.subplots(1, len(kinds), sharey=True, squeeze=False, width_ratios=n_sizes)[0]
        for axes, kind in zip(panels, kinds, strict=True):
            _share_panel(axes, ladders[ladders["kind"] == kind], kind, by, rows, (wanted_mm or {}).get(kind))
        names = {"angle_deg": "direction", "run_id": "run"}
        panels[0].set_ylabel(names[by])
        panels[0].set_yticks(range(len(rows)), [f"{row:g}°" if by == "angle_deg" else str(row) for row in rows])
        figure.suptitle("Formed, of how many (blue all, red none); dashed: the brief's smallest", x=0.01, ha="left")
    return figure


def _natural(value: Any) -> tuple[str, float, str]:
    """Sort R2 before R10."""
    text = str(value)
    digits = "".join(character for character in text if character.isdigit())
    return text.rstrip("0123456789"), float(digits or 0), text


def _share_panel(axes: Axes, table: pd.DataFrame, kind: str, by: str, rows: list[Any], wanted_mm: float | None) -> None:
    table = table.assign(nominal_mm=table["nominal_mm"].round(6))
    sizes = sorted(table["nominal_mm"].unique())
    cells = table.assign(hit=(table["formed"] == "yes").astype(int))
    k, n = (
        cells.pivot_table(index=by, columns="nominal_mm", values="hit", aggfunc=count).reindex(
            index=rows, columns=sizes
        )
        for count in ("sum", "count")
    )
    share = (k / n).to_numpy(dtype=float)
    axes.imshow(share, cmap=_SHARES, vmin=0, vmax=1, aspect="auto")
    for i in range(len(rows)):
        for j in range(len(sizes)):
            if np.isfinite(share[i, j]):
                ink = "white" if share[i, j] in (0.0, 1.0) else INK
                text = f"{int(k.iloc[i, j])}/{int(n.iloc[i, j])}"
                axes.text(j, i, text, ha="center", va="center", color=ink, fontsize=6.5)
    axes.set_xticks(range(len(sizes)), [f"{size:g}" for size in sizes], rotation=90)
    axes.set_xlabel("drawn size / mm")
    axes.set_title(f"{kind}s", color=KIND_COLOURS[kind])
    axes.set_xticks(np.arange(len(sizes) + 1) - 0.5, minor=True)
    axes.set_yticks(np.arange(len(rows) + 1) - 0.5, minor=True)
    axes.grid(False)
    axes.grid(which="minor", color="white", linewidth=1.2)
    axes.tick_params(which="minor", length=0)
    axes.tick_params(axis="y", length=0)
    for spine in axes.spines.values():
        spine.set_visible(False)
    if wanted_mm is not None:
        place = np.interp(np.log(wanted_mm), np.log(sizes), np.arange(len(sizes)), left=-0.5, right=len(sizes) - 0.5)
        # The line stands to the left of the wanted size: this size and the ones after it have to form.
        axes.axvline(max(float(place) - 0.5, -0.5), color=INK, linestyle=(0, (4, 2)), linewidth=1.4)


def draw_formed_curves(
    fits: Mapping[str, FormedFit],
    limits: Mapping[str, Limit],
    settings: pd.DataFrame,
    *,
    wanted_mm: Mapping[str, float] | None = None,
) -> Figure:
    """Draw the fitted chance of forming against size at one setting, with limits.

    Parameters
    ----------
    fits : mapping of kind to FormedFit
    limits : mapping of kind to Limit
        At the same setting.
    settings : pandas.DataFrame, one row
        Natural units.
    wanted_mm : mapping of kind to float, optional
        Smallest sizes of the brief.

    Returns
    -------
    Figure
        One panel per kind: the curve, shares of all prints whatever their settings (grey), a90 and
        its 95 % upper bound a90/95.
    """
    from sharpset.fits.limits import formed_curve

    if not fits:
        raise ReportError("no kind of detail was fitted, so no curve can be drawn. Fit readings first.")
    with styled():
        figure = new_figure(3.3 * len(fits) + 0.4, 3.7)
        panels = figure.subplots(1, len(fits), sharey=True, squeeze=False)[0]
        for axes, (kind, fit) in zip(panels, fits.items(), strict=True):
            curve = formed_curve(fit, settings)
            colour = KIND_COLOURS.get(kind, INK)
            axes.semilogx(curve["size_mm"], curve["chance"], color=colour)
            shares = fit.counts.groupby("nominal_mm")[["n_formed", "n"]].sum()
            axes.scatter(shares.index, shares["n_formed"] / shares["n"], s=18, color=GREY, zorder=3)
            axes.axhline(0.9, color=GREY, linewidth=0.8, linestyle=":")
            told = _mark_limits(axes, limits.get(kind), colour)
            if wanted_mm and kind in wanted_mm:
                axes.axvline(wanted_mm[kind], color=INK, linestyle=(0, (4, 2)), linewidth=1.2)
            # Artefacts and marks are far wider than the ladder; the curve is flat there.
            sizes = [size for size in sorted(shares.index) if size <= _LONGEST_LADDER * min(shares.index)]
            _size_ticks(axes, sizes)
            axes.set_xlim(min(sizes) / 1.08, max(sizes) * 1.08)
            axes.set_xlabel("size / mm")
            axes.set_title(f"{kind}s, {fit.n_prints} prints\n{told}", color=colour, fontsize=9)
            axes.set_ylim(-0.03, 1.03)
        panels[0].set_ylabel("chance of forming")
        handles = [
            Line2D([], [], color=INK, label="fitted at the recommended settings"),
            Line2D(
                [],
                [],
                color=GREY,
                marker="o",
                linestyle="none",
                markersize=4.5,
                label="share of all prints, any settings",
            ),
            Line2D([], [], color=INK, marker="o", linestyle="none", label="a90"),
            Line2D([], [], color=INK, marker=">", linestyle="none", label="a90/95, the limit"),
            Line2D([], [], color=INK, linestyle=(0, (4, 2)), label="brief"),
        ]
        figure.legend(handles=handles, loc="outside lower left", ncols=5, fontsize=7.5)
    return figure


def _mark_limits(axes: Axes, limit: Limit | None, colour: str) -> str:
    """Draw a90 and a90/95 and return them in words."""
    if limit is None or not np.isfinite(limit.a90_mm):
        return "no limit from these prints"
    axes.plot(limit.a90_mm, 0.9, marker="o", color=colour, linestyle="none", zorder=4)
    if not np.isfinite(limit.a90_95_mm):
        return f"a90 {limit.a90_mm:.3g} mm, no upper bound"
    axes.plot([limit.a90_mm, limit.a90_95_mm], [0.9, 0.9], color=colour, linewidth=3, alpha=0.45)
    axes.plot(limit.a90_95_mm, 0.9, marker=">", color=colour, linestyle="none", zorder=4)
    return f"a90 {limit.a90_mm:.3g}, a90/95 {limit.a90_95_mm:.3g} mm"


def _size_ticks(axes: Axes, sizes: Sequence[float]) -> None:
    """Label the sizes of the ladder instead of powers of ten; labels keep a tenth of the axis apart."""
    low, high = (float(np.log(edge)) for edge in axes.get_xlim())
    shown: list[float] = []
    for size in sorted(sizes):
        if not shown or np.log(size / shown[-1]) >= 0.1 * (high - low):
            shown.append(size)
    axes.set_xticks(shown, [f"{size:g}" for size in shown], fontsize=7.5)
    axes.minorticks_off()
