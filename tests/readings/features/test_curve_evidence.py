"""Files that do not say how they are encoded: what edges say, and what is left unsure."""

from __future__ import annotations

import numpy as np
import pytest
from faulty_scenes import Scan, Scanner, draw_print, srgb_stored, write_scan
from PIL import Image
from scipy.optimize import curve_fit
from scipy.special import ndtr
from scipy.stats import t as student

from sharpset.pieces import make_stencil
from sharpset.readings import read_scan
from sharpset.readings.edges.strips import Light
from sharpset.readings.features.curve_evidence import DEFAULT_GAMMA, BothWays, off_by
from sharpset.readings.uncertainty.contributions import u_of_curve
from sharpset.scans.encoding import LINEAR, SRGB, gamma_curve


@pytest.fixture(scope="module")
def scan_file(tmp_path_factory):
    """Return a file's name, what was printed, and the light that the scan holds."""
    printed = draw_print(make_stencil(process="resin"), np.random.default_rng(12), missing=0.0)
    scanner = Scanner(
        dpi=600, blur_px=1.1, smear_px=0.0, halo=0.08, halo_ratio=3.0, noise=0.004, shot=0.0, scale_x=1.0, scale_y=1.0,
        gamma=1.0, shade_mm=0.0, shade_depth=0.5, shade_row=1, illumination=0.05,
    )  # fmt: skip
    scan = Scan(
        angle_deg=12.0, mirror=False, plate=0.6, background=0.08, texture=0.0, texture_px=1.0, dust=0, fibres=0,
        encoding="linear", jpeg=0, seed=9,
    )  # fmt: skip
    file = write_scan(printed, scanner, scan, tmp_path_factory.mktemp("scan") / "a")
    with Image.open(file) as picture:
        return file, printed, np.asarray(picture) / 65535


def chance_of(gamma, curves):
    (one,) = [curve for curve in curves if curve.gamma == gamma]
    return one.chance


def ways(before, other, /, left=0.0, **more):
    """Residuals that cancel, but for what is left, somewhere on the way from one decoding to the other."""
    alike = {"uneven_before": np.hypot(before, left), "uneven_other": np.hypot(other, left)}
    return BothWays(**{"before": before, "other": other, "uneven_both": left**2 - before * other, **alike, **more})


@pytest.mark.parametrize("is_dark", [False, True])
@pytest.mark.parametrize(("before", "other"), [(0.0018, 0.0002), (0.0002, 0.0018), (0.0005, 0.0005)])
def test_chance_of_a_curve_goes_by_where_edges_are_alike_on_both_sides(before, other, is_dark):
    curves = ways(before, other, is_dark=is_dark).chances(n_bits=16)
    assert sum(curve.chance for curve in curves) == pytest.approx(1)
    # Residuals cancel at before / (before + other) of the way; what leans anyway scatters by Student's t of 4 degrees.
    scatter = (0.0003 if is_dark else 0.00015) / (before + other)
    place = before / (before + other)
    odds = 0.30 / 0.62 * student.pdf((1 - place) / scatter, 4) / student.pdf(place / scatter, 4)
    assert chance_of(1.0, curves) / chance_of(2.2, curves) == pytest.approx(odds)
    # By convention files of 8 bits are sRGB.
    assert chance_of(2.2, ways(before, other).chances(n_bits=8)) > chance_of(
        2.2, ways(before, other).chances(n_bits=16)
    )


@pytest.mark.parametrize(
    "unsure",
    [
        {"before": 0.04, "other": 0.04},  # a blur as odd as sharpening leaves it
        {"left": 0.001, "noise_before": 0.001, "noise_other": 0.001},  # rough edges
        {"left": 0.0004},  # something that no power explains
        {"step": 0.1},  # a JPEG file of low quality
    ],
)
def test_a_curve_is_less_sure_where_something_else_makes_edges_lean(unsure):
    sure = chance_of(1.0, ways(0.0018, 0.0002).chances(n_bits=8))
    less = chance_of(1.0, ways(0.0018, 0.0002, **unsure).chances(n_bits=8))
    assert 0.008 < less < sure - 0.1


