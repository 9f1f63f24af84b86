"""TIFF scans: pages, tags, pixels; uncompressed pages are mapped, not read."""

from __future__ import annotations

import contextlib
import logging
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sharpset.errors import ScanError
from sharpset.scans.encoding import curve_from_samples
from sharpset.scans.scale_note import read_note
from sharpset.scans.tags import (
    FRAME,
    FoundCurve,
    Picture,
    check_size,
    cmyk_to_rgb,
    device_name,
    drop_alpha,
    exif_curve,
    fault,
    icc_curve,
    tiff_density,
    valid_orientation,
)

__all__ = ["open_tiff"]

_MIN_IS_WHITE, _MIN_IS_BLACK, _RGB, _PALETTE, _SEPARATED, _YCBCR = 0, 1, 2, 3, 5, 6
_NO_COMPRESSION = 1
_DNG_VERSION, _TRANSFER_FUNCTION, _ICC, _EXIF = 50706, 301, 34675, 34665
_X_RESOLUTION, _Y_RESOLUTION, _RESOLUTION_UNIT, _ORIENTATION, _COLOUR_MAP = 282, 283, 296, 274, 320
_BUFFER_BYTES = 8_000_000  # of compressed strips held at once; the library's own default holds all of a usual scan
_DESCRIPTION, _MAKE, _MODEL = 270, 271, 272
_PHOTOGRAPH_TAGS = ("FocalLength", "ExposureTime", "FNumber")


def open_tiff(path: Path) -> Picture:
    """Decode the largest page of a TIFF file, or map it where it is not compressed.

    Raises
    ------
    ScanError
        If the file is truncated, damaged, a raw camera file, without grey levels, too large or of a kind that says
        nothing about light (CIELab, three-dimensional).

    References
    ----------
    TIFF revision 6.0, sections 3 to 8, 14, 18, 20; technical note 3 for float predictors.
    """
    import tifffile

    with _quiet_library():
        try:
            with tifffile.TiffFile(path) as file:
                return _read(path, file)
        except ScanError:
            raise
        except Exception as error:  # the library and its codecs raise many kinds for damaged files
            text = str(error).splitlines()[0][:160] if str(error) else type(error).__name__
            raise fault(path, f"the TIFF file is truncated or damaged ({text}). Copy or scan it again.") from error


@contextlib.contextmanager
def _quiet_library() -> Iterator[None]:
    """Keep the library's own log lines off the terminal: what matters is raised."""
    logger = logging.getLogger("tifffile")
    level = logger.level
    logger.setLevel(logging.CRITICAL + 1)
    try:
        yield
    finally:
        logger.setLevel(level)


def _read(path: Path, file: Any) -> Picture:
    pages = list(file.pages)
    if not pages:
        raise fault(path, "the TIFF file has no page. Copy or scan it again.")
    sizes = [page.imagelength * page.imagewidth for page in pages]
    page = pages[int(np.argmax(sizes))]
    if _DNG_VERSION in page.tags or _DNG_VERSION in pages[0].tags:
        raise fault(path, "raw camera files (DNG) are not read. Export the picture as a 16-bit TIFF.")
    _check_page(path, page, file.filehandle.size)
    remarks: tuple[str, ...] = ()
    if len(pages) > 1:
        remarks = (f"the file has {len(pages)} pages, the largest was read (page {pages.index(page) + 1})",)
    pixels, bit_depth, more = _pixels(path, page)
    density = tiff_density(
        _value(page, _X_RESOLUTION), _value(page, _Y_RESOLUTION), _value(page, _RESOLUTION_UNIT), source="TIFF tag"
    )
    exif = _value(page, _EXIF)
    exif = exif if isinstance(exif, dict) else {}
    note = read_note(_value(page, _DESCRIPTION))
    if note is not None and density is not None and note.fits(density):
        dpi = 25.4 / note.pixel_mm
        density = replace(density, source=FRAME, x_dpi=dpi, y_dpi=dpi)
    else:
        note = None
    return Picture(
        kind="TIFF",
        stored=pixels,
        bit_depth=bit_depth,
        orientation=valid_orientation(int(_value(page, _ORIENTATION) or 1)),
        densities=() if density is None else (density,),
        found_curve=_curve(page, exif),
        is_photograph=any(name in exif for name in _PHOTOGRAPH_TAGS),
        remarks=remarks + more,
        scanner_id=device_name(_value(page, _MAKE), _value(page, _MODEL), exif.get("BodySerialNumber")),
        u_scale=None if note is None else note.u_scale,
        viewing=None if note is None else note.viewing,
    )


