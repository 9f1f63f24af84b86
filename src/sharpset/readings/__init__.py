"""Readings: from rectified pictures to widths, diameters and verdicts with their uncertainty."""

from __future__ import annotations

from sharpset.readings.blur import EdgeSpread
from sharpset.readings.reader import read_scan, read_scans
from sharpset.readings.results import READING_COLUMNS, PieceReading, Quantity, ScanReading
from sharpset.readings.tables import load_readings, pieces_table, readings_table, write_readings

__all__ = [
    "READING_COLUMNS",
    "EdgeSpread",
    "PieceReading",
    "Quantity",
    "ScanReading",
    "load_readings",
    "pieces_table",
    "read_scan",
    "read_scans",
    "readings_table",
    "write_readings",
]
