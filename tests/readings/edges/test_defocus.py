"""A lens out of focus: edges and holes blurred by a disc of even light, and narrow features read by that."""

from __future__ import annotations

import numpy as np
import pytest
from faulty_scenes import Scan, Scanner, draw_print, write_scan
from scipy.signal import fftconvolve

from sharpset.pieces import make_stencil
from sharpset.readings import read_scan
from sharpset.readings.edges.blur import SpreadShape, edge_profile, line_profile
from sharpset.readings.holes.disc_model import blurred_disc, seen_disc


def even_disc(radius: float, step: float, n: int) -> np.ndarray:
    """Return the share of each cell of a grid about the centre that a disc covers, 4 x 4 points a cell."""
    at = step * np.arange(-n, n + 1)
    parts = step * (np.arange(4) - 1.5) / 4
    return np.mean([np.hypot(at[:, None] + a, at[None, :] + b) <= radius for a in parts for b in parts], axis=0)


@pytest.mark.parametrize("defocus", [0.35, 0.95])
def test_an_edge_out_of_focus_is_the_light_of_half_a_disc(defocus):
    step = 0.002
    x = np.arange(-8, 8, step)
    radius, rest = 2 * np.sqrt(defocus), np.sqrt(1 - defocus)
    across = np.sqrt(np.maximum(radius**2 - x**2, 0.0)) * 2 / (np.pi * radius**2)
    normal = np.exp(-0.5 * (x / rest) ** 2) / (rest * np.sqrt(2 * np.pi))
    line = fftconvolve(across, normal, mode="same") * step
    assert np.sum(line * x**2) * step == pytest.approx(1.0, abs=2e-3)
    shape = SpreadShape(defocus=defocus)
    middle = np.abs(x) < 6
    assert np.abs(edge_profile(x, 1.0, shape) - np.cumsum(line) * step)[middle].max() < 1.5e-3
    assert np.abs(line_profile(x, 1.0, shape) - line)[middle].max() < 4e-3


@pytest.mark.parametrize("radius", [0.4, 2.5])
def test_a_hole_out_of_focus_is_a_disc_spread_over_a_disc(radius):
    shape, step, n = SpreadShape(defocus=0.85), 0.05, 160
    lens = even_disc(2 * np.sqrt(0.85), step, n)
    at = step * np.arange(-n, n + 1)
    bell = np.exp(-0.5 * (at[:, None] ** 2 + at[None, :] ** 2) / 0.15)
    seen = even_disc(radius, step, n)
    for spread in (lens, bell):
        seen = fftconvolve(seen, spread / spread.sum(), mode="same")
    assert np.abs(seen_disc(at[n:], radius, 1.0, shape) - seen[n, n:]).max() < 5e-4


def test_a_wide_hole_out_of_focus_joins_on_to_smaller_ones():
    r, shape = np.linspace(10.0, 30.0, 400), SpreadShape(defocus=0.85)
    small, large = (seen_disc(r - 20 + radius, radius, 1.0, shape) for radius in (19.7, 20.3))
    assert np.abs(small - large).max() < 3e-3
    assert np.abs(seen_disc(r, 20.3, 1.0, SpreadShape()) - blurred_disc(r, 20.3, 1.0)).max() == 0


def test_narrow_features_are_read_out_of_focus(tmp_path):
    """A normal blur fitted to such edges made narrow slots and bars 10 um too wide, or left them unsure."""
    printed = draw_print(make_stencil(process="resin"), np.random.default_rng(8), missing=0.0)
    scanner = Scanner(
        dpi=600, blur_px=0.4, smear_px=0.0, halo=0.0, halo_ratio=3.0, noise=0.004, shot=0.0, scale_x=1.0, scale_y=1.0,
        gamma=1.0, shade_mm=0.0, shade_depth=0.5, shade_row=1, illumination=0.05, defocus_px=2.8,
    )  # fmt: skip
    scan = Scan(
        angle_deg=7.0, mirror=False, plate=0.65, background=0.03, texture=0.0, texture_px=1.0, dust=0, fibres=0,
        encoding="sRGB", jpeg=0, seed=5,
    )  # fmt: skip
    (piece,) = read_scan(write_scan(printed, scanner, scan, tmp_path / "a"), piece=printed.piece).pieces
    both = piece.table.merge(printed.truth[["feature_id", "true_mm"]], on="feature_id")
    narrow = both[both["kind"].isin(["slot", "bar"]) & both["true_mm"].between(0.09, 0.2)]
    assert (narrow["formed"] == "yes").all()
    error = narrow["measured_mm"] - narrow["true_mm"]
    assert np.sqrt(np.mean(error**2)) < 0.003
    assert np.mean(error.abs() <= narrow["U95_mm"]) > 0.9
