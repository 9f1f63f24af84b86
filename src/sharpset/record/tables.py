"""Tables of readings: checked, packed into one value, unpacked, summed up by kind and size.

One scan's readings are always wanted together, so they are kept as one packed value, and what is
searched for stands beside it in small indexed tables. The packing is JSON by columns under zlib:
of the forms tried on a table of 200 features (Parquet and Arrow with zstd, CSV with zlib) it was
the smallest, it gives every number back bit by bit, and any language will read it decades from now.
"""

from __future__ import annotations

import hashlib
import json
import math
import zlib
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, Literal, get_args

from sharpset.errors import RecordError
from sharpset.record.codes import to_json
from sharpset.refusals import NOT_WHOLE, refusal

if TYPE_CHECKING:
    import pandas as pd

__all__ = [
    "COLUMNS",
    "COUNTED",
    "LONGEST_KIND",
    "Counted",
    "check_readings",
    "check_sizes",
    "pack_table",
    "size_rows",
    "smallest_formed_mm",
    "table_digest",
    "unpack_columns",
    "unpack_table",
]

_TEXT = ("scan_id", "piece_id", "run_id", "feature_id", "kind", "formed", "flags")
_NUMBERS = (
    "nominal_mm",
    "angle_deg",
    "measured_mm",
    "U95_mm",
    "deviation_mm",
    "x_dev_mm",
    "y_dev_mm",
    "edge_roughness_mm",
)
COLUMNS = (
    "scan_id",
    "piece_id",
    "run_id",
    "feature_id",
    "kind",
    "nominal_mm",
    "angle_deg",
    "formed",
    "measured_mm",
    "U95_mm",
    "deviation_mm",
    "x_dev_mm",
    "y_dev_mm",
    "edge_roughness_mm",
    "flags",
)
"""Columns of a table of readings, in their order; further columns follow them."""

LONGEST_KIND = 32
_NEEDED = ("feature_id", "kind", "nominal_mm", "formed", "measured_mm")
_FORMED = ("yes", "no", "partly")
_OTHER_UNIT = 6.0


def _as_text(value: Any) -> str:
    if value is None or value != value:
        return ""
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    return str(value)


def _numbers(column: pd.Series, *, name: str, where: str) -> pd.Series:
    import numpy as np
    import pandas as pd

    if column.dtype.kind in "if" and np.isfinite(column.dropna().to_numpy(float)).all():
        return column.astype("float64")
    column = column.astype(object)
    numbers = pd.to_numeric(column.replace("", None), errors="coerce").astype(float)
    bad = (numbers.isna() & column.notna() & (column.astype(str).str.strip() != "")) | np.isinf(numbers)
    if bad.any():
        row = int(np.flatnonzero(bad.to_numpy())[0])
        raise RecordError(
            f"{where}: column {name}, row {row + 1}: {column.iloc[row]!r} is not a number. Mend the table."
        )
    return numbers


def check_readings(readings: pd.DataFrame, *, where: str = "readings") -> pd.DataFrame:
    """Return a table of readings in the record's form.

    Parameters
    ----------
    readings : DataFrame
        Needs the columns feature_id, kind, nominal_mm, formed, measured_mm; the other columns of
        a table of readings are filled with empty values, further columns are kept.
    where : str
        Name of the table for error messages.

    Returns
    -------
    DataFrame
        The columns of `COLUMNS` first, lengths in mm, text columns without missing values.

    Raises
    ------
    RecordError
        If a column is missing, a number is none, or ``formed`` is not yes, no or partly.
    """
    import pandas as pd

    missing = [name for name in _NEEDED if name not in readings.columns]
    if missing:
        raise RecordError(f"{where}: column {missing[0]!r} is missing; a table of readings has {', '.join(COLUMNS)}.")
    if readings.empty:
        raise RecordError(f"{where}: the table has no rows. Read the scan again.")
    twice = readings.columns[readings.columns.duplicated()]
    if len(twice):
        raise RecordError(f"{where}: column {twice[0]!r} stands there twice. Keep one of them.")
    columns: dict[str, Any] = {}
    for name in [*COLUMNS, *(str(c) for c in readings.columns if c not in COLUMNS)]:
        column = readings[name] if name in readings.columns else pd.Series([None] * len(readings), dtype=object)
        column = column.reset_index(drop=True)
        if name in _TEXT:
            columns[name] = pd.Series([_as_text(v) for v in column.tolist()], dtype="str")
        elif name in _NUMBERS:
            columns[name] = _numbers(column, name=name, where=where)
        elif pd.api.types.is_bool_dtype(column.dtype) or pd.api.types.is_integer_dtype(column.dtype):
            columns[name] = column.astype(bool if pd.api.types.is_bool_dtype(column.dtype) else "int64")
        elif pd.api.types.is_float_dtype(column.dtype):
            columns[name] = _numbers(column.astype(object), name=name, where=where)
        else:
            columns[name] = pd.Series([_as_text(v) for v in column.tolist()], dtype="str")
    table = pd.DataFrame(columns)
    wrong = ~table["formed"].isin(_FORMED)
    if wrong.any():
        got = table.loc[wrong, "formed"].iloc[0]
        row = int(wrong.to_numpy().argmax()) + 1
        raise RecordError(
            f"{where}: column formed, row {row}: {got!r} is none of {', '.join(_FORMED)}. Mend the table."
        )
    _check_texts(table, where=where)
    return table


