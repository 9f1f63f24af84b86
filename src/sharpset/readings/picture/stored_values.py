"""What stored values stand for where a file does not say: values of fewer bits than they are stored in, and floats."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from sharpset.pieces import Piece
from sharpset.scans import LocatedPiece, Scan
from sharpset.scans.encoding import SRGB

__all__ = ["more_bits", "with_used_bits"]

_BITS = (8, 10, 12, 14)
"""Of the converters of scanners and cameras (common practice, no source)."""
_LEAST_LIGHT = 0.03
"""Of full light, that the brightest pixel must have for a picture to be of that many bits: darker ones are not read."""


def with_used_bits(scan: Scan, located: LocatedPiece, piece: Piece) -> Scan:
    """Return a scan of 16 bits with the fewest bits that hold a piece's values, and undeclared floats as open.

    Values of 12 bits in files of 16 are what scanners hand over. In linear light, and by any power of it, the number of
    bits makes no difference; sRGB bends otherwise in the dark. Floats without a word are mostly linear light, but may
    be any picture that was divided by its largest value: their edges tell, as for files of 16 bits.

    Parameters
    ----------
    scan : Scan
    located : LocatedPiece
    piece : Piece
    """
    if scan.bit_depth == 32 and scan.encoding_source == "default":
        return replace(scan, curve=SRGB)
    if scan.bit_depth != 16 or scan.viewing is not None:
        return scan
    corners = located.pose.to_pixels(np.asarray(piece.outline.exterior.coords))
    size = (scan.n_columns, scan.n_rows)
    left, top = np.clip(np.floor(corners.min(axis=0)), 0, np.subtract(size, 1)).astype(int)
    right, bottom = np.clip(np.ceil(corners.max(axis=0)), (left + 1, top + 1), size).astype(int)
    most = int(scan.channel(located.channel)[top:bottom, left:right].max())
    return replace(scan, bit_depth=next((bits for bits in _BITS if most < 2**bits), 16))


def more_bits(scan: Scan, stored: NDArray[np.unsignedinteger]) -> Scan | None:
    """Return a scan with the next more bits that its dark values may be of; None where that makes no difference.

    Parameters
    ----------
    scan : Scan
        With the fewest bits that hold its values.
    stored : ndarray of uint16
        Those of the piece.
    """
    if stored.dtype != np.uint16 or scan.bit_depth >= 16 or np.isfinite(scan.curve.gamma):
        return None
    more = replace(scan, bit_depth=scan.bit_depth + 2)
    return more if more.decode(stored.max()) >= _LEAST_LIGHT else None
