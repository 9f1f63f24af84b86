"""Figures: what was found on a scan, what formed, effects, surfaces, chances, agreement, charts.

Every function returns a matplotlib Figure that needs no window; `save_figure` writes it. The modules
behind the names are opened when a name is first asked for.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from sharpset.rooms import opened_when_asked

if TYPE_CHECKING:
    from sharpset.plots.agreement import draw_agreement, draw_deviations, draw_differences, draw_limits
    from sharpset.plots.charts import draw_drift_chart, draw_gauge
    from sharpset.plots.designs import draw_correlations, draw_design_space, draw_found
    from sharpset.plots.effects import draw_effects, draw_half_normal, draw_main_effects
    from sharpset.plots.feature import show_feature
    from sharpset.plots.formed import draw_formed_chart, draw_formed_curves
    from sharpset.plots.moulds import draw_budget, draw_cure
    from sharpset.plots.overlay import draw_scan_overlay
    from sharpset.plots.overlay_files import write_overlays
    from sharpset.plots.readings_view import ReadingsView, view_readings
    from sharpset.plots.recommendation import draw_recommendation
    from sharpset.plots.residuals import draw_residuals
    from sharpset.plots.roughness import draw_edge_quality
    from sharpset.plots.style import FORMED_COLOURS, KIND_COLOURS, save_figure
    from sharpset.plots.surfaces import draw_chance_map, draw_response_surface

__all__ = [
    "FORMED_COLOURS",
    "KIND_COLOURS",
    "ReadingsView",
    "draw_agreement",
    "draw_budget",
    "draw_chance_map",
    "draw_correlations",
    "draw_cure",
    "draw_design_space",
    "draw_deviations",
    "draw_differences",
    "draw_drift_chart",
    "draw_edge_quality",
    "draw_effects",
    "draw_formed_chart",
    "draw_formed_curves",
    "draw_found",
    "draw_gauge",
    "draw_half_normal",
    "draw_limits",
    "draw_main_effects",
    "draw_recommendation",
    "draw_residuals",
    "draw_response_surface",
    "draw_scan_overlay",
    "save_figure",
    "show_feature",
    "view_readings",
    "write_overlays",
]

_HOMES = {
    "agreement": ("draw_agreement", "draw_deviations", "draw_differences", "draw_limits"),
    "charts": ("draw_drift_chart", "draw_gauge"),
    "designs": ("draw_correlations", "draw_design_space", "draw_found"),
    "effects": ("draw_effects", "draw_half_normal", "draw_main_effects"),
    "feature": ("show_feature",),
    "formed": ("draw_formed_chart", "draw_formed_curves"),
    "moulds": ("draw_budget", "draw_cure"),
    "overlay": ("draw_scan_overlay",),
    "overlay_files": ("write_overlays",),
    "readings_view": ("ReadingsView", "view_readings"),
    "recommendation": ("draw_recommendation",),
    "residuals": ("draw_residuals",),
    "roughness": ("draw_edge_quality",),
    "style": ("FORMED_COLOURS", "KIND_COLOURS", "save_figure"),
    "surfaces": ("draw_chance_map", "draw_response_surface"),
}
_HOME_OF = {name: home for home, names in _HOMES.items() for name in names}

__getattr__, __dir__ = opened_when_asked(__name__, _HOME_OF)