def _value(page: Any, code: int) -> Any:
    tag = page.tags.get(code)
    return None if tag is None else tag.value


def _check_page(path: Path, page: Any, file_size: int) -> None:
    rows, columns = page.imagelength, page.imagewidth
    check_size(path, rows=rows, columns=columns)
    if page.bitspersample == 1:
        raise fault(path, "the picture has two levels only, black and white. Scan in grey or colour.")
    if page.imagedepth != 1:
        raise fault(path, f"the page is {page.imagedepth} layers deep. Give a flat picture.")
    if int(page.photometric) not in (_MIN_IS_WHITE, _MIN_IS_BLACK, _RGB, _PALETTE, _SEPARATED, _YCBCR):
        name = getattr(page.photometric, "name", page.photometric)
        raise fault(path, f"pictures of the kind {name} are not read. Export as grey or RGB.")
    ends = [offset + count for offset, count in zip(page.dataoffsets, page.databytecounts, strict=False)]
    if len(page.dataoffsets) != len(page.databytecounts) or not ends or max(ends) > file_size:
        raise fault(path, "the TIFF file is truncated: part of the picture is missing. Copy or scan it again.")
    if 0 in page.databytecounts or 0 in page.dataoffsets:
        raise fault(path, "part of the picture was never written to the TIFF file. Scan it again.")
    if page.dtype is None:
        raise fault(path, f"samples of {page.bitspersample} bits are not read. Export with 8 or 16 bits.")


def _pixels(path: Path, page: Any) -> tuple[NDArray[Any], int, tuple[str, ...]]:
    raw = _map_or_decode(path, page)
    n_samples = page.samplesperpixel
    planar = n_samples > 1 and raw.ndim == 3 and raw.shape[0] == n_samples and page.axes.startswith("S")
    pixels: NDArray[Any] = np.moveaxis(raw, 0, -1) if planar else raw
    if pixels.shape[:2] != (page.imagelength, page.imagewidth) or pixels.ndim not in (2, 3):
        raise fault(path, f"the page has axes {page.axes}. Give a flat grey or RGB picture.")
    pixels, bit_depth = _plain_samples(path, pixels, page.bitspersample)
    photometric = int(page.photometric)
    if photometric == _PALETTE:
        return _from_palette(path, page, pixels)
    if photometric == _MIN_IS_WHITE:
        pixels = (2**bit_depth - 1) - pixels if bit_depth < 32 else 1.0 - pixels
    if photometric == _SEPARATED:
        return _from_inks(path, page, pixels)
    if pixels.ndim == 3:
        if photometric == _RGB and pixels.shape[2] == 2:
            raise fault(path, "an RGB page with two channels is not read. Export as grey or RGB.")
        colours, remarks = drop_alpha(pixels if photometric in (_RGB, _YCBCR) else pixels[..., :2])
        return colours, bit_depth, remarks
    return pixels, bit_depth, ()


def _map_or_decode(path: Path, page: Any) -> NDArray[Any]:
    whole_bytes = page.bitspersample == 8 * page.dtype.itemsize
    native = page.dtype.itemsize == 1 or page.parent.byteorder == _native_order()
    if page.is_memmappable and int(page.compression) == _NO_COMPRESSION and whole_bytes and native:
        shape = page.shape
        return np.memmap(path, dtype=page.dtype, mode="r", offset=page.dataoffsets[0], shape=shape)
    pixels = page.asarray(buffersize=_BUFFER_BYTES)
    return np.asarray(pixels, dtype=pixels.dtype.newbyteorder("="))


