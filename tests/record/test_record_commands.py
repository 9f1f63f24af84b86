"""The verb ``sharpset record``: what is typed, what is said, what is left as it was."""

from __future__ import annotations

import argparse
import json
import math
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pandas as pd
import pytest
from record_samples import readings_table

from sharpset.errors import RecordError
from sharpset.record import open_record
from sharpset.record.commands import KIND_NAMES, STATUS_NAMES, configure
from sharpset.record.kinds import KINDS, STATUSES

Command = Callable[..., str]


@pytest.fixture
def command(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Command:
    """Return a function that runs ``sharpset record`` in an empty folder and returns what it printed."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("SHARPSET_RECORD", raising=False)

    def run(*words: str) -> str:
        parser = argparse.ArgumentParser(prog="sharpset record")
        configure(parser)
        args = parser.parse_args(words)
        assert args.run(args) == 0
        return capsys.readouterr().out

    return run


def write_fit_folder(folder: Path) -> Path:
    """Write a fit folder by hand: bars form from 0.21 mm, slots without a bound."""
    folder.mkdir()
    settings = {
        "settings": {"layer_height": 0.06, "nozzle": 0.25},
        "units": {"layer_height": "mm", "nozzle": "mm"},
        "chance": 0.83,
        "thicken": [
            {"kind": "bar", "growth_mm": 0.021, "drawn_mm": 0.16, "a90_mm": 0.18, "limit_mm": 0.21, "draw_mm": 0.21},
            {
                "kind": "slot",
                "growth_mm": 0.02,
                "drawn_mm": 0.24,
                "a90_mm": 0.2,
                "limit_mm": math.inf,
                "draw_mm": math.nan,
            },
        ],
        "predicted": [{"response": "growth_mm", "predicted": 0.021, "low": 0.0101, "high": 0.03}],
        "remarks": ["layer_height stands at the edge of what was tried"],
    }
    (folder / "settings.json").write_text(json.dumps(settings), encoding="utf-8")
    (folder / "fit.json").write_text(json.dumps({"responses": {"growth_mm": {"r2": math.nan}}}), encoding="utf-8")
    (folder / "report.html").write_text("<p>report</p>", encoding="utf-8")
    return folder


def test_names_offered_are_the_record_s() -> None:
    assert set(KIND_NAMES) == set(KINDS)
    assert STATUS_NAMES == STATUSES


def test_help_and_import_need_no_heavy_library() -> None:
    code = (
        "import argparse, sys; from sharpset.record.commands import configure; "
        "configure(argparse.ArgumentParser()); "
        "print([n for n in ('sqlalchemy', 'pandas', 'numpy', 'alembic', 'reportlab') if n in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_entries_are_added_listed_and_shown(command: Command) -> None:
    added = command("add", "printer", "--set", "name=Heron", "process=filament", "details.plate_mm=[120,120]")
    code = added.split()[1]
    command("add", "material", "--set", "name=grey PLA")
    command("add", "lot", "--set", "name=14", "material=grey PLA")
    command(
        "add", "print", "--printer", "Heron", "--set", "lot=14", "run_id=7", "settings.layer_height_mm=0.06",
        "settings.fan=true", "settings.seam=rear", "printed_utc=2026-03-01", "--note", "first light", "--by", "Ida",
    )  # fmt: skip
    listed = command("list", "print", "--printer", "Heron")
    assert "grey PLA" in listed
    assert "first light" in listed
    with open_record("sharpset-record.sqlite", create=False) as record:
        (print_code,) = record.list("print")["code"]
        entry = record.show(print_code)
    assert entry.fields["settings"] == {"layer_height_mm": 0.06, "fan": True, "seam": "rear"}
    assert entry.fields["run_id"] == "7"  # a text stays a text, even if it looks like a number
    assert entry.refs["lot"].name == "14"
    shown = command("show", code.lower())
    assert "details.plate_mm" in shown
    assert "120, 120" in shown


def test_json_file_is_taken_and_pairs_win(command: Command, tmp_path: Path) -> None:
    command("add", "printer", "--set", "name=Heron", "process=filament")
    (tmp_path / "p.json").write_text(
        json.dumps({"printer": "Heron", "settings": {"a": 1, "b": 2}, "duration_h": 3}), encoding="utf-8"
    )
    command("add", "print", "--json", "p.json", "--set", "settings.b=5")
    with open_record("sharpset-record.sqlite") as record:
        (code,) = record.list("print")["code"]
        assert record.show(code).fields == {"settings": {"a": 1, "b": 5}, "duration_h": 3.0}


def test_scan_readings_and_recipe_by_hand(command: Command, tmp_path: Path) -> None:
    (tmp_path / "quay-01.tif").write_bytes(b"a picture")
    readings_table().to_csv("readings.csv", index=False)
    readings_table("quay-02").to_parquet("more.parquet")
    command("add", "scan", "--set", "path=quay-01.tif", "dpi=1200")
    said = command("add", "readings", "--readings", "readings.csv")
    assert "scan quay-01" in said
    code = said.split()[1]
    command("add", "readings", "--readings", "more.parquet")
    command("add", "recipe", "--name", "fine", "--set", "settings.speed=20", "--limit", "bar=0.25", "--evidence", code)
    assert "fine" in command("search", "--kind", "bar", "--limit", "0.25")
    # A size that cards show as 0.250 is found by what they show.
    assert "fine" in command("search", "--kind", "bar", "--limit", "0.2496")
    assert command("search", "--kind", "bar", "--limit", "0.2") == "no recipe is known to do this\n"
    command("show", code, "--table", "out.csv")
    back = pd.read_csv("out.csv")
    assert back["measured_mm"].tolist()[1:4] == [0.213, 0.209, 0.311]
    with pytest.raises(RecordError, match="a file of this name already"):
        command("show", code, "--table", "out.csv")


def test_fit_folder_becomes_a_recipe_with_evidence(command: Command, tmp_path: Path) -> None:
    write_fit_folder(tmp_path / "fit")
    readings_table().to_csv("readings.csv", index=False)
    words = ("add", "--fit", "fit", "--readings", "readings.csv", "--printer", "Heron", "--material", "PLA")
    with pytest.raises(RecordError, match="printer 'Heron' is not in the record"):
        command(*words)
    assert not list(tmp_path.glob("*.sqlite*"))
    command("add", "material", "--set", "name=resin")
    with pytest.raises(RecordError, match="printer 'Heron' is not in the record"):
        command(*words)
    assert command("list", "readings") == "nothing is entered that fits\n"  # the readings did not stay behind either
    command(*words, "--create", "--set", "process=filament", "--name", "winch fine", "--status", "good")
    with open_record("sharpset-record.sqlite") as record:
        recipe = record.show("winch fine")
        fit = record.show("fit of winch fine")
        assert len(record.list("readings")) == 1
    assert recipe.fields["settings"] == {"layer_height": 0.06, "nozzle": 0.25}
    assert recipe.fields["growth"] == {"bar_mm": 0.021, "slot_mm": 0.02}
    assert recipe.fields["thicken"] == {"bar_mm": 0.21}
    assert recipe.fields["predicted"] == {"growth_mm": {"predicted": 0.021, "low": 0.0101, "high": 0.03}}
    assert recipe.fields["status"] == "good"
    assert recipe.fields["details"] == {"units": {"layer_height": "mm", "nozzle": "mm"}, "chance": 0.83}
    # a limit that the prints do not bound is none; the table has four bars of one run
    assert [(lim.kind, lim.limit_mm, lim.n_features, lim.n_prints) for lim in recipe.limits] == [("bar", 0.21, 4, 1)]
    assert {ref.kind for ref in recipe.evidence} == {"fit", "readings"}
    assert fit.fields["results"]["chance"] == 0.83
    assert [file.role for file in fit.files] == ["report"]
    command("card", "winch fine")
    page = next(tmp_path.glob("recipe-*.html")).read_text(encoding="utf-8")
    assert "<th>layer height</th><td>0.06 mm</td>" in page
    assert "layer_height stands at the edge of what was tried" in page


@pytest.mark.parametrize(
    ("break_it", "words"),
    [
        (lambda f: (f / "settings.json").unlink(), r"settings\.json: cannot be read"),
        (lambda f: (f / "fit.json").write_text("{", encoding="utf-8"), r"fit\.json: is no JSON file"),
        (lambda f: (f / "settings.json").write_text("{}", encoding="utf-8"), "recommends no settings"),
        (lambda f: (f / "settings.json").write_text("[1]", encoding="utf-8"), "no table of names and values"),
    ],
)
def test_broken_fit_folder_leaves_nothing(
    command: Command, tmp_path: Path, break_it: Callable[[Path], object], words: str
) -> None:
    break_it(write_fit_folder(tmp_path / "fit"))
    with pytest.raises(RecordError, match=words):
        command("add", "--fit", "fit")
    assert not list(tmp_path.glob("*.sqlite*"))


def test_piece_folder_is_kept(command: Command, tmp_path: Path) -> None:
    (tmp_path / "piece").mkdir()
    (tmp_path / "piece" / "piece.json").write_text(
        json.dumps({"id": "stencil-A1", "kind": "stencil", "version": 2}), encoding="utf-8"
    )
    (tmp_path / "piece" / "features.csv").write_text("feature_id\n", encoding="utf-8")
    code = command("add", "piece", "--piece", "piece").split()[1]
    assert "stencil-A1" in command("show", code, "--files", "back")
    assert (tmp_path / "back" / "features.csv").read_text(encoding="utf-8") == "feature_id\n"
    with pytest.raises(RecordError, match=r"no piece\.json"):
        command("add", "piece", "--piece", "nowhere")


def test_correction_keeps_what_is_not_named(command: Command) -> None:
    command("add", "recipe", "--name", "fine", "--set", "settings.a=1", "settings.b=2", "--limit", "bar=0.2")
    said = command("correct", "fine", "--set", "status=good", "settings.b=3", "--note", "three good prints")
    assert "good" in said
    with open_record("sharpset-record.sqlite") as record:
        entry = record.show("fine")
    assert entry.fields["settings"] == {"a": 1, "b": 3}
    assert [limit.limit_mm for limit in entry.limits] == [0.2]
    assert "three good prints" in command("show", "fine")
    with pytest.raises(RecordError, match="nothing to change"):
        command("correct", "fine", "--note", "x")
    with pytest.raises(RecordError, match="note is missing"):
        command("correct", "fine", "--set", "status=good")


def test_backup_export_import_restore_check(command: Command, tmp_path: Path) -> None:
    command("add", "printer", "--set", "name=Heron", "process=filament")
    command("backup", "b.sqlite")
    command("export", "out")
    assert "1 entry added" in command("import", "out", "--db", "second.sqlite")
    assert "0 entries added, 1 was here already" in command("import", "out", "--db", "second.sqlite")
    command("add", "printer", "--set", "name=Otter", "process=resin")
    assert "is kept in" in command("restore", "b.sqlite")
    assert "Otter" not in command("list")
    assert "sound; 1 entries" in command("check")


def test_card_and_reprint_are_written(command: Command, tmp_path: Path) -> None:
    command("add", "printer", "--set", "name=Heron", "process=filament")
    recipe = command("add", "recipe", "--name", "fine", "--set", "settings.a=1").split()[1]
    printed = command("add", "print", "--set", "printer=Heron", "recipe=fine", "settings.a=1").split()[1].strip(",")
    command("card", recipe, "--out", "cards")
    command("reprint", printed, "--out", "cards")
    names = {path.name for path in (tmp_path / "cards").iterdir()}
    assert names == {f"{word}.{end}" for word in (f"recipe-{recipe}", f"reprint-{printed}") for end in ("pdf", "html")}


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("add",), "say what to add"),
        (("add", "printer", "--set", "Heron"), "write key=value"),
        (("add", "printer", "--set", "name=a", "name=b"), "name is given twice"),
        (("add", "printer", "--set", "name=a", "colour=red"), "unknown field 'colour'; known here are name, process"),
        (("add", "printer", "--set", "name=a", "name.x=red"), "only details hold parts"),
        (("add", "printer", "--set", "name=a", "process=resin", "--head", "b"), "does not point to a head"),
        (("add", "scan"), "path is missing"),
        (("add", "readings"), "--readings is missing"),
        (("add", "readings", "--readings", "nothing.csv"), "nothing.csv: the table cannot be read"),
        (("add", "recipe", "--name", "a", "--limit", "bar=thin"), "--limit: could not convert"),
        (("add", "recipe", "--name", "a", "--json", "nothing.json"), "nothing.json: cannot be read"),
        (("add", "recipe", "--name", "a", "--file", "model=nothing.3mf"), "nothing.3mf: the file cannot be read"),
        (("import", "nowhere"), "no SHA256SUMS here"),
    ],
)
def test_wrong_words_are_one_line_and_leave_nothing(command: Command, words: tuple[str, ...], said: str) -> None:
    with pytest.raises(RecordError) as caught:
        command(*words)
    assert said in str(caught.value)
    assert "\n" not in str(caught.value)
    assert not list(Path().glob("*.sqlite*"))


@pytest.mark.parametrize("words", [("list",), ("show", "x"), ("search",), ("check",), ("backup", "b"), ("export", "e")])
def test_looking_makes_no_record(command: Command, tmp_path: Path, words: tuple[str, ...]) -> None:
    with pytest.raises(RecordError, match="there is no record here yet"):
        command(*words)
    assert list(tmp_path.iterdir()) == []


def test_damaged_record_is_one_line_on_stderr_and_status_one(tmp_path: Path) -> None:
    (tmp_path / "r.sqlite").write_text("this is no database" * 100, encoding="utf-8")
    words = [sys.executable, "-m", "sharpset", "record", "list", "--db", "r.sqlite"]
    done = subprocess.run(words, capture_output=True, text=True, check=False, cwd=tmp_path)
    assert done.returncode == 1
    assert done.stdout == ""
    assert len(done.stderr.splitlines()) == 1
    assert "r.sqlite: the record is damaged" in done.stderr


def test_a_refused_first_entry_leaves_no_record_behind(command, tmp_path):
    with pytest.raises(RecordError, match="process is missing"):
        command("add", "printer", "--set", "name=Heron")
    with pytest.raises(RecordError, match="is new: say how it prints"):
        command("add", "--fit", str(write_fit_folder(tmp_path / "fit")), "--printer", "Heron", "--create")
    with pytest.raises(RecordError):
        command("import", "nowhere")
    assert not list(tmp_path.glob("*.sqlite*"))
    command("add", "printer", "--set", "name=Heron", "process=filament")
    assert "Heron" in command("list", "printer")


def test_a_new_printer_prints_as_the_brief_of_the_fit_says(command, tmp_path):
    fit = write_fit_folder(tmp_path / "fit")
    (fit / "inputs.json").write_text('{"brief": {"name": "davits", "process": "resin"}}', encoding="utf-8")
    command("add", "--fit", "fit", "--printer", "Heron", "--material", "grey", "--create")
    with open_record("sharpset-record.sqlite") as record:
        assert record.show("Heron").fields["process"] == "resin"


def test_readings_and_scans_are_entered_once(command, tmp_path):
    readings_table().to_csv("r.csv", index=False)
    first = command("add", "readings", "--readings", "r.csv")
    with pytest.raises(RecordError, match=r"r\.csv: these readings are in the record already, as "):
        command("add", "readings", "--readings", "r.csv")
    both = pd.concat([readings_table(), readings_table().assign(scan_id="later")])
    both.to_csv("both.csv", index=False)
    assert command("add", "readings", "--readings", "both.csv").count("readings") == 1
    (tmp_path / "a.png").write_bytes(b"picture")
    (tmp_path / "b.png").write_bytes(b"picture")
    command("add", "scan", "--set", "path=a.png")
    with pytest.raises(RecordError, match=r"b\.png: this very picture is in the record already, as scan "):
        command("add", "scan", "--set", "path=b.png")
    assert first.count("readings") == 1


@pytest.mark.parametrize(
    ("setting", "refused"),
    [
        ("layer_height_mm=-0.06", True),
        ("speed=-30", True),
        ("z_offset_mm=-0.05", False),
        ("hole_width_compensation_mm=-0.02", False),
        ("room_c=-3", False),
    ],
)
def test_settings_that_cannot_be_negative(command, setting, refused):
    command("add", "printer", "--set", "name=Heron", "process=filament")
    words = ("add", "print", "--set", "printer=Heron", f"settings.{setting}")
    if refused:
        with pytest.raises(RecordError, match="cannot be negative"):
            command(*words)
    else:
        assert "print" in command(*words)
