"""What files say about their scanner and about how good their resolution is."""

from __future__ import annotations

import json

import numpy as np
import pytest
import tifffile
from photo_scene import Scene, render
from PIL import Image

from sharpset.scans import PhotoFrame, open_scan, rectify_photos, scan_from_pixels, settle_scale
from sharpset.scans.scale_note import ScaleNote, read_note, write_note

GREY = np.tile(np.arange(200, dtype=np.uint8), (120, 1))
WHO = "Brackwater Works Flatbed 7"


def _exif() -> Image.Exif:
    exif = Image.Exif()
    exif[0x010F], exif[0x0110] = "Brackwater Works", "Flatbed\x007 "
    return exif


def test_scanner_is_named_by_every_kind_of_file(tmp_path):
    Image.fromarray(GREY).save(tmp_path / "a.png", dpi=(600, 600), exif=_exif())
    Image.fromarray(GREY).save(tmp_path / "a.jpg", dpi=(600, 600), exif=_exif())
    tags = [(271, 2, 0, "Brackwater Works", True), (272, 2, 0, "Flatbed 7", True)]
    tifffile.imwrite(tmp_path / "a.tif", GREY, resolution=(600, 600), resolutionunit="INCH", extratags=tags)
    for name in ("a.png", "a.jpg", "a.tif"):
        assert open_scan(tmp_path / name).scanner_id == WHO, name
    Image.fromarray(GREY).save(tmp_path / "b.png", dpi=(600, 600))
    assert open_scan(tmp_path / "b.png").scanner_id == ""


def test_serial_number_belongs_to_the_name(tmp_path):
    exif = _exif()
    exif.get_ifd(0x8769)[0xA431] = "BW-0042"
    Image.fromarray(GREY).save(tmp_path / "a.jpg", dpi=(600, 600), exif=exif)
    assert open_scan(tmp_path / "a.jpg").scanner_id == f"{WHO} BW-0042"


@pytest.fixture(scope="module")
def photo():
    frame = PhotoFrame(window_x_mm=60, window_y_mm=50, u_scale=0.0007)
    picture = scan_from_pixels(render(Scene(), frame), pixel_mm=0.1)
    return rectify_photos([picture], frame, pixel_mm=0.1)


def test_a_rectified_photograph_says_how_good_its_scale_is(photo, tmp_path):
    scan = open_scan(photo.write(tmp_path / "r.tif"))
    assert scan.scale_source == "frame"
    assert scan.u_scale == photo.u_scale == photo.scan.u_scale
    scale = settle_scale(scan)
    assert scale.u_relative == (photo.u_scale, photo.u_scale)
    assert "from the photo frame" in scale.summary()


def test_a_resized_copy_or_another_resolution_loses_the_note(photo, tmp_path):
    path = photo.write(tmp_path / "r.tif")
    assert np.isnan(open_scan(path, dpi=254).u_scale)
    text = tifffile.TiffFile(path).pages[0].description
    tifffile.imwrite(tmp_path / "half.tif", GREY, resolution=(127, 127), resolutionunit="INCH", description=text)
    half = open_scan(tmp_path / "half.tif")
    assert np.isnan(half.u_scale)
    assert half.scale_source == "TIFF tag"
    assert settle_scale(half).u_relative == (0.002, 0.002)


@pytest.mark.parametrize(
    "text",
    [
        None,
        "a description",
        '{"kind": "sharpset scale"}',
        '{"kind": "sharpset scale", ',
        json.dumps({"kind": "sharpset scale", "pixel_mm": 0.1, "u_scale": -1}),
        json.dumps({"kind": "sharpset scale", "pixel_mm": "wide", "u_scale": 0.001}),
    ],
)
def test_other_descriptions_are_no_notes(text):
    assert read_note(text) is None


def test_a_note_comes_back():
    note = ScaleNote(pixel_mm=0.0123, u_scale=0.00071)
    assert read_note(write_note(note)) == note


def test_a_resolution_that_is_nearly_a_whole_number_keeps_the_note(tmp_path):
    # 600.993 dpi: tags so near to a whole number pass for it.
    frame = PhotoFrame(window_x_mm=60, window_y_mm=50)
    picture = scan_from_pixels(render(Scene(), frame), pixel_mm=0.1)
    result = rectify_photos([picture], frame, pixel_mm=25.4 / 600.993)
    again = open_scan(result.write(tmp_path / "window.tif"))
    assert again.scale_source == "frame"
    assert again.viewing is not None
    assert not again.viewing.is_linear
    assert again.pixel_mm.x == pytest.approx(25.4 / 600.993, rel=1e-9)


def test_pictures_of_linear_light_are_noted_as_such(tmp_path):
    # As a camera's raw file is developed, 16 bits: no tones of the camera's own.
    encoded = render(Scene(), PhotoFrame(window_x_mm=60, window_y_mm=50)) / 255.0
    light = np.where(encoded <= 0.04045, encoded / 12.92, ((encoded + 0.055) / 1.055) ** 2.4)
    tifffile.imwrite(tmp_path / "raw.tif", np.round(light * 65535).astype(np.uint16))
    frame = PhotoFrame(window_x_mm=60, window_y_mm=50)
    result = rectify_photos([tmp_path / "raw.tif"], frame, pixel_mm=0.1, encoding="linear")
    assert open_scan(result.write(tmp_path / "window.tif")).viewing.is_linear
