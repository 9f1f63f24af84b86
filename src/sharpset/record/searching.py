"""Search by printer, material, kind of detail and size; the index behind it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection, delete, insert, select, update

from sharpset.errors import RecordError
from sharpset.record.chains import chain_of, first_of, newest_by_first, newest_of
from sharpset.record.kinds import STATUSES
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

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["index_entry", "search_details"]

SOURCES = {"print": "readings", "fit": "fit", "recipe": "recipe"}
_INDEXED = ("readings", "fit", "recipe")


def _print_of_readings(connection: Connection, key: int) -> int | None:
    """Return the newest entry of the print that was read, directly or by way of its scan."""
    row = connection.execute(select(ReadingsRow.print_id, ReadingsRow.scan_id).where(ReadingsRow.id == key)).one()
    print_id = row.print_id
    if print_id is None and row.scan_id is not None:
        scan_id = newest_of(connection, row.scan_id)
        print_id = connection.execute(select(ScanRow.print_id).where(ScanRow.id == scan_id)).scalar_one()
    return None if print_id is None else newest_of(connection, print_id)


def _keys(connection: Connection, table: Any, key: int) -> dict[str, int | None]:
    row = connection.execute(select(table.printer_id, table.material_id).where(table.id == key)).one()
    return {
        "printer_key": None if row.printer_id is None else first_of(connection, row.printer_id),
        "material_key": None if row.material_id is None else first_of(connection, row.material_id),
    }


def _limits(connection: Connection, kind: str, key: int) -> dict[str, float]:
    if kind == "readings":
        sizes = connection.execute(select(ReadingSizeRow.__table__).where(ReadingSizeRow.readings_id == key))
        return smallest_formed_mm([dict(row) for row in sizes.mappings()])
    query = select(DetailLimitRow.kind, DetailLimitRow.limit_mm).where(DetailLimitRow.entry_id == key)
    return {row.kind: row.limit_mm for row in connection.execute(query)}


def _index_chain(connection: Connection, kind: str, key: int) -> None:
    """Write the index of the newest entry of a chain of readings, fits or recipes."""
    chain = [row.id for row in chain_of(connection, key)]
    if len(chain) > 1:
        connection.execute(delete(SearchDetailRow).where(SearchDetailRow.entry_id.in_(chain)))
    newest = chain[-1]
    limits = _limits(connection, kind, newest)
    if not limits:
        return
    row: dict[str, Any] = {"entry_id": newest, "source": kind, "printer_key": None, "material_key": None}
    if kind == "readings":
        printed = _print_of_readings(connection, newest)
        row["subject_key"] = None if printed is None else first_of(connection, printed)
        if printed is not None:
            row |= _keys(connection, PrintRow, printed)
    else:
        row["subject_key"] = first_of(connection, newest)
        row |= _keys(connection, FitRow if kind == "fit" else RecipeRow, newest)
    connection.execute(
        insert(SearchDetailRow), [row | {"kind": detail, "limit_mm": limit} for detail, limit in limits.items()]
    )


def index_entry(connection: Connection, key: int) -> None:
    """Bring the index up to date after an entry was inserted."""
    entry = connection.execute(select(EntryRow.kind, EntryRow.corrects_id).where(EntryRow.id == key)).one()
    if entry.kind in _INDEXED:
        _index_chain(connection, entry.kind, key)
    elif entry.kind == "print" and entry.corrects_id is not None:
        keys = _keys(connection, PrintRow, newest_of(connection, key))
        subject = SearchDetailRow.subject_key == first_of(connection, key)
        connection.execute(update(SearchDetailRow).where(SearchDetailRow.source == "readings", subject).values(keys))
    elif entry.kind == "scan" and entry.corrects_id is not None:
        chain = [row.id for row in chain_of(connection, key)]
        for readings in (
            connection.execute(select(ReadingsRow.id).where(ReadingsRow.scan_id.in_(chain))).scalars().all()
        ):
            chain_newest = newest_of(connection, readings)
            connection.execute(delete(SearchDetailRow).where(SearchDetailRow.entry_id == chain_newest))
            _index_chain(connection, "readings", readings)


def _conditions(refs: dict[str, int], kind: str | None, limit_mm: float | None) -> list[Any]:
    row = SearchDetailRow
    conditions: list[Any] = []
    if "printer" in refs:
        conditions.append(row.printer_key == refs["printer"])
    if "material" in refs:
        conditions.append(row.material_key == refs["material"])
    if kind is not None:
        conditions.append(row.kind == kind)
    if limit_mm is not None:
        # Cards show micrometres: a limit of 0.1861 mm, shown as 0.186, meets a wish for 0.186 mm.
        conditions.append(row.limit_mm < limit_mm + 0.0005)
    return conditions


def search_details(
    connection: Connection,
    what: str,
    *,
    kind: str | None,
    limit_mm: float | None,
    refs: dict[str, int],
    status: str | None,
    most: int,
) -> pd.DataFrame:
    """Return what forms details of a kind and size, the finest first; see ``Record.search``."""
    import pandas as pd

    _check_search(what, kind, limit_mm, status)
    first = {name: first_of(connection, key) for name, key in refs.items()}
    row = SearchDetailRow
    query = select(row.entry_id, row.kind, row.limit_mm, row.subject_key, row.printer_key, row.material_key)
    query = query.where(row.source == SOURCES[what], *_conditions(first, kind, limit_mm))
    if status is not None:
        query = query.join(RecipeRow, RecipeRow.id == row.entry_id).where(RecipeRow.status == status)
    found = connection.execute(query.order_by(row.limit_mm, row.entry_id).limit(most)).all()
    return pd.DataFrame(_rows(connection, what, found), columns=list(_RESULT))


_RESULT = ("code", "name", "kind", "limit_mm", "basis", "printer", "material", "status", "when", "readings")


def _check_search(what: str, kind: str | None, limit_mm: float | None, status: str | None) -> None:
    if what not in SOURCES:
        raise RecordError(f"search: {what!r} cannot be searched; {', '.join(SOURCES)} can.")
    if limit_mm is not None and kind is None:
        raise RecordError("search: a size needs a kind of detail with it. Add the kind: bar, slot, hole ...")
    if limit_mm is not None and not limit_mm > 0:
        raise RecordError(f"search: the size must be above 0 mm, got {limit_mm!r}.")
    if status is not None and (what != "recipe" or status not in STATUSES):
        raise RecordError(f"search: a recipe's status is one of {', '.join(STATUSES)}, got {status!r} for a {what}.")


def _limit_parts(connection: Connection, what: str, keys: list[int]) -> dict[tuple[int, str], dict[str, Any]]:
    """Return basis, date and status of limits by entry and kind of detail."""
    query = select(DetailLimitRow.entry_id, DetailLimitRow.kind, DetailLimitRow.basis, DetailLimitRow.shown_utc)
    limits = connection.execute(query.where(DetailLimitRow.entry_id.in_(keys))).all()
    statuses: dict[int, str] = {}
    if what == "recipe":
        rows = connection.execute(select(RecipeRow.id, RecipeRow.status).where(RecipeRow.id.in_(keys)))
        statuses = {row.id: row.status for row in rows}
    return {
        (row.entry_id, row.kind): {
            "basis": row.basis or "",
            "when": row.shown_utc,
            "status": statuses.get(row.entry_id, ""),
        }
        for row in limits
    }


def _rows(connection: Connection, what: str, found: Sequence[Any]) -> list[dict[str, Any]]:
    """Put hits of the index into words: a handful of questions however many hits there are."""
    firsts = {key for hit in found for key in (hit.subject_key, hit.printer_key, hit.material_key) if key is not None}
    newest = newest_by_first(connection, firsts)
    keys = [hit.entry_id for hit in found]
    columns = select(EntryRow.id, EntryRow.code, EntryRow.created_utc).where(EntryRow.id.in_(keys))
    entries = {row.id: row for row in connection.execute(columns)}
    parts = {} if what == "print" else _limit_parts(connection, what, keys)
    rows = []
    for hit in found:
        subject, printer, material = (newest.get(key) for key in (hit.subject_key, hit.printer_key, hit.material_key))
        entry = entries[hit.entry_id]
        part = parts.get((hit.entry_id, hit.kind), {"basis": "all formed in one scan", "when": None, "status": ""})
        rows.append(
            {
                "code": "" if subject is None else subject.code,
                "name": "" if subject is None else subject.name,
                "kind": hit.kind,
                "limit_mm": hit.limit_mm,
                "basis": part["basis"],
                "printer": "" if printer is None else printer.name,
                "material": "" if material is None else material.name,
                "status": part["status"],
                "when": part["when"] or entry.created_utc,
                "readings": entry.code if what == "print" else "",
            }
        )
    return rows
