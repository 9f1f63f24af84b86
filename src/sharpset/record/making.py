"""Make documents: checked, with free codes, pointing to entries that are there."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from itertools import pairwise
from typing import Any

from sqlalchemy import Connection, func, select

from sharpset.errors import RecordError
from sharpset.record.chains import first_of, is_newest
from sharpset.record.codes import check_time, code_of, later_than, new_uuid, now_utc
from sharpset.record.documents import LIMIT_PARTS, Document, load_documents, uuids_of
from sharpset.record.entries import Entry
from sharpset.record.files import HashedFile
from sharpset.record.kinds import Kind, check_fields, kind_named, plain
from sharpset.record.lookup import find_key
from sharpset.record.models import EntryRow
from sharpset.record.tables import LONGEST_KIND

__all__ = ["Target", "check_limits", "corrected_document", "new_document"]

Target = str | Entry


def _limit_rows(limits: Any) -> Iterable[Any]:
    if hasattr(limits, "to_dict") and hasattr(limits, "columns"):
        return [{n: v for n, v in row.items() if v is not None and v == v} for row in limits.to_dict("records")]
    if isinstance(limits, Mapping):
        return [{"kind": k, **(v if isinstance(v, Mapping) else {"limit_mm": v})} for k, v in limits.items()]
    return list(limits)


def _check_limit(row: Any) -> dict[str, Any]:
    if not isinstance(row, Mapping) or not row.get("kind") or row.get("limit_mm") is None:
        raise RecordError(f"limits: {row!r} needs a kind and a limit_mm, for example bar = 0.25.")
    if not isinstance(row["kind"], str) or len(row["kind"]) > LONGEST_KIND:
        raise RecordError(f"limits: the kind {row['kind']!r} must be a text of at most {LONGEST_KIND} characters.")
    unknown = [name for name in row if name not in LIMIT_PARTS]
    if unknown:
        raise RecordError(f"limits: unknown part {unknown[0]!r}; known here are {', '.join(LIMIT_PARTS)}.")
    limit = {name: plain(row[name], what=f"limits.{name}") for name in LIMIT_PARTS if row.get(name) not in (None, "")}
    for name in ("limit_mm", "a90_mm"):
        value = limit.get(name, 1.0)
        if isinstance(value, bool) or not isinstance(value, int | float) or not 0 < value < math.inf:
            raise RecordError(f"limits: {name} of {row['kind']} must be a length above 0 mm, got {value!r}.")
        if name in limit:
            limit[name] = float(value)
    for name in ("n_features", "n_prints"):
        value = limit.get(name, 0)
        if isinstance(value, float) and value.is_integer():
            limit[name] = value = int(value)
        if isinstance(value, bool) or not isinstance(value, int) or value < 0:
            raise RecordError(f"limits: {name} of {row['kind']} must be a count, got {value!r}.")
    if "shown_utc" in limit:
        limit["shown_utc"] = check_time(str(limit["shown_utc"]), what=f"limits: shown_utc of {row['kind']}")
    return limit


def check_limits(kind: Kind, limits: Any) -> list[dict[str, Any]]:
    """Return limits in the form of a document.

    Parameters
    ----------
    kind : Kind
        Of the entry that holds them.
    limits : mapping, sequence of mapping, or DataFrame
        Kind of detail to mm, or rows with kind, limit_mm (the smallest size that forms, mm) and, where
        known, a90_mm, basis, n_features, n_prints, shown_utc.
    """
    if limits is None:
        return []
    rows = sorted((_check_limit(row) for row in _limit_rows(limits)), key=lambda r: str(r["kind"]))
    if rows and not kind.limits:
        raise RecordError(f"{kind.name}: it cannot hold limits; a fit or a recipe can.")
    twice = [row["kind"] for row, after in pairwise(rows) if row["kind"] == after["kind"]]
    if twice:
        raise RecordError(f"limits: {twice[0]} stands there twice. Keep one of them.")
    return rows


def free_uuid(connection: Connection) -> str:
    """Return a new UUID whose code no entry has."""
    while True:
        uuid = new_uuid()
        if connection.execute(select(EntryRow.id).where(EntryRow.code == code_of(uuid)).limit(1)).first() is None:
            return uuid


def _find_refs(connection: Connection, kind: Kind, refs: Mapping[str, Target | None]) -> dict[str, str]:
    unknown = [name for name in refs if name not in kind.refs]
    if unknown:
        known = f"it may point to {', '.join(kind.refs)}" if kind.refs else "it points to nothing"
        raise RecordError(f"{kind.name}: it cannot point to a {unknown[0]!r}; {known}.")
    missing = [name for name in kind.needs if not refs.get(name)]
    if missing:
        raise RecordError(f"{kind.name}: {missing[0]} is missing: the name or code of a {kind.refs[missing[0]]}.")
    keys = {name: find_key(connection, target, kind=kind.refs[name]) for name, target in refs.items() if target}
    if kind.name == "print" and "lot" in keys:
        _agree_with_lot(connection, keys)
    uuids = uuids_of(connection, keys.values())
    return {name: uuids[key] for name, key in keys.items()}


def _agree_with_lot(connection: Connection, keys: dict[str, int]) -> None:
    """Take the material from the lot, or make sure that it is the lot's."""
    lot = load_documents(connection, [keys["lot"]])[keys["lot"]]
    own = find_key(connection, lot["refs"]["material"], kind="material")
    given = keys.setdefault("material", own)
    if first_of(connection, given) != first_of(connection, own):
        names = load_documents(connection, [given, own])
        raise RecordError(
            f"print: lot {lot['name']!r} is of the material {names[own]['name']!r}, "
            f"not of {names[given]['name']!r}. Give one of them."
        )


