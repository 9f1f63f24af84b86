"""How each edge of wide strips differs from the scan's mean blur: broader or sharper, and leaning to one side.

Each edge is taken by itself, with levels and gradients of its own on both sides, so that ground that is lit unevenly
beside a wall, or a veil over the picture, does not pass for blur: only what happens within the blur is left.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sharpset.readings.edges.blur import EdgeSpread, edge_profile, line_profile
from sharpset.readings.edges.profiles import Profiles
from sharpset.readings.edges.sampling import Samples
from sharpset.readings.edges.strips import LeftOver, StripFits

__all__ = [
    "LEAN",
    "PLACE",
    "REACH",
    "VARIANCE",
    "EdgeDifferences",
    "deviations",
    "edge_differences",
    "edge_precision",
    "lean_of_curve",
]

FloatArray = NDArray[np.float64]
REACH = 4.5
"""Blur widths on either side of an edge that are looked at."""
_MOST_PLACE_MM, _MOST_LEVEL, _MOST_SLOPE_PER_MM = 0.02, 0.03, 0.3
"""Standard deviations of what an edge may have of its own: place, levels of both sides, gradients there."""
PLACE, VARIANCE, LEAN = 0, 5, 6
_N_PLACES, _NOISE, _N_FITS = 61, 0.002, 5
_SCALE = np.array([1.0, 1.0, 1.0, 1.0, 1.0, 1e-4, 1e-6])
"""Units of the deviations, for well conditioned normal equations."""


@dataclass(frozen=True, kw_only=True, slots=True)
class EdgeDifferences:
    """By what the edge that faces +normal differs from the other edge of its strip; arrays have one entry a strip.

    Attributes
    ----------
    variance_mm2 : ndarray
        Of the variance of the blur.
    lean_mm3 : ndarray
        Of the third central moment of the blur, taken towards the plate: positive where the edge has a tail there.
    u_variance_mm2, u_lean_mm3 : ndarray
        Standard uncertainties from the pixels' noise alone.
    both_lean_mm3 : ndarray
        Mean lean of the two edges.
    """

    variance_mm2: FloatArray
    lean_mm3: FloatArray
    u_variance_mm2: FloatArray
    u_lean_mm3: FloatArray
    both_lean_mm3: FloatArray


def deviations(x: FloatArray, sigma: FloatArray, spread: EdgeSpread) -> FloatArray:
    """Return the derivatives of a rising edge by its deviations, shape (..., 7).

    Parameters
    ----------
    x : ndarray of float
        Distance from the edge towards the plate, mm.
    sigma : ndarray of float
        Core of the blur, mm; broadcast against `x`.
    spread : EdgeSpread
        Its halo.

    Notes
    -----
    A step whose place is smeared by a density of mean m, variance V and third moment M rises as E - m E' + V E'' / 2
    - M E''' / 6. The levels and gradients on both sides come between `PLACE` and `VARIANCE`.
    """
    kind = spread.shape
    rise, first = edge_profile(x, sigma, kind), line_profile(x, sigma, kind)
    second, third = np.zeros_like(first), np.zeros_like(first)
    for share, place, wide in kind.normals():
        width, away = wide * sigma, x - place * sigma
        line = share * line_profile(away, width)
        second += -away / width**2 * line
        third += (away**2 / width**4 - 1 / width**2) * line
    columns = (-first, rise, 1 - rise, rise * x, (1 - rise) * x, second / 2, -third / 6)
    return np.stack(columns, axis=-1)


def edge_precision() -> FloatArray:
    """Return the prior precisions of the deviations."""
    sd = [_MOST_PLACE_MM, _MOST_LEVEL, _MOST_LEVEL, _MOST_SLOPE_PER_MM, _MOST_SLOPE_PER_MM, 1.0, 1.0]
    return np.asarray(1 / np.square(sd))


def lean_of_curve(solid: FloatArray, left_over: LeftOver, spread: EdgeSpread) -> float:
    """Return by how much a scan's mean edge leans more towards the plate, mm^3, as decoded than by another curve.

    Parameters
    ----------
    solid : ndarray of float, shape (n,)
        What shares solid of even steps from 0 to 1 are by the other curve.
    left_over : LeftOver
        What the spread does not describe of the mean edge: edges of bounded blur (a defocused lens, long pixels) lean
        ten times as much by a wrong curve as those of a normal one.
    spread : EdgeSpread
    """
    blurs = np.linspace(-REACH, REACH, _N_PLACES)
    kind = spread.shape
    x, sigma = blurs * spread.mean_sigma_mm, np.array(spread.mean_sigma_mm)
    edge = edge_profile(x, sigma, kind) + left_over.at(blurs)
    steps = np.linspace(0.0, 1.0, len(solid))
    return _lean(edge, x, spread) - _lean(edge + np.interp(edge, steps, solid - steps), x, spread)


def _lean(edge: FloatArray, x: FloatArray, spread: EdgeSpread) -> float:
    """Return the lean of an edge about the place and blur that suit it best, as fits of strips find them."""
    kind = spread.shape
    place, variance = 0.0, spread.mean_sigma_mm**2
    for _ in range(_N_FITS):
        sigma = np.array(np.sqrt(variance))
        few = (deviations(x - place, sigma, spread) * _SCALE)[:, [PLACE, VARIANCE]]
        off, *_ = np.linalg.lstsq(few, edge - edge_profile(x - place, sigma, kind))
        place += float(off[0]) * _SCALE[PLACE]
        variance = float(np.clip(variance + off[1] * _SCALE[VARIANCE], variance / 2, 2 * variance))
    sigma = np.array(np.sqrt(variance))
    columns = deviations(x - place, sigma, spread) * _SCALE
    normal = columns.T @ columns + np.diag(edge_precision() * _SCALE**2) * _NOISE**2
    found = np.linalg.solve(normal, columns.T @ (edge - edge_profile(x - place, sigma, kind)))
    return float(found[LEAN] * _SCALE[LEAN])


def edge_differences(samples: Samples, profiles: Profiles, fits: StripFits, spread: EdgeSpread) -> EdgeDifferences:
    """Compare the two edges of each strip by one Gauss-Newton step from its fit.

    Parameters
    ----------
    samples, profiles, fits : all strips of a piece
    spread : EdgeSpread

    Returns
    -------
    EdgeDifferences
    """
    solid = samples.is_bar
    sides = [_one_side(samples, profiles, fits, spread, side) for side in (-1.0, 1.0)]
    # The edge of a slot that has the solid below it faces +normal; of a bar it is the upper one.
    toward = np.where(solid, 1.0, -1.0)
    (v_low, m_low, u_v_low, u_m_low), (v_high, m_high, u_v_high, u_m_high) = sides
    return EdgeDifferences(
        variance_mm2=toward * (v_high - v_low),
        lean_mm3=toward * (m_high - m_low),
        u_variance_mm2=np.hypot(u_v_low, u_v_high),
        u_lean_mm3=np.hypot(u_m_low, u_m_high),
        both_lean_mm3=(m_low + m_high) / 2,
    )


def _one_side(
    samples: Samples, profiles: Profiles, fits: StripFits, spread: EdgeSpread, side: float
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return excess variance and lean of the edges on one side of all strips, and their uncertainties."""
    solid, sigma = samples.is_bar[:, None], fits.sigma_mm[:, None]
    across = side * (profiles.d_mm - fits.centre_mm[:, None])
    half = fits.width_mm[:, None] / 2
    x = np.where(solid, half - across, across - half)
    other = np.where(solid, half + across, -across - half)
    near = (across > 0) & (np.abs(x) < REACH * sigma)
    weight = near * profiles.n_pixels / np.maximum(profiles.noise, 2e-3)[:, None] ** 2
    kind = spread.shape
    rise = edge_profile(x, sigma, kind) + edge_profile(other, sigma, kind) - solid
    ground = fits.level - np.where(samples.is_bar, 0.0, fits.contrast)
    model = ground[:, None] + fits.contrast[:, None] * rise + fits.slope_per_mm[:, None] * profiles.d_mm
    columns = deviations(x, sigma, spread) * _SCALE
    weighted = columns * weight[..., None]
    normal = np.einsum("nmi,nmj->nij", weighted, columns) + np.diag(edge_precision() * _SCALE**2)
    found = np.linalg.solve(normal, np.einsum("nmi,nm->ni", weighted, profiles.solid - model)[..., None])[..., 0]
    u = np.sqrt(np.diagonal(np.linalg.inv(normal), axis1=1, axis2=2)) * _SCALE
    found = found * _SCALE
    return found[:, VARIANCE], found[:, LEAN], u[:, VARIANCE], u[:, LEAN]
