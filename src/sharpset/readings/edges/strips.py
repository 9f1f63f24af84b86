"""Widths of slots and bars: a blurred pair of edges fitted to each profile, all strips at once.

The model of a slot is b0 + b1 d - C [E(d - c + w/2) - E(d - c - w/2)], that of a bar has + C; E is
the edge spread of the scan. A strip narrower than about five blur widths cannot tell its own
contrast C and blur, so both are held near the scan's values by normal priors (a maximum a
posteriori fit); a wide strip overrules them by its own data.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sharpset.readings.edges.blur import EdgeSpread
from sharpset.readings.edges.faces import LEAST_SHARE, Beside, Faces, faces_of
from sharpset.readings.edges.profiles import LEAST_NOISE, Profiles, noise_share
from sharpset.readings.edges.sampling import INNER_MM, Samples
from sharpset.readings.edges.strip_model import (
    CENTRE,
    CONTRAST,
    LEVEL,
    LOG_BLUR,
    SLOPE,
    WIDTH,
    Lowest,
    StripProblem,
    gain_ahead,
    lowest,
)

__all__ = ["LOOSE", "LeftOver", "Light", "Priors", "StripFits", "WidthParts", "fit_strips", "strip_misfits"]

FloatArray = NDArray[np.float64]
_N_STEPS = 25
_WORTH_LESS = 1.5


@dataclass(frozen=True, kw_only=True, slots=True)
class Priors:
    """Standard deviations of what is borrowed from the scan as a whole.

    Attributes
    ----------
    contrast : float
        Of the contrast of one feature about that of the scan, relative. Bars and slots of one piece
        differ little in reflectance; the depth of a narrow slot may change it by a per cent or two.
    level : float
        Of the surrounding level about its map.
    slope_per_mm : float
        Of a gradient left over from the maps.
    blur : float
        Of the blur about the scan's, relative.
    """

    contrast: float = 0.01
    level: float = 0.05
    slope_per_mm: float = 0.05
    blur: float = 0.10


LOOSE = Priors(contrast=0.1, level=0.1, slope_per_mm=0.2, blur=0.6)
"""For wide strips, which tell their own blur and contrast."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Light:
    """Linear light of plate and background, 0 dark to 1 full scale, in the middle of a piece."""

    plate: float
    background: float

    def bend(self, solid: FloatArray) -> FloatArray:
        """Return how the share solid changes per unit of relative error of the transfer exponent.

        Light L that was decoded with a wrong exponent reads L^(1 + e); both ends of the share solid are
        measured in the same picture, so that only what happens between them is left.
        """

        def moved(light: FloatArray | float) -> FloatArray:
            bounded = np.maximum(light, 1e-4)
            return np.asarray(bounded * np.log(bounded))

        step = self.plate - self.background
        between = moved(self.background + step * np.clip(solid, -0.2, 1.2))
        ends = moved(self.background) * (1 - solid) + moved(self.plate) * solid
        return np.asarray((between - ends) / step)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class LeftOver:
    """What the edge spread of a scan does not describe of its mean edge, as a share of the contrast.

    Attributes
    ----------
    place : ndarray of float, shape (n,)
        Distance from the edge towards the plate, in blurs.
    residual : ndarray of float, shape (n,)
    """

    place: FloatArray
    residual: FloatArray

    def at(self, towards_plate: FloatArray) -> FloatArray:
        """Return the residual at distances in blurs, 0 where it was not looked at."""
        return np.asarray(np.interp(towards_plate, self.place, self.residual, left=0.0, right=0.0))


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class WidthParts:
    """What the uncertainty of widths is made of; every array has one entry a feature.

    Attributes
    ----------
    noise_mm : ndarray
        Standard uncertainty from the pixels' noise, common noise of neighbours included.
    misfit_mm : ndarray
        What residuals beyond the noise add: rough edges, dirt, a model that does not hold.
    levels_mm : ndarray
        Standard uncertainty from the level around the feature as far as it is held near the maps of light.
    per_contrast_mm, per_blur_mm, per_transfer_mm : ndarray
        Signed change of the width per unit of relative error of the borrowed contrast, of the borrowed blur
        and of the transfer exponent.
    shape_mm : ndarray
        Signed change of the width by what the edge spread does not describe of the scan's mean edge.
    """

    noise_mm: FloatArray
    misfit_mm: FloatArray
    levels_mm: FloatArray
    per_contrast_mm: FloatArray
    per_blur_mm: FloatArray
    per_transfer_mm: FloatArray
    shape_mm: FloatArray


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class StripFits:
    """Fits of many strips; every array has one entry a strip, lengths in mm on the glass.

    Attributes
    ----------
    width_mm, centre_mm : ndarray
        Mean width, and centre across the strip from its nominal place.
    level, slope_per_mm, contrast, sigma_mm : ndarray
        The other parameters of the model.
    u_width_mm, u_centre_mm : ndarray
        Standard uncertainties from noise, misfit, and the borrowed contrast and blur.
    u_contrast : ndarray
        Posterior standard deviation of the contrast: small where the strip tells it itself.
    misfit : ndarray
        Root mean square residual over what noise alone would leave.
    parts : WidthParts
        The same uncertainty of the width by its causes.
    faces : Faces
        How light varies away from edges.
    """

    width_mm: FloatArray
    centre_mm: FloatArray
    level: FloatArray
    slope_per_mm: FloatArray
    contrast: FloatArray
    sigma_mm: FloatArray
    u_width_mm: FloatArray
    u_centre_mm: FloatArray
    u_contrast: FloatArray
    u_log_blur: FloatArray
    misfit: FloatArray
    parts: WidthParts
    faces: Faces

    def _arrays(self) -> list[str]:
        return [name for name in self.__dataclass_fields__ if name not in ("parts", "faces")]

    def parameters(self) -> FloatArray:
        """Return the parameters of all strips, shape (n_strips, 6), as another fit may start from them."""
        return np.column_stack(
            (self.width_mm, self.centre_mm, self.level, self.slope_per_mm, self.contrast, np.log(self.sigma_mm))
        )

    def some(self, chosen: NDArray[np.intp]) -> StripFits:
        """Return the fits of some of the strips."""
        arrays = {name: getattr(self, name)[chosen] for name in self._arrays()}
        parts = {name: getattr(self.parts, name)[chosen] for name in self.parts.__dataclass_fields__}
        return replace(self, parts=replace(self.parts, **parts), **arrays)

    def with_some(self, chosen: NDArray[np.intp], others: StripFits) -> StripFits:
        """Return the fits, but for the parts of widths' uncertainties, with others of some of the strips."""
        arrays = {name: getattr(self, name).copy() for name in self._arrays()}
        for name, values in arrays.items():
            values[chosen] = getattr(others, name)
        return replace(self, **arrays)


