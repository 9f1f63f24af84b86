"""The command line: exit status, one line for bad input, nothing heavy before it is needed."""

from __future__ import annotations

import argparse
import gc
import subprocess
import sys

import pandas as pd
import pytest

from sharpset import __version__, cli
from sharpset.cli import main
from sharpset.errors import PlanError, SharpsetWarning
from sharpset.pieces import load_piece
from sharpset.rooms import loading

HEAVY = (
    *("numpy", "pandas", "scipy", "matplotlib", "seaborn", "statsmodels", "trimesh", "shapely", "sqlalchemy"),
    *("cv2", "skimage", "pydantic", "PIL", "tifffile", "jinja2", "reportlab", "tqdm", "pydoe"),
)
VERBS = ("demo", "brief", "piece", "plan", "photo", "scan", "read", "fit", "compare", "record", "rehearse")


def loaded_after(code: str) -> set[str]:
    done = subprocess.run(
        [sys.executable, "-c", f"import sys\n{code}\nprint('\\n'.join(sys.modules))"],
        capture_output=True,
        text=True,
        check=True,
    )
    return set(done.stdout.split())


@pytest.mark.parametrize(
    "code",
    [
        "import sharpset",
        "import sharpset.cli",
        "import sharpset.cli\ntry:\n    sharpset.cli.main(['--help'])\nexcept SystemExit:\n    pass",
    ],
)
def test_nothing_heavy_is_loaded_before_a_verb_is_named(code):
    loaded = loaded_after(code)
    assert "sharpset" in loaded
    assert loaded & set(HEAVY) == set()


def test_help_of_a_verb_loads_nothing_heavy():
    ask = "for verb in VERBS:\n    try:\n        main([verb, '--help'])\n    except SystemExit:\n        pass"
    loaded = loaded_after(f"from sharpset.cli import main\nVERBS = {VERBS}\n{ask}")
    assert "sharpset.readings.commands" in loaded
    assert loaded & set(HEAVY) == set()


def test_reading_does_not_load_what_it_does_not_need():
    loaded = loaded_after("from sharpset.readings import read_scans, write_readings")
    assert "pandas" in loaded
    unneeded = {"scipy.optimize", "scipy.spatial", "scipy.stats"}
    assert loaded & {*unneeded, "matplotlib", "pydantic", "skimage", "statsmodels", "trimesh"} == set()


def test_help_names_every_verb(capsys):
    with pytest.raises(SystemExit) as stop:
        main(["--help"])
    assert stop.value.code == 0
    out = capsys.readouterr().out
    for verb in VERBS:
        assert f"    {verb} " in out


@pytest.mark.parametrize("verb", VERBS)
def test_every_verb_has_help(verb, capsys):
    with pytest.raises(SystemExit) as stop:
        main([verb, "--help"])
    assert stop.value.code == 0
    assert f"usage: sharpset {verb}" in capsys.readouterr().out


def test_version(capsys):
    with pytest.raises(SystemExit) as stop:
        main(["--version"])
    assert stop.value.code == 0
    assert capsys.readouterr().out.strip() == f"sharpset {__version__}"


