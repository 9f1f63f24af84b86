"""Photographs resampled onto a grid of true millimetres, and merged.

Every place of the result is taken from the photograph from most straight above it, as walls of a thick piece hide and
show least there, and as a bent card moves least. Pictures from nearly the same place are averaged.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sharpset.errors import ScanError
from sharpset.scans.frame import PhotoFrame
from sharpset.scans.pinhole import CameraFit
from sharpset.scans.scan import Scan
from sharpset.scans.viewing import Viewing

__all__ = ["combine_window"]

FloatArray = NDArray[np.float64]
_ROWS_AT_ONCE = 256
_NODE_STEP, _KERNEL_PX = 8, 6
_CELL_MM, _CELL_POINTS, _FINER = 2.0, 8, 4
_BORDER_MM = 0.5
_GLARE = 0.08
"""Share of the window's range of light by which a cell of one picture must exceed the others' to count as glare."""
_GLARE_COUNTS = 1e-3


def combine_window(
    scans: Sequence[Scan], camera: CameraFit, frame: PhotoFrame, viewing: Viewing, *, step_mm: float
) -> NDArray[np.uint16]:
    """The window of the frame seen from straight above, from all photographs together.

    Parameters
    ----------
    scans : sequence of Scan
        The photographs, in the order of the camera's views.
    camera : CameraFit
    frame : PhotoFrame
    viewing : Viewing
        From where they were taken, and the height above the card of the plane that comes out true.
    step_mm : float
        Pixel size of the result.

    Returns
    -------
    ndarray of uint16, shape (rows, columns) or (rows, columns, 3)
        Linear light at the exposure of the first photograph, full scale 65535.

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
        _Nodes(camera, view, frame, viewing.face_mm, step_mm=step_mm, n_rows=n_rows, n_columns=n_columns)
        for view in range(len(scans))
    ]
    # Only what the window shows is decoded, with what cells of light reach beyond it.
    boxes = [one.box(scan, _CELL_MM / step_mm) for one, scan in zip(nodes, scans, strict=True)]
    n_channels = min(scan.n_channels for scan in scans)
    result = np.empty((n_rows, n_columns, n_channels), dtype=np.uint16)
    for channel in range(n_channels):
        planes = [
            _Plane.of(scan, channel if scan.n_channels > 1 else None, box)
            for scan, box in zip(scans, boxes, strict=True)
        ]
        weights = _Weights(planes, camera, frame, viewing)
        for top in range(0, n_rows, _ROWS_AT_ONCE):
            bottom = min(top + _ROWS_AT_ONCE, n_rows)
            rows = (np.arange(top, bottom) + 0.5) * step_mm
            columns = (np.arange(n_columns) + 0.5) * step_mm
            light = np.zeros((bottom - top, n_columns), dtype=np.float32)
            for view, (one, plane) in enumerate(zip(nodes, planes, strict=True)):
                light += one.sample(plane, top, bottom) * weights.at(view, columns, rows)
            result[top:bottom, :, channel] = np.round(np.clip(light, 0.0, 1.0) * 65535.0)
    return result[..., 0] if n_channels == 1 else result