def fit_strips(
    samples: Samples,
    profiles: Profiles,
    spread: EdgeSpread,
    priors: Priors | None = None,
    *,
    contrast: FloatArray | None = None,
    noise_inflation: float = 1.0,
    light: Light | None = None,
    left_over: LeftOver | None = None,
    start: StripFits | None = None,
    faces: Faces | None = None,
) -> StripFits:
    """Fit all strips at once by a damped Gauss-Newton (Levenberg-Marquardt) iteration.

    Parameters
    ----------
    samples, profiles : what `sample_strips` and `robust_profiles` gave
    spread : EdgeSpread
        Edge spread of the scan.
    priors : Priors, optional
    contrast : ndarray of float, shape (n_strips,), optional
        Contrast that each strip borrows, 1 for that of the maps of light.
    noise_inflation : float
        How much neighbouring pixels' common noise (print texture) widens the error of a mean.
    light : Light, optional
        Needed for the share of the transfer curve in `WidthParts`, which is 0 without it.
    left_over : LeftOver, optional
        Needed for the share of the edge spread's shape, likewise.
    start : StripFits, optional
        Fits of the same strips to start from; spares most of the steps.
    faces : Faces, optional
        How light varies away from edges; by default as these strips show it. `EVEN` where edge spreads are compared by
        what they leave there.

    Returns
    -------
    StripFits
        Uncertainties cover pixel noise, misfit of the model and the borrowed contrast and blur.
        They leave out the scale, and light that a wall shades on one side only.

    References
    ----------
    JCGM 100:2008 (GUM) 5.1 for the combination; Cramer-Rao bounds of the pair of edges are checked
    in the tests.
    """
    priors = priors or Priors()
    borrowed = np.ones(len(samples.strips)) if contrast is None else contrast
    problem = _problem(samples, profiles, spread, priors, borrowed)
    p = _start(problem, samples, spread) if start is None else start.parameters()
    found = lowest(problem, p, _N_STEPS)
    faces = _faces(problem, found) if faces is None else faces
    problem, found = _by_their_faces(problem, found, faces)
    inflation = noise_inflation * noise_share(profiles)
    return _results(problem, _weighed_anew(problem, found, inflation), inflation, light, left_over, faces)


