"""What the record hands to studies: prints over time for a drift chart, recipes for a part."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from sharpset.cli import main
from sharpset.comparison import study_drift
from sharpset.errors import RecordError
from sharpset.record import open_record, series_of_prints


def check_piece(rng: np.random.Generator, scan_id: str, shift_mm: float) -> pd.DataFrame:
    """Return readings of a check piece whose bars are wide by 0.02 mm and a shift; its code always says R01."""
    sizes = np.repeat([0.2, 0.3, 0.4], 4)
    deviation = 0.02 + shift_mm + rng.normal(0, 0.002, len(sizes))
    return pd.DataFrame(
        {
            "scan_id": scan_id,
            "piece_id": "check",
            "run_id": "R01",
            "feature_id": [f"bar-{k}" for k in range(len(sizes))],
            "kind": "bar",
            "nominal_mm": sizes,
            "formed": "yes",
            "measured_mm": sizes + deviation,
            "deviation_mm": deviation,
            "U95_mm": 0.005,
            "flags": "",
        }
    )


def test_prints_over_time_make_a_drift_chart(tmp_path: Path) -> None:
    rng = np.random.default_rng(5)
    with open_record(tmp_path / "r.sqlite") as record:
        record.add_printer("Heron", process="filament")
        record.add_material("grey PLA", process="filament")
        for name in ("spool 14", "spool 15"):
            record.add_lot(name, material="grey PLA")
        with pytest.raises(RecordError, match="no print of Heron has readings"):
            series_of_prints(record, printer="Heron")
        for day in range(20):
            made = record.add_print(
                {"layer_height_mm": 0.06 if day != 3 else 0.1},
                printer="Heron",
                lot="spool 14" if day < 15 else "spool 15",
                printed_utc=f"2026-03-{day + 1:02d}",
            )
            # From day 15 on bars come out 0.03 mm wider.
            table = check_piece(rng, f"s{day}", 0.03 if day >= 15 else 0.0)
            if day % 2:
                record.add_readings(table, print=made)
            else:
                picture = tmp_path / f"s{day}.png"
                picture.write_bytes(bytes([day]))
                record.add_readings(table, scan=record.add_scan(picture, print=made))
        found = series_of_prints(record, printer="Heron")
    assert len(found.prints) == found.readings["run_id"].nunique() == 19
    assert "other settings or of another piece than the newest: 1 of 20" in found.remarks[0]
    assert found.prints["printed_at"].is_monotonic_increasing
    changed = found.prints[found.prints["changed"] != ""]
    assert changed["changed"].tolist() == ["lot spool 15"]
    study = study_drift(found.readings, prints=found.prints, tolerance_mm=0.05)
    # 12 prints set the limits; the shift comes at the 15th of the series.
    assert study.verdict["prove_again"].all() and "lot spool 15" in study.verdict["reasons"].iloc[0]
    signals = study.charts[0].signals
    assert signals["index"].min() == 15


def test_the_recipe_that_forms_a_part_is_found(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("SHARPSET_RECORD", raising=False)
    Path("teile.csv").write_text(
        "name;kind;full_size_mm\nKlüse;hole;9,6\nStütze;bar;4,8\nSpalt;slot;4,8\n", encoding="utf-8"
    )
    add = ["record", "add", "recipe", "--set"]
    for words in (
        ["record", "add", "printer", "--set", "name=Heron", "process=filament"],
        ["record", "add", "printer", "--set", "name=Otter", "process=resin"],
        # 1:24: hole 0.4, bar 0.2, slot 0.2 mm. A bar that grows by 0.02 mm a side is drawn 0.16 mm, below Heron's
        # limit; a slot is drawn 0.24 mm, above it.
        [
            *(*add, "name=coarse", "printer=Heron", "settings.layer=0.1", "growth.bar_mm=0.02", "growth.slot_mm=0.02"),
            *("--limit", "bar=0.17", "slot=0.23", "hole=0.3"),
        ],
        [*add, "name=fine", "printer=Otter", "settings.layer=0.03", "--limit", "bar=0.12", "slot=0.1", "hole=0.2"],
        [*add, "name=old", "printer=Otter", "settings.layer=0.02", "status=retired", "--limit", "bar=0.01"],
    ):
        assert main(words) == 0
    capsys.readouterr()
    assert main(["record", "match", "--details", "teile.csv", "--scale", "24", "--out", "all.csv"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[1].startswith("fine") and "3 of 3" in lines[1]
    assert lines[2].startswith("coarse") and "2 of 3" in lines[2] and lines[2].endswith("Stütze")
    table = pd.read_csv("all.csv").set_index(["recipe", "name"])
    assert table.loc[("coarse", "Stütze"), "thicken_to_mm"] == pytest.approx(0.21)
    assert set(table.index.get_level_values(0)) == {"fine", "coarse"}
