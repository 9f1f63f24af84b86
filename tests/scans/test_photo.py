"""Photographs of a plate in the frame, rendered by casting rays, come out true to size."""

from __future__ import annotations

import functools
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from photo_scene import GREY, LIGHT, SQUARE_MM, SQUARES, Scene, render
from PIL import Image

from sharpset.errors import ScanError
from sharpset.scans.encoding import LINEAR
from sharpset.scans.frame import PhotoFrame
from sharpset.scans.markers import find_markers
from sharpset.scans.opening import open_scan
from sharpset.scans.photo import RectifiedPhoto, rectify_photo, rectify_photos
from sharpset.scans.resampling import _remap
from sharpset.scans.scan import Scan, scan_from_pixels
from sharpset.scans.viewing import Viewing, Viewpoint

FRAME = PhotoFrame()
TURNS = [(4.0, -6.0, 10.0), (-9.0, 3.0, 100.0), (2.0, 12.0, 200.0)]

# A pixel is about 0.155 mm. Noise moves a marker's corner by about 0.015 px, a fit to some twenty of them by less;
# resampling and noise move a square's centre by about 0.01 px. 6 um are 0.04 px, three standard deviations.
TOLERANCE_MM = 0.006


@functools.cache
def picture(scene: Scene) -> Scan:
    return scan_from_pixels(render(scene, FRAME), pixel_mm=float("nan"), scale_source="none")


def squares(result: RectifiedPhoto) -> NDArray[np.float64]:
    """Errors of centre x, y and of width of every square, mm, from sums of light."""
    scan, step = result.scan, result.scan.pixel_mm.x
    light = scan.linear(slice(0, scan.n_rows), slice(0, scan.n_columns))
    half = int(2.2 / step)
    errors = []
    for x, y in SQUARES:
        column, row = int(x / step), int((FRAME.window_y_mm - y) / step)
        crop = light[row - half : row + half + 1, column - half : column + half + 1].astype(float) - GREY
        rows, columns = np.mgrid[row - half : row + half + 1, column - half : column + half + 1]
        found_x = ((crop * columns).sum() / crop.sum() + 0.5) * step
        found_y = FRAME.window_y_mm - ((crop * rows).sum() / crop.sum() + 0.5) * step
        errors.append((found_x - x, found_y - y, np.sqrt(crop.sum() / (LIGHT - GREY)) * step - SQUARE_MM))
    return np.array(errors)


@pytest.mark.parametrize("turn", TURNS)
@pytest.mark.parametrize("thickness", [0.0, 3.0])
def test_one_photograph_gives_true_places_and_sizes(turn: tuple[float, float, float], thickness: float) -> None:
    scan = picture(Scene(turn_deg=turn, thickness_mm=thickness))
    result = rectify_photo(scan, FRAME, thickness_mm=thickness)
    assert np.abs(squares(result)).max() < TOLERANCE_MM
    assert result.residual_rms_mm < 0.005
    assert result.scan.scale_source == "frame"
    # 7.2 degrees = arccos(cos 4 cos 6), and so on: rotations about x and y multiply their cosines.
    wanted = np.degrees(np.arccos(np.cos(np.radians(turn[0])) * np.cos(np.radians(turn[1]))))
    assert result.camera.tilts_deg[0] == pytest.approx(wanted, abs=0.1)


def test_thickness_left_out_is_seen() -> None:
    # The plate is 3 mm nearer at 149 mm: everything on it looks 2 % larger about the camera's foot point.
    result = rectify_photo(picture(Scene(turn_deg=TURNS[0], thickness_mm=3.0)), FRAME, thickness_mm=0.0)
    widths = squares(result)[:, 2]
    assert widths.mean() == pytest.approx(SQUARE_MM * 3.0 / 146.0, abs=0.012)


def test_several_photographs_combine() -> None:
    scans = [picture(Scene(turn_deg=turn, thickness_mm=3.0)) for turn in TURNS]
    result = rectify_photos(scans, FRAME, thickness_mm=3.0)
    assert np.abs(squares(result)).max() < TOLERANCE_MM
    assert result.n_photos == 3
    assert result.camera.focal_px == pytest.approx(920, rel=0.002)
    assert len(result.to_frame()) == 3


