"""From covered areas to the light that a scanner's sensor gets: blur, halo, noise, encoding."""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["blur_and_reduce", "blur_kernel", "encode", "halo", "illumination", "srgb_decode", "srgb_encode"]

Image = NDArray[np.float32]


def srgb_encode(linear: NDArray[np.floating]) -> NDArray[np.floating]:
    """Return the sRGB signal, 0 to 1, of linear light, 0 to 1.

    References
    ----------
    IEC 61966-2-1:1999, transfer characteristic (constants from memory).
    """
    linear = np.clip(linear, 0, 1)
    return np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * np.power(linear, 1 / 2.4) - 0.055)


def srgb_decode(signal: NDArray[np.floating]) -> NDArray[np.floating]:
    """Return linear light, 0 to 1, of an sRGB signal, 0 to 1 (inverse of `srgb_encode`)."""
    signal = np.clip(signal, 0, 1)
    return np.where(signal <= 0.04045, signal / 12.92, np.power((signal + 0.055) / 1.055, 2.4))


def blur_kernel(sigma_px: float, *, box_px: float = 0.0) -> NDArray[np.float64]:
    """Return a symmetric kernel of sum 1: a Gaussian, smeared by a box of any length.

    Parameters
    ----------
    sigma_px : float
        Standard deviation; 0 for none.
    box_px : float
        Length of the smear; 0 for none.
    """
    kernel = np.ones(1)
    if sigma_px > 0:
        half = math.ceil(5 * sigma_px)
        kernel = np.exp(-0.5 * (np.arange(-half, half + 1) / sigma_px) ** 2)
        kernel /= kernel.sum()
    if box_px > 0:
        half = math.ceil((box_px - 1) / 2) if box_px > 1 else 0
        box = np.ones(2 * half + 1)
        if half:
            box[[0, -1]] = (box_px - (2 * half - 1)) / 2
        kernel = np.convolve(kernel, box / box.sum())
    return kernel


def blur_and_reduce(
    fine: Image, *, across: NDArray[np.float64], along: NDArray[np.float64], factor: int, rows: int
) -> Image:
    """Blur a finely rendered band and average it to the scanner's pixels.

    Parameters
    ----------
    fine : ndarray of float, shape (rows * factor + 2 * margin, columns * factor)
        Linear light on the fine grid; the margin must hold half the kernel `along`.
    across, along : ndarray of float
        Kernels along the rows (sensor) and along the columns (carriage).
    factor : int
        Fine pixels per pixel.
    rows : int
        Rows wanted.

    Returns
    -------
    ndarray of float, shape (rows, columns)
    """
    blurred = cv2.sepFilter2D(
        fine, -1, across.astype(np.float32), along.astype(np.float32), borderType=cv2.BORDER_REPLICATE
    )
    margin = (fine.shape[0] - rows * factor) // 2
    core = blurred[margin : margin + rows * factor]
    columns = fine.shape[1] // factor
    # Shrinking by a whole factor, area interpolation is the plain mean of each block.
    return np.asarray(cv2.resize(core, (columns, rows), interpolation=cv2.INTER_AREA), dtype=np.float32)


def halo(light: Image, *, share: float, sigma_px: float) -> Image:
    """Spread a share of the light far around, as stray light in the scanner's optics does.

    Parameters
    ----------
    light : ndarray of float, shape (rows, columns)
    share : float
        0 for none.
    sigma_px : float
        Reach of the spread light.
    """
    if share <= 0:
        return light
    step = max(1, int(sigma_px / 4))
    small = cv2.resize(
        light, (max(1, light.shape[1] // step), max(1, light.shape[0] // step)), interpolation=cv2.INTER_AREA
    )
    wide = cv2.GaussianBlur(small, (0, 0), sigma_px / step, borderType=cv2.BORDER_REPLICATE)
    wide = cv2.resize(wide, (light.shape[1], light.shape[0]), interpolation=cv2.INTER_LINEAR)
    return np.asarray((1 - share) * light + share * wide, dtype=np.float32)


def illumination(shape: tuple[int, int], *, falloff: float, tilt: float) -> Image:
    """Return the lamp's brightness over the picture, 1 in its middle.

    Parameters
    ----------
    shape : (rows, columns)
    falloff : float
        Loss at the left and right border.
    tilt : float
        Rise from top to bottom.
    """
    x = np.linspace(-1, 1, shape[1], dtype=np.float32)
    y = np.linspace(-0.5, 0.5, shape[0], dtype=np.float32)
    return (1 - falloff * x[None, :] ** 2) * (1 + tilt * y[:, None])


def encode(linear: Image, *, bits: int, encoding: str) -> NDArray[np.uint8] | NDArray[np.uint16]:
    """Return whole numbers as a scanner writes them.

    Parameters
    ----------
    linear : ndarray of float
        Linear light; what exceeds 0 to 1 is clipped.
    bits : {8, 16}
    encoding : {'srgb', 'linear'}
    """
    signal = srgb_encode(linear) if encoding == "srgb" else np.clip(linear, 0, 1)
    top = 2**bits - 1
    whole = np.round(signal * top)
    return np.asarray(whole, dtype=np.uint8) if bits == 8 else np.asarray(whole, dtype=np.uint16)
