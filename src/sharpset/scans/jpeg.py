"""JPEG scans and photographs: segments, tags, pixels."""

from __future__ import annotations

import mmap
import struct
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from sharpset.scans.tags import (
    Density,
    ExifFacts,
    Picture,
    check_size,
    cmyk_to_rgb,
    dpi_from_per_centimetre,
    exif_facts,
    fault,
    icc_curve,
)

__all__ = ["open_jpeg"]

_START_OF_SCAN, _END = 0xDA, b"\xff\xd9"
_FRAMES = {*range(0xC0, 0xD0)} - {0xC4, 0xC8, 0xCC}
_BARE_MARKERS = {0x01, *range(0xD0, 0xD9)}
_TABLES = 0xDB
_RIGHT, _DOWN = [0, 1, 5, 6, 14, 15, 27, 28], [0, 2, 3, 9, 10, 20, 21, 35]
"""Where a table's first row and first column stand in zigzag order."""


@dataclass(kw_only=True, slots=True)
class _Segments:
    """What the segments of one JPEG file say, gathered up to the first scan."""

    columns: int = 0
    rows: int = 0
    bit_depth: int = 0
    n_channels: int = 0
    densities: list[Density] = field(default_factory=list)
    exif: ExifFacts = field(default_factory=ExifFacts)
    profile: dict[int, bytes] = field(default_factory=dict)
    adobe: bool = False
    steps: tuple[float, ...] = ()
    coarse_colour: bool = False
    scan_at: int = -1


def open_jpeg(path: Path, data: mmap.mmap) -> Picture:
    """Decode a JPEG file.

    Parameters
    ----------
    path : Path
        For messages.
    data : mmap
        The whole file.

    Raises
    ------
    ScanError
        If the file is truncated, damaged or too large.

    References
    ----------
    ITU-T T.81, annex B (markers); ITU-T T.871 (JFIF density); ICC.1:2022, annex B.4 (profiles in JPEG).
    """
    import imagecodecs

    segments = _read_segments(path, data)
    check_size(path, rows=segments.rows, columns=segments.columns)
    # Stuffed zero bytes keep this pair out of the entropy-coded data, so it can only be the end of the picture.
    if data.find(_END, segments.scan_at) < 0:
        raise fault(path, "the JPEG file is truncated: its end is missing. Copy or scan it again.")
    decode = imagecodecs.jpeg8_decode if segments.bit_depth == 8 else imagecodecs.jpeg_decode
    try:
        pixels = decode(data)
    except (imagecodecs.Jpeg8Error, ValueError, RuntimeError, MemoryError) as error:
        raise fault(path, f"the picture is damaged ({error}). Copy or scan it again.") from error
    remarks: tuple[str, ...] = ()
    if pixels.ndim == 3 and pixels.shape[2] == 4:
        pixels = cmyk_to_rgb(pixels if segments.adobe else np.invert(pixels))
        remarks = ("four-ink (CMYK) picture converted to red, green and blue without a colour profile",)
    profile = b"".join(segments.profile[key] for key in sorted(segments.profile))
    exif_density = () if segments.exif.density is None else (segments.exif.density,)
    return Picture(
        kind="JPEG",
        stored=pixels,
        bit_depth=segments.bit_depth,
        orientation=segments.exif.orientation,
        densities=(*segments.densities, *exif_density),
        found_curve=icc_curve(profile) or segments.exif.found_curve,
        is_photograph=segments.exif.is_photograph,
        remarks=remarks,
        scanner_id=segments.exif.scanner_id,
        steps=segments.steps,
        coarse_colour=segments.coarse_colour,
    )


def _iterate(path: Path, data: mmap.mmap) -> Iterator[tuple[int, int, int]]:
    position, end = 2, len(data)
    while position + 4 <= end:
        if data[position] != 0xFF:
            raise fault(path, "the JPEG file is damaged before its picture begins. Copy or scan it again.")
        marker = data[position + 1]
        if marker == 0xFF:
            position += 1
            continue
        if marker in _BARE_MARKERS:
            position += 2
            continue
        (length,) = struct.unpack_from(">H", data, position + 2)
        if position + 2 + length > end:
            break
        yield marker, position + 4, length - 2
        if marker == _START_OF_SCAN:
            return
        position += 2 + length
    raise fault(path, "the JPEG file is truncated before its picture begins. Copy or scan it again.")


def _read_segments(path: Path, data: mmap.mmap) -> _Segments:
    found = _Segments()
    for marker, start, length in _iterate(path, data):
        body = data[start : start + max(length, 0)]
        if marker in _FRAMES and len(body) >= 6:
            found.bit_depth, found.rows, found.columns, found.n_channels = struct.unpack_from(">BHHB", body)
            # Horizontal and vertical sampling factors, four bits each, of every component.
            factors = [(one >> 4, one & 15) for one in body[7 : 6 + 3 * found.n_channels : 3]]
            found.coarse_colour = len(factors) == 3 and any(one != factors[0] for one in factors[1:])
        elif marker == 0xE0 and body.startswith(b"JFIF\0") and len(body) >= 12:
            _take_density(found, body)
        elif marker == 0xE1 and body.startswith(b"Exif\0\0"):
            found.exif = exif_facts(body)
        elif marker == 0xE2 and body.startswith(b"ICC_PROFILE\0") and len(body) > 14:
            found.profile[body[12]] = body[14:]
        elif marker == _TABLES:
            found.steps = _steps(body) or found.steps
        elif marker == 0xEE and body.startswith(b"Adobe"):
            found.adobe = True
        elif marker == _START_OF_SCAN:
            found.scan_at = start + length
    if not found.bit_depth:
        raise fault(path, "the JPEG file has no frame header. Copy or scan it again.")
    return found


def _steps(body: bytes) -> tuple[float, ...]:
    """Return the steps of brightness (table 0) along rows and columns, their means; nothing where others are meant."""
    while body:
        size, number = 2 if body[0] >> 4 else 1, body[0] & 15
        values = np.frombuffer(body[1 : 1 + 64 * size], dtype=">u2" if size == 2 else np.uint8)
        if number == 0 and len(values) == 64:
            return tuple((values[_RIGHT] / 2 + values[_DOWN] / 2).tolist())
        body = body[1 + 64 * size :]
    return ()


def _take_density(found: _Segments, body: bytes) -> None:
    unit, x, y = struct.unpack_from(">BHH", body, 7)
    if x == 0 or y == 0:
        return
    if unit == 1:
        found.densities.append(Density(x_dpi=float(x), y_dpi=float(y), source="JPEG density"))
    elif unit == 2:
        x_dpi, y_dpi = dpi_from_per_centimetre(x), dpi_from_per_centimetre(y)
        found.densities.append(Density(x_dpi=x_dpi, y_dpi=y_dpi, source="JPEG density"))