def test_photographs_from_one_place_average_their_noise() -> None:
    scans = [picture(Scene(turn_deg=TURNS[0], seed=seed)) for seed in (1, 2, 3)]
    together, alone = (rectify_photos(some, FRAME).scan for some in (scans, scans[:1]))
    flat, single = (one.linear(slice(250, 300), slice(450, 500)) for one in (together, alone))
    assert flat.std() < 0.65 * single.std()  # root of a third, and the light's own slope


def test_every_place_is_taken_from_the_photograph_straight_above_it() -> None:
    viewing = Viewing(points=(Viewpoint(10.0, 30.0, 150.0), Viewpoint(70.0, 30.0, 150.0)), face_mm=1.0)
    shares = viewing.shares(np.array([[15.0, 30.0], [40.0, 5.0], [65.0, 55.0]]))
    assert shares.sum(axis=0) == pytest.approx(1.0)
    assert shares[0] == pytest.approx([1.0, 0.5, 0.0], abs=1e-6)
    # Pictures that earlier versions put together show the middle of all.
    assert replace(viewing, is_nearest=False).shares(np.array([[15.0, 30.0]]))[:, 0] == pytest.approx([0.5, 0.5])


def test_glare_and_exposure_of_one_photograph_do_not_count() -> None:
    scans = [picture(Scene(turn_deg=turn)) for turn in TURNS]
    spoilt = scans[1].stored.copy()
    spoilt[300:340, 380:430] = 255
    darker = np.round(scans[2].stored * 0.8).astype(np.uint8)
    mixed = [scans[0], scan_from_pixels(spoilt, pixel_mm=np.nan), scan_from_pixels(darker, pixel_mm=np.nan)]
    result = rectify_photos(mixed, FRAME)
    assert np.abs(squares(result)[:, :2]).max() < TOLERANCE_MM


def test_from_straight_above_the_uncertainty_covers_the_unknown_distance() -> None:
    # The true focal length is 920 px; without a tilt it stays where it was assumed (880), and the stated
    # uncertainty must cover what that does to the scale of a raised face.
    scan = picture(Scene(turn_deg=(0.0, 0.0, 3.0), thickness_mm=3.0))
    result = rectify_photo(scan, FRAME, thickness_mm=3.0)
    places = squares(result)[:, :2] + SQUARES
    measured = np.linalg.norm(places[0] - places[4])
    true = np.linalg.norm(SQUARES[0] - SQUARES[4])
    assert result.u_scale > 0.003
    assert abs(measured / true - 1) < 2 * result.u_scale


def test_no_white_paper_shows_along_the_border_of_a_black_ground() -> None:
    # Seen at 15 degrees, a face 3 mm high hides the ground along two sides by up to 0.8 mm.
    frame = replace(FRAME, ground="black")
    scan = scan_from_pixels(render(Scene(turn_deg=(-9.0, 12.0, 5.0), thickness_mm=3.0), frame), pixel_mm=np.nan)
    result = rectify_photo(scan, frame, thickness_mm=3.0).scan
    light = result.linear(slice(0, result.n_rows), slice(0, result.n_columns))
    border = np.concatenate([light[:3].ravel(), light[-3:].ravel(), light[:, :3].ravel(), light[:, -3:].ravel()])
    assert border.max() < 0.2


def test_ink_that_spreads_and_a_covered_marker_leave_no_residual() -> None:
    # Markers 0.1 mm larger all round about the same centres, which lie 0.1 mm further in from this window's corner.
    grown = replace(FRAME, marker_mm=8.2, gap_mm=3.8, window_x_mm=80.2, window_y_mm=60.2)
    stored = render(Scene(turn_deg=TURNS[0]), grown)
    row, column = (find_markers(picture(Scene(turn_deg=TURNS[0]))).corners_px[3].mean(axis=0)).astype(int)[::-1]
    stored[row + 14 : row + 40, column - 40 : column + 40] = 120  # a finger over the lower part of one
    result = rectify_photo(scan_from_pixels(stored, pixel_mm=np.nan), FRAME)
    assert result.residual_rms_mm < 0.006
    assert result.residual_max_mm < 0.02
    assert np.abs(squares(result)[:, :2] + 0.1).max() < TOLERANCE_MM + 0.002
    assert not any("Tape" in remark for remark in result.remarks)


