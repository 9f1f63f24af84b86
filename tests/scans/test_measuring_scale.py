"""The scale found on rules, glass scales and checkerboards, against pictures written down by formula."""

from __future__ import annotations

import math

import numpy as np
import pytest

from reference_scene import INCH, Glass, Layout, Rectangle, Thing, render
from sharpset.pieces import make_stencil
from sharpset.scans import ScaleReference, measure_scale, scan_from_pixels

OFF = Glass(scale_x=1.004, scale_y=0.997, slow_mm=0.02, period_mm=60.0)


def reference(kind: str = "rule", pitch_mm: float = 0.5, **more) -> ScaleReference:
    # A reference without error of its own, scanned at the temperature at which its pitch holds.
    return ScaleReference(**{"kind": kind, "pitch_mm": pitch_mm, "u_relative": 1e-6, "expansion_per_k": 0.0, **more})


def scan_of(layout: Layout):
    return scan_from_pixels(render(layout), pixel_mm=INCH / layout.dpi)


def true_slope(axis, glass: Glass, which: int) -> float:
    """Slope of the true map over the nodes' range by least squares, minus 1."""
    grid = np.linspace(axis.nodes_mm[0], axis.nodes_mm[-1], 1001)
    true = (glass.true_x, glass.true_y)[which](grid)
    return float(np.polyfit(grid - grid.mean(), true, 1)[0]) - 1.0


@pytest.fixture(scope="module")
def both():
    """Two rules, along both axes, on a scanner that is off by 0.4 and 0.3 % and whose carriage errs by 20 um."""
    rules = (Thing(x_mm=23, y_mm=7, n=70), Thing(x_mm=49, y_mm=30, n=90, angle_deg=90))
    return measure_scale(scan_of(Layout(size_mm=(58, 58), glass=OFF, things=rules)), reference())


def test_scale_of_each_axis_is_found_with_its_uncertainty(both):
    assert both.source == "reference"
    assert (both.x.n, both.y.n) == (71, 91)
    for which, axis in enumerate((both.x, both.y)):
        error = axis.correction - true_slope(axis, OFF, which)
        u = axis.u_slope(axis.nodes_mm[0], axis.nodes_mm[-1])
        # Graduations are found to 0.1 um; the spline's ends, where nothing lies beyond, to 0.2 um of 45 mm.
        assert abs(error) < 1e-5
        assert abs(error) < 2 * u < 1e-4


def test_slow_error_of_the_carriage_is_mapped(both):
    grid = np.linspace(both.y.nodes_mm[0], both.y.nodes_mm[-1], 100)
    left = both.y.offsets(grid) - (OFF.true_y(grid) - grid)
    # 40 um from crest to trough; a spline through nodes every few millimetres leaves a few tenths of a micrometre.
    assert np.ptp(OFF.true_y(grid) - OFF.scale_y * grid) > 0.035
    assert np.std(left) < 0.0005
    assert both.y.bend_mm > 0.010
    assert both.x.bend_mm < 0.0005


@pytest.mark.parametrize("angle", [3.0, -5.0, 183.0])
def test_a_turned_rule_still_gives_the_scale_of_its_axis(angle):
    layout = Layout(dpi=600, glass=OFF, things=(Thing(y_mm=15, angle_deg=angle),))
    found = measure_scale(scan_of(layout), reference())
    error = found.x.correction - (OFF.scale_x - 1)
    u = found.x.u_slope(found.x.nodes_mm[0], found.x.nodes_mm[-1])
    # The other axis is not known better than a flatbed is, which costs turn^2 * 0.3 %: 2e-5 at 5 degrees.
    assert abs(error) < 4e-5
    assert abs(error) < 2 * u < 2e-4
    assert not found.y.is_measured
    assert "along y: no row of graduations" in found.remarks[0]


@pytest.mark.parametrize("kind", ["bright lines", "1 mm"])
def test_other_rules_are_read_too(kind):
    thing, pitch = {
        "bright lines": (Thing(y_mm=15, body=0.05, ink=0.6), 0.5),
        "1 mm": (Thing(y_mm=15, pitch_mm=1.0, n=44), 1.0),
    }[kind]
    found = measure_scale(scan_of(Layout(dpi=600, glass=OFF, things=(thing,))), reference("glass-scale", pitch))
    # Half a pixel at either end of 40 mm would be 5e-4: what is left is noise.
    assert found.x.correction == pytest.approx(0.004, abs=1e-5)


