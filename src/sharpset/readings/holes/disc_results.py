"""What fits of round holes say: diameters, their uncertainty by its causes, roundness, light in the middle."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sharpset.readings.edges.strips import LeftOver, Light, WidthParts
from sharpset.readings.holes.dimness import breadth_of, core_contrast
from sharpset.readings.holes.disc_patches import Disc, HolePixels
from sharpset.readings.holes.out_of_round import LEAST_CHANCE

__all__ = ["DiscFit", "FitEnd", "SharedByHoles", "either", "misfit_of", "result_of", "unsure"]

FloatArray = NDArray[np.float64]
_NARROW_BLURS = 10.0


@dataclass(frozen=True, kw_only=True, slots=True)
class DiscFit:
    """Fit of one hole, lengths in mm on the glass.

    Attributes
    ----------
    diameter_mm, u_diameter_mm : float
        Of the circle of the same area where a wide hole is clearly not round.
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
    own_contrast, u_own_contrast : float
        What the middle of the hole takes away by itself; NaN for holes of a pixel or two.
    breadth, u_breadth : float
        Area over which light is missing, by its profile, over that of an open hole that lacks as much; NaN for holes of
        more than ten blurs.
    u_blur : float
        Relative standard uncertainty of the blur that all holes share, NaN where it is the strips'.
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
    own_contrast: float = float("nan")
    u_own_contrast: float = float("nan")
    breadth: float = float("nan")
    u_breadth: float = float("nan")
    u_blur: float = float("nan")


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class FitEnd:
    """Where the fit of one hole ended, for the uncertainty; `model`, `rows`, `wider` of its nearer pixels only.

    `weight` says which pixels are of the hole, `counts` what is left of it where faces vary.
    """

    x: FloatArray
    y: FloatArray
    solid: FloatArray
    model: FloatArray
    rows: FloatArray
    wider: FloatArray
    residual: FloatArray
    weight: FloatArray
    counts: FloatArray
    noise: float
    misfit: float


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class SharedByHoles:
    """What the uncertainties of all holes have in common."""

    sigma: float
    u_blur: float
    u_common: float
    precision: FloatArray
    common: float
    levels: Light | None
    left_over: LeftOver | None


def _used(weight: FloatArray) -> NDArray[np.bool_]:
    return np.asarray(weight > 0.5 * weight.max())


def misfit_of(residual: FloatArray, weight: FloatArray, noise: float) -> float:
    """Return the root mean square residual of the pixels that have a say over their noise."""
    used = _used(weight)
    return float(np.sqrt(np.mean(residual[used] ** 2))) / noise if used.any() else np.nan


def result_of(disc: Disc, patch: HolePixels, p: FloatArray, state: FitEnd, shared: SharedByHoles) -> DiscFit:
    used, near = _used(state.weight), len(state.model)
    common, precision, sigma = shared.common, shared.precision, shared.sigma
    scale = max(state.misfit**2, common) if np.isfinite(state.misfit) else common
    weighted = state.rows * (state.counts[:near] / scale)
    information = weighted @ state.rows.T
    # Further away there is nothing but the level.
    level_weight = float(state.counts[near:].sum()) / scale
    information[3, 3] += level_weight
    covariance = np.linalg.inv(information + np.diag(precision + 1e-9))
    deviation = np.sqrt(np.diag(covariance))
    gain = covariance @ weighted
    pull = gain @ (state.model - state.wider)
    from_data = float(covariance[2] @ information @ covariance[2])
    noise_share = min(common / scale, 1.0)
    by_prior = covariance[2] * precision
    bend = shape = 0.0
    if shared.levels is not None:
        at_level = float(shared.levels.bend(p[3:4])[0])
        bend = float(gain[2] @ shared.levels.bend(state.model)) + float(covariance[2, 3]) * level_weight * at_level
    if shared.left_over is not None:
        away = np.hypot(state.x[:near] - p[0], state.y[:near] - p[1]) - p[2]
        shape = float(gain[2] @ shared.left_over.at(away / sigma)) * float(p[4])
    parts = WidthParts(
        noise_mm=np.array([2 * np.sqrt(max(from_data * noise_share, 0.0))]),
        misfit_mm=np.array([2 * np.sqrt(max(from_data * (1 - noise_share), 0.0))]),
        levels_mm=np.array([2 * np.sqrt(max(by_prior[3] * covariance[2, 3], 0.0))]),
        per_contrast_mm=np.array([2 * by_prior[4]]),
        per_blur_mm=np.array([2 * pull[2] / shared.u_blur]),
        per_transfer_mm=np.array([2 * bend]),
        shape_mm=np.array([2 * shape]),
    )
    area = np.pi * (disc.diameter_mm * patch.scale / 2) ** 2
    square = patch.shape.square_mm2 if patch.shape else 0.0
    diameter = 2 * float(np.sqrt(p[2] ** 2 + square))
    core = core_contrast(p, state.x[:near], state.y[:near], state.solid[:near], state.model, noise=state.noise)
    breadth = u_breadth = float("nan")
    if 2 * p[2] < _NARROW_BLURS * sigma:
        far = float(state.counts[near:] @ state.residual[near:])
        breadth, u_breadth = breadth_of(
            p,
            information,
            weighted @ state.residual[:near] + np.array([0.0, 0.0, 0.0, far / scale, 0.0]),
            weighted @ (state.model - state.wider) / shared.u_blur,
            u_blur=shared.u_common if np.isfinite(shared.u_common) else shared.u_blur,
            level_precision=float(precision[3]),
        )
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
        roundness_mm=_roundness(state, p, sigma, used, patch),
        parts=parts,
        own_contrast=core[0],
        u_own_contrast=core[1],
        breadth=breadth,
        u_breadth=u_breadth,
        u_blur=shared.u_common,
    )


