"""Reports: the page of a fit, comparisons, recipe cards, as HTML and PDF.

The modules behind the names are opened when a name is first asked for.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from sharpset.rooms import opened_when_asked

if TYPE_CHECKING:
    from sharpset.reports.card import write_recipe_card, write_reprint_sheet
    from sharpset.reports.compare import (
        write_comparison_report,
        write_drift_report,
        write_gauge_report,
    )
    from sharpset.reports.fit_report import FitPage, fit_page, write_fit_report
    from sharpset.reports.masters import write_cure_report, write_mould_report
    from sharpset.reports.terminal import fit_text

__all__ = [
    "FitPage",
    "fit_page",
    "fit_text",
    "write_comparison_report",
    "write_cure_report",
    "write_drift_report",
    "write_fit_report",
    "write_gauge_report",
    "write_mould_report",
    "write_recipe_card",
    "write_reprint_sheet",
]

_HOMES = {
    "card": ("write_recipe_card", "write_reprint_sheet"),
    "compare": (
        "write_comparison_report",
        "write_drift_report",
        "write_gauge_report",
    ),
    "fit_report": ("FitPage", "fit_page", "write_fit_report"),
    "masters": ("write_cure_report", "write_mould_report"),
    "terminal": ("fit_text",),
}
_HOME_OF = {name: home for home, names in _HOMES.items() for name in names}

__getattr__, __dir__ = opened_when_asked(__name__, _HOME_OF)