def test_a_checkerboard_gives_both_axes_at_once():
    board = Thing(kind="board", x_mm=30, y_mm=20, pitch_mm=2.0, n=22, width_mm=26, angle_deg=1.2)
    layout = Layout(size_mm=(60, 40), dpi=600, glass=Glass(scale_x=0.996, scale_y=1.003), things=(board,))
    found = measure_scale(scan_of(layout), reference("checkerboard", 2.0))
    # Along y 12 squares only: 0.1 um on each edge of 8 rows over 24 mm leaves about 2e-6; U95 holds the turn.
    for axis, true in ((found.x, -0.004), (found.y, 0.003)):
        assert abs(axis.correction - true) < 2 * axis.u_slope(axis.nodes_mm[0], axis.nodes_mm[-1])
        assert axis.correction == pytest.approx(true, abs=3e-5)


def test_edges_that_bloom_shift_no_scale():
    # Dark squares that are 60 um too wide: rising and falling edges move apart, their mean pitch stays.
    squares = [
        Rectangle(x=8 + 2 * k, y=15 + 2 * m, half_u=1.03, half_v=1.0, angle_deg=0, step=-0.6)
        for k in range(22)
        for m in range(-2, 2)
        if (k + m) % 2 == 0
    ]
    plate = Rectangle(x=29, y=14, half_u=26, half_v=9, angle_deg=0, step=0.65)
    layout = Layout(dpi=600, glass=Glass(scale_x=1.002), things=(plate, *squares))
    found = measure_scale(scan_of(layout), reference("checkerboard", 2.0))
    assert found.x.correction == pytest.approx(0.002, abs=2e-5)


def test_dirt_on_a_rule_is_left_out():
    rule = Thing(y_mm=15, missing=(11, 12, 40), scatter_mm=0.001, seed=3)
    layout = Layout(dpi=1200, glass=OFF, things=(rule,), dust=900)
    found = measure_scale(scan_of(layout), reference())
    u = found.x.u_slope(found.x.nodes_mm[0], found.x.nodes_mm[-1])
    # Graduations scatter by 1 um: 1 um / (40 mm * sqrt(80 / 12)) is 1e-5.
    assert abs(found.x.correction - 0.004) < min(2.5 * u, 5e-5)
    assert found.x.n < 81


@pytest.mark.parametrize(
    ("things", "pitch", "words"),
    [
        ((), 0.5, "no row of graduations"),
        ((Thing(y_mm=15, n=12),), 0.5, "no row of graduations"),
        ((Thing(y_mm=15, n=17),), 0.5, "18 graduations can be made out, 20 are needed"),
        ((Thing(y_mm=15),), 1.0, "is the pitch right|are there at a pitch of 1 mm|no row"),
        ((Thing(y_mm=15, pitch_mm=1.0, n=40),), 0.5, "2 lines|are there at a pitch of 0.5|no row"),
        ((Thing(y_mm=15, pitch_mm=0.508),), 0.5, "would put the scan -1.6 % off"),
        ((Thing(y_mm=15, scatter_mm=0.04),), 0.5, "scatter by|are there|no row"),
        ((Thing(y_mm=15, angle_deg=20),), 0.5, "no row"),
    ],
    ids=["nothing", "short", "few", "twice", "half", "inches", "woven", "askew"],
)
def test_what_is_no_fitting_reference_is_not_used(things, pitch, words):
    import re

    found = measure_scale(scan_of(Layout(dpi=600, things=things, dust=100)), reference(pitch_mm=pitch))
    assert found.source == "nominal"
    assert found.correction == (0.0, 0.0)
    assert found.u_relative == (0.002, 0.002)
    assert re.search(words, found.remarks[0]), found.remarks


def test_more_graduations_than_the_reference_has_are_something_else():
    found = measure_scale(scan_of(Layout(dpi=600)), reference(count=51))
    assert found.source == "nominal"
    assert "81 graduations are in line, it has 51" in found.remarks[0]


def test_what_is_excluded_is_not_looked_at():
    box = np.array([[0, 0], [60, 0], [60, 20], [0, 20]]) / (INCH / 600)
    found = measure_scale(scan_of(Layout(dpi=600)), reference(), exclude_px=[box])
    assert found.source == "nominal"


@pytest.mark.parametrize("shape", [(1, 1), (3, 2000), (2000, 1), (40, 40)])
@pytest.mark.parametrize("kind", ["rule", "checkerboard"])
def test_pictures_too_small_for_anything_hold_no_reference(shape, kind):
    scan = scan_from_pixels(np.full(shape, 90, np.uint8), pixel_mm=INCH / 1200)
    assert measure_scale(scan, reference(kind, 5.0)).source == "nominal"


def test_a_pitch_of_few_pixels_asks_for_a_finer_scan():
    noise = np.random.default_rng(4).integers(0, 255, (400, 500), dtype=np.uint8)
    found = measure_scale(scan_from_pixels(noise, pixel_mm=INCH / 100), reference(pitch_mm=0.5))
    assert found.remarks == ("reference was not used: its pitch is 2.0 pixels, 5 are needed; scan at a finer dpi",)


