"""Whole plans, quick readings, the verb, and the sample scans that come with sharpset."""

from __future__ import annotations

import math
from pathlib import Path

import cv2
import numpy as np
import pandas as pd
import pytest

from sharpset.cli import main
from sharpset.errors import RehearsalError
from sharpset.pieces import decode_bits, load_piece, write_piece
from sharpset.plans import load_plan
from sharpset.rehearsal import Scanner, quick_readings, rehearse_plan, virtual_printer
from sharpset.rehearsal.printers import job_of
from sharpset.rehearsal.runs import everyday_scan, print_runs, with_run_id
from sharpset.rehearsal.samples import _FILAMENT_PRINTER, _FIXED

SAMPLES = Path(__file__).parents[2] / "sample_scans"
RUNS = pd.DataFrame(
    {"run_id": ["R05", "R06"], "print_order": [1, 2], "whole_plot": [1, 2], "block": [1, 1], "fan": [30.0, 90.0]}
)


def test_every_run_is_printed_with_its_settings_and_code(filament_piece):
    prints = list(print_runs(RUNS, filament_piece, virtual_printer("filament", 2), fixed={"speed": 25}, seed=3))
    assert [p.piece.run_id for p in prints] == ["R05", "R06"]
    assert [p.settings["fan"] for p in prints] == [30.0, 90.0]
    assert all(p.settings["speed"] == 25 for p in prints)
    assert [decode_bits(p.piece.code.bits) for p in prints] == [5, 6]
    assert prints[0].truth["run_id"].unique().tolist() == ["R05"]


def test_a_plan_leaves_scans_truth_and_results(tmp_path, filament_piece):
    printer = virtual_printer("filament", 2)
    done = rehearse_plan(RUNS, filament_piece, printer, out=tmp_path, scanner=Scanner(dpi=150), per_scan=2, seed=1)
    assert [p.name for p in done.scans] == ["R05-R06.png"]
    image = cv2.imread(str(done.scans[0]), cv2.IMREAD_UNCHANGED)
    assert image.ndim == 2
    truth = pd.read_csv(tmp_path / "truth" / "features.csv")
    assert len(truth) == 2 * len(filament_piece.features)
    assert truth["row_px"].between(0, image.shape[0]).all() and truth["column_px"].between(0, image.shape[1]).all()
    results = pd.read_csv(tmp_path / "results.csv")
    assert results["run_id"].tolist() == ["R05", "R06"]
    # Layers of 0.06 mm in a 1.2 mm plate at 30 mm/s: about an hour; 1.24 g/cm3.
    assert results["print_time_h"].between(0.5, 3).all()
    grams = filament_piece.silhouette().area * filament_piece.thickness_mm * 1.24e-3
    assert np.allclose(results["material_g"], grams, atol=0.051)
    assert "INVENTED" in (tmp_path / "truth" / "INVENTED.txt").read_text(encoding="utf-8")
    assert "INVENTED" in done.summary()


def test_wrong_plans_are_told(filament_piece):
    printer = virtual_printer("filament")
    with pytest.raises(RehearsalError, match="factor 'vat' is no setting of the virtual filament printer"):
        list(print_runs(RUNS.rename(columns={"fan": "vat"}), filament_piece, printer))
    with pytest.raises(RehearsalError, match="fan is fixed and a factor"):
        list(print_runs(RUNS, filament_piece, printer, fixed={"fan": 3}))


def test_everyday_scans_vary(filament_print):
    scans = [everyday_scan(filament_print, scanner=Scanner(dpi=100), seed=s) for s in range(14)]
    assert len({s.placements[0].angle_deg for s in scans}) == 14
    assert {s.placements[0].mirror for s in scans} == {True, False}
    assert len({round(s.placements[0].angle_deg / 90) % 4 for s in scans}) >= 3


def test_quick_readings_err_as_stated(filament_piece):
    printer = virtual_printer("filament")
    prints = [printer.print_piece(filament_piece, {}, seed=s, shapes=False) for s in range(20)]
    table = quick_readings(prints, u_private_mm=0.002, u_common_mm=0.003, seed=5)
    truth = pd.concat([p.truth for p in prints], ignore_index=True)
    error = (table["measured_mm"] - truth["true_width_mm"]).dropna()
    # 95 % of the errors lie within U95; common parts make them come in groups of 20 prints.
    assert np.mean(error.abs() <= table["U95_mm"].dropna()) == pytest.approx(0.95, abs=0.06)
    assert table["measured_mm"].isna().equals(truth["formed"] == "no")
    slots, bars = (error[truth["kind"].loc[error.index] == kind] for kind in ("slot", "bar"))
    first = truth.index[: len(filament_piece.features)]
    assert slots.loc[slots.index.isin(first)].mean() * bars.loc[bars.index.isin(first)].mean() < 0
    with pytest.raises(RehearsalError, match="u_common_mm must be 0 or more, got -1"):
        quick_readings(prints[0], u_common_mm=-1)
    assert quick_readings([]).empty


def test_the_verb_prints_and_scans_a_piece(tmp_path, filament_piece, capsys):
    write_piece(filament_piece, tmp_path / "piece")
    words = ["rehearse", "piece", "--piece", str(tmp_path / "piece"), "--out", str(tmp_path / "out"), "--dpi", "150"]
    assert main([*words, "--set", "layer_height=0.08", "--run-id", "R12", "--angle", "10", "--format", "tif"]) == 0
    told = capsys.readouterr().out
    assert "INVENTED" in told and "R12.tif" in told
    assert (tmp_path / "out" / "R12.tif").is_file()
    runs = pd.read_csv(tmp_path / "out" / "truth" / "runs.csv")
    assert runs["layer_height"].tolist() == [0.08] and runs["run_id"].tolist() == ["R12"]


