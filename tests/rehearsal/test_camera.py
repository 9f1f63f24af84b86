"""The virtual camera, against OpenCV's projection and marker detector."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest
from PIL import Image

from sharpset.errors import RehearsalError
from sharpset.rehearsal.camera import Camera, CardPlace, marker_card, photograph

MARKERS = [(0, -8.0, 68.0), (1, 88.0, 68.0), (2, 88.0, -8.0), (3, -8.0, -8.0), (4, 40.0, 68.0)]
SMALL = Camera(columns=1300, rows=1000, focal_px=1700.0, tilt_deg=7.0, towards_deg=60.0, roll_deg=3.0)


@pytest.fixture(scope="module")
def photo(filament_print):
    card = marker_card(MARKERS, marker_mm=8.0, window_mm=(80.0, 60.0))
    return photograph(filament_print, card=card, place=CardPlace(x_mm=41, y_mm=29, angle_deg=12), camera=SMALL, seed=1)


def test_projection_is_opencvs(filament_print):
    points = np.random.default_rng(2).uniform((-10, -10, 0), (90, 70, 4), (50, 3))
    camera = Camera(tilt_deg=14, towards_deg=130, roll_deg=-20, k1=-0.11, k2=0.04)
    turn = camera._turn()
    matrix = np.array(
        [[camera.focal_px, 0, (camera.columns - 1) / 2], [0, camera.focal_px, (camera.rows - 1) / 2], [0, 0, 1]]
    )
    want, _ = cv2.projectPoints(
        points, cv2.Rodrigues(turn)[0], -turn @ camera._lens_mm(), matrix, np.array([camera.k1, camera.k2, 0, 0, 0])
    )
    assert np.abs(camera.project(points) - want[:, 0]).max() < 1e-6
    assert np.allclose(turn @ turn.T, np.eye(3))
    assert np.linalg.det(turn) == pytest.approx(1)


def test_upright_camera_sees_y_up_and_x_right():
    camera = Camera(tilt_deg=0, roll_deg=0, k1=0, k2=0)
    middle, right, up = camera.project(np.array([[40.0, 30, 0], [50, 30, 0], [40, 40, 0]]))
    # 10 mm at 180 mm and 4200 px: 233.33 px.
    assert right - middle == pytest.approx([10 / 180 * 4200, 0], abs=1e-9)
    assert up - middle == pytest.approx([0, -10 / 180 * 4200], abs=1e-9)


def test_markers_are_found_where_they_were_printed(photo):
    finder = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_250))
    finder_options = cv2.aruco.DetectorParameters()
    finder_options.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    finder.setDetectorParameters(finder_options)
    corners, ids, _ = finder.detectMarkers(cv2.cvtColor(photo.image, cv2.COLOR_RGB2GRAY))
    found = {int(k): c[0] for k, c in zip(ids.ravel(), corners, strict=True)}
    assert set(found) == {0, 1, 2, 3, 4}
    for number, x, y in MARKERS:
        own = np.array([(x - 4, y + 4, 0), (x + 4, y + 4, 0), (x + 4, y - 4, 0), (x - 4, y - 4, 0)])
        places = SMALL.project(own)
        # Blur pulls each refined corner of a black square inwards by some half a pixel, all four alike.
        assert np.abs(found[number] - places).max() < 0.9
        assert np.abs(found[number].mean(axis=0) - places.mean(axis=0)).max() < 0.08


def test_holes_lie_where_they_are_told(photo, filament_print):
    light = cv2.cvtColor(photo.image, cv2.COLOR_RGB2GRAY).astype(float)
    big = filament_print.truth[filament_print.truth["feature_id"] == "round-1"].iloc[0]
    column, row = photo.places_px(np.array([[big.x_mm, big.y_mm]]))[0]
    reach = 30
    c, r = round(column), round(row)
    dark = np.clip(110 - light[r - reach : r + reach, c - reach : c + reach], 0, None)
    rows, columns = np.mgrid[r - reach : r + reach, c - reach : c + reach]
    # Walls of 1.2 mm are seen at 7 degrees and move the dark part by up to 1.2 mm * tan(9 deg) / 2 = 0.9 px.
    assert (dark * columns).sum() / dark.sum() == pytest.approx(column, abs=1.2)
    assert (dark * rows).sum() / dark.sum() == pytest.approx(row, abs=1.2)


def test_face_nearer_to_the_lens_looks_larger(photo):
    points = np.array([[0.0, 0.0], [40.0, 0.0]])
    low, high = (photo.places_px(points, z_mm=z) for z in (0.0, 1.2))
    gain = math.dist(*high) / math.dist(*low)
    assert gain == pytest.approx(180 / (180 - 1.2), abs=0.001)


def test_photographs_are_jpegs_that_say_what_they_are(photo, tmp_path):
    with Image.open(photo.write(tmp_path / "p.jpg")) as picture:
        exif = picture.getexif()
        assert "INVENTED" in exif[270]
        # 1700 px of focal length on a diagonal of 1640.1 px: 44.85 mm on 35 mm film.
        assert exif.get_ifd(0x8769)[0xA405] == 45
    assert "INVENTED" in photo.summary()
    with pytest.raises(RehearsalError, match=r"written as .jpg, got '.png'"):
        photo.write(tmp_path / "p.png")


def test_wrong_cameras_are_told():
    with pytest.raises(RehearsalError, match="tilt_deg must be 0 to 60, got 80"):
        Camera(tilt_deg=80)
    with pytest.raises(RehearsalError, match="4 x 3000 pixels"):
        Camera(columns=4)
