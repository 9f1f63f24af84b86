"""Blur of narrow bars and slots: alike in linear light, unlike by a wrong curve."""

from __future__ import annotations

import numpy as np
import pytest
from faulty_scenes import Scan, Scanner, draw_print, srgb_stored, write_scan
from PIL import Image

from sharpset.pieces import make_stencil
from sharpset.readings import read_scan
from sharpset.readings.features.curve_evidence import BothWays
from sharpset.readings.features.line_blur import LineBlur


def likeliest(lines: LineBlur | None) -> dict[float, float]:
    """Return the chances of powers where the mean edge says next to nothing."""
    ways = BothWays(
        before=0.002,
        other=0.002,
        uneven_before=0.0011,
        uneven_other=0.001,
        uneven_both=0.001,
        noise_before=0.001,
        noise_other=0.001,
        lines=lines,
    )
    return {one.gamma: one.chance for one in ways.chances(n_bits=8)}


def test_lines_alike_in_linear_light_outweigh_the_convention():
    assert likeliest(None)[2.2] > 0.8
    told = likeliest(LineBlur(before=-0.12, other=0.0, u_before=0.01, u_other=0.01))
    assert told[1.0] > 0.9


def test_lines_alike_in_srgb_leave_it_surer():
    told = likeliest(LineBlur(before=0.0, other=0.1, u_before=0.01, u_other=0.01))
    assert told[2.2] > likeliest(None)[2.2]
    assert told[1.0] < 0.01


def test_lines_that_no_power_explains_say_little():
    # By none of the powers are both alike, so that something else than the curve is amiss.
    told = likeliest(LineBlur(before=-0.21, other=-0.07, u_before=0.01, u_other=0.01))
    assert told[2.2] > told[1.0]


def test_place_is_where_both_would_be_alike():
    lines = LineBlur(before=-0.06, other=0.06, u_before=0.01, u_other=0.03)
    assert lines.place == pytest.approx(0.5)
    assert lines.u_place == pytest.approx(np.hypot(0.005, 0.015) / 0.12)


@pytest.mark.parametrize("encoding", ["linear", "sRGB"])
def test_a_noisy_file_is_told_by_its_narrow_lines(tmp_path, encoding):
    printed = draw_print(make_stencil(process="resin"), np.random.default_rng(5), missing=0.0)
    scanner = Scanner(
        dpi=600, blur_px=1.6, smear_px=0.0, halo=0.0, halo_ratio=3.0, noise=0.04, shot=0.0, scale_x=1.0, scale_y=1.0,
        gamma=1.0, shade_mm=0.0, shade_depth=0.5, shade_row=1, illumination=0.05,
    )  # fmt: skip
    scan = Scan(
        angle_deg=31.0, mirror=False, plate=0.75, background=0.12, texture=0.0, texture_px=1.0, dust=0, fibres=0,
        encoding="linear", jpeg=0, seed=4,
    )  # fmt: skip
    # Files of 8 bits without a word are sRGB by convention.
    file = write_scan(printed, scanner, scan, tmp_path / "a")
    with Image.open(file) as picture:
        light = np.asarray(picture) / 65535
    if encoding == "sRGB":
        light = srgb_stored(light)
    stored = tmp_path / "stored.png"
    Image.fromarray(np.round(light * 255).astype(np.uint8)).save(stored, dpi=(600, 600))
    (piece,) = read_scan(stored, piece=printed.piece).pieces
    both = piece.table.merge(printed.truth[["feature_id", "true_mm"]], on="feature_id")
    both = both[(both["formed"] == "yes") & (both["true_mm"] > 0.08)]
    error = (both["measured_mm"] - both["true_mm"]).abs()
    # The wrong curve would move these edges by 50 um; noise alone leaves 2.
    assert np.sqrt(np.mean(error**2)) < 0.004
    assert np.mean(error <= both["U95_mm"]) > 0.9
