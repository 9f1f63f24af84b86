"""Scans whose files name a wrong resolution: what would be right is said."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from sharpset.errors import ScanError
from sharpset.pieces import make_stencil
from sharpset.scans import PixelSize, locate_pieces, scan_from_pixels

_DPI = 600.0


@pytest.fixture(scope="module")
def piece():
    return make_stencil(process="resin")


def _picture(piece, dpi: tuple[float, float], angle_deg: float) -> np.ndarray:
    """A light piece on a dark ground, painted at a resolution along columns and rows."""
    turn = np.radians(angle_deg)
    linear = np.array([[np.cos(turn), np.sin(turn)], [np.sin(turn), -np.cos(turn)]])
    outline = np.asarray(piece.outline.exterior.coords)
    shift = 4 - (outline @ linear.T).min(axis=0)
    across_mm = (outline @ linear.T + shift).max(axis=0) + 4
    scale = np.array(dpi) / 25.4
    size = np.ceil(across_mm * scale).astype(int)
    picture = np.full(size[::-1], 40, np.uint8)
    for shape, value in ((piece.outline, 200), *((void, 40) for void in piece.void_shapes())):
        points = (np.asarray(shape.exterior.coords) @ linear.T + shift) * scale - 0.5
        cv2.fillPoly(picture, [np.round(points * 256).astype(np.int32)], value, shift=8, lineType=cv2.LINE_AA)
    return cv2.GaussianBlur(picture, (0, 0), 1.0)


@pytest.mark.parametrize(
    ("stated", "angle_deg"),
    [((300.0, 300.0), 3.0), ((1200.0, 1200.0), 33.0), ((150.0, 150.0), 90.0), ((600.0, 1200.0), 1.0)],
)
def test_a_wrong_resolution_is_refused_with_the_right_one(piece, stated, angle_deg):
    pixels = _picture(piece, (_DPI, _DPI), angle_deg)
    scan = scan_from_pixels(pixels, pixel_mm=PixelSize(25.4 / stated[0], 25.4 / stated[1]))
    with pytest.raises(ScanError, match=r"not in its size by a resolution of .* about 600 dpi fits. Give --dpi 600"):
        locate_pieces(scan, piece)


def test_resolutions_that_differ_along_columns_and_rows_are_told_apart(piece):
    pixels = _picture(piece, (_DPI, 2 * _DPI), 1.0)
    scan = scan_from_pixels(pixels, pixel_mm=25.4 / _DPI)
    with pytest.raises(ScanError, match=r"about 600 x 1200 dpi fits. Save it with the right resolution"):
        locate_pieces(scan, piece)
    assert locate_pieces(scan_from_pixels(pixels, pixel_mm=PixelSize(25.4 / _DPI, 12.7 / _DPI)), piece)


def test_another_piece_of_the_same_shape_is_no_wrong_resolution(piece):
    pixels = _picture(piece, (_DPI, _DPI), 2.0)
    # A plate without openings.
    blank = np.where(cv2.morphologyEx(pixels, cv2.MORPH_CLOSE, np.ones((151, 151), np.uint8)) > 120, 200, 40)
    scan = scan_from_pixels(blank.astype(np.uint8), pixel_mm=25.4 / 300)
    with pytest.raises(ScanError, match="no piece of"):
        locate_pieces(scan, piece)
