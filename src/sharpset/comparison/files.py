"""What a comparison leaves in its folder: tables as CSV, numbers and remarks as JSON."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pandas as pd

from sharpset.errors import ComparisonError
from sharpset.files import whole_file

__all__ = ["save_tables"]


def save_tables(out: Path | str, *, tables: Mapping[str, pd.DataFrame], numbers: Mapping[str, Any], name: str) -> Path:
    """Write tables and numbers of a result into a folder.

    Parameters
    ----------
    out : path of a folder
        It is made where it does not exist.
    tables : mapping of str to DataFrame
        Each becomes ``<key>.csv``; empty ones are left out.
    numbers : mapping
        Goes into ``<name>.json``; unknown numbers become null, endless ones the text "inf".
    name : str

    Returns
    -------
    Path
        The folder.

    Raises
    ------
    ComparisonError
        If the folder cannot be written.
    """
    folder = Path(out)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for key, table in tables.items():
            if not table.empty:
                with whole_file(folder / f"{key}.csv") as place:
                    table.to_csv(place, index=False, lineterminator="\n")
        text = json.dumps({k: _plain(v) for k, v in numbers.items()}, indent=2, ensure_ascii=False, allow_nan=False)
        with whole_file(folder / f"{name}.json") as place:
            place.write_text(text + "\n", encoding="utf-8")
    except OSError as error:
        raise ComparisonError(f"{folder}: cannot be written ({error.strerror}). Choose another --out.") from error
    return folder


def _plain(value: Any) -> Any:
    if isinstance(value, bool | str | int) or value is None:
        return value
    if isinstance(value, list | tuple):
        return [_plain(v) for v in value]
    number = float(value)
    if math.isnan(number):
        return None
    return number if math.isfinite(number) else "inf"
