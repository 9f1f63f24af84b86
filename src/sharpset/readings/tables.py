"""Readings as files: CSV and Parquet with the same table, and one row a piece beside them."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import pandas as pd

from sharpset.errors import ReadingError
from sharpset.files import whole_file
from sharpset.readings.feature_budget import BUDGET_COLUMNS
from sharpset.readings.results import READING_COLUMNS, ScanReading

__all__ = ["budgets_table", "load_budgets", "load_readings", "pieces_table", "readings_table", "write_readings"]


def readings_table(readings: Sequence[ScanReading]) -> pd.DataFrame:
    """Return all features of all pieces of all scans, a row each."""
    frames = [reading.to_frame() for reading in readings]
    return pd.concat(frames, ignore_index=True) if frames else pd.DataFrame(columns=list(READING_COLUMNS))


def pieces_table(readings: Sequence[ScanReading]) -> pd.DataFrame:
    """Return the values of the whole pieces, a row a piece."""
    return pd.DataFrame([piece.to_row() for reading in readings for piece in reading.pieces])


def budgets_table(readings: Sequence[ScanReading]) -> pd.DataFrame:
    """Return the budgets of all readings as one long table, columns `BUDGET_COLUMNS`."""
    frames = [
        piece.contributions.assign(scan_id=piece.scan_id, run_id=piece.run_id)
        for reading in readings
        for piece in reading.pieces
    ]
    columns = list(BUDGET_COLUMNS)
    return pd.concat(frames, ignore_index=True)[columns] if frames else pd.DataFrame(columns=columns)


def write_readings(readings: Sequence[ScanReading], path: Path | str, *, budget: bool = False) -> list[Path]:
    """Write ``NAME.csv``, ``NAME.parquet`` and ``NAME_pieces.csv``.

    Parameters
    ----------
    readings : sequence of ScanReading
    path : path of the CSV file; the others take its name.
    budget : bool
        Also write ``NAME_budget.csv``, the lines of every reading's uncertainty.

    Returns
    -------
    list of Path
        The files written.

    Raises
    ------
    ReadingError
        If they cannot be written.
    """
    path = Path(path)
    if path.is_dir():
        raise ReadingError(f"{path}: this is a folder. Name the table to write, for example readings.csv.")
    if path.suffix.lower() != ".csv":
        path = path.with_name(path.name + ".csv")
    table, pieces = readings_table(readings), pieces_table(readings)
    files = [path, path.with_suffix(".parquet"), path.with_name(path.stem + "_pieces.csv")]
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with whole_file(files[0]) as place:
            table.to_csv(place, index=False, float_format="%.6g", lineterminator="\n")
        with whole_file(files[1]) as place:
            table.to_parquet(place, index=False)
        with whole_file(files[2]) as place:
            pieces.to_csv(place, index=False, float_format="%.7g", lineterminator="\n")
        if budget:
            files.append(path.with_name(path.stem + "_budget.csv"))
            with whole_file(files[-1]) as place:
                budgets_table(readings).to_csv(place, index=False, float_format="%.4g", lineterminator="\n")
    except OSError as error:
        raise ReadingError(
            f"{path}: the readings cannot be written ({error.strerror}). Choose another --out."
        ) from error
    return files


def load_readings(path: Path | str) -> pd.DataFrame:
    """Read a table of readings (CSV or Parquet).

    Raises
    ------
    ReadingError
        If the file is missing, is no table, or lacks a column of the contract.
    """
    path = Path(path)
    try:
        if path.suffix.lower() == ".parquet":
            table = pd.read_parquet(path)
        else:
            text = dict.fromkeys(("scan_id", "piece_id", "run_id", "feature_id", "kind", "formed", "flags"), str)
            table = pd.read_csv(path, dtype=text, keep_default_na=True)
    except OSError as error:
        raise ReadingError(f"{path}: cannot be read. 'sharpset read' writes such a table.") from error
    except ValueError as error:
        raise ReadingError(f"{path}: not a table of readings ({error}).") from error
    missing = [
        name for name in ("run_id", "feature_id", "kind", "nominal_mm", "formed", "measured_mm") if name not in table
    ]
    if missing:
        raise ReadingError(f"{path}: column {missing[0]} is missing; a table of readings from 'sharpset read' has it.")
    for name in ("flags", "run_id"):
        if name in table:
            table[name] = table[name].fillna("")
    return table


def load_budgets(path: Path | str) -> pd.DataFrame:
    """Read a table of budgets as `write_readings` writes it.

    Raises
    ------
    ReadingError
        If the file is missing or lacks a column.
    """
    path = Path(path)
    text = dict.fromkeys(("scan_id", "run_id", "feature_id", "line", "shared"), str)
    try:
        table = pd.read_csv(path, dtype=text)
    except OSError as error:
        raise ReadingError(f"{path}: cannot be read. 'sharpset read --budget' writes such a table.") from error
    except ValueError as error:
        raise ReadingError(f"{path}: not a table of budgets ({error}).") from error
    missing = [name for name in BUDGET_COLUMNS if name not in table]
    if missing:
        raise ReadingError(f"{path}: column {missing[0]} is missing; 'sharpset read --budget' writes it.")
    table["run_id"] = table["run_id"].fillna("")
    return table
