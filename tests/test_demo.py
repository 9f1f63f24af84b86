"""The demo: the whole job from scans to a recipe."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from sharpset.cli import main
from sharpset.readings import load_readings
from sharpset.record import open_record

SAMPLES = Path(__file__).resolve().parents[1] / "sample_scans"
# Corners and the middle of the plan: enough for a model, in a third of the time.
SOME_RUNS = ("R01", "R03", "R05", "R08", "R09", "R11", "R13", "R15")


def test_demo_without_samples_says_what_to_do(tmp_path, capsys):
    assert main(["demo", "--samples", str(tmp_path), "--out", str(tmp_path / "out")]) == 1
    error = capsys.readouterr().err
    assert error.count("\n") == 1
    assert "no sample scans are there" in error
    assert "--samples" in error
    assert not (tmp_path / "out").exists()


def test_demo_does_not_write_over_what_is_no_demo(tmp_path, capsys):
    (tmp_path / "record.sqlite").write_bytes(b"mine")
    assert main(["demo", "--samples", str(SAMPLES), "--out", str(tmp_path)]) == 1
    assert "holds record.sqlite already" in capsys.readouterr().err
    assert [path.name for path in tmp_path.iterdir()] == ["record.sqlite"]


@pytest.mark.slow
def test_demo_goes_from_scans_to_a_recipe(tmp_path, capsys):
    samples = tmp_path / "samples"
    shutil.copytree(SAMPLES, samples, ignore=shutil.ignore_patterns("resin", "truth", "R*.jpg"))
    for run in SOME_RUNS:
        shutil.copy(SAMPLES / "scans" / f"{run}.jpg", samples / "scans")
    out = tmp_path / "out"
    assert main(["demo", "--samples", str(samples), "--out", str(out), "--jobs", "2"]) == 0
    said = capsys.readouterr().out
    assert "INVENTED DATA" in said
    assert "Recommended settings" in said
    assert "safety data sheets" in said

    readings = load_readings(out / "readings.csv")
    assert set(readings["run_id"]) == set(SOME_RUNS)
    settings = json.loads((out / "fit" / "settings.json").read_text(encoding="utf-8"))
    assert 0.04 <= settings["settings"]["layer_height"] <= 0.12
    assert 0 <= settings["chance"] <= 1
    page = (out / "fit" / "report.html").read_text(encoding="utf-8")
    assert "INVENTED DATA" in page
    assert len(list((out / "fit" / "figures").glob("scan_*.png"))) == 2
    assert (out / "recipe.pdf").read_bytes().startswith(b"%PDF")

    with open_record(out / "record.sqlite") as record:
        assert len(record.list("print")) == len(SOME_RUNS)
        assert len(record.list("scan")) == len(SOME_RUNS)
        assert len(record.list("recipe")) == 1
        assert record.check().ok
