"""What a picture file says about itself: resolution, orientation, encoding; and which of it can be believed."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sharpset.errors import ScanError
from sharpset.scans.encoding import SRGB, TransferCurve, curve_from_icc, gamma_curve
from sharpset.scans.viewing import Viewing

__all__ = ["Density", "FoundCurve", "Picture", "check_size", "exif_facts", "fault", "settle_density"]

MAX_PIXELS = 2_000_000_000
"""Largest picture that is opened: a whole A4 glass at 4800 dpi has 2.2e9; a piece never needs it."""

FRAME = "frame"
LOWEST_SCAN_DPI = 100.0
"""Tags below this are a program's default (72, 96) or no resolution at all (0, 1); common practice, no source."""

HIGHEST_SCAN_DPI = 25_400.0

_ORIENTATION = 0x0112
_EXIF_IFD = 0x8769
_FOCAL_LENGTH, _EXPOSURE_TIME, _F_NUMBER = 0x920A, 0x829A, 0x829D
_MAKE, _MODEL, _SERIAL = 0x010F, 0x0110, 0xA431
_COLOUR_SPACE, _GAMMA = 0xA001, 0xA500


@dataclass(frozen=True, kw_only=True, slots=True)
class Density:
    """A resolution found in a file, along the stored columns (x) and rows (y).

    Attributes
    ----------
    x_dpi, y_dpi : float
        Pixels per inch.
    source : str
        Which tag said so.
    """

    x_dpi: float
    y_dpi: float
    source: str

    @property
    def is_believable(self) -> bool:
        """Whether it can be the resolution of a scan, or is that of a photograph made true to size."""
        return self.source == FRAME or all(
            LOWEST_SCAN_DPI <= dpi <= HIGHEST_SCAN_DPI for dpi in (self.x_dpi, self.y_dpi)
        )

    def summary(self) -> str:
        """One phrase for a message."""
        same = math.isclose(self.x_dpi, self.y_dpi, rel_tol=1e-6)
        return f"{self.source} {self.x_dpi:g} dpi" if same else f"{self.source} {self.x_dpi:g} x {self.y_dpi:g} dpi"


@dataclass(frozen=True, kw_only=True, slots=True)
class FoundCurve:
    """A transfer curve and the tag it came from."""

    curve: TransferCurve
    source: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Picture:
    """One decoded picture file, before its orientation is applied.

    Attributes
    ----------
    kind : str
        ``"TIFF"``, ``"PNG"`` or ``"JPEG"``.
    stored : ndarray, shape (rows, columns) or (rows, columns, 3)
        Pixels as they are in the file, grey or red, green, blue; alpha dropped.
    bit_depth : int
        Bits that carry the value (16-bit samples may carry 12); 32 for float.
    orientation : int
        The orientation tag, 1 to 8.
    densities : tuple of Density
        All resolutions found, the one to be believed first.
    found_curve : FoundCurve or None
        None where the file says nothing.
    is_photograph : bool
        Whether a camera took it: then its density is no scan resolution.
    remarks : tuple of str
    scanner_id : str
        Maker, model and serial number, empty where the file names none.
    u_scale : float or None
        Relative standard uncertainty of the resolution, where the file states it.
    viewing : Viewing or None
        From where it was seen, where the file states it.
    steps : tuple of float
        Steps to which a JPEG file rounds the cosines of its blocks of 8 pixels: of 0 to 7 half waves.
    coarse_colour : bool
        Whether colour is held at less than the resolution of brightness.
    """

    kind: str
    stored: NDArray[Any] = field(repr=False)
    bit_depth: int
    orientation: int = 1
    densities: tuple[Density, ...] = ()
    found_curve: FoundCurve | None = None
    is_photograph: bool = False
    remarks: tuple[str, ...] = ()
    scanner_id: str = ""
    u_scale: float | None = None
    viewing: Viewing | None = None
    steps: tuple[float, ...] = ()
    coarse_colour: bool = False


@dataclass(frozen=True, kw_only=True, slots=True)
class ExifFacts:
    """The few EXIF entries that matter for measuring."""

    orientation: int = 1
    density: Density | None = None
    found_curve: FoundCurve | None = None
    is_photograph: bool = False
    scanner_id: str = ""


def fault(path: Path, text: str) -> ScanError:
    """The error for a picture that cannot be used."""
    return ScanError(f"{path}: {text}")


def check_size(path: Path, *, rows: int, columns: int) -> None:
    """Refuse a picture that is empty or too large to be a scan of a piece."""
    if rows < 1 or columns < 1:
        raise fault(path, f"the picture has {columns} x {rows} pixels. Scan or export it again.")
    if rows * columns > MAX_PIXELS:
        raise fault(
            path,
            f"{columns} x {rows} pixels are {rows * columns / 1e9:.1f} gigapixels, the limit is {MAX_PIXELS / 1e9:.0f}."
            " Scan only the area of the piece, or at a lower resolution.",
        )


def dpi_from_per_metre(x_per_metre: int, y_per_metre: int) -> list[float]:
    """Pixels per inch from whole pixels per metre, undone the rounding where a whole dpi gives the same number."""
    result = []
    for per_metre in (x_per_metre, y_per_metre):
        exact = per_metre * 0.0254
        whole = round(exact)
        result.append(float(whole) if whole > 0 and round(whole / 0.0254) == per_metre else exact)
    return result


def dpi_from_per_centimetre(per_centimetre: float) -> float:
    """Pixels per inch from pixels per centimetre.

    A whole number per centimetre is a rounded one: where a multiple of 100 dpi rounds to it, that is meant.
    """
    exact = per_centimetre * 2.54
    hundred = 100.0 * round(exact / 100.0)
    if float(per_centimetre).is_integer() and hundred > 0 and abs(hundred / 2.54 - per_centimetre) <= 0.5:
        return hundred
    return round(exact) if abs(exact - round(exact)) < 0.01 else exact


