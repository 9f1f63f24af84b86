"""Export a record to a folder of CSV, JSON and hashes, and import such a folder.

The folder holds one CSV file per kind of entry (tables inside a cell are JSON), ``limits.csv``,
``evidence.csv``, ``files.csv``, a CSV file per table of readings, the kept files under their
SHA-256, ``export.json``, and ``SHA256SUMS`` in the form that ``sha256sum --check`` reads. It holds no
date of its own, so that the same record gives the same bytes. CSV follows RFC 4180.
"""

from __future__ import annotations

import csv
import json
import os
import shutil
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, select
from tqdm import tqdm

from sharpset.errors import RecordError
from sharpset.record.codes import code_of, to_json
from sharpset.record.documents import FILE_PARTS, LIMIT_PARTS, Document, document_sha256, load_documents
from sharpset.record.files import hash_file, stored_content
from sharpset.record.kinds import KINDS, Kind
from sharpset.record.models import EntryRow, ReadingsRow, StoredFileRow
from sharpset.record.tables import unpack_table

__all__ = ["ExportReport", "all_keys", "documents_in_order", "export_folder", "parts_in_order"]

FORM = 1
HEAD_COLUMNS = ("uuid", "code", "name", "created_utc", "corrects", "by", "note", "sha256")
TABLE_COLUMNS = "columns"
_CHUNK = 400


@dataclass(frozen=True, kw_only=True, slots=True)
class ExportReport:
    """What was exported."""

    folder: Path
    counts: dict[str, int]
    n_tables: int
    n_kept: int

    def summary(self) -> str:
        """Return the outcome in one line."""
        kinds = ", ".join(f"{n} {kind}" for kind, n in self.counts.items() if n) or "nothing"
        return f"{self.folder}: exported {kinds}; {self.n_tables} tables of readings, {self.n_kept} kept files"


def all_keys(connection: Connection, *, by_time: bool) -> list[int]:
    """Return all row numbers: by time and UUID, or in the order of insertion."""
    order = (EntryRow.created_utc, EntryRow.uuid) if by_time else (EntryRow.id,)
    return list(connection.execute(select(EntryRow.id).order_by(*order)).scalars())


Part = list[tuple[int, Document, bytes | None]]


def parts_in_order(connection: Connection, keys: Sequence[int], *, title: str) -> Iterator[Part]:
    """Yield a few hundred entries at a time: row number, document and packed table of each."""
    with tqdm(total=len(keys), desc=title, unit="entries", disable=None, delay=1, leave=False) as bar:
        for start in range(0, len(keys), _CHUNK):
            part = keys[start : start + _CHUNK]
            query = select(ReadingsRow.id, ReadingsRow.packed).where(ReadingsRow.id.in_(part))
            packed = {key: bytes(value) for key, value in connection.execute(query)}
            yield [(key, document, packed.get(key)) for key, document in load_documents(connection, part).items()]
            bar.update(len(part))


def documents_in_order(
    connection: Connection, keys: Sequence[int], *, title: str
) -> Iterator[tuple[int, Document, bytes | None]]:
    """Yield row number, document and packed table of entries, one by one."""
    for part in parts_in_order(connection, keys, title=title):
        yield from part


def cell(value: Any) -> str:
    """Return a value as the text of a cell; floats so that they come back bit by bit."""
    if value is None or value != value:
        return ""
    if isinstance(value, dict | list):
        return to_json(value)
    return repr(value) if isinstance(value, float) else str(value)


def _row_of(kind: Kind, document: Document) -> list[str]:
    head = [cell(document.get(name)) for name in HEAD_COLUMNS if name not in ("code", "sha256")]
    head.insert(1, code_of(document["uuid"]))
    head.append(document_sha256(document))
    refs = [cell(document.get("refs", {}).get(name)) for name in kind.refs]
    return head + refs + [cell(document["fields"].get(name)) for name in kind.fields]


def _columns_of(kind: Kind) -> list[str]:
    extra = [TABLE_COLUMNS] if kind.name == "readings" else []
    return [*HEAD_COLUMNS, *kind.refs, *kind.fields, *extra]