def test_a_bent_card_is_remarked() -> None:
    scan = picture(Scene(turn_deg=TURNS[0]))
    light = scan.linear(slice(0, scan.n_rows), slice(0, scan.n_columns))
    rows, columns = np.mgrid[: scan.n_rows, : scan.n_columns].astype(np.float32)
    # Half a pixel, 0.08 mm, to and fro over the picture: no lens does that.
    bent = cv2.remap(light, columns + 0.5 * np.cos(columns / 90, dtype=np.float32), rows, cv2.INTER_CUBIC)
    stored = np.round(65535 * np.clip(bent, 0, 1)).astype(np.uint16)
    result = rectify_photo(scan_from_pixels(stored, pixel_mm=np.nan, encoding=LINEAR), FRAME)
    assert any("Tape it to something flat" in remark for remark in result.remarks)


def test_uneven_light_does_not_turn_the_sides_of_markers() -> None:
    # Light that falls by a third across a marker had moved its corners by a tenth of a pixel.
    scene = Scene(turn_deg=TURNS[0], noise=0.0)
    fall = np.linspace(1.0, 0.25, scene.size[0])[None, :] * np.linspace(1.0, 0.6, scene.size[1])[:, None]
    light = scan_from_pixels(render(scene, FRAME), pixel_mm=np.nan)
    dim = light.linear(slice(0, light.n_rows), slice(0, light.n_columns)) * fall
    stored = np.round(65535 * np.clip(dim, 0, 1)).astype(np.uint16)
    uneven = scan_from_pixels(stored, pixel_mm=np.nan, encoding=LINEAR)
    even, other = (find_markers(one) for one in (light, uneven))
    assert set(other.ids) == set(even.ids)
    apart = other.corners_px[np.argsort(other.ids)] - even.corners_px[np.argsort(even.ids)]
    assert np.sqrt(np.mean(apart**2)) < 0.02


def test_resampling_keeps_a_ramp_straight() -> None:
    plane = np.tile(np.arange(40, dtype=np.float32), (40, 1)) / 40
    columns = np.linspace(10.0, 30.0, 321, dtype=np.float32)
    places = np.stack((np.tile(columns, (3, 1)), np.full((3, 321), 20.4, dtype=np.float32)), axis=-1)
    assert np.abs(40 * _remap(plane, places) - columns).max() < 0.02


def test_a_print_that_is_longer_one_way_is_no_tilt() -> None:
    scene = Scene(turn_deg=(2.0, -1.0, 5.0))
    longer = FRAME.with_rulers(x_mm=1.02 * FRAME.ruler_x_mm, y_mm=FRAME.ruler_y_mm)
    result = rectify_photo(picture(scene), longer, focal_px=scene.focal_px)
    straight = rectify_photo(picture(scene), FRAME, focal_px=scene.focal_px)
    assert result.camera.aspect == pytest.approx(1 / 1.02, abs=0.002)
    assert straight.camera.aspect == pytest.approx(1.0, abs=0.001)
    assert not any("longer along" in remark for remark in straight.remarks)
    assert result.camera.tilts_deg[0] == pytest.approx(straight.camera.tilts_deg[0], abs=0.7)
    assert result.residual_rms_mm < 1.5 * straight.residual_rms_mm
    assert any("longer along y than along x" in remark for remark in result.remarks)
    # Which of both lengths is off is not known.
    assert result.u_scale > 0.005


def test_measured_rulers_change_all_lengths() -> None:
    scan = picture(Scene(turn_deg=TURNS[0]))
    plain = rectify_photo(scan, FRAME, pixel_mm=0.15)
    larger = rectify_photo(scan, FRAME.with_rulers(x_mm=101.0, y_mm=80.8), pixel_mm=0.15)
    assert larger.camera.distances_mm[0] == pytest.approx(1.01 * plain.camera.distances_mm[0], rel=1e-4)


