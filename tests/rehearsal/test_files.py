"""Scans as files, read back by other libraries."""

from __future__ import annotations

import warnings

import cv2
import numpy as np
import pytest
import tifffile
from PIL import Image, ImageOps

from sharpset.errors import RehearsalError
from sharpset.rehearsal import CLEAN, Scan, Scanner, scan_pieces, write_scan
from sharpset.rehearsal.files import stored_for_orientation


@pytest.fixture(scope="module")
def scans(filament_print) -> dict[tuple[int, str], Scan]:
    return {
        (bits, colour): scan_pieces(
            filament_print, scanner=Scanner(dpi=150, bits=bits, colour=colour), scene=CLEAN, seed=1
        )
        for bits in (8, 16)
        for colour in ("grey", "rgb")
    }


@pytest.mark.parametrize("suffix", [".png", ".tif"])
@pytest.mark.parametrize("bits", [8, 16])
@pytest.mark.parametrize("colour", ["grey", "rgb"])
def test_lossless_files_hold_every_pixel_and_the_resolution(tmp_path, scans, suffix, bits, colour):
    scan = scans[bits, colour]
    path = write_scan(scan, tmp_path / f"scan{suffix}")
    back = cv2.imread(str(path), cv2.IMREAD_UNCHANGED)
    back = back[:, :, ::-1] if back.ndim == 3 else back
    assert back.dtype == scan.image.dtype
    assert np.array_equal(back, scan.image)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        with Image.open(path) as picture:
            # PNG counts whole pixels per metre.
            assert picture.info["dpi"][0] == pytest.approx(150, abs=0.02)


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("suffix", [".jpg", ".tif"])
def test_viewers_that_obey_the_tag_show_the_scan_upright(tmp_path, scans, orientation, suffix):
    scan = scans[8, "grey"]
    path = write_scan(scan, tmp_path / f"turned{suffix}", orientation=orientation, quality=100)
    with Image.open(path) as picture:
        assert picture.getexif()[274] == orientation
        shown = np.asarray(ImageOps.exif_transpose(picture), dtype=int)
    assert shown.shape == scan.image.shape
    # JPEG at quality 100 is within a few grey levels, TIFF exact.
    assert np.abs(shown - scan.image.astype(int)).max() <= (0 if suffix == ".tif" else 4)


def test_tiff_without_resolution_has_none(tmp_path, scans):
    path = write_scan(scans[8, "grey"], tmp_path / "bare.tif", dpi_tag=None, compression=None)
    with tifffile.TiffFile(path) as file:
        assert file.pages[0].tags["ResolutionUnit"].value == 1
    path = write_scan(scans[8, "grey"], tmp_path / "bare.png", dpi_tag=None)
    with Image.open(path) as picture:
        assert "dpi" not in picture.info
    path = write_scan(scans[8, "grey"], tmp_path / "other.jpg", dpi_tag=600)
    with Image.open(path) as picture:
        assert picture.info["dpi"] == (600, 600)


def test_files_say_that_they_are_invented(tmp_path, scans):
    with Image.open(write_scan(scans[8, "grey"], tmp_path / "a.jpg")) as picture:
        assert "INVENTED" in picture.getexif()[270]
    with Image.open(write_scan(scans[8, "grey"], tmp_path / "a.png")) as picture:
        assert "INVENTED" in picture.info["Comment"]
    with tifffile.TiffFile(write_scan(scans[8, "grey"], tmp_path / "a.tif")) as file:
        assert "INVENTED" in file.pages[0].description


def test_files_say_how_values_stand_for_light(tmp_path, filament_print, scans):
    with Image.open(write_scan(scans[8, "grey"], tmp_path / "s.png")) as picture:
        assert picture.info["srgb"] == 0
    with Image.open(write_scan(scans[8, "grey"], tmp_path / "s.jpg")) as picture:
        assert picture.getexif().get_ifd(0x8769)[0xA001] == 1
    with Image.open(write_scan(scans[8, "grey"], tmp_path / "n.jpg", colour_tag=False)) as picture:
        assert 0xA001 not in picture.getexif().get_ifd(0x8769)
    linear = scan_pieces(filament_print, scanner=Scanner(dpi=150, encoding="linear"), scene=CLEAN)
    with Image.open(write_scan(linear, tmp_path / "l.png")) as picture:
        assert picture.info["gamma"] == 1.0
        assert "srgb" not in picture.info
    with Image.open(write_scan(linear, tmp_path / "l.png", colour_tag=False)) as picture:
        assert "gamma" not in picture.info and "srgb" not in picture.info


def test_wrong_files_are_told(tmp_path, scans):
    with pytest.raises(RehearsalError, match=r"a scan is written as .png, .jpg, .jpeg, .tif, .tiff, got '.bmp'"):
        write_scan(scans[8, "grey"], tmp_path / "a.bmp")
    with pytest.raises(RehearsalError, match="JPEG holds 8 bits, the scan has 16"):
        write_scan(scans[16, "grey"], tmp_path / "a.jpg")
    with pytest.raises(RehearsalError, match="PNG files carry no orientation tag"):
        write_scan(scans[8, "grey"], tmp_path / "a.png", orientation=6)
    with pytest.raises(RehearsalError, match="orientation must be 1 to 8, got 9"):
        stored_for_orientation(np.zeros((2, 3)), 9)
