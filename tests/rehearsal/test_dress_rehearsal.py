"""A whole plan rehearsed: effects that are there are found, settings are judged by the printer's own truth."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from sharpset.brief import Brief
from sharpset.cli import main
from sharpset.dress_rehearsal import dress_rehearsal, true_chance
from sharpset.errors import RehearsalError
from sharpset.pieces import stencil_from_brief
from sharpset.plans import factors_from_dict, make_plan, save_plan
from sharpset.rehearsal import quick_readings, virtual_printer

BRIEF = {
    "name": "sheave masters",
    "process": "filament",
    "smallest_mm": {"bar": 0.26, "slot": 0.22},
    "tolerance_mm": {"width": 0.05, "edge_roughness": 0.014},
}


@pytest.fixture(scope="module")
def brief():
    return Brief.model_validate(BRIEF)


@pytest.fixture(scope="module")
def plan():
    factors = factors_from_dict(
        {
            "factor": [
                {"name": "layer_height", "unit": "mm", "low": 0.04, "high": 0.12},
                {"name": "speed", "unit": "mm/s", "low": 15, "high": 60},
            ]
        }
    )
    return make_plan(factors, design="full", replicates=2, centre_points=1)


@pytest.fixture(scope="module")
def done(plan, brief):
    return dress_rehearsal(plan, brief, printer=4, n_repeats=3, seed=1)


def test_effects_that_the_formulas_hold_are_real_and_found(done):
    table = done.effects.set_index(["response", "term"])
    # By the printer's formulas (rehearsal/filament.py) roughness rises with the layer height, and the time of a print
    # is layers times layer time, both of which fall.
    rough = table.loc[("edge_roughness_mm", "layer_height")]
    assert rough["effect"] > 0
    assert rough["real"]
    assert rough["found"] == 1.0
    time = table.loc[("print_time_h", "layer_height")]
    assert time["effect"] < 0
    assert time["found"] == 1.0
    assert ((table["found"] >= 0) & (table["found"] <= 1)).all()


def test_settings_are_judged_by_the_truth(done, plan, brief):
    piece = stencil_from_brief(brief)
    machine = virtual_printer("filament", 4)
    for row in done.settings.to_dict("records"):
        settings = {name: row[name] for name in plan.factors.names}
        assert row["true_chance"] == pytest.approx(true_chance(machine.behaviour(settings, piece), brief))
        assert row["lost_chance"] == pytest.approx(max(done.best_chance - row["true_chance"], 0.0))
    assert done.best_chance >= done.settings["true_chance"].max()
    assert "INVENTED" in done.summary()
    assert "3 rehearsals of 10 prints" in done.summary()


def test_true_chance_is_what_many_virtual_prints_give(brief):
    """Count of prints whose details of the size to draw form, by another route: the prints' own truth."""
    machine = virtual_printer("filament", 4)
    piece = stencil_from_brief(brief)
    settings = {"layer_height": 0.08, "speed": 45.0}
    behaviour = machine.behaviour(settings, piece)
    only = Brief.model_validate({**BRIEF, "smallest_mm": {"slot": 0.22}, "tolerance_mm": {"width": 0.5}})
    drawn = 2 * 0.22 - behaviour.mean_width_mm("slot", 0.22)
    # Slots of the nearest nominal size stand in for the drawn one, so the wanted size is shifted to fit them.
    sizes = piece.features.loc[piece.features["kind"] == "slot", "nominal_mm"].unique()
    nominal = float(sizes[np.argmin(np.abs(sizes - drawn))])
    wanted = float(
        min(
            np.linspace(0.05, 0.6, 5501),
            key=lambda w: abs(2 * w - behaviour.mean_width_mm("slot", w) - nominal),
        )
    )
    asked = only.model_copy(update={"smallest_mm": {"slot": wanted}})
    jobs = [machine.print_piece(piece, settings, seed=k, shapes=False) for k in range(24)]
    table = quick_readings(jobs)
    mine = table[(table["kind"] == "slot") & np.isclose(table["nominal_mm"], nominal)]
    share = float((mine["formed"] == "yes").mean())
    # 144 details in 24 prints: two to three standard errors of the share, and flaws (about 1 %) on top.
    assert true_chance(behaviour, asked) == pytest.approx(share, abs=0.1)


def test_too_few_repeats_and_strange_factors_are_refused(plan, brief):
    with pytest.raises(RehearsalError, match="two repeats"):
        dress_rehearsal(plan, brief, n_repeats=1)
    strange = make_plan(
        factors_from_dict({"factor": [{"name": n, "low": 1, "high": 2} for n in ("speed", "humidity")]}), design="full"
    )
    with pytest.raises(RehearsalError, match="humidity"):
        dress_rehearsal(strange, brief, n_repeats=2)


def test_rehearse_experiment_on_the_command_line(tmp_path, plan, capsys):
    save_plan(plan, tmp_path / "plan")
    (tmp_path / "brief.toml").write_text(
        'name = "sheave masters"\nprocess = "filament"\n[smallest_mm]\nslot = 0.22\n[tolerance_mm]\nwidth = 0.05\n',
        encoding="utf-8",
    )
    words = ["rehearse", "experiment", "--plan", str(tmp_path / "plan"), "--brief", str(tmp_path / "brief.toml")]
    saved = tmp_path / "effects.csv"
    assert main([*words, "--repeats", "2", "--printer", "4", "--save", str(saved)]) == 0
    out = capsys.readouterr().out
    assert "INVENTED: 2 rehearsals of 10 prints" in out
    assert {"response", "term", "effect", "real", "found"} <= set(pd.read_csv(saved).columns)
    assert main([*words, "--repeats", "1"]) == 1
    err = capsys.readouterr().err
    assert err.count("\n") == 1
    assert "two repeats" in err