class _Plane(NamedTuple):
    """Light of a part of a picture, and the column and row of its first pixel."""

    light: NDArray[np.float32]
    origin: tuple[int, int]

    @classmethod
    def of(cls, scan: Scan, channel: int | None, box: tuple[slice, slice]) -> _Plane:
        """Light of rows and columns of one channel."""
        light = scan.decode(np.ascontiguousarray(scan.channel(channel)[box]))
        return cls(light=light, origin=(box[1].start, box[0].start))

    def at(self, places: NDArray[np.float32]) -> NDArray[np.float32]:
        """Light at places of the picture, column and row."""
        return _remap(self.light, places - np.array(self.origin, dtype=np.float32))


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
        places = camera.project(
            _over_ground(grid.reshape(-1, 2), camera, view, frame, thickness_mm), view, z_mm=thickness_mm
        )
        self._places = places.astype(np.float32).reshape(grid.shape)

    def box(self, scan: Scan, beyond: float) -> tuple[slice, slice]:
        """Rows and columns of the picture that show the window, and so many pixels of the result beyond it."""
        apart = max(float(np.abs(np.diff(self._places, axis=axis)).max()) for axis in (0, 1))
        reach = math.ceil(beyond * apart / _NODE_STEP) + _KERNEL_PX
        low = np.floor(self._places.min(axis=(0, 1))).astype(int) - reach
        high = np.ceil(self._places.max(axis=(0, 1))).astype(int) + reach
        spans = [
            slice(int(np.clip(a, 0, n - 1)), int(np.clip(b, 1, n)))
            for a, b, n in zip(low, high, (scan.n_columns, scan.n_rows), strict=True)
        ]
        return spans[1], spans[0]

    def sample(self, plane: _Plane, top: int, stop: int) -> NDArray[np.float32]:
        """Light at rows `top` to `stop` of the result; `top` is a multiple of eight."""
        import cv2

        first, last = top // _NODE_STEP, -(-stop // _NODE_STEP) + 2
        coarse = self._places[first:last]
        size = (coarse.shape[1] * _NODE_STEP, coarse.shape[0] * _NODE_STEP)
        fine = cv2.resize(coarse, size, interpolation=cv2.INTER_LINEAR)
        fine = fine[_NODE_STEP : _NODE_STEP + stop - top, _NODE_STEP : _NODE_STEP + self._n_columns]
        return plane.at(fine)


def _grid(
    frame: PhotoFrame, rows: NDArray[np.floating], columns: NDArray[np.floating], step_mm: float
) -> NDArray[np.float64]:
    """Places of pixel centres in the frame, shape (rows, columns, 2); row 0 along the upper edge of the window."""
    y = frame.window_y_mm - (rows + 0.5) * step_mm
    x = (columns + 0.5) * step_mm
    return np.stack(np.meshgrid(x, y), axis=-1)


def _over_ground(points: FloatArray, camera: CameraFit, view: int, frame: PhotoFrame, face_mm: float) -> FloatArray:
    """Places at the height of the face, moved as far as they must to be seen before the printed ground.

    At a slant, or where the frame was printed smaller than drawn, the white paper round the ground would show along the
    border and pass for a plate.
    """
    eye = camera.eyes_mm[view]
    down = eye[2] / (eye[2] - face_mm)
    on_card = eye[:2] + (points - eye[:2]) * down
    size = np.array([frame.window_x_mm * frame.scale_x, frame.window_y_mm * frame.scale_y])
    inside = np.clip(on_card, _BORDER_MM, size - _BORDER_MM)
    return np.where(inside == on_card, points, eye[:2] + (inside - eye[:2]) / down)


def _remap(plane: NDArray[np.float32], places: NDArray[np.float32]) -> NDArray[np.float32]:
    import cv2

    # OpenCV's cubic kernel (a = -0.75) bends a straight ramp by 0.05 px; Lanczos' moves edges by 0.016 px at most.
    column, row = np.ascontiguousarray(places[..., 0]), np.ascontiguousarray(places[..., 1])
    return np.asarray(cv2.remap(plane, column, row, cv2.INTER_LANCZOS4, borderMode=cv2.BORDER_REPLICATE))


class _Weights:
    """What photographs are multiplied by before they are added: their part, and the first one's exposure.

    Light is compared in cells of two millimetres; weights are known at every half of one and straight in between.
    """

    def __init__(self, planes: Sequence[_Plane], camera: CameraFit, frame: PhotoFrame, viewing: Viewing) -> None:
        import cv2

        shape = [math.ceil(length / _CELL_MM) for length in (frame.window_y_mm, frame.window_x_mm)]
        fine = [n * _FINER for n in shape]
        if len(planes) == 1:
            self._maps = np.ones((1, *fine))
            return
        cells = [_cells(plane, camera, view, frame, viewing.face_mm, shape) for view, plane in enumerate(planes)]
        gains = [_gain(cells[0], one, _middles(shape, _CELL_MM)).reshape(shape) for one in cells]
        levels = [gain[..., None] * one for gain, one in zip(gains, cells, strict=True)]
        shining = np.kron(_glare(np.stack(levels)), np.ones((1, _FINER, _FINER)))
        places = _middles(fine, _CELL_MM / _FINER)
        parts = viewing.shares(places).reshape(-1, *fine) * np.where(shining > 0, _GLARE_COUNTS, 1.0)
        smooth = [cv2.resize(gain, fine[::-1], interpolation=cv2.INTER_LINEAR) for gain in gains]
        self._maps = parts / parts.sum(axis=0) * np.stack(smooth)

    def at(self, view: int, columns_mm: NDArray[np.floating], rows_mm: NDArray[np.floating]) -> NDArray[np.float32]:
        """Factors of one photograph where columns and rows cross."""
        import cv2

        step = _CELL_MM / _FINER
        column, row = np.meshgrid(*((at / step - 0.5).astype(np.float32) for at in (columns_mm, rows_mm)))
        cells = self._maps[view].astype(np.float32)
        return np.asarray(cv2.remap(cells, column, row, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE))


