"""Light that a wide blur carries over from other edges, against the normal distribution and rendered truth."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from reading_scenes import make_scene, write_scene
from scipy.stats import norm
from shapely.geometry import box

from sharpset.pieces import Piece, make_stencil
from sharpset.pieces.code import RunCode
from sharpset.readings import read_scan
from sharpset.readings.picture.spill import spill_of

BLUR_MM, GROWTH_MM = 0.15, 0.02
BAR, SLOT, HOLE = (6.0, 5.0), (12.0, 5.0), (18.0, 5.0)


@pytest.fixture(scope="module")
def piece() -> Piece:
    """A plate of 22 x 10 mm with a bar of 0.6 mm in a window of 2.4 mm, a slot of 1 mm and a hole of 1 mm."""
    rows = [
        ("bar", "bar", 0.6, 3.0, *BAR, 90.0, 0.0, 1.0, "bar"),
        ("slot", "slot", 1.0, 3.0, *SLOT, 90.0, 0.0, 1.0, "slot"),
        ("hole", "hole", 1.0, 1.0, *HOLE, 0.0, 0.0, 1.0, "hole"),
    ]
    columns = ["feature_id", "kind", "nominal_mm", "length_mm", "x_mm", "y_mm", "angle_deg", "base_mm", "height_mm"]
    return Piece(
        piece_id="spill",
        kind="stencil",
        process="resin",
        run_id="R01",
        width_mm=22.0,
        height_mm=10.0,
        thickness_mm=1.0,
        outline=box(0, 0, 22, 10),
        openings=(box(4.8, 3.5, 5.7, 6.5), box(6.3, 3.5, 7.2, 6.5)),
        features=pd.DataFrame(rows, columns=[*columns, "group"]),
        code=RunCode(run_id="R01", bits=(0,), cells_mm=((1.0, 1.0),), cell_diameter_mm=1.0),
        marks=(),
        scale_lines=(),
        parameters={},
    )


def test_webs_beside_a_bar_and_the_end_of_a_slot_add_what_the_normal_distribution_says(piece):
    spill = spill_of(piece, blur_mm=BLUR_MM, growth_mm=GROWTH_MM)
    d = np.linspace(-0.7, 0.7, 15)
    how = {"angle_deg": 90.0, "length_mm": 3.0}
    at = np.column_stack((BAR[0] + d, np.full(15, BAR[1])))
    beside = spill.beside_strip(at, centre_mm=BAR, width_mm=0.6, solid=True, **how)
    web = 1.2 - GROWTH_MM
    expected = norm.sf((web - d) / BLUR_MM) + norm.sf((web + d) / BLUR_MM)
    # Cells are a sixth of the blur, painted to a quarter of one.
    np.testing.assert_allclose(beside, expected, rtol=0.1, atol=1e-4)
    along = np.linspace(0.8, 1.3, 6)
    at = np.column_stack((np.full(6, SLOT[0] + 0.1), SLOT[1] + along))
    beside = spill.beside_strip(at, centre_mm=SLOT, width_mm=1.0, solid=False, **how)
    half = 0.5 - GROWTH_MM
    opening = norm.cdf((half - 0.1) / BLUR_MM) - norm.cdf((-half - 0.1) / BLUR_MM)
    end = norm.sf((1.5 - GROWTH_MM - along) / BLUR_MM)
    np.testing.assert_allclose(beside, opening * end, rtol=0.1, atol=1e-4)


def test_a_hole_alone_and_a_plain_place_have_nothing_beside_them(piece):
    spill = spill_of(piece, blur_mm=BLUR_MM, growth_mm=GROWTH_MM)
    d = np.linspace(-0.6, 0.6, 13)
    for centre in (HOLE, (15.0, 5.0)):
        at = np.column_stack((centre[0] + d, np.full(13, centre[1])))
        beside = spill.beside_hole(at, centre_mm=centre, diameter_mm=1.0)
        np.testing.assert_allclose(beside, 0.0, atol=2e-5)


def test_share_of_plate_in_the_middle_of_three_pixels(piece):
    spill = spill_of(piece, blur_mm=BLUR_MM, growth_mm=0.0)
    pixel = 0.06
    away = np.array([0.3, 0.35, 0.4])
    at = np.column_stack((SLOT[0] + 0.5 + away, np.full(3, SLOT[1])))
    # The blur holds one pixel's box; three boxes, and rounding to the nearest one, add nine twelfths.
    blur = np.hypot(BLUR_MM, pixel * np.sqrt(9 / 12))
    expected = norm.sf(away / blur) - norm.sf((away + 1.0) / blur)
    np.testing.assert_allclose(1 - spill.share_at(at, pixel_mm=pixel), expected, rtol=0.1)


def test_slots_blurred_by_three_pixels_are_not_read_too_narrow(tmp_path):
    piece = make_stencil(process="filament")
    scene = make_scene(piece=piece, dpi=600, blur_px=3.0, seed=3, noise=0.004)
    table = read_scan(write_scene(scene, tmp_path / "blurred.png", dpi=600), piece=piece).to_frame()
    both = table.merge(scene.truth[["feature_id", "true_mm"]], on="feature_id").dropna(subset="true_mm")
    slots = both[(both["kind"] == "slot") & (both["formed"] == "yes")]
    error_um = 1000 * (slots["measured_mm"] - slots["true_mm"])
    # Without what spills over 0.72 too narrow; noise leaves each 0.3.
    assert abs(error_um.mean()) < 0.25