class _Folder:
    """The files of an export while they are written."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        (folder / "readings").mkdir(parents=True)
        (folder / "kept").mkdir()
        self._files: list[Any] = []
        self.kinds = {name: self._writer(f"{name}.csv", _columns_of(kind)) for name, kind in KINDS.items()}
        self.limits = self._writer("limits.csv", ["entry", *LIMIT_PARTS])
        self.evidence = self._writer("evidence.csv", ["entry", "target"])
        self.files = self._writer("files.csv", ["entry", *FILE_PARTS])

    def _writer(self, name: str, columns: list[str]) -> Any:
        file = (self.folder / name).open("w", encoding="utf-8", newline="")
        self._files.append(file)
        writer = csv.writer(file)
        writer.writerow(columns)
        return writer

    def close(self) -> None:
        for file in self._files:
            file.close()

    def put(self, document: Document, packed: bytes | None) -> None:
        kind = KINDS[document["kind"]]
        row = _row_of(kind, document)
        if packed is not None:
            row.append(to_json(self._put_table(document["uuid"], packed)))
        self.kinds[kind.name].writerow(row)
        own = document["uuid"]
        for limit in document.get("limits", []):
            self.limits.writerow([own, *(cell(limit.get(name)) for name in LIMIT_PARTS)])
        for target in document.get("evidence", []):
            self.evidence.writerow([own, target])
        for file in document.get("files", []):
            self.files.writerow([own, *(cell(file[name]) for name in FILE_PARTS)])

    def _put_table(self, uuid: str, packed: bytes) -> list[list[str]]:
        table = unpack_table(packed)
        with (self.folder / "readings" / f"{uuid}.csv").open("w", encoding="utf-8", newline="") as file:
            writer = csv.writer(file)
            writer.writerow(table.columns)
            for values in zip(*(table[name].tolist() for name in table.columns), strict=True):
                writer.writerow([cell(value) for value in values])
        types = {"f": "number", "i": "integer", "b": "truth"}
        return [[str(name), types.get(table[name].dtype.kind, "text")] for name in table.columns]


def _write_sums(folder: Path) -> None:
    paths = sorted(p for p in folder.rglob("*") if p.is_file())
    lines = [f"{hash_file(path)[0]}  {path.relative_to(folder).as_posix()}\n" for path in paths]
    (folder / "SHA256SUMS").write_text("".join(lines), encoding="utf-8", newline="\n")


def _put_kept(connection: Connection, folder: Path) -> int:
    sums = list(connection.execute(select(StoredFileRow.file_sha256).order_by(StoredFileRow.file_sha256)).scalars())
    for file_sha256 in sums:
        (folder / file_sha256).write_bytes(stored_content(connection, file_sha256) or b"")
    return len(sums)


def export_folder(connection: Connection, folder: Path, *, tables: str) -> ExportReport:
    """Write a whole record into a new folder.

    It is written beside and moved into place when complete, so a folder of this name is a whole export.

    Parameters
    ----------
    connection : Connection
    folder : Path
        Must not exist yet, or be empty.
    tables : str
        Version of the record's tables.
    """
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise RecordError(f"{folder}: there is something here already. Give a new folder for the export.")
    beside = folder.with_name(f".{folder.name}.{os.getpid()}.part")
    counts = dict.fromkeys(KINDS, 0)
    try:
        writing = _Folder(beside)
        try:
            for _, document, packed in documents_in_order(
                connection, all_keys(connection, by_time=True), title="export"
            ):
                writing.put(document, packed)
                counts[document["kind"]] += 1
        finally:
            writing.close()
        n_kept = _put_kept(connection, beside / "kept")
        about = {"what": "sharpset record", "form": FORM, "tables": tables, "counts": counts, "kept": n_kept}
        text = json.dumps(about, indent=2, sort_keys=True) + "\n"
        (beside / "export.json").write_text(text, encoding="utf-8", newline="\n")
        _write_sums(beside)
        if folder.exists():
            folder.rmdir()
        beside.rename(folder)
    except OSError as error:
        raise RecordError(f"{folder}: the export cannot be written ({error.strerror}). Check the folder.") from error
    finally:
        shutil.rmtree(beside, ignore_errors=True)
    return ExportReport(folder=folder, counts=counts, n_tables=counts["readings"], n_kept=n_kept)


def checked_files(folder: Path) -> dict[str, Path]:
    """Return the files of an export by name after comparing each with its hash.

    Raises
    ------
    RecordError
        If it is no export, or a file is missing or was changed.
    """
    sums = folder / "SHA256SUMS"
    if not sums.is_file():
        raise RecordError(f"{folder}: no SHA256SUMS here, so this is no export of a record. Give the export's folder.")
    files: dict[str, Path] = {}
    lines = sums.read_text(encoding="utf-8", errors="replace").splitlines()
    for number, line in enumerate(tqdm(lines, desc="hashes", disable=None, delay=1, leave=False), start=1):
        wanted, _, name = line.partition("  ")
        path = folder / name
        if len(wanted) != 64 or not name or ".." in Path(name).parts or Path(name).is_absolute():
            raise RecordError(f"{sums}: line {number} is no hash and file name. Export again.")
        if not path.is_file():
            raise RecordError(f"{path}: missing, though SHA256SUMS names it. Nothing was imported; export again.")
        if hash_file(path)[0] != wanted:
            raise RecordError(f"{path}: was changed after the export. Nothing was imported; export again.")
        files[name] = path
    return files


def rows_of(path: Path) -> Iterable[dict[str, str]]:
    """Yield the rows of a CSV file of an export."""
    csv.field_size_limit(2**31 - 1)
    with path.open(encoding="utf-8", newline="") as file:
        yield from csv.DictReader(file)
