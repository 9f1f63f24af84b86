"""What the glass shows besides the silhouette: the face of the print, dust, fibres, scratches."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from shapely.geometry import LineString, Polygon
from shapely.geometry.base import BaseGeometry

__all__ = ["Speck", "draw_dirt", "face_texture"]

Image = NDArray[np.float32]


@dataclass(frozen=True, kw_only=True, slots=True)
class Speck:
    """Something small on the glass, in mm from the upper-left corner, y downwards."""

    shape: BaseGeometry
    reflectance: float
    opacity: float


def _smooth_noise(shape: tuple[int, int], sigma_px: float, rng: np.random.Generator) -> Image:
    """Return Gaussian noise of standard deviation 1 that is alike over `sigma_px`."""
    step = max(1, int(sigma_px / 2))
    small = rng.standard_normal((shape[0] // step + 3, shape[1] // step + 3)).astype(np.float32)
    small = cv2.GaussianBlur(small, (0, 0), max(sigma_px / step, 0.3))
    small /= max(float(small.std()), 1e-6)
    large = cv2.resize(small, (small.shape[1] * step, small.shape[0] * step), interpolation=cv2.INTER_CUBIC)
    return np.asarray(large[: shape[0], : shape[1]], dtype=np.float32)


def _line_pattern(phase: Image, *, width: float, rng: np.random.Generator) -> Image:
    """Return dark grooves at whole numbers of the phase, and lines that differ a little from each other."""
    nearest = np.round(phase)
    groove = np.exp(-0.5 * ((phase - nearest) / width) ** 2)
    index = np.floor(phase).astype(np.int64)
    index -= index.min()
    shade = rng.normal(0, 1, int(index.max()) + 1).astype(np.float32)
    return np.asarray(-groove + 0.25 * shade[index], dtype=np.float32)


def face_texture(
    solid: Image,
    *,
    process: str,
    x_mm: Image,
    y_mm: Image,
    px_mm: float,
    line_mm: float,
    strength: float,
    rng: np.random.Generator,
) -> Image:
    """Return the reflectance of the printed face relative to its mean.

    Parameters
    ----------
    solid : ndarray of float, shape (rows, columns)
        Covered share of each pixel by this piece.
    process : {'filament', 'resin'}
        Filament: beads side by side, two loops along every border and slanted lines inside. Resin:
        the fine grid of the light engine and cloudy sheen.
    x_mm, y_mm : ndarray of float, shape (rows, columns)
        Place of each pixel in the piece frame.
    px_mm : float
    line_mm : float
        Width of the bead, or pitch of the pixels.
    strength : float
        Depth of the pattern as a share of the reflectance.
    rng : numpy.random.Generator

    Returns
    -------
    ndarray of float, shape (rows, columns)
        About 1. Next to a border it changes no more than elsewhere, so that it does not move edges.
    """
    shape = solid.shape
    out = np.ones(shape, dtype=np.float32)
    cloud = _smooth_noise(shape, 1.2 / px_mm, rng)
    grain = _smooth_noise(shape, 1.3, rng)
    if process == "resin":
        grid = np.cos(2 * np.pi * x_mm / line_mm) + np.cos(2 * np.pi * y_mm / line_mm)
        return np.asarray(out + strength * (0.20 * cloud + 0.08 * grain + 0.05 * grid), dtype=np.float32)
    inner = (solid > 0.5).astype(np.uint8)
    depth = cv2.distanceTransform(inner, cv2.DIST_L2, 5).astype(np.float32) * px_mm
    slanted = (x_mm + y_mm) / (math.sqrt(2) * line_mm)
    wave = 0.06 * _smooth_noise(shape, 2.0 / px_mm, rng)
    lines = _line_pattern(slanted + wave, width=0.13, rng=rng)
    loops = depth / line_mm
    beside = np.exp(-0.5 * ((loops - np.round(loops)) / 0.13) ** 2) * (loops > 0.5)
    pattern = np.where(loops > 2.0, lines, -beside)
    return np.asarray(out + strength * (pattern + 0.15 * cloud + 0.10 * grain), dtype=np.float32)


def draw_dirt(
    width_mm: float,
    height_mm: float,
    *,
    dust_per_cm2: float,
    fibres: int,
    scratches: int,
    rng: np.random.Generator,
) -> list[Speck]:
    """Draw dust grains, fibres and scratches at random places on the glass.

    Parameters
    ----------
    width_mm, height_mm : float
        Part of the glass that is scanned.
    dust_per_cm2 : float
    fibres, scratches : int
        How many.
    rng : numpy.random.Generator
    """
    n_dust = int(rng.poisson(dust_per_cm2 * width_mm * height_mm / 100))
    makers = [_dust] * n_dust + [_fibre] * fibres + [_scratch] * scratches
    return [make(rng.uniform(0, width_mm), rng.uniform(0, height_mm), rng) for make in makers]


def _dust(x_mm: float, y_mm: float, rng: np.random.Generator) -> Speck:
    n = int(rng.integers(7, 13))
    turn = np.sort(rng.uniform(0, 2 * math.pi, n))
    radius = math.exp(rng.normal(math.log(0.022), 0.5)) * rng.uniform(0.6, 1.3, n)
    grain = Polygon(np.column_stack((x_mm + radius * np.cos(turn), y_mm + radius * np.sin(turn)))).buffer(0.004)
    return Speck(shape=grain, reflectance=rng.uniform(0.25, 0.75), opacity=rng.uniform(0.4, 0.95))


def _fibre(x_mm: float, y_mm: float, rng: np.random.Generator) -> Speck:
    n = 24
    heading = rng.uniform(0, 2 * math.pi) + np.cumsum(rng.normal(0, 0.22, n))
    step = rng.uniform(1.0, 4.0) / n
    path = np.column_stack((x_mm + np.cumsum(step * np.cos(heading)), y_mm + np.cumsum(step * np.sin(heading))))
    return Speck(
        shape=LineString(path).buffer(rng.uniform(0.006, 0.013)),
        reflectance=rng.uniform(0.4, 0.8),
        opacity=rng.uniform(0.35, 0.8),
    )


def _scratch(x_mm: float, y_mm: float, rng: np.random.Generator) -> Speck:
    turn = rng.uniform(0, math.pi)
    half = rng.uniform(1.5, 7.0)
    dx, dy = half * math.cos(turn), half * math.sin(turn)
    line = LineString([(x_mm - dx, y_mm - dy), (x_mm + dx, y_mm + dy)]).buffer(rng.uniform(0.004, 0.008))
    return Speck(shape=line, reflectance=0.8, opacity=rng.uniform(0.08, 0.2))
