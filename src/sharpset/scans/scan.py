"""One scan: its pixels seen upright, their size in millimetres, and their light."""

from __future__ import annotations

import hashlib
import html
import math
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sharpset.errors import ScanError
from sharpset.scans.encoding import SRGB, TransferCurve
from sharpset.scans.viewing import Viewing

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["PixelSize", "Scan", "file_sha256", "scan_from_pixels"]

_CHANNELS = {"red": 0, "green": 1, "blue": 2}
_BAND = 64


class PixelSize(NamedTuple):
    """Millimetres per pixel along the columns (x) and along the rows (y) of the upright picture."""

    x: float
    y: float


@dataclass(frozen=True, kw_only=True, eq=False)
class Scan:
    """A picture of one or more pieces, upright, with its scale and its encoding.

    Attributes
    ----------
    path : Path
        The file it came from.
    scan_id : str
        File stem and eight hexadecimal digits of its content.
    stored : ndarray
        Pixels as stored; use ``pixels``, which is the upright view of them.
    orientation : int
        The orientation tag (TIFF 6.0 and EXIF numbering, 1 to 8) that ``pixels`` applies.
    pixel_mm : PixelSize
        Millimetres per pixel in x and y of ``pixels``; NaN where the scale was not asked for and is not known.
    scale_source : str
        ``"argument"``, ``"TIFF tag"``, ``"PNG pHYs"``, ``"JPEG density"``, ``"EXIF"``, ``"frame"`` or ``"none"``.
    curve : TransferCurve
        How stored values stand for light.
    encoding_source : str
        ``"argument"``, ``"tag: ..."`` with the tag's name, or ``"default"``.
    bit_depth : int
        Bits that carry the value; 32 for float.
    kind : str
        File format.
    remarks : tuple of str
        What was ignored or converted on the way.
    scanner_id : str
        Maker, model and serial number as the file names them; empty where it does not.
    u_scale : float
        Relative standard uncertainty of the scale where the file states it (a rectified photograph), else NaN.
    viewing : Viewing or None
        From where a rectified photograph was taken; None for what a scanner made.
    steps : tuple of float
        Steps, of stored values, to which a JPEG file rounds the cosines of its blocks of 8 pixels: of 0 to 7 half
        waves. Empty for other files.
    coarse_colour : bool
        Whether a JPEG file holds colour at less than the resolution of brightness.
    """

    path: Path
    scan_id: str
    stored: NDArray[Any] = field(repr=False)
    orientation: int = 1
    pixel_mm: PixelSize
    scale_source: str
    curve: TransferCurve = SRGB
    encoding_source: str = "default"
    bit_depth: int = 8
    kind: str = ""
    remarks: tuple[str, ...] = ()
    scanner_id: str = ""
    u_scale: float = math.nan
    viewing: Viewing | None = None
    steps: tuple[float, ...] = ()
    coarse_colour: bool = False

    @cached_property
    def pixels(self) -> NDArray[Any]:
        """The upright picture, shape (rows, columns) or (rows, columns, 3); a view, native sample type."""
        return _upright(self.stored, self.orientation)

    @cached_property
    def brightness(self) -> NDArray[Any]:
        """Brightness of a colour picture as JPEG files hold it, shape of ``stored`` without channels."""
        import cv2

        return np.asarray(cv2.cvtColor(np.ascontiguousarray(self.stored[..., :3]), cv2.COLOR_RGB2GRAY))

    @property
    def n_rows(self) -> int:
        """Rows of the upright picture."""
        return int(self.pixels.shape[0])

    @property
    def n_columns(self) -> int:
        """Columns of the upright picture."""
        return int(self.pixels.shape[1])

    @property
    def n_channels(self) -> int:
        """1 for grey, 3 for red, green, blue."""
        return 1 if self.stored.ndim == 2 else int(self.stored.shape[2])

    @property
    def encoding(self) -> str:
        """Name of the transfer curve: ``"sRGB"``, ``"linear"``, ``"gamma 2.2"`` or ``"curve"``."""
        return self.curve.name

    @property
    def full_scale(self) -> float:
        """The largest value that a sample can have."""
        return 1.0 if self.bit_depth == 32 else float(2**self.bit_depth - 1)

    @property
    def dpi(self) -> PixelSize:
        """Pixels per inch along x and y."""
        return PixelSize(25.4 / self.pixel_mm.x, 25.4 / self.pixel_mm.y)

    @cached_property
    def sha256(self) -> str:
        """SHA-256 of the whole file (of the pixels where there is no file), hexadecimal; computed at first use."""
        if self.kind == "memory" and not self.path.is_file():
            return hashlib.sha256(np.ascontiguousarray(self.stored).tobytes()).hexdigest()
        return file_sha256(self.path)

    @cached_property
    def _table(self) -> NDArray[np.float32]:
        return self.curve.table(self.bit_depth)

    def channel(self, which: str | int | None = None) -> NDArray[Any]:
        """One channel of the upright picture, as a view.

        Parameters
        ----------
        which : {"red", "green", "blue"}, int or None
            None takes green, the sharpest of three in most scanners, or the only one of a grey picture.

        Returns
        -------
        ndarray, shape (rows, columns)
        """
        index = self._channel_index(which)
        return self.pixels if index is None else self.pixels[..., index]

    def linear(self, rows: slice, columns: slice, channel: str | int | None = None) -> NDArray[np.float32]:
        """A crop in linear light; nothing outside the crop is touched.

        Parameters
        ----------
        rows, columns : slice
            Where, in upright rows and columns; must lie inside the picture.
        channel : {"red", "green", "blue"}, int or None
            As in `channel`.

        Returns
        -------
        ndarray of float32
            Linear light, 0 dark, 1 full scale.

        Raises
        ------
        ScanError
            If the crop leaves the picture.
        """
        for what, part, size in (("rows", rows, self.n_rows), ("columns", columns, self.n_columns)):
            start, stop = part.start or 0, size if part.stop is None else part.stop
            if not 0 <= start < stop <= size:
                raise ScanError(f"{self.scan_id}: {what} {start} to {stop} are outside the picture, which has {size}.")
        return self.decode(self.channel(channel)[rows, columns])

    def decode(self, values: NDArray[Any]) -> NDArray[np.float32]:
        """Linear light (0 to 1, float32) of stored values of this scan, of any shape."""
        if self.bit_depth == 32:
            return self.curve.decode(values).astype(np.float32)
        return np.take(self._table, values, mode="clip")

    def reduced(self, factor: int, channel: str | int | None = None) -> NDArray[Any]:
        """A small picture: means over squares of ``factor`` by ``factor`` stored values of one channel.

        Parameters
        ----------
        factor : int
            Whole number, at least 1. Rows and columns left over at the far edges are dropped.
        channel : {"red", "green", "blue"}, int or None
            As in `channel`.

        Returns
        -------
        ndarray, shape (n_rows // factor, n_columns // factor)
            Encoded values of the native type, whole numbers rounded at every halving. The centre of reduced row r
            lies at native row ``(r + 0.5) * factor - 0.5``, columns alike.

        Notes
        -----
        Powers of two are several times as quick as other factors.
        """
        import cv2

        n_rows, n_columns = self.n_rows // factor, self.n_columns // factor
        if factor < 1 or n_rows < 1 or n_columns < 1:
            raise ScanError(
                f"{self.scan_id}: cannot be reduced {factor} times, it has {self.n_columns} x {self.n_rows} pixels."
            )
        index = self._channel_index(channel)
        view = self.stored
        if index is not None and view[..., index].strides[1] == view.itemsize:
            view, index = view[..., index], None
        # Averaged as stored, turned afterwards: only the small picture is copied. What is dropped is at the far edge
        # of the upright picture, which may be the near one of the stored picture.
        swapped, flip_rows, flip_columns = _TURNS[self.orientation]
        sizes = (n_columns * factor, n_rows * factor) if swapped else (n_rows * factor, n_columns * factor)
        flips = (flip_columns, flip_rows) if swapped else (flip_rows, flip_columns)
        spans = [slice(-size, None) if flip else slice(0, size) for size, flip in zip(sizes, flips, strict=True)]
        view = view[spans[0], spans[1]]
        parts = []
        # Band by band, so that what lies between the halvings stays small.
        for first in range(0, view.shape[0], _BAND * factor):
            small, left = view[first : first + _BAND * factor], factor
            while left > 1:
                # Halving is what the library does quickest.
                by = left if left % 2 else 2
                size = (small.shape[1] // by, small.shape[0] // by)
                small, left = cv2.resize(small, size, interpolation=cv2.INTER_AREA), left // by
            parts.append(small if index is None else small[..., index])
        return np.ascontiguousarray(_upright(np.concatenate(parts), self.orientation))

    def summary(self) -> str:
        """One line for people."""
        colour = "grey" if self.n_channels == 1 else "RGB"
        depth = "float" if self.bit_depth == 32 else f"{self.bit_depth} bit"
        x_dpi, y_dpi = (round(dpi, 2) for dpi in self.dpi)
        scale = "no scale" if np.isnan(x_dpi) else f"{x_dpi:g} dpi" if x_dpi == y_dpi else f"{x_dpi:g} x {y_dpi:g} dpi"
        return (
            f"{self.scan_id}: {self.n_columns} x {self.n_rows} pixels, {colour}, {depth}, "
            f"{scale} ({self.scale_source}), {self.encoding} ({self.encoding_source})"
        )

    def to_frame(self) -> pd.DataFrame:
        """The scan as one row of a table."""
        import pandas as pd

        row = {
            "scan_id": self.scan_id,
            "file": self.path.name,
            "kind": self.kind,
            "n_rows": self.n_rows,
            "n_columns": self.n_columns,
            "n_channels": self.n_channels,
            "bit_depth": self.bit_depth,
            "pixel_x_mm": self.pixel_mm.x,
            "pixel_y_mm": self.pixel_mm.y,
            "scale_source": self.scale_source,
            "encoding": self.encoding,
            "encoding_source": self.encoding_source,
            "remarks": "; ".join(self.remarks),
        }
        return pd.DataFrame([row])

    def _repr_html_(self) -> str:
        remarks = "".join(f"<br>{html.escape(remark)}" for remark in self.remarks)
        return f"<p>{html.escape(self.summary())}{remarks}</p>"

    def _channel_index(self, which: str | int | None) -> int | None:
        if self.n_channels == 1:
            if which in (None, 0, "grey", "red", "green", "blue"):
                return None
        elif which is None:
            return 1
        elif isinstance(which, str) and which in _CHANNELS:
            return _CHANNELS[which]
        elif isinstance(which, int) and 0 <= which < self.n_channels:
            return which
        raise ScanError(
            f"{self.scan_id}: channel {which!r} is not there. Use red, green, blue or 0 to {self.n_channels - 1}."
        )


# What turns the stored picture upright: exchange rows and columns, then flip rows, then flip columns.
_TURNS: dict[int, tuple[bool, bool, bool]] = {
    1: (False, False, False),
    2: (False, False, True),
    3: (False, True, True),
    4: (False, True, False),
    5: (True, False, False),
    6: (True, False, True),
    7: (True, True, True),
    8: (True, True, False),
}


def is_turned(orientation: int) -> bool:
    """Whether an orientation tag exchanges rows and columns."""
    return _TURNS[orientation][0]


def _upright(stored: NDArray[Any], orientation: int) -> NDArray[Any]:
    swapped, flip_rows, flip_columns = _TURNS[orientation]
    view = stored.swapaxes(0, 1) if swapped else stored
    return view[:: -1 if flip_rows else 1, :: -1 if flip_columns else 1]


def file_sha256(path: Path) -> str:
    """Return the SHA-256 of a whole file, hexadecimal.

    Raises
    ------
    ScanError
        If the file is not there any more.
    """
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        raise ScanError(f"{path}: cannot be read again ({error.strerror}). Put the file back.") from error


def scan_from_pixels(
    pixels: NDArray[Any],
    *,
    pixel_mm: float | PixelSize,
    name: str = "picture",
    encoding: TransferCurve = SRGB,
    scale_source: str = "argument",
    u_scale: float = math.nan,
    scanner_id: str = "",
    viewing: Viewing | None = None,
) -> Scan:
    """A scan from pixels in memory.

    Parameters
    ----------
    pixels : ndarray of uint8, uint16 or float32, shape (rows, columns) or (rows, columns, 3)
        Upright picture; float from 0 to 1.
    pixel_mm : float or PixelSize
        Millimetres per pixel.
    name : str
        Becomes the scan's path and the first part of its id.
    encoding : TransferCurve
    scale_source : str
    u_scale : float
        Relative standard uncertainty of the pixel size, where it is known.
    scanner_id : str
    viewing : Viewing, optional

    Raises
    ------
    ScanError
        If the sample type or the shape is another.
    """
    depths = {"uint8": 8, "uint16": 16, "float32": 32}
    shape_ok = pixels.ndim == 2 or (pixels.ndim == 3 and pixels.shape[2] == 3)
    if pixels.dtype.name not in depths or not shape_ok or 0 in pixels.shape:
        raise ScanError(
            f"{name}: pixels of type {pixels.dtype} and shape {pixels.shape} are no picture. "
            "Give uint8, uint16 or float32, grey or RGB."
        )
    size = pixel_mm if isinstance(pixel_mm, PixelSize) else PixelSize(float(pixel_mm), float(pixel_mm))
    digest = hashlib.sha256(np.ascontiguousarray(pixels).tobytes()).hexdigest()
    return Scan(
        path=Path(name),
        scan_id=f"{Path(name).stem}-{digest[:8]}",
        stored=pixels,
        pixel_mm=size,
        scale_source=scale_source,
        curve=encoding,
        encoding_source="argument",
        bit_depth=depths[pixels.dtype.name],
        kind="memory",
        u_scale=u_scale,
        scanner_id=scanner_id,
        viewing=viewing,
    )
