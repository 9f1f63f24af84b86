"""A ray-cast photograph of a plate in a photo frame, for tests; no code of the package projects a point here.

Each sub-pixel's ray is made straight by OpenCV's own lens model, then met with the top of the plate, and where it
misses that, with the card.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from sharpset.scans.frame import N_MODULES, PhotoFrame, marker_modules

FloatArray = NDArray[np.float64]

SQUARES = np.array([(16.0, 14.0), (44.0, 15.0), (30.0, 25.0), (17.0, 36.0), (45.0, 35.0)])
"""Centres of the light squares on the plate, mm."""

SQUARE_MM = 3.0
PLATE = (10.0, 9.0, 52.0, 41.0)
WHITE, BLACK, GREY, LIGHT = 0.85, 0.04, 0.12, 0.75


@dataclass(frozen=True, kw_only=True)
class Scene:
    """Camera and plate of one picture."""

    size: tuple[int, int] = (800, 620)
    focal_px: float = 920.0
    k1: float = -0.12
    k2: float = 0.03
    turn_deg: tuple[float, float, float] = (4.0, -6.0, 10.0)
    distance_mm: float = 150.0
    thickness_mm: float = 0.0
    blur_px: float = 0.8
    noise: float = 0.004
    seed: int = 1


def render(scene: Scene, frame: PhotoFrame, *, n_sub: int = 3) -> NDArray[np.uint8]:
    """The picture, 8-bit grey, sRGB."""
    columns, rows = scene.size
    rays = _straight_rays(scene, n_sub)
    rotation, eye = _pose(scene, frame)
    directions = rays @ rotation
    light = _card(_meet(directions, eye, 0.0), frame)
    top = _meet(directions, eye, scene.thickness_mm)
    on_plate = (top[..., 0] > PLATE[0]) & (top[..., 0] < PLATE[2]) & (top[..., 1] > PLATE[1]) & (top[..., 1] < PLATE[3])
    light[on_plate] = _plate(top[on_plate])
    light = light.reshape(rows, n_sub, columns, n_sub).mean(axis=(1, 3))
    light = cv2.GaussianBlur(light, (0, 0), scene.blur_px)
    light = light + np.random.default_rng(scene.seed).normal(0, scene.noise, light.shape)
    light = np.clip(light, 0, 1)
    encoded = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    return np.round(encoded * 255).astype(np.uint8)


def _straight_rays(scene: Scene, n_sub: int) -> FloatArray:
    columns, rows = scene.size
    matrix = np.array([[scene.focal_px, 0, (columns - 1) / 2], [0, scene.focal_px, (rows - 1) / 2], [0, 0, 1]])
    # Straightened at pixel pitch and interpolated: the lens bends by less than 1e-4 px within a pixel's neighbourhood.
    grid = np.stack(np.meshgrid(np.arange(-1, columns + 1.0), np.arange(-1, rows + 1.0)), axis=-1)
    criteria = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 50, 1e-10)
    lens = np.array([scene.k1, scene.k2, 0, 0])
    flat = cv2.undistortPoints(grid.reshape(-1, 1, 2), matrix, lens, criteria=criteria)
    field = flat.reshape(rows + 2, columns + 2, 2)
    offsets = (np.arange(n_sub) + 0.5) / n_sub - 0.5
    at_columns = (np.arange(columns)[:, None] + offsets).ravel() + 1
    at_rows = (np.arange(rows)[:, None] + offsets).ravel() + 1
    i, j = np.floor(at_rows).astype(int), np.floor(at_columns).astype(int)
    u, v = (at_rows - i)[:, None, None], (at_columns - j)[None, :, None]
    upper = field[i][:, j] * (1 - v) + field[i][:, j + 1] * v
    lower = field[i + 1][:, j] * (1 - v) + field[i + 1][:, j + 1] * v
    straight = upper * (1 - u) + lower * u
    return np.concatenate([straight, np.ones((*straight.shape[:2], 1))], axis=2)


def _pose(scene: Scene, frame: PhotoFrame) -> tuple[FloatArray, FloatArray]:
    """Rotation from frame to camera axes, and the lens's place in the frame."""
    a, b, c = np.radians(scene.turn_deg)
    about_x = np.array([[1, 0, 0], [0, np.cos(a), -np.sin(a)], [0, np.sin(a), np.cos(a)]])
    about_y = np.array([[np.cos(b), 0, np.sin(b)], [0, 1, 0], [-np.sin(b), 0, np.cos(b)]])
    about_z = np.array([[np.cos(c), -np.sin(c), 0], [np.sin(c), np.cos(c), 0], [0, 0, 1]])
    rotation = about_z @ about_x @ about_y @ np.diag([1.0, -1.0, -1.0])
    middle = np.array([frame.window_x_mm / 2, frame.window_y_mm / 2, 0.0])
    eye = middle - scene.distance_mm * (rotation.T @ np.array([0.0, 0.0, 1.0]))
    return rotation, eye


def _meet(directions: FloatArray, eye: FloatArray, height: float) -> FloatArray:
    along = (height - eye[2]) / directions[..., 2]
    return eye[:2] + along[..., None] * directions[..., :2]


def _card(points: FloatArray, frame: PhotoFrame) -> FloatArray:
    light = np.full(points.shape[:2], WHITE)
    centres = np.array([(marker.x_mm, marker.y_mm) for marker in frame.markers])
    modules = np.array([marker_modules(marker.marker_id) for marker in frame.markers])
    half = frame.marker_mm / 2
    # The marker nearest to each cell of a coarse table is the only one that can cover a point of the cell.
    low, cell = centres.min(axis=0) - half - 1, 0.5
    shape = np.ceil((centres.max(axis=0) + half + 1 - low) / cell).astype(int)
    cells = low + (np.stack(np.meshgrid(*map(np.arange, shape), indexing="ij"), axis=-1) + 0.5) * cell
    nearest = np.argmin(np.abs(cells[:, :, None, :] - centres).max(axis=3), axis=2)
    index = np.floor((points - low) / cell).astype(int)
    on_table = ((index >= 0) & (index < shape)).all(axis=2)
    which = nearest[index[on_table][:, 0], index[on_table][:, 1]]
    local = points[on_table] - centres[which]
    inside = (np.abs(local) < half).all(axis=1)
    column = np.floor((local[inside, 0] + half) / frame.marker_mm * N_MODULES).astype(int)
    row = np.floor((half - local[inside, 1]) / frame.marker_mm * N_MODULES).astype(int)
    values = np.full(len(local), WHITE)
    values[inside] = np.where(modules[which[inside], row, column], WHITE, BLACK)
    light[on_table] = values
    if frame.ground == "black":
        window = (points > 0) & (points < [frame.window_x_mm, frame.window_y_mm])
        light[window.all(axis=2)] = BLACK
    return light


def _plate(points: FloatArray) -> FloatArray:
    distances = np.abs(points[:, None, :] - SQUARES).max(axis=2)
    return np.where((distances < SQUARE_MM / 2).any(axis=1), LIGHT, GREY)
