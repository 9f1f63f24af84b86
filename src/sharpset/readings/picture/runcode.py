"""Read the run code of a piece at the known places of its cells."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sharpset.pieces import Piece, decode_bits
from sharpset.pieces.code import run_id_of_number
from sharpset.readings.picture.light import PieceLight
from sharpset.scans import Pose

__all__ = ["CodeReading", "read_run_code"]


@dataclass(frozen=True, kw_only=True, slots=True)
class CodeReading:
    """What the code cells say.

    Attributes
    ----------
    run_id : str
        Empty where the check failed.
    solid : tuple of float
        Share solid in the middle of each cell.
    mended : bool
        Whether a doubtful cell was turned over by the check.
    """

    run_id: str
    solid: tuple[float, ...]
    mended: bool


def read_run_code(light: PieceLight, pose: Pose, piece: Piece, *, known: Sequence[str] = ()) -> CodeReading:
    """Read the run code.

    Parameters
    ----------
    light : PieceLight
    pose : Pose
    piece : Piece
    known : sequence of str
        Run ids that may be meant, besides the piece folder's own.

    Returns
    -------
    CodeReading
    """
    radius_px = 0.3 * piece.code.cell_diameter_mm / max(pose.pixel_mm)
    reach = max(1, int(radius_px))
    offsets = np.stack(np.meshgrid(np.arange(-reach, reach + 1), np.arange(-reach, reach + 1)), axis=-1).reshape(-1, 2)
    offsets = offsets[np.hypot(*offsets.T) <= max(radius_px, 1.0)]
    solid: list[float] = []
    first = np.array(light.origin)
    last = first + light.shape[::-1] - 1
    for centre in pose.to_pixels(piece.code.cells_mm):
        where = np.round(centre).astype(int) + offsets
        if np.any(where < first) or np.any(where > last):
            return CodeReading(run_id="", solid=(), mended=False)
        solid.append(float(np.median(light.solid_share(where[:, 0], where[:, 1]))))
    bits = [int(share < 0.5) for share in solid]
    doubtful = [i for i, share in enumerate(solid) if 0.2 < share < 0.8]
    number = decode_bits(bits)
    mended = False
    if number is None and doubtful:
        number = decode_bits(bits, doubtful=doubtful)
        mended = number is not None
    run_id = "" if number is None else run_id_of_number(number, known=(piece.run_id, *known))
    return CodeReading(run_id=run_id, solid=tuple(solid), mended=mended)
