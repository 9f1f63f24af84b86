"""Diameters of round holes: a blurred disc fitted to the native pixels."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import chndtr, ive, ndtr

from sharpset.readings.blur import EdgeSpread
from sharpset.readings.circles import fit_circle
from sharpset.readings.light import PieceLight
from sharpset.readings.strips import Priors
from sharpset.scans import Pose

__all__ = ["Disc", "DiscFit", "blurred_disc", "fit_disc", "fit_discs"]

FloatArray = NDArray[np.float64]
_N_STEPS = 15
_TABLE_MM_PER_SIGMA = 0.08


@dataclass(frozen=True, kw_only=True, slots=True)
class Disc:
    """A round hole to be read; (x, y) is its nominal centre in the piece frame."""

    name: str
    diameter_mm: float
    x_mm: float
    y_mm: float
    reach_mm: float


@dataclass(frozen=True, kw_only=True, slots=True)
class DiscFit:
    """Fit of one hole, lengths in mm on the glass.

    Attributes
    ----------
    diameter_mm, u_diameter_mm : float
    shift_x_mm, shift_y_mm, u_shift_mm : float
        Centre from the nominal place, along columns and rows.
    level, contrast : float
        Share solid around the hole; how much of it the hole takes away.
    open_share : float
        Open area, by the light that is missing, over the nominal area.
    u_open_share : float
    misfit : float
    roundness_mm : float
        Standard deviation of the edge about the fitted circle with the noise's share removed, NaN
        for holes too small to tell.
    """

    diameter_mm: float
    u_diameter_mm: float
    shift_x_mm: float
    shift_y_mm: float
    u_shift_mm: float
    level: float
    contrast: float
    open_share: float
    u_open_share: float
    misfit: float
    dirty: float
    roundness_mm: float


def blurred_disc(r: FloatArray, radius: float, sigma: float) -> FloatArray:
    """Return the light of a unit disc blurred by a Gaussian, at distances `r` from its centre.

    Notes
    -----
    1 - Q1(r/sigma, R/sigma) with Marcum's Q, that is the noncentral chi-square distribution with two
    degrees of freedom. From R = 20 sigma on the edge is nearly straight and its first correction for
    curvature, a shift by sigma^2 / (2 R), is exact to 1e-4 of the contrast.
    """
    if radius > 20 * sigma:
        return np.asarray(ndtr((radius - r) / sigma - sigma / (2 * radius)))
    return np.asarray(chndtr((radius / sigma) ** 2, 2.0, (r / sigma) ** 2))


def _disc_slope(r: FloatArray, radius: float, sigma: float) -> FloatArray:
    """Return the derivative of `blurred_disc` with respect to the radius."""
    z = r * radius / sigma**2
    return np.asarray(radius / sigma**2 * np.exp(-((r - radius) ** 2) / (2 * sigma**2)) * ive(0, z))


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Patch:
    """Pixels around one hole: position from its nominal centre (mm on the glass) and share solid."""

    x: FloatArray
    y: FloatArray
    solid: FloatArray
    area_mm2: float
    scale: float


def fit_discs(
    light: PieceLight, pose: Pose, discs: Sequence[Disc], spread: EdgeSpread, priors: Priors | None = None
) -> list[DiscFit]:
    """Fit every hole; see `fit_disc`."""
    return [fit_disc(light, pose, disc, spread, priors) for disc in discs]


def fit_disc(light: PieceLight, pose: Pose, disc: Disc, spread: EdgeSpread, priors: Priors | None = None) -> DiscFit:
    """Fit a blurred disc to the pixels around one hole.

    Parameters
    ----------
    light : PieceLight
    pose : Pose
    disc : Disc
    spread : EdgeSpread
    priors : Priors, optional
        Contrast and surrounding level are held near the scan's values, as for strips.

    Returns
    -------
    DiscFit
    """
    priors = priors or Priors()
    patch = _patch(light, pose, disc)
    sigma = spread.mean_sigma_mm
    radius = max(disc.diameter_mm * patch.scale / 2, 0.3 * sigma)
    p = _start(patch, radius)
    noise = max(light.noise / max(abs(light.contrast), 1e-6), 2e-3)
    precision = np.array([0.0, 0.0, 0.0, priors.level**-2, priors.contrast**-2])
    mean = np.array([0.0, 0.0, 0.0, 1.0, 1.0])
    weight = np.ones(len(patch.x)) / noise**2
    band = np.ones(len(patch.x), dtype=bool)
    for turn in range(_N_STEPS):
        model, jacobian = _evaluate(patch, p, sigma, spread)
        residual = patch.solid - model
        if turn == 3:
            noise = max(noise, 1.4826 * float(np.median(np.abs(residual[band] - np.median(residual[band])))))
        if turn >= 3:
            weight = _weights(residual, jacobian[:, 2], noise)
        weighted = jacobian * weight[:, None]
        normal = weighted.T @ jacobian + np.diag(precision + 1e-9)
        step = np.linalg.solve(normal, weighted.T @ residual - precision * (p - mean))
        step[:3] = np.clip(step[:3], -0.4 * radius - sigma, 0.4 * radius + sigma)
        p = p + step
        p[2] = np.clip(p[2], 0.02 * sigma, 3 * radius + 3 * sigma)
        p[:2] = np.clip(p[:2], -disc.reach_mm - radius, disc.reach_mm + radius)
        if turn > 4 and np.all(np.abs(step[:3]) < 1e-5):
            break
    return _result(patch, p, disc, sigma, spread, weight, noise, precision)


def _weights(residual: FloatArray, per_radius: FloatArray, noise: float) -> FloatArray:
    """Return weights that drop foreign marks but not the wanderings of a rough edge.

    A residual is judged against the pixel noise and, near the edge, against what the edge's own
    scatter about the circle makes of it.
    """
    steep = np.abs(per_radius) > 0.5 * np.abs(per_radius).max()
    wander = 1.4826 * float(np.median(np.abs(residual[steep] / per_radius[steep]))) if steep.any() else 0.0
    scale = np.hypot(noise, per_radius * wander)
    return np.asarray(np.clip((6.0 - np.abs(residual) / scale) / 3.0, 0.0, 1.0) / noise**2)


def _patch(light: PieceLight, pose: Pose, disc: Disc) -> _Patch:
    pixel = np.array(pose.pixel_mm)
    centre = pose.to_pixels([[disc.x_mm, disc.y_mm]])[0]
    scale = float(np.sqrt(abs(np.linalg.det(pose.linear_mm))))
    reach = disc.diameter_mm * scale / 2 + disc.reach_mm
    n_rows, n_columns = light.pixels.shape
    left, top = light.origin
    low = np.maximum(np.floor(centre - reach / pixel).astype(int), [left, top])
    high = np.minimum(np.ceil(centre + reach / pixel).astype(int), [left + n_columns - 1, top + n_rows - 1])
    columns, rows = (a.ravel() for a in np.meshgrid(np.arange(low[0], high[0] + 1), np.arange(low[1], high[1] + 1)))
    x, y = (columns - centre[0]) * pixel[0], (rows - centre[1]) * pixel[1]
    r = np.hypot(x, y)
    inner = disc.diameter_mm * scale / 2 - disc.reach_mm
    # The middle of a large hole says nothing about its edge; a ring of it is kept for the level.
    keep = (r <= reach) & (r >= min(inner - 0.1, 0.35 * reach) if inner > 1.0 else r <= reach)
    columns, rows = columns[keep], rows[keep]
    return _Patch(
        x=x[keep], y=y[keep], solid=light.solid_share(columns, rows), area_mm2=float(pixel.prod()), scale=scale
    )


def _start(patch: _Patch, radius: float) -> FloatArray:
    missing = np.clip(1 - patch.solid, 0.0, 1.5)
    missing[missing < 0.15] = 0.0
    total = max(missing.sum(), 1e-9)
    x, y = (missing * patch.x).sum() / total, (missing * patch.y).sum() / total
    found = float(np.sqrt(max(missing.sum() * patch.area_mm2, 1e-9) / np.pi))
    start = found if found < 1.5 * radius and np.hypot(patch.x, patch.y).min() < 0.3 * radius else radius
    return np.array([x, y, max(start, 0.15 * radius), 1.0, 1.0])


def _evaluate(patch: _Patch, p: FloatArray, sigma: float, spread: EdgeSpread) -> tuple[FloatArray, FloatArray]:
    dx, dy = patch.x - p[0], patch.y - p[1]
    r = np.maximum(np.hypot(dx, dy), 1e-9)
    grid = np.arange(0.0, r.max() + 0.2 * sigma, _TABLE_MM_PER_SIGMA * sigma)
    disc, slope = np.zeros_like(grid), np.zeros_like(grid)
    for share, s in ((1 - spread.halo, sigma), (spread.halo, spread.halo_ratio * sigma)):
        if share > 0:
            disc += share * blurred_disc(grid, p[2], s)
            slope += share * _disc_slope(grid, p[2], s)
    span = np.interp(r, grid, disc)
    fall = np.interp(r, grid, np.gradient(disc, grid))
    jacobian = np.column_stack(
        (
            p[4] * fall * dx / r,
            p[4] * fall * dy / r,
            -p[4] * np.interp(r, grid, slope),
            np.ones_like(r),
            -span,
        )
    )
    return p[3] - p[4] * span, jacobian


def _result(
    patch: _Patch,
    p: FloatArray,
    disc: Disc,
    sigma: float,
    spread: EdgeSpread,
    weight: FloatArray,
    noise: float,
    precision: FloatArray,
) -> DiscFit:
    model, jacobian = _evaluate(patch, p, sigma, spread)
    residual = patch.solid - model
    used = weight > 0.5 * weight.max()
    misfit = float(np.sqrt(np.mean(residual[used] ** 2))) / noise if used.any() else np.nan
    weighted = jacobian * (weight / max(misfit**2, 1.0))[:, None]
    covariance = np.linalg.inv(weighted.T @ jacobian + np.diag(precision + 1e-9))
    deviation = np.sqrt(np.diag(covariance))
    # Blur is shared: what its scatter does to the diameter is added by a finite difference.
    wider = _evaluate(patch, p, sigma * (1 + spread.u_relative), spread)[0]
    pull = covariance @ (weighted.T @ (model - wider))
    area = np.pi * (disc.diameter_mm * patch.scale / 2) ** 2
    diameter = 2 * float(p[2])
    opened = np.pi * diameter**2 / 4 * float(p[4]) / area
    u_diameter = 2 * float(np.hypot(deviation[2], pull[2]))
    return DiscFit(
        diameter_mm=diameter,
        u_diameter_mm=u_diameter,
        shift_x_mm=float(p[0]),
        shift_y_mm=float(p[1]),
        u_shift_mm=float(np.hypot(deviation[0], deviation[1]) / np.sqrt(2)),
        level=float(p[3]),
        contrast=float(p[4]),
        open_share=float(opened),
        u_open_share=float(2 * u_diameter * diameter / max(diameter**2, 1e-9) * opened),
        misfit=misfit,
        dirty=float(1 - used.mean()),
        roundness_mm=_roundness(patch, p, sigma, residual, noise, used),
    )


def _roundness(
    patch: _Patch, p: FloatArray, sigma: float, residual: FloatArray, noise: float, used: NDArray[np.bool_]
) -> float:
    """Return the spread of the edge about its least-squares circle, by sectors of about two pixels, noise removed.

    RONq of ISO 12181-1, but for the noise.
    """
    if p[2] < 4 * sigma:
        return float("nan")
    dx, dy = patch.x - p[0], patch.y - p[1]
    r = np.hypot(dx, dy)
    gradient = np.exp(-0.5 * ((r - p[2]) / sigma) ** 2) / (sigma * np.sqrt(2 * np.pi)) * p[4]
    near = used & (np.abs(r - p[2]) < 3 * sigma)
    n_sectors = max(8, int(2 * np.pi * p[2] / (2 * np.sqrt(patch.area_mm2))))
    sector = ((np.arctan2(dy, dx) + np.pi) / (2 * np.pi) * n_sectors).astype(int) % n_sectors
    power = np.bincount(sector[near], gradient[near] ** 2, n_sectors)
    moved = np.bincount(sector[near], -(gradient * residual)[near], n_sectors)
    full = np.flatnonzero(power > 0.5 * np.median(power))
    n_free = len(full) - 3
    if n_free < 3:
        return float("nan")
    angle = (full + 0.5) * 2 * np.pi / n_sectors - np.pi
    edge = p[2] + moved[full] / power[full]
    circle = fit_circle(edge[:, None] * np.column_stack((np.cos(angle), np.sin(angle))))
    variance = circle.rms_mm**2 * len(full) / n_free - float(np.mean(noise**2 / power[full]))
    return float(np.sqrt(max(variance, 0.0)))
