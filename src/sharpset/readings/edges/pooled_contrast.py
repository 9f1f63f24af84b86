"""The contrast that narrow features borrow, from all features of their kind that tell their own."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["PooledContrast", "pool_contrast"]

FloatArray = NDArray[np.float64]
_FEWEST = 4
_MOST_SCATTER = 0.05


@dataclass(frozen=True, kw_only=True, slots=True)
class PooledContrast:
    """Contrast of one kind of features, relative to that of the maps of light.

    Attributes
    ----------
    contrast : float
        That of narrow features.
    u_contrast : float
        Its standard uncertainty from the features' noise and scatter.
    scatter : float
        Of single features, noise included.
    drift : float
        Between the narrower and the wider half.
    evident : float
        How far a narrow feature's contrast may be from `contrast` by what the features show: scatter and drift beyond
        their noise, and the uncertainty of the mean.
    """

    contrast: float
    u_contrast: float
    scatter: float
    drift: float
    evident: float


def pool_contrast(contrast: FloatArray, u_contrast: FloatArray, width_mm: FloatArray) -> PooledContrast | None:
    """Return the contrast of narrow features.

    Parameters
    ----------
    contrast, u_contrast, width_mm : ndarray of float, shape (n,)
        Of the features that tell their own contrast.

    Returns
    -------
    PooledContrast or None
        None of fewer than four features.

    Notes
    -----
    A narrow deep slot may look darker or lighter than a wide one. The narrower half counts fully, the wider half as far
    as it agrees: a difference of the two beyond their noise counts as its uncertainty. Each half's mean is weighted by
    the features' own information, by Tukey's biweight about the median.
    """
    if len(contrast) < _FEWEST:
        return None
    order = np.argsort(width_mm)
    first = max(_FEWEST, len(order) // 2)
    halves = [order[:first], order[first:] if len(order) - first >= _FEWEST else order]
    (narrow, u_narrow), (wide, u_wide) = (_mean(contrast[half], u_contrast[half]) for half in halves)
    drift = abs(narrow - wide)
    beyond = max(drift**2 - u_narrow**2 - u_wide**2, 0.0)
    separate = len(order) - first >= _FEWEST
    share = u_narrow**2 / (u_narrow**2 + u_wide**2 + beyond) if separate else 0.0
    middle = narrow + share * (wide - narrow)
    u_middle = float(np.sqrt((1 - share) * u_narrow**2))
    inner = contrast[order[:first]]
    scatter = min(1.4826 * float(np.median(np.abs(inner - np.median(inner)))), _MOST_SCATTER)
    own = max(scatter**2 - float(np.median(u_contrast[order[:first]])) ** 2, 0.0)
    return PooledContrast(
        contrast=middle,
        u_contrast=u_middle,
        scatter=scatter,
        drift=drift,
        evident=float(np.sqrt(own + beyond + u_middle**2)),
    )


def _mean(values: FloatArray, u: FloatArray) -> tuple[float, float]:
    """Return a robust weighted mean and its standard uncertainty."""
    u = np.maximum(u, 1e-5)
    middle, weight = float(np.median(values)), u**-2
    scale = 1.0
    for _ in range(8):
        z = (values - middle) / u
        scale = max(1.4826 * float(np.median(np.abs(z))), 1.0)
        weight = np.clip(1 - (z / (5 * scale)) ** 2, 0.0, None) ** 2 / u**2
        middle = float(np.sum(weight * values) / np.sum(weight))
    return middle, float(scale / np.sqrt(np.sum(weight)))
