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

from sharpset.readings.blur import EdgeSpread, edge_profile, line_profile
from sharpset.readings.profiles import LEAST_NOISE, Profiles, noise_share
from sharpset.readings.sampling import INNER_MM, Samples

__all__ = ["LOOSE", "LeftOver", "Light", "Priors", "StripFits", "WidthParts", "fit_strips", "strip_misfits"]

FloatArray = NDArray[np.float64]
_N_STEPS = 25
_DONE_SHARE = 0.25
_FLOOR_REACHES = 30.0
"""Widths and centres are known at least to so many times the neighbourhood that is looked at; any edge tells a
million times more."""
_WORTH_LESS = 1.5
WIDTH, CENTRE, LEVEL, SLOPE, CONTRAST, LOG_BLUR = range(6)


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

    def parameters(self) -> FloatArray:
        """Return the parameters of all strips, shape (n_strips, 6), as another fit may start from them."""
        return np.column_stack(
            (self.width_mm, self.centre_mm, self.level, self.slope_per_mm, self.contrast, np.log(self.sigma_mm))
        )

    def some(self, chosen: NDArray[np.intp]) -> StripFits:
        """Return the fits of some of the strips."""
        arrays = {name: getattr(self, name)[chosen] for name in self.__dataclass_fields__ if name != "parts"}
        parts = {name: getattr(self.parts, name)[chosen] for name in self.parts.__dataclass_fields__}
        return replace(self, parts=replace(self.parts, **parts), **arrays)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Problem:
    """Data and priors of all strips in padded arrays."""

    d: FloatArray
    solid: FloatArray
    weight: FloatArray
    sign: FloatArray
    prior_mean: FloatArray
    prior_precision: FloatArray
    halo: float
    halo_ratio: float
    reach: FloatArray

    def evaluate(self, p: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return the model and its derivatives, shapes (n, m) and (n, 6, m)."""
        width, centre, level, slope, contrast = (p[:, k, None] for k in range(5))
        sigma = np.exp(p[:, LOG_BLUR, None])
        left, right = self.d - centre + width / 2, self.d - centre - width / 2
        spread = {"halo": self.halo, "ratio": self.halo_ratio}
        span = edge_profile(left, sigma, **spread) - edge_profile(right, sigma, **spread)
        at_left, at_right = line_profile(left, sigma, **spread), line_profile(right, sigma, **spread)
        height = self.sign * contrast
        jacobian = np.empty((len(p), 6, self.d.shape[1]))
        jacobian[:, WIDTH] = height / 2 * (at_left + at_right)
        jacobian[:, CENTRE] = height * (at_right - at_left)
        jacobian[:, LEVEL] = 1.0
        jacobian[:, SLOPE] = self.d
        jacobian[:, CONTRAST] = self.sign * span
        # A blur that grows by a factor moves the profile as the distances shrink by it.
        jacobian[:, LOG_BLUR] = height * (right * at_right - left * at_left)
        return level + slope * self.d + height * span, jacobian

    def cost(self, p: FloatArray, model: FloatArray) -> FloatArray:
        """Return half the weighted sum of squares of each strip, priors included."""
        data = np.sum(self.weight * (self.solid - model) ** 2, axis=1)
        prior = np.sum(self.prior_precision * (p - self.prior_mean) ** 2, axis=1)
        return np.asarray((data + prior) / 2)

    def floor(self) -> FloatArray:
        """Return a precision that keeps equations solvable where nothing shows a width or a centre."""
        floor = np.full((len(self.reach), 6), 1e-12)
        floor[:, [WIDTH, CENTRE]] = (_FLOOR_REACHES * self.reach[:, None]) ** -2
        return floor

    @property
    def n_free(self) -> NDArray[np.intp]:
        """Degrees of freedom of each strip's residuals."""
        return np.asarray(np.maximum((self.weight > 0).sum(axis=1) - 4, 1))

    def some(self, chosen: NDArray[np.bool_]) -> _Problem:
        """Return the problem of some of the strips."""
        arrays = ("d", "solid", "weight", "sign", "prior_mean", "prior_precision", "reach")
        return replace(self, **{name: getattr(self, name)[chosen] for name in arrays})


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
    p = _iterate(problem, p, _N_STEPS).p
    inflation = noise_inflation * noise_share(profiles)
    p = _weighed_anew(problem, p, inflation)
    return _results(problem, p, inflation, light, left_over)


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
    found = _iterate(problem, start.parameters(), most_steps)
    data = 2 * found.cost - np.sum(problem.prior_precision * (found.p - problem.prior_mean) ** 2, axis=1)
    return np.asarray(np.sqrt(data / problem.n_free))


def _problem(
    samples: Samples, profiles: Profiles, spread: EdgeSpread, priors: Priors, contrast: FloatArray
) -> _Problem:
    n = len(samples.strips)
    solid = samples.is_bar
    sign = np.where(solid, 1.0, -1.0)[:, None]
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
    reach = np.array([s.width_mm / 2 + s.reach_mm for s in samples.strips])
    return _Problem(
        d=profiles.d_mm,
        solid=profiles.solid,
        weight=profiles.n_pixels / noise[:, None] ** 2,
        sign=sign,
        prior_mean=mean,
        prior_precision=precision,
        halo=spread.halo,
        halo_ratio=spread.halo_ratio,
        reach=reach,
    )


def _start(problem: _Problem, samples: Samples, spread: EdgeSpread) -> FloatArray:
    """Return start values: width from the missing (or present) light, centre from its centroid."""
    p = problem.prior_mean.copy()
    filled = problem.weight > 0
    step = samples.pixel_mm / 3
    effect = np.where(filled, problem.sign * (problem.solid - problem.prior_mean[:, LEVEL, None]), 0.0)
    # Steps are unevenly filled: weigh each by the room it stands for.
    room = _room(problem.d, filled, step)
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


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Lowest:
    """Parameters at the lowest cost, and that cost (see `_Problem.cost`)."""

    p: FloatArray
    cost: FloatArray


def _iterate(problem: _Problem, start: FloatArray, most_steps: int) -> _Lowest:
    """Go down to the lowest cost; strips that have got there are left alone."""
    found, todo, p = start.copy(), np.arange(len(start)), start.copy()
    damping = np.full(len(p), 1e-3)
    model, jacobian = problem.evaluate(p)
    cost = problem.cost(p, model)
    lowest = cost.copy()
    for _ in range(most_steps):
        trial = _stepped(problem, p, model, jacobian, damping)
        new_model, new_jacobian = problem.evaluate(trial)
        new_cost = problem.cost(trial, new_model)
        better = new_cost <= cost
        p[better], model[better], jacobian[better] = trial[better], new_model[better], new_jacobian[better]
        gain = np.where(better, cost - new_cost, np.inf)
        cost = np.where(better, new_cost, cost)
        damping = np.where(better, damping / 5, damping * 8)
        done = (gain < 1e-6 * (cost + 1)) | (damping > 1e8)
        found[todo], lowest[todo] = p, cost
        if done.all():
            break
        if done.mean() > _DONE_SHARE:
            more = ~done
            problem, todo = problem.some(more), todo[more]
            p, model, jacobian, cost, damping = (v[more] for v in (p, model, jacobian, cost, damping))
    return _Lowest(p=found, cost=lowest)


def _weighed_anew(problem: _Problem, p: FloatArray, noise_inflation: float) -> FloatArray:
    """Return the parameters where data count for no more than what the fit leaves, and noise in common, allow."""
    scale = np.maximum(_chi2(problem, problem.solid - problem.evaluate(p)[0]), noise_inflation**2)
    part, found = problem.some(less := scale > _WORTH_LESS), p.copy()
    if less.any():
        found[less] = _iterate(replace(part, weight=part.weight / scale[less, None]), p[less], _N_STEPS).p
    return found


def _stepped(
    problem: _Problem, p: FloatArray, model: FloatArray, jacobian: FloatArray, damping: FloatArray
) -> FloatArray:
    """Return the parameters after one damped Gauss-Newton step, kept within bounds."""
    weighted = jacobian * problem.weight[:, None, :]
    normal = weighted @ jacobian.transpose(0, 2, 1)
    gradient = (weighted @ (problem.solid - model)[..., None])[..., 0]
    gradient -= problem.prior_precision * (p - problem.prior_mean)
    index = np.arange(6)
    normal[:, index, index] = (normal[:, index, index] + problem.prior_precision) * (1 + damping[:, None])
    normal[:, index, index] += problem.floor()
    trial = p + np.linalg.solve(normal, gradient[..., None])[..., 0]
    trial[:, WIDTH] = np.clip(trial[:, WIDTH], 1e-4, 2 * problem.reach)
    trial[:, CENTRE] = np.clip(trial[:, CENTRE], -problem.reach, problem.reach)
    about = problem.prior_mean[:, LOG_BLUR]
    trial[:, LOG_BLUR] = np.clip(trial[:, LOG_BLUR], about - 1, about + 1)
    return np.asarray(trial)


def _chi2(problem: _Problem, residual: FloatArray) -> FloatArray:
    return np.asarray(np.sum(problem.weight * residual**2, axis=1) / problem.n_free)


def _results(
    problem: _Problem, p: FloatArray, noise_inflation: float, light: Light | None, left_over: LeftOver | None
) -> StripFits:
    model, jacobian = problem.evaluate(p)
    residual = problem.solid - model
    chi2 = _chi2(problem, residual)
    # Misfit beyond noise (roughness, foreign light) and correlated noise widen the noise part; each shows
    # part of the other, so that the larger one counts.
    scale = np.maximum(chi2, noise_inflation**2)
    weighted = jacobian * (problem.weight / scale[:, None])[:, None, :]
    information = weighted @ jacobian.transpose(0, 2, 1)
    normal = information.copy()
    index = np.arange(6)
    normal[:, index, index] += problem.prior_precision + problem.floor()
    covariance: FloatArray = np.linalg.inv(normal).astype(float)
    deviation = np.sqrt(np.maximum(np.diagonal(covariance, axis1=1, axis2=2), 0))
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
            weighted,
            noise_share=noise_inflation**2 / scale,
            prior_precision=problem.prior_precision,
            bend=None if light is None else light.bend(model),
            left_over=None if left_over is None else _left_over(problem, p, left_over),
        ),
    )


