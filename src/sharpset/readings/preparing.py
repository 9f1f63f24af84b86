"""Make a piece of a scan ready to be read: settle its pose and its encoding, and sample its pixels."""

from __future__ import annotations

from dataclasses import replace

from sharpset.errors import ReadingError
from sharpset.pieces import Piece
from sharpset.readings.assembling import places_of
from sharpset.readings.checks.drawing import check_drawing
from sharpset.readings.checks.gates import check_backing, check_ground, check_light
from sharpset.readings.features.fitting import read_features
from sharpset.readings.features.piece_samples import sample_piece
from sharpset.readings.picture.brightness import by_brightness
from sharpset.readings.picture.light import PieceLight, light_of
from sharpset.readings.picture.stored_values import with_used_bits
from sharpset.readings.picture.unlit import check_openings_lit
from sharpset.readings.placing.registration import pose_from_marks, register
from sharpset.readings.placing.traces import check_values
from sharpset.readings.placing.true_places import with_scale
from sharpset.readings.prepared import Prepared
from sharpset.readings.settling_curve import settle_curve
from sharpset.scans import LocalScale, LocatedPiece, Pose, Scan

__all__ = ["decoded_and_scaled", "prepare_piece"]

_SURE_MATCH, _SURE_LEAD = 0.75, 0.2
"""From what correlation with its drawing, and lead over other turns, a piece whose marks are lost is still read."""


def decoded_and_scaled(
    scan: Scan, located: LocatedPiece, piece: Piece, local: LocalScale | None
) -> tuple[Scan, LocatedPiece]:
    """Return a scan and a piece found in it as they are to be read.

    Parameters
    ----------
    scan : Scan
        As the file was opened.
    located : LocatedPiece
    piece : Piece
    local : LocalScale, optional
        Pixel size that holds there; without it, the scan's.

    Returns
    -------
    scan : Scan
        By brightness where colour is too coarse, with as many bits as the file's values use.
    located : LocatedPiece

    Raises
    ------
    ReadingError
        If piece and ground differ in colour but hardly in brightness.
    """
    scan, located = by_brightness(scan, located, piece)
    scan = with_used_bits(scan, located, piece)
    return (scan, located) if local is None else with_scale(scan, located, local)


def prepare_piece(scan: Scan, located: LocatedPiece, piece: Piece) -> Prepared:
    """Settle the pose and the encoding, and sample the piece."""
    check_openings_lit(scan, located, piece)
    light = light_of(scan, located, piece)
    check_values(scan, light)
    check_light(scan, light)
    check_drawing(scan, light, located.pose, piece)
    check_backing(scan, light, located.pose, piece)
    check_ground(scan, light, located.pose, piece)
    located = replace(located, pose=_settle_pose(light, located, piece))
    strips = sample_piece(light, located.pose, piece)
    return settle_curve(Prepared(scan=scan, light=light, located=located, strips=strips), piece)


def _settle_pose(light: PieceLight, located: LocatedPiece, piece: Piece) -> Pose:
    """Return the pose by the marks or, where a bad print has lost them and the pattern is sure, by the features."""
    try:
        return pose_from_marks(light, located.pose, piece)
    except ReadingError:
        if located.match < _SURE_MATCH or located.lead < _SURE_LEAD:
            raise
        fits = read_features(light, located.pose, piece, sample_piece(light, located.pose, piece))
        return register(places_of(fits, piece, located.pose), located.pose).pose
