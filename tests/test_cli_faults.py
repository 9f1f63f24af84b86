"""Faults that people make at the command line: each is one line, its status is 1, and nothing is left or lost."""

from __future__ import annotations

import json
import sqlite3
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from matplotlib.figure import Figure

from sharpset.cli import main
from sharpset.errors import PlanError
from sharpset.pieces import make_stencil, write_piece
from sharpset.plans import load_factors, load_plan, make_plan, power_table, save_plan
from sharpset.plots import save_figure
from sharpset.record import documents
from sharpset.record import tables as tables_of_record


@pytest.fixture
def bench(tmp_path, monkeypatch):
    """An empty folder to work in, whose files are compared before and after."""
    monkeypatch.chdir(tmp_path)
    return tmp_path


def refused(capsys, *words) -> str:
    """Return the one line that a command line is refused with; nothing may have been written or changed."""
    before = {path: path.read_bytes() for path in Path().rglob("*") if path.is_file()}
    assert main([str(word) for word in words]) == 1
    said = capsys.readouterr()
    assert said.err.count("\n") == 1, said.err
    assert {path: path.read_bytes() for path in Path().rglob("*") if path.is_file()} == before
    return said.err


def readings(n_scans=4, shift=0.0) -> pd.DataFrame:
    rng = np.random.default_rng(5)
    rows = []
    for scan in range(n_scans):
        for kind in ("bar", "slot"):
            for size in (0.2, 0.25, 0.315, 0.4):
                width = size + shift + rng.normal(0, 0.003)
                rows.append((f"s{scan}", "plate-1", f"R{scan}", f"{kind}-{size}", kind, size, "yes", width))
    names = ["scan_id", "piece_id", "run_id", "feature_id", "kind", "nominal_mm", "formed", "measured_mm"]
    return pd.DataFrame(rows, columns=names)


BRIEF = 'name = "davits"\nprocess = "resin"\nscale = 24\n[smallest_mm]\nbar = 0.2\n[tolerance_mm]\nwidth = 0.05\n'


@pytest.fixture
def tables(bench):
    """Readings of two printers and of three repeated scans, a brief, prints and details."""
    readings().to_csv("a.csv", index=False)
    readings(shift=0.02).assign(run_id=lambda t: "B" + t["run_id"]).to_csv("b.csv", index=False)
    drift = readings(16)
    drift.to_csv("d.csv", index=False)
    dates = [f"2026-01-{day + 1:02d}" for day in range(16)]
    pd.DataFrame({"run_id": drift["run_id"].unique(), "printed_at": dates}).to_csv("prints.csv", index=False)
    Path("brief.toml").write_text(BRIEF, encoding="utf-8")
    Path("chain.csv").write_text("stage,shrinkage_percent\nmould,3.5\n", encoding="utf-8")
    Path("details.csv").write_text("name,kind,full_size_mm\nstay,bar,6\n", encoding="utf-8")
    Path("limits.csv").write_text("kind,limit_mm\nbar,0.3\n", encoding="utf-8")
    return bench


def test_tables_of_a_spreadsheet_are_compared_like_plain_ones(tables):
    plain = ["compare", "--readings", "a.csv", "b.csv", "--brief", "brief.toml", "--out"]
    assert main([*plain, "one"]) == 0
    pd.read_csv("a.csv").to_csv("a.csv", index=False, sep=";", decimal=",", encoding="utf-16")
    assert main([*plain, "two"]) == 0
    one, two = (Path(folder, "comparison.json").read_text(encoding="utf-8") for folder in ("one", "two"))
    assert one == two


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"measured_mm": -0.2}, "a.csv: row 1: measured_mm is -0.2; no size is below 0 mm"),
        ({"measured_mm": "0,2"}, "'0,2' is not a number"),
        ({"measured_mm": np.inf}, "'inf' is not a number"),
        ({"kind": "hole"}, "is a bar and a hole: A and B are different pieces"),
    ],
)
def test_readings_that_cannot_be(tables, capsys, changes, says):
    readings().assign(**changes).to_csv("a.csv", index=False)
    words = ["--readings", "a.csv", "b.csv", "--brief", "brief.toml", "--out", "out"]
    assert says in refused(capsys, "compare", *words)


