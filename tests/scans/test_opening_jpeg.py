"""JPEG scans open as other decoders read them; broken ones are refused."""

from __future__ import annotations

import io
import struct
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image, ImageOps

from sharpset.errors import ScanError
from sharpset.scans.opening import open_scan


def picture(mode: str = "RGB") -> Image.Image:
    rng = np.random.default_rng(9)
    coarse = Image.fromarray(rng.integers(0, 255, (8, 11, 3), dtype=np.uint8))
    return coarse.resize((88, 64), Image.Resampling.BICUBIC).convert(mode)


def jpeg(image: Image.Image, **options: object) -> bytes:
    buffer = io.BytesIO()
    image.save(buffer, "JPEG", quality=92, **options)  # type: ignore[arg-type]
    return buffer.getvalue()


def put(folder: Path, data: bytes) -> Path:
    (folder / "a.jpg").write_bytes(data)
    return folder / "a.jpg"


def reference(data: bytes) -> NDArray[np.uint8]:
    return np.asarray(ImageOps.exif_transpose(Image.open(io.BytesIO(data))))


@pytest.mark.parametrize("mode", ["L", "RGB"])
@pytest.mark.parametrize("options", [{}, {"progressive": True}, {"subsampling": 0}], ids=str)
def test_samples_as_another_reader_gives_them(tmp_path: Path, mode: str, options: dict[str, object]) -> None:
    data = jpeg(picture(mode), dpi=(1200, 1200), **options)
    scan = open_scan(put(tmp_path, data))
    # Two builds of one library may differ by a level in the inverse transform.
    np.testing.assert_allclose(scan.pixels.astype(int), reference(data).astype(int), atol=1)
    assert scan.dpi == pytest.approx((1200, 1200))
    assert (scan.scale_source, scan.bit_depth) == ("JPEG density", 8)


def test_four_inks(tmp_path: Path) -> None:
    image = Image.new("CMYK", (32, 32), (0, 255, 255, 0))
    image.paste((0, 0, 0, 255), (16, 0, 32, 32))
    scan = open_scan(put(tmp_path, jpeg(image, dpi=(600, 600))))
    assert scan.pixels.shape == (32, 32, 3)
    np.testing.assert_allclose(scan.pixels[8, 4], (255, 0, 0), atol=4)  # quantised by the codec
    np.testing.assert_allclose(scan.pixels[8, 28], (0, 0, 0), atol=4)
    assert "CMYK" in scan.remarks[0]


@pytest.mark.parametrize("orientation", range(1, 9))
def test_orientation(tmp_path: Path, orientation: int) -> None:
    exif = Image.Exif()
    exif[0x0112] = orientation
    data = jpeg(picture(), exif=exif, dpi=(1200, 600))
    scan = open_scan(put(tmp_path, data))
    np.testing.assert_allclose(scan.pixels.astype(int), reference(data).astype(int), atol=1)
    assert scan.dpi == pytest.approx((1200, 600) if orientation < 5 else (600, 1200))


def with_density(data: bytes, unit: int, x: int, y: int) -> bytes:
    at = data.find(b"JFIF\0") + 7
    return data[:at] + struct.pack(">BHH", unit, x, y) + data[at + 5 :]


@pytest.mark.parametrize(
    ("per_cm", "dpi"),
    [((472, 472), (1200, 1200)), ((945, 472), (2400, 1200)), ((500, 500), (1270, 1270))],
)
def test_density_per_centimetre(tmp_path: Path, per_cm: tuple[int, int], dpi: tuple[int, int]) -> None:
    scan = open_scan(put(tmp_path, with_density(jpeg(picture()), 2, *per_cm)))
    assert scan.dpi == pytest.approx(dpi)


@pytest.mark.parametrize(("unit", "x", "y"), [(0, 1200, 1200), (1, 0, 0)])
def test_density_of_no_unit_counts_as_missing(tmp_path: Path, unit: int, x: int, y: int) -> None:
    with pytest.raises(ScanError, match="says no resolution"):
        open_scan(put(tmp_path, with_density(jpeg(picture()), unit, x, y)))


@pytest.mark.parametrize("dpi", [1, 72, 96])
def test_program_defaults_are_no_scan_resolution(tmp_path: Path, dpi: int) -> None:
    file = put(tmp_path, with_density(jpeg(picture()), 1, dpi, dpi))
    with pytest.raises(ScanError, match=rf"JPEG density {dpi} dpi\) is not a scan resolution.*--dpi"):
        open_scan(file)
    assert open_scan(file, dpi=1200).pixel_mm.x == pytest.approx(25.4 / 1200)
    without = open_scan(file, need_scale=False)
    assert np.isnan(without.pixel_mm.x)
    assert without.scale_source == "none"


def test_exif_resolution_where_the_density_is_a_default(tmp_path: Path) -> None:
    exif = Image.Exif()
    exif[0x011A], exif[0x011B], exif[0x0128] = 1200.0, 1200.0, 2
    scan = open_scan(put(tmp_path, with_density(jpeg(picture(), exif=exif), 1, 72, 72)))
    assert scan.scale_source == "EXIF"
    assert scan.dpi == pytest.approx((1200, 1200))


def test_a_camera_tells_no_size(tmp_path: Path) -> None:
    exif = Image.Exif()
    exif.get_ifd(0x8769)[0x920A] = 50.0
    with pytest.raises(ScanError, match="camera"):
        open_scan(put(tmp_path, jpeg(picture(), exif=exif, dpi=(300, 300))))


@pytest.mark.parametrize(("space", "source"), [(1, "tag: EXIF colour space"), (65535, "default")])
def test_colour_space(tmp_path: Path, space: int, source: str) -> None:
    exif = Image.Exif()
    exif.get_ifd(0x8769)[0xA001] = space
    scan = open_scan(put(tmp_path, jpeg(picture(), exif=exif, dpi=(1200, 1200))))
    assert (scan.encoding, scan.encoding_source) == ("sRGB", source)


@pytest.mark.parametrize("progressive", [False, True])
@pytest.mark.parametrize("keep", [0.02, 0.2, 0.5, 0.9, 0.999])
def test_truncated_is_refused_not_filled_with_grey(tmp_path: Path, keep: float, progressive: bool) -> None:
    data = jpeg(picture(), dpi=(1200, 1200), progressive=progressive)
    with pytest.raises(ScanError, match=r"a\.jpg: .*truncated"):
        open_scan(put(tmp_path, data[: int(keep * len(data))]))


def test_truncated_with_a_whole_thumbnail_inside(tmp_path: Path) -> None:
    # The thumbnail in the EXIF block has an end marker of its own, which must not pass for that of the picture.
    thumbnail = jpeg(picture().resize((32, 24)))
    body = b"Exif\0\0II*\0\x08\0\0\0\0\0\0\0\0\0" + thumbnail
    data = jpeg(picture(), dpi=(1200, 1200))
    data = data[:2] + b"\xff\xe1" + struct.pack(">H", len(body) + 2) + body + data[2:]
    assert open_scan(put(tmp_path, data)).pixels.shape == (64, 88, 3)
    with pytest.raises(ScanError, match="truncated"):
        open_scan(put(tmp_path, data[:-40]))


def test_steps_of_rounding_are_those_of_the_files_first_table(tmp_path):
    data = jpeg(picture())
    # Another library's reading of the same table, rows after one another.
    table = np.array(Image.open(io.BytesIO(data)).quantization[0]).reshape(8, 8)
    assert open_scan(put(tmp_path, data), dpi=600).steps == tuple((table[0] + table[:, 0]) / 2)
