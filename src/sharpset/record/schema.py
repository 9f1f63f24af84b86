"""Bring the record's tables to the version that this program knows; never lose anything on the way."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from sqlalchemy import Connection, Engine, inspect, text

from sharpset.errors import RecordError
from sharpset.record.engine import describe, sqlite_path
from sharpset.record.indexing import rebuild_index
from sharpset.record.models import Base

if TYPE_CHECKING:
    from alembic.config import Config

__all__ = ["HEAD", "known_versions", "prepare", "upgrade_tables", "version_in_file"]

HEAD = "0003"
"""The version of the tables that this program writes (a test compares it with the migrations)."""

_APPLICATION_ID = 0x53525354  # marks a SQLite file as a record: the letters SRST


def _config(connection: Connection | None) -> Config:
    from alembic.config import Config

    config = Config()
    folder = Path(__file__).parent / "migrations"
    config.set_main_option("script_location", str(folder).replace("%", "%%"))
    config.attributes["connection"] = connection
    return config


def known_versions() -> list[str]:
    """Return the versions of the tables that this program knows, the newest first."""
    from alembic.script import ScriptDirectory

    return [script.revision for script in ScriptDirectory.from_config(_config(None)).walk_revisions()]


def version_in_file(path: Path) -> str | None:
    """Return the version of the tables in a SQLite file, None where it is no record."""
    with closing(sqlite3.connect(path)) as connection:
        names = {row[0] for row in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
        if not {"alembic_version", "entry"} <= names:
            return None
        row = connection.execute("SELECT version_num FROM alembic_version").fetchone()
    return None if row is None else str(row[0])


def _version(connection: Connection) -> str | None:
    """Return the version of the tables, None where there are none yet."""
    if connection.dialect.name == "sqlite":
        found = connection.execute(text("SELECT 1 FROM sqlite_master WHERE name = 'alembic_version'")).first()
    else:
        found = connection.execute(text("SELECT 1 WHERE to_regclass('alembic_version') IS NOT NULL")).first()
    if found is None:
        return None
    row = connection.execute(text("SELECT version_num FROM alembic_version")).first()
    return None if row is None else str(row[0])


def _stamp(time: datetime) -> str:
    return time.strftime("%Y%m%dT%H%M%SZ")


def _copy_before(engine: Engine, connection: Connection, version: str) -> str:
    """Copy the record as it is before its tables change; return where the copy lies."""
    stamp = _stamp(datetime.now(UTC))
    path = sqlite_path(engine.url)
    if path is not None:
        copy = path.with_name(f"{path.stem}.before-{HEAD}-{stamp}{path.suffix}")
        with closing(sqlite3.connect(path)) as source, closing(sqlite3.connect(copy)) as target:
            source.backup(target)
        return str(copy)
    schema = f"sharpset_before_{HEAD}_{stamp.lower()}"
    tables = inspect(connection).get_table_names()
    connection.execute(text(f"CREATE SCHEMA {schema}"))
    for name in tables:
        connection.execute(text(f'CREATE TABLE {schema}."{name}" AS TABLE "{name}"'))
    return f"schema {schema}"


def upgrade_tables(connection: Connection, version: str = HEAD) -> None:
    """Run the migrations up to a version on a connection; the caller commits."""
    from alembic import command

    command.upgrade(_config(connection), version)


def _stranger(where: str, names: list[str]) -> RecordError:
    return RecordError(
        f"{where}: this database holds other tables ({', '.join(sorted(names)[:3])}) and is no record. "
        "Nothing was changed; give another path with --db."
    )


def _refuse_strangers(connection: Connection, where: str) -> None:
    taken = [name for name in inspect(connection).get_table_names() if name in Base.metadata.tables]
    if taken:
        raise _stranger(where, taken)


_SQLITE = b"SQLite format 3\x00"


def _refuse_strange_file(path: Path) -> None:
    """Look at a SQLite file before anything is set on it: another program's file must stay as it is."""
    with path.open("rb") as file:
        head = file.read(len(_SQLITE))
    if head and head != _SQLITE:
        # SQLite takes a file that is shorter than its header for an empty one, and would write over it.
        raise RecordError(
            f"{path}: the record is damaged or is no record (file is not a database). Nothing was changed; "
            "put a backup in its place with 'sharpset record restore BACKUP', or give another path with --db."
        )
    connection = sqlite3.connect(path)
    try:
        names = [row[0] for row in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
    finally:
        connection.close()
    if names and "alembic_version" not in names:
        raise _stranger(str(path), names)
    if "alembic_version" in names and "entry" not in names:
        raise _stranger(str(path), names)


def _bring_up(engine: Engine, connection: Connection, where: str, *, create: bool) -> str:
    """Create or upgrade the tables inside the caller's transaction; return what was done, in words."""
    version = _version(connection)
    if version == HEAD:
        return ""
    if version is None:
        _refuse_strangers(connection, where)
        if not create:
            raise RecordError(
                f"{where}: there is no record here yet. 'sharpset record add printer --set name=...' starts one."
            )
        upgrade_tables(connection)
        if connection.dialect.name == "sqlite":
            connection.exec_driver_sql(f"PRAGMA application_id={_APPLICATION_ID}")
        return ""
    if version not in known_versions():
        raise RecordError(
            f"{where}: written by a newer sharpset (tables {version}, this one knows up to {HEAD}). "
            "Nothing was changed; install the newer sharpset to open it."
        )
    copy = _copy_before(engine, connection, version)
    upgrade_tables(connection)
    if version < "0002":  # the index that searches use came with 0002
        rebuild_index(connection)
    if connection.dialect.name == "sqlite":
        broken = connection.exec_driver_sql("PRAGMA foreign_key_check").fetchall()
        if broken:
            raise RecordError(
                f"{where}: {len(broken)} rows point to entries that are not there, so the tables were not upgraded. "
                f"Nothing was changed; restore a backup."
            )
    return f"{where}: tables brought from version {version} to {HEAD}; a copy from before is kept in {copy}"


def prepare(engine: Engine, *, create: bool = True) -> str:
    """Make a new record's tables, upgrade an older record's after a copy, refuse a newer one's.

    All of it happens in one transaction under the writers' lock: a killed program leaves the record
    as it was, and of two programs that open a new record at once one makes the tables.

    Parameters
    ----------
    engine : Engine
    create : bool
        Whether a record may be made where there is none.

    Returns
    -------
    str
        What was done to an older record; empty where nothing had to be done.
    """
    where = describe(engine.url)
    path = sqlite_path(engine.url)
    if path is not None and not path.exists():
        if not create:
            raise RecordError(
                f"{where}: there is no record here yet. 'sharpset record add printer --set name=...' starts one."
            )
        if not path.parent.is_dir():
            raise RecordError(
                f"{where}: the folder {path.parent} does not exist. Make it, or give another path with --db."
            )
    if path is not None and path.is_dir():
        raise RecordError(f"{where}: this is a folder. Give the path of a file with --db.")
    if path is not None and path.exists():
        _refuse_strange_file(path)
    with engine.connect() as connection:
        if _version(connection) == HEAD:
            return ""
    with engine.connect().execution_options(writing=True) as connection:
        if path is not None:
            # tables that others point to may be rebuilt: references are checked before the commit instead
            connection.connection.driver_connection.execute("PRAGMA foreign_keys=OFF")  # type: ignore[union-attr]
        try:
            with connection.begin():
                return _bring_up(engine, connection, where, create=create)
        finally:
            if path is not None:
                connection.connection.driver_connection.execute("PRAGMA foreign_keys=ON")  # type: ignore[union-attr]
