"""Open a scan: any TIFF, PNG or JPEG, upright, with its scale and its encoding settled."""

from __future__ import annotations

import contextlib
import hashlib
import math
import mmap
import threading
from collections.abc import Iterator
from concurrent.futures import Future
from pathlib import Path

from sharpset.errors import ScanError
from sharpset.scans.encoding import LINEAR, SRGB, TransferCurve, parse_encoding
from sharpset.scans.scan import PixelSize, Scan, is_turned, scan_from_pixels
from sharpset.scans.tags import Picture, fault, settle_density

__all__ = ["PixelSize", "Scan", "begin_opening", "open_scan", "scan_from_pixels"]

_LOWEST_DPI_ARGUMENT, _HIGHEST_DPI_ARGUMENT = 10.0, 50_800.0

_BLOCK = 4096
_WHOLE_BELOW = 4 * 1024 * 1024

_begun: dict[tuple[Path, object, str], Future[Scan]] = {}


def open_scan(
    path: str | Path,
    *,
    dpi: float | tuple[float, float] | None = None,
    encoding: str = "auto",
    need_scale: bool = True,
) -> Scan:
    """Open one picture file for measuring.

    An uncompressed TIFF is mapped into memory: only the rows that are used are read. Other files are decoded once, to
    their own sample type; nothing is converted, turned or copied after that.

    Parameters
    ----------
    path : str or Path
        TIFF, PNG or JPEG; 8 or 16 bits or float (TIFF); grey, RGB or RGBA.
    dpi : float, (float, float) or None
        Resolution of the upright picture in pixels per inch, or along x and y apart. Overrules the file.
    encoding : str
        ``"auto"`` believes the file (ICC profile, gAMA, EXIF, ...) and takes sRGB
        (of floats linear light) where it says nothing; or ``"sRGB"``,
        ``"linear"``, ``"gamma 2.2"``.
    need_scale : bool
        Whether a file without a believable resolution is refused. If False its ``pixel_mm`` is NaN.

    Returns
    -------
    Scan

    Raises
    ------
    ScanError
        If the file is missing, empty, truncated, damaged, of another kind, without grey levels, animated or too large,
        or if no resolution is known.

    Notes
    -----
    Resolutions below 100 dpi in a file (72 and 96 above all) are what programs write when they know none; a camera's
    resolution says nothing about the object. Both are refused unless `dpi` is given.
    """
    begun = _begun.pop((Path(path), dpi, encoding), None) if need_scale else None
    return _open(Path(path), dpi, encoding, need_scale) if begun is None else begun.result()


def begin_opening(path: str | Path, *, dpi: float | tuple[float, float] | None = None, encoding: str = "auto") -> None:
    """Open a picture in the background; the next `open_scan` of it with the same arguments takes what comes of it.

    Decoders let other threads run: what else has to be loaded meanwhile costs no time.
    """
    place, outcome = Path(path), Future[Scan]()

    def work() -> None:
        try:
            outcome.set_result(_open(place, dpi, encoding, True))
        except Exception as error:
            outcome.set_exception(error)

    _begun[place, dpi, encoding] = outcome
    threading.Thread(target=work, daemon=True).start()


def _open(place: Path, dpi: float | tuple[float, float] | None, encoding: str, need_scale: bool) -> Scan:
    size_argument = None if dpi is None else _pixel_size(dpi)
    curve_argument = None if encoding.strip().lower() == "auto" else parse_encoding(encoding)
    n_bytes = _size_on_disk(place)
    try:
        with place.open("rb") as file, mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as data:
            with _shedding_pages(data):
                picture = _open_kind(place, data)
            digest = _short_digest(data, n_bytes)
    except OSError as error:
        raise fault(place, f"cannot be read ({error.strerror or error}).") from error
    size, scale_source = _settle_scale(place, picture, size_argument, need_scale=need_scale)
    curve, encoding_source = _settle_curve(picture, curve_argument)
    return Scan(
        path=place,
        scan_id=f"{place.stem}-{digest[:8]}",
        stored=picture.stored,
        orientation=picture.orientation,
        pixel_mm=size,
        scale_source=scale_source,
        curve=curve,
        encoding_source=encoding_source,
        bit_depth=picture.bit_depth,
        kind=picture.kind,
        remarks=picture.remarks,
        scanner_id=picture.scanner_id,
        # An argument overrules the file's resolution, and with it what the file says about its error.
        u_scale=math.nan if picture.u_scale is None or size_argument is not None else picture.u_scale,
        viewing=None if size_argument is not None else picture.viewing,
        steps=picture.steps,
        coarse_colour=picture.coarse_colour,
    )


@contextlib.contextmanager
def _shedding_pages(data: mmap.mmap) -> Iterator[None]:
    """Hand pages of the mapped file back to the system while a decoder goes through it.

    Decoders want the whole file in one piece; without this its compressed bytes would stay in memory with the picture.
    """
    advice = getattr(mmap, "MADV_DONTNEED", None)
    if advice is None or len(data) < _WHOLE_BELOW:
        yield
        return
    done = threading.Event()

    def shed() -> None:
        while not done.wait(0.01):
            data.madvise(advice)

    thread = threading.Thread(target=shed, daemon=True)
    thread.start()
    try:
        yield
    finally:
        done.set()
        thread.join()


