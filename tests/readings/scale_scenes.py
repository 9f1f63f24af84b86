"""A printed piece beside a rule on a scanner whose pitch is off and whose carriage is uneven, true by construction."""

from __future__ import annotations

import numpy as np
import shapely
from reading_scenes import SCALE_X, SCALE_Y, _printed
from scipy.ndimage import gaussian_filter
from shapely import affinity, segmentize

from reference_scene import INCH, Glass, Layout, Rectangle, Thing, encode, light_of
from sharpset.pieces import Piece
from sharpset.rehearsal.coverage import area_coverage, sides_of

PLATE, BACKGROUND, BLUR_PX = 0.55, 0.05, 0.9


def nominal_y(glass: Glass, true: np.ndarray) -> np.ndarray:
    """Where the scanner believes a row to lie: the inverse of `Glass.true_y`, by Newton's method."""
    y = np.array(true, dtype=float)
    for _ in range(6):
        slope = (glass.true_y(y + 1e-4) - glass.true_y(y - 1e-4)) / 2e-4
        y -= (glass.true_y(y) - true) / slope
    return y


def piece_on_glass(
    piece: Piece,
    glass: Glass,
    *,
    things: tuple[Thing | Rectangle, ...],
    at_mm: tuple[float, float],
    size_mm: tuple[float, float],
    angle_deg: float = 0.0,
    dpi: float = 1200.0,
    seed: int = 1,
):
    """Return the picture and the truth of its features; the piece's lower-left corner lies at `at_mm` (y down)."""
    px = INCH / dpi
    solid, truth = _printed(piece, np.random.default_rng(seed))
    turn = np.radians(angle_deg)
    on_glass = affinity.affine_transform(
        segmentize(solid, 0.5), [np.cos(turn), np.sin(turn), np.sin(turn), -np.cos(turn), *at_mm]
    )

    def to_pixels(points: np.ndarray) -> np.ndarray:
        return np.column_stack((points[:, 0] / glass.scale_x, nominal_y(glass, points[:, 1]))) / px + 0.5

    fine = 3
    in_pixels = shapely.transform(on_glass, lambda p: to_pixels(p) * fine)
    shape = tuple(round(s / px) for s in size_mm[::-1])
    cover = area_coverage(sides_of(in_pixels), shape=(shape[0] * fine, shape[1] * fine)).astype(np.float32)
    seen = gaussian_filter(cover, BLUR_PX * fine).reshape(shape[0], fine, shape[1], fine).mean((1, 3))
    layout = Layout(size_mm=size_mm, dpi=dpi, glass=glass, things=things, background=BACKGROUND, blur_mm=BLUR_PX * px)
    light = light_of(layout) + (PLATE - BACKGROUND) * seen
    return encode(light, 0.008, seed), truth


TRUE_SCALE = {"scale_x": SCALE_X, "scale_y": SCALE_Y}