def _refuse_same_name(connection: Connection, kind: Kind, name: str, *, chain: int | None = None) -> None:
    query = select(EntryRow.code, func.coalesce(EntryRow.first_id, EntryRow.id)).where(
        EntryRow.kind == kind.name, func.lower(EntryRow.name) == name.lower(), is_newest()
    )
    for code, other in connection.execute(query):
        if other != chain:
            raise RecordError(
                f"{kind.name} {name!r} is in the record already, as {code} (capitals do not count). Take another name, "
                f"or correct it with 'sharpset record correct {code}'."
            )


def _evidence(connection: Connection, evidence: Sequence[Target]) -> list[str]:
    keys = [find_key(connection, target) for target in evidence]
    return sorted(set(uuids_of(connection, keys).values()))


def new_document(
    connection: Connection,
    kind_name: str,
    name: str,
    *,
    fields: Mapping[str, Any],
    refs: Mapping[str, Target | None],
    limits: Any = None,
    evidence: Sequence[Target] = (),
    files: Sequence[HashedFile] = (),
    by: str = "",
    note: str = "",
) -> Document:
    """Return the document of a new entry.

    Raises
    ------
    RecordError
        If a field is unknown, wrong or missing, an entry it points to is not there, or the name is taken.
    """
    kind = kind_named(kind_name)
    name = str(plain(name, what=f"{kind.name}: name")).strip()
    if kind.name_required and not name:
        raise RecordError(f"{kind.name}: name is missing: what you call it. Add name=...")
    document: Document = {"uuid": "", "kind": kind.name, "created_utc": now_utc(), "fields": check_fields(kind, fields)}
    parts = {
        "name": name,
        "by": str(plain(by, what="by")).strip(),
        "note": str(plain(note, what="note")).strip(),
        "limits": check_limits(kind, limits),
        "refs": _find_refs(connection, kind, refs),
        "evidence": _evidence(connection, evidence),
        "files": [file.part for file in files],
    }
    document |= {key: value for key, value in parts.items() if value}
    if kind.one_name:
        _refuse_same_name(connection, kind, name)
    document["uuid"] = free_uuid(connection)
    return document


def corrected_document(
    connection: Connection,
    key: int,
    changes: Mapping[str, Any],
    *,
    files: Sequence[HashedFile] = (),
    by: str = "",
    note: str = "",
) -> Document:
    """Return the document that corrects an entry: what is not changed stays as it was.

    Parameters
    ----------
    connection : Connection
    key : int
        Row number of the entry to correct.
    changes : mapping
        Fields, references, name, limits or evidence; None empties.
    files : sequence of HashedFile
        Files that take the place of those with the same role.
    """
    old = load_documents(connection, [key])[key]
    kind = kind_named(old["kind"])
    special = ("name", "limits", "evidence")
    fields = dict(old["fields"]) | {n: v for n, v in changes.items() if n not in kind.refs and n not in special}
    new_refs = {n: v for n, v in changes.items() if n in kind.refs}
    old_refs = {n: u for n, u in old.get("refs", {}).items() if n not in new_refs}
    if "lot" in new_refs and "material" not in new_refs and new_refs["lot"]:
        old_refs.pop("material", None)
    name = str(plain(changes.get("name", old.get("name", "")) or "", what="name")).strip()
    if kind.name_required and not name:
        raise RecordError(f"{kind.name}: name is missing: what you call it. Add name=...")
    if kind.one_name:
        _refuse_same_name(connection, kind, name, chain=first_of(connection, key))
    refs = _find_refs(connection, kind, old_refs | new_refs)
    parts = {
        "name": name,
        "by": str(plain(by, what="by")).strip(),
        "note": str(plain(note, what="note")).strip(),
        "limits": check_limits(kind, changes["limits"] if "limits" in changes else old.get("limits")),
        "refs": refs | old_refs,
        "evidence": _evidence(connection, changes["evidence"] or ()) if "evidence" in changes else old.get("evidence"),
        "files": sorted(
            ({f["role"]: f for f in old.get("files", [])} | {f.part["role"]: f.part for f in files}).values(),
            key=lambda part: str(part["role"]),
        ),
    }
    document: Document = {
        "uuid": free_uuid(connection),
        "kind": kind.name,
        "created_utc": later_than(old["created_utc"]),
        "corrects": old["uuid"],
        "fields": check_fields(kind, fields),
    }
    return document | {part: value for part, value in parts.items() if value}