def strip_misfits(
    samples: Samples,
    profiles: Profiles,
    spread: EdgeSpread,
    priors: Priors,
    *,
    start: StripFits,
    most_steps: int,
) -> FloatArray:
    """Return the misfit of each strip (as in `StripFits`) after a few steps from another fit, with another spread."""
    problem = _problem(samples, profiles, spread, priors, np.ones(len(samples.strips)))
    found = lowest(problem, start.parameters(), most_steps)
    # What one more step would gain need not be tried.
    return np.sqrt(problem.chi2(found.equations) - 2 * gain_ahead(problem, found) / problem.n_free)


def _faces(problem: StripProblem, found: Lowest) -> Faces:
    beside, _ = _beside(problem, found.p)
    return faces_of(beside)


def _beside(problem: StripProblem, p: FloatArray) -> tuple[Beside, NDArray[np.intp]]:
    """Return the light on either side of all edges, and which steps it is of."""
    away = problem.d - p[:, CENTRE, None]
    outwards = (np.abs(away) - p[:, WIDTH, None] / 2) * np.exp(-p[:, LOG_BLUR, None])
    residual = problem.rows(p)[:, -1] / np.where(problem.root_weight > 0, problem.root_weight, 1.0)
    inside = outwards < 0
    group = 4 * np.arange(len(p))[:, None] + 2 * (away > 0) + inside
    steps = np.flatnonzero(problem.root_weight > 0)
    beside = Beside(
        group=group.ravel()[steps],
        of_plate=np.repeat(problem.sign[:, 0] > 0, 4) == np.tile([False, True], 2 * len(p)),
        distance=np.abs(outwards).ravel()[steps],
        residual=residual.ravel()[steps],
        weight=problem.root_weight.ravel()[steps] ** 2,
    )
    return beside, steps


def _by_their_faces(problem: StripProblem, found: Lowest, faces: Faces) -> tuple[StripProblem, Lowest]:
    """Return the problem, and where it is lowest, with light counting for what it says of the levels at edges."""
    if faces.are_even:
        return problem, found
    beside, steps = _beside(problem, found.p)
    share = np.ones(problem.d.shape)
    share.flat[steps] = faces.shares(beside)
    changed = share.min(axis=1) < LEAST_SHARE
    share[~changed] = 1.0
    problem = replace(problem, root_weight=problem.root_weight * np.sqrt(share))
    again = lowest(problem.some(changed), found.p[changed], _N_STEPS)
    p, cost, equations = found.p.copy(), found.cost.copy(), found.equations.copy()
    p[changed], cost[changed], equations[changed] = again.p, again.cost, again.equations
    return problem, Lowest(p=p, cost=cost, equations=equations)


