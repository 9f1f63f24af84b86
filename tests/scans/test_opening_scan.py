"""Crops, channels and reduced pictures of an opened scan."""

from __future__ import annotations

import hashlib
from concurrent.futures import wait
from pathlib import Path

import imagecodecs
import numpy as np
import pytest
import tifffile
from hypothesis import given, settings
from hypothesis import strategies as st

from sharpset.errors import ScanError
from sharpset.scans import opening
from sharpset.scans.encoding import LINEAR, SRGB, gamma_curve
from sharpset.scans.opening import PixelSize, Scan, begin_opening, open_scan, scan_from_pixels


def srgb_by_the_book(value: float) -> float:
    return value / 12.92 if value <= 0.04045 else ((value + 0.055) / 1.055) ** 2.4


@pytest.mark.parametrize(("dtype", "top"), [("uint8", 255), ("uint16", 65535)])
def test_crop_in_linear_light(dtype: str, top: int) -> None:
    pixels = np.random.default_rng(0).integers(0, top, (30, 40), dtype=dtype, endpoint=True)
    scan = scan_from_pixels(pixels, pixel_mm=0.02)
    crop = scan.linear(slice(5, 9), slice(10, 17))
    assert crop.dtype == np.float32
    wanted = [[srgb_by_the_book(int(v) / top) for v in row] for row in pixels[5:9, 10:17]]
    np.testing.assert_allclose(crop, wanted, rtol=3e-7)  # float32


def test_crop_of_floats_is_as_stored() -> None:
    pixels = np.random.default_rng(0).random((30, 40), dtype=np.float32)
    scan = scan_from_pixels(pixels, pixel_mm=0.02, encoding=LINEAR)
    np.testing.assert_array_equal(scan.linear(slice(None), slice(3, 8)), pixels[:, 3:8])


def test_green_is_the_default_channel() -> None:
    pixels = np.random.default_rng(0).integers(0, 255, (30, 40, 3), dtype=np.uint8)
    scan = scan_from_pixels(pixels, pixel_mm=0.02)
    np.testing.assert_array_equal(scan.channel(), pixels[..., 1])
    np.testing.assert_array_equal(scan.channel("blue"), pixels[..., 2])
    np.testing.assert_array_equal(scan.channel(0), pixels[..., 0])
    assert np.shares_memory(scan.channel("red"), pixels)
    with pytest.raises(ScanError, match="channel 'violet'"):
        scan.channel("violet")
    with pytest.raises(ScanError, match="channel 3"):
        scan.channel(3)


@pytest.mark.parametrize("rows", [slice(-2, 5), slice(25, 31), slice(7, 7)])
def test_crop_outside_is_refused(rows: slice) -> None:
    scan = scan_from_pixels(np.zeros((30, 40), np.uint8), pixel_mm=0.02)
    with pytest.raises(ScanError, match=r"rows .* outside the picture, which has 30"):
        scan.linear(rows, slice(0, 4))


@settings(max_examples=80, deadline=None)
@given(
    orientation=st.integers(1, 8),
    colour=st.booleans(),
    factor=st.integers(1, 5),
    shape=st.tuples(st.integers(5, 40), st.integers(5, 40)),
    dtype=st.sampled_from(["uint8", "uint16", "float32"]),
)
def test_reduced_is_the_mean_over_squares(
    orientation: int, colour: bool, factor: int, shape: tuple[int, int], dtype: str
) -> None:
    rng = np.random.default_rng(3)
    full = (*shape, 3) if colour else shape
    stored = rng.random(full, dtype=np.float32) if dtype == "float32" else rng.integers(0, 255, full).astype(dtype)
    scan = Scan(
        path=Path("a"), scan_id="a", stored=stored, orientation=orientation,
        pixel_mm=PixelSize(1, 1), scale_source="argument",
        bit_depth={"uint8": 8, "uint16": 16, "float32": 32}[dtype],
    )  # fmt: skip
    plane = scan.channel().astype(float)
    rows, columns = plane.shape[0] // factor, plane.shape[1] // factor
    wanted = plane[: rows * factor, : columns * factor].reshape(rows, factor, columns, factor).mean(axis=(1, 3))
    small = scan.reduced(factor)
    assert small.dtype == stored.dtype
    # Integers are rounded to the nearest (half a level) at every halving, floats to single precision.
    levels = 1.0 if factor == 4 else 0.5
    np.testing.assert_allclose(small, wanted, atol=1e-6 if dtype == "float32" else levels + 1e-6)


def test_reduced_with_alpha_dropped(tmp_path: Path) -> None:
    pixels = np.random.default_rng(0).integers(0, 255, (40, 30, 4), dtype=np.uint8)
    file = tmp_path / "a.tif"
    tifffile.imwrite(file, pixels, photometric="rgb", extrasamples=["unassalpha"])
    small = open_scan(file, dpi=1200).reduced(10, "blue")
    wanted = pixels[..., 2].reshape(4, 10, 3, 10).mean(axis=(1, 3))
    np.testing.assert_allclose(small, wanted, atol=1.0 + 1e-6)  # rounded to whole levels, twice