def check_sizes(table: pd.DataFrame, *, where: str) -> None:
    """Refuse sizes that are none, features that stand twice in a scan, and sizes in another unit.

    Parameters
    ----------
    table : DataFrame
        As `check_readings` returns it.
    where : str
        Name of the table for error messages.

    Raises
    ------
    RecordError
    """
    for name, bad in (("nominal_mm", table["nominal_mm"] <= 0), ("measured_mm", table["measured_mm"] < 0)):
        if bad.any():
            row = int(bad.to_numpy().argmax())
            raise RecordError(
                f"{where}: column {name}, row {row + 1}: {table[name].iloc[row]:g} is no size in mm. Mend the table."
            )
    twice = table.duplicated(["scan_id", "piece_id", "run_id", "feature_id"]) & (table["feature_id"] != "")
    if twice.any():
        first = table.loc[twice].iloc[0]
        raise RecordError(
            f"{where}: feature {first['feature_id']} stands twice in scan {first['scan_id']!r}. Remove the second row, "
            "or give each scan its own scan_id."
        )
    ratio = float((table["measured_mm"] / table["nominal_mm"]).where(table["formed"] == "yes").median())
    if not (math.isnan(ratio) or 1 / _OTHER_UNIT < ratio < _OTHER_UNIT):
        raise RecordError(
            f"{where}: measured sizes are {ratio:.3g} times the nominal ones, so they are in another unit. "
            "Give both in mm."
        )


def _check_texts(table: pd.DataFrame, *, where: str) -> None:
    """Refuse texts that not every database can hold."""
    for row, kind in enumerate(table["kind"].tolist(), start=1):
        if not 0 < len(kind) <= LONGEST_KIND:
            raise RecordError(f"{where}: column kind, row {row}: {kind!r} must have 1 to {LONGEST_KIND} characters.")
    for name in table.columns:
        if table[name].dtype.kind not in "fib" and any("\x00" in text for text in table[name].tolist()):
            raise RecordError(f"{where}: column {name} holds a character that cannot be kept (NUL). Mend the table.")


def _to_columns(table: pd.DataFrame) -> str:
    import pandas as pd

    columns = []
    for name in table.columns:
        column = table[name]
        if pd.api.types.is_float_dtype(column.dtype):
            values = [None if v != v else v for v in column.tolist()]
            columns.append({"name": name, "type": "number", "values": values})
        else:
            kind = "truth" if column.dtype == bool else "integer" if column.dtype.kind == "i" else "text"
            columns.append({"name": name, "type": kind, "values": column.tolist()})
    return to_json({"form": 1, "columns": columns})


def pack_table(table: pd.DataFrame) -> bytes:
    """Pack a checked table into one value."""
    return zlib.compress(_to_columns(table).encode("utf-8"), 6)


def table_digest(packed: bytes) -> str:
    """Return the SHA-256 of a packed table's text (the packing itself may differ between zlib versions)."""
    return hashlib.sha256(zlib.decompress(packed)).hexdigest()