def settle_density(path: Path, picture: Picture) -> Density:
    """The resolution to be believed.

    Raises
    ------
    ScanError
        If the file has none, or only one that no scanner uses.
    """
    for density in picture.densities:
        if density.is_believable and not picture.is_photograph:
            return density
    advice = "Give the scanner's resolution with --dpi."
    if picture.is_photograph and picture.densities:
        raise fault(
            path,
            "this is a camera's picture; its resolution tag says nothing about size. Photograph the piece in the "
            "printed frame and make that true to size (sharpset photo), or give the resolution with --dpi.",
        )
    if picture.densities:
        found = " and ".join(density.summary() for density in picture.densities)
        raise fault(path, f"the resolution in the file ({found}) is not a scan resolution. {advice}")
    raise fault(path, f"the file says no resolution. {advice}")


def exif_facts(raw: bytes) -> ExifFacts:
    r"""Orientation, resolution, colour space and the marks of a camera in EXIF data.

    Parameters
    ----------
    raw : bytes
        EXIF data with or without the leading ``Exif\0\0``.
    """
    from PIL import Image

    exif = Image.Exif()
    try:
        exif.load(raw if raw.startswith(b"Exif\0\0") else b"Exif\0\0" + raw)
        inner = dict(exif.get_ifd(_EXIF_IFD))
        outer = dict(exif)
    except Exception:  # a damaged EXIF block spoils no pixel; the library raises many kinds
        return ExifFacts()
    return ExifFacts(
        orientation=valid_orientation(outer.get(_ORIENTATION, 1)),
        density=tiff_density(outer.get(0x011A), outer.get(0x011B), outer.get(0x0128), source="EXIF"),
        found_curve=exif_curve(inner),
        is_photograph=any(tag in inner for tag in (_FOCAL_LENGTH, _EXPOSURE_TIME, _F_NUMBER)),
        scanner_id=device_name(outer.get(_MAKE), outer.get(_MODEL), inner.get(_SERIAL)),
    )


def device_name(*parts: object) -> str:
    """Maker, model and serial number in one line; empty where none is named.

    References
    ----------
    TIFF 6.0, section 8 (Make, Model); EXIF 2.3, table 8 (BodySerialNumber).
    """
    texts = [" ".join(part.replace("\0", " ").split()) for part in parts if isinstance(part, str)]
    return " ".join(text for text in texts if text)


def exif_curve(inner: dict[int, Any]) -> FoundCurve | None:
    """The curve named by the EXIF gamma or colour-space entry."""
    gamma = as_number(inner.get(_GAMMA))
    if gamma is not None and 0.2 <= gamma <= 5.0:
        return FoundCurve(curve=gamma_curve(gamma), source="EXIF gamma")
    if inner.get(_COLOUR_SPACE) == 1:
        return FoundCurve(curve=SRGB, source="EXIF colour space")
    return None


def icc_curve(profile: bytes | None) -> FoundCurve | None:
    """The curve of an embedded ICC profile."""
    curve = curve_from_icc(bytes(profile)) if profile else None
    return None if curve is None else FoundCurve(curve=curve, source="ICC profile")


def valid_orientation(value: object) -> int:
    """An orientation tag, 1 where it makes no sense."""
    return value if isinstance(value, int) and 1 <= value <= 8 else 1


def as_number(value: object) -> float | None:
    """A number from a tag value (number, rational pair or library rational), None where there is none."""
    if value is None:
        return None
    try:
        if isinstance(value, tuple | list):
            number = float(value[0]) / float(value[1]) if len(value) == 2 else float(value[0])
        else:
            number = float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError, ZeroDivisionError, IndexError):
        return None
    return number if math.isfinite(number) else None


def tiff_density(x_value: object, y_value: object, unit: object, *, source: str) -> Density | None:
    """Resolution from the tags XResolution, YResolution and ResolutionUnit.

    References
    ----------
    TIFF 6.0, section 8: the unit is the inch where the tag is absent; 1 means no absolute unit, 3 the centimetre.
    """
    x, y = as_number(x_value), as_number(y_value)
    code = 2 if unit is None else int(unit)  # type: ignore[call-overload]
    if x is None and y is None:
        return None
    x = y if x is None else x
    y = x if y is None else y
    if x is None or y is None or x <= 0 or y <= 0 or code == 1:
        return None
    if code == 3:
        return Density(x_dpi=dpi_from_per_centimetre(x), y_dpi=dpi_from_per_centimetre(y), source=source)
    near = [float(round(v)) if abs(v - round(v)) < 0.01 else v for v in (x, y)]
    return Density(x_dpi=near[0], y_dpi=near[1], source=source)


def drop_alpha(pixels: NDArray[Any]) -> tuple[NDArray[Any], tuple[str, ...]]:
    """The colour channels as a view, and a remark if the transparency was not the same everywhere."""
    n_colours = 1 if pixels.shape[-1] in (1, 2) else 3
    remarks: tuple[str, ...] = ()
    for extra in range(n_colours, pixels.shape[-1]):
        alpha = pixels[..., extra]
        if alpha.size and np.any(alpha != alpha.flat[0]):
            remarks = ("transparency that varies over the picture was ignored",)
    colours = pixels[..., 0] if n_colours == 1 else pixels[..., :3]
    return colours, remarks


def cmyk_to_rgb(ink_free: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Red, green and blue from the light that each of four inks leaves (255 no ink), without a colour profile."""
    black = ink_free[..., 3:4].astype(np.uint16)
    return ((ink_free[..., :3] * black + 127) // 255).astype(np.uint8)