@pytest.mark.parametrize(
    ("jobs", "says"),
    [
        ("run_id,cost\nR0,ten\n", "row 1: cost is 'ten'; it must be a number from 0 up"),
        ("run_id,cost\nR0,1\nR1,-2\n", "row 2: cost is '-2'"),
        ("run_id,cost,n_parts\nR0,1,0\n", "n_parts is '0'; it must be a number above 0"),
        ("run_id,cost\nX9,1\n", "no run of the table of jobs (X9 ...) is among the readings"),
    ],
)
def test_jobs_that_cannot_be(tables, capsys, jobs, says):
    Path("jobs.csv").write_text(jobs, encoding="utf-8")
    words = ["--readings", "a.csv", "b.csv", "--brief", "brief.toml", "--jobs", "jobs.csv", "--out", "out"]
    assert says in refused(capsys, "compare", *words)


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["--gauge", "a.csv", "--tolerance", "1e9"], "--tolerance 1e+09"),
        (["--drift", "d.csv", "--prints", "prints.csv", "--prove-after-prints", "-1"], "after -1 prints"),
        (["--drift", "d.csv", "--prints", "prints.csv", "--prove-after-days", "nan"], "after nan days"),
        (["--drift", "d.csv", "--prints", "prints.csv", "--baseline", "-3"], "-3 prints cannot set limits"),
        (["--chain", "chain.csv", "--target", "inf"], "a target size is inf mm"),
        (["--chain", ""], "--chain: an empty path was given"),
    ],
)
def test_numbers_that_cannot_be(tables, capsys, words, says):
    brief = [] if "--tolerance" in words else ["--brief", "brief.toml"]
    assert says in refused(capsys, "compare", *words, *brief, "--out", "out")


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("2026-01-03", "2026-02-31", "row 3: '2026-02-31' is no date"),
        ("2026-01-03", "03.01.2026", "row 3: '03.01.2026' is no date"),
        ("2026-01-03", "", "row 3: '' is no date"),
        ("2026-01-03", "2206-01-03", "row 3: '2206-01-03' is no date"),
        ("printed_at\n", "printed_at,proven\n", "the column proven holds 'perhaps'"),
    ],
)
def test_prints_with_wrong_dates(tables, capsys, old, new, says):
    text = Path("prints.csv").read_text(encoding="utf-8").replace(old, new)
    Path("prints.csv").write_text(text.replace("2026-01-04", "2026-01-04,perhaps", "proven" in new), encoding="utf-8")
    words = ["--drift", "d.csv", "--prints", "prints.csv", "--brief", "brief.toml", "--out", "out"]
    assert says in refused(capsys, "compare", *words)


@pytest.mark.parametrize(
    ("file", "text", "says"),
    [
        ("details.csv", "name,kind,full_size_mm\nstay,bar,6\nstay,bar,7\n", "name stay (bar) twice"),
        ("details.csv", "name,kind,full_size_mm\nstay,bar,6\n,bar,\n", "row 2 of the details"),
        ("details.csv", "name,kind,full_size_in\nstay,bar,6\n", "full_size_mm (mm at full size)"),
        ("limits.csv", "kind,limit_mm\nbar,0.3\nbar,0.4\n", "bar has two limits"),
        ("limits.csv", "kind,limit_mm,kind\nbar,0.3,bar\n", "the column kind stands there twice"),
        ("chain.csv", "stage,shrinkage_percent\nmould,1\nmould,2\n", "two stages of the name 'mould'"),
    ],
)
def test_moulds_and_details_named_twice_or_not_sized(tables, capsys, file, text, says):
    Path(file).write_text(text, encoding="utf-8")
    words = ["--chain", "chain.csv", "--details", "details.csv", "--limits", "limits.csv", "--scale", "24"]
    assert says in refused(capsys, "compare", *words, "--out", "out")


