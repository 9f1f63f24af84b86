"""Readings: from rectified pictures to widths, diameters and verdicts with their uncertainty.

Heavy modules are imported when one of their names is first used.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from sharpset.rooms import opened_when_asked

if TYPE_CHECKING:
    from sharpset.readings.batches import read_scans
    from sharpset.readings.combining import combine_pieces, combine_readings
    from sharpset.readings.edge_quality.frequency_response import FrequencyResponse
    from sharpset.readings.edge_quality.quality import EdgeQuality
    from sharpset.readings.edge_quality.roughness import EdgeRoughness
    from sharpset.readings.edges.blur import EdgeSpread
    from sharpset.readings.looking import FeatureView, look_at
    from sharpset.readings.quantity import Quantity
    from sharpset.readings.reader import read_scan
    from sharpset.readings.results import READING_COLUMNS, PieceReading, ScanReading
    from sharpset.readings.shade.shading import Shade
    from sharpset.readings.tables import (
        budgets_table,
        load_budgets,
        load_readings,
        pieces_table,
        readings_table,
        write_readings,
    )
    from sharpset.readings.uncertainty.feature_budget import FeatureBudget, difference

_HOME = {
    "EdgeQuality": "edge_quality.quality",
    "EdgeRoughness": "edge_quality.roughness",
    "EdgeSpread": "edges.blur",
    "FeatureBudget": "uncertainty.feature_budget",
    "FeatureView": "looking",
    "FrequencyResponse": "edge_quality.frequency_response",
    "PieceReading": "results",
    "Quantity": "quantity",
    "READING_COLUMNS": "results",
    "ScanReading": "results",
    "Shade": "shade.shading",
    "budgets_table": "tables",
    "combine_pieces": "combining",
    "combine_readings": "combining",
    "difference": "uncertainty.feature_budget",
    "load_budgets": "tables",
    "load_readings": "tables",
    "look_at": "looking",
    "pieces_table": "tables",
    "read_scan": "reader",
    "read_scans": "batches",
    "readings_table": "tables",
    "write_readings": "tables",
}

__all__ = [
    "READING_COLUMNS",
    "EdgeQuality",
    "EdgeRoughness",
    "EdgeSpread",
    "FeatureBudget",
    "FeatureView",
    "FrequencyResponse",
    "PieceReading",
    "Quantity",
    "ScanReading",
    "Shade",
    "budgets_table",
    "combine_pieces",
    "combine_readings",
    "difference",
    "load_budgets",
    "load_readings",
    "look_at",
    "pieces_table",
    "read_scan",
    "read_scans",
    "readings_table",
    "write_readings",
]

__getattr__, __dir__ = opened_when_asked(__name__, _HOME)
