"""One feature as it was read: its pixels, the fitted profile with its residuals, and its uncertainty as bars."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from sharpset.plots.style import FORMED_COLOURS, GREY, INK, KIND_COLOURS, new_figure, plain, styled

if TYPE_CHECKING:
    from sharpset.readings.looking import FeatureView

__all__ = ["show_feature"]

_PRIVATE, _SHARED = "#2b7bba", "#b0541f"
_LEAST_SHARE = 0.02
_WORDS = {"yes": "formed", "partly": "partly formed", "no": "not formed"}


def show_feature(view: FeatureView) -> Figure:
    """Draw one feature as it was read.

    Parameters
    ----------
    view : FeatureView
        From `sharpset.readings.look_at`.

    Returns
    -------
    Figure
        Left the pixels with the drawn and the fitted outline; in the middle the mean profile, the model and what
        it leaves; right the lines of the budget, private and shared ones apart.
    """
    with styled():
        figure = new_figure(11.0, 4.4)
        axes: dict[str, Axes] = figure.subplot_mosaic(
            [["pixels", "profile", "budget"], ["pixels", "residual", "budget"]],
            width_ratios=[1.15, 1.35, 1.2],
            height_ratios=[2.6, 1.0],
        )
        size = f"{view.measured_mm:.4f} mm" if np.isfinite(view.measured_mm) else "no size"
        half = f" ± {view.budget.U95_mm:.4f}" if view.budget is not None else ""
        run = f", run {view.run_id}" if view.run_id else ""
        found = f"{_WORDS[view.formed]}, {size}{half}" if "refused" not in view.flags else "refused, no size"
        figure.suptitle(f"{view.feature_id} ({view.kind} {view.nominal_mm:g} mm{run}): {found}")
        _pixels(axes["pixels"], view)
        _profile(axes["profile"], axes["residual"], view)
        _budget(axes["budget"], view)
    return figure


def _pixels(axes: Axes, view: FeatureView) -> None:
    rows, columns = view.picture.shape
    box = (view.left_px - 0.5, view.left_px + columns - 0.5, view.top_px + rows - 0.5, view.top_px - 0.5)
    axes.imshow(view.picture, extent=box, cmap="gray", vmin=-0.1, vmax=1.1, interpolation="nearest")
    axes.plot(*_closed(view.nominal_px).T, color="white", linewidth=2.2)
    axes.plot(*_closed(view.nominal_px).T, color=GREY, linewidth=1.2, linestyle="--")
    handles = [Line2D([], [], color=GREY, linestyle="--", linewidth=1.2, label="drawn")]
    if len(view.fitted_px):
        axes.plot(*view.fitted_px.T, color=FORMED_COLOURS[view.formed], linewidth=1.6)
        handles.append(Line2D([], [], color=FORMED_COLOURS[view.formed], linewidth=1.6, label="fitted"))
    axes.set_title("pixels, share solid")
    plain(axes)
    axes.set_xlim(box[0], box[1])
    axes.set_ylim(box[2], box[3])
    axes.legend(handles=handles, loc="upper center", bbox_to_anchor=(0.5, -0.01), ncols=2)
    if view.flags:
        axes.set_xlabel(view.flags.replace(";", ", "), fontsize=8, labelpad=22)


def _closed(points: np.ndarray[Any, Any]) -> np.ndarray[Any, Any]:
    return points if np.allclose(points[0], points[-1]) else np.vstack((points, points[:1]))


def _profile(axes: Axes, below: Axes, view: FeatureView) -> None:
    table, colour = view.profile, KIND_COLOURS.get(view.kind, INK)
    d = table["distance_mm"].to_numpy()
    size = 4 + 14 * np.sqrt(table["n_pixels"] / table["n_pixels"].max())
    axes.plot(d, table["model"], color=INK, linewidth=1.2, label="model")
    axes.scatter(d, table["solid"], s=size, color=colour, label="mean of pixels", zorder=3, linewidths=0)
    axes.set_ylabel("share solid")
    axes.set_title("from the centre outwards" if view.kind == "hole" else "across the middle")
    axes.legend(loc="best")
    axes.tick_params(labelbottom=False)
    below.axhline(0, color=INK, linewidth=0.8)
    below.scatter(d, table["residual"], s=size, color=colour, linewidths=0)
    # Outermost bins hold few pixels: the scale is that of the bulk.
    reach = max(1.2 * float(np.quantile(np.abs(table["residual"]), 0.98)), 0.01)
    below.set_ylim(-reach, reach)
    below.set_ylabel("residual")
    below.set_xlabel("distance from the centre / mm" if view.kind == "hole" else "distance from the drawn middle / mm")
    below.sharex(axes)


def _budget(axes: Axes, view: FeatureView) -> None:
    axes.set_title("standard uncertainty / µm")
    if view.budget is None:
        plain(axes)
        axes.text(0.5, 0.5, "nothing was measured", ha="center", transform=axes.transAxes)
        return
    lines = view.budget.lines
    parts = lines.assign(private=lines["shared"] == "no", square=lines["u_mm"] ** 2)
    table = pd.DataFrame(
        {
            "private": parts[parts["private"]].groupby("line")["square"].sum(),
            "shared": parts[~parts["private"]].groupby("line")["square"].sum(),
        }
    ).fillna(0.0)
    total = float(np.hypot(view.budget.u_private_mm, view.budget.u_common_mm))
    both = np.sqrt(table.sum(axis=1))
    shown = table[both >= _LEAST_SHARE * total].assign(both=both).sort_values("both")
    rest = float(np.sqrt(table[both < _LEAST_SHARE * total].to_numpy().sum()))
    names = [*shown.index, "all lines"]
    private = [*np.sqrt(shown["private"]), view.budget.u_private_mm]
    shared = [*np.sqrt(shown["shared"]), view.budget.u_common_mm]
    place = np.arange(len(names)) + (np.arange(len(names)) == len(names) - 1) * 0.4
    axes.barh(place + 0.19, 1000 * np.array(private), height=0.36, color=_PRIVATE)
    axes.barh(place - 0.19, 1000 * np.array(shared), height=0.36, color=_SHARED)
    axes.set_yticks(place, names)
    axes.grid(axis="y", visible=False)
    axes.set_xlim(left=0)
    note = f"each below {1000 * _LEAST_SHARE * total:.2g}: {1000 * rest:.2g} together" if rest > 0 else ""
    axes.set_xlabel(note, fontsize=8)
    handles = [Patch(color=_PRIVATE, label="its own"), Patch(color=_SHARED, label="shared by the scan")]
    axes.legend(handles=handles, loc="lower right")