def test_marker_corners_to_a_few_hundredths_of_a_pixel() -> None:
    scene = Scene(turn_deg=TURNS[0])
    sighting = find_markers(picture(scene))
    assert len(sighting.ids) >= 26
    result = rectify_photo(picture(scene), FRAME)
    assert result.residual_rms_mm / 0.155 < 0.025


def test_files_open_too(tmp_path: Path) -> None:
    exif = Image.Exif()
    exif.get_ifd(0x8769)[0xA405] = 39
    exif.get_ifd(0x8769)[0x920A] = 4.2
    file = tmp_path / "plate.jpg"
    Image.fromarray(picture(Scene(turn_deg=TURNS[0])).stored).convert("RGB").save(file, quality=95, exif=exif)
    result = rectify_photo(file, FRAME)
    assert result.scan.n_channels == 3
    assert np.abs(squares(result)[:, :2]).max() < TOLERANCE_MM
    assert result.scan.scan_id.startswith("plate-")


@pytest.mark.parametrize("colour", [False, True])
def test_written_and_opened_again(tmp_path: Path, colour: bool) -> None:
    stored = picture(Scene(turn_deg=TURNS[0])).stored
    scan = scan_from_pixels(np.dstack([stored] * 3) if colour else stored, pixel_mm=np.nan)
    result = rectify_photo(scan, FRAME)
    again = open_scan(result.write(tmp_path / "out" / "window.tif"))
    np.testing.assert_array_equal(again.pixels, result.scan.pixels)
    assert again.pixel_mm == pytest.approx(result.scan.pixel_mm, rel=1e-4)  # a ratio of whole numbers in the file
    assert (again.encoding, again.encoding_source) == ("linear", "tag: TIFF transfer function")


def test_a_picture_without_the_frame_is_refused() -> None:
    noise = np.random.default_rng(0).integers(0, 255, (300, 400), dtype=np.uint8)
    with pytest.raises(ScanError, match=r"none of the frame's 28 markers"):
        rectify_photo(scan_from_pixels(noise, pixel_mm=np.nan, name="garden.jpg"), FRAME)


def test_half_of_the_frame_is_refused() -> None:
    scan = picture(Scene(turn_deg=TURNS[0]))
    left = scan_from_pixels(np.ascontiguousarray(scan.stored[:, :330]), pixel_mm=np.nan)
    with pytest.raises(ScanError, match="one side of the window"):
        rectify_photo(left, FRAME)


def test_the_wrong_frame_is_refused() -> None:
    with pytest.raises(ScanError, match="the markers miss their places"):
        rectify_photo(picture(Scene(turn_deg=TURNS[0])), replace(FRAME, gap_mm=5.0, marker_mm=7.5))


def test_too_much_tilt_is_refused() -> None:
    scene = Scene(turn_deg=(46.0, 0.0, 0.0), distance_mm=190.0)
    with pytest.raises(ScanError, match="46 degrees from the vertical"):
        rectify_photo(picture(scene), FRAME)


def test_different_sizes_are_refused() -> None:
    scan = picture(Scene(turn_deg=TURNS[0]))
    cut = scan_from_pixels(np.ascontiguousarray(scan.stored[:-1]), pixel_mm=np.nan)
    with pytest.raises(ScanError, match="800 x 619 and 800 x 620"):
        rectify_photos([scan, cut], FRAME)


def test_a_photograph_given_twice_is_refused() -> None:
    scan = picture(Scene(turn_deg=TURNS[0]))
    with pytest.raises(ScanError, match="the same picture as"):
        rectify_photos([scan, scan], FRAME)


@pytest.mark.parametrize(("options", "text"), [({"thickness_mm": -1.0}, "-1 mm"), ({"pixel_mm": 30.0}, "30 mm")])
def test_impossible_options_are_refused(options: dict[str, float], text: str) -> None:
    with pytest.raises(ScanError, match=text):
        rectify_photo(picture(Scene(turn_deg=TURNS[0])), FRAME, **options)