def _size_on_disk(path: Path) -> int:
    if path.is_dir():
        raise fault(path, "this is a folder. Name the picture file in it.")
    try:
        n_bytes = path.stat().st_size
    except FileNotFoundError as error:
        raise fault(path, "there is no such file. Check the name.") from error
    except OSError as error:
        raise fault(path, f"cannot be read ({error.strerror or error}).") from error
    if n_bytes == 0:
        raise fault(path, "the file is empty. Copy or scan it again.")
    return n_bytes


def _open_kind(path: Path, data: mmap.mmap) -> Picture:
    head = data[:64]
    if head.startswith(b"\x89PNG\r\n\x1a\n"):
        from sharpset.scans.png import open_png

        return open_png(path, data)
    if head.startswith(b"\xff\xd8\xff"):
        from sharpset.scans.jpeg import open_jpeg

        return open_jpeg(path, data)
    if head[:4] in (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+") and head[8:10] != b"CR":
        from sharpset.scans.tiff import open_tiff

        return open_tiff(path)
    raise fault(path, f"{_other_kind(head)} Give a TIFF, PNG or JPEG picture.")


def _other_kind(head: bytes) -> str:
    """What a file is that cannot be read, as a sentence."""
    if head.startswith(b"%PDF"):
        return "this is a PDF document, not a picture. Scan to a picture file instead."
    if head[4:8] == b"ftyp":
        brand = head[8:12]
        if brand in (b"heic", b"heix", b"hevc", b"mif1", b"msf1", b"heim", b"heis", b"avif"):
            return "pictures of the kind HEIC or AVIF are not read. Set the camera to JPEG, or export the picture."
        if brand == b"crx ":
            return "raw camera files are not read. Export the picture as a 16-bit TIFF."
        return "this is a film, not a picture."
    kinds = {
        b"GIF8": "GIF", b"BM": "BMP", b"\0\0\0\x0cjP  ": "JPEG 2000", b"\xffO\xffQ": "JPEG 2000",
        b"\xff\n": "JPEG XL", b"\0\0\0\x0cJXL ": "JPEG XL", b"8BPS": "PSD", b"II*\0": "raw camera file",
    }  # fmt: skip
    if head.startswith(b"RIFF") and head[8:12] == b"WEBP":
        return "pictures of the kind WebP are not read."
    for magic, name in kinds.items():
        if head.startswith(magic):
            return f"pictures of the kind {name} are not read."
    return "this is not a picture, or a damaged one."


def _pixel_size(dpi: float | tuple[float, float]) -> PixelSize:
    pair = dpi if isinstance(dpi, tuple) else (dpi, dpi)
    for value in pair:
        if not (math.isfinite(value) and _LOWEST_DPI_ARGUMENT <= value <= _HIGHEST_DPI_ARGUMENT):
            raise ScanError(
                f"dpi: {value:g} is outside {_LOWEST_DPI_ARGUMENT:g} to {_HIGHEST_DPI_ARGUMENT:g}. "
                "Give the scanner's resolution in pixels per inch, e.g. 1200."
            )
    return PixelSize(25.4 / pair[0], 25.4 / pair[1])


def _settle_scale(
    path: Path, picture: Picture, argument: PixelSize | None, *, need_scale: bool
) -> tuple[PixelSize, str]:
    if argument is not None:
        return argument, "argument"
    try:
        density = settle_density(path, picture)
    except ScanError:
        if need_scale:
            raise
        return PixelSize(math.nan, math.nan), "none"
    stored = PixelSize(25.4 / density.x_dpi, 25.4 / density.y_dpi)
    return PixelSize(stored.y, stored.x) if is_turned(picture.orientation) else stored, density.source


def _settle_curve(picture: Picture, argument: TransferCurve | None) -> tuple[TransferCurve, str]:
    if argument is not None:
        return argument, "argument"
    if picture.found_curve is not None:
        return picture.found_curve.curve, f"tag: {picture.found_curve.source}"
    # Floats without a word are linear light for most programs; readings ask the edges all the same.
    return LINEAR if picture.bit_depth == 32 else SRGB, "default"


def _short_digest(data: mmap.mmap, n_bytes: int) -> str:
    """A digest of the content: of all of a small file, of its ends and 256 blocks in between of a large one.

    Reading all of a large mapped file only to name it would cost more than measuring it.
    """
    digest = hashlib.sha256(n_bytes.to_bytes(8, "little"))
    if n_bytes <= _WHOLE_BELOW:
        digest.update(data)
        return digest.hexdigest()
    digest.update(data[: 16 * _BLOCK])
    digest.update(data[-16 * _BLOCK :])
    for index in range(1, 257):
        start = index * (n_bytes - _BLOCK) // 257
        digest.update(data[start : start + _BLOCK])
    return digest.hexdigest()
