"""PNG scans: chunks, tags, pixels."""

from __future__ import annotations

import contextlib
import io
import mmap
import struct
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from sharpset.errors import ScanError
from sharpset.scans.encoding import LINEAR, SRGB, gamma_curve
from sharpset.scans.tags import (
    Density,
    ExifFacts,
    FoundCurve,
    Picture,
    check_size,
    dpi_from_per_metre,
    drop_alpha,
    exif_facts,
    fault,
    icc_curve,
)

__all__ = ["open_png"]

# ITU-T H.273 transfer characteristics that occur in still pictures, as named in the cICP chunk.
_CICP_CURVES = {4: gamma_curve(2.2), 5: gamma_curve(2.8), 8: LINEAR, 13: SRGB}


@dataclass(kw_only=True, slots=True)
class _Chunks:
    """What the chunks of one PNG file say, gathered on the way through it."""

    columns: int = 0
    rows: int = 0
    bit_depth: int = 0
    colour_type: int = 0
    densities: list[Density] = field(default_factory=list)
    curves: dict[str, FoundCurve] = field(default_factory=dict)
    exif: ExifFacts = field(default_factory=ExifFacts)
    n_frames: int = 1
    palette_size: int = 0
    interlaced: bool = False
    has_end: bool = False


def open_png(path: Path, data: mmap.mmap) -> Picture:
    """Decode a PNG file.

    Parameters
    ----------
    path : Path
        For messages.
    data : mmap
        The whole file.

    Raises
    ------
    ScanError
        If the file is truncated, damaged, animated, without grey levels or too large.

    References
    ----------
    W3C, Portable Network Graphics (PNG) Specification, third edition, sections 5 and 11. Order of belief for the
    encoding: cICP, iCCP, sRGB, gAMA (section 4.3).
    """
    import imagecodecs

    chunks = _read_chunks(path, data)
    if chunks.n_frames > 1:
        raise fault(path, "this PNG is animated. Export one still picture.")
    if chunks.bit_depth == 1:
        raise fault(path, "the picture has two levels only, black and white. Scan in grey or colour.")
    check_size(path, rows=chunks.rows, columns=chunks.columns)
    try:
        # Of interlaced files, which it decodes right, the library warns on standard error.
        with contextlib.redirect_stderr(io.StringIO()) if chunks.interlaced else contextlib.nullcontext():
            pixels = imagecodecs.png_decode(data)
    except (imagecodecs.PngError, ValueError, RuntimeError, MemoryError) as error:
        raise fault(path, f"the picture is damaged ({error}). Copy or scan it again.") from error
    stored, remarks = (pixels, ()) if pixels.ndim == 2 else drop_alpha(pixels)
    curve = next((chunks.curves[key] for key in ("cICP", "iCCP", "sRGB", "gAMA") if key in chunks.curves), None)
    exif_density = () if chunks.exif.density is None else (chunks.exif.density,)
    return Picture(
        kind="PNG",
        stored=stored,
        bit_depth=16 if stored.dtype == np.uint16 else 8,
        orientation=chunks.exif.orientation,
        densities=(*chunks.densities, *exif_density),
        found_curve=curve or chunks.exif.found_curve,
        is_photograph=chunks.exif.is_photograph,
        remarks=remarks,
        scanner_id=chunks.exif.scanner_id,
    )


def _iterate(path: Path, data: mmap.mmap) -> Iterator[tuple[bytes, int, int]]:
    position, end = 8, len(data)
    while position + 12 <= end:
        (length,) = struct.unpack_from(">I", data, position)
        name = data[position + 4 : position + 8]
        if position + 12 + length > end:
            break
        yield name, position + 8, length
        if name == b"IEND":
            return
        position += 12 + length
    raise fault(path, "the PNG file is truncated: its end is missing. Copy or scan it again.")


def _read_chunks(path: Path, data: mmap.mmap) -> _Chunks:
    found = _Chunks()
    for name, start, length in _iterate(path, data):
        if name == b"IDAT":
            continue
        body = data[start : start + length]
        try:
            _take_chunk(found, name, body)
        except struct.error as error:
            raise fault(path, f"the PNG chunk {name.decode('latin-1')} is damaged. Copy or scan it again.") from error
    if not found.bit_depth:
        raise fault(path, "the PNG file has no header. Copy or scan it again.")
    return found


def _take_chunk(found: _Chunks, name: bytes, body: bytes) -> None:
    if name == b"IHDR":
        found.columns, found.rows, found.bit_depth, found.colour_type, *_, interlace = struct.unpack_from(
            ">IIBBBBB", body
        )
        found.interlaced = interlace != 0
    elif name == b"pHYs":
        x, y, unit = struct.unpack_from(">IIB", body)
        if unit == 1:
            x_dpi, y_dpi = dpi_from_per_metre(x, y)
            found.densities.append(Density(x_dpi=x_dpi, y_dpi=y_dpi, source="PNG pHYs"))
    elif name == b"gAMA":
        (hundred_thousandths,) = struct.unpack_from(">I", body)
        if 20_000 <= hundred_thousandths <= 500_000:
            curve = gamma_curve(round(100_000 / hundred_thousandths, 3))
            found.curves["gAMA"] = FoundCurve(curve=curve, source="PNG gAMA")
    elif name == b"sRGB":
        found.curves["sRGB"] = FoundCurve(curve=SRGB, source="PNG sRGB")
    elif name == b"iCCP":
        _take_profile(found, body)
    elif name == b"cICP" and len(body) == 4 and body[1] in _CICP_CURVES:
        found.curves["cICP"] = FoundCurve(curve=_CICP_CURVES[body[1]], source="PNG cICP")
    elif name == b"eXIf":
        found.exif = exif_facts(body)
    elif name == b"acTL":
        (found.n_frames,) = struct.unpack_from(">I", body)


def _take_profile(found: _Chunks, body: bytes) -> None:
    import zlib

    _, _, rest = body.partition(b"\0")
    try:
        curve = icc_curve(zlib.decompressobj().decompress(rest[1:], 8_000_000))
    except (zlib.error, ScanError):
        return
    if curve is not None:
        found.curves["iCCP"] = curve
