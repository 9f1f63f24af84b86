"""Figures of a fit report, by name."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import partial
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.figure import Figure
from numpy.typing import NDArray

from sharpset.errors import FitError, ReportError
from sharpset.fits import Fit
from sharpset.plots import (
    draw_chance_map,
    draw_effects,
    draw_formed_chart,
    draw_formed_curves,
    draw_half_normal,
    draw_main_effects,
    draw_recommendation,
    draw_residuals,
    draw_response_surface,
)

__all__ = ["RESPONSE_FIGURES", "WHOLE_FIGURES", "expected_table", "fit_figures", "key_responses", "wanted_range"]

_MOST_RESPONSES = 6
WHOLE_FIGURES = ("formed_chart", "formed_curves", "recommendation", "chance_map")
RESPONSE_FIGURES = ("effects_", "surface_", "terms_", "residuals_", "scan_")
"""How the names of figures of one response, or of one scan, begin."""


def key_responses(fit: Fit) -> list[str]:
    """Return the responses that get figures: those of the brief, else the first few."""
    if fit.brief is None:
        return list(fit.responses)[:_MOST_RESPONSES]
    wanted = [*_growth_responses(fit), "edge_roughness_mm", "print_time_h"]
    chosen = [name for name in wanted if name in fit.responses]
    return chosen or list(fit.responses)[:_MOST_RESPONSES]


def _growth_responses(fit: Fit) -> list[str]:
    """Return the responses that tell the growth of the brief's kinds at the brief's sizes."""
    if fit.brief is None:
        return []
    forecast = fit.forecast()
    names = [forecast.growth_name(kind) for kind in fit.brief.smallest_mm]
    return [name for name in names if name is not None]


def wanted_range(fit: Fit, name: str, *, predicted: float = float("nan")) -> tuple[float, float]:
    """Return what the brief accepts of a response; NaN on a side without a limit.

    Parameters
    ----------
    fit : Fit
    name : str
    predicted : float
        Growth may be anything that CAD allows for, so its range lies around the predicted value.
    """
    none = float("nan")
    brief = fit.brief
    if brief is None:
        return none, none
    if name in _growth_responses(fit):
        half = brief.tolerance_mm.width / 2
        return predicted - half, predicted + half
    if name.startswith("smallest_"):
        return none, brief.smallest_mm.get(name[len("smallest_") : -len("_mm")], none)
    upper = {"edge_roughness_mm": brief.tolerance_mm.edge_roughness, "print_time_h": brief.limits.print_time_h}
    top = upper.get(name)
    return none, none if top is None else top


def expected_table(fit: Fit) -> pd.DataFrame:
    """Return the predictions at the recommended settings beside what the brief accepts."""
    if fit.best is None:
        return pd.DataFrame(columns=["response", "predicted", "low", "high", "wanted_low", "wanted_high"])
    table = fit.best.predicted.copy()
    ranges = [wanted_range(fit, row.response, predicted=row.predicted) for row in table.itertuples()]
    table["wanted_low"] = [low for low, _ in ranges]
    table["wanted_high"] = [high for _, high in ranges]
    return table


def fit_figures(fit: Fit, *, readings: pd.DataFrame | None = None) -> dict[str, Figure]:
    """Draw every figure that a fit supports.

    Parameters
    ----------
    fit : Fit
    readings : pandas.DataFrame, optional
        Readings table that the fit was made from.

    Returns
    -------
    dict of str to Figure
        Keys such as ``effects_growth_slot_mm``; a figure that the data cannot support is left out.
    """
    at = _setting(fit)
    wanted_mm = dict(fit.brief.smallest_mm) if fit.brief is not None else {}
    figures: dict[str, Figure] = {}
    if readings is not None:
        figures["formed_chart"] = draw_formed_chart(readings, wanted_mm=wanted_mm, by="run_id")
    if fit.formed and fit.best is not None:
        chosen = {kind: model for kind, model in fit.formed.items() if not wanted_mm or kind in wanted_mm}
        figures["formed_curves"] = draw_formed_curves(
            chosen or fit.formed, _limits(fit), pd.DataFrame([at]), wanted_mm=wanted_mm
        )
    for name in key_responses(fit):
        figures |= _response_figures(fit, name, at)
    if fit.best is not None and len(fit.best.predicted):
        expected = expected_table(fit)
        asked = expected[["wanted_low", "wanted_high"]].notna().any(axis=1)
        figures["recommendation"] = draw_recommendation(expected[asked] if asked.any() else expected)
        figures |= _chance_figure(fit, at)
    return figures


def _setting(fit: Fit) -> dict[str, Any]:
    """Return the recommended settings, or the middle of what was tried."""
    if fit.best is not None:
        return dict(fit.best.settings)
    middle: dict[str, Any] = {}
    for factor in fit.space.factors:
        if factor.kind == "categorical":
            middle[factor.name] = fit.runs[factor.name].mode().iloc[0]
        elif factor.kind == "levels":
            middle[factor.name] = sorted(factor.levels)[len(factor.levels) // 2]
        else:
            middle[factor.name] = float(factor.decode([0.0])[0])
    return middle


def _limits(fit: Fit) -> dict[str, Any]:
    return {} if fit.best is None else {str(row.kind): row for row in fit.best.limits.itertuples()}


def _response_figures(fit: Fit, name: str, at: Mapping[str, Any]) -> dict[str, Figure]:
    response, predicts = fit.responses[name], fit.on_its_scale(name)
    _, top = wanted_range(fit, name)
    band = (0.0, top) if np.isfinite(top) else None
    marked = "middle of what was tried" if fit.best is None else "recommended"
    runs = fit.runs[fit.runs[name].notna()]
    drawings: dict[str, Callable[[], Figure]] = {
        "effects": partial(draw_main_effects, predicts, runs, at=at, wanted=band),
        "surface": partial(draw_response_surface, predicts, runs, at=at, wanted=band, marked=marked),
        "terms": partial(draw_half_normal if response.lenth is not None else draw_effects, response),
        "residuals": partial(draw_residuals, response, runs),
    }
    figures = {}
    for key, draw in drawings.items():
        try:
            figures[f"{key}_{name}"] = draw()
        except (FitError, ReportError):
            # Not every plan supports every figure: one numeric factor has no surface, a full model no residuals, and
            # a number that stands in the model as a category has no values between its levels.
            continue
    return figures


def _chance_figure(fit: Fit, at: Mapping[str, Any]) -> dict[str, Figure]:
    forecast, region = fit.forecast(), fit.region()

    def chance(settings: pd.DataFrame) -> NDArray[np.float64]:
        return np.where(region.inside(settings), forecast.chances(settings).met, np.nan)

    try:
        return {"chance_map": draw_chance_map(chance, fit.space, fit.runs, at=at)}
    except ReportError:
        return {}
