"""Chains of corrections: the first entry, the newest, all of them."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from sqlalchemy import ColumnElement, Connection, and_, bindparam, exists, func, or_, select
from sqlalchemy.orm import aliased

from sharpset.record.models import EntryRow

__all__ = ["chain_of", "first_of", "is_newest", "newest_by_first", "newest_of"]

# Asked many times for every entry, so these two are put together once.
_FIRST = select(func.coalesce(EntryRow.first_id, EntryRow.id)).where(EntryRow.id == bindparam("key"))
_CHAIN = (
    select(EntryRow.__table__)
    .where(or_(EntryRow.id == bindparam("first"), EntryRow.first_id == bindparam("first")))
    .order_by(EntryRow.created_utc, EntryRow.uuid)
)


def is_newest(entry: Any = EntryRow) -> ColumnElement[bool]:
    """Return the condition that no later entry of its chain of corrections exists."""
    later = aliased(EntryRow)
    return ~exists().where(
        later.first_id == func.coalesce(entry.first_id, entry.id),
        or_(
            later.created_utc > entry.created_utc,
            and_(later.created_utc == entry.created_utc, later.uuid > entry.uuid),
        ),
    )


def first_of(connection: Connection, key: int) -> int:
    """Return the row number of the first entry of a chain."""
    return int(connection.execute(_FIRST, {"key": key}).scalar_one())


def chain_of(connection: Connection, key: int) -> list[Any]:
    """Return the rows of an entry's chain of corrections, the first entry first."""
    return list(connection.execute(_CHAIN, {"first": first_of(connection, key)}))


def newest_of(connection: Connection, key: int) -> int:
    """Return the row number of the newest entry in a chain."""
    return int(chain_of(connection, key)[-1].id)


def newest_by_first(connection: Connection, firsts: Iterable[int]) -> dict[int, Any]:
    """Return the rows of the newest entries of several chains, by the row number of the first."""
    keys = sorted(firsts)
    newest: dict[int, Any] = {}
    for start in range(0, len(keys), 400):
        part = keys[start : start + 400]
        query = select(EntryRow.__table__).where(or_(EntryRow.id.in_(part), EntryRow.first_id.in_(part)))
        for row in connection.execute(query.order_by(EntryRow.created_utc, EntryRow.uuid)):
            newest[row.first_id or row.id] = row
    return newest