@pytest.mark.parametrize("ending", [".png", ".tif"])
def test_large_files_are_whole(tmp_path: Path, ending: str) -> None:
    # Above 4 MiB pages of the file are handed back while it is decoded, and the id takes samples of it.
    pixels = np.random.default_rng(0).integers(0, 255, (2400, 2200), dtype=np.uint8)
    file = tmp_path / f"a{ending}"
    imagecodecs.imwrite(file, pixels) if ending == ".png" else tifffile.imwrite(file, pixels, compression="zlib")
    scan = open_scan(file, dpi=1200)
    assert file.stat().st_size > 4 * 2**20
    np.testing.assert_array_equal(scan.pixels, pixels)
    assert len(scan.scan_id) == len("a-12345678")


def test_reduced_too_far_is_refused() -> None:
    scan = scan_from_pixels(np.zeros((30, 40), np.uint8), pixel_mm=0.02)
    with pytest.raises(ScanError, match="cannot be reduced 31 times"):
        scan.reduced(31)


def test_file_digest_and_id(tmp_path: Path) -> None:
    file = tmp_path / "plate 1.tif"
    pixels = np.zeros((30, 40), np.uint8)
    tifffile.imwrite(file, pixels, resolution=(1200, 1200), resolutionunit="INCH")
    scan = open_scan(file)
    assert scan.sha256 == hashlib.sha256(file.read_bytes()).hexdigest()
    assert scan.scan_id.startswith("plate 1-")
    pixels[3, 3] = 1
    tifffile.imwrite(tmp_path / "other.tif", pixels, resolution=(1200, 1200), resolutionunit="INCH")
    other = open_scan(tmp_path / "other.tif")
    assert other.scan_id.rsplit("-", 1)[1] != scan.scan_id.rsplit("-", 1)[1]
    (tmp_path / "copy.tif").write_bytes(file.read_bytes())
    assert open_scan(tmp_path / "copy.tif").scan_id.rsplit("-", 1)[1] == scan.scan_id.rsplit("-", 1)[1]


def test_digest_of_pixels_without_a_file() -> None:
    pixels = np.arange(12, dtype=np.uint8).reshape(3, 4)
    scan = scan_from_pixels(pixels, pixel_mm=0.02, name="no such file.png")
    assert scan.sha256 == hashlib.sha256(bytes(range(12))).hexdigest()


def test_digest_of_a_file_that_went_away(tmp_path: Path) -> None:
    file = tmp_path / "a.tif"
    tifffile.imwrite(
        file, np.zeros((8, 8), np.uint8), compression="zlib", resolution=(1200, 1200), resolutionunit="INCH"
    )
    scan = open_scan(file)
    file.unlink()
    with pytest.raises(ScanError, match="Put the file back"):
        _ = scan.sha256


def test_what_it_says_of_itself(tmp_path: Path) -> None:
    scan = scan_from_pixels(np.zeros((30, 40, 3), np.uint16), pixel_mm=PixelSize(25.4 / 1200, 25.4 / 600), name="a.tif")
    text = scan.summary()
    for part in ("40 x 30 pixels", "RGB", "16 bit", "1200 x 600 dpi", "sRGB"):
        assert part in text
    frame = scan.to_frame()
    assert frame.loc[0, "n_columns"] == 40
    assert frame.loc[0, "pixel_y_mm"] == pytest.approx(25.4 / 600)
    assert "1200 x 600 dpi" in scan._repr_html_()


def test_pixels_that_are_no_picture() -> None:
    with pytest.raises(ScanError, match="int64"):
        scan_from_pixels(np.zeros((3, 3), np.int64), pixel_mm=0.02)


def test_full_scale_is_full_light() -> None:
    for curve in (SRGB, LINEAR, gamma_curve(2.2)):
        for bits in (8, 12, 16):
            table = curve.table(bits)
            assert table.shape == (2**bits,)
            assert (table[0], table[-1]) == (0.0, 1.0)
            assert (np.diff(table) > 0).all()


def test_a_picture_opened_in_the_background_is_the_same_and_so_is_what_is_wrong_with_it(tmp_path: Path) -> None:
    pixels = np.random.default_rng(0).integers(0, 255, (30, 40), dtype=np.uint8)
    good, bad = tmp_path / "good.png", tmp_path / "bad.png"
    good.write_bytes(imagecodecs.png_encode(pixels))
    bad.write_bytes(good.read_bytes()[:-40])
    begin_opening(good, dpi=1200)
    # It was not begun so.
    assert open_scan(good, dpi=600).pixel_mm.x == pytest.approx(25.4 / 600)
    # Other tests may have left some that nobody fetched.
    assert not wait(opening._begun.values(), timeout=60).not_done
    good.unlink()
    np.testing.assert_array_equal(open_scan(good, dpi=1200).stored, pixels)
    with pytest.raises(ScanError, match="no such file"):
        open_scan(good, dpi=1200)
    begin_opening(bad, dpi=1200)
    with pytest.raises(ScanError, match="truncated"):
        open_scan(bad, dpi=1200)
