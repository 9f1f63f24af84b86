"""Import an export into a record, and copy a record into another: what is there already stays once."""

from __future__ import annotations

import csv
import json
from collections import defaultdict
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, func, insert, select
from tqdm import tqdm

from sharpset.errors import RecordError
from sharpset.record.chains import is_newest
from sharpset.record.documents import (
    FILE_PARTS,
    LIMIT_PARTS,
    Document,
    document_sha256,
    insert_document,
    pointed_to,
)
from sharpset.record.exchange import (
    FORM,
    TABLE_COLUMNS,
    all_keys,
    checked_files,
    documents_in_order,
    rows_of,
)
from sharpset.record.files import keep_content
from sharpset.record.kinds import KINDS, Field, Kind
from sharpset.record.models import EntryRow, StoredFileRow
from sharpset.record.tables import pack_table, table_digest

__all__ = ["ImportReport", "copy_record", "import_folder"]


@dataclass(frozen=True, kw_only=True, slots=True)
class ImportReport:
    """What an import came to.

    Attributes
    ----------
    n_added, n_known : int
        Entries that were new, and entries that were here already.
    same_names : tuple of str
        Printers, materials, recipes ... of which two in use now share a name.
    """

    n_added: int
    n_known: int
    n_kept: int
    same_names: tuple[str, ...]

    def summary(self) -> str:
        """Return the outcome in one line."""
        text = (
            f"{self.n_added} {'entry' if self.n_added == 1 else 'entries'} added, {self.n_known} "
            f"{'was' if self.n_known == 1 else 'were'} here already; {self.n_kept} kept files added"
        )
        if self.same_names:
            text += f". Two entries share a name now: {', '.join(self.same_names)}; rename one with 'record correct'"
        return text


def _value(field: Field, text: str) -> Any:
    if field.type == "json":
        return json.loads(text)
    if field.type == "number":
        return float(text)
    return int(text) if field.type == "integer" else text


def _document(kind: Kind, row: dict[str, str]) -> Document:
    document: Document = {"uuid": row["uuid"], "kind": kind.name, "created_utc": row["created_utc"]}
    for name in ("name", "by", "note", "corrects"):
        if row[name]:
            document[name] = row[name]
    document["fields"] = {n: _value(f, row[n]) for n, f in kind.fields.items() if row.get(n, "") != ""}
    refs = {name: row[name] for name in kind.refs if row.get(name)}
    if refs:
        document["refs"] = refs
    return document


def _limit(row: dict[str, str]) -> dict[str, Any]:
    types: dict[str, Callable[[str], Any]] = {"limit_mm": float, "a90_mm": float, "n_features": int, "n_prints": int}
    return {name: types.get(name, str)(row[name]) for name in LIMIT_PARTS if row.get(name, "") != ""}


def _read_documents(files: dict[str, Path]) -> tuple[dict[str, Document], dict[str, Any]]:
    """Return documents by UUID, and the columns of tables of readings by UUID."""
    documents: dict[str, Document] = {}
    columns: dict[str, Any] = {}
    sums: dict[str, str] = {}
    for kind in KINDS.values():
        path = files.get(f"{kind.name}.csv")
        for row in rows_of(path) if path else ():
            documents[row["uuid"]] = _document(kind, row)
            sums[row["uuid"]] = row["sha256"]
            if kind.name == "readings":
                columns[row["uuid"]] = json.loads(row[TABLE_COLUMNS])
    parts: dict[str, dict[str, list[Any]]] = defaultdict(lambda: defaultdict(list))
    for row in rows_of(files["limits.csv"]) if "limits.csv" in files else ():
        parts[row["entry"]]["limits"].append(_limit(row))
    for row in rows_of(files["evidence.csv"]) if "evidence.csv" in files else ():
        parts[row["entry"]]["evidence"].append(row["target"])
    for row in rows_of(files["files.csv"]) if "files.csv" in files else ():
        part: dict[str, Any] = {name: row[name] for name in FILE_PARTS}
        parts[row["entry"]]["files"].append(part | {"n_bytes": int(row["n_bytes"])})
    for uuid, own in parts.items():
        documents[uuid] |= own
    for uuid, document in documents.items():
        if document_sha256(document) != sums[uuid]:
            raise RecordError(
                f"{document['kind']}.csv: entry {uuid} does not fit its hash. Nothing was imported; export again."
            )
    return documents, columns


def _read_table(path: Path, columns: list[list[str]]) -> bytes:
    import pandas as pd

    types: dict[str, Callable[[str], Any]] = {
        "number": lambda t: float(t) if t else float("nan"),
        "integer": int,
        "truth": lambda t: t == "True",
        "text": str,
    }
    with path.open(encoding="utf-8", newline="") as file:
        rows = list(csv.reader(file))[1:]
    dtypes = {"number": "float64", "integer": "int64", "truth": "bool", "text": "str"}
    series = {}
    for place, (name, kind) in enumerate(columns):
        series[name] = pd.Series([types[kind](row[place]) for row in rows], dtype=dtypes[kind])
    return pack_table(pd.DataFrame(series))