def _problem(
    samples: Samples, profiles: Profiles, spread: EdgeSpread, priors: Priors, contrast: FloatArray
) -> StripProblem:
    n = len(samples.strips)
    solid = samples.is_bar
    noise = np.maximum(profiles.noise, LEAST_NOISE)
    mean = np.zeros((n, 6))
    mean[:, LEVEL] = np.where(solid, 0.0, 1.0)
    mean[:, CONTRAST] = contrast
    mean[:, LOG_BLUR] = np.log(spread.sigma_mm(samples.normal))
    precision = np.zeros((n, 6))
    precision[:, LEVEL] = priors.level**-2
    precision[:, SLOPE] = priors.slope_per_mm**-2
    precision[:, CONTRAST] = priors.contrast**-2
    precision[:, LOG_BLUR] = priors.blur**-2
    merged = profiles.merged
    return StripProblem(
        d=merged.d_mm,
        solid=merged.solid,
        root_weight=np.sqrt(merged.n_pixels) / noise[:, None],
        sign=np.where(solid, 1.0, -1.0)[:, None],
        prior_mean=mean,
        prior_precision=precision,
        shape=spread.shape,
        reach=np.array([s.width_mm / 2 + s.reach_mm for s in samples.strips]),
        rest=merged.within / noise**2,
        n_free=np.maximum(merged.n_steps - 4, 1),
    )


def _start(problem: StripProblem, samples: Samples, spread: EdgeSpread) -> FloatArray:
    """Return start values: width from the missing (or present) light, centre from its centroid."""
    p = problem.prior_mean.copy()
    filled = problem.root_weight > 0
    effect = np.where(filled, problem.sign * (problem.solid - problem.prior_mean[:, LEVEL, None]), 0.0)
    # Steps are unevenly filled: weigh each by the room it stands for.
    room = _room(problem.d, filled, samples.pixel_mm / 3)
    area = np.sum(effect * room, axis=1)
    positive = np.clip(effect, 0, None) * room
    centroid = np.sum(positive * problem.d, axis=1) / np.maximum(positive.sum(axis=1), 1e-9)
    p[:, WIDTH] = np.clip(area, 0.3 * samples.pixel_mm, 1.8 * problem.reach)
    p[:, CENTRE] = np.clip(centroid, -0.3 * problem.reach, 0.3 * problem.reach)
    # The middle of very wide openings is not sampled, so that its light cannot be summed.
    nominal = np.array([strip.width_mm for strip in samples.strips]) * samples.length_scale
    hollow = nominal > 2 * INNER_MM
    p[hollow, WIDTH], p[hollow, CENTRE] = nominal[hollow], 0.0
    return p


def _room(d: FloatArray, filled: NDArray[np.bool_], step: float) -> FloatArray:
    """Return the room across the strip that each filled step stands for (they come in rising order)."""
    gap = np.diff(d, axis=1)
    gap = np.where(filled[:, 1:] & (gap > 0) & (gap < 40 * step), gap, 0.0)
    padded = np.pad(gap, ((0, 0), (1, 1)))
    return np.asarray((padded[:, 1:] + padded[:, :-1]) / 2)


def _weighed_anew(problem: StripProblem, found: Lowest, noise_inflation: float) -> FloatArray:
    """Return the parameters where data count for no more than what the fit leaves, and noise in common, allow."""
    scale = np.maximum(problem.chi2(found.equations), noise_inflation**2)
    p, less = found.p.copy(), scale > _WORTH_LESS
    if less.any():
        p[less] = lowest(problem.some(less).weighed(1 / scale[less]), p[less], _N_STEPS).p
    return p


