"""Repeated readings as a balanced table: parts by operators by trials."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sharpset.errors import ComparisonError

__all__ = ["GaugeTable", "arrange_gauge", "join_operators"]


@dataclass(frozen=True, kw_only=True, slots=True)
class GaugeTable:
    """Balanced repeated readings.

    Attributes
    ----------
    values : ndarray of float, shape (n_parts, n_operators, n_trials)
    parts, operators : tuple of str
    n_dropped : int
        Parts left out because some scan lacks them.
    operators_known : bool
        False where nobody was named, so that ``values`` has one column of operators.
    scans : tuple of str
        The trials' scans where every trial of an operator is one scan of all parts, else empty.
    groups : ndarray of int, shape (n_parts,)
        Parts of one group were scanned together: their trials share scans, those of two groups do not.
    """

    values: NDArray[np.float64]
    parts: tuple[str, ...]
    operators: tuple[str, ...]
    n_dropped: int
    operators_known: bool
    scans: tuple[str, ...]
    groups: NDArray[np.int64]


def join_operators(readings: pd.DataFrame, operators: pd.DataFrame, *, column: str) -> pd.DataFrame:
    """Join a table ``scan_id, operator`` (or position, day) to the readings.

    Raises
    ------
    ComparisonError
        If the table lacks a column, names a scan twice or leaves one out.
    """
    table = operators.rename(columns=lambda c: str(c).strip())
    if "scan_id" not in table or column not in table:
        raise ComparisonError(
            f"the table of operators has the columns {', '.join(map(str, table.columns))}; it needs scan_id and "
            f"{column}. Add them, one row per scan."
        )
    names = table.assign(scan_id=table["scan_id"].astype(str).str.strip(), **{column: table[column].astype(str)})
    if names["scan_id"].duplicated().any():
        twice = names.loc[names["scan_id"].duplicated(), "scan_id"].iloc[0]
        raise ComparisonError(f"the table of operators names scan {twice} twice. Keep one row per scan.")
    empty = table[column].isna() | (names[column].str.strip() == "")
    if empty.any():
        raise ComparisonError(
            f"the table of operators has no {column} for scan {names.loc[empty, 'scan_id'].iloc[0]}. Fill it in."
        )
    missing = sorted(set(readings["scan_id"]) - set(names["scan_id"]))
    if missing:
        raise ComparisonError(f"the table of operators has no row for scan {missing[0]}. Add a row for each scan.")
    rest = readings.drop(columns=[column], errors="ignore")
    return rest.merge(names[["scan_id", column]], on="scan_id", how="left")


def arrange_gauge(
    readings: pd.DataFrame, *, value: str, part: Sequence[str], operator: str | None, trial: str
) -> GaugeTable:
    """Bring repeated readings into a balanced table.

    Parameters
    ----------
    readings : DataFrame
    value : str
        Column that is studied.
    part : sequence of str
        Columns that together name a part.
    operator : str or None
        Column that names who (or which position, or day); None where it does not vary.
    trial : str
        Column that tells repeats apart.

    Returns
    -------
    GaugeTable
        With the largest number of trials that every operator has, and the parts that all of them have.

    Raises
    ------
    ComparisonError
        If fewer than two parts or two trials are left.
    """
    for column in (value, *part, trial, *([operator] if operator else [])):
        if column not in readings:
            raise ComparisonError(f"the readings have no column {column}. Columns are {', '.join(readings.columns)}.")
    readings = readings.reset_index(drop=True)  # tables put together bring the same row numbers along
    frame = readings[np.isfinite(readings[value].to_numpy(float))]
    names = frame[list(part)].astype(str).agg("/".join, axis=1)
    who = frame[operator].astype(str) if operator else pd.Series("all", frame.index)
    frame = pd.DataFrame({"part": names, "operator": who, "trial": frame[trial].astype(str), "value": frame[value]})
    if frame.duplicated(["part", "operator", "trial"]).any():
        row = frame[frame.duplicated(["part", "operator", "trial"])].iloc[0]
        raise ComparisonError(
            f"part {row['part']} is read twice in {trial} {row['trial']}. Give each repeat its own {trial}."
        )
    all_parts = names.nunique()
    operators = list(dict.fromkeys(frame["operator"]))
    pieces = [c for c in part if c != "feature_id"]
    piece = readings.loc[frame.index, pieces].astype(str).agg("/".join, axis=1) if pieces else who.map(lambda _: "all")
    frame["group"] = _scanned_together(piece, frame["trial"])
    frame["turn"] = frame.groupby(["operator", "group"], sort=False)["trial"].transform(lambda t: pd.factorize(t)[0])
    n_trials = _common_trials(frame, len(operators))
    wide = frame[frame["turn"] < n_trials].pivot_table(
        index="part", columns=["operator", "turn"], values="value", sort=False
    )
    wide = wide.reindex(columns=pd.MultiIndex.from_product([operators, range(n_trials)])).dropna()
    if n_trials < 2 or len(wide) < 2:
        times = {0: "never", 1: "once"}.get(n_trials, f"{n_trials} times")
        whom = f"each of {len(operators)} operators" if len(operators) > 1 else "one operator"
        raise ComparisonError(
            f"a gauge study needs at least 2 parts read at least twice by each operator; {len(wide)} of {all_parts} "
            f"parts were read {times} by {whom}. Scan the same pieces again."
        )
    group = frame.drop_duplicates("part").set_index("part")["group"].loc[wide.index].to_numpy()
    scans = tuple(dict.fromkeys(frame["trial"])) if operator is None and len(set(group)) == 1 else ()
    return GaugeTable(
        values=wide.to_numpy(float).reshape(len(wide), len(operators), n_trials),
        parts=tuple(map(str, wide.index)),
        operators=tuple(operators),
        n_dropped=int(all_parts - len(wide)),
        operators_known=operator is not None and len(operators) > 1,
        scans=scans,
        groups=group,
    )


def _scanned_together(piece: pd.Series, trial: pd.Series) -> pd.Series:
    """Return a number for every row that is the same for pieces that lay in one scan, directly or by way of others."""
    of_piece = {name: n for n, name in enumerate(dict.fromkeys(piece))}
    for _, inside in piece.groupby(trial, sort=False):
        together = {of_piece[name] for name in inside}
        if len(together) > 1:
            of_piece = {name: min(together) if n in together else n for name, n in of_piece.items()}
    return piece.map(of_piece)


def _common_trials(frame: pd.DataFrame, n_operators: int) -> int:
    """Return how often every operator read the pieces; pieces that somebody read once only do not count."""
    counts = frame.pivot_table(index="group", columns="operator", values="trial", aggfunc="nunique", fill_value=0)
    if counts.empty or counts.shape[1] < n_operators:
        return 0
    least = counts.min(axis=1)
    return int(least[least >= 2].min()) if (least >= 2).any() else int(least.max())