def _about(folder: Path, files: dict[str, Path]) -> None:
    try:
        about = json.loads(files["export.json"].read_text(encoding="utf-8"))
        form = int(about["form"])
    except (KeyError, ValueError, TypeError) as error:
        raise RecordError(f"{folder}: export.json is missing or no description of an export. Export again.") from error
    if form > FORM:
        raise RecordError(
            f"{folder}: exported by a newer sharpset (form {form}, this one reads up to {FORM}). "
            "Install the newer sharpset to import it."
        )


def _known(connection: Connection, documents: dict[str, Document], where: str) -> set[str]:
    """Return the UUIDs that are here already; refuse entries that are here with other words."""
    known = set()
    mine = {row.uuid: row.sha256 for row in connection.execute(select(EntryRow.uuid, EntryRow.sha256))}
    for uuid, document in documents.items():
        if uuid in mine:
            if mine[uuid] != document_sha256(document):
                raise RecordError(
                    f"{where}: {document['kind']} {uuid} says something else than the same entry of this record, "
                    "so one of the two was changed. Nothing was imported; run 'sharpset record check' on both."
                )
            known.add(uuid)
    return known


def _in_order(documents: dict[str, Document], known: set[str], where: str) -> Iterable[Document]:
    """Yield documents so that each comes after those that it points to (whatever the benches' clocks said)."""
    done = set(known)
    stack: list[str] = []
    for start in sorted(documents, key=lambda uuid: (documents[uuid]["created_utc"], uuid)):
        stack.append(start)
        while stack:
            uuid = stack[-1]
            if uuid in done:
                stack.pop()
                continue
            if uuid not in documents:
                raise RecordError(
                    f"{where}: it points to the entry {uuid}, which is neither in it nor here. Export again."
                )
            waiting = [target for target in pointed_to(documents[uuid]) if target not in done]
            if not waiting:
                done.add(stack.pop())
                yield documents[uuid]
            elif any(target in stack for target in waiting):
                raise RecordError(f"{where}: entries point to each other in a circle at {uuid}. Export again.")
            else:
                stack += waiting


def _same_names(connection: Connection) -> tuple[str, ...]:
    kinds = [kind.name for kind in KINDS.values() if kind.one_name]
    query = select(EntryRow.kind, EntryRow.name).where(EntryRow.kind.in_(kinds), is_newest())
    twice = query.group_by(EntryRow.kind, EntryRow.name).having(func.count() > 1).order_by(EntryRow.kind, EntryRow.name)
    return tuple(f"{kind} {name!r}" for kind, name in connection.execute(twice))


def import_folder(connection: Connection, folder: Path) -> ImportReport:
    """Import an export; entries that are here already are left as they are.

    Parameters
    ----------
    connection : Connection
        Inside a writing transaction: all of it comes in, or nothing.
    folder : Path
        Of an export.

    Raises
    ------
    RecordError
        If a file is missing or changed, or an entry of the same UUID says something else here.
    """
    files = checked_files(folder)
    _about(folder, files)
    try:
        documents, columns = _read_documents(files)
    except (KeyError, ValueError, TypeError) as error:
        if isinstance(error, RecordError):
            raise
        raise RecordError(f"{folder}: a table of the export cannot be read ({error}). Export again.") from error
    known = _known(connection, documents, str(folder))
    n_kept = _import_kept(connection, files)
    fresh = tqdm(
        _in_order(documents, known, str(folder)),
        total=len(documents) - len(known),
        desc="import",
        unit="entries",
        disable=None,
        delay=1,
        leave=False,
    )
    for document in fresh:
        packed = None
        if document["kind"] == "readings":
            packed = _packed_of(files, document, columns[document["uuid"]], folder)
        insert_document(connection, document, packed)
    return ImportReport(
        n_added=len(documents) - len(known), n_known=len(known), n_kept=n_kept, same_names=_same_names(connection)
    )


def _packed_of(files: dict[str, Path], document: Document, columns: list[list[str]], folder: Path) -> bytes:
    name = f"readings/{document['uuid']}.csv"
    if name not in files:
        raise RecordError(f"{folder / name}: the table of readings is missing. Nothing was imported; export again.")
    packed = _read_table(files[name], columns)
    if table_digest(packed) != document["fields"]["table_sha256"]:
        raise RecordError(f"{folder / name}: the table does not fit its hash. Nothing was imported; export again.")
    return packed


def _import_kept(connection: Connection, files: dict[str, Path]) -> int:
    before = connection.execute(select(func.count()).select_from(StoredFileRow)).scalar_one()
    for name, path in files.items():
        if name.startswith("kept/"):
            keep_content(connection, path.read_bytes())
    return int(connection.execute(select(func.count()).select_from(StoredFileRow)).scalar_one()) - int(before)


def copy_record(source: Connection, target: Connection) -> int:
    """Copy all entries and kept files of a record into an empty one; return the number of entries."""
    for row in source.execute(select(StoredFileRow.__table__)).mappings():
        target.execute(insert(StoredFileRow), dict(row))
    n_entries = 0
    for _, document, packed in documents_in_order(source, all_keys(source, by_time=False), title="copy"):
        insert_document(target, document, packed)
        n_entries += 1
    return n_entries
