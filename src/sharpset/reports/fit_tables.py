"""Tables of a fit report, as text."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd

from sharpset.brief import Brief
from sharpset.fits import Fit
from sharpset.plots.style import label_of
from sharpset.reports.compare_page import TextTable, as_text_table
from sharpset.reports.fit_figures import expected_table

__all__ = [
    "brief_table",
    "chance_table",
    "direction_text",
    "expected_text",
    "factor_table",
    "model_table",
    "sizes_table",
    "sizes_text",
    "term_table",
    "thicken_text",
]

Format = str | Callable[[Any], str]


def _number(digits: int) -> Callable[[Any], str]:
    return lambda value: "" if pd.isna(value) else (f"{value:.{digits}g}" if np.isfinite(value) else "not bounded")


def _mm(value: Any) -> str:
    return "" if pd.isna(value) else (f"{value:.3f}" if np.isfinite(value) else "not bounded")


def _p(value: Any) -> str:
    return "" if pd.isna(value) else ("< 0.001" if value < 0.001 else f"{value:.3f}")


def _percent(value: Any) -> str:
    return "" if pd.isna(value) else f"{100 * value:.0f} %"


def brief_table(brief: Brief) -> TextTable | None:
    """Return what the brief asks for."""
    rows = [
        {"what": f"smallest {kind}", "asked": f"{size:g} mm", "full": _full(brief, size)}
        for kind, size in brief.smallest_mm.items()
    ]
    rows.append({"what": "width, largest error either way", "asked": f"{brief.tolerance_mm.width:g} mm", "full": ""})
    if brief.tolerance_mm.edge_roughness is not None:
        text = f"{brief.tolerance_mm.edge_roughness:g} mm"
        rows.append({"what": "edge roughness (standard deviation), at most", "asked": text, "full": ""})
    if brief.limits.print_time_h is not None:
        rows.append({"what": "print time, at most", "asked": f"{brief.limits.print_time_h:g} h", "full": ""})
    columns: dict[str, tuple[str, Format]] = {"what": ("requirement", ""), "asked": ("on the print", "")}
    if brief.scale:
        columns["full"] = (f"at full size (1:{brief.scale:g})", "")
    return as_text_table(pd.DataFrame(rows), columns)


def _full(brief: Brief, size_mm: float) -> str:
    return f"{brief.full_size_mm(size_mm):.3g} mm" if brief.scale else ""


def factor_table(fit: Fit) -> TextTable | None:
    """Return the factors, what was tried of each, and the recommended setting."""
    rows = []
    for factor in fit.space.factors:
        tried = sorted(fit.runs[factor.name].unique())
        shown = ", ".join(f"{value:g}" if not isinstance(value, str) else value for value in tried)
        row = {"factor": factor.name.replace("_", " "), "unit": factor.unit, "tried": shown}
        if fit.best is not None:
            value = fit.best.settings[factor.name]
            row["recommended"] = value if isinstance(value, str) else f"{value:.4g}"
        rows.append(row)
    columns: dict[str, tuple[str, Format]] = {
        "factor": ("factor", ""),
        "unit": ("unit", ""),
        "tried": ("tried", ""),
        "recommended": ("recommended", ""),
    }
    return as_text_table(pd.DataFrame(rows), columns)


def sizes_table(readings: pd.DataFrame) -> pd.DataFrame:
    """Summarise readings by kind and nominal size, over all prints.

    Parameters
    ----------
    readings : pandas.DataFrame

    Returns
    -------
    pandas.DataFrame
        ``kind, nominal_mm, n, n_formed, deviation_mm`` (mean over formed features), ``sd_mm``,
        ``U95_mm`` (median), ``edge_roughness_mm`` (median).
    """
    rows = []
    for (kind, size), part in readings.groupby(["kind", "nominal_mm"], sort=True):
        formed = part[part["formed"] == "yes"]
        rough = formed["edge_roughness_mm"] if "edge_roughness_mm" in formed else pd.Series(dtype=float)
        rows.append(
            {
                "kind": kind,
                "nominal_mm": size,
                "n": len(part),
                "n_formed": len(formed),
                "deviation_mm": formed["deviation_mm"].mean(),
                "sd_mm": formed["deviation_mm"].std(ddof=1),
                "U95_mm": formed["U95_mm"].median(),
                "edge_roughness_mm": rough.median(),
            }
        )
    return pd.DataFrame(rows)


def sizes_text(readings: pd.DataFrame) -> TextTable | None:
    """Return the readings by kind and nominal size."""
    table = sizes_table(readings)
    columns: dict[str, tuple[str, Format]] = {
        "kind": ("kind", ""),
        "nominal_mm": ("drawn / mm", ".4g"),
        "n": ("features", "d"),
        "n_formed": ("formed", "d"),
        "deviation_mm": ("measured minus drawn / mm", _signed),
        "sd_mm": ("spread (sd) / mm", _mm),
        "U95_mm": ("U95 of one reading / mm", lambda value: "" if pd.isna(value) else f"{value:.4f}"),
        "edge_roughness_mm": ("edge roughness (sd) / mm", _mm),
    }
    return as_text_table(table, columns)


def _signed(value: Any) -> str:
    return "" if pd.isna(value) else f"{value:+.3f}"


def model_table(fit: Fit) -> TextTable | None:
    """Return one row per fitted response."""
    rows = []
    for name, full in fit.responses.items():
        use = full.predictor
        lack = use.lack_of_fit["p"].iloc[0] if use.lack_of_fit is not None and len(use.lack_of_fit) else np.nan
        rows.append(
            {
                "response": label_of(name),
                "formula": use.formula.partition("~")[2].strip(),
                "n": use.n,
                "df": use.df_resid,
                "sd": use.residual_sd,
                "r2": use.r2,
                "r2_predicted": use.r2_predicted,
                "lack": lack,
            }
        )
    columns: dict[str, tuple[str, Format]] = {
        "response": ("response", ""),
        "formula": ("model", ""),
        "n": ("prints", "d"),
        "df": ("df", _number(3)),
        "sd": ("print-to-print sd", _number(3)),
        "r2": ("R²", _number(2)),
        "r2_predicted": ("predicted R²", _number(2)),
        "lack": ("lack of fit, p", _p),
    }
    return as_text_table(pd.DataFrame(rows), columns)


def term_table(fit: Fit, name: str) -> TextTable | None:
    """Return the terms of one response or share with 95 % intervals, coded units."""
    terms = fit.shares[name].terms if name in fit.shares else fit.responses[name].predictor.terms
    columns: dict[str, tuple[str, Format]] = {
        "term": ("term", ""),
        "estimate": ("estimate", _number(4)),
        "se": ("standard error", _number(3)),
        "low": ("95 % from", _number(4)),
        "high": ("to", _number(4)),
        "p": ("p", _p),
    }
    return as_text_table(terms, columns)


def expected_text(fit: Fit) -> TextTable | None:
    """Return the predictions for one new print beside what the brief accepts."""
    table = expected_table(fit)
    if table.empty:
        return None
    table["response"] = [label_of(name) for name in table["response"]]
    columns: dict[str, tuple[str, Format]] = {
        "response": ("response", ""),
        "predicted": ("predicted", _number(4)),
        "low": ("95 % from", _number(4)),
        "high": ("to", _number(4)),
        "wanted_low": ("accepted from", _number(3)),
        "wanted_high": ("to", _number(3)),
    }
    return as_text_table(table, columns)


def chance_table(fit: Fit) -> TextTable | None:
    """Return the chance of each requirement at the recommended settings."""
    if fit.best is None:
        return None
    rows = [{"what": name, "chance": value} for name, value in fit.best.parts.items()]
    rows.append({"what": "all of them at once", "chance": fit.best.chance})
    rows.append({"what": "all of them, details drawn at their wanted size", "chance": fit.best.chance_as_drawn})
    strong = [False] * (len(rows) - 2) + [True, False]
    return as_text_table(
        pd.DataFrame(rows), {"what": ("requirement", ""), "chance": ("chance", _percent)}, strong=strong
    )


def thicken_text(fit: Fit) -> TextTable | None:
    """Return what to draw in CAD, by kind."""
    if fit.best is None or fit.best.thicken.empty:
        return None
    table = fit.best.thicken
    columns: dict[str, tuple[str, Format]] = {
        "kind": ("mm on the print", ""),
        "wanted_mm": ("wanted", _mm),
        "growth_mm": ("growth per side", _signed),
        "limit_mm": ("limit a90/95", _mm),
        "draw_mm": ("draw", _mm),
        "comes_out_mm": ("comes out", _mm),
    }
    if fit.brief is not None and fit.brief.scale:
        columns |= {
            "wanted_full_mm": ("wanted, full size", _number(3)),
            "comes_out_full_mm": ("comes out, full size", _number(3)),
        }
    columns["verdict"] = ("verdict", "")
    strong = [str(verdict) != "forms at the wanted size" for verdict in table["verdict"]]
    return as_text_table(table, columns, strong=strong)


def direction_text(fit: Fit) -> TextTable | None:
    """Return strips by direction: how far apart they are, and what to draw."""
    if fit.directions.empty:
        return None
    table = fit.directions.assign(
        ratio=[f"{r.limit_ratio:.2f} ({r.low_ratio:.2f} to {r.high_ratio:.2f})" for r in fit.directions.itertuples()],
        apart=[
            f"{round(r.growth_apart_mm, 3) + 0.0:+.3f} \u00b1 {r.U95_growth_apart_mm:.3f}"
            for r in fit.directions.itertuples()
        ],
    )
    columns: dict[str, tuple[str, Format]] = {
        "kind": ("mm on the print", ""),
        "angle_deg": ("runs along / degrees", "g"),
        "n_features": ("features", "d"),
        "ratio": ("limit over mean of directions (95 %)", ""),
        "apart": ("growth per side above it (95 %)", ""),
        "clear": ("clearly apart in", ""),
        "limit_mm": ("limit a90/95", _mm),
        "draw_mm": ("draw", _mm),
        "comes_out_mm": ("comes out", _mm),
        "verdict": ("verdict", ""),
    }
    strong = [str(clear) != "none" for clear in table["clear"]]
    return as_text_table(table, columns, strong=strong)