def unpack_columns(packed: bytes, *, sha256: str | None = None) -> dict[str, list[Any]]:
    """Return the columns of a packed table as lists, unknown numbers as None.

    Parameters
    ----------
    packed : bytes
    sha256 : str, optional
        What `table_digest` must come to.

    Raises
    ------
    RecordError
        If the table cannot be unpacked, or is not the one with this SHA-256.
    """
    try:
        text = zlib.decompress(packed)
        if sha256 is not None and hashlib.sha256(text).hexdigest() != sha256:
            raise RecordError("the table of readings does not fit its hash")
        return {column["name"]: column["values"] for column in json.loads(text)["columns"]}
    except (zlib.error, ValueError, KeyError, TypeError) as error:
        raise RecordError("the table of readings cannot be unpacked") from error


def unpack_table(packed: bytes) -> pd.DataFrame:
    """Return the table that was packed, every number bit by bit."""
    import pandas as pd

    types = {"number": "float64", "integer": "int64", "truth": "bool", "text": "str"}
    columns = json.loads(zlib.decompress(packed))["columns"]
    return pd.DataFrame({c["name"]: pd.Series(c["values"], dtype=types[c["type"]]) for c in columns})


def _spread(values: list[float], mean: float) -> float:
    return math.sqrt(math.fsum((value - mean) ** 2 for value in values) / (len(values) - 1))


Counted = Literal["telling", "none", "all"]
"""Which features count whose reading was refused: those whose refusal tells that they are not whole, or as in records
made before: none, or all.
"""
COUNTED: tuple[Counted, ...] = get_args(Counted)


def size_rows(columns: Mapping[str, Sequence[Any]], *, refused: Counted = "telling") -> list[dict[str, Any]]:
    """Sum a table up by kind and nominal size.

    Parameters
    ----------
    columns : mapping of str to list
        As `unpack_columns` returns them; kind, nominal_mm, formed, deviation_mm and flags are used.
    refused : {'telling', 'none', 'all'}

    Returns
    -------
    list of dict
        kind, nominal_mm, n, n_formed, n_partly, mean_deviation_mm and sd_deviation_mm (None where
        there are too few); features without a nominal size are left out.
    """
    groups: dict[tuple[str, float], list[tuple[str, float | None]]] = {}
    used = (columns[name] for name in ("kind", "nominal_mm", "formed", "deviation_mm", "flags"))
    for kind, nominal_mm, formed, deviation_mm, flags in zip(*used, strict=True):
        if nominal_mm is not None and _counts(flags, refused):
            groups.setdefault((kind, nominal_mm), []).append((formed, deviation_mm))
    rows = []
    for (kind, nominal_mm), features in sorted(groups.items()):
        deviations = [deviation for _, deviation in features if deviation is not None]
        mean = math.fsum(deviations) / len(deviations) if deviations else None
        rows.append(
            {
                "kind": kind,
                "nominal_mm": nominal_mm,
                "n": len(features),
                "n_formed": sum(formed == "yes" for formed, _ in features),
                "n_partly": sum(formed == "partly" for formed, _ in features),
                "mean_deviation_mm": mean,
                "sd_deviation_mm": None if mean is None or len(deviations) < 2 else _spread(deviations, mean),
            }
        )
    return rows


def _counts(flags: Any, refused: Counted) -> bool:
    reason = refusal(flags)
    return reason == "" or refused == "all" or (refused == "telling" and reason in NOT_WHOLE)


def smallest_formed_mm(rows: list[dict[str, Any]]) -> dict[str, float]:
    """Return by kind the smallest size from which on every feature of one scan formed.

    This is what one scan showed, not a limit: a limit needs a model and its confidence.
    Kinds of which the largest size already failed are left out.
    """
    smallest: dict[str, float] = {}
    closed: set[str] = set()
    for row in sorted(rows, key=lambda r: -r["nominal_mm"]):
        kind = row["kind"]
        if kind in closed:
            continue
        if row["n_formed"] == row["n"]:
            smallest[kind] = row["nominal_mm"]
        else:
            closed.add(kind)
    return smallest
