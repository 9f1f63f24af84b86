"""Sharpening and smoothing by cameras, found on the markers of the frame and undone."""

from __future__ import annotations

import tracemalloc
from dataclasses import replace

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from photo_scene import Scene, render

from sharpset.scans import Scan, sharpening
from sharpset.scans.encoding import SRGB
from sharpset.scans.frame import N_MODULES, PhotoFrame
from sharpset.scans.markers import find_markers
from sharpset.scans.photo import rectify_photo
from sharpset.scans.scan import PixelSize, scan_from_pixels
from sharpset.scans.sharpening import Sharpening, measure_sharpening, without_sharpening

FRAME = PhotoFrame(window_x_mm=60, window_y_mm=42, marker_mm=14)
TONES = np.arange(65536) / 65535


def of_pixels(pixels: NDArray[np.uint8]) -> Scan:
    return scan_from_pixels(pixels, pixel_mm=PixelSize(float("nan"), float("nan")), scale_source="none")


@pytest.fixture(scope="module")
def plain() -> NDArray[np.uint8]:
    return render(replace(Scene(), noise=0.002, blur_px=1.1), FRAME)


def masked(plain: NDArray[np.uint8], amount: float, radius: float, *, in_light: bool) -> Scan:
    value = plain / 255
    value = SRGB.decode(value) if in_light else value
    value = value + amount * (value - cv2.GaussianBlur(value, (0, 0), radius))
    value = np.interp(value, SRGB.decode(TONES), TONES) if in_light else value
    return of_pixels(np.round(255 * np.clip(value, 0, 1)).astype(np.uint8))


def off(scan: Scan, plain: NDArray[np.uint8]) -> float:
    """Root mean square difference from the plain picture, away from where halos were cut off."""
    value = scan.pixels / scan.full_scale
    kept = cv2.erode(((value < 0.98) & (value > 0.02)).astype(np.uint8), np.ones((9, 9))) > 0
    return float(np.sqrt(np.mean((value - plain / 255)[kept] ** 2)))


@pytest.mark.parametrize(
    ("amount", "radius", "in_light"), [(0.5, 1.0, False), (1.2, 1.5, False), (0.4, 1.2, True), (-0.2, 3.0, False)]
)
def test_a_mask_is_found_and_undone(plain: NDArray[np.uint8], amount: float, radius: float, in_light: bool) -> None:
    scan = masked(plain, amount, radius, in_light=in_light)
    found = measure_sharpening(scan, find_markers(scan), module_mm=FRAME.marker_mm / N_MODULES)
    assert found is not None
    assert found.is_sure
    assert found.in_light == in_light
    # Paper in which light spreads and a stronger mask look much like none and a weaker one.
    assert found.amount * found.radius_px**2 == pytest.approx(amount * radius**2, rel=0.35)
    assert off(without_sharpening(scan, found), plain) < 0.35 * off(scan, plain)


def test_a_picture_that_was_not_sharpened_stays(plain: NDArray[np.uint8]) -> None:
    scan = of_pixels(plain)
    found = measure_sharpening(scan, find_markers(scan), module_mm=FRAME.marker_mm / N_MODULES)
    assert found is not None
    assert not found.is_sure
    assert not any("sharpened" in remark for remark in rectify_photo(scan, FRAME).remarks)


def test_it_is_said(plain: NDArray[np.uint8]) -> None:
    scan = masked(np.repeat(plain[..., None], 3, axis=2), 0.8, 1.2, in_light=False)
    result = rectify_photo(scan, FRAME)
    assert any("sharpened" in remark and "undone" in remark for remark in result.remarks)
    assert result.residual_rms_mm < 0.01


@pytest.mark.parametrize("in_light", [False, True])
def test_bands_in_which_a_mask_is_undone_leave_no_seams(monkeypatch: pytest.MonkeyPatch, in_light: bool) -> None:
    values = np.random.default_rng(5).integers(0, 255, (150, 40, 3), dtype=np.uint8)
    mask = Sharpening(amount=1.5, radius_px=1.5, in_light=in_light, misfit=0.0, gain=100.0)
    at_once = without_sharpening(of_pixels(values), mask).stored
    monkeypatch.setattr(sharpening, "_ROWS_AT_ONCE", 16)
    in_bands = without_sharpening(of_pixels(values), mask).stored
    assert at_once.std() > 5000
    assert np.abs(at_once.astype(int) - in_bands).max() <= 1


def test_undoing_a_mask_takes_little_memory() -> None:
    scan = of_pixels(np.full((4096, 512, 3), 128, dtype=np.uint8))
    mask = Sharpening(amount=0.5, radius_px=1.0, misfit=0.0, gain=100.0)
    tracemalloc.start()
    without_sharpening(scan, mask)
    most = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    # The result is twice the picture; the whole picture as numbers of four bytes would be four times more.
    assert most < 5 * scan.stored.nbytes