def test_a_curve_between_the_two_that_were_tried_is_told_by_how_their_residuals_cancel():
    # A third of the way from sRGB (2.2) to linear light (1.0) lies 1.8: there 2/3 of 0.004 and 1/3 of -0.008 cancel.
    curves = ways(0.004, 0.008).chances(n_bits=8)
    assert chance_of(1.8, curves) > 0.9


@pytest.mark.parametrize("pulled", [0.0, 0.2, 0.35])
def test_edges_that_jpeg_pulls_towards_stored_values_are_not_taken_for_another_power(pulled):
    # 0.0045 apart; JPEG of this step pulls by up to 0.4 of the way.
    here = ways(0.0045 * pulled, 0.0045 * (1 - pulled), step=0.05).chances(n_bits=8)
    assert chance_of(2.2, here) > 0.9
    linear = ways(0.0045, 1e-9, step=0.05).chances(n_bits=8)
    assert chance_of(1.0, linear) > 0.5


@pytest.mark.parametrize(
    "others", [[(0.63, 0.03)], [(0.63, 0.15)], [(-1.2, 0.5)], [(0.2, 0.2), (-0.15, 0.1)], [(0.02, 0.5)]]
)
@pytest.mark.parametrize("taken_off", [0.0, 0.05])
def test_uncertainty_of_a_curve_holds_95_percent_of_all_that_may_be_right(others, taken_off):
    rng = np.random.default_rng(5)
    errors = [0.0, *(error for error, _ in others)]
    chances = [1 - sum(chance for _, chance in others), *(chance for _, chance in others)]
    drawn = rng.normal(0, 0.026, 100_000) + rng.choice(errors, 100_000, p=chances) - taken_off
    u = u_of_curve(0.026, others, taken_off=taken_off)
    # Errors of a share of 100,000 draws are below 0.1 %.
    assert np.mean(np.abs(drawn) <= 1.96 * u) == pytest.approx(0.95, abs=0.003)
    assert u_of_curve(0.03, []) == u_of_curve(0.03, [(0.2, 0.0)]) == 0.03


def test_error_of_a_curve_that_is_another_power_is_that_of_the_exponent():
    # L^(2.1/2.2) puts it right: an exponent that is off by 1 - 2.1/2.2, to first order.
    light = Light(plate=0.6, background=0.02)
    assert off_by(2.1, gamma_curve(2.2), light) == pytest.approx(1 - 2.1 / 2.2, rel=0.03)
    assert off_by(DEFAULT_GAMMA, SRGB, light) == pytest.approx(0, abs=1e-6)
    # Sizes of 13 rendered scans differed by 0.58 to 0.82 times what they change by the exponent.
    assert 0.58 < off_by(1.0, SRGB, light) < 0.82
    assert -1.29 < off_by(DEFAULT_GAMMA, LINEAR, Light(plate=0.4, background=0.2)) < -0.8


@pytest.mark.parametrize(("right", "taken"), [(LINEAR, SRGB), (SRGB, LINEAR), (gamma_curve(1.4), SRGB)])
def test_error_of_a_far_curve_is_that_of_an_edge_fitted_as_it_is_seen(right, taken):
    """An edge drawn by one curve and decoded by another, placed by a fit of another library, over dark ground."""
    stored = np.linspace(0.0, 1.0, 4001)
    ends = np.array([8, 235]) / 255
    place = np.linspace(-5, 5, 501)

    def seen(by):
        """Return the share solid that an edge blurred in light shows, decoded by `taken`, of light by `by`."""
        low, high = by.decode(ends)
        decoded = taken.decode(np.interp(low + (high - low) * ndtr(place), by.decode(stored), stored))
        return (decoded - decoded[0]) / (decoded[-1] - decoded[0])

    def edge(x, at, blur, contrast, level):
        return level + contrast * ndtr((x - at) / blur)

    (at, blur, *_), _ = curve_fit(edge, place, seen(right), p0=[0.0, 1.0, 1.0, 0.0])
    background, plate = (float(v) for v in taken.decode(ends))
    light = Light(plate=plate, background=background)
    # How far a thousandth of the exponent moves an edge of that blur, fitted alike.
    (by_little, *_), _ = curve_fit(edge, place, ndtr(place) + 0.001 * light.bend(ndtr(place)), p0=[0.0, 1.0, 1.0, 0.0])
    assert off_by(right.gamma if right is not SRGB else DEFAULT_GAMMA, taken, light) == pytest.approx(
        at / blur / (by_little / 0.001), rel=0.02
    )