def _left_over(problem: _Problem, p: FloatArray, left_over: LeftOver) -> FloatArray:
    """Return what the two edges of each strip leave together: light adds up."""
    half, sigma = p[:, WIDTH, None] / 2, np.exp(p[:, LOG_BLUR, None])
    inwards = [(problem.d - p[:, CENTRE, None]) * side + half for side in (1.0, -1.0)]
    return np.asarray(sum(left_over.at(problem.sign * one / sigma) for one in inwards) * p[:, CONTRAST, None])


def _parts(
    covariance: FloatArray,
    information: FloatArray,
    weighted: FloatArray,
    *,
    noise_share: FloatArray,
    prior_precision: FloatArray,
    bend: FloatArray | None,
    left_over: FloatArray | None,
) -> WidthParts:
    """Split the posterior variance of the width by its causes.

    The estimate is p = V (A p_data + P p_prior), with the information A of the data, the precision P of the
    priors and V = (A + P)^-1. So V = V A V + V P V: what the data's errors and what each prior's error leave.
    """
    row = covariance[:, WIDTH, :]
    from_data = np.einsum("ni,nij,nj->n", row, information, row)
    by_prior = row * prior_precision
    levels = np.sum(by_prior[:, [LEVEL, SLOPE]] * row[:, [LEVEL, SLOPE]], axis=1)
    gain = np.einsum("ni,nim->nm", row, weighted)
    return WidthParts(
        noise_mm=np.sqrt(np.maximum(from_data * noise_share, 0)),
        misfit_mm=np.sqrt(np.maximum(from_data * (1 - noise_share), 0)),
        levels_mm=np.sqrt(np.maximum(levels, 0)),
        per_contrast_mm=by_prior[:, CONTRAST],
        per_blur_mm=by_prior[:, LOG_BLUR],
        per_transfer_mm=np.zeros(len(row)) if bend is None else np.sum(gain * bend, axis=1),
        shape_mm=np.zeros(len(row)) if left_over is None else np.sum(gain * left_over, axis=1),
    )
