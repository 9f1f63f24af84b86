"""A printed and scanned piece whose truth is known by construction: exact areas, a blur and noise of our own."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import pandas as pd
from PIL import Image
from scipy.ndimage import gaussian_filter
from shapely import affinity
from shapely.geometry import Point
from shapely.ops import unary_union

from sharpset.pieces import Piece, feature_shape, make_stencil
from sharpset.rehearsal.coverage import area_coverage, sides_of

GROWTH_MM = 0.03
SCALE_X, SCALE_Y = 0.998, 0.997
FIXED = ("marks", "scale-x", "scale-y", "round", "square")


@dataclass(frozen=True)
class Scene:
    """A picture of one piece with its truth: a row a feature (true_mm NaN where it is missing)."""

    pixels: np.ndarray
    truth: pd.DataFrame
    piece: Piece
    matrix: np.ndarray


def _printed(piece: Piece, rng: np.random.Generator):
    rows, voids, cleared, bars = [], [], [], []
    for f in piece.features.itertuples():
        sign = 1 if f.kind == "bar" else -1
        width = f.nominal_mm + sign * 2 * GROWTH_MM + rng.normal(0, 0.004)
        missing = f.group not in FIXED and (rng.random() < 0.1 or width < 0.06)
        angle = np.radians(f.angle_deg)
        stretch = 1 / np.hypot(np.sin(angle) / SCALE_X, np.cos(angle) / SCALE_Y)
        if f.kind in ("hole", "square"):
            stretch = np.sqrt(SCALE_X * SCALE_Y)
        rows.append((f.feature_id, f.kind, f.nominal_mm, np.nan if missing else width * stretch))
        place = {"x_mm": f.x_mm, "y_mm": f.y_mm, "angle_deg": f.angle_deg}
        if f.kind == "bar":
            room = feature_shape("bar", nominal_mm=f.nominal_mm + 0.5, length_mm=f.length_mm - 2 * GROWTH_MM, **place)
            cleared.append(room)
            if not missing:
                bars.append(feature_shape("bar", nominal_mm=width, length_mm=f.length_mm, **place))
        elif not missing:
            kind = "slot" if f.kind == "square" else f.kind
            voids.append(feature_shape(kind, nominal_mm=width, length_mm=f.length_mm - 2 * GROWTH_MM, **place))
    gaps = [opening.buffer(-GROWTH_MM, join_style="mitre") for opening in piece.openings]
    cells = [Point(c).buffer(piece.code.cell_diameter_mm / 2 - GROWTH_MM) for c in piece.code.open_cells_mm()]
    windows = unary_union([*gaps, *cleared]).difference(unary_union(bars))
    solid = piece.outline.buffer(GROWTH_MM, join_style="mitre").difference(unary_union([windows, *voids, *cells]))
    solid = affinity.affine_transform(solid, [SCALE_X, 0, 0, SCALE_Y, 0, 0])
    return solid, pd.DataFrame(rows, columns=["feature_id", "kind", "nominal_mm", "true_mm"])


def make_scene(
    *,
    piece: Piece | None = None,
    seed: int = 1,
    dpi: float = 1200,
    angle_deg: float = 7.0,
    mirror: bool = False,
    plate: float = 0.55,
    background: float = 0.05,
    noise: float = 0.01,
    blur_px: float = 1.0,
    linear: bool = False,
    shade: tuple[float, float] = (0.0, 1.0),
) -> Scene:
    """Return a scene; light is blurred and noisy in linear light, then encoded.

    `shade` is how much of the background's light the plate takes away near it, and over how many pixels.
    """
    piece = piece or make_stencil(process="resin")
    rng = np.random.default_rng(seed)
    solid, truth = _printed(piece, rng)
    turn = np.radians(angle_deg)
    linear_map = np.array([[np.cos(turn), np.sin(turn)], [np.sin(turn), -np.cos(turn)]])
    if mirror:
        linear_map = linear_map @ np.diag([-1, 1])
    pixel = 25.4 / dpi
    bounds = affinity.affine_transform(solid, [*linear_map[0], *linear_map[1], 0, 0]).bounds
    shift = np.array([4.03 - bounds[0], 4.07 - bounds[1]])
    shape = (int((bounds[3] - bounds[1] + 8) / pixel), int((bounds[2] - bounds[0] + 8) / pixel))
    to_pixels = np.column_stack((linear_map, shift)) / pixel
    fine = 2
    coverage = area_coverage(sides_of(solid).map(to_pixels * fine), shape=(shape[0] * fine, shape[1] * fine))
    seen = cv2.GaussianBlur(coverage.astype(np.float32), (0, 0), blur_px * fine, borderType=cv2.BORDER_REPLICATE)
    seen = seen.reshape(shape[0], fine, shape[1], fine).mean((1, 3))
    rows, columns = np.indices(shape) / max(shape)
    behind = background * (1 - shade[0] * gaussian_filter(seen, shade[1]))
    light = (behind + (plate - behind) * seen) * (1 - 0.1 * ((columns - 0.4) ** 2 + (rows - 0.6) ** 2))
    light = np.clip(light + rng.normal(0, noise, shape), 0, 1)
    if not linear:
        light = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    matrix = to_pixels.copy()
    matrix[:, 2] -= 0.5
    return Scene(pixels=np.round(light * 255).astype(np.uint8), truth=truth, piece=piece, matrix=matrix)


def write_scene(scene: Scene, path: Path, *, dpi: float = 1200) -> Path:
    """Write a scene as a picture with its resolution."""
    Image.fromarray(scene.pixels).save(path, dpi=(dpi, dpi), compress_level=1)
    return path
