"""Which of a frame's markers a photograph shows, and what is wrong with it where they are too few."""

from __future__ import annotations

import numpy as np

from sharpset.errors import ScanError
from sharpset.scans.frame import PhotoFrame
from sharpset.scans.markers import MarkerSighting, n_in_mirror_image
from sharpset.scans.pinhole import PlaneView
from sharpset.scans.scan import Scan

__all__ = ["FEWEST_MARKERS", "view_of_frame"]

FEWEST_MARKERS = 6
_FEWEST_TWICE = 3  # text and piece may pass for a marker or two
_SMALL_PX = 400
_DARK = 0.25
"""Stored value, of full scale, below which paper is too dark for a search that needs contrast."""


def view_of_frame(scan: Scan, sighting: MarkerSighting, frame: PhotoFrame) -> PlaneView:
    """Bring the corners of markers that a photograph shows together with their places in the frame.

    Parameters
    ----------
    scan : Scan
        The photograph.
    sighting : MarkerSighting
        The markers found in it.
    frame : PhotoFrame

    Returns
    -------
    PlaneView

    Raises
    ------
    ScanError
        If too few of the frame's markers are seen, on one side only, or at two places.
    """
    corners = frame.corners_mm()
    ours = sighting.ids < len(corners)
    n_found = int(ours.sum())
    n_twice = sum(marker_id < len(corners) for marker_id in sighting.twice)
    if n_twice >= _FEWEST_TWICE:
        raise ScanError(
            f"{scan.path}: {n_twice} of the frame's {len(corners)} markers are seen at two places. "
            "Show one printed frame, and no mirror or screen that shows another."
        )
    if n_found < min(FEWEST_MARKERS, len(corners)):
        raise ScanError(_too_few(scan, n_found, len(corners)))
    true = corners[sighting.ids[ours]]
    spread = true.reshape(-1, 2).max(axis=0) - true.reshape(-1, 2).min(axis=0)
    if (spread < 0.6 * np.array([frame.window_x_mm, frame.window_y_mm])).any():
        raise ScanError(
            f"{scan.path}: markers are seen on one side of the window only. Show the whole frame, sharp and evenly lit."
        )
    return PlaneView(points_px=sighting.corners_px[ours].reshape(-1, 2), points_mm=true.reshape(-1, 2))


def _too_few(scan: Scan, n_found: int, n_markers: int) -> str:
    n_mirrored = n_in_mirror_image(scan)
    if n_mirrored >= max(FEWEST_MARKERS, n_found + 1):
        return (
            f"{scan.path}: the picture is mirrored, {n_mirrored} markers are seen in its mirror image. "
            "Use the camera on the back, or save pictures unmirrored."
        )
    seen = f"{n_found} of the frame's {n_markers} markers are seen, {FEWEST_MARKERS} are needed"
    small = scan.reduced(max(1, max(scan.n_rows, scan.n_columns) // _SMALL_PX)) / scan.full_scale
    brightest = float(np.quantile(small, 0.95))
    if brightest < _DARK:
        return (
            f"{scan.path}: {seen}. The picture is dark, its bright parts lie at {brightest:.0%} of the scale. "
            "Give it more light or a longer exposure."
        )
    if n_found:
        return f"{scan.path}: {seen}. Show the whole frame, sharp and evenly lit."
    return (
        f"{scan.path}: none of the frame's {n_markers} markers is seen. Lay the piece in the printed frame "
        "('sharpset photo frame') and show all of it, sharp and evenly lit."
    )