def test_no_photograph_is_refused() -> None:
    with pytest.raises(ScanError, match="none given"):
        rectify_photos([], FRAME)


def test_pictures_turned_by_a_tag_are_of_one_camera() -> None:
    scenes = [Scene(turn_deg=turn, seed=seed) for seed, turn in enumerate(TURNS[:2], 1)]
    plain = [picture(scene) for scene in scenes]
    # What a telephone stores beside tag 6, which asks for a quarter turn, is the same sensor picture.
    turned = [plain[0], replace(plain[1], orientation=6)]
    assert turned[1].n_columns == plain[1].n_rows
    result, same = rectify_photos(turned, FRAME), rectify_photos(plain, FRAME)
    assert result.camera.focal_px == pytest.approx(same.camera.focal_px, rel=1e-9)
    assert np.array_equal(result.scan.stored, same.scan.stored)
    # Turned by a program, with a tag that asks for it back: alike only when upright.
    back = replace(plain[1], stored=np.ascontiguousarray(np.rot90(plain[1].stored)), orientation=6)
    assert np.array_equal(back.pixels, plain[1].pixels)
    assert rectify_photos([plain[0], back], FRAME).n_photos == 2


def test_a_wavy_card_does_not_pass_for_another_camera() -> None:
    scan = picture(Scene(turn_deg=TURNS[0], thickness_mm=0.0))
    rows, columns = np.meshgrid(np.arange(scan.n_rows), np.arange(scan.n_columns), indexing="ij")
    # A shake while rows are read: 2 px over a period of 500 rows, lengths off by up to 2.5 %.
    moved = (columns + 2.0 * np.sin(2 * np.pi * rows / 500.0)).astype(np.float32)
    bent = cv2.remap(scan.stored, moved, rows.astype(np.float32), cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    result = rectify_photo(scan_from_pixels(bent, pixel_mm=np.nan), FRAME, focal_px=920.0)
    assert result.camera.focal_px == pytest.approx(920.0, rel=0.1)
    # A shear of 2.5 % at most changes lengths by 2.5 % / 2 / sqrt(2) / sqrt(2) rms over phases and directions; markers
    # at the rim show a part of it.
    assert 0.002 < result.u_scale < 0.01
    assert any("camera moved" in remark for remark in result.remarks)


def test_two_frames_in_one_picture_are_refused() -> None:
    scan = picture(Scene(turn_deg=TURNS[0]))
    both = scan_from_pixels(np.hstack([scan.stored, scan.stored]), pixel_mm=np.nan)
    with pytest.raises(ScanError, match=r"2[5-8] of the frame's 28 markers are seen at two places"):
        rectify_photo(both, FRAME)


def test_a_mirrored_picture_is_told() -> None:
    scan = picture(Scene(turn_deg=TURNS[0]))
    mirrored = scan_from_pixels(np.ascontiguousarray(scan.stored[:, ::-1]), pixel_mm=np.nan)
    with pytest.raises(ScanError, match="the picture is mirrored"):
        rectify_photo(mirrored, FRAME)


@pytest.mark.parametrize(("printed", "named"), [("white", "black"), ("black", "white")])
def test_a_frame_of_another_ground_is_refused(printed: str, named: str) -> None:
    scan = scan_from_pixels(render(Scene(), replace(FRAME, ground=printed)), pixel_mm=float("nan"))
    assert rectify_photo(scan, replace(FRAME, ground=printed)).n_photos == 1
    with pytest.raises(ScanError, match=f"the window is {printed}, that of the frame named is {named}"):
        rectify_photo(scan, replace(FRAME, ground=named))


def test_the_picture_says_whether_rulers_were_measured(tmp_path: Path) -> None:
    for frame, measured in ((FRAME, False), (FRAME.with_rulers(x_mm=100.0, y_mm=80.0), True)):
        path = rectify_photo(picture(Scene()), frame).write(tmp_path / f"{measured}.tif")
        viewing = open_scan(path).viewing
        assert viewing is not None
        assert viewing.has_rulers is measured
