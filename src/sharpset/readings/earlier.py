"""What a table of readings that is written anew held before: kept, added to, never lost."""

from __future__ import annotations

import shutil
from collections.abc import Iterable
from pathlib import Path

import pandas as pd

from sharpset.errors import ReadingError
from sharpset.files import read_table

__all__ = ["beside_table", "earlier_table", "lost_scans", "set_aside", "without_pictures"]

_TEXTS = ("scan_id", "piece_id", "run_id", "feature_id", "kind", "formed", "flags", "remarks", "line", "shared")


def beside_table(path: Path) -> tuple[Path, Path, Path, Path]:
    """Return the four files of a table of readings: CSV, Parquet, values of pieces, budget."""
    return (
        path,
        path.with_suffix(".parquet"),
        path.with_name(path.stem + "_pieces.csv"),
        path.with_name(path.stem + "_budget.csv"),
    )


def earlier_table(path: Path, *, needs: tuple[str, ...] = ("scan_id", "feature_id")) -> pd.DataFrame | None:
    """Return the table of readings that lies in a file; None where there is no file or nothing in it.

    Raises
    ------
    ReadingError
        If the file is another one, which must not be written over.
    """
    if not path.is_file() or path.stat().st_size == 0:
        return None
    try:
        table = read_table(path, texts=_TEXTS)
    except (OSError, ValueError) as error:
        raise ReadingError(
            f"{path}: there is a file of this name already and it is no table of readings ({error}). "
            "Choose another --out."
        ) from error
    missing = [name for name in needs if name not in table]
    if missing:
        raise ReadingError(
            f"{path}: there is a file of this name already and it is no table of readings, it has no column "
            f"{missing[0]}. Choose another --out."
        )
    return table


def _pictures(scan_id: object) -> set[str]:
    """Return the pictures of a scan or of scans put together, by what is in the file: a renamed file is the same."""
    return {part.rpartition("-")[2] for part in str(scan_id).split("+")}


def without_pictures(table: pd.DataFrame, scan_ids: Iterable[str]) -> pd.DataFrame:
    """Return the rows of a table that rest on none of the pictures of the scans."""
    read = set().union(*(_pictures(scan_id) for scan_id in scan_ids))
    return table[[not _pictures(scan_id) & read for scan_id in table["scan_id"]]]


def lost_scans(before: pd.DataFrame, after: Iterable[str]) -> list[str]:
    """Return the scans of a table of which a picture is in none of the scans that will stand there instead."""
    there = set().union(*(_pictures(scan_id) for scan_id in after))
    return [str(name) for name in dict.fromkeys(before["scan_id"]) if not _pictures(name) <= there]


def set_aside(path: Path, *, copy: bool) -> Path:
    """Rename or copy a table and the files beside it to names that are free; return the table's new name.

    Raises
    ------
    OSError
    """
    number = 1
    while True:
        aside = path.with_name(f"{path.stem}_earlier{'' if number == 1 else f'-{number}'}{path.suffix}")
        pairs = list(zip(beside_table(path), beside_table(aside), strict=True))
        if not any(new.exists() for _, new in pairs):
            break
        number += 1
    for old, new in pairs:
        if old.exists():
            shutil.copy2(old, new) if copy else old.rename(new)
    return aside
