"""Whether a photographed frame's window is as light as that of the frame that was named."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sharpset.errors import ScanError
from sharpset.scans.frame import N_MODULES, PhotoFrame
from sharpset.scans.pinhole import CameraFit
from sharpset.scans.scan import Scan

__all__ = ["check_ground", "share_of_paper"]

FloatArray = NDArray[np.float64]
_INSIDE_MM, _STEP_MM = 1.2, 1.0
_LIGHT, _DARK = 0.6, 0.4
"""Share of the way from ink to paper from which on a window is not black, and below which it is not white: grey ones
are neither, and are not judged."""
_FEWEST = 20


def check_ground(scan: Scan, camera: CameraFit, view: int, frame: PhotoFrame) -> None:
    """Refuse a photograph of another frame than the one that was named, as far as their windows tell.

    Parameters
    ----------
    scan : Scan
    camera : CameraFit
    view : int
        Which of the camera's views the photograph is.
    frame : PhotoFrame

    Raises
    ------
    ScanError
    """
    share = share_of_paper(scan, camera, view, frame)
    seen = "white" if share > _LIGHT else "black" if share < _DARK else frame.ground
    if {frame.ground, seen} == {"white", "black"}:
        raise ScanError(
            f"{scan.path}: the window is {seen}, that of the frame named is {frame.ground}. "
            "Name the .json of the frame that was printed."
        )


def share_of_paper(scan: Scan, camera: CameraFit, view: int, frame: PhotoFrame) -> float:
    """Return how light the window's rim is between the ink of markers, 0, and paper, 1; NaN where it is not seen.

    Medians, each place of the rim beside the paper and the markers' ink nearest to it.
    """
    x, y = frame.window_x_mm, frame.window_y_mm
    along_x, along_y = np.arange(3.0, x - 3.0, _STEP_MM), np.arange(3.0, y - 3.0, _STEP_MM)

    def ring(out: float) -> FloatArray:
        sides = [(along_x, np.full_like(along_x, at)) for at in (-out, y + out)]
        sides += [(np.full_like(along_y, at), along_y) for at in (-out, x + out)]
        return np.concatenate([np.column_stack(side) for side in sides])

    module = frame.marker_mm / N_MODULES
    centres = np.array([(marker.x_mm, marker.y_mm) for marker in frame.markers])
    border = (frame.marker_mm - module) / 2
    ink = np.concatenate(
        [centres + np.array(offset) for offset in ((-border, 0), (border, 0), (0, -border), (0, border))]
    )
    rim, paper, dark = (
        _light(scan, camera, view, frame, points) for points in (ring(-_INSIDE_MM), ring(frame.gap_mm / 2), ink)
    )
    beside = np.isfinite(rim) & np.isfinite(paper)
    if beside.sum() < _FEWEST or np.isfinite(dark).sum() < _FEWEST:
        return float("nan")
    black = float(np.nanmedian(dark))
    return float(np.median((rim[beside] - black) / np.maximum(paper[beside] - black, 1e-3)))


def _light(scan: Scan, camera: CameraFit, view: int, frame: PhotoFrame, points_mm: FloatArray) -> FloatArray:
    """Return the light at places of the frame, NaN outside the picture."""
    seen = camera.project(points_mm * np.array([frame.scale_x, frame.scale_y]), view)
    column, row = np.round(seen).astype(np.intp).T
    inside = (column >= 0) & (row >= 0) & (column < scan.n_columns) & (row < scan.n_rows)
    pixels = scan.channel(1 if scan.n_channels > 1 else None)
    light = np.full(len(points_mm), np.nan)
    light[inside] = scan.decode(pixels[row[inside], column[inside]])
    return light
