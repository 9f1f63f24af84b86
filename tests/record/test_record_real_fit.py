"""A fit folder as the fit itself writes it: into the record, onto a card, and back as a reprint."""

from __future__ import annotations

import argparse
import re
from pathlib import Path

import pandas as pd
import pytest

from sharpset.brief import Brief
from sharpset.fits import Fit, save_fit
from sharpset.record import open_record, recipe_card, reprint_sheet
from sharpset.record.commands import configure


@pytest.fixture
def folder(fit: Fit, readings: pd.DataFrame, brief: Brief, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return a folder with the fit of the made-up experiment, its readings and a model."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("SHARPSET_RECORD", raising=False)
    save_fit(fit, tmp_path / "fit")
    readings.to_csv("readings.csv", index=False)
    Path("winch.3mf").write_bytes(bytes(range(256)))
    return tmp_path


def run(*words: str) -> None:
    """Run ``sharpset record``."""
    parser = argparse.ArgumentParser(prog="sharpset record")
    configure(parser)
    args = parser.parse_args(words)
    assert args.run(args) == 0


def add_all() -> None:
    """Take the fit folder in, and a print made from its recipe."""
    words = ("--printer", "Heron", "--material", "grey PLA", "--name", "quay winch", "--create")
    run("add", "--fit", "fit", "--readings", "readings.csv", *words, "--set", "process=filament")
    made = ("printer=Heron", "material=grey PLA", "recipe=quay winch", "name=winch master", "printed_utc=2026-03-31")
    settings = ("settings.layer_height=0.061", "settings.speed=22.5")
    run("add", "print", "--set", *made, *settings, "--file", "model=winch.3mf")


def test_recipe_holds_what_the_fit_came_to(folder: Path, fit: Fit, readings: pd.DataFrame) -> None:
    add_all()
    best = fit.best
    assert best is not None
    with open_record() as record:
        recipe, kept = record.show("quay winch"), record.show("fit of quay winch")
    assert recipe.fields["settings"] == dict(best.settings)  # every digit of them
    limits = best.limits.set_index("kind")["a90_95_mm"]
    proven = limits[limits > 0].to_dict()
    assert {limit.kind: limit.limit_mm for limit in recipe.limits} == pytest.approx(proven)
    per_kind = readings.groupby("kind").size()
    assert {limit.kind: limit.n_features for limit in recipe.limits} == {k: per_kind[k] for k in proven}
    assert all(limit.n_prints == readings["run_id"].nunique() for limit in recipe.limits)
    draw = best.thicken.set_index("kind")
    thicker = draw[draw["draw_mm"] > draw["drawn_mm"]]["draw_mm"]
    assert recipe.fields.get("thicken", {}) == pytest.approx({f"{k}_mm": v for k, v in thicker.items()})
    assert len(recipe.evidence) == 1 + readings["scan_id"].nunique()
    assert kept.fields["results"]["chance"] == pytest.approx(best.chance)
    assert kept.fields["brief"]["name"] == "quay crane masters"
    # Without --name a recipe is called like the brief, not like the folder.
    run("add", "--fit", "fit", "--printer", "Heron", "--material", "grey PLA")
    with open_record() as record:
        assert record.show("quay crane masters").kind == "recipe"


def test_card_of_a_fit_rounds_what_nobody_can_set(folder: Path, fit: Fit) -> None:
    add_all()
    with open_record() as record:
        card = recipe_card(record, "quay winch")
    run("card", "quay winch", "--out", "cards")
    page = next(folder.glob("cards/*.html")).read_text(encoding="utf-8")
    assert fit.best is not None
    said = {name: text.split() for name, text in card.settings}
    assert {name: unit for name, (_, unit) in said.items()} == {"layer height": "mm", "speed": "mm/s"}
    assert float(said["layer height"][0]) == pytest.approx(fit.best.settings["layer_height"], abs=0.0005)
    assert float(said["speed"][0]) == pytest.approx(fit.best.settings["speed"], abs=0.05)
    # Nothing on the page is longer than a micrometre or an interval supports.
    body = re.sub(r"<style>.*?</style>", "", page, flags=re.DOTALL)
    assert not re.findall(r"\d\.\d{6,}", body)
    assert "readings, " in body  # many tables of readings share one line
    for name in ("edge roughness", "print time", "growth slot at brief"):
        assert f"<th>{name}</th>" in body


def test_reprint_of_a_lost_master_has_all_of_it(folder: Path) -> None:
    add_all()
    Path("winch.3mf").unlink()
    with open_record() as record:
        sheet = reprint_sheet(record, "winch master")
        (written,) = record.write_files(record.show("winch master"), folder / "again")
    assert dict(sheet.settings) == {"layer height": "0.061 mm", "speed": "22.5 mm/s"}  # units from the recipe
    assert sheet.recipe is not None
    assert sheet.recipe.limits
    assert written.read_bytes() == bytes(range(256))
    assert not any("model" in gap for gap in sheet.gaps)
    assert any("lot" in gap for gap in sheet.gaps)
    run("reprint", "winch master", "--out", "sheets")
    page = next(folder.glob("sheets/*.html")).read_text(encoding="utf-8")
    for limit in sheet.recipe.limits:
        assert f"{limit.limit_mm:.3f} mm" in page


def test_readings_that_are_there_already_are_not_entered_twice(folder: Path, readings: pd.DataFrame) -> None:
    scans = list(dict.fromkeys(readings["scan_id"]))
    with open_record() as record:
        record.add_printer("Heron", process="filament")
        record.add_print({"speed": 22.5}, printer="Heron", name="first print")
        (first,) = record.add_readings(readings[readings["scan_id"] == scans[0]], print="first print")
    add_all()
    with open_record() as record:
        recipe = record.show("quay winch")
        assert len(record.list("readings", most=100)) == len(scans)
        assert first.uuid in {ref.uuid for ref in recipe.evidence}
