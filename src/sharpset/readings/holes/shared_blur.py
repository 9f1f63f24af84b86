"""The blur and the contrast that the holes of a scan share, told by the holes themselves."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sharpset.readings.holes.disc_fit import DiscProblem, DiscState
from sharpset.readings.holes.disc_model import DiscTables

__all__ = ["SharedBlur", "share_blur"]

FloatArray = NDArray[np.float64]
_N_TURNS, _N_WEIGHINGS = 3, 6
_STEP = 0.03
"""Relative step of the blur for its derivative by a finite difference."""
_LEAST_U = 0.01
"""Of the blur, as for strips: edge spreads are not quite as modelled."""
_TAIL = 4.0
"""Degrees of freedom of Student's t for how holes stray from what they share: a few are dirty or misshapen."""


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class SharedBlur:
    """What holes share, and the fits with it; `u_blur` is the relative standard uncertainty of the blur."""

    problem: DiscProblem
    found: DiscState
    u_blur: float


def share_blur(
    problem: DiscProblem, found: DiscState, *, u_blur: float, u_contrast: float, inflation: float
) -> SharedBlur:
    """Fit the blur and the mean contrast of all holes together with each hole's own parameters.

    Parameters
    ----------
    problem : DiscProblem
        Its blur is that of straight edges, whose roughness adds to it as that of rims does, or does not.
    found : DiscState
        Fits with that blur; weights stay what they are.
    u_blur, u_contrast : float
        How far holes may differ from what straight edges say, relative standard uncertainties.
    inflation : float
        How much common noise of neighbouring pixels widens the error of a mean.

    Returns
    -------
    SharedBlur

    Notes
    -----
    A step of Gauss and Newton in all parameters at once, in which those of each hole are eliminated (Schur's
    complement): what is left of each hole is what it tells of blur and contrast whatever its size, place and level are.
    """
    p, precision = found.p.copy(), np.diag(problem.precision + 1e-9)
    prior = np.array([u_blur, u_contrast]) ** -2.0
    theta, mean = np.zeros(2), problem.mean.copy()
    covariance = np.diag(1 / prior)
    for _ in range(_N_TURNS):
        sigma = problem.sigma_mm * float(np.exp(theta[0]))
        normal, cross, own, gradient, pull = _equations(problem, found, p, sigma, mean, inflation)
        normal += precision
        solved = np.linalg.solve(normal, np.concatenate((cross, gradient[..., None]), axis=2))
        tells = own - cross.transpose(0, 2, 1) @ solved[..., :2]
        says = pull - (cross.transpose(0, 2, 1) @ solved[..., 2:])[..., 0]
        step, covariance = _together(tells, says, prior, theta)
        moved = solved[..., 2] - solved[..., :2] @ step
        p += np.clip(moved, -0.2 * p[:, 2:3], 0.2 * p[:, 2:3])
        theta = np.clip(theta + step, -3 * prior**-0.5, 3 * prior**-0.5)
        mean[4] = problem.mean[4] + theta[1]
        if abs(step[0]) < 1e-4:
            break
    sigma = problem.sigma_mm * float(np.exp(theta[0]))
    return SharedBlur(
        problem=replace(problem, sigma_mm=sigma, mean=mean),
        found=replace(found, p=p),
        u_blur=float(np.hypot(np.sqrt(covariance[0, 0]), _LEAST_U)),
    )


def _equations(
    problem: DiscProblem, found: DiscState, p: FloatArray, sigma: float, mean: FloatArray, inflation: float
) -> tuple[FloatArray, ...]:
    """Return each hole's normal matrix, its products with what is shared, those among it, and both gradients."""
    patches, n = problem.patches, len(p)
    tables, wider = (DiscTables.of(p[:, 2], blur, problem.spread) for blur in (sigma, sigma * (1 + _STEP)))
    normal, cross, own = np.zeros((n, 5, 5)), np.zeros((n, 5, 2)), np.zeros((n, 2, 2))
    gradient, pull, square = np.zeros((n, 5)), np.zeros((n, 2)), np.ones(n)
    for i, one in enumerate(patches.slices()):
        near = patches.n_within(i, p[i], wider.reach)
        x, y, solid = (values[one] for values in (patches.x_mm, patches.y_mm, patches.solid))
        model, rows = tables.rows(i, x[:near], y[:near], p[i])
        by_blur = (wider.light(i, x[:near], y[:near], p[i]) - model) / _STEP
        left, weight = solid[:near] - model, found.weight[one]
        flat, used = solid[near:] - p[i, 3], weight > 0.5 * weight.max()
        squares = np.concatenate((left, flat))[used] ** 2
        square[i] = float(squares.mean()) / found.noise[i] ** 2 if used.any() else np.inf
        weight = problem.counted(found.weight, one)
        weighted = rows * weight[:near]
        normal[i], gradient[i] = weighted @ rows.T, weighted @ left
        normal[i, 3, 3] += weight[near:].sum()
        gradient[i, 3] += weight[near:] @ flat
        cross[i, :, 0] = weighted @ by_blur
        own[i, 0, 0], pull[i, 0] = (weight[:near] * by_blur) @ by_blur, (weight[:near] * by_blur) @ left
    usual = min(float(np.median(square)), 1.0) * inflation**2
    scale = np.maximum(square, usual)
    for values in (normal, cross, own, gradient, pull):
        values /= scale.reshape(-1, *(1,) * (values.ndim - 1))
    away = mean - p
    gradient += problem.precision * away
    # The contrast of each hole is held near the shared one.
    held = problem.precision[4]
    cross[:, 4, 1], own[:, 1, 1], pull[:, 1] = -held, held, -held * away[:, 4]
    return normal, cross, own, gradient, pull


def _together(
    tells: FloatArray, says: FloatArray, prior: FloatArray, theta: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return the step of what is shared and its covariance; holes that stray count for less (Student's t)."""
    weight, step = np.ones(len(tells)), np.zeros(2)
    inverse = np.linalg.pinv(tells, hermitian=True)
    for _ in range(_N_WEIGHINGS):
        normal = np.einsum("n,nij->ij", weight, tells) + np.diag(prior)
        step = np.linalg.solve(normal, weight @ says - prior * theta)
        left = says - tells @ step
        away = np.einsum("ni,nij,nj->n", left, inverse, left)
        weight = (_TAIL + 2) / (_TAIL + away)
    spread = max(float(weight @ away) / (2 * len(tells)), 1.0)
    inform = np.einsum("n,nij->ij", weight, tells) / spread + np.diag(prior)
    return step, np.linalg.inv(inform)
