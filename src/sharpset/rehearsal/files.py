"""Scans as files: TIFF, PNG or JPEG with the resolution and orientation that a scanner writes."""

from __future__ import annotations

import struct
import zlib
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sharpset.errors import RehearsalError
from sharpset.rehearsal.scanner import Scan

__all__ = ["SUFFIXES", "stored_for_orientation", "write_scan"]

SUFFIXES = (".png", ".jpg", ".jpeg", ".tif", ".tiff")
_EXIF_IFD, _COLOUR_SPACE = 0x8769, 0xA001
_NOTE = "INVENTED DATA: rendered by sharpset's rehearsal, no printer or scanner was involved"


def stored_for_orientation(image: NDArray[Any], orientation: int) -> NDArray[Any]:
    """Return the pixels to store so that a viewer that obeys the orientation tag shows `image`.

    Parameters
    ----------
    image : ndarray, shape (rows, columns) or (rows, columns, 3)
    orientation : int
        1 to 8, TIFF 6.0 section 8, tag 274.
    """
    swapped = image.swapaxes(0, 1)
    stored = {
        1: image,
        2: image[:, ::-1],
        3: image[::-1, ::-1],
        4: image[::-1],
        5: swapped,
        6: swapped[::-1],
        7: swapped[::-1, ::-1],
        8: swapped[:, ::-1],
    }
    if orientation not in stored:
        raise RehearsalError(f"virtual scanner: orientation must be 1 to 8, got {orientation}.")
    return np.ascontiguousarray(stored[orientation])


def write_scan(
    scan: Scan,
    path: Path | str,
    *,
    dpi_tag: float | None = -1.0,
    orientation: int = 1,
    quality: int = 92,
    compression: str | None = "deflate",
    colour_tag: bool = True,
) -> Path:
    """Write a scan to a file; the suffix says which kind.

    Parameters
    ----------
    scan : Scan
    path : path ending in .png, .jpg, .jpeg, .tif or .tiff
    dpi_tag : float or None
        Resolution to state; -1 for the scanner's own, None to leave it out.
    orientation : int
        Orientation tag, 1 to 8 (not for PNG).
    quality : int
        Of JPEG.
    compression : {'deflate', 'lzw', None}
        Of TIFF.
    colour_tag : bool
        Say how the values stand for light: PNG chunk sRGB or gAMA, EXIF ColorSpace of a JPEG that is
        sRGB. TIFF files say nothing.

    Returns
    -------
    Path

    Raises
    ------
    RehearsalError
        If the kind of file is unknown or cannot hold the picture.
    """
    path = Path(path)
    suffix = path.suffix.lower()
    if suffix not in SUFFIXES:
        raise RehearsalError(f"{path}: a scan is written as {', '.join(SUFFIXES)}, got {suffix or 'no suffix'!r}.")
    dpi = scan.scanner.dpi if dpi_tag == -1.0 else dpi_tag
    image = stored_for_orientation(scan.image, orientation)
    path.parent.mkdir(parents=True, exist_ok=True)
    if suffix in (".tif", ".tiff"):
        _write_tiff(path, image, dpi=dpi, orientation=orientation, compression=compression)
    elif suffix == ".png":
        if orientation != 1:
            raise RehearsalError(f"{path}: PNG files carry no orientation tag here; write a JPEG or TIFF.")
        _write_png(path, image, dpi=dpi, encoding=scan.scanner.encoding if colour_tag else None)
    else:
        if image.dtype != np.uint8:
            raise RehearsalError(f"{path}: JPEG holds 8 bits, the scan has 16. Write a TIFF or PNG.")
        _write_jpeg(
            path,
            image,
            dpi=dpi,
            orientation=orientation,
            quality=quality,
            srgb=colour_tag and scan.scanner.encoding == "srgb",
        )
    return path


def _write_tiff(
    path: Path, image: NDArray[Any], *, dpi: float | None, orientation: int, compression: str | None
) -> None:
    import tifffile

    resolution: dict[str, Any] = {} if dpi is None else {"resolution": (dpi, dpi), "resolutionunit": "INCH"}
    tifffile.imwrite(
        path,
        image,
        photometric="rgb" if image.ndim == 3 else "minisblack",
        compression=compression,
        predictor=compression is not None,
        rowsperstrip=64,
        metadata=None,
        description=_NOTE,
        extratags=[(274, "H", 1, orientation, True)],
        **resolution,
    )


def _write_png(path: Path, image: NDArray[Any], *, dpi: float | None, encoding: str | None) -> None:
    import cv2

    picture = image[:, :, ::-1] if image.ndim == 3 else image
    done, buffer = cv2.imencode(".png", np.ascontiguousarray(picture), [cv2.IMWRITE_PNG_COMPRESSION, 9])
    if not done:
        raise RehearsalError(f"{path}: the picture could not be packed as PNG.")
    data = buffer.tobytes()
    # OpenCV writes none of these: put the chunks behind the header (PNG specification, section 11.3).
    chunks = _png_chunk(b"tEXt", b"Comment\0" + _NOTE.encode("latin-1"))
    if encoding == "srgb":
        chunks += _png_chunk(b"sRGB", b"\0")
    elif encoding == "linear":
        chunks += _png_chunk(b"gAMA", struct.pack(">I", 100_000))
    if dpi is not None:
        per_metre = round(dpi / 0.0254)
        chunks = _png_chunk(b"pHYs", struct.pack(">IIB", per_metre, per_metre, 1)) + chunks
    header = 8 + 25
    path.write_bytes(data[:header] + chunks + data[header:])


def _png_chunk(name: bytes, content: bytes) -> bytes:
    return struct.pack(">I", len(content)) + name + content + struct.pack(">I", zlib.crc32(name + content))


def _write_jpeg(
    path: Path, image: NDArray[Any], *, dpi: float | None, orientation: int, quality: int, srgb: bool
) -> None:
    from PIL import Image

    picture = Image.fromarray(image)
    exif = Image.Exif()
    exif[274] = orientation
    exif[270] = _NOTE
    if srgb:
        exif[_EXIF_IFD] = {_COLOUR_SPACE: 1}
    options: dict[str, Any] = {} if dpi is None else {"dpi": (dpi, dpi)}
    picture.save(path, quality=quality, subsampling=0, exif=exif, **options)