def _native_order() -> str:
    import sys

    return "<" if sys.byteorder == "little" else ">"


def _plain_samples(path: Path, pixels: NDArray[Any], n_bits: int) -> tuple[NDArray[Any], int]:
    """8-bit, 16-bit or float32 samples and the number of bits that carry the value."""
    if pixels.dtype.kind == "f":
        return _plain_floats(path, pixels), 32
    if pixels.dtype == np.uint8:
        if n_bits < 8:
            return pixels * np.uint8(255 // (2**n_bits - 1)) if n_bits in (2, 4) else pixels, 8 if n_bits in (
                2,
                4,
            ) else n_bits
        return pixels, 8
    if pixels.dtype == np.uint16:
        return pixels, min(n_bits, 16)
    raise fault(
        path, f"samples of type {pixels.dtype} are not read. Export with 8 or 16 bits, or as float from 0 to 1."
    )


def _plain_floats(path: Path, pixels: NDArray[Any]) -> NDArray[np.float32]:
    low, high = float(np.min(pixels)), float(np.max(pixels))
    if not (np.isfinite(low) and np.isfinite(high)):
        raise fault(path, "the picture has samples that are no numbers. Export it again.")
    if low < -0.1 or high > 1.5:
        raise fault(
            path, f"float samples run from {low:g} to {high:g}, expected 0 (dark) to 1 (full). Export them scaled so."
        )
    if pixels.dtype == np.float32:
        return pixels
    return pixels.astype(np.float32)


def _from_palette(path: Path, page: Any, pixels: NDArray[Any]) -> tuple[NDArray[Any], int, tuple[str, ...]]:
    colours = np.asarray(_value(page, _COLOUR_MAP))
    if colours.ndim != 2 or colours.shape[0] != 3 or pixels.ndim != 2 or page.bitspersample not in (4, 8):
        raise fault(path, "the colour table of the page is damaged. Export as grey or RGB.")
    index = pixels // np.uint8(17) if page.bitspersample == 4 else pixels
    # Tables written as 0..255 instead of 0..65535 occur; 16-bit entries are byte values times 257 or 256.
    table = colours.T if colours.max() < 256 else colours.T // 256
    return table.astype(np.uint8)[index], 8, ()


def _from_inks(path: Path, page: Any, pixels: NDArray[Any]) -> tuple[NDArray[Any], int, tuple[str, ...]]:
    if pixels.ndim != 3 or pixels.shape[2] != 4 or pixels.dtype != np.uint8:
        raise fault(path, "a picture in printing inks is read with four 8-bit channels only. Export as grey or RGB.")
    remark = "four-ink (CMYK) picture converted to red, green and blue without a colour profile"
    return cmyk_to_rgb(np.invert(pixels)), 8, (remark,)


def _curve(page: Any, exif: dict[str, Any]) -> FoundCurve | None:
    profile = _value(page, _ICC)
    found = icc_curve(profile if isinstance(profile, bytes) else None)
    if found is not None:
        return found
    function = _value(page, _TRANSFER_FUNCTION)
    if function is not None and int(page.photometric) != _PALETTE:
        samples = np.asarray(function, dtype=np.float64).reshape(-1)
        n_levels = 2**page.bitspersample if page.bitspersample <= 16 else 0
        if samples.size in (n_levels, 3 * n_levels) and n_levels:
            green = samples[n_levels : 2 * n_levels] if samples.size == 3 * n_levels else samples
            try:
                return FoundCurve(curve=curve_from_samples(green / 65535.0), source="TIFF transfer function")
            except ScanError:
                return None
    return exif_curve({0xA001: exif.get("ColorSpace"), 0xA500: exif.get("Gamma")})
