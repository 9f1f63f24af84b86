"""Plans and fits on the command line: the fixed forms, tables by hand, faults in one line."""

from __future__ import annotations

import json

import numpy as np
import pandas as pd
import pytest

from sharpset.cli import main
from sharpset.plans import load_plan

FACTORS = """\
[[factor]]
name = "layer_height"
unit = "mm"
low = 0.03
high = {high}

[[factor]]
name = "nozzle"
unit = "mm"
kind = "levels"
levels = [0.15, 0.25]
"""


@pytest.fixture
def factors(tmp_path):
    path = tmp_path / "factors.toml"
    path.write_text(FACTORS.format(high=0.10), encoding="utf-8")
    return path


@pytest.fixture
def plan(tmp_path, factors, capsys):
    folder = tmp_path / "plan"
    words = ["plan", "new", "--factors", str(factors), "--design", "full", "--replicates", "2", "--out", str(folder)]
    assert main([*words, "--process", "filament"]) == 0
    capsys.readouterr()
    return folder


@pytest.fixture
def results(tmp_path, plan):
    runs = load_plan(plan).runs
    draw = np.random.default_rng(7)
    # A known plane: 0.10 mm in the middle, 0.02 mm more with the wider nozzle.
    gap = 0.10 + 0.2 * (runs["nozzle"] - 0.20) + draw.normal(0, 0.0005, len(runs))
    path = tmp_path / "results.csv"
    pd.DataFrame({"run_id": runs["run_id"], "gap_mm": gap.round(5)}).to_csv(path, index=False)
    return path


def one_line(capsys) -> str:
    captured = capsys.readouterr()
    lines = [line for line in captured.err.replace("\r", "\n").splitlines() if line.strip()]
    assert len(lines) == 1, captured.err
    assert lines[0].startswith("sharpset: ")
    return lines[0]


def test_new_plan_writes_its_folder_and_shows_cautions(tmp_path, factors, capsys):
    folder = tmp_path / "p"
    words = ["plan", "new", "--factors", str(factors), "--design", "full", "--out", str(folder)]
    assert main([*words, "--process", "resin"]) == 0
    assert sorted(path.name for path in folder.iterdir()) == [
        "plan.json",
        "results_form.csv",
        "run_sheet.pdf",
        "runs.csv",
    ]
    out = capsys.readouterr().out
    assert "nitrile gloves" in out
    assert "safety data sheets" in out
    table = pd.read_csv(folder / "runs.csv")
    # Two factors at two settings each.
    assert len(table) == 4
    assert set(table["nozzle"]) == {0.15, 0.25}


def test_plan_warns_of_layers_above_three_quarters_of_the_nozzle(tmp_path, capsys):
    path = tmp_path / "factors.toml"
    path.write_text(FACTORS.format(high=0.20), encoding="utf-8")
    assert main(["plan", "new", "--factors", str(path), "--design", "full", "--out", str(tmp_path / "p")]) == 0
    assert "three quarters of the nozzle" in capsys.readouterr().out


def test_same_plan_again_is_fine_another_one_is_refused(tmp_path, factors, plan, capsys):
    words = ["plan", "new", "--factors", str(factors), "--design", "full", "--replicates", "2", "--out", str(plan)]
    before = (plan / "runs.csv").read_bytes()
    assert main(words) == 0
    capsys.readouterr()
    assert main([*words, "--seed", "9"]) == 1
    assert "another plan is there already" in one_line(capsys)
    assert (plan / "runs.csv").read_bytes() == before
    assert main([*words, "--seed", "9", "--replace"]) == 0
    assert (plan / "runs.csv").read_bytes() != before


def test_unknown_design_lists_the_known_ones(tmp_path, factors, capsys):
    words = ["plan", "new", "--factors", str(factors), "--design", "cube", "--out", str(tmp_path / "p")]
    assert main(words) == 1
    text = one_line(capsys)
    assert "'cube'" in text
    assert "box-behnken" in text
    assert not (tmp_path / "p").exists()


