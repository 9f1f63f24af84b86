"""Photographs of a piece in a photo frame: perspective and lens distortion removed, sizes in millimetres."""

from __future__ import annotations

import html
import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from sharpset.errors import ScanError
from sharpset.scans.camera import CameraFit, PlaneView, fit_camera
from sharpset.scans.encoding import LINEAR
from sharpset.scans.frame import PhotoFrame
from sharpset.scans.markers import MarkerSighting, find_markers
from sharpset.scans.opening import open_scan
from sharpset.scans.scan import PixelSize, Scan, scan_from_pixels

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["RectifiedPhoto", "rectify_photo", "rectify_photos"]

_FEWEST_MARKERS = 6
_LARGEST_TILT_DEG = 40.0
_LARGEST_RESIDUAL = 0.004  # of the window's larger side: more means a bent card, a moved piece or another frame
_ROWS_AT_ONCE = 256
_NODE_STEP = 8
_FOCAL_35MM = 0xA405


@dataclass(frozen=True, kw_only=True, eq=False)
class RectifiedPhoto:
    """What one or more photographs show in the window of the frame, seen from straight above at true size.

    Attributes
    ----------
    scan : Scan
        The window; its upper-left corner is that of the window, 16 bit, linear light.
    camera : CameraFit
        Camera and positions, one view per photograph.
    n_markers : tuple of int
        Markers used, per photograph.
    residual_rms_mm, residual_max_mm : float
        Distances of the markers' corners from where they are in the frame.
    thickness_mm : float
        Height of the measured face above the card that was allowed for.
    u_scale : float
        Relative standard uncertainty of all lengths: print of the frame, residuals, and height times focal length.
    remarks : tuple of str
    """

    scan: Scan
    camera: CameraFit
    n_markers: tuple[int, ...]
    residual_rms_mm: float
    residual_max_mm: float
    thickness_mm: float
    u_scale: float
    remarks: tuple[str, ...] = field(default=())

    @property
    def n_photos(self) -> int:
        """Photographs combined."""
        return len(self.n_markers)

    def summary(self) -> str:
        """One line for people."""
        return (
            f"{self.scan.scan_id}: {self.n_photos} photographs, {sum(self.n_markers)} markers, residual "
            f"{1000 * self.residual_rms_mm:.1f} um rms, {1000 * self.residual_max_mm:.1f} um largest, "
            f"pixels {1000 * self.scan.pixel_mm.x:.1f} um, scale uncertainty {100 * self.u_scale:.2f} %"
        )

    def to_frame(self) -> pd.DataFrame:
        """One row per photograph."""
        import pandas as pd

        rms = [float(np.sqrt(np.mean(np.sum(part**2, axis=1)))) for part in self.camera.residuals_mm]
        return pd.DataFrame(
            {
                "photo": range(1, self.n_photos + 1),
                "n_markers": self.n_markers,
                "tilt_deg": self.camera.tilts_deg,
                "distance_mm": self.camera.distances_mm,
                "residual_rms_mm": rms,
            }
        )

    def _repr_html_(self) -> str:
        remarks = "".join(f"<br>{html.escape(remark)}" for remark in self.remarks)
        return f"<p>{html.escape(self.summary())}{remarks}</p>"


def rectify_photo(image: str | Path | Scan, frame: PhotoFrame, **options: Any) -> RectifiedPhoto:
    """One photograph of a piece in the frame, as `rectify_photos` does several.

    Parameters
    ----------
    image : str, Path or Scan
    frame : PhotoFrame
    **options
        As for `rectify_photos`.
    """
    return rectify_photos([image], frame, **options)


