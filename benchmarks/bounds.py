"""Cramer-Rao bounds of one width or diameter, and what a stored picture's noise does to the best linear estimate.

JPEG rounds the frequencies of blocks of 8 x 8 pixels: its error is alike along an edge and is not told by the spread of
single pixels. Here the true error of every pixel (what was stored, decoded, less what was seen) goes through the
estimate of least squares that knows contrast, blur and a start at the truth; what comes out is what no estimator that
does not undo the rounding can avoid.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests" / "readings"))
from edge_pictures import hole, pixel_step

LENGTH_MM, END_MM, REACH_MM, INNER_MM = 3.0, 0.3, 0.42, 0.45
"""Length of strips, what is left out at each end, how far the surroundings are a feature's own, and how far inside a
very wide one they are looked at."""
STEP_PX = 0.02


@lru_cache(maxsize=4096)
def bound_mm(kind: str, size_mm: float, pixel_mm: float, blur_px: float) -> float:
    """Return the bound of a width or diameter for noise equal to the contrast, mm."""
    return (_hole_bound_px if kind == "hole" else _strip_bound_px)(size_mm / pixel_mm, pixel_mm, blur_px) * pixel_mm


def _strip_bound_px(width: float, pixel_mm: float, sigma: float) -> float:
    """Return the bound for one strip: rows of pixels at eight phases, known contrast and blur."""
    reach, inner = width / 2 + REACH_MM / pixel_mm, width / 2 - INNER_MM / pixel_mm
    n_rows = (LENGTH_MM - 2 * END_MM) / pixel_mm
    information = np.zeros((4, 4))
    h = 1e-4
    for phase in (np.arange(8) + 0.5) / 8:
        x = np.arange(np.ceil(-reach - phase), np.floor(reach - phase) + 1) + phase
        x = x[np.abs(x) >= inner]

        def model(w: float, c: float, x: np.ndarray = x) -> np.ndarray:
            return pixel_step(x - c + w / 2, sigma) - pixel_step(x - c - w / 2, sigma)

        by_width = (model(width + h, 0) - model(width - h, 0)) / (2 * h)
        by_centre = (model(width, h) - model(width, -h)) / (2 * h)
        design = np.column_stack((by_width, by_centre, np.ones_like(x), x))
        information += design.T @ design * n_rows / 8
    return float(np.sqrt(np.linalg.inv(information)[0, 0]))


def _hole_bound_px(diameter: float, pixel_mm: float, sigma: float) -> float:
    reach, inner = diameter / 2 + REACH_MM / pixel_mm, diameter / 2 - (REACH_MM + 0.1) / pixel_mm
    n = int(np.ceil(reach)) + 2
    rows, columns = np.indices((2 * n + 1, 2 * n + 1)) - n
    kept = (np.hypot(rows, columns) <= reach) & (np.hypot(rows, columns) >= inner)
    h = 0.02

    def picture(d: float, x: float, y: float) -> np.ndarray:
        canvas = np.zeros((2 * n + 1, 2 * n + 1))
        hole(canvas, centre=(n + 0.21 + x, n + 0.37 + y), diameter=d, sigma=sigma, height=1.0)
        return canvas[kept]

    steps = [((h, 0, 0), (-h, 0, 0)), ((0, h, 0), (0, -h, 0)), ((0, 0, h), (0, 0, -h))]
    slopes = [(picture(diameter + a[0], *a[1:]) - picture(diameter + b[0], *b[1:])) / (2 * h) for a, b in steps]
    design = np.column_stack((*slopes, np.ones(kept.sum())))
    return float(np.sqrt(np.linalg.inv(design.T @ design)[0, 0]))


@dataclass(frozen=True, kw_only=True)
class Window:
    """Which pixels of a feature count, in pixels: how far from its edges and (strips) along it."""

    reach: float
    inner: float
    half_length: float = np.inf


def strip_error(
    error: np.ndarray, *, centre: np.ndarray, width: float, lean_deg: float, sigma: float, window: Window
) -> float:
    """Return the error of a slot's width (pixels, a bar's has the other sign) that an error of each pixel makes.

    `error` is in shares of the contrast, rows x columns; `centre` is (column, row).
    """
    lean = np.radians(lean_deg)
    across, along = np.array([np.cos(lean), np.sin(lean)]), np.array([-np.sin(lean), np.cos(lean)])
    extent = np.abs(along) * window.half_length + np.abs(across) * (width / 2 + window.reach) + 1
    columns, rows = _box(error.shape, centre, extent)
    dx, dy = columns - centre[0], rows - centre[1]
    d, t = dx * across[0] + dy * across[1], dx * along[0] + dy * along[1]
    kept = (np.abs(d) <= width / 2 + window.reach) & (np.abs(d) >= width / 2 - window.inner)
    kept &= np.abs(t) <= window.half_length
    d = d[kept]
    left, right = (
        (pixel_step(d + side * width / 2 + STEP_PX, sigma) - pixel_step(d + side * width / 2 - STEP_PX, sigma))
        / (2 * STEP_PX)
        for side in (1, -1)
    )
    design = np.column_stack(((left + right) / 2, right - left, np.ones_like(d), d))
    return -_first(design, error[rows[kept], columns[kept]])


def hole_error(error: np.ndarray, *, centre: np.ndarray, diameter: float, sigma: float, window: Window) -> float:
    """Return the error of a hole's diameter (pixels) that an error of each pixel makes."""
    columns, rows = _box(error.shape, centre, np.full(2, diameter / 2 + window.reach + 1))
    low = np.array([columns.min(), rows.min()])
    shape = (int(np.ptp(rows)) + 1, int(np.ptp(columns)) + 1)
    local = centre - low
    r = np.hypot(columns - centre[0], rows - centre[1])
    kept = (r <= diameter / 2 + window.reach) & (r >= diameter / 2 - window.inner)

    def picture(dd: float, dx: float, dy: float) -> np.ndarray:
        canvas = np.zeros(shape)
        hole(canvas, centre=(local[0] + dx, local[1] + dy), diameter=diameter + dd, sigma=sigma, height=1.0)
        return canvas[rows - low[1], columns - low[0]][kept]

    h = STEP_PX
    slopes = [
        (picture(*plus) - picture(*minus)) / (2 * h)
        for plus, minus in (((h, 0, 0), (-h, 0, 0)), ((0, h, 0), (0, -h, 0)), ((0, 0, h), (0, 0, -h)))
    ]
    return -_first(np.column_stack((*slopes, np.ones(kept.sum()))), error[rows[kept], columns[kept]])


def _box(shape: tuple[int, ...], centre: np.ndarray, extent: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    low = np.maximum(np.floor(centre - extent), 0).astype(int)
    high = np.minimum(np.ceil(centre + extent), np.array(shape[::-1]) - 1).astype(int)
    columns, rows = np.meshgrid(np.arange(low[0], high[0] + 1), np.arange(low[1], high[1] + 1))
    return columns.ravel(), rows.ravel()


def _first(design: np.ndarray, values: np.ndarray) -> float:
    return float(np.linalg.solve(design.T @ design, design.T @ values)[0])