def test_plan_made_elsewhere_is_taken_over_with_its_results(tmp_path, factors, capsys):
    runs = tmp_path / "runs.csv"
    runs.write_text(
        "layer_height,nozzle,gap_mm\n0.03,0.15,0.10\n0.10,0.15,0.12\n0.03,0.25,0.13\n0.10,0.25,0.16\n0.03,0.15,0.101\n",
        encoding="utf-8",
    )
    out = tmp_path / "p"
    assert main(["plan", "import", "--factors", str(factors), "--runs", str(runs), "--out", str(out)]) == 0
    taken = load_plan(out)
    assert taken.design == "imported"
    assert list(taken.runs["gap_mm"]) == [0.10, 0.12, 0.13, 0.16, 0.101]
    capsys.readouterr()
    words = [
        "fit",
        "--plan",
        str(out),
        "--formula",
        "layer_height + nozzle",
        "--out",
        str(tmp_path / "f"),
        "--no-report",
    ]
    assert main(words) == 0
    assert "gap_mm ~" in capsys.readouterr().out


def test_show_power_sheet_and_augment(tmp_path, plan, capsys):
    assert main(["plan", "show", str(plan), "--aliases"]) == 0
    assert "layer_height:nozzle" in capsys.readouterr().out
    assert main(["plan", "power", str(plan), "--noise", "0.002", "--effect", "0.01"]) == 0
    assert "power" in capsys.readouterr().out
    (plan / "run_sheet.pdf").unlink()
    assert main(["plan", "sheet", str(plan), "--page", "letter"]) == 0
    assert (plan / "run_sheet.pdf").read_bytes().startswith(b"%PDF")
    assert main(["plan", "augment", str(plan), "--how", "foldover", "--out", str(tmp_path / "more")]) == 0
    assert load_plan(tmp_path / "more").n_runs == 2 * load_plan(plan).n_runs


def test_fit_of_typed_results_finds_the_known_plane(tmp_path, plan, results, capsys):
    out = tmp_path / "fit"
    words = ["fit", "--plan", str(plan), "--results", str(results), "--response", "gap_mm"]
    assert main([*words, "--formula", "layer_height + nozzle", "--out", str(out)]) == 0
    data = json.loads((out / "fit.json").read_text(encoding="utf-8"))["responses"]["gap_mm"]
    terms = {row["term"]: row for row in data["terms"]["coded"]}
    # Coded units: half the change from 0.15 to 0.25 mm nozzle, 0.2 * 0.05 = 0.01 mm; eight prints with a
    # scatter of 0.0005 mm leave a standard error of 0.0002 mm, so five of them.
    assert terms["nozzle"]["estimate"] == pytest.approx(0.01, abs=0.001)
    assert terms["layer_height"]["low"] < 0.001
    assert data["formula"].replace(" ", "").endswith("layer_height+nozzle")
    assert (out / "report.html").is_file()
    assert list((out / "figures").glob("effects_gap_mm.png"))
    assert "gap_mm ~" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--results", "none.csv"], "none.csv"),
        ([], "Give --readings or --results"),
        (["--readings", "none.csv"], "none.csv"),
        (["--results", "results.csv", "--response", "bloom"], "bloom"),
        (["--results", "results.csv", "--formula", "layer_height + flow"], "flow"),
        (["--results", "results.csv", "--brief", "none.toml"], "none.toml"),
    ],
)
def test_faults_of_a_fit_are_one_line_and_write_nothing(tmp_path, plan, results, capsys, monkeypatch, words, said):
    monkeypatch.chdir(tmp_path)
    assert main(["fit", "--plan", str(plan), "--out", "fit", *words]) == 1
    assert said in one_line(capsys)
    assert not (tmp_path / "fit").exists()


def test_readings_of_other_runs_are_one_line(tmp_path, plan, capsys):
    table = pd.DataFrame(
        {
            **{name: ["x"] for name in ("scan_id", "piece_id", "feature_id", "flags")},
            "run_id": ["R99"],
            "kind": ["slot"],
            "nominal_mm": [0.2],
            "angle_deg": [0.0],
            "formed": ["yes"],
            **{name: [0.2] for name in ("measured_mm", "U95_mm", "deviation_mm", "x_dev_mm", "y_dev_mm")},
            "edge_roughness_mm": [0.01],
        }
    )
    path = tmp_path / "readings.csv"
    table.to_csv(path, index=False)
    assert main(["fit", "--plan", str(plan), "--readings", str(path), "--out", str(tmp_path / "fit")]) == 1
    assert "R99" in one_line(capsys)
    assert not (tmp_path / "fit").exists()


