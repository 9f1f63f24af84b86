"""Readings: from rectified pictures to widths, diameters and verdicts with their uncertainty."""

from __future__ import annotations

from sharpset.readings.blur import EdgeSpread
from sharpset.readings.combining import combine_pieces, combine_readings
from sharpset.readings.feature_budget import FeatureBudget, difference
from sharpset.readings.frequency_response import FrequencyResponse
from sharpset.readings.looking import FeatureView, look_at
from sharpset.readings.quality import EdgeQuality
from sharpset.readings.reader import read_scan, read_scans
from sharpset.readings.results import READING_COLUMNS, PieceReading, Quantity, ScanReading
from sharpset.readings.roughness import EdgeRoughness
from sharpset.readings.shading import Shade
from sharpset.readings.tables import (
    budgets_table,
    load_budgets,
    load_readings,
    pieces_table,
    readings_table,
    write_readings,
)

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
