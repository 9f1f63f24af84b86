"""Faults of an experiment from the command line: one line that says what is wrong and what to do, nothing written."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from sharpset.cli import main
from sharpset.fits import fit_formed, space_of
from sharpset.plans import factors_from_dict, load_plan, make_plan

FACTORS = "".join(
    f'[[factor]]\nname = "{name}"\nlow = {low}\nhigh = {high}\n'
    for name, low, high in (("layer_height", 0.03, 0.10), ("speed", 10, 40), ("fan", 20, 100))
)


@pytest.fixture
def factors(tmp_path):
    path = tmp_path / "factors.toml"
    path.write_text(FACTORS, encoding="utf-8")
    return path


@pytest.fixture
def half(tmp_path, factors, capsys):
    folder = tmp_path / "half"
    words = ["plan", "new", "--factors", str(factors), "--design", "fractional", "--resolution", "3"]
    assert main([*words, "--out", str(folder), "--process", "resin"]) == 0
    capsys.readouterr()
    return folder


def said(capsys):
    captured = capsys.readouterr()
    lines = captured.err.splitlines()
    assert len(lines) == 1
    return lines[0]


def test_constraints_that_leave_nothing(tmp_path, factors, capsys):
    with factors.open("a", encoding="utf-8") as file:
        file.write('[[constraint]]\nrule = "layer_height >= 0.2"\n')
    words = ["plan", "new", "--factors", str(factors), "--design", "d-optimal", "--out", str(tmp_path / "p")]
    assert main(words) == 1
    line = said(capsys)
    assert "layer_height >= 0.2" in line
    assert "Loosen one of them" in line
    assert not (tmp_path / "p").exists()


@pytest.mark.parametrize(
    ("words", "wrong", "remedy"),
    [
        (["--design", "d-optimal", "--model", "quadratic", "--runs", "6"], "10 coefficients", "at least 10"),
        (
            ["--design", "fractional", "--resolution", "3", "--model", "interactions"],
            "layer_height:speed is aliased",
            "larger design",
        ),
        (["--design", "d-optimal", "--whole-plots", "4"], "no factor is marked so", "hard_to_change = true"),
        (["--design", "simplex", "--model", "quadratic"], "4 of the 10 coefficients", "d-optimal"),
    ],
)
def test_plans_too_small_for_the_model(tmp_path, factors, capsys, words, wrong, remedy):
    assert main(["plan", "new", "--factors", str(factors), *words, "--out", str(tmp_path / "p")]) == 1
    line = said(capsys)
    assert wrong in line
    assert remedy in line
    assert not (tmp_path / "p").exists()


def results(folder, values, name="results.csv"):
    runs = load_plan(folder).runs["run_id"]
    path = folder.parent / name
    pd.DataFrame({"run_id": runs[: len(values)], "gap_mm": values}).to_csv(path, index=False)
    return path


@pytest.mark.parametrize(
    ("values", "words", "wrong", "remedy"),
    [
        ([0.2] * 4, [], "gap_mm is 0.2 in all 4 runs", "another response"),
        ([0.2, 0.3], [], "2 of 4 runs have a value", "Print and measure more runs"),
        ([0.2, 0.3, 0.1, 0.5], ["--formula", "layer_height * speed * fan"], "8 terms and 4 runs", "Leave terms out"),
    ],
)
def test_results_that_cannot_be_fitted(tmp_path, half, capsys, values, words, wrong, remedy):
    path = results(half, values)
    assert main(["fit", "--plan", str(half), "--results", str(path), *words, "--out", str(tmp_path / "f")]) == 1
    line = said(capsys)
    assert wrong in line
    assert remedy in line
    assert not (tmp_path / "f").exists()


def test_aliased_terms_are_named_with_their_partner(tmp_path, half, capsys):
    path = results(half, [0.2, 0.3, 0.1, 0.5])
    words = ["fit", "--plan", str(half), "--results", str(path), "--formula", "layer_height + speed:fan", "--no-report"]
    assert main([*words, "--out", str(tmp_path / "f")]) == 0
    out = capsys.readouterr().out
    assert "speed:fan (= layer_height)" in out
    assert "plan augment" in out


def test_runs_without_readings_are_said(tmp_path, half, capsys):
    path = results(half, [0.2, 0.3, 0.1])
    words = ["fit", "--plan", str(half), "--results", str(path), "--formula", "layer_height", "--no-report"]
    assert main([*words, "--out", str(tmp_path / "f")]) == 0
    assert f"no results yet for run {load_plan(half).runs['run_id'].iloc[3]}" in capsys.readouterr().out


def test_separation_is_said_and_gives_no_number_it_cannot_support():
    """Every print is cut cleanly between the same two sizes: the limit is between them, no closer."""
    plan = make_plan(
        factors_from_dict({"factor": [{"name": "speed", "low": 10, "high": 40}]}), design="full", replicates=2
    )
    sizes = [0.1, 0.2, 0.3]
    counts = pd.DataFrame(
        [
            {"run_id": run, "kind": "slot", "nominal_mm": size, "n": 6, "n_formed": 6 if size >= 0.2 else 0}
            for run in plan.runs["run_id"]
            for size in sizes
        ]
    )
    fit = fit_formed(counts, plan.runs[["run_id", "speed"]], kind="slot", space=space_of(plan))
    assert fit.status == "separated"
    assert "between them" in fit.statement
    assert np.isnan(fit.print_sd)


def test_power_says_when_nothing_is_left_to_judge_by(half, capsys):
    assert main(["plan", "power", str(half), "--noise", "0.1"]) == 0
    assert "Print the plan twice" in capsys.readouterr().out


def test_power_takes_the_noise_of_an_earlier_fit(tmp_path, factors, capsys):
    folder = tmp_path / "full"
    assert main(["plan", "new", "--factors", str(factors), "--design", "full", "--out", str(folder)]) == 0
    runs = load_plan(folder).runs
    noise = np.tile([0.01, -0.01], 4)
    values = 0.2 + runs["layer_height"] + noise
    path = results(folder, values.tolist())
    words = ["fit", "--plan", str(folder), "--results", str(path), "--formula", "layer_height + speed + fan"]
    assert main([*words, "--out", str(tmp_path / "f"), "--no-report"]) == 0
    capsys.readouterr()
    assert main(["plan", "power", str(folder), "--fit", str(tmp_path / "f"), "--response", "gap_mm"]) == 0
    out = capsys.readouterr().out
    # Least squares by another route: residual sum of squares over 8 - 4 degrees of freedom.
    x = np.column_stack([np.ones(8), runs[["layer_height", "speed", "fan"]].to_numpy()])
    rest = values - x @ np.linalg.lstsq(x, values, rcond=None)[0]
    assert f"{np.sqrt(float(rest @ rest) / 4):.4g} between prints" in out
    assert main(["plan", "power", str(folder), "--fit", str(tmp_path / "f"), "--response", "bloom"]) == 1
    assert "gap_mm" in said(capsys)
