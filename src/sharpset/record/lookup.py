"""Find entries: by code, UUID or name; follow corrections to the newest."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any

from sqlalchemy import ColumnElement, Connection, and_, exists, func, or_, select
from sqlalchemy.orm import aliased

from sharpset.errors import RecordError
from sharpset.record.codes import is_code, parse_code
from sharpset.record.documents import Document, load_documents
from sharpset.record.entries import Entry, Ref
from sharpset.record.models import EntryRow

__all__ = ["chain_of", "find_key", "is_newest", "newest_of", "to_entries"]

_UUID_START = re.compile(r"[0-9a-f]{8}(-[0-9a-f-]{0,27})?")


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


def chain_of(connection: Connection, key: int) -> list[Any]:
    """Return the rows of an entry's chain of corrections, the first entry first."""
    first = connection.execute(
        select(func.coalesce(EntryRow.first_id, EntryRow.id)).where(EntryRow.id == key)
    ).scalar_one()
    query = select(EntryRow.__table__).where(or_(EntryRow.id == first, EntryRow.first_id == first))
    return list(connection.execute(query.order_by(EntryRow.created_utc, EntryRow.uuid)))


def newest_of(connection: Connection, key: int) -> int:
    """Return the row number of the newest entry in a chain."""
    return int(chain_of(connection, key)[-1].id)


def _candidates(connection: Connection, text: str, kind: str | None) -> list[Any]:
    columns = select(
        EntryRow.id, EntryRow.uuid, EntryRow.code, EntryRow.kind, EntryRow.name, EntryRow.created_utc, EntryRow.first_id
    )
    if kind is not None:
        columns = columns.where(EntryRow.kind == kind)
    found: list[Any] = []
    if is_code(text):
        found += connection.execute(columns.where(EntryRow.code == parse_code(text))).all()
    low = text.strip().lower()
    if _UUID_START.fullmatch(low):
        found += connection.execute(columns.where(EntryRow.uuid >= low, EntryRow.uuid < low + "g")).all()
    if not found:
        named = columns.where(EntryRow.name == text, is_newest())
        # without a kind the name of a printer, a material or a recipe is meant before that of a print
        found += connection.execute(named.order_by(EntryRow.created_utc).limit(50)).all()
    return found


def _known_names(connection: Connection, kind: str) -> str:
    query = select(EntryRow.name).where(EntryRow.kind == kind, EntryRow.name != "", is_newest())
    names = connection.execute(query.order_by(EntryRow.name).limit(9)).scalars().all()
    if not names:
        return f"The record holds no {kind} yet; add one with 'sharpset record add {kind}'."
    more = ", ..." if len(names) > 8 else ""
    return f"Known here: {', '.join(names[:8])}{more}."


def find_key(connection: Connection, what: str | Entry, *, kind: str | None = None, follow: bool = True) -> int:
    """Return the row number of one entry.

    Parameters
    ----------
    connection : Connection
    what : str or Entry
        A code, a UUID or at least its first eight characters, or a name.
    kind : str, optional
        The kind it must be of.
    follow : bool
        Whether to follow corrections to the newest entry.

    Raises
    ------
    RecordError
        If nothing fits, or more than one.
    """
    text = what.uuid if isinstance(what, Entry) else str(what)
    found = _candidates(connection, text, kind)
    if not found:
        title = kind or "entry"
        if kind is None:
            raise RecordError(
                f"{text!r}: no entry has this code, UUID or name. 'sharpset record list' shows what is there."
            )
        if is_code(text) and _candidates(connection, text, None):
            other = _candidates(connection, text, None)[0]
            raise RecordError(f"{text!r} is the {other.kind} {other.name or other.code}; a {kind} is needed here.")
        raise RecordError(f"{title} {text!r} is not in the record. {_known_names(connection, kind)}")
    chains = {row.first_id or row.id: row for row in found}
    if len(chains) > 1:
        which = "; ".join(f"{r.kind} {r.name or r.code} of {r.created_utc[:10]}, uuid {r.uuid[:13]}" for r in found[:4])
        raise RecordError(f"{text!r} fits more than one entry: {which}. Give the beginning of the UUID.")
    key = int(found[0].id)
    return newest_of(connection, key) if follow else key


def _ref(row: Any) -> Ref:
    return Ref(
        code=row.code, uuid=row.uuid, kind=row.kind, name=row.name, created_utc=row.created_utc, note=row.note or ""
    )


def _entry(connection: Connection, document: Document, row: Any, refs: dict[str, Ref]) -> Entry:
    chain = chain_of(connection, row.id)
    history = tuple(_ref(link) for link in chain)
    return Entry(
        code=row.code,
        uuid=row.uuid,
        kind=row.kind,
        name=row.name,
        created_utc=row.created_utc,
        by=row.by,
        note=row.note,
        fields=document["fields"],
        refs={name: refs[uuid] for name, uuid in document.get("refs", {}).items()},
        corrects=refs.get(document.get("corrects", "")),
        history=history,
        newest=history[-1].uuid == row.uuid,
    )


def to_entries(connection: Connection, keys: Sequence[int]) -> list[Entry]:
    """Return entries by row number, in the order asked for."""
    documents = load_documents(connection, keys)
    rows = {r.id: r for r in connection.execute(select(EntryRow.__table__).where(EntryRow.id.in_(list(keys))))}
    pointed = {uuid for d in documents.values() for uuid in [*d.get("refs", {}).values(), d.get("corrects", "")]}
    found = connection.execute(select(EntryRow.__table__).where(EntryRow.uuid.in_(sorted(pointed))))
    refs = {row.uuid: _ref(row) for row in found}
    return [_entry(connection, documents[key], rows[key], refs) for key in keys]