@pytest.mark.parametrize("process", ["resin", "filament"])
def test_a_piece_is_not_taken_for_a_rule(process):
    """A stencil, its edges alone drawn by its own outlines: ladders of slots are no graduations."""
    piece = make_stencil(process=process)
    boxes = []
    for f in piece.features.itertuples():
        if f.kind in ("slot", "bar"):
            half = f.nominal_mm / 2
            boxes.append(
                Rectangle(
                    x=5 + f.x_mm, y=5 + f.y_mm, half_u=f.length_mm / 2, half_v=half, angle_deg=f.angle_deg, step=-0.5
                )
            )
    plate = Rectangle(
        x=5 + piece.width_mm / 2, y=5 + piece.height_mm / 2, half_u=piece.width_mm / 2, half_v=piece.height_mm / 2,
        angle_deg=0, step=0.5,
    )  # fmt: skip
    size = (piece.width_mm + 10, piece.height_mm + 10)
    scan = scan_of(Layout(size_mm=size, dpi=600, things=(plate, *boxes)))
    for kind, pitch in (("rule", 0.5), ("rule", 1.0), ("checkerboard", 2.0)):
        assert measure_scale(scan, reference(kind, pitch)).source == "nominal"


def test_axes_change_places_with_the_picture():
    layout = Layout(dpi=600, glass=OFF, things=(Thing(y_mm=15, angle_deg=1.0),))
    pixels = render(layout)
    upright = measure_scale(scan_from_pixels(pixels, pixel_mm=INCH / 600), reference())
    turned = measure_scale(scan_from_pixels(np.ascontiguousarray(pixels.T), pixel_mm=INCH / 600), reference())
    assert upright.x.correction == pytest.approx(turned.y.correction, abs=1e-9)
    assert not turned.x.is_measured


def test_tolerance_and_temperature_of_the_reference_are_in_the_uncertainty():
    scan = scan_of(Layout(dpi=600))
    sure = measure_scale(scan, reference()).x
    span = float(np.ptp(sure.nodes_mm))
    vague = measure_scale(scan, reference(tolerance_mm=0.03, expansion_per_k=11.5e-6)).x
    # By hand: 30 um rectangular over the span, and a room within 5 K of 20 degrees (3 K standard).
    by_hand = math.sqrt((0.03 / math.sqrt(3) / span) ** 2 + (3 * 11.5e-6) ** 2)
    u = [axis.u_slope(axis.nodes_mm[0], axis.nodes_mm[-1]) for axis in (sure, vague)]
    assert math.sqrt(u[1] ** 2 - u[0] ** 2) == pytest.approx(by_hand, rel=1e-3)
    warm = measure_scale(scan, reference(expansion_per_k=11.5e-6, used_at_c=30.0)).x
    assert warm.correction - sure.correction == pytest.approx(11.5e-5, rel=1e-3)


@pytest.mark.slow
def test_intervals_hold_the_truth_on_random_scenes():
    z = []
    for seed in range(14):
        rng = np.random.default_rng([11, seed])
        glass = Glass(scale_x=1 + rng.uniform(-0.006, 0.006), scale_y=1 + rng.uniform(-0.006, 0.006))
        body, ink = rng.uniform(0.25, 0.7), rng.uniform(0.03, 0.12)
        pitch = float(rng.choice([0.5, 1.0]))
        rule = Thing(
            x_mm=30 + rng.uniform(-2, 2), y_mm=15 + rng.uniform(-2, 2), angle_deg=rng.uniform(-4, 4), pitch_mm=pitch,
            n=int(40 / pitch), line_mm=rng.uniform(0.08, 0.16), body=body, ink=ink, scatter_mm=rng.choice([0, 0.002]),
            seed=seed,
        )  # fmt: skip
        layout = Layout(
            dpi=600, glass=glass, things=(rule,), background=float(rng.choice([0.03, 0.6])), seed=seed,
            blur_mm=rng.uniform(0.015, 0.03), noise=rng.uniform(0.003, 0.015), dust=int(rng.choice([0, 200])),
        )  # fmt: skip
        axis = measure_scale(scan_of(layout), reference(pitch_mm=pitch)).x
        assert axis.is_measured
        error = axis.correction - (glass.scale_x - 1)
        assert abs(error) < 1e-4
        z.append(error / axis.u_slope(axis.nodes_mm[0], axis.nodes_mm[-1]))
    # Of 14 normal values more than two beyond 1.96 happen once in thirty times.
    assert np.sum(np.abs(z) > 1.96) <= 2
