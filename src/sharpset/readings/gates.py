"""Gates: what a scan must offer before a number may be read from it."""

from __future__ import annotations

from sharpset.errors import ReadingError
from sharpset.pieces import Piece
from sharpset.readings.blur import EdgeSpread
from sharpset.readings.light import PieceLight
from sharpset.scans import Pose, Scan

__all__ = ["check_blur", "check_light", "check_scale", "wanted_mm"]

_LEAST_CNR = 4.0
_MOST_CLIPPED = 0.2
_LEAST_PIXELS = 1.2
_MOST_BLUR = 0.75
_MOST_SCALE = 0.035


def wanted_mm(piece: Piece) -> float:
    """Return the smallest size that the piece was made for, mm."""
    wanted = piece.parameters.get("smallest_mm") or {}
    sizes = [float(size) for size in wanted.values()] or [float(piece.features["nominal_mm"].min())]
    return min(sizes)


def check_light(scan: Scan, light: PieceLight) -> None:
    """Refuse a picture that is clipped or too faint.

    Raises
    ------
    ReadingError
    """
    if light.clipped > _MOST_CLIPPED:
        raise ReadingError(
            f"{scan.path}: {light.clipped:.0%} of the plate or of the background is at the end of the scale, so "
            "edges have lost part of their shape. Scan again with less exposure or contrast, automatic levels off."
        )
    if light.contrast_to_noise < _LEAST_CNR:
        raise ReadingError(
            f"{scan.path}: contrast is only {light.contrast_to_noise:.1f} times the noise; {_LEAST_CNR:g} is needed. "
            "Use a background that differs more from the plastic, or scan with less noise."
        )


def check_scale(scan: Scan, pose: Pose) -> None:
    """Refuse a scan whose scale cannot be right.

    Raises
    ------
    ReadingError
    """
    for axis, scale in (("x", pose.scale_x), ("y", pose.scale_y)):
        if abs(scale - 1) > _MOST_SCALE:
            raise ReadingError(
                f"{scan.path}: along {axis} the piece measures {scale:.3f} of its drawn size; no printer is "
                f"{abs(scale - 1):.1%} off. Check the resolution ({scan.dpi.x:g} x {scan.dpi.y:g} dpi from the "
                f"{scan.scale_source}), or give it with --dpi."
            )


def check_blur(scan: Scan, spread: EdgeSpread, piece: Piece) -> None:
    """Refuse a scan too coarse or too blurred for the sizes the piece was made for.

    Raises
    ------
    ReadingError
    """
    wanted = wanted_mm(piece)
    pixel = max(scan.pixel_mm)
    if pixel * _LEAST_PIXELS > wanted:
        raise ReadingError(
            f"{scan.path}: pixels are {1000 * pixel:.1f} um, too coarse for the {wanted:.2f} mm details of this piece. "
            f"Scan again at {100 * int(-(-2.5 * 25.4 / wanted // 100))} dpi or finer."
        )
    blur = max(spread.sigma_x_mm, spread.sigma_y_mm)
    if blur > _MOST_BLUR * wanted:
        raise ReadingError(
            f"{scan.path}: edges are blurred by {1000 * blur:.0f} um (standard deviation), too much for the "
            f"{wanted:.2f} mm details of this piece. Scan again in focus, the piece flat on the glass."
        )