def _roundness(state: FitEnd, p: FloatArray, sigma: float, used: NDArray[np.bool_], patch: HolePixels) -> float:
    """Return the spread of the edge about its least-squares circle, by sectors of about two pixels, noise removed.

    RONq of ISO 12181-1, but for the noise. About a centre that is known to a small part of the radius the circle is a
    constant, a cosine and a sine.
    """
    if p[2] < 4 * sigma:
        return float("nan")
    near = len(state.model)
    dx, dy = state.x[:near] - p[0], state.y[:near] - p[1]
    away = np.sqrt(dx * dx + dy * dy) - p[2]
    seen = np.flatnonzero(used[:near] & (np.abs(away) < 3 * sigma))
    gradient = np.exp(-0.5 * (away[seen] / sigma) ** 2) / (sigma * np.sqrt(2 * np.pi)) * p[4]
    n_sectors = max(8, int(2 * np.pi * p[2] / (2 * np.sqrt(patch.area_mm2))))
    sector = ((np.arctan2(dy[seen], dx[seen]) + np.pi) / (2 * np.pi) * n_sectors).astype(int) % n_sectors
    power = np.bincount(sector, gradient**2, n_sectors)
    moved = np.bincount(sector, -gradient * state.residual[seen], n_sectors)
    full = np.flatnonzero(power > 0.5 * np.median(power))
    n_free = len(full) - 3
    if n_free < 3:
        return float("nan")
    angle = (full + 0.5) * 2 * np.pi / n_sectors - np.pi
    edge = moved[full] / power[full]
    design = np.column_stack((np.ones(len(full)), np.cos(angle), np.sin(angle)))
    by_shape = 0.0
    if patch.shape is not None and n_free > 2 * patch.shape.terms_mm.size:
        # The shape says how far the whole rim wanders, where marks hide it too.
        waves = patch.shape.waves(angle)
        edge = edge + waves @ patch.shape.terms_mm
        found = np.linalg.lstsq(np.hstack((design, waves)), edge, rcond=None)[0][design.shape[1] :]
        edge, n_free, by_shape = edge - waves @ found, n_free - len(found), float(found @ found) / 2
    rest = edge - design @ np.linalg.solve(design.T @ design, design.T @ edge)
    variance = by_shape + float(rest @ rest) / n_free - float(np.mean(state.noise**2 / power[full]))
    return float(np.sqrt(max(variance, 0.0)))


def unsure(fit: DiscFit, u_mm: float) -> DiscFit:
    """Return a fit whose diameter is unsure by so much more."""
    if u_mm == 0:
        return fit
    u_diameter = float(np.hypot(fit.u_diameter_mm, u_mm))
    return replace(
        fit,
        u_diameter_mm=u_diameter,
        u_open_share=2 * u_diameter / max(fit.diameter_mm, 1e-9) * fit.open_share,
        parts=replace(fit.parts, misfit_mm=np.hypot(fit.parts.misfit_mm, u_mm)),
    )


def either(plain: DiscFit, drawn: DiscFit, odds: float) -> DiscFit:
    """Return a hole that is one of two: their mean, and an uncertainty that holds both where both are likely."""
    chance = odds / (1 + odds)
    likely, other, chance = (drawn, plain, chance) if odds > 1 else (plain, drawn, 1 - chance)
    if chance > 1 - LEAST_CHANCE:
        return likely
    apart = abs(likely.diameter_mm - other.diameter_mm)
    diameter = chance * likely.diameter_mm + (1 - chance) * other.diameter_mm
    by_choice = apart * max(float(np.sqrt(chance * (1 - chance))), chance / 1.96)
    square = (diameter / likely.diameter_mm) ** 2
    return unsure(replace(likely, diameter_mm=diameter, open_share=likely.open_share * square), by_choice)
