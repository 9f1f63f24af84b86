"""Several pieces in one scan: where each lies, and ids of their own for those whose codes name one run."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from sharpset.pieces import Piece
from sharpset.readings.results import PieceReading
from sharpset.scans import Pose

__all__ = ["of_other_pieces", "told_apart", "where_it_lies"]


def where_it_lies(pose: Pose, piece: Piece) -> str:
    """Return in words where the middle of a piece lies in the picture."""
    middle = pose.to_pixels([[piece.width_mm / 2, piece.height_mm / 2]])[0]
    x, y = (middle + 0.5) * np.array(pose.pixel_mm)
    return _place(x, y)


def _place(x_mm: float, y_mm: float) -> str:
    return f"{x_mm:.0f} mm from the left and {y_mm:.0f} mm from the top of the picture"


def of_other_pieces(places_mm: Sequence[tuple[float, float]]) -> tuple[str, ...]:
    """Say how many plates of other pieces lie in a scan, and where; nothing where there are none.

    Parameters
    ----------
    places_mm : sequence of (float, float)
        Of their middles, from the left and the top of the picture.
    """
    if not places_mm:
        return ()
    n, places = len(places_mm), "; ".join(_place(*place) for place in places_mm)
    what = "1 plate of another piece lies in the scan and was" if n == 1 else f"{n} plates of other pieces were"
    return (f"{what} not read ({places}). Read the scan again with the folder of that piece",)


def told_apart(pieces: Sequence[PieceReading], piece: Piece) -> tuple[tuple[PieceReading, ...], tuple[str, ...]]:
    """Give pieces of one scan whose codes name the same run, or cannot be read, scan ids of their own.

    Parameters
    ----------
    pieces : sequence of PieceReading
        All of one scan.
    piece : Piece

    Returns
    -------
    pieces : tuple of PieceReading
        ``scan_id`` of such pieces names their number in the scan before the digest that ids end with.
    remarks : tuple of str
        Which ones they are, and what to do about it.
    """
    by_run: dict[str, list[int]] = {}
    for number, one in enumerate(pieces, start=1):
        by_run.setdefault(one.run_id, []).append(number)
    told, remarks = list(pieces), []
    for run, numbers in by_run.items():
        if len(numbers) < 2:
            continue
        for number in numbers:
            one = pieces[number - 1]
            stem, _, digest = one.scan_id.rpartition("-")
            scan_id = f"{stem}-piece{number}-{digest}"
            told[number - 1] = replace(one, scan_id=scan_id, table=one.table.assign(scan_id=scan_id))
        places = [f"{told[n - 1].scan_id} ({where_it_lies(pieces[n - 1].pose, piece)})" for n in numbers]
        what = (
            f"{len(numbers)} pieces carry the code of run {run}" if run else f"{len(numbers)} run codes cannot be read"
        )
        then = (
            "Fits take them for one print and use their mean. Where they are several prints, write the right run_id "
            "into the table, and give each print a code of its own (sharpset piece stencil --run-id or --plan)"
            if run
            else "Write the right run_id into the table"
        )
        remarks.append(f"{what}; their readings have scan ids of their own: {', '.join(places)}. {then}")
    return tuple(told), tuple(remarks)