def _middles(shape: Sequence[int], step_mm: float) -> FloatArray:
    """Middles of cells, along columns and rows, shape (n_rows * n_columns, 2)."""
    rows, columns = ((np.arange(n) + 0.5) * step_mm for n in shape)
    return np.stack(np.meshgrid(columns, rows), axis=-1).reshape(-1, 2)


def _cells(
    plane: _Plane, camera: CameraFit, view: int, frame: PhotoFrame, face_mm: float, shape: Sequence[int]
) -> FloatArray:
    """Lowest, middle and highest light in every cell, shape (rows, columns, 3)."""
    step = _CELL_MM / _CELL_POINTS
    rows, columns = (np.arange(n * _CELL_POINTS, dtype=float) for n in shape)
    grid = _grid(frame, rows, columns, step)
    places = _over_ground(grid.reshape(-1, 2), camera, view, frame, face_mm)
    seen = camera.project(places, view, z_mm=face_mm).astype(np.float32).reshape(grid.shape)
    light = plane.at(seen).reshape(shape[0], _CELL_POINTS, shape[1], _CELL_POINTS)
    points = light.transpose(0, 2, 1, 3).reshape(*shape, -1).astype(float)
    return np.asarray(np.quantile(points, [0.1, 0.5, 0.9], axis=2).transpose(1, 2, 0))


def _gain(first: FloatArray, other: FloatArray, places: FloatArray) -> FloatArray:
    """Smooth factors that bring a photograph to the first one's light: exposure, and the lens's loss in the corners."""
    x, y = 2 * (places / places.max(axis=0)).T - 1
    surface = np.column_stack((np.ones_like(x), x, y, x * x, x * y, y * y))
    bright = (first[..., 2] > np.median(first[..., 2])).ravel() & (other[..., 2] > 1e-3).ravel()
    ratio = np.log(np.maximum(first[..., 2], 1e-4) / np.maximum(other[..., 2], 1e-4)).ravel()
    kept = bright
    found = np.zeros(surface.shape[1])
    for _ in range(5):
        if kept.sum() < 4 * surface.shape[1]:
            break
        found = np.linalg.lstsq(surface[kept], ratio[kept], rcond=None)[0]
        left = np.abs(ratio - surface @ found)
        kept = bright & (left <= 3 * 1.4826 * max(float(np.median(left[bright])), 1e-3))
    return np.asarray(np.exp(np.clip(surface @ found, -2.0, 2.0)))


def _glare(levels: FloatArray) -> NDArray[np.bool_]:
    """Which cells of which photographs shine, shape (n_views, rows, columns).

    Glare lifts the darkest there is in a cell, or the brightest beyond all else in the window; walls and openings that
    one photograph shows and another hides do neither, or do it where the other is the better one.
    """
    from scipy.ndimage import maximum_filter

    usual = np.median(levels, axis=0) if len(levels) > 2 else levels.min(axis=0)
    bright, dark = (float(np.quantile(usual[..., k], q)) for k, q in ((2, 0.9), (0, 0.1)))
    least = _GLARE * (bright - dark)
    higher = (levels[..., 2] > usual[..., 2] + least) & (levels[..., 2] > bright + least)
    lifted = levels[..., 0] > usual[..., 0] + least
    shining = maximum_filter(higher | lifted, size=(1, 3, 3))
    return np.asarray(shining & ~shining.all(axis=0))
