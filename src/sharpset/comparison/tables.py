"""Readings tables as this package takes them: loaded, checked, and known to be of one piece."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pandas as pd

from sharpset.errors import ComparisonError
from sharpset.files import read_table
from sharpset.refusals import says_nothing

__all__ = [
    "NEEDED_COLUMNS",
    "check_one_piece",
    "check_readings",
    "keep_ladders",
    "load_readings",
    "load_table",
    "merge_scans",
]

NEEDED_COLUMNS = ("scan_id", "piece_id", "run_id", "feature_id", "kind", "nominal_mm", "formed", "measured_mm")
"""Columns that every comparison needs; all other columns of a readings table are used when they are there."""

FORMED = ("yes", "no", "partly")

_NUMBERS = (
    "nominal_mm",
    "measured_mm",
    "U95_mm",
    "U95_common_mm",
    "u_private_mm",
    "u_common_mm",
    "deviation_mm",
    "x_dev_mm",
    "y_dev_mm",
    "edge_roughness_mm",
    "angle_deg",
    "x_mm",
    "y_mm",
    "length_mm",
)
_NAMES = ("scan_id", "piece_id", "run_id", "feature_id", "operator", "position", "day")
_OTHER_UNIT = re.compile(
    r"(?i)^(nominal|measured|deviation|width|diameter|U95)_(in|inch|inches|mil|thou|um|micron|cm|m)$"
)

# A width that is half or twice its nominal size is a bad print; one that is 25.4 or 1000 times off is another unit.
_FACTORS = {25.4: "thousandths and mm or inches and mm", 1000.0: "micrometres and mm", 10.0: "centimetres and mm"}


def load_table(path: Path | str, *, what: str = "table") -> pd.DataFrame:
    """Read a CSV or Parquet file without guessing types of names; see `sharpset.files.read_table`.

    Parameters
    ----------
    path : path of a ``.csv`` or ``.parquet`` file
    what : str
        What the file is, for the message.

    Raises
    ------
    ComparisonError
        If the file is missing, empty or not such a table.
    """
    path = Path(path)
    try:
        if path.suffix.lower() == ".parquet":
            frame = pd.read_parquet(path)
        else:
            frame = read_table(path, texts=_NAMES)
    except OSError as error:
        reason = error.strerror or "not a readable file"
        raise ComparisonError(f"{path}: the {what} cannot be read ({reason}). Give the path of a CSV file.") from error
    except (ValueError, UnicodeDecodeError) as error:
        text = str(error).splitlines()[0] if str(error) else type(error).__name__
        raise ComparisonError(f"{path}: not a {what} ({text}). Give a CSV file with a header line.") from error
    if frame.empty:
        todo = "Read the scans again with 'sharpset read'" if what == "table of readings" else "Add a row for each"
        raise ComparisonError(f"{path}: the {what} has no rows. {todo}.")
    return frame


def load_readings(path: Path | str) -> pd.DataFrame:
    """Read and check a table of readings (CSV or Parquet).

    Parameters
    ----------
    path : path of the file that ``sharpset read`` wrote

    Returns
    -------
    DataFrame
        As `check_readings` returns it.

    Raises
    ------
    ComparisonError
        If the file cannot be used; the text says what to do.
    """
    return check_readings(load_table(path, what="table of readings"), name=str(path))


def check_readings(readings: pd.DataFrame, *, name: str, needed: Sequence[str] = NEEDED_COLUMNS) -> pd.DataFrame:
    """Check a table of readings and complete it.

    Parameters
    ----------
    readings : DataFrame
        A row per feature and scan, lengths in mm.
    name : str
        File or label, for the messages.
    needed : sequence of str
        Columns that must be there.

    Returns
    -------
    DataFrame
        A copy with names as text, lengths as numbers, and ``deviation_mm`` (measured minus nominal) filled in.

    Raises
    ------
    ComparisonError
        If columns are missing, a value is not a number, units are mixed, or a feature stands twice in a scan.
    """
    frame = readings.rename(columns=lambda c: str(c).strip()).reset_index(drop=True)
    _check_columns(frame, name=name, needed=needed)
    if "flags" in frame:
        # What was refused for glare or dirt says nothing, not even that it did not form.
        frame = frame[~says_nothing(frame["flags"])].reset_index(drop=True)
    for column in ("scan_id", "piece_id", "run_id", "feature_id", "kind"):
        if column in frame:
            frame[column] = _as_names(frame[column])
    for column in _NUMBERS:
        if column in frame:
            frame[column] = _as_numbers(frame[column], name=name)
    if not (frame["nominal_mm"] > 0).all():
        row = int(np.flatnonzero(~(frame["nominal_mm"].to_numpy() > 0))[0]) + 1
        raise ComparisonError(f"{name}: row {row}: nominal_mm must be a size above 0 mm. Mend the row.")
    if (frame["measured_mm"] < 0).any():
        row = int(np.flatnonzero(frame["measured_mm"].to_numpy() < 0)[0])
        raise ComparisonError(
            f"{name}: row {row + 1}: measured_mm is {frame['measured_mm'].iloc[row]:g}; no size is below 0 mm. Mend "
            "the row, or leave the cell empty where nothing formed."
        )
    frame["formed"] = frame["formed"].astype(str).str.strip().str.lower()
    wrong = ~frame["formed"].isin(FORMED)
    if wrong.any():
        got = frame.loc[wrong, "formed"].iloc[0]
        raise ComparisonError(f"{name}: formed is {got!r}; it must be one of {', '.join(FORMED)}. Mend the row.")
    _check_units(frame, name=name)
    frame["deviation_mm"] = frame["measured_mm"] - frame["nominal_mm"]
    if "u_common_mm" in frame and "U95_common_mm" not in frame:
        frame["U95_common_mm"] = 1.959964 * frame["u_common_mm"]
    key = [c for c in ("scan_id", "piece_id", "run_id", "feature_id") if c in frame]
    twice = frame.duplicated(key)
    if twice.any():
        row = frame.loc[twice].iloc[0]
        raise ComparisonError(
            f"{name}: feature {row['feature_id']} stands twice in scan {row.get('scan_id', '')}. "
            "Remove the second row, or give each scan its own scan_id."
        )
    return frame


def _check_columns(frame: pd.DataFrame, *, name: str, needed: Sequence[str]) -> None:
    other = [c for c in frame.columns if _OTHER_UNIT.match(c)]
    if other:
        raise ComparisonError(
            f"{name}: column {other[0]!r} is not in millimetres. Convert it to mm and name it "
            f"{other[0].rsplit('_', 1)[0]}_mm."
        )
    missing = [c for c in needed if c not in frame.columns]
    if missing:
        raise ComparisonError(
            f"{name}: the column{'s' if len(missing) > 1 else ''} {', '.join(missing)} "
            f"{'are' if len(missing) > 1 else 'is'} missing. Give the table that 'sharpset read' writes."
        )
    if frame.empty:
        raise ComparisonError(f"{name}: the table of readings has no rows. Read the scans again with 'sharpset read'.")


def _as_names(column: pd.Series) -> pd.Series:
    """Turn a column of names into text; 3 and 3.0 are one name, and an empty cell is an empty name."""
    if pd.api.types.is_float_dtype(column):
        column = column.map(lambda v: "" if pd.isna(v) else f"{v:g}")
    return column.astype(object).where(column.notna(), "").astype(str).str.strip()


def _as_numbers(column: pd.Series, *, name: str) -> pd.Series:
    numbers = pd.to_numeric(column, errors="coerce")
    filled = column.notna() & (column.astype(str).str.strip() != "")
    bad = (numbers.isna() & filled) | np.isinf(numbers)
    if bad.any():
        row = int(np.flatnonzero(bad)[0])
        raise ComparisonError(
            f"{name}: row {row + 1}, column {column.name}: {str(column.iloc[row])!r} is not a number of millimetres. "
            "Write plain numbers with a decimal point and without a unit."
        )
    return numbers.astype(float)


def _check_units(frame: pd.DataFrame, *, name: str) -> None:
    """Refuse widths that are a whole unit away from their nominal size, in a kind or in a scan."""
    known = frame[(frame["formed"] == "yes") & (frame["measured_mm"] > 0)]
    if known.empty:
        return
    ratio = known["measured_mm"] / known["nominal_mm"]
    for scan, part in ratio.groupby(known["scan_id"] if "scan_id" in known else known["kind"]):
        middle = float(part.median())
        for factor, words in _FACTORS.items():
            for off in (factor, 1 / factor):
                if off / 1.6 < middle < off * 1.6:
                    raise ComparisonError(
                        f"{name}: scan {scan}: widths are {middle:.3g} times their nominal size, so units are mixed "
                        f"({words}). Give measured_mm and nominal_mm both in mm."
                    )


def check_one_piece(a: pd.DataFrame, b: pd.DataFrame, *, label_a: str, label_b: str) -> None:
    """Refuse two tables of readings that are not of one test piece.

    Raises
    ------
    ComparisonError
        If the piece ids differ, no feature is shared, or a feature has two kinds or nominal sizes.
    """
    pieces_a, pieces_b = set(a["piece_id"]), set(b["piece_id"])
    if not pieces_a & pieces_b:
        raise ComparisonError(
            f"{label_a} is piece {_some(pieces_a)} and {label_b} is piece {_some(pieces_b)}: different pieces cannot "
            "be compared. Print the same test piece on both."
        )
    both = pd.concat([a, b])
    both = both[both["piece_id"].isin(pieces_a & pieces_b)]
    table = both.groupby(["piece_id", "feature_id"], sort=False).agg(
        kinds=("kind", "nunique"), low=("nominal_mm", "min"), high=("nominal_mm", "max")
    )
    wrong = table[(table["kinds"] > 1) | (table["high"] - table["low"] > 1e-6)]
    if len(wrong):
        feature = wrong.index[0][1]
        row = wrong.iloc[0]
        factor = row["high"] / row["low"]
        if any(abs(factor / f - 1) < 0.01 for f in _FACTORS):
            raise ComparisonError(
                f"feature {feature} is {row['low']:g} in one table and {row['high']:g} in the other, {factor:.4g} "
                f"times as much: units are mixed between {label_a} and {label_b}. Give both tables in mm."
            )
        is_other = f"is {row['low']:g} mm in one table and {row['high']:g} mm in the other"
        if row["kinds"] > 1:
            kinds = sorted(set(both.loc[both["feature_id"] == feature, "kind"]))
            is_other = f"is a {' and a '.join(kinds)}"
        raise ComparisonError(
            f"feature {feature} {is_other}: {label_a} and {label_b} are different pieces. "
            "Print the same test piece on both."
        )
    shared = set(a["feature_id"]) & set(b["feature_id"])
    if not shared:
        raise ComparisonError(
            f"{label_a} and {label_b} share no feature: different pieces cannot be compared. "
            "Print the same test piece on both."
        )


def _some(names: set[str]) -> str:
    listed = sorted(names)[:3]
    return ", ".join(repr(n) for n in listed) + (" ..." if len(names) > 3 else "")


_NO_LADDER = ("marks", "round", "square", "scale-x", "scale-y")


def keep_ladders(frame: pd.DataFrame) -> pd.DataFrame:
    """Leave out a piece's marks, its round and square artefacts and its length scales, where groups are named.

    They are not sizes of a detail, and one odd size among a ladder would pass for one.
    """
    if "group" not in frame:
        return frame
    return frame[~frame["group"].astype(str).isin(_NO_LADDER)].reset_index(drop=True)


def merge_scans(frame: pd.DataFrame) -> pd.DataFrame:
    """Average repeated scans of one print, so that a print job counts once.

    Returns
    -------
    DataFrame
        A row per run_id, piece_id and feature_id. A feature is formed where most of its scans say ``yes``; widths are
        means over the scans in which it formed; ``n_scans`` counts them.
    """
    keys = ["run_id", "piece_id", "feature_id"]
    if not frame.duplicated(keys).any():
        return frame.assign(n_scans=1)
    frame = frame.assign(_yes=(frame["formed"] == "yes").astype(float))
    grouped = frame.groupby(keys, sort=False, as_index=False)
    first = grouped.first().set_index(keys)
    share = frame.groupby(keys, sort=False)["_yes"].mean()
    first["formed"] = np.where(
        share.reindex(first.index) > 0.5, "yes", np.where(share.reindex(first.index) > 0, "partly", "no")
    )
    formed = frame[frame["formed"] == "yes"]
    for column in (
        "measured_mm",
        "deviation_mm",
        "edge_roughness_mm",
        "U95_mm",
        "U95_common_mm",
        "x_dev_mm",
        "y_dev_mm",
    ):
        if column in frame:
            first[column] = formed.groupby(keys, sort=False)[column].mean().reindex(first.index)
    first["n_scans"] = frame.groupby(keys, sort=False)["scan_id"].nunique().reindex(first.index)
    return first.drop(columns="_yes").reset_index()
