"""Make the index behind searches anew, all at once.

It comes to the same rows as the entry-by-entry way of ``searching`` by another route, so that a check
of the record compares the two.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from typing import Any

from sqlalchemy import Connection, delete, func, insert, select

from sharpset.record.chains import is_newest
from sharpset.record.models import (
    DetailLimitRow,
    EntryRow,
    FitRow,
    PrintRow,
    ReadingSizeRow,
    ReadingsRow,
    RecipeRow,
    ScanRow,
    SearchDetailRow,
)
from sharpset.record.tables import smallest_formed_mm

__all__ = ["rebuild_index"]

_CHUNK = 400


class _Chains:
    """First and newest entries of all chains, and what the newest prints and scans point to."""

    def __init__(self, connection: Connection) -> None:
        first = func.coalesce(EntryRow.first_id, EntryRow.id)
        self.first: dict[int, int] = {row[0]: row[1] for row in connection.execute(select(EntryRow.id, first))}
        self.newest: dict[int, int] = {
            own: key for key, own in connection.execute(select(EntryRow.id, first).where(is_newest()))
        }
        self.prints = {row.id: row for row in connection.execute(select(PrintRow.id, *_targets(PrintRow)))}
        self.print_of_scan = {row.id: row.print_id for row in connection.execute(select(ScanRow.id, ScanRow.print_id))}

    def newest_of(self, key: int) -> int:
        return self.newest[self.first[key]]

    def first_of(self, key: int | None) -> int | None:
        return None if key is None else self.first[key]

    def subject_of_readings(self, row: Any) -> dict[str, int | None]:
        printed = row.print_id
        if printed is None and row.scan_id is not None:
            printed = self.print_of_scan[self.newest_of(row.scan_id)]
        if printed is None:
            return {"subject_key": None, "printer_key": None, "material_key": None}
        found = self.prints[self.newest_of(printed)]
        return {"subject_key": self.first[printed]} | self.keys_of(found)

    def keys_of(self, row: Any) -> dict[str, int | None]:
        return {"printer_key": self.first_of(row.printer_id), "material_key": self.first_of(row.material_id)}


def _targets(table: Any) -> tuple[Any, Any]:
    return table.printer_id, table.material_id


def _readings_rows(connection: Connection, chains: _Chains) -> Iterator[dict[str, Any]]:
    rows = connection.execute(select(ReadingsRow.id, ReadingsRow.print_id, ReadingsRow.scan_id)).all()
    newest = [row for row in rows if chains.newest_of(row.id) == row.id]
    for start in range(0, len(newest), _CHUNK):
        part = newest[start : start + _CHUNK]
        sizes: dict[int, list[dict[str, Any]]] = defaultdict(list)
        query = select(
            ReadingSizeRow.readings_id,
            ReadingSizeRow.kind,
            ReadingSizeRow.nominal_mm,
            ReadingSizeRow.n,
            ReadingSizeRow.n_formed,
        ).where(ReadingSizeRow.readings_id.in_([row.id for row in part]))
        for size in connection.execute(query).mappings():
            sizes[size["readings_id"]].append(dict(size))
        for row in part:
            own = {"entry_id": row.id, "source": "readings"} | chains.subject_of_readings(row)
            for kind, limit_mm in smallest_formed_mm(sizes[row.id]).items():
                yield own | {"kind": kind, "limit_mm": limit_mm}


def _limit_rows(connection: Connection, chains: _Chains) -> Iterator[dict[str, Any]]:
    for source, table in (("fit", FitRow), ("recipe", RecipeRow)):
        query = select(table.id, *_targets(table), DetailLimitRow.kind, DetailLimitRow.limit_mm)
        for row in connection.execute(query.join(DetailLimitRow, DetailLimitRow.entry_id == table.id)):
            if chains.newest_of(row.id) != row.id:
                continue
            own = {"entry_id": row.id, "source": source, "subject_key": chains.first[row.id]}
            yield own | chains.keys_of(row) | {"kind": row.kind, "limit_mm": row.limit_mm}


def rebuild_index(connection: Connection) -> None:
    """Throw the index away and make it anew from the entries."""
    connection.execute(delete(SearchDetailRow))
    chains = _Chains(connection)
    rows: list[dict[str, Any]] = []
    for making in (_readings_rows, _limit_rows):
        for row in making(connection, chains):
            rows.append(row)
            if len(rows) >= 10 * _CHUNK:
                connection.execute(insert(SearchDetailRow), rows)
                rows = []
    if rows:
        connection.execute(insert(SearchDetailRow), rows)