def test_operators_with_an_empty_cell(tables, capsys):
    scans = [readings(1).assign(scan_id=f"s{i}", run_id="R0") for i in range(3)]
    pd.concat(scans).to_csv("g.csv", index=False)
    Path("op.csv").write_text("scan_id,operator\ns0,A\ns1,\ns2,B\n", encoding="utf-8")
    assert "no operator for scan s1" in refused(
        capsys, "compare", "--gauge", "g.csv", "--operators", "op.csv", "--out", "out"
    )


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16", "cp1252"])
def test_a_brief_saved_by_any_editor_is_read(bench, encoding, capsys):
    Path("brief.toml").write_text(BRIEF.replace("davits", "Kräne"), encoding=encoding)
    assert main(["brief", "check", "brief.toml"]) == 0
    assert "Kräne" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["a.png", "--look", "nix"], "--look nix: piece"),
        (["a.png", "--overlay", "a_file"], "a_file: cannot be made a folder for overlays"),
        (["a.png", "./a.png"], "a.png: is named twice"),
    ],
)
def test_wishes_are_checked_before_the_long_reading(bench, capsys, words, says):
    write_piece(make_stencil(process="resin"), bench / "piece", preview=False)
    Path("a_file").write_text("mine", encoding="utf-8")
    assert says in refused(capsys, "read", *words, "--piece", "piece", "--out", "r.csv")


def test_a_table_that_a_spreadsheet_holds_open_is_told_before_the_long_reading(bench, capsys, monkeypatch):
    write_piece(make_stencil(process="resin"), bench / "piece", preview=False)
    readings().to_csv("r.csv", index=False)
    plain = Path.open

    def held(self, mode="r", *args, **more):
        if self.name == "r.csv" and mode != "r" and "+" in mode:
            raise PermissionError(13, "Permission denied", str(self))
        return plain(self, mode, *args, **more)

    monkeypatch.setattr(Path, "open", held)
    said = refused(capsys, "read", "a.png", "--piece", "piece", "--out", "r.csv")
    assert "Close the program that holds the table open" in said


def test_readings_are_not_written_over_a_folder_nor_to_an_empty_path(bench, capsys):
    assert "--out: an empty path was given" in refused(capsys, "read", "a.png", "--piece", "piece", "--out", "")
    assert "--out: an empty path was given" in refused(capsys, "piece", "stencil", "--out", "")


@pytest.mark.parametrize("name", ["frame.json", "frame", "frame.png"])
def test_a_frame_is_a_pdf(bench, capsys, name):
    assert "Give a name that ends with .pdf" in refused(capsys, "photo", "frame", "--out", name)


@pytest.mark.parametrize("pixel", ["0", "-1", "nan", "1e-9"])
def test_absurd_pixels_of_a_photograph(bench, capsys, pixel):
    assert main(["photo", "frame", "--out", "f.pdf"]) == 0
    capsys.readouterr()
    words = ["photo", "rectify", "p.jpg", "--frame", "f.json", "--out", "o.tif", "--pixel", pixel]
    assert "is outside 0.002 to 1" in refused(capsys, *words)
    assert "f.pdf: is no photo frame" in refused(capsys, *[w.replace("f.json", "f.pdf") for w in words])


@pytest.fixture
def plan(bench):
    Path("factors.toml").write_text(
        '[[factor]]\nname = "speed"\nlow = 10\nhigh = 50\n[[factor]]\nname = "fan"\nlow = 0\nhigh = 100\n',
        encoding="utf-8-sig",
    )
    made = make_plan(load_factors("factors.toml"), design="full", centre_points=3)
    save_plan(made, "plan")
    return made


@pytest.mark.parametrize("noise", ["1e-300", "1e300", "nan", "0"])
def test_absurd_noise(plan, capsys, noise):
    assert "noise_sd must be a number above 0" in refused(capsys, "plan", "power", "plan", "--noise", noise)


def test_absurd_effects_and_sizes_of_plans(plan, capsys):
    with pytest.raises(PlanError, match="effect to be seen"):
        power_table(plan, noise_sd=1.0, effect=float("nan"))
    words = ["plan", "new", "--factors", "factors.toml", "--out", "p"]
    assert "20000 prints are more" in refused(capsys, *words, "--design", "d-optimal", "--runs", "20000")
    text = Path("factors.toml").read_text(encoding="utf-8-sig")
    Path("factors.toml").write_text(text.replace("fan", "Speed"), encoding="utf-8")
    assert "'Speed' stands there twice" in refused(capsys, *words, "--design", "full")
    Path("factors.toml").write_text(text.replace("50", "1e308"), encoding="utf-8")
    assert "key 'high' must be a number" in refused(capsys, *words, "--design", "full")


