"""Openings of a dark plate that light from above does not reach.

A camera looks down on a plate that lies on a light card. The card under an opening sees only as much of the room as the
opening lets in: under a slot of width w through a plate of thickness t that is w / sqrt(w^2 + 4 t^2) of even light from
above, a fifth for 0.5 mm through 1.2 mm. Narrow openings are as dark as the plate, and how dark nobody knows, so that
neither a width nor whether one formed can be told. A light plate on a black card does not depend on it.
"""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray

from sharpset.errors import ReadingError
from sharpset.pieces import Piece
from sharpset.readings.picture.light import pixels_at, sample_points
from sharpset.scans import LocatedPiece, Scan

__all__ = ["check_openings_lit", "share_of_light"]

_LEAST = 0.85
"""Light of the wide openings over that of the card beside the plate. Where a tenth of the light comes from above it is
0.9, and narrow openings have 4 % less contrast than wide ones; where it is less, so have widths, which are told by
contrast times width."""
_BESIDE_MM = 0.8


def share_of_light(scan: Scan, located: LocatedPiece, piece: Piece) -> float:
    """Return how much of the light of the card beside the plate its wide openings show, as a share of the contrast.

    Parameters
    ----------
    scan : Scan
    located : LocatedPiece
    piece : Piece

    Returns
    -------
    float
        Medians of both, as the plate throws a shadow to one side.
    """
    plate_mm, open_mm = sample_points(piece)
    ring = shapely.segmentize(piece.outline.buffer(_BESIDE_MM, join_style="mitre").exterior, 0.5)
    pixels = scan.channel(located.channel)

    def light_at(points_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.asarray(scan.decode(pixels_at(pixels, located.pose, points_mm)), dtype=float)

    beside = light_at(np.asarray(shapely.get_coordinates(ring)))
    if len(beside) == 0:
        return 1.0
    plate, openings = (float(np.median(light_at(points))) for points in (plate_mm, open_mm))
    return (openings - plate) / max(float(np.median(beside)) - plate, 1e-6)


def check_openings_lit(scan: Scan, located: LocatedPiece, piece: Piece) -> None:
    """Refuse a photograph of a dark plate whose openings are darker than the card beside it.

    Raises
    ------
    ReadingError
    """
    if scan.viewing is None or located.plate_is_bright:
        return
    share = share_of_light(scan, located, piece)
    if share < _LEAST:
        raise ReadingError(
            f"{scan.path}: the wide openings of the plate show {max(share, 0.0):.0%} of the light of the card beside "
            "it, narrower ones less: light from above does not reach the card through them, and sizes cannot be told. "
            "Light the card from below (a light table or a lit screen under it, the room dark), paint the piece light "
            "and lay it on black, or scan it."
        )
