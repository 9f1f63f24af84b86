"""The shade of walls from the spread of edges, on profiles written out from closed forms."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.special import ndtr

from sharpset.errors import ReadingError
from sharpset.pieces import make_stencil
from sharpset.readings.checks.gates import check_ground, check_shade
from sharpset.readings.edges.blur import EdgeSpread
from sharpset.readings.edges.faces import EVEN
from sharpset.readings.edges.profiles import Profiles
from sharpset.readings.edges.sampling import Samples, Strip
from sharpset.readings.edges.strips import LeftOver, Priors, fit_strips
from sharpset.readings.picture.light import LightMap, PieceLight
from sharpset.readings.shade.bands import Seen, likely_shift, likely_shifts
from sharpset.readings.shade.edge_shapes import lean_of_curve
from sharpset.readings.shade.lamp_side import ground_unevenness, lamp_side
from sharpset.readings.shade.shading import diameter_effect, measure_shade, width_effect
from sharpset.scans import PixelSize, Pose

SIGMA = 0.015
N = 24


def _scene(
    shift_mm: float,
    depth: float,
    rng: np.random.Generator,
    *,
    lit: bool = False,
    lamp_deg: float | None = -90.0,
    relief: float = 0.0,
):
    """Slots and bars at four directions with a lamp at an angle from +x in the picture (y runs down on the glass).

    Edges that face away from the lamp lack a share `depth` of the contrast over a band that shifts them by `shift_mm`;
    `lit`: those that face it have a tail of light that begins with that share and fades evenly. Without an angle there
    are lamps on all sides. `relief`: lines of filament, nine blurs wide, lie along edges and are arched, so that they
    are by such a share brighter or dimmer where they slope to the lamp or away from it.
    """
    strips, d, solid, normals = [], [], [], []
    across = np.linspace(-0.7, 0.7, 180)
    lamp = np.array([np.cos(np.radians(lamp_deg or 0)), np.sin(np.radians(lamp_deg or 0))])
    for k in range(N):
        angle = np.radians(45.0 * (k % 4) + 7.0)
        normal = np.array([-np.sin(angle), np.cos(angle)])
        is_bar = bool(k % 3 == 0)
        width = 0.4 + 0.01 * k
        strips.append(
            Strip(
                name=f"s{k}",
                solid=is_bar,
                width_mm=width,
                length_mm=3.0,
                x_mm=0,
                y_mm=0,
                angle_deg=45.0 * (k % 4),
                reach_mm=0.4,
            )
        )
        # The edge of the solid that faces +normal is the lower one of a slot and the upper one of a bar.
        sign = 1 if is_bar else -1
        light = np.full(len(across), 0.0 if is_bar else 1.0)
        for side in (-1, 1):
            towards = float(side * sign * normal @ lamp) if lamp_deg is not None else 1.0
            inwards = sign * (width / 2 - side * across)
            band = shift_mm / depth * (2 * max(towards, 0.0) if lit else max(-towards, 0.0))
            # Light that fades evenly over a band is the mean of steps all over it.
            moved = -band * (np.arange(40) + 0.5) / 40 if lit else np.array([band])
            part = np.mean([ndtr((inwards - at) / SIGMA) for at in moved], axis=0)
            step = (1 - depth) * ndtr(inwards / SIGMA) + depth * part
            light += step - 1
            slopes = np.sin(2 * np.pi * np.clip(inwards, 0, None) / (9 * SIGMA))
            light += (
                relief * towards * np.where((inwards < width / 2) | (not is_bar), slopes, 0.0) * (side * across > 0)
            )
        light += 1.0 if is_bar else 0.0
        d.append(across)
        solid.append(light + rng.normal(0, 0.001, len(across)))
        normals.append(normal)
    samples = Samples(
        strips=tuple(strips),
        owner=np.repeat(np.arange(N), 1),
        d_mm=np.zeros(N),
        t_mm=np.zeros(N),
        solid=np.zeros(N),
        normal=np.array(normals),
        length_scale=np.ones(N),
        half_length_mm=np.full(N, 1.2),
        pixel_mm=0.021,
        pixel_area_mm2=0.021**2,
    )
    profiles = Profiles(
        d_mm=np.array(d),
        solid=np.array(solid),
        n_pixels=np.full((N, len(across)), 100.0),
        noise=np.full(N, 0.01),
        dirty=np.zeros(N),
    )
    spread = EdgeSpread(sigma_x_mm=SIGMA, sigma_y_mm=SIGMA)
    fits = fit_strips(samples, profiles, spread, Priors(contrast=0.1, level=0.1, slope_per_mm=0.2, blur=0.6))
    return samples, profiles, fits, spread


@pytest.mark.parametrize("shift_mm", [0.005, 0.008])
def test_half_shade_is_told_by_edges_that_are_broader_and_lean_neither_way(shift_mm):
    shade = measure_shade(*_scene(shift_mm, 0.5, np.random.default_rng(1)))
    # Two steps of equal height a band b apart have the variance b^2 / 4, and the shift is b / 2.
    assert np.sqrt(shade.excess_y_mm2) == pytest.approx(shift_mm, rel=0.2)
    assert shade.facing == (0, 1)
    assert abs(shade.excess_x_mm2) < 3 * shade.u_excess_x_mm2 + 2e-6
    assert "shade one side along rows" in shade.summary()
    # Slots of a bright plate read too wide by the shift, of a dark one too narrow; nothing is seen along columns.
    assert shade.taken_mm(1) == pytest.approx(shift_mm, rel=0.25)
    assert replace(shade, plate_is_bright=False).taken_mm(1) == -shade.taken_mm(1)
    assert shade.taken_mm(0) == 0.0
    assert shade.u_shift_mm(0) == pytest.approx(shade.shift_x_mm / 1.96)
    assert 0.15 * shade.taken_mm(1) <= shade.u_shift_mm(1) < 0.45 * shift_mm
    # A slot across the lamp's direction carries it whole, one along it not at all.
    np.testing.assert_allclose(width_effect(np.array([[0.0, 1.0], [-1.0, 0.0]])), [[0.0, 1.0], [1.0, 0.0]])
    # Averaged round a hole: the mean of the positive part of a cosine is 1 / pi, twice that on the diameter.
    angle = (np.arange(1000) + 0.5) / 1000 * 2 * np.pi
    assert diameter_effect() == pytest.approx(2 * np.mean(np.maximum(np.cos(angle), 0)), rel=1e-4)


@pytest.mark.parametrize("relief", [0.08, 0.15])
def test_relief_of_a_face_is_no_shade(relief):
    """A face that slopes beside edges is dimmer on one side of a slot and brighter on the other: widths stay."""
    scene = _scene(0.0, 0.5, np.random.default_rng(3), relief=relief)
    samples, profiles, fits, spread = scene
    assert fits.faces.differ > relief / 2
    shade = measure_shade(*scene)
    assert shade.taken_mm(1) == 0.0
    assert "no shade seen" in shade.summary()
    # Had the face been thought even, half shade over 4 to 7 micrometres would have been seen.
    blind = measure_shade(samples, profiles, replace(fits, faces=EVEN), spread)
    assert blind.taken_mm(1) > 0.003
    # What a lamp may do besides cannot be told.
    assert shade.u_shift_mm(1) > 0.003


@pytest.mark.parametrize("share", [0.2, 0.35])
def test_lit_walls_lean_to_the_dark_side_and_are_corrected_the_other_way(share):
    scene = _scene(0.006, share, np.random.default_rng(4), lit=True)
    shade = measure_shade(*scene)
    assert shade.facing == (0, -1)
    assert shade.taken_mm(1) < 0
    assert "lit walls" in shade.summary()
    # What the fits are off by is known: slots that were drawn 0.4 mm and more read too narrow.
    samples, fits = scene[0], scene[2]
    drawn = np.array([strip.width_mm for strip in samples.strips])
    off = (fits.width_mm - drawn)[~samples.is_bar & (np.abs(samples.normal[:, 1]) > 0.98)]
    assert off.max() < -0.002
    assert np.all(np.abs(off - shade.taken_mm(1)) < 1.96 * shade.u_shift_mm(1))


def test_walls_that_are_lit_all_round_make_all_edges_lean_and_unsure():
    scene = _scene(0.004, 0.25, np.random.default_rng(8), lit=True, lamp_deg=None)
    shade = measure_shade(*scene)
    drawn = np.array([strip.width_mm for strip in scene[0].strips])
    off = float(np.median((scene[2].width_mm - drawn)[~scene[0].is_bar]))
    assert off < -0.004
    # Both edges of a strip are off, towards the dark side.
    assert shade.taken_all_mm < -0.0005
    assert abs(off / 2 - shade.taken_all_mm) < 1.96 * shade.u_all_mm < 1.5 * abs(off) / 2
    assert replace(shade, plate_is_bright=False).taken_all_mm == -shade.taken_all_mm
    # A picture that was sharpened leans without any walls: nothing is corrected.
    sharpened = replace(scene[-1], halo=-0.1)
    assert measure_shade(*scene[:-1], sharpened).taken_all_mm == 0.0
    # No lamp is seen in what all edges have alike.
    assert shade.taken_mm(0) == shade.taken_mm(1) == 0.0
    # Edges that do not lean are sure, but for what JPEG may make them lean by.
    scene = _scene(0.0, 0.25, np.random.default_rng(8))
    assert measure_shade(*scene).taken_all_mm == 0.0
    assert 2 * measure_shade(*scene).u_all_mm < measure_shade(*scene, lean_of_file=0.3).u_all_mm


def test_edges_that_lean_as_no_wall_makes_them_lean_are_not_corrected():
    spread = EdgeSpread(sigma_x_mm=0.02, sigma_y_mm=0.02)
    cube = spread.mean_sigma_mm**3

    def shifted(lean, u_of_file=0.0, **kind):
        seen = Seen(
            variance_mm2=0.0,
            u_variance_mm2=5e-6,
            lean_mm3=0.0,
            u_lean_mm3=0.02 * cube,
            both_mm3=lean * cube,
            u_both_mm3=0.005 * cube,
        )
        return likely_shifts((seen, seen), spread, evenly_lit=(0.9, 0.9), u_of_file_mm3=u_of_file * cube, **kind).all

    # Walls look like the plate: the ground seems narrower, be it the dark side or the bright one.
    lit, dark = shifted(-0.06), shifted(0.06, on_ground=True)
    assert lit.middle_mm < -0.0005
    assert dark.middle_mm > 0.0005
    assert abs(shifted(0.06).middle_mm) < 0.0001
    # A file that makes edges lean does so along columns and rows alike: two axes are not twice the evidence.
    assert shifted(-0.25, 0.1).middle_mm > -0.001
    # What a curve makes all edges lean by is no wall's doing where such a curve is possible.
    curves = [(0.0, 0.95), (-0.06 * cube, 0.05)]
    assert shifted(-0.06, curves=curves).middle_mm > lit.middle_mm / 2
    # No lean at all: a tail of light as long as half the blur is possible, of six micrometres it is not.
    assert shifted(0.0).middle_mm == 0.0
    assert 0.0002 < shifted(0.0).u_mm < 0.001


def test_edges_that_glint_towards_the_lamp_are_not_taken_for_deeper_shade():
    depth, wide = 0.4, 0.03
    samples, profiles, fits, spread = _scene(0.0, depth, np.random.default_rng(11))
    drawn = np.array([strip.width_mm for strip in samples.strips])
    solid = profiles.solid.copy()
    for k in range(N):
        sign = 1.0 if samples.is_bar[k] else -1.0
        for side in (-1, 1):
            # The lamp lies above in the picture (-y): rims that face it gain half of what the others lack.
            towards = -side * sign * samples.normal[k, 1]
            share = -depth * min(towards, 0.0) - 0.5 * depth * max(towards, 0.0)
            inwards = sign * (drawn[k] / 2 - side * profiles.d_mm[k])
            at = wide * (np.arange(40) + 0.5) / 40
            moved = np.mean([ndtr((inwards - each) / SIGMA) for each in at], axis=0)
            solid[k] += share * (moved - ndtr(inwards / SIGMA))
    profiles = replace(profiles, solid=solid)
    fits = fit_strips(samples, profiles, spread, Priors(contrast=0.1, level=0.1, slope_per_mm=0.2, blur=0.6))
    shade = measure_shade(samples, profiles, fits, spread)
    # One edge is off by depth * width / 2, the other by half as much the other way (algebra).
    off = (fits.width_mm - drawn)[~samples.is_bar & (np.abs(samples.normal[:, 1]) > 0.98)]
    assert off.mean() == pytest.approx(depth * wide / 4, rel=0.3)
    # Edges that differ so much in breadth would be off by 0.008 mm if nothing glinted (the variances add).
    assert abs(shade.taken_mm(1) - off.mean()) < 0.4 * (0.008 - depth * wide / 4)
    assert np.all(np.abs(off - shade.taken_mm(1)) < 1.96 * shade.u_shift_mm(1))


def test_a_band_that_lacks_nearly_all_may_be_a_lit_wall_and_both_are_held():
    shift_mm = 0.009
    samples = _scene(shift_mm, 0.85, np.random.default_rng(5))
    shade = measure_shade(*samples)
    # Such bands are thought rare, and rims that glint common: the interval reaches far to both sides of nought.
    assert shade.taken_mm(1) - 1.96 * shade.u_shift_mm(1) < -0.002
    assert shade.taken_mm(1) + 1.96 * shade.u_shift_mm(1) > 0.8 * shift_mm
    # The lamp lies above in the picture: the broader edges, which face down, cannot be lit by it.
    known = measure_shade(*samples, lamp=np.array([0.0, -1.0]))
    assert known.found[1].lit < shade.found[1].lit
    assert abs(known.taken_mm(1) - shift_mm) < abs(shade.taken_mm(1) - shift_mm)


def test_a_lamp_aslant_of_the_picture_is_followed():
    shift_mm, lamp_deg = 0.008, 35.0
    shade = measure_shade(*_scene(shift_mm, 0.5, np.random.default_rng(6), lamp_deg=lamp_deg))
    assert abs(shade.turn_deg - lamp_deg) <= 10
    assert shade.taken_mm(0) == pytest.approx(shift_mm, rel=0.25)
    # A strip across that direction carries it all, one along it nothing.
    along = np.array([[np.cos(np.radians(lamp_deg)), np.sin(np.radians(lamp_deg))]])
    assert width_effect(along, shade.turn_deg)[0, 0] > 0.98
    assert width_effect(along @ np.array([[0.0, 1.0], [-1.0, 0.0]]), shade.turn_deg)[0, 0] < 0.2


def test_ground_in_shade_tells_the_lamps_side():
    piece = make_stencil(process="resin")
    pixel = 0.1
    n = int(50 / pixel)
    turn = np.radians(30.0)
    matrix = np.array([[np.cos(turn), np.sin(turn), 8.0], [np.sin(turn), -np.cos(turn), 25.0]]) / pixel
    pose = Pose(matrix=matrix, pixel_mm=PixelSize(x=pixel, y=pixel))
    x, y = np.meshgrid(np.arange(n), np.arange(n))
    # The share solid is 0.03 on the ground but for the side of the plate's left edge, which is in the dark.
    place = np.linalg.solve(matrix[:, :2], np.stack((x.ravel() - matrix[0, 2], y.ravel() - matrix[1, 2])))
    left = (place[0] < 0).reshape(n, n)
    light = PieceLight(
        stored=np.where(left, 0.01, 0.03),
        decode=lambda values: values.astype(np.float32),
        origin=(0, 0),
        plate=_flat(1.0),
        background=_flat(0.0),
        noise=0.001,
        contrast=1.0,
        clipped=0.0,
        noise_inflation=1.0,
    )
    # Away from the dark side: along the piece's x, which lies 30 degrees below the picture's.
    np.testing.assert_allclose(lamp_side(light, pose, piece), [np.cos(turn), np.sin(turn)], atol=0.02)
    np.testing.assert_array_equal(lamp_side(replace(light, stored=np.full((n, n), 0.03)), pose, piece), [0.0, 0.0])


def test_ground_that_a_dark_pieces_walls_shade_is_refused():
    piece = make_stencil(process="resin")
    pixel, n = 0.05, 900
    pose = Pose(matrix=np.array([[1.0, 0.0, 2.0], [0.0, -1.0, 42.0]]) / pixel, pixel_mm=PixelSize(x=pixel, y=pixel))
    light = PieceLight(
        stored=np.full((n, n), 0.8),
        decode=lambda values: values.astype(np.float32),
        origin=(0, 0),
        plate=_flat(0.1),
        background=_flat(0.8),
        noise=0.005,
        contrast=-0.7,
        clipped=0.0,
        noise_inflation=1.0,
    )
    scan = SimpleNamespace(path="dark.png", viewing=None)
    check_ground(scan, light, pose, piece)
    # Ground under the upper half of the piece gets a tenth less light: 0.08 of 0.7 of contrast.
    shaded = replace(light, stored=np.where(np.arange(n)[:, None] < n / 2, 0.72, 0.8) * np.ones((1, n)))
    assert ground_unevenness(shaded, pose, piece)[1] == pytest.approx(0.08 / 0.7, rel=0.02)
    with pytest.raises(ReadingError, match=r"11% of the contrast.*matt paint"):
        check_ground(scan, shaded, pose, piece)
    # Ground with grain of its own, 0.1 mm wide, is no shade: neighbouring points differ as much as distant ones.
    grain = np.kron(np.random.default_rng(3).normal(0, 0.03, (n // 2, n // 2)), np.ones((2, 2)))
    grained = replace(light, stored=0.8 + grain)
    assert max(ground_unevenness(grained, pose, piece)) < 0.025
    check_ground(scan, grained, pose, piece)
    with pytest.raises(ReadingError, match=r"of the contrast.*matt paint"):
        check_ground(scan, replace(shaded, stored=shaded.stored + grain), pose, piece)
    # Behind a light piece the ground is dark, and what it lacks is little.
    check_ground(scan, replace(shaded, contrast=0.7), pose, piece)


def test_shade_far_wider_than_the_blur_is_refused():
    shade = measure_shade(*_scene(0.008, 0.5, np.random.default_rng(7)))
    scan = SimpleNamespace(path="shaded.png")
    check_shade(scan, shade)
    # A band of 60 um that lacks half the contrast: 30 um.
    with pytest.raises(ReadingError, match="30 um broader"):
        check_shade(scan, replace(shade, excess_y_mm2=0.03**2))
    check_shade(scan, replace(shade, excess_y_mm2=0.03**2, at_slant=True))


def _flat(value: float) -> LightMap:
    return LightMap(coefficients=np.array([value]), centre_px=np.zeros(2), span_px=np.ones(2), order=0)


def test_no_shade_is_seen_where_there_is_none():
    shade = measure_shade(*_scene(0.0, 0.5, np.random.default_rng(2)))
    assert shade.facing == (0, 0)
    assert shade.taken_mm(0) == shade.taken_mm(1) == 0.0
    # Noise hides shifts of about the blur times the root of the relative error of its square.
    assert max(shade.shift_x_mm, shade.shift_y_mm) < 0.1 * SIGMA
    assert "no shade seen" in shade.summary()


def test_what_is_taken_off_grows_steadily_with_the_evidence():
    spread = EdgeSpread(sigma_x_mm=0.03, sigma_y_mm=0.03)
    # A band in which half is missing shifts edges by b / 2 and widens them by b^2 / 4, leaning neither way (algebra).
    found = [
        likely_shift(
            Seen(variance_mm2=(k * 2.5e-4) ** 2, u_variance_mm2=1.5e-5, lean_mm3=0.0, u_lean_mm3=1e-6),
            spread,
            evenly_lit=0.5,
        )
        for k in range(49)
    ]
    taken = np.array([one.middle_mm for one in found])
    assert taken[0] == 0.0
    assert taken[-1] == pytest.approx(0.012, rel=0.25)
    # Where no band and one of some micrometres are as likely the median moves fast, but does not leap from none to all.
    assert np.all(np.diff(taken) > -1e-6)
    assert np.max(np.diff(taken)) < 0.003
    off = np.abs(taken - 2.5e-4 * np.arange(49))
    # An excess of two uncertainties may be chance: what is there then is a tail of what is thought possible.
    assert np.all(off < 1.15 * 1.96 * np.array([one.u_mm for one in found]))


def test_too_few_wide_strips_leave_the_largest_possible_shift():
    samples, profiles, fits, spread = _scene(0.0, 0.5, np.random.default_rng(3))
    blurred = replace(fits, sigma_mm=np.full(N, 0.25))
    shade = measure_shade(samples, profiles, blurred, spread)
    assert shade.n == 0
    assert shade.shift_x_mm == pytest.approx(0.0125)
    assert np.isnan(shade.excess_y_mm2)


def test_edges_of_bounded_blur_lean_the_most_by_a_wrong_curve():
    # An even blur of +-1.73 standard deviations; light to the power of 1.8 that is taken for 2.2.
    spread = EdgeSpread(sigma_x_mm=0.02, sigma_y_mm=0.02)
    place = np.linspace(-4.4, 4.4, 89)
    even = np.clip(0.5 + place / (2 * np.sqrt(3)), 0, 1)
    steps = np.linspace(0, 1, 33)
    light = 0.02 + 0.58 * steps
    seen = light ** (2.2 / 1.8)
    seen = (seen - seen[0]) / (seen[-1] - seen[0])
    right = np.interp(steps, seen, steps)
    leans = []
    for edge in (ndtr(place), even):
        bent = np.interp(edge, steps, seen)
        left_over = LeftOver(place=place, residual=bent - ndtr(place))
        leans.append(lean_of_curve(right, left_over, spread) / spread.mean_sigma_mm**3)
        assert lean_of_curve(steps, left_over, spread) == pytest.approx(0, abs=1e-12)
    # It darkens the middle: edges lean towards the dark side.
    assert leans[1] < 3 * leans[0] < 0