def test_the_verb_rehearses_a_plan(tmp_path, filament_piece, capsys):
    write_piece(filament_piece, tmp_path / "piece")
    factors = tmp_path / "factors.toml"
    factors.write_text(
        '[[factor]]\nname = "speed"\nunit = "mm/s"\nkind = "continuous"\nlow = 20\nhigh = 50\n', encoding="utf-8"
    )
    from sharpset.plans import load_factors, make_plan, save_plan

    save_plan(make_plan(load_factors(factors), design="full", seed=1), tmp_path / "plan")
    words = ["rehearse", "plan", "--plan", str(tmp_path / "plan"), "--piece", str(tmp_path / "piece")]
    assert main([*words, "--out", str(tmp_path / "out"), "--dpi", "120", "--printer", "4", "--set", "fan=40"]) == 0
    assert len(list((tmp_path / "out" / "scans").glob("*.png"))) == 2
    runs = pd.read_csv(tmp_path / "out" / "truth" / "runs.csv")
    assert sorted(runs["speed"]) == [20, 50] and (runs["fan"] == 40).all()
    assert main([*words, "--out", str(tmp_path / "out2"), "--set", "speed=40"]) == 1
    assert "speed is fixed and a factor" in capsys.readouterr().err
    assert not (tmp_path / "out2").exists()


@pytest.mark.parametrize(
    ("extra", "told"),
    [
        (["--set", "layer_height"], "NAME=VALUE is needed"),
        (["--set", "fan=lots"], "'lots' is no number"),
        (["--set", "fan=1", "--set", "fan=2"], "fan is given twice"),
        (["--set", "glue=2"], "unknown setting 'glue'"),
        (["--seed", "-1"], "--seed takes a whole number from 0"),
        (["--printer", "-1"], "--printer takes a whole number from 0"),
        (["--dpi", "7"], "dpi must be 50 to 9600"),
    ],
)
def test_the_verb_tells_what_is_wrong_in_one_line(tmp_path, filament_piece, capsys, extra, told):
    write_piece(filament_piece, tmp_path / "piece")
    words = ["rehearse", "piece", "--piece", str(tmp_path / "piece"), "--out", str(tmp_path / "out"), *extra]
    assert main(words) == 1
    error = capsys.readouterr().err
    assert told in error and error.count("\n") == 1
    assert not (tmp_path / "out").exists()


def test_sample_scans_are_complete_small_and_say_what_they_are():
    files = [path for path in SAMPLES.rglob("*") if path.is_file()]
    assert sum(path.stat().st_size for path in files) < 25e6
    assert "INVENTED" in (SAMPLES / "README.md").read_text(encoding="utf-8")
    plan = load_plan(SAMPLES / "plan")
    truth = pd.read_csv(SAMPLES / "truth" / "features.csv")
    assert sorted(truth["run_id"].unique()) == sorted(plan.runs["run_id"])
    assert all((SAMPLES / "scans" / f"{run_id}.jpg").is_file() for run_id in plan.runs["run_id"])
    assert {"yes", "no", "partly"} == set(truth["formed"])
    assert truth["mirror"].any() and not truth["mirror"].all()


def test_sample_scans_can_be_made_again():
    plan = load_plan(SAMPLES / "plan")
    piece = load_piece(SAMPLES / "piece")
    printer = virtual_printer("filament", _FILAMENT_PRINTER)
    printed = next(print_runs(plan.runs, piece, printer, fixed=_FIXED, seed=1862))
    stored = pd.read_csv(SAMPLES / "truth" / "features.csv")
    stored = stored[stored["run_id"] == printed.piece.run_id].reset_index(drop=True)
    assert stored["formed"].tolist() == printed.truth["formed"].tolist()
    # Six digits are stored.
    assert np.allclose(stored["true_width_mm"], printed.truth["true_width_mm"], rtol=1e-5, equal_nan=True)
    scan = everyday_scan(printed, scanner=Scanner(), seed=1862 * 10_000)
    image = cv2.imread(str(SAMPLES / "scans" / f"{printed.piece.run_id}.jpg"), cv2.IMREAD_UNCHANGED)
    assert image.shape == scan.image.shape
    # JPEG at quality 92 changes single pixels, not their mean.
    assert abs(float(image.mean()) - float(scan.image.mean())) < 0.1
    assert np.abs(image.astype(int) - scan.image.astype(int)).mean() < 2


def test_the_sample_brief_is_met_at_good_settings_only():
    from sharpset.brief import load_brief

    brief = load_brief(SAMPLES / "brief.toml")
    job = job_of(with_run_id(load_piece(SAMPLES / "piece"), "R01"))
    printer = virtual_printer("filament", _FILAMENT_PRINTER)

    def met(height, speed, fan):
        b = printer.behaviour({**_FIXED, "layer_height": height, "speed": speed, "fan": fan}, job)
        sizes = brief.smallest_mm
        widths = [abs(b.mean_width_mm(kind, sizes[kind]) - sizes[kind]) for kind in ("bar", "slot")]
        return (
            all(b.size_formed_mm(kind, angle_deg=45) <= sizes[kind] for kind in sizes)
            and max(widths) <= brief.tolerance_mm.width
            and b.roughness_mm <= (brief.tolerance_mm.edge_roughness or math.inf)
            and b.print_time_h <= brief.limits.print_time_h
        )

    grid = [
        met(h, v, f)
        for h in np.linspace(0.04, 0.12, 7)
        for v in np.linspace(15, 60, 7)
        for f in np.linspace(20, 100, 7)
    ]
    assert 0.03 < np.mean(grid) < 0.3
    assert not met(0.08, 37.5, 60)
