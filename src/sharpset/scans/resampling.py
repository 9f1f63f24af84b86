"""Photographs resampled onto a grid of true millimetres, and merged."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from sharpset.errors import ScanError
from sharpset.scans.camera import CameraFit
from sharpset.scans.frame import PhotoFrame
from sharpset.scans.scan import Scan

__all__ = ["combine_window"]

_ROWS_AT_ONCE = 256
_NODE_STEP = 8


def combine_window(
    scans: Sequence[Scan], camera: CameraFit, frame: PhotoFrame, *, thickness_mm: float, step_mm: float
) -> NDArray[np.uint16]:
    """The window of the frame seen from straight above, from all photographs together.

    Parameters
    ----------
    scans : sequence of Scan
        The photographs, in the order of the camera's views.
    camera : CameraFit
    frame : PhotoFrame
    thickness_mm : float
        Height above the card of the plane that comes out true.
    step_mm : float
        Pixel size of the result.

    Returns
    -------
    ndarray of uint16, shape (rows, columns) or (rows, columns, 3)
        Linear light at the exposure of the first photograph, full scale 65535; the median of three photographs or more,
        the mean of two.

    Raises
    ------
    ScanError
        If the pixel size gives a picture of less than 8 or more than 400 million pixels.
    """
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
