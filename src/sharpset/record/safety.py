"""Back the record up, put a backup in its place, and check that all of it is sound."""

from __future__ import annotations

import os
import sqlite3
import tempfile
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

from sqlalchemy import URL, Engine, func, select

from sharpset.errors import RecordError
from sharpset.record.engine import describe, faults_explained, locate_record, make_engine, sqlite_path
from sharpset.record.merging import copy_record
from sharpset.record.models import EntryRow
from sharpset.record.schema import known_versions, prepare, version_in_file

__all__ = ["backup_record", "restore_record"]


def _sound(path: Path) -> str:
    """Return what SQLite finds wrong with a file; empty where nothing is."""
    try:
        with closing(sqlite3.connect(path)) as connection:
            found = [row[0] for row in connection.execute("PRAGMA integrity_check(3)")]
    except sqlite3.DatabaseError as error:
        return str(error)
    return "" if found == ["ok"] else "; ".join(found)


def _copy_sqlite(source: Path, target: Path) -> None:
    with closing(sqlite3.connect(source)) as old, closing(sqlite3.connect(target)) as new:
        old.backup(new)


def _sync(path: Path) -> None:
    with path.open("rb+") as file:
        os.fsync(file.fileno())


def backup_record(engine: Engine, path: Path) -> int:
    """Copy a record, in use or not, into a new SQLite file; return its size in bytes.

    The copy is made beside, checked and then moved into place, so a file of this name is a whole
    backup. A record on PostgreSQL becomes a SQLite file with the same entries.
    """
    if path.exists():
        raise RecordError(f"{path}: there is a file of this name already. Give a new name for the backup.")
    if not path.parent.is_dir():
        raise RecordError(f"{path}: the folder {path.parent} does not exist. Make it, or give another path.")
    beside = path.with_name(f".{path.name}.{os.getpid()}.part")
    own = sqlite_path(engine.url)
    try:
        if own is not None:
            _copy_sqlite(own, beside)
        else:
            _copy_from_server(engine, beside)
        wrong = _sound(beside)
        if wrong:
            raise RecordError(f"{describe(engine.url)}: the record is damaged ({wrong}), so it was not backed up.")
        _sync(beside)
        beside.rename(path)
    except OSError as error:
        raise RecordError(f"{path}: the backup cannot be written ({error.strerror}). Check the folder.") from error
    finally:
        for end in ("", "-wal", "-shm", "-journal"):
            Path(f"{beside}{end}").unlink(missing_ok=True)
    return path.stat().st_size


def _copy_from_server(engine: Engine, path: Path) -> None:
    target = make_engine(URL.create("sqlite", database=str(path)))
    try:
        prepare(target)
        with (
            # one snapshot for the whole copy, whatever others add meanwhile
            engine.connect().execution_options(isolation_level="REPEATABLE READ") as old,
            target.connect().execution_options(writing=True) as new,
            new.begin(),
        ):
            copy_record(old, new)
        with closing(sqlite3.connect(path)) as connection:
            connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    finally:
        target.dispose()


def _refuse_bad_backup(backup: Path) -> None:
    if not backup.is_file():
        raise RecordError(f"{backup}: there is no such file. Give the path of a backup.")
    wrong = _sound(backup)
    if wrong:
        raise RecordError(
            f"{backup}: the backup is damaged or is no record ({wrong}). Nothing was changed; give another one."
        )
    version = version_in_file(backup)
    if version is None:
        raise RecordError(f"{backup}: this is no backup of a record. Nothing was changed; give another one.")
    if version not in known_versions():
        raise RecordError(f"{backup}: written by a newer sharpset (tables {version}). Install the newer sharpset.")


def _set_aside(path: Path) -> Path:
    """Keep a copy of the present record; a damaged one is moved aside as it is."""
    stamp = datetime.now(UTC).strftime("%Y%m%dT%H%M%SZ")
    aside = path.with_name(f"{path.stem}.before-restore-{stamp}{path.suffix}")
    number = 1
    while aside.exists():
        number += 1
        aside = path.with_name(f"{path.stem}.before-restore-{stamp}-{number}{path.suffix}")
    if _sound(path):
        for end in ("", "-wal", "-shm"):
            if Path(f"{path}{end}").exists():
                Path(f"{path}{end}").rename(f"{aside}{end}")
    else:
        _copy_sqlite(path, aside)
    return aside


def restore_record(backup: Path | str, url_or_path: str | Path | None = None) -> str:
    """Put a backup in the place of the record; return in words what became of the present one.

    Parameters
    ----------
    backup : path
        A backup made by `Record.backup`.
    url_or_path : str or Path, optional
        The record, see `open_record`. On PostgreSQL the database must not hold entries yet.

    Returns
    -------
    str
        Where the record is, and where the one from before is kept.

    Raises
    ------
    RecordError
        If the backup is damaged or none; nothing is changed then.
    """
    backup = Path(backup)
    url = locate_record(url_or_path)
    _refuse_bad_backup(backup)
    path = sqlite_path(url)
    with faults_explained(url):
        if path is None:
            return _restore_to_server(backup, url)
        if path.exists() and path.resolve() == backup.resolve():
            raise RecordError(f"{backup}: the backup is the record itself. Give another file.")
        kept = ""
        if path.exists() and path.stat().st_size:
            kept = f"; the record from before is kept in {_set_aside(path)}"
        # SQLite's own copy: atomic, and others that have the record open see the new one
        _copy_sqlite(backup, path)
        engine = make_engine(url)
        try:
            prepare(engine)
        finally:
            engine.dispose()
    return f"{path}: restored from {backup}{kept}"


def _restore_to_server(backup: Path, url: URL) -> str:
    target = make_engine(url)
    with tempfile.TemporaryDirectory() as folder:
        # an older backup is brought up to date in a copy; the backup itself stays as it is
        copy = Path(folder) / "copy.sqlite"
        _copy_sqlite(backup, copy)
        return _copy_to_server(backup, make_engine(URL.create("sqlite", database=str(copy))), target)


def _copy_to_server(backup: Path, source: Engine, target: Engine) -> str:
    where = describe(target.url)
    try:
        prepare(target)
        prepare(source)
        with (
            source.connect() as old,
            target.connect().execution_options(writing=True) as new,
            new.begin(),
        ):
            if new.execute(select(func.count()).select_from(EntryRow)).scalar_one():
                raise RecordError(
                    f"{where}: holds entries already. Restore into an empty database, or export and import."
                )
            n_entries = copy_record(old, new)
    finally:
        source.dispose()
        target.dispose()
    return f"{where}: restored {n_entries} entries from {backup}"