def test_a_plan_that_cannot_be_written_leaves_the_old_one(plan, monkeypatch):
    old = Path("plan/runs.csv").read_bytes()

    def stopped(self, *args, **kwargs):
        self.write_bytes(b"run")
        raise KeyboardInterrupt

    monkeypatch.setattr(Path, "write_text", stopped)
    with pytest.raises(KeyboardInterrupt):
        save_plan(plan, "plan")
    assert Path("plan/runs.csv").read_bytes() == old
    assert sorted(path.name for path in Path("plan").iterdir()) == ["plan.json", "runs.csv"]
    assert load_plan("plan").n_runs == plan.n_runs


def test_a_figure_that_was_interrupted_leaves_the_old_one(bench, monkeypatch):
    save_figure(Figure(), "f.png")
    old = Path("f.png").read_bytes()

    def stopped(self, place, **kwargs):
        Path(place).write_bytes(b"half")
        raise KeyboardInterrupt

    monkeypatch.setattr(Figure, "savefig", stopped)
    with pytest.raises(KeyboardInterrupt):
        save_figure(Figure(), "f.png")
    assert Path("f.png").read_bytes() == old
    assert [path.name for path in bench.iterdir()] == ["f.png"]


@pytest.fixture
def record(bench, capsys):
    for words in (["printer", "--set", "name=Heron", "process=filament"], ["material", "--set", "name=grey"]):
        extra = ["process=filament"] if words[0] == "material" else []
        assert main(["record", "add", "--db", "r.sqlite", *words, *extra]) == 0
    capsys.readouterr()
    return bench


def entries() -> int:
    connection = sqlite3.connect("r.sqlite")
    try:
        return int(connection.execute("SELECT count(*) FROM entry").fetchone()[0])
    finally:
        connection.close()


@pytest.mark.parametrize(
    ("setting", "says"),
    [
        ("0,06", "write numbers with a decimal point, 0.06"),
        ("NaN", "no number to keep"),
        ("nan", "no number to keep"),
        ("Infinity", "no number"),
    ],
)
def test_settings_that_are_no_numbers(record, capsys, setting, says):
    before = entries()
    words = ["print", "--set", "printer=Heron", "material=grey", f"settings.layer_height_mm={setting}"]
    assert main(["record", "add", "--db", "r.sqlite", *words]) == 1
    assert says in capsys.readouterr().err
    assert entries() == before


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"measured_mm": 200.0}, "in another unit"),
        ({"measured_mm": -0.2}, "-0.2 is no size"),
        ({"nominal_mm": 0.0}, "0 is no size"),
        ({"scan_id": "s0", "run_id": "R0"}, "stands twice in scan 's0'"),
    ],
)
def test_readings_for_the_record_that_cannot_be(record, capsys, changes, says):
    readings().assign(**changes).to_csv("a.csv", index=False)
    before = entries()
    assert main(["record", "add", "--db", "r.sqlite", "readings", "--readings", "a.csv"]) == 1
    assert says in capsys.readouterr().err
    assert entries() == before


@pytest.mark.parametrize("content", [b"x", b"my notes", b"SQLite"])
def test_a_short_file_that_is_no_record_is_not_written_over(bench, capsys, content):
    Path("notes.txt").write_bytes(content)
    words = ["--set", "name=Heron", "process=filament"]
    assert "is no record" in refused(capsys, "record", "add", "--db", "notes.txt", "printer", *words)


def test_a_table_is_asked_of_an_entry_that_has_none(record, capsys):
    assert main(["record", "show", "--db", "r.sqlite", "Heron", "--table", "t.csv"]) == 1
    assert "--table writes that of a readings entry" in capsys.readouterr().err
    assert not Path("t.csv").exists()


def test_numbers_in_json_files_of_a_comparison_stay_valid(tables):
    assert main(["compare", "--chain", "chain.csv", "--target", "5", "--out", "out"]) == 0
    assert json.loads(Path("out/moulds.json").read_text(encoding="utf-8"))["factor"] > 1


