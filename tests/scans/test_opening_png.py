"""PNG scans open exactly and are believed in the order of the specification."""

from __future__ import annotations

import io
import struct
import zlib
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image, ImageCms

from sharpset.errors import ScanError
from sharpset.scans.opening import open_scan


def noise(shape: tuple[int, ...], dtype: str = "uint8") -> NDArray[np.generic]:
    return np.random.default_rng(5).integers(0, np.iinfo(dtype).max, shape, dtype=dtype, endpoint=True)


def chunk(name: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))


def with_chunks(png: bytes, *extra: bytes) -> bytes:
    """Insert chunks right after the header chunk."""
    return png[:33] + b"".join(extra) + png[33:]


def grey_png(pixels: NDArray[np.generic] | None = None) -> bytes:
    ok, data = cv2.imencode(".png", noise((20, 30)) if pixels is None else pixels)
    assert ok
    return data.tobytes()


PHYS_1200 = chunk(b"pHYs", struct.pack(">IIB", 47244, 47244, 1))


@pytest.mark.parametrize("dtype", ["uint8", "uint16"])
@pytest.mark.parametrize("channels", [1, 3, 4])
def test_samples_are_exact(tmp_path: Path, dtype: str, channels: int) -> None:
    wanted = noise((23, 31) if channels == 1 else (23, 31, channels), dtype)
    # OpenCV writes blue, green, red (, alpha).
    stored = wanted if channels == 1 else wanted[..., [2, 1, 0, 3][:channels]]
    (tmp_path / "a.png").write_bytes(with_chunks(grey_png(stored), PHYS_1200))
    scan = open_scan(tmp_path / "a.png")
    assert scan.pixels.dtype == np.dtype(dtype)
    np.testing.assert_array_equal(scan.pixels, wanted if channels == 1 else wanted[..., :3])
    assert scan.scale_source == "PNG pHYs"
    assert scan.dpi == pytest.approx((1200, 1200), abs=1e-9)
    assert len(scan.remarks) == (channels == 4)


@pytest.mark.parametrize("bits", [2, 4, 8])
def test_palette_gives_its_colours(tmp_path: Path, bits: int) -> None:
    picture = Image.fromarray(noise((20, 30, 3))).quantize(2**bits - 1)
    picture.save(tmp_path / "a.png", bits=bits, dpi=(600, 600))
    scan = open_scan(tmp_path / "a.png")
    np.testing.assert_array_equal(scan.pixels, np.asarray(picture.convert("RGB")))
    assert scan.dpi == pytest.approx((600, 600), abs=1e-9)


def test_grey_with_transparency(tmp_path: Path) -> None:
    grey = noise((20, 30))
    Image.merge("LA", [Image.fromarray(grey), Image.fromarray(grey[::-1].copy())]).save(tmp_path / "a.png")
    scan = open_scan(tmp_path / "a.png", dpi=1200)
    np.testing.assert_array_equal(scan.pixels, grey)
    assert "transparency" in scan.remarks[0]


