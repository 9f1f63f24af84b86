"""The record: open it, add to it, correct it, look things up."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sqlalchemy import URL, Connection, Engine, func, select

from sharpset.errors import RecordError
from sharpset.record.codes import code_of, later_than, new_uuid, now_utc
from sharpset.record.documents import Document, insert_document, load_documents, uuids_of
from sharpset.record.engine import describe, faults_explained, locate_record, make_engine
from sharpset.record.entries import Entry
from sharpset.record.kinds import Kind, check_fields, kind_named
from sharpset.record.listing import list_entries
from sharpset.record.lookup import chain_of, find_key, is_newest, to_entries
from sharpset.record.models import EntryRow, ReadingsRow
from sharpset.record.schema import prepare
from sharpset.record.tables import check_readings, pack_table, table_digest, unpack_table

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Record", "open_record"]

Target = str | Entry


def hash_file(path: Path | str) -> tuple[str, int]:
    """Return the SHA-256 and the size in bytes of a file."""
    digest = hashlib.sha256()
    n_bytes = 0
    try:
        with Path(path).open("rb") as file:
            while block := file.read(1 << 20):
                digest.update(block)
                n_bytes += len(block)
    except OSError as error:
        raise RecordError(f"{path}: the file cannot be read ({error.strerror}). Check its path.") from error
    return digest.hexdigest(), n_bytes


class Record:
    """The database of printers, materials, prints, scans, readings and recipes.

    Made by `open_record`; use it in a ``with`` statement. Every call that adds something is one
    transaction: it is in the record when the call returns, or not at all.

    Attributes
    ----------
    where : str
        Where the record lies.
    notice : str
        What was done on opening (an older record brought up to date), else empty.
    """

    def __init__(self, url: URL, engine: Engine, notice: str) -> None:
        self._url = url
        self._engine = engine
        self.where = describe(url)
        self.notice = notice

    def __enter__(self) -> Record:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def __repr__(self) -> str:
        return f"<Record {self.where}>"

    def close(self) -> None:
        """Let go of the database."""
        self._engine.dispose()

    @contextmanager
    def _reading(self) -> Iterator[Connection]:
        with faults_explained(self._url), self._engine.connect() as connection, connection.begin():
            yield connection

    @contextmanager
    def _writing(self) -> Iterator[Connection]:
        with (
            faults_explained(self._url),
            self._engine.connect().execution_options(writing=True) as connection,
            connection.begin(),
        ):
            yield connection

    def add(
        self,
        kind: str,
        name: str = "",
        *,
        fields: Mapping[str, Any] | None = None,
        refs: Mapping[str, Target | None] | None = None,
        by: str = "",
        note: str = "",
    ) -> Entry:
        """Add an entry of any kind; the methods below are the same with named arguments.

        Parameters
        ----------
        kind : str
        name : str
        fields : mapping, optional
            Fields of the kind.
        refs : mapping, optional
            Entries it points to: a code, a UUID, a name or an Entry.
        by, note : str
            Who makes the entry, and a remark.
        """
        with self._writing() as connection:
            document = self._new_document(connection, kind_named(kind), name, fields or {}, refs or {}, by, note)
            key = insert_document(connection, document)
            return to_entries(connection, [key])[0]

    def _new_document(
        self,
        connection: Connection,
        kind: Kind,
        name: str,
        fields: Mapping[str, Any],
        refs: Mapping[str, Target | None],
        by: str,
        note: str,
    ) -> Document:
        name = name.strip()
        if kind.name_required and not name:
            raise RecordError(f"{kind.name}: name is missing: what you call it. Add name=...")
        checked = check_fields(kind, fields)
        targets = self._find_refs(connection, kind, refs)
        if kind.one_name and name:
            self._refuse_same_name(connection, kind, name)
        return _document(_free_uuid(connection), kind, name, checked, targets, by, note)

    def _find_refs(self, connection: Connection, kind: Kind, refs: Mapping[str, Target | None]) -> dict[str, str]:
        unknown = [name for name in refs if name not in kind.refs]
        if unknown:
            raise RecordError(
                f"{kind.name}: it cannot point to a {unknown[0]!r}; it may point to {', '.join(kind.refs)}."
            )
        missing = [name for name in kind.needs if not refs.get(name)]
        if missing:
            raise RecordError(f"{kind.name}: {missing[0]} is missing: the name or code of a {kind.refs[missing[0]]}.")
        keys = {name: find_key(connection, target, kind=kind.refs[name]) for name, target in refs.items() if target}
        uuids = uuids_of(connection, keys.values())
        return {name: uuids[key] for name, key in keys.items()}

    def _refuse_same_name(self, connection: Connection, kind: Kind, name: str, *, chain: int | None = None) -> None:
        query = select(EntryRow.code, func.coalesce(EntryRow.first_id, EntryRow.id).label("chain")).where(
            EntryRow.kind == kind.name, EntryRow.name == name, is_newest()
        )
        for code, other in connection.execute(query):
            if other != chain:
                raise RecordError(
                    f"{kind.name} {name!r} is in the record already, as {code}. Take another name, "
                    f"or correct it with 'sharpset record correct {code}'."
                )

    def add_printer(
        self, name: str, *, process: str, details: Mapping[str, Any] | None = None, by: str = "", note: str = ""
    ) -> Entry:
        """Add a printer; `process` is filament or resin."""
        return self.add("printer", name, fields={"process": process, "details": details}, by=by, note=note)

    def add_material(
        self,
        name: str,
        *,
        process: str | None = None,
        supplier: str = "",
        details: Mapping[str, Any] | None = None,
        by: str = "",
        note: str = "",
    ) -> Entry:
        """Add a material."""
        fields = {"process": process, "supplier": supplier, "details": details}
        return self.add("material", name, fields=fields, by=by, note=note)

    def add_piece(
        self,
        name: str,
        *,
        type: str = "",
        version: str = "",
        definition: Mapping[str, Any] | None = None,
        by: str = "",
        note: str = "",
    ) -> Entry:
        """Add a test piece or the model of a master; `definition` is what piece.json holds."""
        fields = {"type": type, "version": version, "definition": definition}
        return self.add("piece", name, fields=fields, by=by, note=note)

    def add_print(
        self,
        settings: Mapping[str, Any],
        *,
        printer: Target,
        material: Target | None = None,
        piece: Target | None = None,
        name: str = "",
        run_id: str = "",
        plan_id: str = "",
        printed_utc: str = "",
        duration_h: float | None = None,
        outcome: str = "",
        details: Mapping[str, Any] | None = None,
        by: str = "",
        note: str = "",
    ) -> Entry:
        """Add a print job.

        Parameters
        ----------
        settings : mapping of str to object
            Every setting by name, units in the names (``layer_height_mm``).
        printer, material, piece : str or Entry
            Name, code or entry.
        name : str
            What was printed.
        run_id, plan_id : str
            The run of a plan that it was.
        printed_utc : str
            ISO 8601 date or time.
        duration_h : float
            Print time, h.
        outcome : str
            How it came out, in words.
        """
        fields = {
            "settings": settings,
            "run_id": run_id,
            "plan_id": plan_id,
            "printed_utc": printed_utc,
            "duration_h": duration_h,
            "outcome": outcome,
            "details": details,
        }
        refs = {"printer": printer, "material": material, "piece": piece}
        return self.add("print", name, fields=fields, refs=refs, by=by, note=note)

    def add_scan(
        self,
        path: Path | str,
        *,
        print: Target | None = None,
        piece: Target | None = None,
        name: str = "",
        dpi: float | None = None,
        scanner: str = "",
        scanned_utc: str = "",
        details: Mapping[str, Any] | None = None,
        by: str = "",
        note: str = "",
    ) -> Entry:
        """Add a scan: its file is hashed and stays where it lies; the name is the file's unless given."""
        file_sha256, n_bytes = hash_file(path)
        fields = {
            "path": str(path),
            "file_sha256": file_sha256,
            "n_bytes": n_bytes,
            "dpi": dpi,
            "scanner": scanner,
            "scanned_utc": scanned_utc,
            "details": details,
        }
        refs = {"print": print, "piece": piece}
        return self.add("scan", name or Path(path).stem, fields=fields, refs=refs, by=by, note=note)

    def add_readings(
        self,
        readings: pd.DataFrame,
        *,
        scan: Target | None = None,
        print: Target | None = None,
        piece: Target | None = None,
        by: str = "",
        note: str = "",
    ) -> tuple[Entry, ...]:
        """Add a table of readings, one entry for each scan_id in it, all or none.

        Parameters
        ----------
        readings : DataFrame
            A table of readings, lengths in mm.
        scan, print, piece : str or Entry, optional
            What was read. Without a `scan` the scan of the record whose name is the table's
            scan_id is taken, where there is one.
        """
        table = check_readings(readings)
        with self._writing() as connection:
            kind = kind_named("readings")
            keys = []
            for scan_id, part in table.groupby("scan_id", sort=False):
                refs = {"scan": scan or _scan_named(connection, str(scan_id)), "print": print, "piece": piece}
                packed = pack_table(part.reset_index(drop=True))
                fields = {"n_rows": len(part), "table_sha256": table_digest(packed)}
                document = self._new_document(connection, kind, str(scan_id), fields, refs, by, note)
                keys.append(insert_document(connection, document, packed))
            return tuple(to_entries(connection, keys))

    def add_recipe(
        self,
        name: str,
        settings: Mapping[str, Any],
        *,
        status: str = "trial",
        printer: Target | None = None,
        material: Target | None = None,
        details: Mapping[str, Any] | None = None,
        by: str = "",
        note: str = "",
    ) -> Entry:
        """Add a recipe: settings that worked; `status` is trial, good or retired."""
        fields = {"status": status, "settings": settings, "details": details}
        refs = {"printer": printer, "material": material}
        return self.add("recipe", name, fields=fields, refs=refs, by=by, note=note)

    def correct(
        self, what: Target, changes: Mapping[str, Any], *, note: str, by: str = "", kind: str | None = None
    ) -> Entry:
        """Correct an entry by a new one that points to it; the old one stays.

        Parameters
        ----------
        what : str or Entry
            Code, UUID, name or entry. The newest entry of its chain is corrected.
        changes : mapping
            Fields and references to change, ``name`` among them; None empties a field.
        note : str
            Why; a correction without a reason is refused.
        """
        if not note.strip():
            raise RecordError("correct: note is missing: why the entry is corrected. Add a note.")
        with self._writing() as connection:
            key = find_key(connection, what, kind=kind)
            old = load_documents(connection, [key])[key]
            document = self._corrected(connection, key, old, changes, by, note)
            return to_entries(connection, [insert_document(connection, document, self._packed(connection, key))])[0]

    def _corrected(
        self, connection: Connection, key: int, old: Document, changes: Mapping[str, Any], by: str, note: str
    ) -> Document:
        kind = kind_named(old["kind"])
        name = str(changes.get("name", old.get("name", ""))).strip()
        new_refs = {n: v for n, v in changes.items() if n in kind.refs}
        new_fields = {n: v for n, v in changes.items() if n not in kind.refs and n != "name"}
        fields = check_fields(kind, dict(old["fields"]) | new_fields)
        refs = self._find_refs(connection, kind, dict(old.get("refs", {})) | new_refs)
        kept = {n: u for n, u in old.get("refs", {}).items() if n not in new_refs}
        if kind.one_name:
            self._refuse_same_name(connection, kind, name, chain=int(chain_of(connection, key)[0].id))
        document = _document(_free_uuid(connection), kind, name, fields, refs | kept, by, note)
        document["corrects"] = old["uuid"]
        document["created_utc"] = later_than(old["created_utc"])
        return document

    def _packed(self, connection: Connection, key: int) -> bytes | None:
        return connection.execute(select(ReadingsRow.packed).where(ReadingsRow.id == key)).scalar_one_or_none()

    def show(self, what: Target, *, kind: str | None = None, follow: bool = True) -> Entry:
        """Return one entry; corrections are followed to the newest unless `follow` is False."""
        with self._reading() as connection:
            return to_entries(connection, [find_key(connection, what, kind=kind, follow=follow)])[0]

    def list(
        self,
        kind: str | None = None,
        *,
        text: str = "",
        corrected: bool = False,
        most: int = 100,
        **refs: Target,
    ) -> pd.DataFrame:
        """Return a table of entries, the newest first.

        Parameters
        ----------
        kind : str, optional
            printer, material, print ...; all kinds without it.
        text : str
            Keep entries whose name or note holds this.
        corrected : bool
            Whether entries that were corrected later are shown too.
        most : int
            Largest number of rows.
        **refs : str or Entry
            Keep entries that point to these: ``printer="Heron"``, ``material=...``.
        """
        with self._reading() as connection:
            targets = kind_named(kind).refs if kind else {}
            keys = {name: find_key(connection, what, kind=targets.get(name)) for name, what in refs.items()}
            return list_entries(connection, kind, refs=keys, text=text, corrected=corrected, most=most)

    def readings(self, what: Target) -> pd.DataFrame:
        """Return the table of a readings entry."""
        with self._reading() as connection:
            key = find_key(connection, what, kind="readings")
            packed = self._packed(connection, key)
        if packed is None:
            raise RecordError(
                f"{self.where}: the table of {what!r} is missing, the record is damaged. Restore a backup."
            )
        return unpack_table(packed)


