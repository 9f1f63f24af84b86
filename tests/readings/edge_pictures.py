"""Pictures of slots, bars and holes from closed forms, sharing no code with the package.

Every opening or solid is a stack of thin rectangles, a fraction of a pixel high. Across, the light of each rectangle
is the Gaussian-blurred, pixel-integrated step in closed form; along, the stack is blurred and averaged over pixels.
Nothing is sampled across an edge, so that a width is right to the accuracy of the error function.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from scipy.ndimage import gaussian_filter1d
from scipy.special import ndtr

SUBROWS = 4
ROOT_TAU = np.sqrt(2 * np.pi)


def pixel_step(distance: np.ndarray, sigma: float) -> np.ndarray:
    """Return the blurred step averaged over a pixel whose centre lies `distance` inside; lengths in pixels."""

    def risen(u: np.ndarray) -> np.ndarray:
        return u * ndtr(u / sigma) + sigma / ROOT_TAU * np.exp(-0.5 * (u / sigma) ** 2)

    return risen(distance + 0.5) - risen(distance - 0.5)


@dataclass(frozen=True, kw_only=True)
class Stack:
    """Thin rectangles: ``left[i]`` to ``right[i]`` in sub-row i of the picture, in columns; 0 to 1 `filled`."""

    top: int
    left: np.ndarray
    right: np.ndarray
    filled: np.ndarray


def paint(picture: np.ndarray, stack: Stack, *, sigma: float, height: float) -> None:
    """Add a stack of rectangles of the given light to a picture (rows x columns)."""
    reach = 6 * sigma + 2
    n_rows = len(stack.left) // SUBROWS
    low = int(max(np.floor(stack.left.min() - reach), 0))
    high = int(min(np.ceil(stack.right.max() + reach) + 1, picture.shape[1]))
    columns = np.arange(low, high, dtype=float)
    light = pixel_step(columns - stack.left[:, None], sigma) - pixel_step(columns - stack.right[:, None], sigma)
    light *= stack.filled[:, None]
    light = gaussian_filter1d(light, sigma * SUBROWS, axis=0, truncate=6.0, mode="constant")
    light = light.reshape(n_rows, SUBROWS, -1).mean(axis=1)
    first, last = max(stack.top, 0), min(stack.top + n_rows, picture.shape[0])
    picture[first:last, low:high] += (height * light[first - stack.top : last - stack.top]).astype(picture.dtype)


def _subrows(low: float, high: float, sigma: float) -> tuple[int, np.ndarray, np.ndarray]:
    """Return the first row, the middle of each sub-row and its share between `low` and `high` (rows)."""
    top = int(np.floor(low - 6 * sigma - 2))
    n_rows = int(np.ceil(high + 6 * sigma + 2)) - top + 1
    middle = top - 0.5 + (np.arange(n_rows * SUBROWS) + 0.5) / SUBROWS
    half = 0.5 / SUBROWS
    filled = np.clip(np.minimum(middle + half, high) - np.maximum(middle - half, low), 0, None) * SUBROWS
    return top, middle, filled


def rough_edge(n: int, rng: np.random.Generator, *, sd: float, correlation: float) -> np.ndarray:
    """Return displacements of an edge, one a sub-row; lengths in pixels, autocovariance exp(-(t / correlation)^2)."""
    if sd == 0:
        return np.zeros(n)
    # Its autocovariance is a Gaussian twice as wide as the kernel's square: 1/e at twice the kernel's deviation.
    width = correlation * SUBROWS / 2
    pad = int(5 * width)
    white = gaussian_filter1d(rng.normal(size=n + 2 * pad), width, truncate=5.0)[pad : pad + n]
    # White noise smoothed with a kernel of unit area has the variance 1 / (2 sqrt(pi) width).
    return sd * white * np.sqrt(2 * np.sqrt(np.pi) * width)


def strip(
    picture: np.ndarray,
    *,
    centre: tuple[float, float],
    width: float,
    length: float,
    lean_deg: float,
    sigma: float,
    height: float,
    sampled: float | None = None,
    edges: tuple[np.ndarray, np.ndarray] | None = None,
    rough: tuple[float, float] = (0.0, 0.0),
    rng: np.random.Generator | None = None,
) -> float:
    """Paint a slot or bar that stands nearly upright and return its mean width over the sampled length.

    Parameters
    ----------
    picture : ndarray of float, shape (rows, columns)
    centre : (column, row)
    width, length : float
        Pixels, across and along the strip.
    lean_deg : float
        Turn from upright; the column rises as the row falls.
    sigma : float
        Optical blur, pixels (the pixel's own box is added exactly).
    height : float
        Light added.
    sampled : float, optional
        Length about the middle over which the mean width is wanted.
    edges : pair of ndarray, optional
        Displacement of each edge outwards for every sub-row, instead of `rough`.
    rough : (sd, correlation length)
        Of each edge, pixels.
    """
    cos, tan = np.cos(np.radians(lean_deg)), np.tan(np.radians(lean_deg))
    top, rows, filled = _subrows(centre[1] - length * cos / 2, centre[1] + length * cos / 2, sigma)
    middle = centre[0] - (rows - centre[1]) * tan
    if edges is None:
        generator = rng or np.random.default_rng(0)
        edges = tuple(rough_edge(len(rows), generator, sd=rough[0], correlation=rough[1] * cos) for _ in range(2))
    own = width + edges[0] + edges[1]
    gone = own <= 0
    left = middle - (width / 2 + edges[0]) / cos
    right = middle + (width / 2 + edges[1]) / cos
    right = np.where(gone, left, right)
    paint(picture, Stack(top=top, left=left, right=right, filled=filled), sigma=sigma, height=height)
    # Both edges are read over the same length along the strip, which lies on other rows left than right.
    half, along = (sampled or length) / 2, (rows - centre[1]) / cos
    closed = np.where(gone, own / 2, 0.0)
    parts = [
        np.mean((edge - closed)[np.abs(along + side * width / 2 * tan) <= half])
        for edge, side in zip(edges, (1, -1), strict=True)
    ]
    return float(width + sum(parts))


def hole(
    picture: np.ndarray,
    *,
    centre: tuple[float, float],
    diameter: float,
    sigma: float,
    height: float,
    lobes: tuple[float, float, float] = (0.0, 2.0, 0.0),
) -> None:
    """Paint a disc; `lobes` are amplitude (pixels), number and phase (radians) of a wave on its radius."""
    radius = diameter / 2 + abs(lobes[0])
    top, rows, _ = _subrows(centre[1] - radius, centre[1] + radius, sigma)
    y = rows - centre[1]
    if lobes[0] == 0:
        # The mean chord of each sub-row by the area under the circle, so that the disc's area is exact.
        half = 0.5 / SUBROWS
        chord = (_under_circle(y + half, radius) - _under_circle(y - half, radius)) * SUBROWS
        left, right = centre[0] - chord, centre[0] + chord
    else:
        left, right = _lobed_chords(y, diameter / 2, lobes)
        left, right = left + centre[0], right + centre[0]
    filled = (right > left).astype(float)
    paint(picture, Stack(top=top, left=left, right=right, filled=filled), sigma=sigma, height=height)


def _under_circle(y: np.ndarray, radius: float) -> np.ndarray:
    """Return the area between a half circle's chord at 0 and at y, half of it on one side."""
    t = np.clip(y / radius, -1, 1)
    return radius**2 / 2 * (t * np.sqrt(1 - t**2) + np.arcsin(t))


def _lobed_chords(y: np.ndarray, radius: float, lobes: tuple[float, float, float]) -> tuple[np.ndarray, np.ndarray]:
    """Return where rows cut a slightly wavy circle (it is star-shaped and its chords are single)."""
    amplitude, number, phase = lobes
    angle = np.linspace(0, 2 * np.pi, 20001)
    r = radius + amplitude * np.cos(number * angle + phase)
    x, z = r * np.cos(angle), r * np.sin(angle)
    low, high = int(np.argmin(z)), int(np.argmax(z))
    right = np.concatenate((np.arange(low, len(z) - 1), np.arange(0, high + 1)))
    left = np.arange(high, low + 1)
    inside = (y > z.min()) & (y < z.max())
    x_right = np.interp(y, z[right], x[right])
    x_left = np.interp(y, z[left][::-1], x[left][::-1])
    return np.where(inside, x_left, 0.0), np.where(inside, x_right, 0.0)


def shade(light: np.ndarray, *, fall: float) -> np.ndarray:
    """Darken a picture smoothly towards its borders by up to a share."""
    rows, columns = (np.arange(n, dtype=np.float32) / n for n in light.shape)
    return light * (1 - fall * ((columns[None, :] - 0.35) ** 2 + (rows[:, None] - 0.6) ** 2) / 0.78).astype(np.float32)


def add_dust(light: np.ndarray, boxes: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Lay a soft blob of foreign light at a random place in each box (left, top, right, bottom); returns its cover."""
    covered = np.zeros(light.shape, dtype=np.float32)
    for left, top, right, bottom in boxes:
        column, row, radius = rng.uniform(left, right), rng.uniform(top, bottom), rng.uniform(1.0, 4.0)
        reach = int(4 * radius) + 1
        r0, c0 = max(int(row) - reach, 0), max(int(column) - reach, 0)
        rows, columns = np.ogrid[
            r0 : min(int(row) + reach, light.shape[0]), c0 : min(int(column) + reach, light.shape[1])
        ]
        cover = np.exp(-((rows - row) ** 2 + (columns - column) ** 2) / (2 * radius**2))
        part = (slice(r0, r0 + cover.shape[0]), slice(c0, c0 + cover.shape[1]))
        light[part] = light[part] * (1 - cover) + rng.uniform(0.0, 0.7) * cover
        covered[part] = np.maximum(covered[part], cover)
    return covered


def encode_srgb(light: np.ndarray) -> np.ndarray:
    """Return 8-bit sRGB values (IEC 61966-2-1)."""
    light = np.clip(light, 0, 1)
    value = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    return np.round(255 * value).astype(np.uint8)


def decode_srgb(values: np.ndarray) -> np.ndarray:
    """Return linear light of 8-bit sRGB values."""
    v = values / 255.0
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4)


def through_jpeg(values: np.ndarray, quality: int) -> np.ndarray:
    """Return what is left of 8-bit values after JPEG compression."""
    _, stored = cv2.imencode(".jpg", values, [cv2.IMWRITE_JPEG_QUALITY, quality])
    return np.asarray(cv2.imdecode(stored, cv2.IMREAD_GRAYSCALE))