def test_interlaced(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    grey = noise((16, 24))
    # Adam7 by hand (PNG specification, section 8.2): seven passes, each row with filter byte 0.
    passes = [(0, 0, 8, 8), (0, 4, 8, 8), (4, 0, 8, 4), (0, 2, 4, 4), (2, 0, 4, 2), (0, 1, 2, 2), (1, 0, 2, 1)]
    raw = b""
    for row, column, row_step, column_step in passes:
        for line in grey[row::row_step, column::column_step]:
            raw += b"\0" + line.tobytes()
    header = chunk(b"IHDR", struct.pack(">IIBBBBB", 24, 16, 8, 0, 0, 0, 1))
    data = b"\x89PNG\r\n\x1a\n" + header + PHYS_1200 + chunk(b"IDAT", zlib.compress(raw)) + chunk(b"IEND", b"")
    (tmp_path / "a.png").write_bytes(data)
    np.testing.assert_array_equal(open_scan(tmp_path / "a.png").pixels, grey)
    assert capsys.readouterr().err == ""


def test_unequal_resolutions_and_quarter_turn(tmp_path: Path) -> None:
    exif = Image.Exif()
    exif[0x0112] = 6
    density = chunk(b"pHYs", struct.pack(">IIB", round(2400 / 0.0254), round(1200 / 0.0254), 1))
    extra = chunk(b"eXIf", exif.tobytes()[6:])
    grey = noise((20, 30))
    (tmp_path / "a.png").write_bytes(with_chunks(grey_png(grey), density, extra))
    scan = open_scan(tmp_path / "a.png")
    assert scan.dpi == pytest.approx((1200, 2400), abs=1e-9)
    np.testing.assert_array_equal(scan.pixels, np.rot90(grey, -1))


def test_resolution_of_no_unit_counts_as_missing(tmp_path: Path) -> None:
    density = chunk(b"pHYs", struct.pack(">IIB", 47244, 47244, 0))
    (tmp_path / "a.png").write_bytes(with_chunks(grey_png(), density))
    with pytest.raises(ScanError, match="says no resolution"):
        open_scan(tmp_path / "a.png")


@pytest.mark.parametrize(
    ("extra", "encoding", "source"),
    [
        ([], "sRGB", "default"),
        ([chunk(b"gAMA", struct.pack(">I", 100_000))], "linear", "tag: PNG gAMA"),
        ([chunk(b"gAMA", struct.pack(">I", 45_455))], "gamma 2.2", "tag: PNG gAMA"),
        ([chunk(b"gAMA", struct.pack(">I", 55_556))], "gamma 1.8", "tag: PNG gAMA"),
        ([chunk(b"gAMA", struct.pack(">I", 45_455)), chunk(b"sRGB", b"\0")], "sRGB", "tag: PNG sRGB"),
        ([chunk(b"cICP", bytes([1, 8, 0, 1])), chunk(b"sRGB", b"\0")], "linear", "tag: PNG cICP"),
    ],
)
def test_encoding_chunks(tmp_path: Path, extra: list[bytes], encoding: str, source: str) -> None:
    (tmp_path / "a.png").write_bytes(with_chunks(grey_png(), PHYS_1200, *extra))
    scan = open_scan(tmp_path / "a.png")
    assert (scan.encoding, scan.encoding_source) == (encoding, source)


def test_embedded_profile_is_believed(tmp_path: Path) -> None:
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    Image.fromarray(noise((20, 30, 3))).save(tmp_path / "a.png", icc_profile=profile, dpi=(1200, 1200))
    scan = open_scan(tmp_path / "a.png")
    assert (scan.encoding, scan.encoding_source) == ("sRGB", "tag: ICC profile")


def test_the_argument_overrules_the_file(tmp_path: Path) -> None:
    (tmp_path / "a.png").write_bytes(with_chunks(grey_png(), PHYS_1200, chunk(b"sRGB", b"\0")))
    scan = open_scan(tmp_path / "a.png", dpi=(600, 300), encoding="Gamma 1.8")
    assert scan.dpi == pytest.approx((600, 300))
    assert (scan.scale_source, scan.encoding, scan.encoding_source) == ("argument", "gamma 1.8", "argument")


@pytest.mark.parametrize("keep", [0.3, 0.6, 0.9, 0.999])
def test_truncated_is_refused(tmp_path: Path, keep: float) -> None:
    data = with_chunks(grey_png(noise((200, 300))), PHYS_1200)
    (tmp_path / "a.png").write_bytes(data[: int(keep * len(data))])
    with pytest.raises(ScanError, match=r"a\.png: the PNG file is truncated"):
        open_scan(tmp_path / "a.png")


def test_damaged_data_are_refused(tmp_path: Path) -> None:
    data = bytearray(with_chunks(grey_png(noise((200, 300))), PHYS_1200))
    data[len(data) // 2] ^= 0xFF
    (tmp_path / "a.png").write_bytes(bytes(data))
    with pytest.raises(ScanError, match=r"a\.png: the picture is damaged"):
        open_scan(tmp_path / "a.png")


def test_black_and_white_only_is_refused(tmp_path: Path) -> None:
    Image.fromarray(noise((20, 30))).convert("1").save(tmp_path / "a.png", dpi=(1200, 1200))
    with pytest.raises(ScanError, match="two levels only"):
        open_scan(tmp_path / "a.png")


def test_animated_is_refused(tmp_path: Path) -> None:
    frames = [Image.fromarray(noise((20, 30))), Image.fromarray(noise((20, 30))[::-1].copy())]
    frames[0].save(tmp_path / "a.png", save_all=True, append_images=frames[1:])
    with pytest.raises(ScanError, match="animated"):
        open_scan(tmp_path / "a.png")


def test_too_large_is_refused_before_it_is_decoded(tmp_path: Path) -> None:
    header = chunk(b"IHDR", struct.pack(">IIBBBBB", 70_000, 40_000, 8, 0, 0, 0, 0))
    data = b"\x89PNG\r\n\x1a\n" + header + chunk(b"IDAT", zlib.compress(b"")) + chunk(b"IEND", b"")
    (tmp_path / "a.png").write_bytes(data)
    with pytest.raises(ScanError, match=r"2\.8 gigapixels, the limit is 2"):
        open_scan(tmp_path / "a.png")


def test_pillow_16_bit_grey(tmp_path: Path) -> None:
    wanted = noise((20, 30), "uint16")
    buffer = io.BytesIO()
    Image.fromarray(wanted).save(buffer, "PNG", dpi=(1200, 1200))
    (tmp_path / "a.png").write_bytes(buffer.getvalue())
    np.testing.assert_array_equal(open_scan(tmp_path / "a.png").pixels, wanted)
