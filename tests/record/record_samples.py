"""Entries of a fictitious workshop for the tests of the record."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pandas as pd

from sharpset.record import Record


def readings_table(scan_id: str = "quay-01") -> pd.DataFrame:
    """Return a small table of readings: bars form from 0.2 mm, slots from 0.3 mm, no hole forms."""
    rows = [
        # kind, nominal, formed, measured
        ("bar", 0.1, "no", None),
        ("bar", 0.2, "yes", 0.213),
        ("bar", 0.2, "yes", 0.209),
        ("bar", 0.3, "yes", 0.311),
        ("slot", 0.1, "yes", 0.08),
        ("slot", 0.2, "partly", 0.17),
        ("slot", 0.3, "yes", 0.28),
        ("hole", 0.4, "no", None),
    ]
    table = pd.DataFrame(rows, columns=["kind", "nominal_mm", "formed", "measured_mm"])
    table["measured_mm"] = table["measured_mm"].astype(float)
    table["deviation_mm"] = table["measured_mm"] - table["nominal_mm"]
    table["feature_id"] = [f"f{i}" for i in range(len(table))]
    table["scan_id"] = scan_id
    table["run_id"] = 1
    table["flags"] = ""
    return table


def fill(record: Record, folder: Path) -> dict[str, Any]:
    """Add an entry of every kind, and a correction; return them by kind."""
    model = folder / "winch.3mf"
    model.write_bytes(b"a model\x00" * 300)
    scan = folder / "quay-01.tif"
    scan.write_bytes(b"a picture")
    made: dict[str, Any] = {}
    made["printer"] = record.add_printer("Heron", process="filament", details={"plate_mm": [120, 120]}, by="Ida")
    made["head"] = record.add_head("brass 0.25", type="nozzle", size_mm=0.25, printer="Heron")
    made["material"] = record.add_material("grey PLA", process="filament", supplier="Quayside Supplies")
    made["lot"] = record.add_lot("spool 14", material="grey PLA", opened_utc="2026-02-10")
    made["piece"] = record.add_piece("winch", type="master", version="2", files={"model": model})
    made["print"] = record.add_print(
        {"layer_height_mm": 0.06, "fan": True, "seam": "rear", "temperatures_c": [205, 60]},
        printer="Heron",
        head="brass 0.25",
        lot="spool 14",
        piece="winch",
        name="winch barrel",
        run_id="1",
        plan_id="winch plan",
        printed_utc="2026-03-04T09:30:00+01:00",
        duration_h=2.25,
        outcome="good",
        files={"profile": model},
        keep_files=False,
    )
    made["scan"] = record.add_scan(scan, print=made["print"], dpi=1200, scanner="flatbed")
    made["readings"] = record.add_readings(readings_table())[0]
    made["fit"] = record.add_fit(
        "winch fit",
        settings={"layer_height_mm": 0.06},
        model={"formula": "y ~ a", "r2": 0.1 + 0.2},
        limits={"bar": 0.22},
        evidence=[made["readings"]],
        printer="Heron",
        material="grey PLA",
    )
    made["trial"] = record.add_recipe(
        "fine bars",
        {"layer_height_mm": 0.06},
        limits=[
            {"kind": "bar", "limit_mm": 0.22, "a90_mm": 0.2, "basis": "a90/95", "n_features": 40, "n_prints": 4},
            {"kind": "slot", "limit_mm": 0.31, "shown_utc": "2026-03-06"},
        ],
        evidence=[made["fit"], made["readings"]],
        growth={"bar_mm": 0.011, "slot_mm": 0.02},
        printer="Heron",
        head="brass 0.25",
        material="grey PLA",
        fit=made["fit"],
        cautions="mind the seam",
    )
    made["recipe"] = record.correct(made["trial"], {"status": "good"}, note="three good prints", by="Ida")
    return made


def folder_bytes(folder: Path) -> dict[str, bytes]:
    """Return every file of a folder with its content."""
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}
