"""Readings as files: CSV and Parquet with the same table, and one row a piece beside them."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import pandas as pd

from sharpset.errors import ReadingError
from sharpset.files import read_table, whole_file
from sharpset.readings.earlier import beside_table, earlier_table, without_pictures
from sharpset.readings.results import READING_COLUMNS, ScanReading
from sharpset.readings.uncertainty.feature_budget import BUDGET_COLUMNS

__all__ = [
    "budgets_table",
    "load_budgets",
    "load_readings",
    "pieces_table",
    "readings_table",
    "table_path",
    "write_readings",
]


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


def write_readings(
    readings: Sequence[ScanReading], path: Path | str, *, budget: bool = False, append: bool = False
) -> list[Path]:
    """Write ``NAME.csv``, ``NAME.parquet`` and ``NAME_pieces.csv``.

    Parameters
    ----------
    readings : sequence of ScanReading
    path : path of the CSV file; the others take its name.
    budget : bool
        Also write ``NAME_budget.csv``, the lines of every reading's uncertainty.
    append : bool
        Keep what stands in the files already, but for rows of pictures that were read anew.

    Returns
    -------
    list of Path
        The files written.

    Raises
    ------
    ReadingError
        If they cannot be written.
    """
    path = table_path(path)
    new = [readings_table(readings), pieces_table(readings)]
    if budget:
        new.append(budgets_table(readings))
    try:
        if append:
            new = _added(path, new, [reading.scan_id for reading in readings])
        path.parent.mkdir(parents=True, exist_ok=True)
        table, parquet, *more = beside_table(path)
        with whole_file(table) as place:
            new[0].to_csv(place, index=False, float_format="%.6g", lineterminator="\n")
        with whole_file(parquet) as place:
            new[0].to_parquet(place, index=False)
        files = [table, parquet]
        for content, file, digits in zip(new[1:], more, ("%.7g", "%.4g"), strict=False):
            with whole_file(file) as place:
                content.to_csv(place, index=False, float_format=digits, lineterminator="\n")
            files.append(file)
    except OSError as error:
        raise ReadingError(
            f"{path}: the readings cannot be written ({error.strerror}). Choose another --out."
        ) from error
    return files


def table_path(path: Path | str) -> Path:
    """Return where a table of readings is written: a CSV file.

    Raises
    ------
    ReadingError
        If it is a folder.
    """
    path = Path(path)
    if path.is_dir():
        raise ReadingError(f"{path}: this is a folder. Name the table to write, for example readings.csv.")
    return path if path.suffix.lower() == ".csv" else path.with_name(path.name + ".csv")


def _added(path: Path, new: list[pd.DataFrame], scan_ids: list[str]) -> list[pd.DataFrame]:
    """Return what stands in the files already, with the new rows below it."""
    table, _, *more = beside_table(path)
    files = [table, *more]
    found = [earlier_table(file) if n == 0 else _rows_in(file) for n, file in enumerate(files)]
    if len(new) < len(found) and found[-1] is not None:
        new = [*new, found[-1].iloc[:0]]
    both = []
    for old, rows in zip(found, new, strict=False):
        kept = None if old is None else without_pictures(old, scan_ids)
        both.append(rows if kept is None or kept.empty else _joined(kept, rows))
    return both


def _joined(kept: pd.DataFrame, rows: pd.DataFrame) -> pd.DataFrame:
    return kept if rows.empty else pd.concat([_like(kept, rows), rows], ignore_index=True)


def _like(kept: pd.DataFrame, rows: pd.DataFrame) -> pd.DataFrame:
    """Return rows from a file with the new rows' types: empty texts are texts, empty numbers numbers."""
    texts = [name for name in kept.columns if name in rows and rows[name].dtype == object]
    kept = kept.assign(**{name: kept[name].astype(object).where(kept[name].notna(), "") for name in texts})
    empty = [name for name in kept.columns if kept[name].isna().all()]
    return kept.assign(**{name: kept[name].astype(float) for name in empty})


def _rows_in(path: Path) -> pd.DataFrame | None:
    """Return a table beside that of the readings, None where there is none."""
    try:
        return earlier_table(path, needs=("scan_id",))
    except ReadingError:
        return None


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
            text = ("scan_id", "piece_id", "run_id", "feature_id", "kind", "formed", "flags")
            table = read_table(path, texts=text)
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


_ADDED = ("u_error", "taken")
"""Columns that tables of budgets of earlier versions lack."""


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
    missing = [name for name in BUDGET_COLUMNS if name not in table and name not in _ADDED]
    if missing:
        raise ReadingError(f"{path}: column {missing[0]} is missing; 'sharpset read --budget' writes it.")
    table["run_id"] = table["run_id"].fillna("")
    return table
