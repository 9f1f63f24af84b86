"""Files that do not say how they are encoded: what edges say, and what is left unsure."""

from __future__ import annotations

import numpy as np
import pytest
from faulty_scenes import Scan, Scanner, draw_print, write_scan
from PIL import Image

from sharpset.pieces import make_stencil
from sharpset.readings import read_scan
from sharpset.readings.features.curve_evidence import BothWays
from sharpset.readings.uncertainty.contributions import u_of_curve


@pytest.mark.parametrize(
    ("uneven", "linear"),
    [
        # Six values of unknown size: a third of the residual is 3^6 times as likely, against odds of 2 for sRGB.
        ((0.003, 0.001), 1 / (1 + 2 / 729)),
        ((0.001, 0.003), 1 / (1 + 2 * 729)),
        ((0.002, 0.002), 1 / 3),
    ],
)
def test_chance_of_a_curve_goes_by_what_is_alike_on_both_sides(uneven, linear):
    ways = BothWays(before=uneven[0], other=uneven[1], uneven_before=uneven[0], uneven_other=uneven[1])
    assert ways.chance_of_linear == pytest.approx(linear, rel=0.01)
    # A blur as odd as sharpening leaves it makes both curves less sure.
    odd = BothWays(before=0.01, other=0.01, uneven_before=uneven[0], uneven_other=uneven[1])
    assert abs(odd.chance_of_linear - 1 / 3) < abs(linear - 1 / 3) or uneven[0] == uneven[1]


@pytest.mark.parametrize("chance", [0.03, 0.08, 0.15, 0.5])
@pytest.mark.parametrize(("taken", "apart"), [("sRGB", 0.63), ("linear", 1.2)])
def test_uncertainty_of_a_curve_holds_95_percent_of_both(chance, taken, apart):
    rng = np.random.default_rng(5)
    drawn = rng.normal(0, 0.026, 100_000) + apart * (rng.random(100_000) < chance)
    u = u_of_curve(0.026, chance, taken=taken)
    # Errors of a share of 100,000 draws are below 0.1 %.
    assert np.mean(np.abs(drawn) <= 1.96 * u) == pytest.approx(0.95, abs=0.003)
    assert u_of_curve(0.03, 0.0) == 0.03
    # With light taken out beside edges a linear file that is read as sRGB is off by twice as much.
    assert u_of_curve(0.026, 0.5, bleeding=True) > 1.8 * u_of_curve(0.026, 0.5)


@pytest.mark.parametrize("encoding", ["linear", "sRGB"])
def test_an_undeclared_file_of_16_bits_is_read_as_its_edges_say(tmp_path, encoding):
    printed = draw_print(make_stencil(process="resin"), np.random.default_rng(12), missing=0.0)
    scanner = Scanner(
        dpi=600, blur_px=1.1, smear_px=0.0, halo=0.08, halo_ratio=3.0, noise=0.004, shot=0.0, scale_x=1.0, scale_y=1.0,
        gamma=1.0, shade_mm=0.0, shade_depth=0.5, shade_row=1, illumination=0.05,
    )  # fmt: skip
    scan = Scan(
        angle_deg=12.0, mirror=False, plate=0.6, background=0.08, texture=0.0, texture_px=1.0, dust=0, fibres=0,
        encoding="linear", jpeg=0, seed=9,
    )  # fmt: skip
    file = write_scan(printed, scanner, scan, tmp_path / "a")
    if encoding == "sRGB":
        with Image.open(file) as picture:
            light = np.asarray(picture) / 65535
        stored = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
        Image.fromarray(np.round(stored * 65535).astype(np.uint16)).save(file, dpi=(600, 600))
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