def _document(
    uuid: str, kind: Kind, name: str, fields: dict[str, Any], refs: dict[str, str], by: str, note: str
) -> Document:
    document: Document = {"uuid": uuid, "kind": kind.name, "created_utc": now_utc(), "fields": fields}
    for key, value in (("name", name), ("by", by.strip()), ("note", note.strip()), ("refs", refs)):
        if value:
            document[key] = value
    return document


def _free_uuid(connection: Connection) -> str:
    """Return a new UUID whose code no entry has."""
    while True:
        uuid = new_uuid()
        if connection.execute(select(EntryRow.id).where(EntryRow.code == code_of(uuid)).limit(1)).first() is None:
            return uuid


def _scan_named(connection: Connection, scan_id: str) -> str | None:
    if not scan_id:
        return None
    query = select(EntryRow.uuid).where(EntryRow.kind == "scan", EntryRow.name == scan_id, is_newest())
    found = connection.execute(query.limit(2)).scalars().all()
    return found[0] if len(found) == 1 else None


def open_record(url_or_path: str | Path | None = None, *, create: bool = True) -> Record:
    """Open the record, make it where there is none, bring an older one up to date.

    Parameters
    ----------
    url_or_path : str or Path, optional
        A file's path or a URL ``postgresql://user@host/name``; without it the environment variable
        SHARPSET_RECORD, and without that ``sharpset-record.sqlite`` in the current folder.
    create : bool
        Whether a new record may be made.

    Returns
    -------
    Record
        For use in a ``with`` statement.

    Raises
    ------
    RecordError
        If there is none and `create` is False, if it is damaged, or written by a newer sharpset.
    """
    url = locate_record(url_or_path)
    engine = make_engine(url)
    try:
        with faults_explained(url):
            notice = prepare(engine, create=create)
    except BaseException:
        engine.dispose()
        raise
    return Record(url, engine, notice)
