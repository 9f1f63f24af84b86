"""The edge spread of a scan: how a sharp edge looks after optics and pixels.

The line spread is a Gaussian core with a wider Gaussian halo. Its widths may differ between the
two directions of the glass (carriage and sensor). The pixel's own box enters through its variance;
for a core of half a pixel or more the error of that is below 0.1 % of the contrast.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr

__all__ = ["EdgeSpread", "edge_profile", "line_profile", "normal_cdf"]

FloatArray = NDArray[np.float64]
_ROOT_TAU = np.sqrt(2 * np.pi)
_CDF_STEPS, _CDF_END = 32, 9
_CDF_BLOCK = 8192
"""So many values at a time stay in the processor's cache."""


@dataclass(frozen=True, kw_only=True, slots=True)
class EdgeSpread:
    """Edge spread of one scan.

    Attributes
    ----------
    sigma_x_mm, sigma_y_mm : float
        Standard deviation of the core across edges whose normal lies along columns or rows, pixel
        and roughness of the printed edges included.
    halo : float
        Share of the light in the halo, 0 to 0.4.
    halo_ratio : float
        Width of the halo over that of the core.
    u_relative : float
        Standard uncertainty of a core width for one feature, relative (scatter between features).
    u_evident : float
        The same without what the noise of the features' own blur makes of it.
    misfit : float
        Mean square residual of the wide edges over what noise alone would leave.
    """

    sigma_x_mm: float
    sigma_y_mm: float
    halo: float = 0.0
    halo_ratio: float = 3.0
    u_relative: float = 0.1
    u_evident: float = 0.1
    misfit: float = 1.0

    def sigma_mm(self, normal: ArrayLike) -> FloatArray:
        """Return the core width across edges with the given unit normals (column, row), shape (n,)."""
        n = np.atleast_2d(np.asarray(normal, dtype=float))
        return np.sqrt((self.sigma_x_mm * n[:, 0]) ** 2 + (self.sigma_y_mm * n[:, 1]) ** 2)

    @property
    def mean_sigma_mm(self) -> float:
        """Core width averaged over directions (root mean square)."""
        return float(np.sqrt((self.sigma_x_mm**2 + self.sigma_y_mm**2) / 2))

    def summary(self) -> str:
        """Return the edge spread in one line."""
        x, y = 1000 * self.sigma_x_mm, 1000 * self.sigma_y_mm
        halo = f", halo {self.halo:.0%} at {self.halo_ratio:g} times that" if self.halo else ""
        return f"edge spread {x:.1f} um along columns and {y:.1f} um along rows (standard deviation){halo}"


def _cdf_series() -> tuple[FloatArray, ...]:
    """Return the normal distribution and its first three derivatives over factorials, in steps of 1 / 32."""
    z = np.arange(-_CDF_END * _CDF_STEPS, _CDF_END * _CDF_STEPS + 1) / _CDF_STEPS
    density = np.exp(-0.5 * z**2) / _ROOT_TAU
    return ndtr(z), density, -z * density / 2, (z**2 - 1) * density / 6


_CDF_SERIES = _cdf_series()


def normal_cdf(z: FloatArray) -> FloatArray:
    """Return the standard normal distribution function, by Taylor series from tabulated places.

    Notes
    -----
    Off by 2e-9 at most, and several times as fast as `scipy.special.ndtr`, which evaluates a rational function in one
    of several ranges value by value.
    """
    z = np.asarray(z, dtype=float)
    out = np.empty(z.shape)
    values, found = z.ravel(), out.reshape(-1)
    with np.errstate(invalid="ignore"):
        for first in range(0, len(values), _CDF_BLOCK):
            place = np.clip(values[first : first + _CDF_BLOCK], -_CDF_END, _CDF_END) * _CDF_STEPS
            nearest = np.rint(place)
            place -= nearest
            place /= _CDF_STEPS
            index = (nearest + _CDF_END * _CDF_STEPS).astype(np.intp)
            *lower, total = (table.take(index, mode="clip") for table in _CDF_SERIES)
            for term in reversed(lower):
                total *= place
                total += term
            found[first : first + _CDF_BLOCK] = total
    return out


def edge_profile(distance: FloatArray, sigma: ArrayLike, *, halo: float, ratio: float) -> FloatArray:
    """Return the blurred step from 0 (negative distances) to 1; shapes broadcast."""
    s = np.asarray(sigma, dtype=float)
    core = normal_cdf(distance / s)
    if halo == 0:
        return np.asarray(core)
    return np.asarray((1 - halo) * core + halo * normal_cdf(distance / (ratio * s)))


def line_profile(distance: FloatArray, sigma: ArrayLike, *, halo: float, ratio: float) -> FloatArray:
    """Return the derivative of `edge_profile` with respect to distance."""
    s = np.asarray(sigma, dtype=float)
    core = np.exp(-0.5 * (distance / s) ** 2) / (s * _ROOT_TAU)
    if halo == 0:
        return np.asarray(core)
    wide = ratio * s
    return np.asarray((1 - halo) * core + halo * np.exp(-0.5 * (distance / wide) ** 2) / (wide * _ROOT_TAU))
