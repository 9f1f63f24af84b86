"""The virtual scanner: light, places, files' numbers, all by other routes than its own."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import norm
from shapely import affinity
from shapely.geometry import box

from sharpset.errors import RehearsalError
from sharpset.rehearsal import CLEAN, Placement, Scanner, scan_pieces
from sharpset.rehearsal.optics import blur_kernel, encode, srgb_decode, srgb_encode
from sharpset.rehearsal.rendering import render_linear

PX = 25.4 / 1200
PLAIN = Scanner(falloff=0, tilt=0, halo_share=0)
BARE = replace(CLEAN, background=0.0, plastic=1.0, margin_mm=2.0)


def slotted(printed, *, left_mm, width_mm, bottom_mm=1.0, top_mm=5.0):
    """Return a print that is one plate 6 mm high with one upright slot."""
    slot = box(left_mm, bottom_mm, left_mm + width_mm, top_mm)
    return replace(printed, shell=box(0, 0, left_mm + width_mm + 3, 6), voids=(slot,), seams=())


def upright(printed):
    """Place the piece so that x in the piece is x on the glass."""
    return Placement(x_mm=printed.piece.width_mm / 2, y_mm=printed.piece.height_mm / 2)


def integrated(u, sigma):
    """Return a unit step blurred by a Gaussian and averaged over a pixel of width 1, at distance u."""

    def primitive(v):
        return v * norm.cdf(v / sigma) + sigma * norm.pdf(v / sigma)

    return primitive(u + 0.5) - primitive(u - 0.5)


@pytest.mark.parametrize(("blur_mm", "phase"), [(0.010, 0.0), (0.013, 0.37), (0.013, 0.8), (0.025, 0.5)])
def test_slot_profile_is_the_pixel_integrated_pair_of_error_functions(filament_print, blur_mm, phase):
    start = 100 + phase
    printed = slotted(filament_print, left_mm=start * PX, width_mm=3.3 * PX)
    place = upright(printed)
    light = render_linear([printed], [place], scanner=replace(PLAIN, blur_mm=blur_mm), scene=BARE, seed=0, noise=False)
    matrix = place.matrix(printed)
    row = light[int((matrix[1, 1] * 3 + matrix[1, 2]) / PX), 80:130]
    u = np.arange(80, 130) + 0.5
    sigma = blur_mm / PX
    want = 1 - (integrated(u - start, sigma) - integrated(u - start - 3.3, sigma))
    # The fine grid leaves up to 0.9 % of the contrast on single pixels beside an edge along the grid ...
    assert np.abs(row - want).max() < 0.009
    # ... and nothing in the sum, which carries the width (float32 rounding over 50 pixels).
    assert (1 - row).sum() == pytest.approx(3.3, abs=2e-5)


@pytest.mark.parametrize("motion_mm", [0.0, 0.03])
def test_blur_keeps_the_light(filament_print, motion_mm):
    # A lit island whose blur stays inside the picture: light out = area in pixels.
    printed = replace(filament_print, shell=box(3, 3, 6.123, 5.456), voids=(), seams=())
    place = upright(printed)
    scanner = replace(PLAIN, blur_mm=0.02, motion_mm=motion_mm)
    light = render_linear([printed], [place], scanner=scanner, scene=BARE, seed=0, noise=False)
    assert light.sum(dtype=np.float64) == pytest.approx(3.123 * 2.456 / PX**2, rel=1e-6)


def test_motion_smears_along_the_travel_only():
    smeared = blur_kernel(1.2, box_px=3.5)
    x = np.arange(len(smeared)) - len(smeared) // 2
    # Variances add: Gaussian 1.44 and a box of 3.5 px as samples: 0, +-1 whole, +-2 weighing a quarter each.
    box_variance = (2 * 1.0 * 1 + 2 * 0.25 * 4) / 3.5
    assert smeared.sum() == pytest.approx(1, abs=1e-12)
    assert (smeared * x**2).sum() == pytest.approx(1.44 + box_variance, abs=1e-4)


@pytest.mark.parametrize(
    ("angle", "mirror"), [(0.0, False), (17.3, False), (93.0, True), (181.5, True), (271.0, False)]
)
def test_places_in_the_picture_are_those_of_the_pose(filament_print, angle, mirror):
    scan = scan_pieces(
        filament_print,
        scanner=replace(PLAIN, bits=16, encoding="linear"),
        scene=CLEAN,
        angle_deg=angle,
        mirror=mirror,
        seed=2,
    )
    truth = scan.truth()
    light = scan.image / 65535.0
    discs = truth[truth["feature_id"].str.startswith(("marks", "round"))]
    assert len(discs) >= 5
    for row in discs.itertuples():
        reach = round(row.true_width_mm / PX * 0.5 + 6)
        c, r = round(row.column_px), round(row.row_px)
        crop = light[r - reach : r + reach + 1, c - reach : c + reach + 1]
        dark = CLEAN.plastic - crop
        rows, columns = np.mgrid[r - reach : r + reach + 1, c - reach : c + reach + 1]
        # Rough, slightly oval holes: their centroid lies up to 0.1 px from the mean centre of their radii.
        assert (dark * columns).sum() / dark.sum() == pytest.approx(row.column_px, abs=0.03)
        assert (dark * rows).sum() / dark.sum() == pytest.approx(row.row_px, abs=0.03)


def test_mirror_and_turn_show_the_piece_as_seen(filament_print):
    # The second mark beside the lower-left one tells left from right and up from down.
    def seen(angle, mirror):
        truth = (
            scan_pieces(filament_print, dpi=150, scene=CLEAN, angle_deg=angle, mirror=mirror)
            .truth()
            .set_index("feature_id")
        )
        marks = {m.name: m for m in filament_print.piece.marks}
        spots = {}
        for name, mark in marks.items():
            near = ((truth["x_mm"] - mark.x_mm).abs() < 0.3) & ((truth["y_mm"] - mark.y_mm).abs() < 0.3)
            spots[name] = truth[near][["column_px", "row_px"]].to_numpy()[0]
        return spots

    plain = seen(0.0, False)
    assert plain["lower-left"][0] < plain["lower-right"][0]
    assert plain["lower-left"][1] > plain["upper-left"][1]
    flipped = seen(0.0, True)
    assert flipped["lower-left"][0] > flipped["lower-right"][0]
    assert flipped["lower-left"][1] > flipped["upper-left"][1]
    quarter = seen(90.0, False)
    assert quarter["lower-left"][1] > quarter["lower-right"][1]  # counter-clockwise: the right side has come up


def test_two_scans_differ_by_seed_only(filament_print):
    first, again, other = (scan_pieces(filament_print, dpi=300, seed=s) for s in (1, 1, 2))
    assert np.array_equal(first.image, again.image)
    assert first.image.shape != other.image.shape or not np.array_equal(first.image, other.image)


def test_scale_and_wobble_move_the_picture(filament_print):
    place = [Placement(x_mm=25, y_mm=24)]
    plain = scan_pieces(filament_print, dpi=300, scanner=PLAIN, placements=place, scene=CLEAN)
    wide = scan_pieces(
        filament_print, dpi=300, scanner=replace(PLAIN, scale_x=1.01, scale_y=0.99), placements=place, scene=CLEAN
    )
    a, b = plain.truth().dropna(), wide.truth().dropna()
    assert np.allclose(b["column_px"] + 0.5, 1.01 * (a["column_px"] + 0.5))
    assert np.allclose(b["row_px"] + 0.5, 0.99 * (a["row_px"] + 0.5))
    wobbly = scan_pieces(filament_print, dpi=300, scanner=replace(PLAIN, wobble_mm=0.1), placements=place, scene=CLEAN)
    assert not np.array_equal(wobbly.image, plain.image)


def test_noise_follows_shot_and_read_noise(filament_print):
    printed = replace(filament_print, shell=box(0, 0, 8, 8), voids=(), seams=())
    scanner = replace(PLAIN, electrons=2000.0, read_noise=0.004)
    scene = replace(BARE, plastic=0.6)
    light = render_linear([printed], [upright(printed)], scanner=scanner, scene=scene, seed=3)
    matrix = upright(printed).matrix(printed)
    c, r = int((matrix[0, 0] * 4 + matrix[0, 2]) / PX), int((matrix[1, 1] * 4 + matrix[1, 2]) / PX)
    patch = light[r - 100 : r + 100, c - 100 : c + 100]
    # 40,000 pixels: the standard deviation is known to 0.35 %.
    assert patch.std() == pytest.approx(math.sqrt(0.6 / 2000 + 0.004**2), rel=0.015)
    assert patch.mean() == pytest.approx(0.6, abs=4 * 0.0178 / 200)


def test_shadow_darkens_a_band_below_walls_on_a_light_background(filament_print):
    printed = slotted(filament_print, left_mm=3.0, width_mm=2.0)
    scene = replace(BARE, plastic=0.05, background=0.8)
    scanner = replace(PLAIN, blur_mm=0.01, shadow_mm=4 * PX, shadow_depth=0.5)
    place = upright(printed)
    light = render_linear([printed], [place], scanner=scanner, scene=scene, seed=0, noise=False)
    matrix = place.matrix(printed)
    column = light[:, int((matrix[0, 0] * 4.0 + matrix[0, 2]) / PX)]
    top = (matrix[1, 1] * 5.0 + matrix[1, 2]) / PX
    bottom = (matrix[1, 1] * 1.0 + matrix[1, 2]) / PX
    open_rows = column[math.ceil(top) - 8 : math.floor(bottom) + 8]
    # Half of 0.8 is missing over 4 pixels: the slot looks 2 pixels shorter.
    dark = 0.8 * (bottom - top) - (open_rows - 0.05).clip(0).sum() * 0.8 / 0.75
    assert dark == pytest.approx(0.4 * 4, abs=0.25)
    assert column[math.ceil(top) + 1] == pytest.approx(0.4, abs=0.02)
    assert column[math.floor(bottom) - 3] == pytest.approx(0.8, abs=0.02)


def test_channels_are_shifted_along_the_travel(filament_print):
    scanner = replace(PLAIN, colour="rgb", channel_shift_px=0.5, bits=16, encoding="linear")
    scan = scan_pieces(
        filament_print, dpi=300, scanner=scanner, scene=replace(CLEAN, tint=(1.0, 1.0, 1.0)), angle_deg=0.0
    )
    rows = np.arange(scan.image.shape[0])
    centres = [
        (scan.image[:, :, k].astype(float).sum(axis=1) * rows).sum() / scan.image[:, :, k].sum() for k in range(3)
    ]
    # Background light dilutes the shift of the centroid a little.
    assert centres[1] - centres[0] == pytest.approx(0.5, abs=0.08)
    assert centres[2] - centres[1] == pytest.approx(0.5, abs=0.08)


def test_srgb_is_the_standard_curve():
    # IEC 61966-2-1 by hand: linear toe, half of full light, middle grey (118/255 is 18 % reflectance to 0.1 %).
    assert srgb_encode(np.array([0.0, 0.001, 1.0])) == pytest.approx([0.0, 0.01292, 1.0], abs=1e-12)
    assert srgb_encode(np.array([0.5]))[0] == pytest.approx(0.735357, abs=1e-6)
    assert srgb_decode(np.array([118 / 255]))[0] == pytest.approx(0.1812, abs=1e-4)


@pytest.mark.parametrize(("bits", "encoding"), [(8, "srgb"), (16, "srgb"), (8, "linear"), (16, "linear")])
def test_encoding_goes_round_to_half_a_step(bits, encoding):
    linear = np.linspace(0, 1, 5001, dtype=np.float32)
    top = 2**bits - 1
    signal = encode(linear, bits=bits, encoding=encoding) / top
    back = srgb_decode(signal) if encoding == "srgb" else signal
    # The steepest part of the decoding curve has slope 2.28 at white.
    assert np.abs(back - linear).max() <= (2.4 if encoding == "srgb" else 1.0) * 0.5 / top + 1e-6


def test_several_pieces_lie_apart(filament_print, resin_print):
    scan = scan_pieces([filament_print, resin_print, filament_print], dpi=150, scene=CLEAN, seed=5)
    shells = []
    for printed, placement in zip(scan.prints, scan.placements, strict=True):
        m = placement.matrix(printed)
        shells.append(affinity.affine_transform(printed.shell, [*m[:, :2].ravel(), *m[:, 2]]))
    assert all(not a.intersects(b) for i, a in enumerate(shells) for b in shells[:i])
    height, width = np.array(scan.image.shape) * 25.4 / 150
    assert all(s.within(box(0, 0, width, height)) for s in shells)
    assert scan.truth()["piece_in_scan"].nunique() == 3


def test_wrong_scans_are_told(filament_print):
    with pytest.raises(RehearsalError, match="dpi must be 50 to 9600, got 12"):
        scan_pieces(filament_print, dpi=12)
    with pytest.raises(RehearsalError, match="bits must be one of 8, 16, got 12"):
        Scanner(bits=12)
    with pytest.raises(RehearsalError, match="1 prints but 2 placements"):
        scan_pieces(filament_print, placements=[Placement(x_mm=1, y_mm=1)] * 2)
    with pytest.raises(RehearsalError, match="no print was given"):
        scan_pieces([])
