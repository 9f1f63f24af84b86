"""Diameters of round holes: a blurred disc fitted to the native pixels."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sharpset.readings.edges.blur import EdgeSpread
from sharpset.readings.edges.strips import LeftOver, Light, Priors, WidthParts
from sharpset.readings.holes.dimness import breadth_of, core_contrast
from sharpset.readings.holes.disc_cleaning import clean_discs, price_of, with_places
from sharpset.readings.holes.disc_fit import DiscProblem, iterate_discs
from sharpset.readings.holes.disc_model import DiscTables, Patches, reach_mm
from sharpset.readings.holes.disc_start import start_discs
from sharpset.readings.holes.out_of_round import LEAST_CHANCE, OutOfRound, out_of_round
from sharpset.readings.holes.shared_blur import share_blur
from sharpset.readings.picture.light import PieceLight
from sharpset.scans import Pose

__all__ = ["Disc", "DiscFit", "OwnBlur", "fit_discs"]

FloatArray = NDArray[np.float64]
_LEAST_REACH_MM, _LEAST_HOLLOW_MM, _ENOUGH_FLAT = 0.25, 0.5, 3000
_FEWEST = 8
_NARROW_BLURS = 10.0
_MOVED_MM, _RING_PX = 0.08, 0.5
"""Rims that have moved further than so are fitted all the same, but more slowly; width of rings that pixels are sorted
into."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Disc:
    """A round hole to be read; (x, y) is its nominal centre in the piece frame."""

    name: str
    diameter_mm: float
    x_mm: float
    y_mm: float
    reach_mm: float


