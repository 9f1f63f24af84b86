"""Transfer curves from names, samples and ICC profiles."""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np
import pytest
import tifffile
from PIL import Image, ImageCms

from sharpset.errors import ScanError
from sharpset.scans.encoding import LINEAR, SRGB, curve_from_icc, curve_from_samples, gamma_curve, parse_encoding
from sharpset.scans.opening import open_scan


def profile(tag: bytes, curve: bytes) -> bytes:
    """The smallest ICC profile with one curve: header, table of one tag, its data."""
    body = struct.pack(">I", 1) + tag + struct.pack(">II", 144, len(curve)) + curve
    header = bytearray(128)
    header[:4] = struct.pack(">I", 128 + len(body))
    header[36:40] = b"acsp"
    return bytes(header) + body


def parametric(kind: int, *numbers: float) -> bytes:
    fixed = [round(number * 65536) for number in numbers]
    return b"para" + bytes(4) + struct.pack(">HH", kind, 0) + struct.pack(f">{len(fixed)}i", *fixed)


SRGB_NUMBERS = (2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045)


@pytest.mark.parametrize(
    ("curve", "name"),
    [
        (b"curv" + bytes(8), "linear"),
        (b"curv" + bytes(4) + struct.pack(">IH", 1, round(2.2 * 256)), "gamma 2.199"),
        (b"curv" + bytes(4) + struct.pack(">I4H", 4, 0, 21845, 43690, 65535), "linear"),
        (parametric(0, 1.8), "gamma 1.8"),
        (parametric(3, *SRGB_NUMBERS), "sRGB"),
        (parametric(4, *SRGB_NUMBERS, 0.0, 0.0), "sRGB"),
        (parametric(1, 2.2, 1.0, 0.0), "gamma 2.2"),
    ],
)
@pytest.mark.parametrize("tag", [b"gTRC", b"kTRC"])
def test_icc_curves(curve: bytes, name: str, tag: bytes) -> None:
    found = curve_from_icc(profile(tag, curve))
    assert found is not None
    assert found.name == name


@pytest.mark.parametrize("n", [17, 256, 1024, 4096])
def test_icc_table_of_srgb(n: int) -> None:
    x = np.linspace(0, 1, n)
    values = np.where(x <= 0.04045, x / 12.92, ((x + 0.055) / 1.055) ** 2.4)
    table = b"curv" + bytes(4) + struct.pack(f">I{n}H", n, *np.round(values * 65535).astype(int))
    found = curve_from_icc(profile(b"gTRC", table))
    assert found is not None
    assert found.name == "sRGB"


def test_icc_curve_with_offset_by_hand() -> None:
    # type 2: Y = (a X + b)^g + c above -b/a, c below
    found = curve_from_icc(profile(b"kTRC", parametric(2, 3.0, 0.8, 0.1, 0.05)))
    assert found is not None
    assert found.name == "curve"
    x = np.array([0.0, 0.3, 1.0])
    # 16.16 fixed-point numbers and interpolation between 4097 samples
    np.testing.assert_allclose(found.decode(x), (0.8 * x + 0.1) ** 3 + 0.05, atol=5e-5)


@pytest.mark.parametrize(
    "data", [b"", bytes(200), profile(b"A2B0", bytes(40)), profile(b"gTRC", b"curv"), profile(b"kTRC", parametric(0))]
)
def test_damaged_profiles_say_nothing(data: bytes) -> None:
    assert curve_from_icc(data) is None


def test_real_profile_of_another_library() -> None:
    found = curve_from_icc(ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes())
    assert found == SRGB


def test_profile_in_a_tiff(tmp_path: Path) -> None:
    data = profile(b"kTRC", parametric(0, 1.8))
    Image.fromarray(np.zeros((8, 8), np.uint8)).save(tmp_path / "a.tif", icc_profile=data, dpi=(1200, 1200))
    scan = open_scan(tmp_path / "a.tif")
    assert (scan.encoding, scan.encoding_source) == ("gamma 1.8", "tag: ICC profile")


@pytest.mark.parametrize(("n_curves", "photometric"), [(1, "minisblack"), (3, "rgb")])
def test_transfer_function_of_a_tiff(tmp_path: Path, n_curves: int, photometric: str) -> None:
    function = np.tile(np.round(np.linspace(0, 1, 256) ** 1.5 * 65535).astype(np.uint16), n_curves)
    shape = (8, 8) if n_curves == 1 else (8, 8, 3)
    tifffile.imwrite(
        tmp_path / "a.tif",
        np.zeros(shape, np.uint8),
        photometric=photometric,
        resolution=(1200, 1200),
        resolutionunit="INCH",
        extratags=[(301, 3, function.size, function, True)],
    )
    scan = open_scan(tmp_path / "a.tif")
    assert (scan.encoding, scan.encoding_source) == ("gamma 1.5", "tag: TIFF transfer function")


def test_float_samples_are_linear_by_default(tmp_path: Path) -> None:
    tifffile.imwrite(tmp_path / "a.tif", np.zeros((8, 8), np.float32), resolution=(1200, 1200), resolutionunit="INCH")
    assert open_scan(tmp_path / "a.tif").encoding == "linear"


@pytest.mark.parametrize(
    ("text", "curve"),
    [("sRGB", SRGB), (" SRGB ", SRGB), ("Linear", LINEAR), ("gamma 1", LINEAR), ("gamma=2.2", gamma_curve(2.2))],
)
def test_names(text: str, curve: object) -> None:
    assert parse_encoding(text) == curve


@pytest.mark.parametrize("samples", [[1.0, 0.5, 0.0], [0.0, np.nan, 1.0], [0.3]])
def test_curves_that_do_not_rise_are_refused(samples: list[float]) -> None:
    with pytest.raises(ScanError, match="does not rise"):
        curve_from_samples(np.array(samples))
