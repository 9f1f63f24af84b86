"""Check that a record is sound: the file, the references, every hash, and the files where they lie."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection, func, select
from tqdm import tqdm

from sharpset.errors import RecordError
from sharpset.record.codes import code_of
from sharpset.record.documents import document_sha256
from sharpset.record.exchange import all_keys, parts_in_order
from sharpset.record.files import hash_file, stored_content
from sharpset.record.indexing import rebuild_index
from sharpset.record.kinds import KINDS
from sharpset.record.models import EntryFileRow, EntryRow, ReadingSizeRow, ScanRow, SearchDetailRow, StoredFileRow
from sharpset.record.tables import COUNTED, Counted, size_rows, unpack_columns

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["CheckReport", "Finding", "check_record"]

_COUNTED = ("kind", "nominal_mm", "n", "n_formed", "n_partly")


@dataclass(frozen=True, kw_only=True, slots=True)
class Finding:
    """Something that a check found.

    Attributes
    ----------
    grave : bool
        Whether the record itself is damaged; a file that is no longer where it lay is only a remark.
    where, what : str
    """

    grave: bool
    where: str
    what: str

    def summary(self) -> str:
        """Return the finding in one line."""
        return f"{'DAMAGED' if self.grave else 'remark'}: {self.where}: {self.what}"


@dataclass(frozen=True, kw_only=True, slots=True)
class CheckReport:
    """What a check of the whole record came to."""

    where: str
    n_entries: int
    n_tables: int
    n_kept: int
    n_files: int
    findings: tuple[Finding, ...]

    @property
    def ok(self) -> bool:
        """Whether the record itself is sound."""
        return not any(finding.grave for finding in self.findings)

    def summary(self) -> str:
        """Return the outcome in one line."""
        n_grave = sum(finding.grave for finding in self.findings)
        verdict = "sound" if self.ok else f"DAMAGED in {n_grave} places; restore a backup"
        return (
            f"{self.where}: {verdict}; {self.n_entries} entries, {self.n_tables} tables of readings, "
            f"{self.n_kept} kept files, {self.n_files} files looked at, {len(self.findings) - n_grave} remarks"
        )

    def to_frame(self) -> pd.DataFrame:
        """Return the findings as a table with the columns grave, where and what."""
        import pandas as pd

        rows = [(finding.grave, finding.where, finding.what) for finding in self.findings]
        return pd.DataFrame(rows, columns=["grave", "where", "what"])


def _grave(where: str, what: str) -> Finding:
    return Finding(grave=True, where=where, what=what)


def _check_file(connection: Connection) -> Iterator[Finding]:
    if connection.dialect.name != "sqlite":
        return
    for row in connection.exec_driver_sql("PRAGMA integrity_check(20)").fetchall():
        if row[0] != "ok":
            yield _grave("file", str(row[0]))
    for row in connection.exec_driver_sql("PRAGMA foreign_key_check").fetchall()[:20]:
        yield _grave(f"table {row[0]}, row {row[1]}", f"points to a row of {row[2]} that is not there")


def _check_halves(connection: Connection) -> Iterator[Finding]:
    for kind in KINDS.values():
        table = kind.row.__table__
        query = select(EntryRow.code).outerjoin(table, table.c.id == EntryRow.id)
        for code in connection.execute(query.where(EntryRow.kind == kind.name, table.c.id.is_(None))).scalars():
            yield _grave(f"{kind.name} {code}", "half of the entry is missing")
    strange = select(EntryRow.code, EntryRow.kind).where(EntryRow.kind.not_in(list(KINDS)))
    for code, name in connection.execute(strange):
        yield _grave(f"entry {code}", f"kind {name!r} is not known")


def _check_entry(
    row: Any, document: dict[str, Any], packed: bytes | None, sizes: set[tuple[Any, ...]]
) -> Iterator[Finding]:
    where = f"{row.kind} {row.code}"
    if row.code != code_of(row.uuid):
        yield _grave(where, "its code does not belong to its UUID")
    if row.sha256 != document_sha256(document):
        yield _grave(where, "its content does not fit its hash: it was changed outside sharpset")
    if (row.corrects_id is None) != (row.first_id is None):
        yield _grave(where, "its chain of corrections is broken")
    if row.kind == "readings":
        yield from _check_table(where, document, packed, sizes)


def _check_table(
    where: str, document: dict[str, Any], packed: bytes | None, sizes: set[tuple[Any, ...]]
) -> Iterator[Finding]:
    try:
        columns = unpack_columns(packed or b"", sha256=document["fields"]["table_sha256"])
    except RecordError as error:
        yield _grave(where, f"{error}")
        return
    if {len(values) for values in columns.values()} != {document["fields"]["n_rows"]}:
        yield _grave(where, "the table of readings has more or fewer rows than its entry says")
        return
    if all(sizes != _counted(columns, refused) for refused in COUNTED):
        yield _grave(where, "its summary by kind and size does not fit its table of readings")


def _counted(columns: dict[str, list[Any]], refused: Counted) -> set[tuple[Any, ...]]:
    return {tuple(row[name] for name in _COUNTED) for row in size_rows(columns, refused=refused)}


def _sizes_of(connection: Connection, keys: Sequence[int]) -> dict[int, set[tuple[Any, ...]]]:
    """Return the counts by kind and size that are kept beside tables of readings, by row number."""
    table = ReadingSizeRow.__table__
    query = select(table.c.readings_id, *(table.c[name] for name in _COUNTED))
    found: dict[int, set[tuple[Any, ...]]] = {}
    for key, *counts in connection.execute(query.where(table.c.readings_id.in_(list(keys)))):
        found.setdefault(key, set()).add(tuple(counts))
    return found


def _check_entries(connection: Connection) -> Iterator[Finding]:
    rows = {row.id: row for row in connection.execute(select(EntryRow.__table__))}
    for row in rows.values():
        before = rows.get(row.corrects_id)
        if before is not None and (before.kind != row.kind or (before.first_id or before.id) != row.first_id):
            yield _grave(f"{row.kind} {row.code}", "its chain of corrections is broken")
    for part in parts_in_order(connection, all_keys(connection, by_time=False), title="check"):
        sizes = _sizes_of(connection, [key for key, _, packed in part if packed is not None])
        for key, document, packed in part:
            yield from _check_entry(rows[key], document, packed, sizes.get(key, set()))


def _check_kept(connection: Connection) -> Iterator[Finding]:
    for file_sha256 in connection.execute(select(StoredFileRow.file_sha256)).scalars().all():
        try:
            stored_content(connection, file_sha256)
        except RecordError as error:
            yield _grave("kept file", str(error))


def _lying_files(connection: Connection) -> list[tuple[str, str, str, bool]]:
    """Return code, path, hash and whether it is kept, of files of the newest entries."""
    scans = select(EntryRow.code, ScanRow.path, ScanRow.file_sha256).join(EntryRow, EntryRow.id == ScanRow.id)
    files = select(EntryRow.code, EntryFileRow.path, EntryFileRow.file_sha256).join(
        EntryRow, EntryRow.id == EntryFileRow.entry_id
    )
    kept = set(connection.execute(select(StoredFileRow.file_sha256)).scalars())
    return [(c, p, s, s in kept) for query in (scans, files) for c, p, s in connection.execute(query)]


def _check_lying(connection: Connection, base: Path, files: list[tuple[str, str, str, bool]]) -> Iterator[Finding]:
    for code, path, file_sha256, kept in tqdm(files, desc="files", disable=None, delay=1, leave=False):
        place = base / path
        if not place.is_file():
            if not kept:
                yield Finding(grave=False, where=f"entry {code}", what=f"{path} is no longer there")
        elif hash_file(place)[0] != file_sha256:
            yield Finding(grave=False, where=f"entry {code}", what=f"{path} was changed since it was entered")


def _index_rows(connection: Connection) -> set[tuple[Any, ...]]:
    row = SearchDetailRow
    columns = (row.entry_id, row.source, row.kind, row.limit_mm, row.subject_key, row.printer_key, row.material_key)
    return {tuple(found) for found in connection.execute(select(*columns))}


def check_record(
    connection: Connection, where: str, *, base: Path, files: bool = True, index: bool = True
) -> CheckReport:
    """Check a whole record.

    Parameters
    ----------
    connection : Connection
        Inside a writing transaction, as the search index is made anew.
    where : str
        Where the record lies, for the report.
    base : Path
        Folder against which the paths of files are taken.
    files : bool
        Whether to hash scans and other files where they lie.
    index : bool
        Whether to make the search index anew and compare.
    """
    findings = [*_check_file(connection), *_check_halves(connection)]
    if not findings:
        findings += [*_check_entries(connection), *_check_kept(connection)]
    lying = _lying_files(connection) if files else []
    findings += _check_lying(connection, base, lying)
    if index and not any(finding.grave for finding in findings):
        before = _index_rows(connection)
        rebuild_index(connection)
        if _index_rows(connection) != before:
            findings.append(Finding(grave=False, where="search index", what="was out of date and has been made anew"))
    n_entries, n_tables = (
        connection.execute(select(func.count()).select_from(EntryRow).where(*condition)).scalar_one()
        for condition in ((), (EntryRow.kind == "readings",))
    )
    n_kept = connection.execute(select(func.count()).select_from(StoredFileRow)).scalar_one()
    return CheckReport(
        where=where,
        n_entries=int(n_entries),
        n_tables=int(n_tables),
        n_kept=int(n_kept),
        n_files=len(lying),
        findings=tuple(findings),
    )
