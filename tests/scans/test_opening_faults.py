"""Files that are no scan are refused in one line that says what to do."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import tifffile
from PIL import Image

from sharpset.errors import ScanError
from sharpset.scans.opening import open_scan

GREY = np.random.default_rng(4).integers(0, 255, (120, 160), dtype=np.uint8)


def refused(path: Path, **options: object) -> str:
    with pytest.raises(ScanError) as caught:
        open_scan(path, **options)  # type: ignore[arg-type]
    text = str(caught.value)
    assert "\n" not in text
    assert text.startswith(str(path)) or options
    return text


def test_missing(tmp_path: Path) -> None:
    assert "no such file" in refused(tmp_path / "none.tif")


def test_folder(tmp_path: Path) -> None:
    assert "folder" in refused(tmp_path)


def test_empty(tmp_path: Path) -> None:
    (tmp_path / "a.tif").touch()
    assert "empty" in refused(tmp_path / "a.tif")


@pytest.mark.parametrize(
    ("content", "text"),
    [
        (b"%PDF-1.7\n%....", "PDF"),
        (b"name,width\nslot,0.2\n", "not a picture"),
        (b"\0\0\0\x18ftypheic\0\0\0\0mif1heic", "HEIC"),
        (b"GIF89a\x01\0\x01\0", "GIF"),
        (b"BM\x36\0\0\0", "BMP"),
        (b"RIFF\x24\0\0\0WEBPVP8 ", "WebP"),
        (b"\0\0\0\x18ftypisom", "film"),
        (b"II*\0\x10\0\0\0CR\x02\0", "raw camera file"),
        (b"\xff", "not a picture"),
        (b"II*\0", "truncated or damaged"),
        (b"\x89PNG\r\n\x1a\n", "truncated"),
        (b"\xff\xd8\xff\xe0", "truncated"),
    ],
)
def test_other_kinds(tmp_path: Path, content: bytes, text: str) -> None:
    (tmp_path / "a.tif").write_bytes(content)
    assert text in refused(tmp_path / "a.tif")


@pytest.mark.parametrize("compression", [None, "lzw", "zlib", "packbits"])
@pytest.mark.parametrize("keep", [0.1, 0.5, 0.9, 0.99])
def test_truncated_tiff(
    tmp_path: Path, compression: str | None, keep: float, capfd: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "a.tif"
    tifffile.imwrite(
        file, GREY, compression=compression, rowsperstrip=16, resolution=(1200, 1200), resolutionunit="INCH"
    )
    data = file.read_bytes()
    file.write_bytes(data[: int(keep * len(data))])
    assert "truncated" in refused(file)
    assert capfd.readouterr().err == ""


@pytest.mark.parametrize("keep", [0.1, 0.5, 0.9])
def test_truncated_tiff_with_its_directory_at_the_end(tmp_path: Path, keep: float) -> None:
    file = tmp_path / "a.tif"
    Image.fromarray(GREY).save(file, compression="tiff_lzw", dpi=(1200, 1200))
    data = file.read_bytes()
    file.write_bytes(data[: int(keep * len(data))])
    assert "truncated" in refused(file)


def test_damaged_tiff(tmp_path: Path) -> None:
    file = tmp_path / "a.tif"
    tifffile.imwrite(file, GREY, compression="zlib", resolution=(1200, 1200), resolutionunit="INCH")
    data = bytearray(file.read_bytes())
    data[len(data) // 2 : len(data) // 2 + 400] = bytes(400)
    file.write_bytes(bytes(data))
    assert "damaged" in refused(file)


def test_black_and_white_only(tmp_path: Path) -> None:
    Image.fromarray(GREY).convert("1").save(tmp_path / "a.tif", compression="group4", dpi=(1200, 1200))
    assert "two levels only" in refused(tmp_path / "a.tif")


def test_raw_camera_file(tmp_path: Path) -> None:
    file = tmp_path / "a.tif"
    tifffile.imwrite(file, GREY, extratags=[(50706, 1, 4, bytes([1, 4, 0, 0]), True)])
    assert "DNG" in refused(file)


def test_lab_colours(tmp_path: Path) -> None:
    tifffile.imwrite(tmp_path / "a.tif", np.zeros((8, 8, 3), np.uint8), photometric="cielab")
    assert "CIELAB" in refused(tmp_path / "a.tif")


@pytest.mark.parametrize("dpi", [1.0, 72.0, 96.0])
def test_no_scan_resolution(tmp_path: Path, dpi: float) -> None:
    file = tmp_path / "a.tif"
    tifffile.imwrite(file, GREY, resolution=(dpi, dpi), resolutionunit="INCH")
    text = refused(file)
    assert f"TIFF tag {dpi:g} dpi" in text
    assert "--dpi" in text
    assert open_scan(file, dpi=1200).scale_source == "argument"


@pytest.mark.parametrize("unit", ["NONE", None])
def test_no_unit_of_resolution(tmp_path: Path, unit: str | None) -> None:
    file = tmp_path / "a.tif"
    options = {} if unit is None else {"resolution": (1200.0, 1200.0), "resolutionunit": unit}
    tifffile.imwrite(file, GREY, **options)
    assert "says no resolution" in refused(file)


@pytest.mark.parametrize("dpi", [0.0, -600.0, float("nan"), float("inf"), 1e6])
def test_impossible_dpi_argument(tmp_path: Path, dpi: float) -> None:
    assert refused(tmp_path / "a.tif", dpi=dpi).startswith("dpi: ")


@pytest.mark.parametrize("encoding", ["rgb", "gamma", "gamma x", "gamma 9"])
def test_unknown_encoding(tmp_path: Path, encoding: str) -> None:
    text = refused(tmp_path / "a.tif", encoding=encoding)
    assert text.startswith("encoding: ")


def test_part_never_written(tmp_path: Path) -> None:
    file = tmp_path / "a.tif"
    tifffile.imwrite(file, GREY, compression="zlib", tile=(16, 16))
    with tifffile.TiffFile(file, mode="r+") as opened:
        counts = list(opened.pages[0].tags["TileByteCounts"].value)
        counts[5] = 0
        opened.pages[0].tags["TileByteCounts"].overwrite(counts)
    assert "never written" in refused(file)