def _results(
    problem: StripProblem,
    p: FloatArray,
    noise_inflation: float,
    light: Light | None,
    left_over: LeftOver | None,
    faces: Faces,
) -> StripFits:
    rows = problem.rows(p)
    equations = rows @ rows.transpose(0, 2, 1)
    chi2 = problem.chi2(equations)
    # Misfit beyond noise (roughness, foreign light) and correlated noise widen the noise part; each shows
    # part of the other, so that the larger one counts.
    scale = np.maximum(chi2, noise_inflation**2)
    information = equations[:, :6, :6] / scale[:, None, None]
    normal = information.copy()
    index = np.arange(6)
    normal[:, index, index] += problem.prior_precision + problem.floor()
    covariance: FloatArray = np.linalg.inv(normal).astype(float)
    deviation = np.sqrt(np.maximum(np.diagonal(covariance, axis1=1, axis2=2), 0))
    # How the width follows the light of each step.
    gain = np.einsum("ni,nim->nm", covariance[:, WIDTH] / scale[:, None], rows[:, :6]) * problem.root_weight
    per_transfer, shape = np.zeros((2, len(p)))
    if light is not None:
        residual = rows[:, 6] / np.where(problem.root_weight > 0, problem.root_weight, 1.0)
        per_transfer = np.sum(gain * light.bend(problem.solid - residual), axis=1)
    if left_over is not None:
        shape = np.sum(gain * _left_over(problem, p, left_over), axis=1)
    return StripFits(
        width_mm=p[:, WIDTH],
        centre_mm=p[:, CENTRE],
        level=p[:, LEVEL],
        slope_per_mm=p[:, SLOPE],
        contrast=p[:, CONTRAST],
        sigma_mm=np.exp(p[:, LOG_BLUR]),
        u_width_mm=deviation[:, WIDTH],
        u_centre_mm=deviation[:, CENTRE],
        u_contrast=deviation[:, CONTRAST],
        u_log_blur=deviation[:, LOG_BLUR],
        misfit=np.sqrt(chi2),
        parts=_parts(
            covariance,
            information,
            noise_share=noise_inflation**2 / scale,
            prior_precision=problem.prior_precision,
            per_transfer_mm=per_transfer,
            shape_mm=shape,
        ),
        faces=faces,
    )


def _left_over(problem: StripProblem, p: FloatArray, left_over: LeftOver) -> FloatArray:
    """Return what the two edges of each strip leave together: light adds up."""
    half, sigma = p[:, WIDTH, None] / 2, np.exp(p[:, LOG_BLUR, None])
    inwards = [(problem.d - p[:, CENTRE, None]) * side + half for side in (1.0, -1.0)]
    return np.asarray(sum(left_over.at(problem.sign * one / sigma) for one in inwards) * p[:, CONTRAST, None])


def _parts(
    covariance: FloatArray,
    information: FloatArray,
    *,
    noise_share: FloatArray,
    prior_precision: FloatArray,
    per_transfer_mm: FloatArray,
    shape_mm: FloatArray,
) -> WidthParts:
    """Split the posterior variance of the width by its causes.

    The estimate is p = V (A p_data + P p_prior), with the information A of the data, the precision P of the
    priors and V = (A + P)^-1. So V = V A V + V P V: what the data's errors and what each prior's error leave.
    """
    row = covariance[:, WIDTH, :]
    from_data = np.einsum("ni,nij,nj->n", row, information, row)
    by_prior = row * prior_precision
    levels = np.sum(by_prior[:, [LEVEL, SLOPE]] * row[:, [LEVEL, SLOPE]], axis=1)
    return WidthParts(
        noise_mm=np.sqrt(np.maximum(from_data * noise_share, 0)),
        misfit_mm=np.sqrt(np.maximum(from_data * (1 - noise_share), 0)),
        levels_mm=np.sqrt(np.maximum(levels, 0)),
        per_contrast_mm=by_prior[:, CONTRAST],
        per_blur_mm=by_prior[:, LOG_BLUR],
        per_transfer_mm=per_transfer_mm,
        shape_mm=shape_mm,
    )