def test_a_file_of_8_bits_by_another_power_keeps_the_truth_in_its_intervals(scan_file):
    file, printed, light = scan_file
    Image.fromarray(np.round(light ** (1 / 1.8) * 255).astype(np.uint8)).save(file, dpi=(600, 600))
    errors = {}
    for encoding in ("auto", "sRGB", "gamma 1.8"):
        (piece,) = read_scan(file, piece=printed.piece, encoding=encoding).pieces
        both = piece.table.merge(printed.truth[["feature_id", "true_mm"]], on="feature_id")
        both = both[(both["formed"] == "yes") & (both["true_mm"] > 0.08)]
        errors[encoding] = both["measured_mm"] - both["true_mm"]
        held = np.mean(errors[encoding].abs() <= both["U95_mm"])
        assert (held > 0.95) == (encoding != "sRGB")
    rms = {encoding: np.sqrt(np.mean(error**2)) for encoding, error in errors.items()}
    assert rms["gamma 1.8"] < 0.0025 < rms["auto"] < rms["sRGB"]


@pytest.mark.parametrize("encoding", ["linear", "sRGB"])
def test_an_undeclared_file_of_16_bits_is_read_as_its_edges_say(scan_file, encoding):
    file, printed, light = scan_file
    if encoding == "sRGB":
        light = srgb_stored(light)
    Image.fromarray(np.round(light * 65535).astype(np.uint16)).save(file, dpi=(600, 600))
    (piece,) = read_scan(file, piece=printed.piece).pieces
    says = "edges say linear light" if encoding == "linear" else "sRGB is taken"
    assert any(says in remark for remark in piece.remarks)
    both = piece.table.merge(printed.truth[["feature_id", "true_mm"]], on="feature_id")
    both = both[(both["formed"] == "yes") & (both["true_mm"] > 0.08)]
    error = (both["measured_mm"] - both["true_mm"]).abs()
    # The wrong curve would move these edges by 10 um and more.
    assert np.sqrt(np.mean(error**2)) < 0.0025
    assert np.mean(error <= both["U95_mm"]) > 0.9
    transfer = piece.contributions[piece.contributions["line"] == "transfer"]["u_mm"].median()
    plain = read_scan(file, piece=printed.piece, encoding=encoding).pieces[0].contributions
    assert transfer < 3 * plain[plain["line"] == "transfer"]["u_mm"].median()


@pytest.mark.parametrize("encoding", ["linear", "sRGB"])
def test_a_jpeg_file_in_linear_light_is_told_by_its_edges(scan_file, encoding):
    file, printed, light = scan_file
    if encoding == "sRGB":
        light = srgb_stored(light)
    picture = file.with_suffix(".jpg")
    Image.fromarray(np.round(light * 255).astype(np.uint8)).save(picture, dpi=(600, 600), quality=92)
    (piece,) = read_scan(picture, piece=printed.piece).pieces
    assert any("edges say linear light" in remark for remark in piece.remarks) == (encoding == "linear")
    both = piece.table.merge(printed.truth[["feature_id", "true_mm"]], on="feature_id")
    both = both[(both["formed"] == "yes") & (both["true_mm"] > 0.08)]
    error = (both["measured_mm"] - both["true_mm"]).abs()
    # The wrong curve would move these edges by 10 um and more.
    assert np.sqrt(np.mean(error**2)) < 0.003
    assert np.mean(error <= both["U95_mm"]) > 0.9
