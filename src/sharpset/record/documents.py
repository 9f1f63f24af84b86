"""One form for every entry: the document. Adding, correcting, importing and copying all write documents.

A document is plain JSON: uuid, kind, name, created_utc, corrects, by, note, fields, refs, limits,
evidence and files, other entries named by their UUID. Empty parts are left out, so that tables that
grow later leave the SHA-256 of older documents as it was.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from sqlalchemy import Connection, bindparam, insert, select

from sharpset.errors import RecordError
from sharpset.record.codes import code_of, digest
from sharpset.record.kinds import KINDS, Kind, kind_named
from sharpset.record.models import DetailLimitRow, EntryFileRow, EntryRow, EvidenceRow, ReadingSizeRow
from sharpset.record.searching import index_entry
from sharpset.record.tables import size_rows, unpack_columns

__all__ = ["FILE_PARTS", "LIMIT_PARTS", "Document", "document_sha256", "ids_of", "insert_document", "load_documents"]

Document = dict[str, Any]
LIMIT_PARTS = ("kind", "limit_mm", "a90_mm", "basis", "n_features", "n_prints", "shown_utc")
FILE_PARTS = ("role", "path", "file_sha256", "n_bytes")
_CHUNK = 400


def document_sha256(document: Document) -> str:
    """Return the SHA-256 of a document."""
    return digest(document)


def ids_of(connection: Connection, uuids: Iterable[str]) -> dict[str, int]:
    """Return the row numbers of entries by UUID; those that are not there are left out."""
    wanted = sorted(set(uuids))
    found: dict[str, int] = {}
    for start in range(0, len(wanted), _CHUNK):
        part = wanted[start : start + _CHUNK]
        rows = connection.execute(select(EntryRow.uuid, EntryRow.id).where(EntryRow.uuid.in_(part)))
        found.update((uuid, key) for uuid, key in rows)
    return found


def pointed_to(document: Document) -> list[str]:
    """Return the UUIDs that a document points to."""
    targets = [*document.get("refs", {}).values(), *document.get("evidence", [])]
    return targets + ([document["corrects"]] if "corrects" in document else [])


def _entry_values(connection: Connection, document: Document, ids: dict[str, int]) -> dict[str, Any]:
    corrects_id = ids.get(document.get("corrects", ""))
    first_id = None
    if corrects_id is not None:
        row = connection.execute(select(EntryRow.kind, EntryRow.first_id).where(EntryRow.id == corrects_id)).one()
        if row.kind != document["kind"]:
            raise RecordError(
                f"a {document['kind']} cannot correct a {row.kind}. Correct it with an entry of its own kind."
            )
        first_id = row.first_id or corrects_id
    return {
        "uuid": document["uuid"],
        "code": code_of(document["uuid"]),
        "kind": document["kind"],
        "name": document.get("name", ""),
        "created_utc": document["created_utc"],
        "corrects_id": corrects_id,
        "first_id": first_id,
        "by": document.get("by", ""),
        "note": document.get("note", ""),
        "sha256": document_sha256(document),
    }


def _kind_values(kind: Kind, document: Document, ids: dict[str, int]) -> dict[str, Any]:
    fields = document.get("fields", {})
    values = {name: fields.get(name, {} if f.type == "json" else None) for name, f in kind.fields.items()}
    for name in kind.refs:
        uuid = document.get("refs", {}).get(name)
        values[f"{name}_id"] = None if uuid is None else ids[uuid]
    return values


def insert_document(connection: Connection, document: Document, packed: bytes | None = None) -> int:
    """Insert one document; return its row number.

    Parameters
    ----------
    connection : Connection
        Inside a writing transaction.
    document : dict
    packed : bytes, optional
        The packed table, of readings only.

    Raises
    ------
    RecordError
        If it points to an entry that is not there.
    """
    kind = kind_named(document["kind"])
    targets = pointed_to(document)
    ids = ids_of(connection, targets)
    missing = [uuid for uuid in targets if uuid not in ids]
    if missing:
        raise RecordError(f"{kind.name} {document['uuid']}: it points to the entry {missing[0]}, which is not here.")
    values = _entry_values(connection, document, ids)
    key = int(connection.execute(insert(EntryRow).returning(EntryRow.id), values).scalar_one())
    row = _kind_values(kind, document, ids) | {"id": key}
    if packed is not None:
        row["packed"] = packed
        sizes = size_rows(unpack_columns(packed))
        if sizes:
            connection.execute(insert(ReadingSizeRow), [size | {"readings_id": key} for size in sizes])
    connection.execute(insert(kind.row), row)
    _insert_parts(connection, key, document, ids)
    index_entry(connection, key)
    return key


def _insert_parts(connection: Connection, key: int, document: Document, ids: dict[str, int]) -> None:
    own = {"entry_id": key}
    if document.get("limits"):
        empty = dict.fromkeys(LIMIT_PARTS)
        connection.execute(insert(DetailLimitRow), [empty | limit | own for limit in document["limits"]])
    if document.get("evidence"):
        connection.execute(insert(EvidenceRow), [{"target_id": ids[uuid]} | own for uuid in document["evidence"]])
    if document.get("files"):
        connection.execute(insert(EntryFileRow), [file | own for file in document["files"]])


def _columns(kind: Kind) -> list[Any]:
    table = kind.row.__table__
    return [table.c[name] for name in (*kind.fields, *(f"{ref}_id" for ref in kind.refs))]


def _load_parts(connection: Connection, keys: Sequence[int], documents: dict[int, Document]) -> None:
    """Put limits, evidence and files into documents."""
    own = list(keys)
    limits = select(DetailLimitRow.__table__).where(DetailLimitRow.entry_id.in_(own))
    for row in connection.execute(limits.order_by(DetailLimitRow.entry_id, DetailLimitRow.kind)).mappings():
        limit = {name: row[name] for name in LIMIT_PARTS if row[name] is not None}
        documents[row["entry_id"]].setdefault("limits", []).append(limit)
    evidence = (
        select(EvidenceRow.entry_id, EntryRow.uuid)
        .join(EntryRow, EntryRow.id == EvidenceRow.target_id)
        .where(EvidenceRow.entry_id.in_(own))
    )
    for key, uuid in connection.execute(evidence.order_by(EvidenceRow.entry_id, EntryRow.uuid)):
        documents[key].setdefault("evidence", []).append(uuid)
    files = select(EntryFileRow.__table__).where(EntryFileRow.entry_id.in_(own))
    for row in connection.execute(files.order_by(EntryFileRow.entry_id, EntryFileRow.role)).mappings():
        file = {name: row[name] for name in FILE_PARTS}
        documents[row["entry_id"]].setdefault("files", []).append(file)


def _document(kind: Kind, entry: Any, row: Any, uuids: dict[int, str]) -> Document:
    document: Document = {"uuid": entry.uuid, "kind": entry.kind, "created_utc": entry.created_utc}
    for name in ("name", "by", "note"):
        if getattr(entry, name):
            document[name] = getattr(entry, name)
    if entry.corrects_id is not None:
        document["corrects"] = uuids[entry.corrects_id]
    fields = {}
    for name, field in kind.fields.items():
        value = row[name]
        if value is not None and (field.type != "json" or value or field.required):
            fields[name] = value
    document["fields"] = fields
    refs = {name: uuids[row[f"{name}_id"]] for name in kind.refs if row[f"{name}_id"] is not None}
    if refs:
        document["refs"] = refs
    return document


def uuids_of(connection: Connection, keys: Iterable[int]) -> dict[int, str]:
    """Return the UUIDs of entries by row number."""
    wanted = sorted(set(keys))
    found: dict[int, str] = {}
    for start in range(0, len(wanted), _CHUNK):
        part = wanted[start : start + _CHUNK]
        found.update(
            (k, u) for k, u in connection.execute(select(EntryRow.id, EntryRow.uuid).where(EntryRow.id.in_(part)))
        )
    return found


def load_documents(connection: Connection, keys: Sequence[int]) -> dict[int, Document]:
    """Return documents by row number, in the order asked for."""
    entries: dict[int, Any] = {}
    rows: dict[int, Any] = {}
    query = select(EntryRow.__table__).where(EntryRow.id.in_(bindparam("keys", expanding=True)))
    for start in range(0, len(keys), _CHUNK):
        part = list(keys[start : start + _CHUNK])
        found = {entry.id: entry for entry in connection.execute(query, {"keys": part})}
        entries.update(found)
        for kind in KINDS.values():
            own = [key for key, entry in found.items() if entry.kind == kind.name]
            if own:
                table = kind.row.__table__
                got = connection.execute(select(table.c.id, *_columns(kind)).where(table.c.id.in_(own))).mappings()
                rows.update((row["id"], row) for row in got)
    lost = [entries[key].code for key in entries if key not in rows]
    if lost:
        raise RecordError(f"entry {lost[0]}: half of it is missing, the record is damaged. Restore a backup.")
    pointed = [entry.corrects_id for entry in entries.values() if entry.corrects_id is not None]
    for key, row in rows.items():
        refs = KINDS[entries[key].kind].refs
        pointed += [row[f"{name}_id"] for name in refs if row[f"{name}_id"] is not None]
    uuids = uuids_of(connection, pointed)
    documents = {
        key: _document(KINDS[entries[key].kind], entries[key], rows[key], uuids) for key in keys if key in entries
    }
    for start in range(0, len(keys), _CHUNK):
        _load_parts(connection, keys[start : start + _CHUNK], documents)
    return documents
