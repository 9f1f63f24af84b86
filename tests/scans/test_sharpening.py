"""Sharpening and smoothing by cameras, found on the markers of the frame and undone."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from photo_scene import Scene, render

from sharpset.scans import Scan
from sharpset.scans.encoding import SRGB
from sharpset.scans.frame import N_MODULES, PhotoFrame
from sharpset.scans.markers import find_markers
from sharpset.scans.photo import rectify_photo
from sharpset.scans.scan import PixelSize, scan_from_pixels
from sharpset.scans.sharpening import measure_sharpening, without_sharpening

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