@dataclass(frozen=True, kw_only=True, slots=True)
class OwnBlur:
    """How far what holes share may be from what straight edges say, relative standard uncertainties.

    Roughness of straight edges adds to their blur, that of rims to theirs: a quarter of the blur in one of them alone
    makes 3 %, a half 12 %.
    """

    contrast: float
    blur: float = 0.1


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
class _Patch:
    """Pixels around one hole: position from its nominal centre (mm on the glass) and share solid."""

    x: FloatArray
    y: FloatArray
    solid: FloatArray
    column: NDArray[np.intp]
    row: NDArray[np.intp]
    area_mm2: float
    scale: float
    shape: OutOfRound | None = None


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
    own_blur: OwnBlur | None = None,
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
    own_blur : OwnBlur, optional
        How far the blur and the contrast that holes share may be from those given; by default they are as given.

    Returns
    -------
    list of DiscFit
    """
    if not discs:
        return []
    priors = priors or Priors()
    sigma = spread.mean_sigma_mm
    n_holes = len(discs)
    discs = [replace(disc, reach_mm=_enough_mm(disc, pose, spread)) for disc in discs]
    ways = _rounded([_patch(light, pose, disc) for disc in discs], discs, sigma)
    # Holes that may be round as well as not are fitted both ways, as two holes.
    both = [i for i, way in enumerate(ways) if len(way) > 1]
    patches = [way[0] for way in ways] + [ways[i][1] for i in both]
    discs = discs + [discs[i] for i in both]
    radii = [max(d.diameter_mm * one.scale / 2, 0.3 * sigma) for d, one in zip(discs, patches, strict=True)]
    far = np.array(radii) + reach_mm(sigma, spread) * (1 + spread.u_relative) + _MOVED_MM
    whole = _joined(patches, far, _RING_PX * float(np.mean(pose.pixel_mm)))
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
    start = start_discs([(one.x, one.y, one.solid) for one in patches], radii, pixel_area_mm2=patches[0].area_mm2)
    found = iterate_discs(problem, start)
    if clean:
        weighed = np.isin(np.arange(len(discs)), [*both, *range(n_holes, len(discs))])
        found = clean_discs(problem, found, np.array(radii), weighed=weighed)
    inflation = max(light.noise_inflation if noise_inflation is None else noise_inflation, 1.0)
    u_common = float("nan")
    if own_blur is not None and len(discs) >= _FEWEST:
        own = share_blur(problem, found, u_blur=own_blur.blur, u_contrast=own_blur.contrast, inflation=inflation)
        problem, found, u_common, sigma = own.problem, own.found, own.u_blur, own.problem.sigma_mm
    # Blur is shared: what its scatter does to the diameter is found by a finite difference.
    tables, wide_tables = (
        DiscTables.of(found.p[:, 2], blur, spread) for blur in (sigma, sigma * (1 + spread.u_relative))
    )
    states = []
    for i, pixels in enumerate(whole.slices()):
        near = whole.n_within(i, found.p[i], wide_tables.reach)
        x, y, solid = (values[pixels] for values in (whole.x_mm, whole.y_mm, whole.solid))
        model, rows = tables.rows(i, x[:near], y[:near], found.p[i])
        residual = solid - found.p[i, 3]
        residual[:near] = solid[:near] - model
        weight, noise = found.weight[pixels], float(found.noise[i])
        states.append(
            _State(
                x=x,
                y=y,
                solid=solid,
                model=model,
                rows=rows,
                wider=wide_tables.light(i, x[:near], y[:near], found.p[i]),
                residual=residual,
                weight=weight,
                noise=noise,
                misfit=_misfit(residual, weight, noise),
            )
        )
    # The stated noise heeds the noisiest ring; where all holes scatter less than that it is less.
    usual = min(float(np.nanmedian([s.misfit for s in states])) ** 2, 1.0) if len(states) >= _FEWEST else 1.0
    shared = _Shared(
        sigma=sigma,
        u_blur=spread.u_relative,
        u_common=u_common,
        precision=precision,
        # Misfit and correlated noise each show part of the other: the larger one counts.
        common=usual * inflation**2,
        levels=levels,
        left_over=left_over,
    )
    results = [
        _result(disc, patch, found.p[i], states[i], shared)
        for i, (disc, patch) in enumerate(zip(discs, patches, strict=True))
    ]
    if found.doubt_mm is not None:
        results = [_unsure(one, 2 * doubt) for one, doubt in zip(results, found.doubt_mm.tolist(), strict=True)]
    if both:
        placed = with_places(problem, found, np.array(radii))
        price = price_of(placed, found.p, found.weight <= 0, placed.residual(found.p))
        for other, i in enumerate(both, start=n_holes):
            shape = patches[other].shape
            if shape is not None:
                odds = shape.odds(float(price[i] - price[other]), blur_px=sigma / problem.pixel_mm)
                results[i] = _either(results[i], results[other], odds)
    return results[:n_holes]


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
    columns, rows = np.arange(low[0], high[0] + 1), np.arange(low[1], high[1] + 1)
    x, y = (columns - centre[0]) * pixel[0], (rows - centre[1]) * pixel[1]
    square = x * x + (y * y)[:, None]
    # The middle of a large hole says nothing about its edge.
    inner = disc.diameter_mm * scale / 2 - disc.reach_mm
    keep = square <= reach**2
    if inner >= _LEAST_HOLLOW_MM:
        keep &= square >= inner**2
    row, column = np.divmod(kept := np.flatnonzero(keep), len(columns))
    x, y = x.take(column), y.take(row)
    solid = light.solid_grid(columns, rows, kept) if len(row) else np.zeros(0)
    if light.spill is not None:
        at = (disc.x_mm, disc.y_mm)
        drawn = at + np.linalg.solve(pose.linear_mm, np.stack((x, y))).T
        solid = solid - light.spill.beside_hole(drawn, centre_mm=at, diameter_mm=disc.diameter_mm)
    return _Patch(
        x=x,
        y=y,
        solid=solid,
        column=column,
        row=row,
        area_mm2=float(pixel.prod()),
        scale=scale,
    )


def _rounded(patches: Sequence[_Patch], discs: Sequence[Disc], sigma: float) -> list[list[_Patch]]:
    """Return patches as they are and, of holes that may be out of round, also drawn to a circle."""
    shapes = out_of_round(
        [(one.x, one.y, one.solid) for one in patches],
        [disc.diameter_mm * one.scale / 2 for disc, one in zip(discs, patches, strict=True)],
        pixel_area_mm2=patches[0].area_mm2,
        sigma_mm=sigma,
    )
    ways = []
    for patch, shape in zip(patches, shapes, strict=True):
        ways.append([patch])
        if shape is not None:
            x, y = shape.drawn(patch.x, patch.y)
            ways[-1].append(replace(patch, x=x, y=y, shape=shape))
    return ways


def _unsure(fit: DiscFit, u_mm: float) -> DiscFit:
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


def _either(plain: DiscFit, drawn: DiscFit, odds: float) -> DiscFit:
    """Return a hole that is one of two: their mean, and an uncertainty that holds both where both are likely."""
    chance = odds / (1 + odds)
    likely, other, chance = (drawn, plain, chance) if odds > 1 else (plain, drawn, 1 - chance)
    if chance > 1 - LEAST_CHANCE:
        return likely
    apart = abs(likely.diameter_mm - other.diameter_mm)
    diameter = chance * likely.diameter_mm + (1 - chance) * other.diameter_mm
    unsure = apart * max(float(np.sqrt(chance * (1 - chance))), chance / 1.96)
    square = (diameter / likely.diameter_mm) ** 2
    return _unsure(replace(likely, diameter_mm=diameter, open_share=likely.open_share * square), unsure)


def _joined(patches: Sequence[_Patch], far_mm: FloatArray, ring_mm: float) -> Patches:
    return Patches.joined(
        [one.x for one in patches],
        [one.y for one in patches],
        [one.solid for one in patches],
        [one.column for one in patches],
        [one.row for one in patches],
        far_mm,
        ring_mm,
    )


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _State:
    """Where the fit of one hole ended, for the uncertainty; `model`, `rows`, `wider` of its nearer pixels only."""

    x: FloatArray
    y: FloatArray
    solid: FloatArray
    model: FloatArray
    rows: FloatArray
    wider: FloatArray
    residual: FloatArray
    weight: FloatArray
    noise: float
    misfit: float


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Shared:
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


def _misfit(residual: FloatArray, weight: FloatArray, noise: float) -> float:
    """Return the root mean square residual of the pixels that have a say over their noise."""
    used = _used(weight)
    return float(np.sqrt(np.mean(residual[used] ** 2))) / noise if used.any() else np.nan


def _result(disc: Disc, patch: _Patch, p: FloatArray, state: _State, shared: _Shared) -> DiscFit:
    used, near = _used(state.weight), len(state.model)
    common, precision, sigma = shared.common, shared.precision, shared.sigma
    scale = max(state.misfit**2, common) if np.isfinite(state.misfit) else common
    weighted = state.rows * (state.weight[:near] / scale)
    information = weighted @ state.rows.T
    # Further away there is nothing but the level.
    level_weight = float(state.weight[near:].sum()) / scale
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
        far = float(state.weight[near:] @ state.residual[near:])
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


def _roundness(state: _State, p: FloatArray, sigma: float, used: NDArray[np.bool_], patch: _Patch) -> float:
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
