"""Pieces whose outline does not show are found by their openings."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from sharpset.errors import ScanError
from sharpset.pieces import make_stencil
from sharpset.scans import locate_pieces, scan_from_pixels

PX_MM = 25.4 / 300
PLATE, BACKGROUND = 170, 40


def _picture(piece, *, angle_deg: float, mirror: bool, shape: tuple[int, int], centres: list[tuple[float, float]]):
    """Draw openings of pieces on a picture that is all plate; return it with the map of each piece to pixels."""
    fine = 4
    picture = np.full((shape[0] * fine, shape[1] * fine), PLATE, np.uint8)
    turn = np.radians(angle_deg)
    linear = np.array([[np.cos(turn), np.sin(turn)], [np.sin(turn), -np.cos(turn)]])
    linear = linear @ np.diag([-1 if mirror else 1, 1]) / PX_MM
    maps = []
    for centre in centres:
        shift = np.array(centre) - linear @ [piece.width_mm / 2, piece.height_mm / 2]
        maps.append((linear, shift))
        for void in piece.void_shapes():
            points = (np.asarray(void.exterior.coords) @ linear.T + shift + 0.5) * fine - 0.5
            cv2.fillPoly(picture, [np.round(points * 16).astype(np.int32)], BACKGROUND, shift=4)
    return cv2.resize(picture, shape[::-1], interpolation=cv2.INTER_AREA), maps


@pytest.mark.parametrize(("angle_deg", "mirror"), [(3.0, False), (128.0, True), (-91.0, False)])
def test_a_piece_with_its_brim_on_is_found(angle_deg, mirror):
    piece = make_stencil(process="resin")
    picture, maps = _picture(piece, angle_deg=angle_deg, mirror=mirror, shape=(760, 820), centres=[(400.3, 371.8)])
    # A round brim of no size that the reader knows of.
    rows, columns = np.indices(picture.shape)
    picture[np.hypot(columns - 400, rows - 372) > 350] = BACKGROUND
    found = locate_pieces(scan_from_pixels(picture, pixel_mm=PX_MM), piece)
    assert len(found) == 1
    corners = np.array([[0, 0], [piece.width_mm, 0], [0, piece.height_mm]])
    linear, shift = maps[0]
    # The pose is good to about half a coarse pixel of 0.125 mm.
    away = found[0].pose.to_pixels(corners) - (corners @ linear.T + shift)
    assert np.hypot(*away.T).max() * PX_MM < 0.07


def test_pieces_that_touch_are_found_apart():
    piece = make_stencil(process="resin")
    width = piece.width_mm / PX_MM
    centres = [(40 + width / 2, 300.0), (40 + 1.5 * width, 300.0)]
    shape = (600, int(2 * width) + 80)
    picture, _ = _picture(piece, angle_deg=0.0, mirror=False, shape=shape, centres=centres)
    half = piece.height_mm / PX_MM / 2
    picture[: int(300 - half)] = picture[int(300 + half) :] = BACKGROUND
    picture[:, :40] = picture[:, int(40 + 2 * width) :] = BACKGROUND
    assert len(locate_pieces(scan_from_pixels(picture, pixel_mm=PX_MM), piece)) == 2


def test_texture_is_no_piece():
    piece = make_stencil(process="resin")
    rng = np.random.default_rng(2)
    blobs = cv2.GaussianBlur(rng.normal(size=(700, 700)).astype(np.float32), (0, 0), 6)
    picture = np.where(blobs > 0, PLATE, BACKGROUND).astype(np.uint8)
    with pytest.raises(ScanError, match=r"no piece of 40 x 36\.5 mm"):
        locate_pieces(scan_from_pixels(picture, pixel_mm=PX_MM), piece)


@pytest.mark.parametrize(
    ("shape", "says"), [((700, 700), r"no piece of 40 x 36\.5 mm"), ((1, 1), r"covers 0\.0847 x 0\.0847 mm only")]
)
def test_one_grey_and_one_pixel_are_no_piece_and_no_warning(recwarn, shape, says):
    picture = np.full(shape, PLATE, np.uint8)
    with pytest.raises(ScanError, match=says):
        locate_pieces(scan_from_pixels(picture, pixel_mm=PX_MM), make_stencil(process="resin"))
    assert not recwarn.list
