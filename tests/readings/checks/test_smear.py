"""Pictures in which something moved, clipped colour channels, and ruled ground: both sides of each threshold."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from PIL import Image
from reading_scenes import Scene, make_scene, write_scene

from sharpset.errors import ReadingError
from sharpset.readings import read_scan
from sharpset.readings.checks.smear import Smear, measure_smear
from sharpset.readings.preparing import prepare_piece
from sharpset.scans import locate_pieces, open_scan

DPI, BLUR_PX, NOISE = 600, 0.7, 0.01


@pytest.fixture(scope="module")
def scene() -> Scene:
    """One ordinary scene without noise, made once."""
    return make_scene(dpi=DPI, blur_px=BLUR_PX, angle_deg=5.0, seed=31, noise=0.0)


@pytest.fixture(scope="module")
def dark_scene() -> Scene:
    """A dark piece on white ground, made once."""
    return make_scene(dpi=DPI, blur_px=BLUR_PX, angle_deg=-8.0, seed=32, plate=0.05, background=0.7)


def _light(scene: Scene) -> np.ndarray:
    v = scene.pixels / 255
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4)


def _stored(light: np.ndarray, seed: int = 1) -> np.ndarray:
    light = np.clip(light + np.random.default_rng(seed).normal(0, NOISE, light.shape), 0, 1)
    return np.round(255 * np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)).astype(
        np.uint8
    )


def _shifted(light: np.ndarray, dx: float, dy: float) -> np.ndarray:
    return cv2.warpAffine(
        light,
        np.array([[1.0, 0.0, dx], [0.0, 1.0, dy]]),
        light.shape[::-1],
        flags=cv2.INTER_CUBIC,
        borderMode=cv2.BORDER_REFLECT,
    )


def _moved(light: np.ndarray, length_px: float, angle_deg: float) -> np.ndarray:
    """Return the mean of pictures along a line."""
    turn = np.radians(angle_deg)
    steps = (np.arange(24) + 0.5) / 24 - 0.5
    return np.mean([_shifted(light, length_px * s * np.cos(turn), length_px * s * np.sin(turn)) for s in steps], axis=0)


def _doubled(light: np.ndarray, share: float, dx: float, dy: float) -> np.ndarray:
    return (1 - share) * light + share * _shifted(light, dx, dy)


def _smear(scene: Scene, pixels: np.ndarray, tmp_path) -> Smear:
    scan = open_scan(write_scene(replace(scene, pixels=pixels), tmp_path / "m.png", dpi=DPI))
    (located,) = locate_pieces(scan, scene.piece)
    return measure_smear(prepare_piece(scan, located, scene.piece).strips)


@pytest.mark.parametrize(("length_px", "angle_deg"), [(0.0, 0.0), (5.0, 0.0), (4.0, 35.0), (4.0, 150.0)])
def test_blur_by_direction_is_that_of_the_motion(scene, tmp_path, length_px, angle_deg):
    """Variances add: that of the lens, of a pixel (1 / 12) and of the line's length (its square over 12).

    The normal edge that suits an evenly smeared one best is somewhat broader than that, by a tenth or two.
    """
    smear = _smear(scene, _stored(_moved(_light(scene), length_px, angle_deg)), tmp_path)
    still = BLUR_PX**2 + 1 / 12
    assert 0.95 < smear.ratio / np.sqrt(1 + length_px**2 / 12 / still) < 1.25
    assert 0.95 < smear.highest_mm / (25.4 / DPI * np.sqrt(still + length_px**2 / 12)) < 1.2
    # The covariance of a line's two parts is L^2 / 12 cos sin.
    askew = abs(np.sin(2 * np.radians(angle_deg))) / 2 * length_px**2 / 12 / (2 * still + length_px**2 / 12)
    assert smear.askew == pytest.approx(askew, abs=0.08)
    if length_px:
        assert (smear.direction_deg - angle_deg + 90) % 180 - 90 == pytest.approx(0.0, abs=4.0)
    assert smear.ghost == 0.0


@pytest.mark.parametrize(("share", "displaced"), [(0.05, (0, 7)), (0.15, (5, 5)), (0.15, (-7, 2))])
def test_a_second_image_shows_by_a_part_of_its_share(scene, tmp_path, share, displaced):
    smear = _smear(scene, _stored(_doubled(_light(scene), share, *displaced)), tmp_path)
    assert share / 10 < smear.ghost < share


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda light: _moved(light, 6.0, 40.0), r"blurred along a line at (3[5-9]|4[0-5]) degrees.*Let nothing touch"),
        (lambda light: _doubled(light, 0.15, 6, 3), r"edges show twice.*Let nothing touch"),
        (lambda light: _doubled(light, 0.5, 4, 0), r"edges rise in steps.*Let nothing touch"),
    ],
)
def test_moved_and_doubled_pictures_are_refused(scene, tmp_path, change, words):
    path = write_scene(replace(scene, pixels=_stored(change(_light(scene)))), tmp_path / "m.png", dpi=DPI)
    with pytest.raises(ReadingError, match=words):
        read_scan(path, piece=scene.piece)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda light: light, ""),
        (lambda light: _moved(light, 5.0, 90.0), "blurred along a line"),
        (lambda light: _doubled(light, 0.04, 6, 3), "edges show twice"),
    ],
)
def test_small_motions_and_faint_second_images_are_remarked(scene, tmp_path, change, words):
    path = write_scene(replace(scene, pixels=_stored(change(_light(scene)))), tmp_path / "m.png", dpi=DPI)
    (piece,) = read_scan(path, piece=scene.piece).pieces
    said = " ".join(piece.remarks)
    assert words in said if words else not any(word in said for word in ("along a line", "show twice"))


def test_a_clipped_channel_is_left_out_where_another_will_do(tmp_path):
    scene = make_scene(dpi=DPI, blur_px=BLUR_PX, angle_deg=5.0, seed=33, plate=0.6, noise=0.0)
    light = _light(scene)
    colours = np.stack([_stored(gain * light, seed) for seed, gain in enumerate((2.0, 0.8, 0.7))], axis=-1)
    path = tmp_path / "c.png"
    Image.fromarray(colours).save(path, dpi=(DPI, DPI), compress_level=1)
    (located,) = locate_pieces(open_scan(path), scene.piece)
    assert located.channel == 1
    assert read_scan(path, piece=scene.piece).pieces[0].table["measured_mm"].notna().sum() > 50


def _ruled(scene: Scene, depth: float) -> np.ndarray:
    """Rule squares of 5 mm on the ground, with lines of 0.3 mm that take a share of its light."""
    rows, columns = np.indices(scene.pixels.shape) * 25.4 / DPI
    x, y = columns * np.cos(0.1) + rows * np.sin(0.1), rows * np.cos(0.1) - columns * np.sin(0.1)
    lines = cv2.GaussianBlur(((x % 5 < 0.3) | (y % 5 < 0.3)).astype(float), (0, 0), BLUR_PX)
    light = _light(scene)
    return _stored(light * (1 - depth * lines * np.clip((light - 0.05) / 0.65, 0, 1)))


def test_a_dark_piece_on_squared_paper_is_read(dark_scene, tmp_path):
    path = write_scene(replace(dark_scene, pixels=_ruled(dark_scene, 0.15)), tmp_path / "r.png", dpi=DPI)
    (piece,) = read_scan(path, piece=dark_scene.piece).pieces
    both = piece.table.merge(dark_scene.truth[["feature_id", "true_mm"]], on="feature_id")
    both = both[both["measured_mm"].notna() & both["true_mm"].notna()]
    assert len(both) > 50
    off = (both["measured_mm"] - both["true_mm"]).abs()
    # Intervals of 95 %: of some sixty sizes, 90 % or more within them is what chance allows.
    assert (off < both["U95_mm"]).mean() > 0.9


def test_a_dark_piece_on_strong_lines_is_refused_for_them(dark_scene, tmp_path):
    path = write_scene(replace(dark_scene, pixels=_ruled(dark_scene, 0.7)), tmp_path / "r.png", dpi=DPI)
    with pytest.raises(ReadingError, match=r"differs by .* from place to place.*plain sheet"):
        read_scan(path, piece=dark_scene.piece)


def test_a_dark_piece_whose_walls_shade_the_ground_is_refused(tmp_path):
    shaded = make_scene(dpi=DPI, seed=34, plate=0.05, background=0.7, blur_px=BLUR_PX, shade=(0.35, 12.0))
    path = write_scene(shaded, tmp_path / "s.png", dpi=DPI)
    with pytest.raises(ReadingError, match="walls shade it"):
        read_scan(path, piece=shaded.piece)