def test_a_fit_of_another_model_is_not_replaced_unasked(tmp_path, plan, results, capsys):
    words = ["fit", "--plan", str(plan), "--results", str(results), "--no-report", "--out", str(tmp_path / "fit")]
    assert main([*words, "--response", "gap_mm"]) == 0
    kept = (tmp_path / "fit" / "fit.json").read_bytes()
    capsys.readouterr()
    assert main([*words, "--formula", "layer_height", "--response", "gap_mm"]) == 1
    assert "fit of another plan, response or formula" in capsys.readouterr().err
    assert (tmp_path / "fit" / "fit.json").read_bytes() == kept
    assert main([*words, "--response", "gap_mm"]) == 0
    assert main([*words, "--formula", "layer_height", "--response", "gap_mm", "--replace"]) == 0


def test_fit_without_plan_or_out_is_wrong_usage(tmp_path, capsys):
    with pytest.raises(SystemExit) as stop:
        main(["fit", "--out", str(tmp_path)])
    assert stop.value.code == 2
    assert "--plan and --out are required" in capsys.readouterr().err


def test_next_runs_and_a_confirmation(tmp_path, plan, results, capsys):
    fit = tmp_path / "fit"
    words = ["fit", "--plan", str(plan), "--results", str(results), "--out", str(fit), "--no-report"]
    assert main(words) == 0
    capsys.readouterr()
    saved = tmp_path / "next.csv"
    assert main(["fit", "next", "--fit", str(fit), "--aim", "effect", "--runs", "2", "--save", str(saved)]) == 0
    runs = pd.read_csv(saved)
    assert len(runs) == 2
    assert runs["layer_height"].between(0.03, 0.10).all()
    # Without a brief there is no chance to raise and nothing recommended to confirm.
    capsys.readouterr()
    assert main(["fit", "next", "--fit", str(fit)]) == 1
    assert "brief" in one_line(capsys)
    assert main(["fit", "confirm", "--fit", str(fit), "--prediction", str(tmp_path / "p.json")]) == 1
    assert "no recommended settings" in one_line(capsys)
    assert main(["fit", "confirm", "--prediction", str(tmp_path / "p.json")]) == 1
    assert "Nothing to judge by" in one_line(capsys)


def test_a_prediction_is_written_first_and_judged_afterwards(tmp_path, plan, results, capsys):
    fit = tmp_path / "fit"
    words = ["fit", "--plan", str(plan), "--results", str(results), "--out", str(fit), "--no-report"]
    assert main(words) == 0
    prediction, own = tmp_path / "p.json", ["--set", "layer_height=0.06", "nozzle=0.25"]
    predict = ["fit", "confirm", "--fit", str(fit), "--prediction", str(prediction)]
    capsys.readouterr()
    for wrong, what in (("nozle=0.25", "one of layer_height, nozzle"), ("nozzle=wide", "'wide' is no number")):
        assert main([*predict, "--set", "layer_height=0.06", wrong]) == 1
        assert what in one_line(capsys)
    assert main([*predict, *own]) == 0
    expected = 0.10 + 0.2 * 0.05  # the known plane at a nozzle of 0.25 mm
    for value, inside in ((expected, True), (expected + 0.02, False)):
        (tmp_path / "again.csv").write_text(f"run_id,gap_mm\nC1,{value}\n", encoding="utf-8")
        capsys.readouterr()
        words = ["fit", "confirm", "--prediction", str(prediction), "--results", str(tmp_path / "again.csv")]
        assert main(words) == 0
        said = capsys.readouterr().out
        assert ("1 of 1 responses inside" in said) is inside
        assert ("outside: gap_mm" in said) is not inside
