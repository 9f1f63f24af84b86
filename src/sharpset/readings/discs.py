"""Diameters of round holes: a blurred disc fitted to the native pixels."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sharpset.readings.blur import EdgeSpread
from sharpset.readings.circles import fit_circle
from sharpset.readings.disc_cleaning import clean_discs
from sharpset.readings.disc_fit import DiscProblem, iterate_discs
from sharpset.readings.disc_model import Patches, evaluate_discs
from sharpset.readings.disc_start import start_disc
from sharpset.readings.light import PieceLight
from sharpset.readings.strips import LeftOver, Light, Priors, WidthParts
from sharpset.scans import Pose

__all__ = ["Disc", "DiscFit", "fit_discs"]

FloatArray = NDArray[np.float64]
_INSIDE, _FEWEST_INSIDE = 3.0, 9
_LEAST_REACH_MM, _LEAST_HOLLOW_MM, _ENOUGH_FLAT = 0.25, 0.5, 3000
_FEWEST = 8


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
    parts : WidthParts
        The uncertainty of the diameter by its causes, arrays of one entry.
    glow : float
        Median share solid well inside the drawn rim, NaN for holes too small to have such an inside.
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
    parts: WidthParts
    glow: float = float("nan")


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Patch:
    """Pixels around one hole: position from its nominal centre (mm on the glass) and share solid."""

    x: FloatArray
    y: FloatArray
    solid: FloatArray
    column: NDArray[np.intp]
    row: NDArray[np.intp]
    area_mm2: float
    scale: float


def fit_discs(
    light: PieceLight,
    pose: Pose,
    discs: Sequence[Disc],
    spread: EdgeSpread,
    priors: Priors | None = None,
    *,
    levels: Light | None = None,
    contrast: float = 1.0,
    left_over: LeftOver | None = None,
    noise_inflation: float | None = None,
    clean: bool = False,
) -> list[DiscFit]:
    """Fit a blurred disc to the pixels around every hole, all at once.

    Parameters
    ----------
    light : PieceLight
    pose : Pose
    discs : sequence of Disc
    spread : EdgeSpread
    priors : Priors, optional
        Contrast and surrounding level are held near the scan's values, as for strips.
    levels : Light, optional
        Needed for the share of the transfer curve in the uncertainty's parts, which is 0 without it.
    contrast : float
        What holes borrow, 1 for that of the maps of light.
    left_over : LeftOver, optional
        Needed for the share of the edge spread's shape in the uncertainty's parts.
    noise_inflation : float, optional
        How much neighbouring pixels' common noise (print texture) widens the error of a mean; by default as the plate's
        pixels say.
    clean : bool
        Look for dust and other foreign marks, and fit those holes again without their pixels.

    Returns
    -------
    list of DiscFit
    """
    if not discs:
        return []
    priors = priors or Priors()
    sigma = spread.mean_sigma_mm
    discs = [replace(disc, reach_mm=_enough_mm(disc, pose, spread)) for disc in discs]
    patches = [_patch(light, pose, disc) for disc in discs]
    whole = _joined(patches)
    radii = [max(d.diameter_mm * one.scale / 2, 0.3 * sigma) for d, one in zip(discs, patches, strict=True)]
    precision = np.array([0.0, 0.0, 0.0, priors.level**-2, priors.contrast**-2])
    problem = DiscProblem(
        patches=whole,
        sigma_mm=sigma,
        spread=spread,
        noise=max(max(light.noise, 0.5 * light.quantum) / max(abs(light.contrast), 1e-6), 2e-3),
        precision=precision,
        mean=np.array([0.0, 0.0, 0.0, 1.0, contrast]),
        reach_mm=np.array([disc.reach_mm for disc in discs]),
        pixel_mm=float(np.mean(pose.pixel_mm)),
    )
    start = [
        start_disc(one.x, one.y, one.solid, radius_mm=radius, pixel_area_mm2=one.area_mm2)
        for one, radius in zip(patches, radii, strict=True)
    ]
    found = iterate_discs(problem, np.array(start))
    if clean:
        found = clean_discs(problem, found, np.array(radii))
    model, jacobian = evaluate_discs(whole, found.p, sigma, spread)
    # Blur is shared: what its scatter does to the diameter is found by a finite difference.
    wider = evaluate_discs(whole, found.p, sigma * (1 + spread.u_relative), spread)[0]
    residual = whole.solid - model
    misfits = [
        _misfit(residual[pixels], found.weight[pixels], float(found.noise[i]))
        for i, pixels in enumerate(whole.slices())
    ]
    # The stated noise heeds the noisiest ring; where all holes scatter less than that it is less.
    usual = min(float(np.nanmedian(misfits)) ** 2, 1.0) if len(misfits) >= _FEWEST else 1.0
    inflation = light.noise_inflation if noise_inflation is None else noise_inflation
    fits = []
    for i, (disc, patch, pixels) in enumerate(zip(discs, patches, whole.slices(), strict=True)):
        state = _State(
            model=model[pixels],
            jacobian=jacobian[:, pixels],
            wider=wider[pixels],
            weight=found.weight[pixels],
            noise=float(found.noise[i]),
            precision=precision,
            inflation=inflation,
            misfit=misfits[i],
            usual=usual,
            levels=levels,
            left_over=left_over,
        )
        fits.append(_result(patch, found.p[i], disc, sigma, spread, state))
    return fits


def _enough_mm(disc: Disc, pose: Pose, spread: EdgeSpread) -> float:
    """Return how far from an edge pixels still add to what is known of it: the blur, and a few thousand beyond it."""
    radius = disc.diameter_mm / 2
    flat_from = radius + 4 * spread.mean_sigma_mm
    flat_to = np.sqrt(flat_from**2 + _ENOUGH_FLAT * float(np.prod(pose.pixel_mm)) / np.pi)
    widest = spread.halo_ratio if spread.halo else 1.0
    blur_mm = max(8.0, 4.0 * widest) * spread.mean_sigma_mm
    return float(min(disc.reach_mm, max(_LEAST_REACH_MM, blur_mm, flat_to - radius)))


def _patch(light: PieceLight, pose: Pose, disc: Disc) -> _Patch:
    pixel = np.array(pose.pixel_mm)
    centre = pose.to_pixels([[disc.x_mm, disc.y_mm]])[0]
    scale = float(np.sqrt(abs(np.linalg.det(pose.linear_mm))))
    reach = disc.diameter_mm * scale / 2 + disc.reach_mm
    n_rows, n_columns = light.shape
    left, top = light.origin
    low = np.maximum(np.floor(centre - reach / pixel).astype(int), [left, top])
    high = np.minimum(np.ceil(centre + reach / pixel).astype(int), [left + n_columns - 1, top + n_rows - 1])
    columns, rows = (a.ravel() for a in np.meshgrid(np.arange(low[0], high[0] + 1), np.arange(low[1], high[1] + 1)))
    x, y = (columns - centre[0]) * pixel[0], (rows - centre[1]) * pixel[1]
    r = np.sqrt(x * x + y * y)
    # The middle of a large hole says nothing about its edge.
    inner = disc.diameter_mm * scale / 2 - disc.reach_mm
    keep = (r <= reach) & ((r >= inner) | (inner < _LEAST_HOLLOW_MM))
    columns, rows = columns[keep], rows[keep]
    return _Patch(
        x=x[keep],
        y=y[keep],
        solid=light.solid_share(columns, rows),
        column=columns - low[0],
        row=rows - low[1],
        area_mm2=float(pixel.prod()),
        scale=scale,
    )


def _joined(patches: Sequence[_Patch]) -> Patches:
    return Patches.joined(
        [one.x for one in patches],
        [one.y for one in patches],
        [one.solid for one in patches],
        [one.column for one in patches],
        [one.row for one in patches],
    )


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _State:
    """Where an iteration ended, for the uncertainty."""

    model: FloatArray
    jacobian: FloatArray
    wider: FloatArray
    weight: FloatArray
    noise: float
    precision: FloatArray
    inflation: float
    misfit: float
    usual: float
    levels: Light | None
    left_over: LeftOver | None


def _used(weight: FloatArray) -> NDArray[np.bool_]:
    return np.asarray(weight > 0.5 * weight.max())


def _misfit(residual: FloatArray, weight: FloatArray, noise: float) -> float:
    """Return the root mean square residual of the pixels that have a say over their noise."""
    used = _used(weight)
    return float(np.sqrt(np.mean(residual[used] ** 2))) / noise if used.any() else np.nan


def _result(patch: _Patch, p: FloatArray, disc: Disc, sigma: float, spread: EdgeSpread, state: _State) -> DiscFit:
    model, jacobian = state.model, state.jacobian
    residual = patch.solid - model
    used = _used(state.weight)
    # Misfit and correlated noise each show part of the other: the larger one counts.
    common = state.usual * max(state.inflation, 1.0) ** 2
    scale = max(state.misfit**2, common) if np.isfinite(state.misfit) else common
    weighted = jacobian * (state.weight / scale)
    information = weighted @ jacobian.T
    covariance = np.linalg.inv(information + np.diag(state.precision + 1e-9))
    deviation = np.sqrt(np.diag(covariance))
    gain = covariance @ weighted
    pull = gain @ (model - state.wider)
    from_data = float(covariance[2] @ information @ covariance[2])
    noise_share = min(common / scale, 1.0)
    by_prior = covariance[2] * state.precision
    bend = gain[2] @ state.levels.bend(model) if state.levels is not None else 0.0
    shape = 0.0
    if state.left_over is not None:
        away = np.hypot(patch.x - p[0], patch.y - p[1]) - p[2]
        shape = float(gain[2] @ state.left_over.at(away / sigma)) * float(p[4])
    parts = WidthParts(
        noise_mm=np.array([2 * np.sqrt(max(from_data * noise_share, 0.0))]),
        misfit_mm=np.array([2 * np.sqrt(max(from_data * (1 - noise_share), 0.0))]),
        levels_mm=np.array([2 * np.sqrt(max(by_prior[3] * covariance[2, 3], 0.0))]),
        per_contrast_mm=np.array([2 * by_prior[4]]),
        per_blur_mm=np.array([2 * pull[2] / spread.u_relative]),
        per_transfer_mm=np.array([2 * bend]),
        shape_mm=np.array([2 * shape]),
    )
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
        misfit=state.misfit,
        dirty=float(1 - used.mean()),
        roundness_mm=_roundness(patch, p, sigma, residual, state.noise, used),
        parts=parts,
        glow=_glow(patch, p, disc, sigma),
    )


def _glow(patch: _Patch, p: FloatArray, disc: Disc, sigma: float) -> float:
    """Return the median share solid well inside the drawn rim, about the fitted centre; NaN where none is."""
    most = disc.diameter_mm * patch.scale / 2 - _INSIDE * sigma
    inside = (patch.x - p[0]) ** 2 + (patch.y - p[1]) ** 2 < max(most, 0.0) ** 2
    return float(np.median(patch.solid[inside])) if inside.sum() >= _FEWEST_INSIDE else float("nan")


def _roundness(
    patch: _Patch, p: FloatArray, sigma: float, residual: FloatArray, noise: float, used: NDArray[np.bool_]
) -> float:
    """Return the spread of the edge about its least-squares circle, by sectors of about two pixels, noise removed.

    RONq of ISO 12181-1, but for the noise.
    """
    if p[2] < 4 * sigma:
        return float("nan")
    dx, dy = patch.x - p[0], patch.y - p[1]
    away = np.sqrt(dx * dx + dy * dy) - p[2]
    near = np.flatnonzero(used & (np.abs(away) < 3 * sigma))
    gradient = np.exp(-0.5 * (away[near] / sigma) ** 2) / (sigma * np.sqrt(2 * np.pi)) * p[4]
    n_sectors = max(8, int(2 * np.pi * p[2] / (2 * np.sqrt(patch.area_mm2))))
    sector = ((np.arctan2(dy[near], dx[near]) + np.pi) / (2 * np.pi) * n_sectors).astype(int) % n_sectors
    power = np.bincount(sector, gradient**2, n_sectors)
    moved = np.bincount(sector, -gradient * residual[near], n_sectors)
    full = np.flatnonzero(power > 0.5 * np.median(power))
    n_free = len(full) - 3
    if n_free < 3:
        return float("nan")
    angle = (full + 0.5) * 2 * np.pi / n_sectors - np.pi
    edge = p[2] + moved[full] / power[full]
    circle = fit_circle(edge[:, None] * np.column_stack((np.cos(angle), np.sin(angle))))
    variance = circle.rms_mm**2 * len(full) / n_free - float(np.mean(noise**2 / power[full]))
    return float(np.sqrt(max(variance, 0.0)))
