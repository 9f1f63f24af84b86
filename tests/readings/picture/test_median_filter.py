"""Scans that a program filtered against specks: found by their trace, put back where sizes allow it."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from PIL import Image
from reading_scenes import make_scene
from scipy.ndimage import gaussian_filter, median_filter
from scipy.optimize import least_squares

from sharpset.errors import ReadingError
from sharpset.readings import read_scan
from sharpset.readings.picture.median_filter import median_loss, median_window

FINER = 8


@pytest.fixture(scope="module")
def scene():
    # 1200 dpi, pixels of 21 um; noise of one pixel 1 % of full light.
    return make_scene(seed=4, noise=0.006, angle_deg=3.0)


def filtered(pixels: np.ndarray, window: int) -> np.ndarray:
    return cv2.medianBlur(pixels, window)


@pytest.mark.parametrize("depth", [np.uint8, np.uint16])
@pytest.mark.parametrize(("window", "told"), [(0, 0), (3, 3), (5, 5), (9, 7)])
def test_a_picture_shows_which_median_it_went_through(scene, window, told, depth):
    stored = filtered(scene.pixels, window) if window else scene.pixels
    assert median_window(stored.astype(depth) * depth(1 if depth == np.uint8 else 257)) == told


def test_a_picture_without_edges_or_of_other_numbers_shows_nothing():
    assert median_window(np.full((500, 500), 80, dtype=np.uint8)) == 0
    assert median_window(np.zeros((500, 500), dtype=np.float32)) == 0
    assert median_window(np.zeros((20, 500), dtype=np.uint8)) == 0


def test_a_picture_of_low_contrast_that_rounds_its_noise_away_was_not_filtered(scene):
    share = scene.pixels / 255.0
    faint = np.round(255 * (0.48 + 0.05 * share)).astype(np.uint8)
    assert median_window(faint) == 0


def _hole(diameter: float, blur: float, n: int) -> np.ndarray:
    y, x = np.mgrid[: n * FINER, : n * FINER] - (n * FINER - 1) / 2
    fine = 1.0 - (x**2 + y**2 < (diameter * FINER / 2) ** 2)
    return gaussian_filter(fine, blur * FINER, mode="nearest").reshape(n, FINER, n, FINER).mean(axis=(1, 3))


@pytest.mark.parametrize(("diameter", "window"), [(8.0, 5), (14.0, 5), (6.0, 3)])
def test_what_is_put_back_of_a_hole_is_what_a_fit_has_lost(diameter, window):
    n, blur = int(diameter) + 13, 0.9
    filtered = median_filter(_hole(diameter, blur, n), window, mode="nearest")
    fit = least_squares(lambda p: (_hole(p[0], blur, n) - filtered).ravel(), [diameter - 0.3], diff_step=0.02)
    lost = diameter - fit.x[0]
    loss = median_loss(window, np.hypot(blur, 12**-0.5), 0.02)
    put_back = loss.of_holes(np.array([fit.x[0] * 0.02]))[0] / 0.02
    # Where pixels lie about the hole changes it by a tenth of a pixel.
    assert put_back == pytest.approx(lost, abs=0.08)
    assert loss.u_mm(np.array([put_back]), np.array([diameter * 0.02]))[0] > 0.25 * put_back
    # Long straight edges stay where they are.
    assert loss.of_strips(np.array([0.3]), np.array([[0.6, 0.8]]))[0] == pytest.approx(0, abs=2e-4)


@pytest.mark.parametrize("optical", [1.306, 1.319, 1.331])
def test_what_a_filter_takes_is_told_at_every_blur(optical):
    # The smallest strip and its surroundings, 13.5 pixels and eight blurs, are about 24 pixels wide.
    loss = median_loss(3, np.hypot(optical, 12**-0.5), 0.02)
    assert np.all(loss.hole_px <= loss.drawn_px + 1e-3)


def test_a_filtered_scan_is_read_as_the_piece_was_and_what_the_filter_took_is_not_called_missing(scene, tmp_path):
    file = tmp_path / "a.png"
    Image.fromarray(filtered(scene.pixels, 5)).save(file, dpi=(1200, 1200))
    (piece,) = read_scan(file, piece=scene.piece).pieces
    assert any("a median of 5 x 5 pixels" in remark for remark in piece.remarks)
    both = piece.table.merge(scene.truth[["feature_id", "true_mm"]], on="feature_id")
    small = both["nominal_mm"] < 5 * 25.4 / 1200
    assert both.loc[small, "flags"].str.contains("refused: ").all()
    assert not ((both["formed"] == "no") & both["true_mm"].notna()).any()
    holes = both[(both["kind"] == "hole") & (both["formed"] == "yes") & both["true_mm"].between(0.12, 0.6)]
    off = (holes["measured_mm"] - holes["true_mm"]).abs()
    assert len(holes) >= 8
    # Unmended, holes of 0.2 mm come out 10 um too small.
    assert np.sqrt(np.mean(off**2)) < 0.004
    assert np.mean(off <= holes["U95_mm"]) > 0.9

    Image.fromarray(filtered(scene.pixels, 9)).save(file, dpi=(1200, 1200))
    with pytest.raises(ReadingError, match="filtered against specks over 7 pixels or more"):
        read_scan(file, piece=scene.piece)


def test_what_is_as_narrow_as_the_filter_is_less_sure_than_what_it_lost():
    loss = median_loss(3, 1.0, 0.02)
    sizes = np.array([0.06, 0.09, 0.12, 0.5])
    lost = np.array([0.004, 0.004, 0.004, 0.0])
    u_mm = loss.u_mm(lost, sizes)
    assert np.all(np.diff(u_mm) < 0)
    assert u_mm[2] == pytest.approx(0.002)
    assert u_mm[3] == 0.0
