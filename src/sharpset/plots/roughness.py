"""Edge roughness and the frequency response of a scan."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from sharpset.errors import ReportError
from sharpset.plots.style import GREY, INK, KIND_COLOURS, new_figure, styled

if TYPE_CHECKING:
    from sharpset.readings.edge_quality.quality import EdgeQuality

__all__ = ["draw_edge_quality"]

_MEASURED, _EDGE, _PEAK = KIND_COLOURS["slot"], KIND_COLOURS["bar"], "#c0392b"
_AXES = {"x": KIND_COLOURS["slot"], "y": KIND_COLOURS["hole"]}


def draw_edge_quality(quality: EdgeQuality, *, title: str = "") -> Figure:
    """Draw the power spectrum of a piece's edges and the frequency response of its scan.

    Parameters
    ----------
    quality : EdgeQuality
    title : str

    Returns
    -------
    Figure

    Raises
    ------
    ReportError
        If neither could be measured.
    """
    if quality.roughness.spectrum.empty and quality.response.curves.empty:
        raise ReportError("neither roughness nor frequency response could be measured on this scan")
    with styled():
        figure = new_figure(10.0, 4.4)
        left, right = figure.subplots(1, 2)
        _spectrum(left, quality)
        _response(right, quality)
        if title:
            figure.suptitle(title, x=0.01, ha="left")
    return figure


def _spectrum(axes: Axes, quality: EdgeQuality) -> None:
    rough = quality.roughness
    axes.set_title("edge roughness: power spectrum")
    axes.set_xlabel("frequency / cycles per mm")
    axes.set_ylabel("power spectral density / µm² mm")
    table = rough.spectrum
    if table.empty:
        axes.text(0.5, 0.5, "too few long edges", ha="center", transform=axes.transAxes)
        return
    f = table["frequency_per_mm"].to_numpy()
    axes.loglog(f, 1e6 * table["measured_mm3"], color=_MEASURED, lw=1.0, label="measured")
    axes.loglog(f, 1e6 * table["model_mm3"], color=INK, lw=1.2, ls="--", label="model with blur and noise")
    own = table["edge_mm3"].where(table["edge_mm3"] > 0)
    axes.loglog(f, 1e6 * own, color=_EDGE, lw=0, marker=".", ms=4, label="edge itself, blur undone")
    if rough.peak_name:
        place = 1 / rough.peak_period_mm
        axes.axvline(place, ymax=0.72, color=_PEAK, lw=1.0)
        axes.annotate(
            rough.peak_name,
            (place, 0.72),
            xycoords=("data", "axes fraction"),
            xytext=(4, 0),
            textcoords="offset points",
            va="top",
            color=_PEAK,
            fontsize=8,
        )
    top = float(np.nanmax(1e6 * table["measured_mm3"]))
    axes.set_ylim(top * 1e-5, top * 200)
    lines = [f"standard deviation {1000 * rough.sd_mm:.2f} ± {1000 * rough.U95_sd_mm:.2f} µm"]
    if np.isfinite(rough.correlation_mm):
        lines.append(f"correlation length {rough.correlation_mm:.3f} ± {rough.U95_correlation_mm:.3f} mm")
    if rough.peak_name:
        lines.append(f"ripple of {1000 * rough.peak_amplitude_mm:.2f} µm")
    axes.text(0.02, 0.03, "\n".join(lines), transform=axes.transAxes, fontsize=8, va="bottom")
    axes.legend(loc="upper right")


def _response(axes: Axes, quality: EdgeQuality) -> None:
    response = quality.response
    axes.set_title("scan: spatial frequency response")
    axes.set_xlabel("frequency / cycles per mm")
    axes.set_ylabel("response")
    if response.curves.empty:
        axes.text(0.5, 0.5, "no slanted edge is usable", ha="center", transform=axes.transAxes)
        return
    for level in (0.5, 0.1):
        axes.axhline(level, color=GREY, lw=0.8, ls=":")
    for axis, curve in response.curves.groupby("direction"):
        fifty = response.mtf50_x if axis == "x" else response.mtf50_y
        axes.plot(
            curve["frequency_per_mm"],
            curve["response"],
            color=_AXES[str(axis)],
            label=f"along {axis}: 50 % at {fifty.value:.2f} ± {fifty.U95:.2f} cycles/mm",
        )
    nyquist = float(response.curves["frequency_per_mm"].max()) / 2
    axes.axvline(nyquist, color=GREY, lw=1.0)
    axes.annotate("Nyquist", (nyquist, 0.75), xytext=(3, 0), textcoords="offset points", fontsize=8, color=GREY)
    axes.set_ylim(0, 1.08)
    axes.set_xlim(0, None)
    axes.legend(loc="upper right")
