"""How long a search and an addition take in a record of 100,000 prints and 20 million readings.

    python benchmarks/record.py [--prints 100000] [--db FILE]

The record is filled in bulk with the same rows that the ordinary calls write (each table of readings has
200 features; 500 different tables are used in turn, as the time goes into the rows and not into their
contents), then timed through the ordinary calls. About 1.7 GB of disk and some minutes are needed.
"""

from __future__ import annotations

import argparse
import platform
import statistics
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from sqlalchemy import Connection, insert, text
from tqdm import tqdm

from sharpset.record import Record, open_record
from sharpset.record.codes import code_of, new_uuid, now_utc
from sharpset.record.documents import document_sha256
from sharpset.record.models import (
    EntryRow,
    PrintRow,
    ReadingSizeRow,
    ReadingsRow,
    ScanRow,
    SearchDetailRow,
)
from sharpset.record.tables import (
    check_readings,
    pack_table,
    size_rows,
    smallest_formed_mm,
    table_digest,
    unpack_columns,
)

N_TABLES = 500
N_FEATURES = 200
KINDS = ("bar", "slot", "hole", "post")
CHUNK = 2000


def readings_table(number: int) -> pd.DataFrame:
    """Return a table of 200 features: 4 kinds, 10 sizes (R20), 5 of each; small ones fail to form."""
    chance = np.random.default_rng(number)
    sizes = np.round(0.1 * 10 ** (np.arange(10) / 20), 3)
    kind = np.repeat(KINDS, N_FEATURES // len(KINDS))
    nominal_mm = np.tile(np.repeat(sizes, 5), len(KINDS))
    limit_mm = chance.uniform(0.1, 0.25, len(KINDS)).repeat(N_FEATURES // len(KINDS))
    formed = np.where(nominal_mm >= limit_mm, "yes", np.where(chance.random(N_FEATURES) < 0.3, "partly", "no"))
    deviation_mm = np.where(formed == "yes", chance.normal(0.01, 0.005, N_FEATURES), np.nan)
    return pd.DataFrame(
        {
            "scan_id": "scan",
            "piece_id": "stencil",
            "run_id": "1",
            "feature_id": [f"{k}{i:03d}" for i, k in enumerate(kind)],
            "kind": kind,
            "nominal_mm": nominal_mm,
            "angle_deg": chance.choice([0.0, 45.0, 90.0], N_FEATURES),
            "formed": formed,
            "measured_mm": nominal_mm + deviation_mm,
            "U95_mm": np.abs(chance.normal(0.003, 0.001, N_FEATURES)),
            "deviation_mm": deviation_mm,
            "x_dev_mm": chance.normal(0, 0.01, N_FEATURES),
            "y_dev_mm": chance.normal(0, 0.01, N_FEATURES),
            "edge_roughness_mm": np.abs(chance.normal(0.01, 0.002, N_FEATURES)),
            "flags": "",
        }
    )


def packed_tables() -> list[tuple[bytes, str, list[dict[str, Any]], dict[str, float]]]:
    """Return tables packed, with digest, summary and smallest formed sizes."""
    tables = []
    for number in tqdm(range(N_TABLES), desc="tables"):
        packed = pack_table(check_readings(readings_table(number)))
        sizes = size_rows(unpack_columns(packed))
        tables.append((packed, table_digest(packed), sizes, smallest_formed_mm(sizes)))
    return tables


def numbered_time(number: int) -> str:
    """Return a time for an entry, one every 10 s."""
    seconds = np.datetime64("2020-01-01T00:00:00") + np.timedelta64(10 * number, "s")
    return f"{seconds}.{number % 1_000_000:06d}Z"


def _entry(key: int, document: dict[str, Any]) -> dict[str, Any]:
    return {
        "id": key,
        "uuid": document["uuid"],
        "code": code_of(document["uuid"]),
        "kind": document["kind"],
        "name": document.get("name", ""),
        "created_utc": document["created_utc"],
        "by": "",
        "note": "",
        "sha256": document_sha256(document),
    }


class _Rows:
    """Rows of a bulk insertion, by table."""

    def __init__(self) -> None:
        self.rows: dict[Any, list[dict[str, Any]]] = {
            table: [] for table in (EntryRow, PrintRow, ScanRow, ReadingsRow, ReadingSizeRow, SearchDetailRow)
        }

    def write(self, connection: Connection) -> None:
        for table, rows in self.rows.items():
            if rows:
                connection.execute(insert(table), rows)
                rows.clear()


def _add_print(rows: _Rows, key: int, number: int, targets: dict[str, list[tuple[int, str]]], table: Any) -> None:
    packed, digest, sizes, smallest = table
    chance = np.random.default_rng(number)
    printer = targets["printer"][int(chance.integers(len(targets["printer"])))]
    material = targets["material"][int(chance.integers(len(targets["material"])))]
    settings = {"layer_height_mm": float(chance.choice([0.03, 0.06, 0.1])), "speed_mm_s": int(chance.integers(10, 60))}
    when = numbered_time(number)
    uuids = [new_uuid() for _ in range(3)]
    printed = {
        "uuid": uuids[0],
        "kind": "print",
        "created_utc": when,
        "name": f"piece {number}",
        "fields": {"settings": settings, "run_id": str(number)},
        "refs": {"printer": printer[1], "material": material[1]},
    }
    scan = {
        "uuid": uuids[1],
        "kind": "scan",
        "created_utc": when,
        "name": f"scan-{number}",
        "fields": {"path": f"scans/scan-{number}.tif", "file_sha256": "0" * 64, "n_bytes": 1000},
        "refs": {"print": uuids[0]},
    }
    readings = {
        "uuid": uuids[2],
        "kind": "readings",
        "created_utc": when,
        "name": f"scan-{number}",
        "fields": {"n_rows": N_FEATURES, "table_sha256": digest},
        "refs": {"scan": uuids[1]},
    }
    rows.rows[EntryRow] += [_entry(key + i, d) for i, d in enumerate((printed, scan, readings))]
    own = {"id": key, "printer_id": printer[0], "material_id": material[0], "settings": settings, "details": {}}
    rows.rows[PrintRow].append(own | {"run_id": str(number)})
    rows.rows[ScanRow].append(scan["fields"] | {"id": key + 1, "print_id": key, "details": {}})
    rows.rows[ReadingsRow].append(
        {"id": key + 2, "scan_id": key + 1, "n_rows": N_FEATURES, "table_sha256": digest, "packed": packed}
    )
    rows.rows[ReadingSizeRow] += [size | {"readings_id": key + 2} for size in sizes]
    found = {"entry_id": key + 2, "source": "readings", "subject_key": key}
    found |= {"printer_key": printer[0], "material_key": material[0]}
    rows.rows[SearchDetailRow] += [found | {"kind": kind, "limit_mm": size} for kind, size in smallest.items()]


def fill(record: Record, n_prints: int) -> None:
    """Fill a record in bulk: 12 printers, of which one is rare, 8 materials, 2,000 recipes, prints with readings."""
    for number in range(12):
        record.add_printer(f"printer {number}", process="filament")
    for number in range(8):
        record.add_material(f"material {number}")
    chance = np.random.default_rng(1)
    with record.together():
        for number in tqdm(range(2000), desc="recipes"):
            limits = {kind: float(np.round(chance.uniform(0.1, 0.5), 3)) for kind in KINDS}
            names = {"printer": f"printer {number % 12}", "material": f"material {number % 8}"}
            record.add_recipe(f"recipe {number}", {"speed": number}, limits=limits, **names)  # type: ignore[arg-type]
    with record._reading() as connection:
        query = "SELECT id, uuid, name FROM entry WHERE kind = '{}' ORDER BY id"
        targets = {
            kind: [(row.id, row.uuid) for row in connection.execute(text(query.format(kind)))]
            for kind in ("printer", "material")
        }
        key = int(connection.execute(text("SELECT max(id) FROM entry")).scalar_one()) + 1
    rare = targets["printer"].pop()
    tables = packed_tables()
    rows = _Rows()
    for start in tqdm(range(0, n_prints, CHUNK), desc="prints", unit="thousand", unit_scale=CHUNK / 1000):
        for number in range(start, min(start + CHUNK, n_prints)):
            if number % 10_000 == 0:
                _add_print(rows, key, number, targets | {"printer": [rare]}, tables[number % N_TABLES])
            else:
                _add_print(rows, key, number, targets, tables[number % N_TABLES])
            key += 3
        with record._writing() as connection:
            rows.write(connection)


def timed(call: Callable[[int], Any], *, n: int = 20) -> str:
    """Return the median and the largest time of some calls, and the median of the processor's share, in ms."""
    times, shares = [], []
    for number in range(n):
        start, share = time.perf_counter(), time.process_time()
        call(number)
        times.append(1000 * (time.perf_counter() - start))
        shares.append(1000 * (time.process_time() - share))
    return (
        f"median {statistics.median(times):6.1f} ms  largest {max(times):6.1f} ms  "
        f"processor {statistics.median(shares):6.1f} ms"
    )


def questions(record: Record) -> Iterator[tuple[str, Callable[[int], Any]]]:
    """Yield what is timed; names of new entries hold the time, so that a kept record can be timed again."""
    stamp = now_utc()
    yield "search prints: kind, size", lambda i: record.search("print", kind="bar", limit_mm=0.16)
    yield (
        "search prints: kind, size, printer",
        lambda i: record.search("print", kind="slot", limit_mm=0.16, printer=f"printer {i % 11}"),
    )
    yield (
        "search prints: rare printer",
        lambda i: record.search("print", kind="slot", limit_mm=0.25, printer="printer 11"),
    )
    yield (
        "search prints: kind, size, printer, material",
        lambda i: record.search(
            "print", kind="hole", limit_mm=0.2, printer=f"printer {i % 11}", material=f"material {i % 8}"
        ),
    )
    yield (
        "search prints: smaller than any (nothing found)",
        lambda i: record.search("print", kind="post", limit_mm=0.05, material=f"material {i % 8}"),
    )
    yield (
        "search recipes: kind, size, printer, material",
        lambda i: record.search(kind="bar", limit_mm=0.3, printer=f"printer {i % 11}", material=f"material {i % 8}"),
    )
    yield "search recipes: status", lambda i: record.search(kind="bar", status="trial")
    yield "list the newest prints of a printer", lambda i: record.list("print", printer=f"printer {i % 11}")
    yield "list the newest prints of the rare printer", lambda i: record.list("print", printer="printer 11")
    yield "list the newest entries of any kind", lambda i: record.list()
    yield "list prints by a word in the name", lambda i: record.list("print", text=f"piece {i + 50}")
    yield "show a print by its name", lambda i: record.show(f"piece {5000 + i}")
    yield "read the table of a scan", lambda i: record.readings(f"scan-{7000 + i}")
    yield (
        "add a print",
        lambda i: record.add_print(
            {"speed": i}, printer=f"printer {i % 11}", material="material 1", name=f"new {stamp} {i}"
        ),
    )
    table = readings_table(1)
    yield (
        "add a table of 200 readings",
        lambda i: record.add_readings(table.assign(scan_id=f"new scan {stamp} {i}"), print=f"new {stamp} {i}"),
    )
    yield (
        "correct a print",
        lambda i: record.correct(f"new {stamp} {i}", {"outcome": "good"}, note="seen", kind="print"),
    )
    yield (
        "add a recipe with four limits",
        lambda i: record.add_recipe(f"new {stamp} {i}", {}, limits=dict.fromkeys(KINDS, 0.2), printer="printer 1"),
    )


def main() -> None:
    """Fill and time."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--prints", type=int, default=100_000)
    parser.add_argument("--db", help="file, or URL of an empty PostgreSQL database (default: a temporary file)")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        place = args.db or str(Path(folder) / "record.sqlite")
        with open_record(place) as record:
            start = time.perf_counter()
            if record.list("printer").empty:
                fill(record, args.prints)
                print(f"filled in {time.perf_counter() - start:.0f} s")
            with record._reading() as connection:
                counts = "SELECT (SELECT count(*) FROM print_job), (SELECT sum(n_rows) FROM readings)"
                n_prints, n_readings = connection.execute(text(counts)).one()
            size = "" if "://" in place else f", {Path(place).stat().st_size / 2**30:.2f} GB"
            print(f"{n_prints} prints, {n_readings} readings{size}; Python {platform.python_version()}")
            for title, call in questions(record):
                print(f"{title:50s} {timed(call)}", flush=True)
            start = time.perf_counter()
            report = record.check(files=False)
            print(f"{'check all of it':50s} {time.perf_counter() - start:.0f} s: {'sound' if report.ok else 'DAMAGED'}")


if __name__ == "__main__":
    main()
