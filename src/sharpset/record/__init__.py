"""The record: printers, materials, prints, scans, readings, fits and recipes, kept so that nothing is lost.

Entries are never changed or removed: a correction is a new entry that points to the old one. The record
lies in a SQLite file, or in PostgreSQL for a workshop with several benches.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from sharpset.rooms import opened_when_asked

if TYPE_CHECKING:
    from sharpset.record.cards import RecipeCard, ReprintSheet, recipe_card, reprint_sheet
    from sharpset.record.checking import CheckReport, Finding
    from sharpset.record.entries import DetailLimit, Entry, Ref
    from sharpset.record.exchange import ExportReport
    from sharpset.record.files import FileRef
    from sharpset.record.fitfolder import add_fit_folder
    from sharpset.record.merging import ImportReport
    from sharpset.record.safety import restore_record
    from sharpset.record.series import PrintSeries, series_of_prints
    from sharpset.record.store import Record, open_record

__all__ = [
    "CheckReport",
    "DetailLimit",
    "Entry",
    "ExportReport",
    "FileRef",
    "Finding",
    "ImportReport",
    "PrintSeries",
    "RecipeCard",
    "Record",
    "Ref",
    "ReprintSheet",
    "add_fit_folder",
    "open_record",
    "recipe_card",
    "reprint_sheet",
    "restore_record",
    "series_of_prints",
]

_HOME = {
    "CheckReport": "checking",
    "DetailLimit": "entries",
    "Entry": "entries",
    "ExportReport": "exchange",
    "FileRef": "files",
    "Finding": "checking",
    "ImportReport": "merging",
    "RecipeCard": "cards",
    "Record": "store",
    "Ref": "entries",
    "ReprintSheet": "cards",
    "add_fit_folder": "fitfolder",
    "open_record": "store",
    "recipe_card": "cards",
    "reprint_sheet": "cards",
    "restore_record": "safety",
    "PrintSeries": "series",
    "series_of_prints": "series",
}

__getattr__, __dir__ = opened_when_asked(__name__, _HOME)