@pytest.mark.parametrize(
    "words",
    [
        [],
        ["polish"],
        ["piece"],
        ["piece", "stencil"],
        ["piece", "stencil", "--out", "x", "--size", "wide"],
        ["piece", "stencil", "--out", "x", "--process", "laser"],
        ["piece", "stencil", "--out", "x", "--run-id", "R01", "--plan", "y"],
        ["brief", "check"],
    ],
)
def test_wrong_usage_is_status_2(words, capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    with pytest.raises(SystemExit) as stop:
        main(words)
    assert stop.value.code == 2
    assert "usage: sharpset" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


def one_line(capsys) -> str:
    captured = capsys.readouterr()
    lines = captured.err.splitlines()
    assert len(lines) == 1, captured.err
    assert lines[0].startswith("sharpset: ")
    return lines[0]


@pytest.mark.parametrize(
    "words",
    [
        ["fit", "--plan", "p", "--out", "o"],
        ["plan", "new", "--factors", "f.toml", "--design", "full", "--out", "o"],
        ["plan", "augment", "p", "--how", "centre", "--out", "o"],
        ["rehearse", "piece", "--piece", "p", "--out", "o"],
        ["compare", "--gauge", "r.csv"],
    ],
    ids=lambda words: " ".join(words[:2]),
)
@pytest.mark.parametrize("seed", ["-1", "4294967296", "1.5", "many"])
def test_a_seed_that_is_none_is_refused_in_words(words, seed, capsys):
    assert main([*words, f"--seed={seed}"]) == 1
    assert f"--seed takes a whole number from 0 to 4294967295, got '{seed}'" in one_line(capsys)


def test_example_brief_is_written_checked_and_never_replaced(tmp_path, capsys):
    path = tmp_path / "brief.toml"
    assert main(["brief", "--out", str(path), "--process", "resin"]) == 0
    text = path.read_text(encoding="utf-8")
    capsys.readouterr()
    assert main(["brief", "check", str(path)]) == 0
    out = capsys.readouterr().out
    assert "resin" in out
    # 0.15 mm at 1:24 by hand.
    assert "smallest bar: 0.15 mm, 3.6 mm at full size" in out
    assert main(["brief", "--out", str(path)]) == 1
    assert "is there already" in one_line(capsys)
    assert path.read_text(encoding="utf-8") == text


def test_brief_without_anything_to_do_says_what_to_do(capsys):
    assert main(["brief"]) == 1
    assert "--out FILE" in one_line(capsys)


def test_brief_with_an_unknown_key_is_one_line(tmp_path, capsys):
    path = tmp_path / "brief.toml"
    path.write_text('name = "x"\nprocess = "resin"\ncolour = "grey"\n[smallest_mm]\nbar = 0.2\n', encoding="utf-8")
    assert main(["brief", "check", str(path)]) == 1
    assert "unknown key 'colour'" in one_line(capsys)


def test_piece_is_made_as_asked(tmp_path, capsys):
    out = tmp_path / "piece"
    words = ["piece", "stencil", "--out", str(out), "--process", "resin", "--smallest", "0.2", "--size", "60"]
    assert main([*words, "--run-id", "R42"]) == 0
    piece = load_piece(out)
    assert piece.process == "resin"
    assert piece.run_id == "R42"
    assert piece.parameters["smallest_mm"] == {"bar": 0.2, "slot": 0.2, "hole": 0.2}
    assert piece.width_mm == 60.0
    assert piece.summary() in capsys.readouterr().out


def test_piece_that_does_not_fit_is_refused_with_the_numbers_and_nothing_is_written(tmp_path, capsys):
    out = tmp_path / "piece"
    assert main(["piece", "stencil", "--out", str(out), "--size", "22"]) == 1
    text = one_line(capsys)
    assert "22 mm" in text
    assert "needs a square of about" in text
    assert not out.exists()


@pytest.fixture
def brief(tmp_path):
    path = tmp_path / "brief.toml"
    path.write_text('name = "x"\nprocess = "resin"\n[smallest_mm]\nbar = 0.12\n', encoding="utf-8")
    return path


def test_piece_takes_process_and_sizes_from_the_brief(tmp_path, brief):
    assert main(["piece", "stencil", "--out", str(tmp_path / "p"), "--brief", str(brief)]) == 0
    piece = load_piece(tmp_path / "p")
    assert piece.process == "resin"
    assert piece.parameters["smallest_mm"]["bar"] == 0.12


def test_piece_refuses_a_process_that_the_brief_does_not_have(tmp_path, brief, capsys):
    words = ["piece", "stencil", "--out", str(tmp_path / "p"), "--brief", str(brief), "--process", "filament"]
    assert main(words) == 1
    assert "the brief is for resin, --process says filament" in one_line(capsys)


def test_one_piece_per_run_of_a_plan(tmp_path, brief):
    plan = tmp_path / "plan"
    plan.mkdir()
    pd.DataFrame({"run_id": ["R01", "R02", "extra-3"], "print_order": [2, 1, 3]}).to_csv(plan / "runs.csv", index=False)
    out = tmp_path / "pieces"
    assert main(["piece", "stencil", "--out", str(out), "--brief", str(brief), "--plan", str(plan)]) == 0
    pieces = [load_piece(out / name) for name in ("R01", "R02", "extra-3")]
    assert [piece.run_id for piece in pieces] == ["R01", "R02", "extra-3"]
    assert len({piece.piece_id for piece in pieces}) == 1
    assert len({piece.code.bits for piece in pieces}) == 3


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (None, "runs.csv: cannot be read"),
        ("", "not a table (nothing stands in it)"),
        ("speed\n30\n", "has no column run_id but speed"),
        ("run_id;speed\nR01;1,5\n;2\n", "no run_id in row 3"),
        ("run_id\nR01\nr01\n", "stands twice (capitals do not count)"),
        ("run_id\nR01\nCON\n", "'CON' cannot name a folder, it is a name that Windows keeps"),
        ("run_id\nR01.\n", "'R01.' cannot name a folder, it ends with a dot"),
        ("run_id\nR01\nR01\n", "R01 stands twice"),
        ("run_id\nR01\n../R02\n", "'../R02' cannot name a folder"),
    ],
)
def test_plans_without_usable_runs_are_one_line(tmp_path, capsys, text, words):
    if text is not None:
        (tmp_path / "runs.csv").write_text(text, encoding="utf-8")
    assert main(["piece", "stencil", "--out", str(tmp_path / "p"), "--plan", str(tmp_path)]) == 1
    assert words in one_line(capsys)
    assert not (tmp_path / "p").exists()


