"""Figures: what was found on a scan, what formed, effects, surfaces, chances, agreement, charts.

Every function returns a matplotlib Figure that needs no window; `save_figure` writes it. The modules
behind the names are opened when a name is first asked for.
"""

from __future__ import annotations

import importlib
from typing import Any

_HOMES = {
    "FORMED_COLOURS": "style",
    "KIND_COLOURS": "style",
    "draw_chance_map": "surfaces",
    "draw_effects": "effects",
    "draw_formed_chart": "formed",
    "draw_formed_curves": "formed",
    "draw_half_normal": "effects",
    "draw_main_effects": "effects",
    "draw_recommendation": "recommendation",
    "draw_residuals": "residuals",
    "draw_response_surface": "surfaces",
    "draw_scan_overlay": "overlay",
    "save_figure": "style",
}

__all__ = sorted(_HOMES)


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(importlib.import_module(f"sharpset.plots.{_HOMES[name]}"), name)
