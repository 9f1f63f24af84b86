"""Files that do not say how they are encoded: what edges say, and what is left unsure."""

from __future__ import annotations

import numpy as np
import pytest
from faulty_scenes import Scan, Scanner, draw_print, write_scan
from PIL import Image

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


LEANING = 0.0005


def chance_of(gamma, curves):
    (one,) = [curve for curve in curves if curve.gamma == gamma]
    return one.chance


@pytest.mark.parametrize("is_dark", [False, True])
@pytest.mark.parametrize(("before", "other"), [(0.009, 0.001), (0.001, 0.009), (0.002, 0.002)])
def test_chance_of_a_curve_goes_by_what_is_alike_on_both_sides(before, other, is_dark):
    ways = BothWays(
        before=before,
        other=other,
        uneven_before=before,
        uneven_other=other,
        uneven_both=-before * other,
        is_dark=is_dark,
    )
    curves = ways.chances(n_bits=16)
    assert sum(curve.chance for curve in curves) == pytest.approx(1)
    # Six values of unknown size (four of a dark plate, whose walls shade the ground), against what leans anyway.
    ratio = (before**2 + LEANING**2) / (other**2 + LEANING**2)
    odds = 0.30 / 0.62 * ratio ** (2 if is_dark else 3)
    assert chance_of(1.0, curves) / chance_of(2.2, curves) == pytest.approx(odds)
    # A blur as odd as sharpening leaves it makes both curves less sure.
    odd = BothWays(
        before=0.04, other=0.04, uneven_before=before, uneven_other=other, uneven_both=-before * other, is_dark=is_dark
    ).chances(n_bits=16)
    assert (
        abs(np.log(chance_of(1.0, odd) / chance_of(2.2, odd) / (0.30 / 0.62)))
        <= abs(np.log(odds / (0.30 / 0.62))) + 1e-9
    )
    # By convention files of 8 bits are sRGB.
    assert chance_of(2.2, ways.chances(n_bits=8)) > chance_of(2.2, curves)


def test_a_curve_between_the_two_that_were_tried_is_told_by_how_their_residuals_cancel():
    # A third of the way from sRGB (2.2) to linear light (1.0) lies 1.8: there 2/3 of 0.004 and 1/3 of -0.008 cancel.
    ways = BothWays(before=0.004, other=0.008, uneven_before=0.004, uneven_other=0.008, uneven_both=-0.004 * 0.008)
    curves = ways.chances(n_bits=8)
    likelihood = {1.8: LEANING**2, 2.2: 0.004**2 + LEANING**2}
    odds = 0.032 / 0.952 * (likelihood[1.8] / likelihood[2.2]) ** -3
    assert chance_of(1.8, curves) / chance_of(2.2, curves) == pytest.approx(odds)


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
        light = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
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
