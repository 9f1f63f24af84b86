"""What is told of a photograph once the walls that it shows were taken off: whether the camera moved, and focus."""

from __future__ import annotations

from dataclasses import replace

from sharpset.errors import ReadingError
from sharpset.pieces import Piece
from sharpset.readings.advice import advice_for
from sharpset.readings.checks.gates import PlateState, check_flatness
from sharpset.readings.checks.plate import measure_flatness
from sharpset.readings.checks.smear import measure_smear
from sharpset.readings.features.piece_samples import PieceSamples
from sharpset.scans import Pose, Scan

__all__ = ["without_walls"]

_MOST_MOVED = 1.4
"""Blur along one direction over that across it in photographs: walls that were taken off left up to 1.14 on five
rendered ones without motion, six pixels of motion 2.0 +- 0.05."""


def without_walls(state: PlateState, scan: Scan, pose: Pose, piece: Piece, strips: PieceSamples) -> PlateState:
    """Return the state of a photographed plate, its focus judged anew by edges that walls were taken off.

    Parameters
    ----------
    state : PlateState
    scan, pose, piece : as read
    strips : PieceSamples
        Without walls.

    Raises
    ------
    ReadingError
        If the camera moved, or part of the piece is out of focus.
    """
    _check_motion(scan, strips)
    return replace(state, flatness=check_flatness(scan, measure_flatness(strips, piece, pose), piece))


def _check_motion(scan: Scan, strips: PieceSamples) -> None:
    """Refuse a photograph in which camera or piece moved.

    What a camera made of tones was measured on edges of markers, blurred by that motion each in another way: sizes are
    off by it even where the blur itself would be narrow enough.
    """
    smear = measure_smear(strips)
    if scan.viewing is None or scan.viewing.is_linear or smear.ratio - 3 * smear.u_ratio < _MOST_MOVED:
        return
    advice = advice_for(scan)
    raise ReadingError(f"{scan.path}: {smear.blurred()}: {advice.moved}. {advice.still}. {advice.again}.")