def test_a_printer_whose_name_differs_in_capitals_only_is_the_same(record, capsys):
    before = entries()
    assert main(["record", "add", "--db", "r.sqlite", "printer", "--set", "name=heron", "process=filament"]) == 1
    assert "capitals do not count" in capsys.readouterr().err
    assert entries() == before


def test_a_record_that_counted_refused_readings_is_sound(record, capsys, monkeypatch):
    """A record made before refused readings were left out of its summaries is not called damaged."""
    monkeypatch.setattr(documents, "size_rows", partial(tables_of_record.size_rows, refused="all"))
    readings().assign(flags=["refused: glare"] + [""] * 31).to_csv("a.csv", index=False)
    assert main(["record", "add", "--db", "r.sqlite", "readings", "--readings", "a.csv"]) == 0
    assert main(["record", "check", "--db", "r.sqlite"]) == 0
    connection = sqlite3.connect("r.sqlite")
    with connection:
        assert connection.execute("SELECT sum(n) FROM reading_size").fetchone() == (32,)
    connection.close()


def test_a_rehearsal_does_not_write_over_real_scans(bench, capsys):
    write_piece(make_stencil(process="resin"), bench / "piece", preview=False)
    Path("R01.png").write_bytes(b"mine")
    said = refused(capsys, "rehearse", "piece", "--piece", "piece", "--out", ".")
    assert "holds R01.png already, which no rehearsal is known to have written" in said


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--design", "full", "--axial", "2"], "--axial does nothing for the design full; it serves central-composite"),
        (["--design", "i-optimal", "--levels", "3"], "--levels does nothing for the design i-optimal; it serves full"),
        (["--design", "full", "--whole-plots", "3"], "--whole-plots does nothing for the design full"),
    ],
)
def test_options_that_would_do_nothing_are_refused(plan, capsys, words, said):
    assert said in refused(capsys, "plan", "new", "--factors", "factors.toml", "--out", "p", *words)


def test_an_option_of_another_way_to_add_runs_is_refused(plan, capsys):
    said = refused(capsys, "plan", "augment", "plan", "--how", "centre", "--factor", "fan", "--out", "p")
    assert "--factor does nothing for --how centre; it serves foldover" in said


def test_aliases_of_a_plan_of_three_levels_are_told_by_their_bias(plan, capsys):
    words = ["plan", "new", "--factors", "factors.toml", "--design", "d-optimal", "--runs", "9", "--out", "p"]
    assert main(words) == 0
    capsys.readouterr()
    assert main(["plan", "show", "p", "--aliases"]) == 0
    assert "no effect of the model quadratic is mixed up" in capsys.readouterr().out


def test_a_brief_is_either_written_or_checked(bench, capsys):
    assert main(["brief", "--out", "brief.toml"]) == 0
    assert main(["brief", "check", "brief.toml"]) == 0
    said = capsys.readouterr().out
    assert "edges no rougher than 0.02 mm" in said
    assert "printed in 4 h at most" in said
    assert "do one after the other" in refused(capsys, "brief", "--out", "other.toml", "check", "brief.toml")


def test_an_angle_that_is_no_number_is_refused(bench, capsys):
    write_piece(make_stencil(process="resin"), bench / "piece", preview=False)
    said = refused(capsys, "rehearse", "piece", "--piece", "piece", "--out", "s", "--angle", "nan")
    assert "--angle nan: a number of degrees is needed" in said


def test_a_piece_larger_than_it_needs_to_be_is_remarked(bench, capsys):
    assert main(["piece", "stencil", "--out", "p", "--process", "resin", "--size", "90"]) == 0
    assert "--size is the piece's own side, not the printer's bed" in capsys.readouterr().out


def test_a_tolerance_goes_before_that_of_the_brief(tables):
    words = ["compare", "--readings", "a.csv", "b.csv", "--brief", "brief.toml", "--tolerance", "0.123", "--out", "out"]
    assert main(words) == 0
    assert json.loads(Path("out/comparison.json").read_text(encoding="utf-8"))["tolerance_mm"] == 0.123