def rectify_photos(
    images: Sequence[str | Path | Scan],
    frame: PhotoFrame,
    *,
    thickness_mm: float = 0.0,
    u_thickness_mm: float = 0.05,
    pixel_mm: float | None = None,
    focal_px: float | None = None,
    encoding: str = "auto",
) -> RectifiedPhoto:
    """Combine photographs of one piece that lies still in the frame.

    Parameters
    ----------
    images : sequence of str, Path or Scan
        By one camera at one zoom and focus.
    frame : PhotoFrame
        The frame that was printed, with its measured rulers if they were measured.
    thickness_mm : float
        Height of the face to be measured above the card: the piece's thickness.
    u_thickness_mm : float
        Its standard uncertainty; a bent card counts here too.
    pixel_mm : float or None
        Pixel size of the result; None takes that of the photographs where they are finest in the window.
    focal_px : float or None
        Focal length in pixels if it is known (to about 10 %). None takes what the file says, else a usual one; several
        pictures from different directions find it themselves.
    encoding : str
        As for `open_scan`.

    Returns
    -------
    RectifiedPhoto

    Raises
    ------
    ScanError
        If too few markers are found, the camera was tilted too far, the pictures differ in size, or the markers do
        not fit the frame.

    Notes
    -----
    The camera's positions, its focal length and two terms of radial distortion are fitted to the corners of all markers
    together. A face above the card is seen nearer to the lens: its scale depends on height over distance, and the
    distance on the focal length, whose uncertainty is carried into ``u_scale``. Where three pictures or more are
    combined each pixel is their median, so that glare in one of them does not count.
    """
    if not images:
        raise ScanError("photographs: none given. Name at least one picture.")
    if not 0.0 <= thickness_mm <= 50.0:
        raise ScanError(f"photographs: a thickness of {thickness_mm:g} mm is outside 0 to 50.")
    scans = [_opened(image, encoding) for image in images]
    sizes = {(scan.n_columns, scan.n_rows) for scan in scans}
    if len(sizes) > 1:
        listed = " and ".join(f"{x} x {y}" for x, y in sorted(sizes))
        raise ScanError(
            f"photographs: of different sizes ({listed}). Take all at the same settings, or use them apart."
        )
    views = [_view(scan, find_markers(scan), frame) for scan in scans]
    known_focal = focal_px if focal_px is not None else _focal_in_file(scans[0])
    camera = fit_camera(
        views,
        size_px=(scans[0].n_columns, scans[0].n_rows),
        focal_px=known_focal,
        u_focal=0.35 if known_focal is None else 0.1,
    )
    _check(scans, camera, frame)
    step_mm = _finest_pixel_mm(camera, frame, thickness_mm) if pixel_mm is None else pixel_mm
    pixels = _combine(scans, camera, frame, thickness_mm, step_mm)
    scan = scan_from_pixels(
        pixels,
        pixel_mm=PixelSize(step_mm, step_mm),
        name=str(scans[0].path),
        encoding=LINEAR,
        scale_source="frame",
    )
    return RectifiedPhoto(
        scan=scan,
        camera=camera,
        n_markers=tuple(len(view.points_px) // 4 for view in views),
        residual_rms_mm=camera.rms_mm,
        residual_max_mm=camera.max_mm,
        thickness_mm=thickness_mm,
        u_scale=_u_scale(camera, frame, thickness_mm, u_thickness_mm),
        remarks=tuple(dict.fromkeys(remark for one in scans for remark in one.remarks)),
    )


def _opened(image: str | Path | Scan, encoding: str) -> Scan:
    return image if isinstance(image, Scan) else open_scan(image, encoding=encoding, need_scale=False)


def _view(scan: Scan, sighting: MarkerSighting, frame: PhotoFrame) -> PlaneView:
    corners = frame.corners_mm()
    ours = sighting.ids < len(corners)
    n_found = int(ours.sum())
    if n_found < min(_FEWEST_MARKERS, len(corners)):
        raise ScanError(
            f"{scan.path}: {n_found} of the frame's {len(corners)} markers are seen, {_FEWEST_MARKERS} are needed. "
            "Show the whole frame, sharp and evenly lit."
        )
    true = corners[sighting.ids[ours]]
    spread = true.reshape(-1, 2).max(axis=0) - true.reshape(-1, 2).min(axis=0)
    if (spread < 0.6 * np.array([frame.window_x_mm, frame.window_y_mm])).any():
        raise ScanError(f"{scan.path}: markers are seen on one side of the window only. Show the whole frame.")
    return PlaneView(points_px=sighting.corners_px[ours].reshape(-1, 2), points_mm=true.reshape(-1, 2))


def _focal_in_file(scan: Scan) -> float | None:
    """Focal length in pixels from the 35-mm-equivalent entry of EXIF, or None."""
    if scan.kind != "JPEG":
        return None
    from PIL import Image

    try:
        with Image.open(scan.path) as picture:
            equivalent = float(picture.getexif().get_ifd(0x8769).get(_FOCAL_35MM, 0))
    except (OSError, TypeError, ValueError):
        return None
    diagonal_px = math.hypot(scan.n_rows, scan.n_columns)
    return equivalent / math.hypot(36.0, 24.0) * diagonal_px if 10 <= equivalent <= 500 else None


def _check(scans: Sequence[Scan], camera: CameraFit, frame: PhotoFrame) -> None:
    for scan, tilt, part in zip(scans, camera.tilts_deg, camera.residuals_mm, strict=True):
        if tilt > _LARGEST_TILT_DEG:
            raise ScanError(
                f"{scan.path}: taken {tilt:.0f} degrees from the vertical, {_LARGEST_TILT_DEG:.0f} is the limit. "
                "Photograph from above."
            )
        rms = float(np.sqrt(np.mean(np.sum(part**2, axis=1))))
        limit = _LARGEST_RESIDUAL * max(frame.window_x_mm, frame.window_y_mm)
        if not rms <= limit:
            raise ScanError(
                f"{scan.path}: the markers miss their places by {rms:.2f} mm rms, {limit:.2f} is allowed. "
                "Lay the card flat, and check that this is the frame that was printed."
            )


def _corners_and_middle(frame: PhotoFrame) -> NDArray[np.float64]:
    x, y = frame.window_x_mm, frame.window_y_mm
    return np.array([(0, 0), (x, 0), (x, y), (0, y), (x / 2, y / 2)], dtype=float)


def _finest_pixel_mm(camera: CameraFit, frame: PhotoFrame, thickness_mm: float) -> float:
    places = _corners_and_middle(frame)
    finest = math.inf
    for view in range(len(camera.rotations)):
        here = camera.project(places, view, z_mm=thickness_mm)
        for shift in ((0.1, 0.0), (0.0, 0.1)):
            there = camera.project(places + np.array(shift), view, z_mm=thickness_mm)
            finest = min(finest, 0.1 / float(np.linalg.norm(there - here, axis=1).max()))
    return finest


def _u_scale(camera: CameraFit, frame: PhotoFrame, thickness_mm: float, u_thickness_mm: float) -> float:
    """Relative standard uncertainty of lengths in the window: GUM, law of propagation, parts taken as independent.

    The four corners of a marker count as one observation, since print and card err by markers.
    """
    distance_mm = float(np.mean(camera.distances_mm))
    span_mm = max(frame.window_x_mm, frame.window_y_mm)
    n_markers = sum(len(part) for part in camera.residuals_mm) / 4.0
    from_points = 2.0 * camera.rms_mm / math.sqrt(n_markers) / span_mm
    # A face at height h appears larger by h / distance; the distance found is in proportion to the focal length.
    from_focal = thickness_mm / distance_mm * camera.u_focal
    from_height = u_thickness_mm / distance_mm
    return math.sqrt(frame.u_scale**2 + from_points**2 + from_focal**2 + from_height**2)


def _combine(
    scans: Sequence[Scan], camera: CameraFit, frame: PhotoFrame, thickness_mm: float, step_mm: float
) -> NDArray[np.uint16]:
    n_rows = math.floor(frame.window_y_mm / step_mm)
    n_columns = math.floor(frame.window_x_mm / step_mm)
    if n_rows < 8 or n_columns < 8 or n_rows * n_columns > 400_000_000:
        raise ScanError(f"photographs: pixels of {step_mm:g} mm do not suit a window of {frame.window_x_mm:g} mm.")
    nodes = [
        _Nodes(camera, view, frame, thickness_mm, step_mm=step_mm, n_rows=n_rows, n_columns=n_columns)
        for view in range(len(scans))
    ]
    n_channels = min(scan.n_channels for scan in scans)
    result = np.empty((n_rows, n_columns, n_channels), dtype=np.uint16)
    for channel in range(n_channels):
        planes = [scan.decode(scan.channel(channel if scan.n_channels > 1 else None)) for scan in scans]
        gains = _gains(planes, camera, frame, thickness_mm)
        for top in range(0, n_rows, _ROWS_AT_ONCE):
            seen = [
                gain * one.sample(plane, top, min(top + _ROWS_AT_ONCE, n_rows))
                for one, plane, gain in zip(nodes, planes, gains, strict=True)
            ]
            result[top : top + _ROWS_AT_ONCE, :, channel] = np.round(np.clip(_middle(seen), 0.0, 1.0) * 65535.0)
    return result[..., 0] if n_channels == 1 else result


def _middle(seen: list[NDArray[np.float32]]) -> NDArray[np.float32]:
    """Median of three pictures or more, mean of two."""
    if len(seen) == 1:
        return seen[0]
    if len(seen) == 3:
        a, b, c = seen
        return np.asarray(np.maximum(np.minimum(a, b), np.minimum(np.maximum(a, b), c)))
    return np.asarray(np.mean(seen, axis=0) if len(seen) == 2 else np.median(seen, axis=0))


class _Nodes:
    """Where pixels of the result are seen in one photograph, known at every eighth pixel and straight in between.

    Lens and perspective bend the map by less than 0.001 px over eight pixels.
    """

    def __init__(
        self,
        camera: CameraFit,
        view: int,
        frame: PhotoFrame,
        thickness_mm: float,
        *,
        step_mm: float,
        n_rows: int,
        n_columns: int,
    ) -> None:
        self._n_columns = n_columns
        # Nodes lie in the middle of cells of eight pixels, with one cell beyond each edge: what resizing expects.
        rows = _NODE_STEP * (np.arange(-(-n_rows // _NODE_STEP) + 2) - 1) + (_NODE_STEP - 1) / 2
        columns = _NODE_STEP * (np.arange(-(-n_columns // _NODE_STEP) + 2) - 1) + (_NODE_STEP - 1) / 2
        grid = _grid(frame, rows, columns, step_mm)
        places = camera.project(grid.reshape(-1, 2), view, z_mm=thickness_mm)
        self._places = places.astype(np.float32).reshape(grid.shape)

    def sample(self, plane: NDArray[np.float32], top: int, stop: int) -> NDArray[np.float32]:
        """Light at rows `top` to `stop` of the result; `top` is a multiple of eight."""
        import cv2

        first, last = top // _NODE_STEP, -(-stop // _NODE_STEP) + 2
        coarse = self._places[first:last]
        size = (coarse.shape[1] * _NODE_STEP, coarse.shape[0] * _NODE_STEP)
        fine = cv2.resize(coarse, size, interpolation=cv2.INTER_LINEAR)
        fine = fine[_NODE_STEP : _NODE_STEP + stop - top, _NODE_STEP : _NODE_STEP + self._n_columns]
        return _remap(plane, fine)


def _grid(
    frame: PhotoFrame, rows: NDArray[np.floating], columns: NDArray[np.floating], step_mm: float
) -> NDArray[np.float64]:
    """Places of pixel centres in the frame, shape (rows, columns, 2); row 0 along the upper edge of the window."""
    y = frame.window_y_mm - (rows + 0.5) * step_mm
    x = (columns + 0.5) * step_mm
    return np.stack(np.meshgrid(x, y), axis=-1)


def _remap(plane: NDArray[np.float32], places: NDArray[np.float32]) -> NDArray[np.float32]:
    import cv2

    column, row = np.ascontiguousarray(places[..., 0]), np.ascontiguousarray(places[..., 1])
    return np.asarray(cv2.remap(plane, column, row, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE))


def _gains(
    planes: Sequence[NDArray[np.float32]], camera: CameraFit, frame: PhotoFrame, thickness_mm: float
) -> list[float]:
    """Factors that bring all photographs to the first one's exposure, from a coarse view of the window."""
    if len(planes) == 1:
        return [1.0]
    across = np.arange(100.0)
    grid = _grid(frame, across, across, min(frame.window_x_mm, frame.window_y_mm) / 100.0)
    coarse = []
    for view, plane in enumerate(planes):
        places = camera.project(grid.reshape(-1, 2), view, z_mm=thickness_mm)
        coarse.append(_remap(plane, places.astype(np.float32).reshape(grid.shape)))
    bright = coarse[0] > np.median(coarse[0])
    return [float(np.median(coarse[0][bright] / np.maximum(one[bright], 1e-4))) for one in coarse]