def run_instead(monkeypatch, function):
    """Let the verb 'brief' run a function of the test's own."""
    import sharpset.brief_commands

    monkeypatch.setattr(sharpset.brief_commands, "configure", lambda parser: parser.set_defaults(run=function))


def raising(error):
    def run(args):
        raise error

    return run


def test_errors_of_several_lines_become_one(monkeypatch, capsys):
    run_instead(monkeypatch, raising(PlanError("runs.csv: first\n  second")))
    assert main(["brief"]) == 1
    assert one_line(capsys) == "sharpset: runs.csv: first second"


def test_faults_of_the_disk_become_one_line(monkeypatch, capsys):
    run_instead(monkeypatch, raising(OSError(28, "No space left on device", "out/readings.csv")))
    assert main(["brief"]) == 1
    assert "out/readings.csv: No space left on device" in one_line(capsys)


def test_a_fault_of_our_own_keeps_its_traceback(monkeypatch):
    run_instead(monkeypatch, raising(ZeroDivisionError("bug")))
    with pytest.raises(ZeroDivisionError):
        main(["brief"])


def test_an_interrupt_is_status_130(monkeypatch, capsys):
    run_instead(monkeypatch, raising(KeyboardInterrupt()))
    assert main(["brief"]) == cli._INTERRUPTED == 130
    assert "stopped" in capsys.readouterr().err


def test_remarks_are_shown_in_one_line(monkeypatch, capsys):
    import warnings

    def run(args):
        warnings.warn("layer_height 0.24 mm is above\n0.75 x nozzle", SharpsetWarning, stacklevel=1)
        return 0

    run_instead(monkeypatch, run)
    with warnings.catch_warnings():
        warnings.simplefilter("always")
        assert main(["brief"]) == 0
    assert one_line(capsys) == "sharpset: note: layer_height 0.24 mm is above 0.75 x nozzle"


def test_a_reader_that_goes_away_is_no_traceback(tmp_path):
    code = "from sharpset.cli import main\nimport sys\nsys.exit(main(['brief', 'check', sys.argv[1]]))"
    path = tmp_path / "brief.toml"
    main(["brief", "--out", str(path)])
    process = subprocess.Popen(
        [sys.executable, "-c", code, str(path)], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    process.stdout.close()
    error = process.stderr.read()
    process.stderr.close()
    assert process.wait() == 1
    assert error == ""


def test_module_can_be_run(tmp_path):
    done = subprocess.run([sys.executable, "-m", "sharpset", "--version"], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == f"sharpset {__version__}"


def test_a_full_disk_without_a_file_name_is_one_line(monkeypatch, capsys):
    run_instead(monkeypatch, raising(OSError(28, "No space left on device")))
    assert main(["brief"]) == 1
    assert "No space left on device" in one_line(capsys)


@pytest.mark.parametrize("jobs", ["0", "-2", "1000", "all"])
def test_absurd_numbers_of_jobs_are_wrong_usage(capsys, jobs):
    with pytest.raises(SystemExit, match="2"):
        main(["demo", "--jobs", jobs])
    assert "is no number of scans" in capsys.readouterr().err


def _parsers(parser, words):
    yield words, parser
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            for name, inner in action.choices.items():
                yield from _parsers(inner, [*words, name])


@pytest.mark.parametrize("verb", cli._VERBS)
def test_help_tells_every_argument_and_its_default(verb):
    inner = next(p for words, p in _parsers(cli.build_parser(verb), []) if words == [verb])
    for words, parser in _parsers(inner, [verb]):
        assert parser.description, words
        for action in parser._actions:
            silent = (argparse._SubParsersAction, argparse._HelpAction)
            if isinstance(action, silent):
                continue
            where = [*words, *(action.option_strings or [action.dest])]
            assert action.help, where
            told = action.default in (None, False, "", []) or "default" in action.help
            assert told, where
            assert not action.option_strings or action.nargs == 0 or action.choices or action.metavar, where


def test_objects_are_cleared_away_again_after_loading_even_where_it_fails():
    with pytest.raises(ImportError), loading():
        assert not gc.isenabled()
        raise ImportError
    assert gc.isenabled()
    gc.disable()
    try:
        with loading():
            pass
        assert not gc.isenabled()
    finally:
        gc.enable()
