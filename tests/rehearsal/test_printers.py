"""The shape of the hidden physics, and errors."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sharpset.errors import RehearsalError
from sharpset.pieces import make_stencil
from sharpset.rehearsal import FilamentResponse, Job, ResinResponse, scan_pieces, virtual_printer
from sharpset.rehearsal.printers import job_of

PLATE = Job(area_mm2=1600.0, thickness_mm=1.2, n_features=150)
POST = Job(area_mm2=4.0, thickness_mm=15.0, n_features=1)
SEEDS = st.integers(0, 10_000)


def rising(values):
    return all(b > a for a, b in pairwise(values))


@settings(max_examples=30, deadline=None)
@given(seed=SEEDS)
def test_filament_wider_bead_grows_borders_and_closes_slots(seed):
    printer = virtual_printer("filament", seed)
    all_flow = [printer.behaviour({"flow": f}, PLATE) for f in (85, 95, 105, 115)]
    assert rising([b.growth_outline_mm for b in all_flow])
    assert rising([b.limit_slot_mm for b in all_flow])
    # Half of the bead's widening goes to each side: 1.12 nozzle wide, ten per cent more flow, nothing starved away.
    gain = all_flow[2].growth_outline_mm - all_flow[1].growth_outline_mm
    assert 0.6 * 0.1 * 1.12 * 0.25 / 2 < gain <= 0.1 * 1.12 * 0.25 / 2 + 1e-9


@settings(max_examples=30, deadline=None)
@given(seed=SEEDS)
def test_filament_finer_nozzle_forms_thinner_bars_and_narrower_slots(seed):
    printer = virtual_printer("filament", seed)
    all_nozzles = [
        printer.behaviour({"nozzle": d, "layer_height": 0.05, "speed": 15}, PLATE) for d in (0.15, 0.25, 0.4, 0.6)
    ]
    assert rising([b.limit_bar_mm for b in all_nozzles])
    assert rising([b.limit_slot_mm for b in all_nozzles])
    assert rising([b.corner_radius_mm for b in all_nozzles])


@settings(max_examples=30, deadline=None)
@given(seed=SEEDS)
def test_filament_heat_builds_up_when_layers_print_faster_than_they_cool(seed):
    printer = virtual_printer("filament", seed)
    waiting = [printer.behaviour({"min_layer_time": t}, POST) for t in (60, 20, 8, 3)]
    assert rising([b.softness for b in waiting])
    assert rising([b.growth_outline_mm for b in waiting])
    fans = [printer.behaviour({"fan": f, "min_layer_time": 5}, POST) for f in (100, 60, 20, 0)]
    assert rising([b.softness for b in fans])
    # The plate's layers take minutes: a least layer time below that changes nothing.
    assert printer.behaviour({"min_layer_time": 5}, PLATE) == printer.behaviour({"min_layer_time": 30}, PLATE)


def test_filament_heat_follows_the_balance_of_one_slab():
    response = FilamentResponse()
    b = response.behaviour({"fan": 0, "layer_height": 0.06, "min_layer_time": 20}, POST)
    # By hand: tau = 2.2e6 J/m3K * 60e-6 m / 8 W/m2K = 16.5 s; part = 38 + 172 * 16.5 / 36.5 = 115.75 degC;
    # softness = ln(1 + exp((115.75 - 48) / 7)).
    assert b.softness == pytest.approx(math.log1p(math.exp((38 + 172 * 16.5 / 36.5 - 48) / 7)), rel=1e-9)


@settings(max_examples=30, deadline=None)
@given(seed=SEEDS)
def test_filament_speed_rings_rounds_corners_and_saves_time(seed):
    printer = virtual_printer("filament", seed)
    speeds = [printer.behaviour({"speed": v, "min_layer_time": 0}, PLATE) for v in (10, 25, 50, 90)]
    assert rising([b.ripple_mm for b in speeds])
    assert rising([b.ripple_pitch_mm for b in speeds])
    assert rising([-b.print_time_h for b in speeds])
    assert rising([b.limit_bar_mm for b in speeds])


def test_filament_thinner_layers_are_smoother_and_slower():
    printer = virtual_printer("filament")
    heights = [printer.behaviour({"layer_height": h}, PLATE) for h in (0.03, 0.06, 0.10, 0.16)]
    assert rising([b.roughness_mm for b in heights])
    assert rising([-b.print_time_h for b in heights])


def test_filament_holes_shrink_more_than_slots_and_small_ones_most():
    b = virtual_printer("filament").behaviour({}, PLATE)
    loss = [d - b.mean_width_mm("hole", d) for d in (0.4, 0.8, 2.0, 6.0)]
    assert rising([-x for x in loss])
    assert loss[-1] > 2 * b.growth_slot_mm - 1e-6


@settings(max_examples=30, deadline=None)
@given(seed=SEEDS, height=st.floats(0.02, 0.1))
def test_resin_growth_is_a_straight_line_in_the_logarithm_of_exposure(seed, height):
    response = virtual_printer("resin", seed).response
    times = np.array([1.0, 2.0, 4.0, 8.0])
    growth = np.array(
        [response.behaviour({"exposure": t, "layer_height": height}, PLATE).growth_outline_mm for t in times]
    )
    steps = np.diff(growth)
    assert np.allclose(steps, steps[0], atol=1e-12)
    assert steps[0] == pytest.approx(response.width_gain_mm * math.log(2), rel=1e-9)


def test_resin_cure_depth_follows_the_working_curve():
    response = ResinResponse(intensity_mw_cm2=5.0, critical_mj_cm2=5.0, depth_mm=0.1)
    # Dp = 100 um, Ec = 5 mJ/cm2: E = 10, 20, 50, 100 give 69.315, 138.629, 230.259, 299.573 um (Cd = Dp ln(E/Ec)).
    depths = [response.cure_depth_mm(t) for t in (2, 4, 10, 20)]
    assert depths == pytest.approx([0.069315, 0.138629, 0.230259, 0.299573], abs=5e-7)
    assert response.cure_depth_mm(1.0) == 0
    assert response.cure_depth_mm(0.5) == 0


@settings(max_examples=30, deadline=None)
@given(seed=SEEDS)
def test_resin_trades_bars_against_slots_by_exposure(seed):
    printer = virtual_printer("resin", seed)
    # From the exposure on at which a layer of 0.05 mm holds to the one before; below it whole features part.
    least = next(t for t in np.arange(1.0, 4.0, 0.1) if printer.response.cure_depth_mm(t) > 1.2 * 0.05)
    doses = [printer.behaviour({"exposure": least * k}, PLATE) for k in (1.0, 1.4, 2.0, 3.0)]
    assert rising([b.limit_slot_mm for b in doses])
    assert rising([-b.limit_bar_mm for b in doses])


@settings(max_examples=30, deadline=None)
@given(seed=SEEDS)
def test_resin_fast_lift_and_short_rest_break_bars_and_fill_slots(seed):
    printer = virtual_printer("resin", seed)
    lifts = [printer.behaviour({"lift_speed": v}, PLATE) for v in (30, 60, 120, 240)]
    assert rising([b.limit_bar_mm for b in lifts])
    assert rising([-b.print_time_h for b in lifts])
    rests = [printer.behaviour({"rest_time": t}, PLATE) for t in (4, 2, 1, 0)]
    assert rising([b.limit_slot_mm for b in rests])
    assert rising([b.limit_bar_mm for b in rests])
    assert rising([-b.print_time_h for b in rests])


def test_chance_to_form_is_one_half_at_the_limit_and_nine_tenths_at_a90():
    b = virtual_printer("filament", 3).behaviour({}, PLATE)
    for kind in ("slot", "bar", "hole"):
        assert b.chance_formed(kind, b.limit_mm(kind)) == pytest.approx(0.5, abs=1e-12)
        assert b.chance_formed(kind, b.size_formed_mm(kind)) == pytest.approx(0.9, abs=1e-12)
    assert (
        b.limit_mm("bar", angle_deg=45)
        > b.limit_mm("bar", angle_deg=0)
        == pytest.approx(b.limit_mm("bar", angle_deg=90))
    )


def test_printers_of_one_shop_differ_and_each_seed_gives_the_same_one():
    assert virtual_printer("resin", 5) == virtual_printer("resin", 5)
    limits = {virtual_printer("resin", k).behaviour({}, PLATE).limit_bar_mm for k in range(20)}
    assert len(limits) == 20


def test_prints_differ_by_seed_only(filament_piece):
    printer = virtual_printer("filament", 1)
    first, again, other = (printer.print_piece(filament_piece, {"fan": 50}, seed=s) for s in (4, 4, 5))
    assert first.truth.equals(again.truth)
    assert np.array_equal(first.sides().ends, again.sides().ends)
    assert not first.truth.equals(other.truth)
    assert first.settings["fan"] == 50


@pytest.mark.parametrize("process", ["filament", "resin"])
def test_job_has_the_area_of_the_silhouette(process):
    piece = make_stencil(process=process)
    # Round openings are drawn with many sides of the same area.
    assert job_of(piece).area_mm2 == pytest.approx(piece.silhouette().area, abs=1e-3)


def test_prints_without_shapes_have_the_same_truth(filament_piece, filament_print):
    bare = virtual_printer("filament").print_piece(filament_piece, {}, seed=7, shapes=False)
    assert bare.truth.equals(filament_print.truth)
    with pytest.raises(RehearsalError, match="made without shapes; print with shapes=True"):
        bare.silhouette()
    with pytest.raises(RehearsalError, match="made without shapes"):
        scan_pieces(bare)


def test_print_scatter_has_the_stated_size(filament_piece):
    printer = virtual_printer("filament")
    mean = printer.behaviour({}, filament_piece)
    got = [printer.print_piece(filament_piece, {}, seed=s, shapes=False).behaviour.growth_outline_mm for s in range(30)]
    # Standard deviation of 30 draws: 13 % standard error, so a factor 1.6 is more than four of them.
    assert mean.run_growth_scatter_mm / 1.6 < np.std(got, ddof=1) < mean.run_growth_scatter_mm * 1.6
    assert abs(np.mean(got) - mean.growth_outline_mm) < 4 * mean.run_growth_scatter_mm / math.sqrt(30)


@pytest.mark.parametrize(
    ("process", "bad", "told"),
    [
        (
            "filament",
            {"layer_heigth": 0.06},
            r"unknown setting 'layer_heigth'; settings are nozzle, layer_height, speed",
        ),
        ("filament", {"speed": -3}, r"speed must be a number from 1 to 500, got -3"),
        ("filament", {"fan": "much"}, r"fan must be a number from 0 to 100, got 'much'"),
        ("filament", {"fan": float("nan")}, r"fan must be a number"),
        (
            "filament",
            {"layer_height": 0.3, "nozzle": 0.25},
            r"layer_height 0.3 mm does not go with a nozzle of 0.25 mm",
        ),
        (
            "resin",
            {"nozzle": 0.25},
            r"unknown setting 'nozzle'; settings are exposure, layer_height, lift_speed, rest_time",
        ),
        ("resin", {"exposure": 0}, r"exposure must be a number from 0.1 to 120, got 0"),
    ],
)
def test_wrong_settings_are_told(process, bad, told):
    with pytest.raises(RehearsalError, match=told):
        virtual_printer(process).behaviour(bad, PLATE)


def test_wrong_process_is_told(filament_piece):
    with pytest.raises(RehearsalError, match="is made for filament, the printer works with resin"):
        virtual_printer("resin").print_piece(filament_piece, {}, seed=1)
    with pytest.raises(RehearsalError, match="process 'clay' is unknown; processes are filament, resin"):
        virtual_printer("clay")
