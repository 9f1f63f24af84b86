"""Whether a scan shows the piece that was drawn: another piece folder would give sizes of other features."""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray

from sharpset.errors import ReadingError
from sharpset.pieces import Piece
from sharpset.readings.picture.light import PieceLight, means_of_nine, sample_points
from sharpset.readings.placing.registration import PlaceData, Registration
from sharpset.scans import Pose, Scan

__all__ = ["check_drawing", "check_places"]

_LIKE_GROUND, _LIKE_PLATE = 0.25, 0.75
"""Shares of the plate's light between which points are neither."""
_TOGETHER_MM = 0.6
_FEWEST, _EVIDENT = 2, 6
"""Openings that are not drawn, and drawn ones that are closed: least number of each, and of their pairs. Dirt may look
like the former and a bad print may show the latter, but prints of the right drawing hardly show both: 14 sample scans
had none of either; read by drawings with one other ladder a clean scan had 2 to 30 and 2 to 33, where it had any."""
_MISPLACED_MM = 0.06
"""Farther off than printers and carriages put single features against all others: up to 0.03 mm on the sample scans."""
_FEWEST_MISPLACED, _MOST_MISPLACED = 5, 0.04


def check_drawing(scan: Scan, light: PieceLight, pose: Pose, piece: Piece) -> None:
    """Refuse a piece that has openings where its drawing has plate, and plate where the drawing has wide openings.

    Raises
    ------
    ReadingError
    """
    plate, opened = sample_points(piece)
    points, share = means_of_nine(light, pose, plate)
    holes = points[np.abs(share) < _LIKE_GROUND]
    not_drawn = _clusters(holes) if len(holes) else 0
    if not_drawn < _FEWEST:
        return
    points, share = means_of_nine(light, pose, opened)
    which, opening = shapely.STRtree(piece.void_shapes()).query(shapely.points(points), predicate="within")
    levels = [np.median(share[which][opening == one]) for one in np.unique(opening)]
    closed = sum(level > _LIKE_PLATE for level in levels)
    if closed >= _FEWEST and not_drawn * closed >= _EVIDENT:
        raise ReadingError(
            f"{scan.path}: {not_drawn} openings are seen where the drawing of {piece.piece_id} has none, and {closed} "
            f"of its {len(levels)} wide openings are not there. Is it the right piece folder?"
        )


def _clusters(points_mm: NDArray[np.float64]) -> int:
    """Return how many groups of neighbouring points there are."""
    from scipy.sparse.csgraph import connected_components
    from scipy.spatial import cKDTree

    tree = cKDTree(points_mm)
    return int(connected_components(tree.sparse_distance_matrix(tree, _TOGETHER_MM), directed=False)[0])


def check_places(
    scan: Scan, places: PlaceData, registration: Registration, *, bent: NDArray[np.bool_] | None = None
) -> None:
    """Refuse a scan of a piece many of whose features lie elsewhere than drawn.

    Photographs bend places, and are not judged.

    Parameters
    ----------
    scan : Scan
    places : PlaceData
    registration : Registration
    bent : ndarray of bool, optional
        Which of the places are those of strips that lean or bow, whose middle says nothing of where they were drawn.

    Raises
    ------
    ReadingError
    """
    if scan.viewing is not None:
        return
    glass = registration.pose.to_pixels(places.points_mm) * np.array(registration.pose.pixel_mm)
    away = np.abs(np.sum(glass * places.directions, axis=1) - places.glass_mm)
    if bent is not None:
        away = np.where(bent, 0.0, away)
    misplaced = len(np.unique(places.points_mm[away > _MISPLACED_MM], axis=0))
    of = len(np.unique(places.points_mm, axis=0))
    if misplaced >= _FEWEST_MISPLACED and misplaced > _MOST_MISPLACED * of:
        raise ReadingError(
            f"{scan.path}: {misplaced} of {of} features lie more than {_MISPLACED_MM:g} mm from where they are drawn. "
            "Is it the right piece folder?"
        )
