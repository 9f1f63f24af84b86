"""Find entries: by code, UUID or name; follow corrections to the newest."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any

from sqlalchemy import Connection, select

from sharpset.errors import RecordError
from sharpset.record.chains import chain_of, is_newest, newest_of
from sharpset.record.codes import is_code, looks_like_code, parse_code
from sharpset.record.documents import Document, load_documents, pointed_to
from sharpset.record.entries import DetailLimit, Entry, Ref
from sharpset.record.files import FileRef
from sharpset.record.models import EntryRow, StoredFileRow

__all__ = ["find_key", "to_entries"]

_UUID_START = re.compile(r"[0-9a-f]{8}(-[0-9a-f-]{0,27})?")


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
        found += connection.execute(named.limit(50)).all()
    return found


def _known_names(connection: Connection, kind: str) -> str:
    query = select(EntryRow.name).where(EntryRow.kind == kind, EntryRow.name != "", is_newest())
    names = connection.execute(query.order_by(EntryRow.name).limit(9)).scalars().all()
    if not names and connection.execute(select(EntryRow.id).where(EntryRow.kind == kind).limit(1)).first():
        return f"'sharpset record list {kind}' shows what is there."
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
    if not found and looks_like_code(text) and not is_code(text):
        known = "" if kind is None else f" and no {kind} has this name"
        raise RecordError(f"{text!r}: as a code its check character does not fit{known}. Read it again from the card.")
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
        raise RecordError(f"{text!r} fits more than one entry: {which}. Give the kind or the UUID.")
    key = int(found[0].id)
    return newest_of(connection, key) if follow else key


def _ref(row: Any) -> Ref:
    return Ref(
        code=row.code, uuid=row.uuid, kind=row.kind, name=row.name, created_utc=row.created_utc, note=row.note or ""
    )


def _entry(connection: Connection, document: Document, row: Any, refs: dict[str, Ref], stored: set[str]) -> Entry:
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
        limits=tuple(DetailLimit(**limit) for limit in document.get("limits", [])),
        evidence=tuple(
            sorted((refs[uuid] for uuid in document.get("evidence", [])), key=lambda ref: (ref.created_utc, ref.uuid))
        ),
        files=tuple(FileRef(**file, kept=file["file_sha256"] in stored) for file in document.get("files", [])),
        corrects=refs.get(document.get("corrects", "")),
        history=history,
        newest=history[-1].uuid == row.uuid,
    )


def to_entries(connection: Connection, keys: Sequence[int]) -> list[Entry]:
    """Return entries by row number, in the order asked for."""
    documents = load_documents(connection, keys)
    rows = {r.id: r for r in connection.execute(select(EntryRow.__table__).where(EntryRow.id.in_(list(keys))))}
    pointed = {uuid for document in documents.values() for uuid in pointed_to(document)}
    named = {file["file_sha256"] for document in documents.values() for file in document.get("files", [])}
    query = select(StoredFileRow.file_sha256).where(StoredFileRow.file_sha256.in_(sorted(named)))
    stored = set(connection.execute(query).scalars())
    found = connection.execute(select(EntryRow.__table__).where(EntryRow.uuid.in_(sorted(pointed))))
    refs = {row.uuid: _ref(row) for row in found}
    return [_entry(connection, documents[key], rows[key], refs, stored) for key in keys]
