"""A new record for each test, on SQLite and, where a server is installed, on PostgreSQL."""

from __future__ import annotations

import itertools
import os
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from sharpset.record import Record, open_record

_NUMBERS = itertools.count(1)


def _server_programs() -> Path | None:
    """Return the folder of PostgreSQL's server programs, None where there are none."""
    on_path = shutil.which("initdb")
    folders = [Path(on_path).parent] if on_path else []
    folders += sorted(Path("/usr/lib/postgresql").glob("*/bin"), reverse=True)
    for folder in folders:
        names = {path.stem for path in folder.iterdir()}
        if {"initdb", "pg_ctl", "postgres"} <= names:
            return folder
    return None


def _as_postgres() -> dict[str, Any]:
    """Return how to run the server programs: they refuse to run as root."""
    if os.name != "posix" or os.geteuid() != 0:
        return {}
    return {"user": "postgres", "group": "postgres", "extra_groups": []}


@pytest.fixture(scope="session")
def postgresql_server() -> Iterator[str]:
    """Start a PostgreSQL cluster of its own on a socket in a temporary folder; give its folder."""
    programs = _server_programs()
    if programs is None:
        pytest.skip("no PostgreSQL server is installed here (Debian: apt-get install postgresql)")
    if os.name != "posix":
        pytest.skip("the PostgreSQL tests speak over a Unix socket, which this system lacks")
    folder = Path(tempfile.mkdtemp(prefix="pg"))
    run_as = _as_postgres()
    if run_as:
        shutil.chown(folder, "postgres", "postgres")
    data = folder / "data"

    def run(*words: str) -> None:
        log = folder / "words.log"
        with log.open("w", encoding="utf-8") as out:
            done = subprocess.run(words, stdout=out, stderr=out, cwd=folder, timeout=120, check=False, **run_as)
        assert done.returncode == 0, log.read_text(encoding="utf-8")

    try:
        run(str(programs / "initdb"), "-D", str(data), "-U", "postgres", "-A", "trust", "-E", "UTF8", "--no-sync")
        # the tests kill clients, never the server, so its own syncing may rest
        options = f"-c listen_addresses='' -c unix_socket_directories='{folder}' -c fsync=off -c max_connections=40"
        run(str(programs / "pg_ctl"), "-D", str(data), "-w", "-l", str(folder / "server.log"), "-o", options, "start")
        yield str(folder)
    finally:
        if (data / "postmaster.pid").exists():
            run(str(programs / "pg_ctl"), "-D", str(data), "-w", "-m", "immediate", "stop")
        shutil.rmtree(folder, ignore_errors=True)


def new_schema(server: str) -> str:
    """Make a new schema on the server, which is quicker than a database; return its URL."""
    import psycopg

    name = f"bench_{next(_NUMBERS)}"
    with psycopg.connect(f"host={server} user=postgres dbname=postgres", autocommit=True) as connection:
        connection.execute(f"CREATE SCHEMA {name}")
    return f"postgresql://postgres@/postgres?host={server}&options=-csearch_path%3D{name}"


@pytest.fixture
def server_place(postgresql_server: str) -> str:
    """Where a new record may be made on the server."""
    return new_schema(postgresql_server)


@pytest.fixture(params=["sqlite", "postgresql"])
def place(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """Where a new record may be made."""
    if request.param == "sqlite":
        return str(tmp_path / "record.sqlite")
    return new_schema(request.getfixturevalue("postgresql_server"))


@pytest.fixture
def second_place(place: str, tmp_path: Path, request: pytest.FixtureRequest) -> str:
    """Another place of the same sort."""
    if "://" not in place:
        return str(tmp_path / "second.sqlite")
    return new_schema(request.getfixturevalue("postgresql_server"))


@pytest.fixture
def record(place: str) -> Iterator[Record]:
    """A new record."""
    with open_record(place) as opened:
        yield opened


@pytest.fixture
def local_record(tmp_path: Path) -> Iterator[Record]:
    """A new record on SQLite, for what does not depend on the database."""
    with open_record(tmp_path / "local.sqlite") as opened:
        yield opened
