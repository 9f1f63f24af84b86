"""Where the record lies, and how it is spoken to: SQLite by default, PostgreSQL by URL."""

from __future__ import annotations

import json
import os
import sqlite3
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import URL, Connection, Engine, create_engine, event, make_url, text
from sqlalchemy.exc import ArgumentError, DBAPIError, IntegrityError, OperationalError, SQLAlchemyError

from sharpset.errors import RecordError
from sharpset.record.codes import to_json

__all__ = ["DEFAULT_NAME", "ENVIRONMENT", "describe", "faults_explained", "locate_record", "make_engine", "sqlite_path"]

DEFAULT_NAME = "sharpset-record.sqlite"
ENVIRONMENT = "SHARPSET_RECORD"
BUSY_MS = 60_000
_LOCK = 7_283_951_046  # any number; the key of the lock that makes PostgreSQL writers take turns


def locate_record(url_or_path: str | Path | None = None) -> URL:
    """Return the URL of the record.

    Parameters
    ----------
    url_or_path : str or Path, optional
        A path of a SQLite file, or a URL ``postgresql://user@host/name``. Without it the
        environment variable SHARPSET_RECORD is used, and without that the file
        ``sharpset-record.sqlite`` in the current folder.
    """
    given = url_or_path if url_or_path not in (None, "") else os.environ.get(ENVIRONMENT) or DEFAULT_NAME
    words = str(given)
    if "://" not in words:
        return URL.create("sqlite", database=str(Path(words).expanduser()))
    try:
        url = make_url(words)
    except ArgumentError as error:
        raise RecordError(
            "the record's URL cannot be read. Write postgresql://user@host/name or a file's path."
        ) from error
    if url.drivername in ("postgresql", "postgres", "postgresql+psycopg"):
        return url.set(drivername="postgresql+psycopg")
    if url.drivername == "sqlite" and url.database and url.database != ":memory:":
        return url
    raise RecordError(
        f"{url.render_as_string(hide_password=True)}: a record lies in a SQLite file or in PostgreSQL. "
        "Give a path or a URL postgresql://user@host/name."
    )


def sqlite_path(url: URL) -> Path | None:
    """Return the path of a SQLite record, None for a server."""
    return Path(url.database or "") if url.get_backend_name() == "sqlite" else None


def describe(url: URL) -> str:
    """Return where the record lies, for people; never with a password."""
    path = sqlite_path(url)
    return str(path) if path is not None else url.render_as_string(hide_password=True)


def _switch_to_wal(cursor: sqlite3.Cursor) -> None:
    """Switch to write-ahead logging; the switch itself does not wait for others, so wait here."""
    until = time.monotonic() + BUSY_MS / 1000
    while cursor.execute("PRAGMA journal_mode").fetchone()[0] != "wal":
        try:
            cursor.execute("PRAGMA journal_mode=WAL").fetchone()
        except sqlite3.OperationalError as error:
            if "locked" not in str(error) or time.monotonic() > until:
                raise
            time.sleep(0.02)


def _prepare_sqlite(connection: Any, _record: Any) -> None:
    connection.isolation_level = None  # BEGIN is ours, see _begin_sqlite
    cursor = connection.cursor()
    cursor.execute(f"PRAGMA busy_timeout={BUSY_MS}")
    _switch_to_wal(cursor)
    # FULL syncs the log at every commit: a committed entry outlives a killed process and a power cut
    cursor.execute("PRAGMA synchronous=FULL")
    cursor.execute("PRAGMA foreign_keys=ON")
    cursor.close()


def _begin_sqlite(connection: Connection) -> None:
    writing = connection.get_execution_options().get("writing", False)
    # a writer asks for the lock at once, else two readers that turn writers would refuse each other
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writing else "BEGIN")


def _begin_postgresql(connection: Connection) -> None:
    if connection.get_execution_options().get("writing", False):
        connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": _LOCK})


def make_engine(url: URL) -> Engine:
    """Return the engine of a record; entering a transaction with option ``writing`` takes the writers' lock."""
    if sqlite_path(url) is not None:
        engine = create_engine(url, json_serializer=to_json, json_deserializer=json.loads)
        event.listen(engine, "connect", _prepare_sqlite)
        event.listen(engine, "begin", _begin_sqlite)
    else:
        engine = create_engine(
            url, json_serializer=to_json, json_deserializer=json.loads, connect_args={"connect_timeout": 10}
        )
        event.listen(engine, "begin", _begin_postgresql)
    return engine


def _explain(error: Exception, where: str) -> str:
    words = str(getattr(error, "orig", None) or error)
    first = words.strip().splitlines()[0] if words.strip() else type(error).__name__
    low = words.lower()
    if "not a database" in low or "malformed" in low or "corrupt" in low:
        return (
            f"{where}: the record is damaged or is no record ({first}). Nothing was changed; "
            "put a backup in its place with 'sharpset record restore BACKUP'."
        )
    if "locked" in low:
        return f"{where}: another program kept the record locked for {BUSY_MS // 1000} s. Close it and try again."
    if "readonly" in low or "read-only" in low or "unable to open" in low or "permission" in low:
        return f"{where}: the record cannot be opened for writing ({first}). Check the folder and its permissions."
    if "full" in low and "disk" in low:
        return f"{where}: the disk is full; the entry was not taken. Make room and try again."
    if isinstance(error, IntegrityError):
        return f"{where}: the entry does not fit the record and was not taken ({first})."
    if isinstance(error, OperationalError):
        return f"{where}: the record cannot be reached ({first}). Check the address and that the server runs."
    return f"{where}: the record answered with a fault ({first}). Nothing was changed; run 'sharpset record check'."


@contextmanager
def faults_explained(url: URL) -> Iterator[None]:
    """Turn a database's fault into one clear line."""
    try:
        yield
    except (DBAPIError, sqlite3.Error, SQLAlchemyError) as error:
        raise RecordError(_explain(error, describe(url))) from error
