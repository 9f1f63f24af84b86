"""A record outlives programs that are killed at any moment, and several that write at once."""

from __future__ import annotations

import multiprocessing
import os
import random
import shutil
import sqlite3
import time
from contextlib import closing
from multiprocessing.connection import Connection
from pathlib import Path

import pytest
import record_workers
from sqlalchemy import text

from sharpset.record import open_record

SAVED = Path(__file__).parents[1] / "saved" / "record"

# A fork server imports the libraries once, so that a kill costs a tenth of a second and not a start of Python.
_METHOD = "forkserver" if os.name == "posix" else "spawn"


def _context() -> multiprocessing.context.BaseContext:
    context = multiprocessing.get_context(_METHOD)
    if _METHOD == "forkserver":
        context.set_forkserver_preload(["record_workers", "sharpset.record.store", "alembic.command", "pandas"])
    return context


def _received(receiver: Connection) -> list[str]:
    """Return what was acknowledged before the sender died; a message cut in two was never sent whole."""
    uuids: list[str] = []
    try:
        while receiver.poll():
            uuids += receiver.recv_bytes().decode().split()
    except (EOFError, OSError):
        pass
    return uuids


def kill_while_recording(place: str, seed: int, *, n_first: int, after_s: float) -> list[str]:
    """Start a recording program, kill it after a time, return the UUIDs that it acknowledged.

    The time counts from the start of the process (`n_first` 0), so that opening and making the tables
    are hit too, or from its `n_first`-th acknowledgement.
    """
    context = _context()
    receiver, sender = context.Pipe(duplex=False)
    process = context.Process(target=record_workers.record_until_killed, args=(place, seed, sender), daemon=True)  # type: ignore[attr-defined]
    process.start()
    sender.close()
    uuids: list[str] = []
    for _ in range(n_first):
        assert receiver.poll(60), "the recording program does not record"
        uuids += receiver.recv_bytes().decode().split()
    time.sleep(after_s)
    process.kill()
    process.join()
    uuids += _received(receiver)
    receiver.close()
    return uuids


def assert_whole(place: str, acknowledged: set[str], n_kills: int) -> None:
    """Check that nothing acknowledged is lost, no entry is half there, and the database is sound."""
    with open_record(place) as record:
        report = record.check(files=False)
        with record._reading() as connection:
            there = set(connection.execute(text("SELECT uuid FROM entry")).scalars())
            half = connection.execute(
                text(
                    "SELECT count(*) FROM entry e LEFT JOIN readings r ON r.print_id = e.id "
                    "WHERE e.name = 'pair' AND e.corrects_id IS NULL AND r.id IS NULL"
                )
            ).scalar_one()
    assert report.findings == ()
    assert acknowledged <= there
    assert half == 0  # a print and its readings were added together, so no print stands alone
    # at most the one action that each kill interrupted (two entries at most) may be there unacknowledged
    assert len(there - acknowledged) <= 2 * n_kills


def run_kills(place: str, n_kills: int, *, seed: int, new_every: int = 0, folder: Path | None = None) -> int:
    """Kill `n_kills` recording programs one after another; return the number of acknowledged entries."""
    chance = random.Random(seed)
    acknowledged: set[str] = set()
    n_total = n_here = 0
    for number in range(n_kills):
        if new_every and folder is not None and number % new_every == 0:
            if n_here:
                assert_whole(place, acknowledged, n_here)
            place, acknowledged, n_here = str(folder / f"record-{number}.sqlite"), set(), 0
        n_first = 0 if chance.random() < 0.3 else chance.randint(1, 8)
        # the moment falls anywhere in opening the record, or in the four actions of a round
        after_s = chance.uniform(0, 0.03 if n_first else 0.25)
        got = kill_while_recording(place, seed * 10_000 + number, n_first=n_first, after_s=after_s)
        acknowledged |= set(got)
        n_total += len(got)
        n_here += 1
        if "://" not in place and Path(place).exists():
            with closing(sqlite3.connect(place)) as connection:
                assert connection.execute("PRAGMA quick_check").fetchall() == [("ok",)]
    assert_whole(place, acknowledged, n_here)
    return n_total


@pytest.mark.slow
def test_forty_kills_lose_nothing(tmp_path: Path) -> None:
    assert run_kills("", 40, seed=1, new_every=10, folder=tmp_path) > 40  # they did record between the kills


@pytest.mark.slow
def test_kills_while_an_old_record_is_upgraded_lose_nothing(tmp_path: Path) -> None:
    chance = random.Random(4)
    for number in range(8):
        place = tmp_path / f"old-{number}.sqlite"
        shutil.copy(SAVED / "tables-0001.sqlite", place)
        kill_while_recording(str(place), number, n_first=0, after_s=chance.uniform(0.02, 0.3))
        with open_record(place) as record:
            # what the file held when it was made, whether or not the upgrade was through
            assert set(record.list("printer", text="er")["name"]) >= {"Heron", "Otter"}
            assert record.show("fine bars").fields["status"] == "good"
            assert record.check(files=False).findings == ()


@pytest.mark.slow
def test_killed_clients_leave_a_server_whole(server_place: str) -> None:
    assert run_kills(server_place, 6, seed=2) > 6


@pytest.mark.long
def test_five_hundred_kills_lose_nothing(tmp_path: Path) -> None:
    assert run_kills("", 500, seed=3, new_every=50, folder=tmp_path) > 500


@pytest.mark.slow
@pytest.mark.parametrize("n_benches", [2, 4])
def test_programs_that_write_at_once_lose_nothing(place: str, n_benches: int) -> None:
    context = _context()
    n_rounds = 8
    pipes = [context.Pipe(duplex=False) for _ in range(n_benches)]
    processes = [
        context.Process(target=record_workers.record_some, args=(place, bench, n_rounds, sender))  # type: ignore[attr-defined]
        for bench, (_, sender) in enumerate(pipes)
    ]
    for process in processes:
        process.start()
    for _, sender in pipes:
        sender.close()
    for process in processes:
        process.join(120)
        assert process.exitcode == 0
    acknowledged = [uuid for receiver, _ in pipes for uuid in _received(receiver)]
    # by hand: a printer each, a print and a correction a round each, and one shared recipe
    assert len(acknowledged) == n_benches * (1 + 2 * n_rounds) + 1
    with open_record(place) as record:
        assert record.check().findings == ()
        everything = record.list(corrected=True, most=1000)
        assert len(everything) == len(acknowledged)
        assert len(record.list("recipe")) == 1
        history = record.show("shared", kind="recipe").history
        assert len(history) == 1 + n_benches * n_rounds
        for bench in range(n_benches):
            own = [ref.note for ref in history if ref.note.startswith(f"bench {bench},")]
            assert own == [f"bench {bench}, round {number}" for number in range(n_rounds)]
