"""TIFF scans open exactly, whatever their storage."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import tifffile
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from PIL import Image

from sharpset.errors import ScanError
from sharpset.scans.opening import open_scan

RESOLUTION = {"resolution": (1200.0, 1200.0), "resolutionunit": "INCH"}


def noise(shape: tuple[int, ...], dtype: str = "uint8", seed: int = 1) -> NDArray[np.generic]:
    rng = np.random.default_rng(seed)
    if dtype == "float32":
        return rng.random(shape, dtype=np.float32)
    return rng.integers(0, np.iinfo(dtype).max, shape, dtype=dtype, endpoint=True)


@pytest.mark.parametrize("dtype", ["uint8", "uint16", "float32"])
@pytest.mark.parametrize(
    "options",
    [
        {},
        {"rowsperstrip": 7},
        {"tile": (32, 32)},
        {"compression": "lzw", "rowsperstrip": 5},
        {"compression": "zlib", "tile": (16, 48)},
        {"compression": "packbits"},
        {"compression": "zlib", "predictor": True},
        {"byteorder": ">"},
        {"byteorder": ">", "compression": "lzw"},
        {"bigtiff": True},
    ],
    ids=str,
)
@pytest.mark.parametrize("colour", [False, True])
def test_every_storage_gives_the_same_samples(
    tmp_path: Path, dtype: str, options: dict[str, object], colour: bool
) -> None:
    wanted = noise((53, 71, 3) if colour else (53, 71), dtype)
    file = tmp_path / "plate.tif"
    options = dict(options)
    bigtiff, byteorder = options.pop("bigtiff", False), options.pop("byteorder", None)
    with tifffile.TiffWriter(file, bigtiff=bool(bigtiff), byteorder=byteorder) as writer:
        writer.write(wanted, photometric="rgb" if colour else "minisblack", **RESOLUTION, **options)
    scan = open_scan(file)
    assert scan.pixels.dtype == np.dtype(dtype)
    assert scan.pixels.dtype.isnative
    np.testing.assert_array_equal(scan.pixels, wanted)
    assert scan.pixel_mm == pytest.approx((25.4 / 1200, 25.4 / 1200))
    assert scan.scale_source == "TIFF tag"
    assert scan.bit_depth == {"uint8": 8, "uint16": 16, "float32": 32}[dtype]


def test_uncompressed_is_mapped_not_read(tmp_path: Path) -> None:
    wanted = noise((60, 40), "uint16")
    tifffile.imwrite(tmp_path / "a.tif", wanted, **RESOLUTION)
    scan = open_scan(tmp_path / "a.tif")
    assert isinstance(scan.stored, np.memmap)
    assert not scan.pixels.flags.writeable
    np.testing.assert_array_equal(scan.pixels, wanted)


def test_compressed_is_not_mapped(tmp_path: Path) -> None:
    tifffile.imwrite(tmp_path / "a.tif", noise((60, 40)), compression="lzw", **RESOLUTION)
    assert not isinstance(open_scan(tmp_path / "a.tif").stored, np.memmap)


@pytest.mark.parametrize("options", [{}, {"compression": "lzw"}, {"tile": (16, 16)}], ids=str)
def test_planes_stored_apart(tmp_path: Path, options: dict[str, object]) -> None:
    wanted = noise((31, 44, 3), "uint16")
    tifffile.imwrite(
        tmp_path / "a.tif",
        np.moveaxis(wanted, -1, 0),
        photometric="rgb",
        planarconfig="separate",
        **RESOLUTION,
        **options,
    )
    scan = open_scan(tmp_path / "a.tif")
    np.testing.assert_array_equal(scan.pixels, wanted)
    np.testing.assert_array_equal(scan.channel("red"), wanted[..., 0])


@pytest.mark.parametrize("dtype", ["uint8", "uint16"])
def test_white_is_zero_is_turned_round(tmp_path: Path, dtype: str) -> None:
    dark_high = noise((20, 30), dtype)
    tifffile.imwrite(tmp_path / "a.tif", dark_high, photometric="miniswhite", **RESOLUTION)
    top = np.iinfo(dtype).max
    np.testing.assert_array_equal(open_scan(tmp_path / "a.tif").pixels, top - dark_high)


def test_jpeg_inside_tiff_is_read_as_colour(tmp_path: Path) -> None:
    flat = np.empty((64, 64, 3), np.uint8)
    flat[:] = (200, 40, 90)
    tifffile.imwrite(tmp_path / "a.tif", flat, photometric="rgb", compression="jpeg", **RESOLUTION)
    # A flat field survives the cosine transform; the colour rotation rounds by 1 or 2 levels.
    np.testing.assert_allclose(open_scan(tmp_path / "a.tif").pixels, flat, atol=2)


def test_palette_gives_its_colours(tmp_path: Path) -> None:
    index = noise((20, 30))
    table = np.random.default_rng(2).integers(0, 256, (3, 256)).astype(np.uint16)
    tifffile.imwrite(tmp_path / "a.tif", index, photometric="palette", colormap=table * 257, **RESOLUTION)
    scan = open_scan(tmp_path / "a.tif")
    np.testing.assert_array_equal(scan.pixels, table.T.astype(np.uint8)[index])


def test_twelve_bits_in_sixteen_are_scaled_by_twelve(tmp_path: Path) -> None:
    wanted = noise((8, 16), "uint16") >> 4
    tifffile.imwrite(tmp_path / "a.tif", wanted, bitspersample=12, **RESOLUTION)
    scan = open_scan(tmp_path / "a.tif", encoding="linear")
    assert scan.bit_depth == 12
    np.testing.assert_allclose(scan.linear(slice(0, 8), slice(0, 16)), wanted / 4095, rtol=1e-6)


def test_four_bits_fill_the_byte(tmp_path: Path) -> None:
    wanted = noise((8, 16)) >> 4
    packed = (wanted[:, ::2] << 4) | wanted[:, 1::2]
    # Written by hand: 4-bit grey, one strip, eight bytes a row.
    entries = [
        (256, 3, 1, 16), (257, 3, 1, 8), (258, 3, 1, 4), (259, 3, 1, 1), (262, 3, 1, 1),
        (273, 4, 1, 8), (277, 3, 1, 1), (278, 3, 1, 8), (279, 4, 1, 64), (296, 3, 1, 2),
    ]  # fmt: skip
    data = b"II*\0" + (8 + 64).to_bytes(4, "little") + packed.astype(np.uint8).tobytes()
    data += len(entries).to_bytes(2, "little")
    for code, kind, count, value in entries:
        data += b"".join(v.to_bytes(n, "little") for v, n in ((code, 2), (kind, 2), (count, 4), (value, 4)))
    (tmp_path / "a.tif").write_bytes(data + bytes(4))
    scan = open_scan(tmp_path / "a.tif", dpi=600)
    np.testing.assert_array_equal(scan.pixels, wanted * 17)


def test_largest_page_is_taken_and_said(tmp_path: Path) -> None:
    small, large = noise((10, 12)), noise((40, 50), seed=3)
    with tifffile.TiffWriter(tmp_path / "a.tif") as writer:
        writer.write(small, **RESOLUTION)
        writer.write(large, resolution=(600.0, 600.0), resolutionunit="INCH")
        writer.write(small, **RESOLUTION)
    scan = open_scan(tmp_path / "a.tif")
    np.testing.assert_array_equal(scan.pixels, large)
    assert scan.pixel_mm.x == pytest.approx(25.4 / 600)
    assert "3 pages" in scan.remarks[0]
    assert "page 2" in scan.remarks[0]


@pytest.mark.parametrize(("varies", "n_remarks"), [(False, 0), (True, 1)])
def test_alpha_is_dropped_with_a_remark_if_it_varies(tmp_path: Path, varies: bool, n_remarks: int) -> None:
    wanted = noise((20, 30, 4), "uint16")
    if not varies:
        wanted[..., 3] = 65535
    tifffile.imwrite(tmp_path / "a.tif", wanted, photometric="rgb", extrasamples=["unassalpha"], **RESOLUTION)
    scan = open_scan(tmp_path / "a.tif")
    np.testing.assert_array_equal(scan.pixels, wanted[..., :3])
    assert len(scan.remarks) == n_remarks


def test_grey_with_alpha(tmp_path: Path) -> None:
    wanted = noise((20, 30, 2))
    tifffile.imwrite(tmp_path / "a.tif", wanted, photometric="minisblack", extrasamples=["unassalpha"],
                     planarconfig="contig", **RESOLUTION)  # fmt: skip
    np.testing.assert_array_equal(open_scan(tmp_path / "a.tif").pixels, wanted[..., 0])


def test_inks_become_colours(tmp_path: Path) -> None:
    inks = np.zeros((4, 4, 4), np.uint8)
    inks[0] = (255, 0, 0, 0)
    inks[1] = (0, 0, 0, 255)
    tifffile.imwrite(tmp_path / "a.tif", inks, photometric="separated", **RESOLUTION)
    scan = open_scan(tmp_path / "a.tif")
    np.testing.assert_array_equal(scan.pixels[:3, 0], [(0, 255, 255), (0, 0, 0), (255, 255, 255)])
    assert "CMYK" in scan.remarks[0]


def test_resolution_per_centimetre_and_unequal(tmp_path: Path) -> None:
    tifffile.imwrite(
        tmp_path / "a.tif", noise((8, 9)), resolution=(2400 / 2.54, 1200 / 2.54), resolutionunit="CENTIMETER"
    )
    scan = open_scan(tmp_path / "a.tif")
    assert scan.pixel_mm == pytest.approx((25.4 / 2400, 25.4 / 1200))
    assert scan.dpi == pytest.approx((2400, 1200))


def test_quarter_turn_swaps_the_resolutions(tmp_path: Path) -> None:
    tifffile.imwrite(
        tmp_path / "a.tif",
        noise((8, 9)),
        resolution=(2400.0, 1200.0),
        resolutionunit="INCH",
        extratags=[(274, 3, 1, 6, True)],
    )
    scan = open_scan(tmp_path / "a.tif")
    assert scan.pixels.shape == (9, 8)
    assert scan.dpi == pytest.approx((1200, 2400))


def test_pillow_tiff_with_its_directory_at_the_end(tmp_path: Path) -> None:
    wanted = noise((40, 50, 3))
    Image.fromarray(wanted).save(tmp_path / "a.tif", compression="tiff_deflate", dpi=(1200, 1200))
    np.testing.assert_array_equal(open_scan(tmp_path / "a.tif").pixels, wanted)


@settings(max_examples=60, deadline=None)
@given(
    orientation=st.integers(1, 8),
    dtype=st.sampled_from(["uint8", "uint16", "float32"]),
    channels=st.sampled_from([1, 3, 4]),
    planar=st.booleans(),
    compression=st.sampled_from([None, "lzw", "zlib"]),
    shape=st.tuples(st.integers(1, 33), st.integers(1, 41)),
)
def test_any_orientation_type_and_channels(
    tmp_path_factory: pytest.TempPathFactory,
    orientation: int,
    dtype: str,
    channels: int,
    planar: bool,
    compression: str | None,
    shape: tuple[int, int],
) -> None:
    stored = noise(shape if channels == 1 else (*shape, channels), dtype)
    file = tmp_path_factory.mktemp("turns") / "a.tif"
    planes = {"planarconfig": "separate" if planar else "contig"} if channels > 1 else {}
    tifffile.imwrite(
        file,
        np.moveaxis(stored, -1, 0) if channels > 1 and planar else stored,
        photometric="rgb" if channels > 1 else "minisblack",
        extrasamples=["unassalpha"] if channels == 4 else None,
        compression=compression,
        extratags=[(274, 3, 1, orientation, True)],
        **planes,
        **RESOLUTION,
    )
    # TIFF 6.0, Orientation: where row 0 and column 0 of the stored picture are seen.
    turns = {
        1: lambda a: a,
        2: np.fliplr,
        3: lambda a: np.rot90(a, 2),
        4: np.flipud,
        5: lambda a: np.rot90(np.fliplr(a), 1),
        6: lambda a: np.rot90(a, -1),
        7: lambda a: np.rot90(np.fliplr(a), -1),
        8: lambda a: np.rot90(a, 1),
    }
    wanted = turns[orientation](stored[..., :3] if channels > 1 else stored)
    scan = open_scan(file)
    np.testing.assert_array_equal(scan.pixels, wanted)
    assert np.shares_memory(scan.pixels, scan.stored)
    np.testing.assert_array_equal(scan.channel(), wanted if channels == 1 else wanted[..., 1])


def test_signed_samples_are_refused(tmp_path: Path) -> None:
    tifffile.imwrite(tmp_path / "a.tif", np.zeros((8, 8), np.int16), **RESOLUTION)
    with pytest.raises(ScanError, match=r"a\.tif: samples of type int16"):
        open_scan(tmp_path / "a.tif")


@pytest.mark.parametrize(("value", "text"), [(255.0, "run from 0 to 255"), (np.nan, "no numbers")])
def test_floats_outside_their_range_are_refused(tmp_path: Path, value: float, text: str) -> None:
    pixels = np.zeros((8, 8), np.float32)
    pixels[3, 4] = value
    tifffile.imwrite(tmp_path / "a.tif", pixels, **RESOLUTION)
    with pytest.raises(ScanError, match=text):
        open_scan(tmp_path / "a.tif")
