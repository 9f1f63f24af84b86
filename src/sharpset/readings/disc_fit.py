"""Blurred discs fitted to many holes at once, foreign marks set aside."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sharpset.readings.blur import EdgeSpread
from sharpset.readings.disc_model import Patches, evaluate_discs
from sharpset.readings.rim_marks import RimScales, rim_scales

__all__ = ["DiscProblem", "DiscState", "iterate_discs"]

FloatArray = NDArray[np.float64]
_N_TURNS = 15
_SCALED_AT = (0, 3)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class DiscState:
    """Where the fit of many holes ended.

    Attributes
    ----------
    p : ndarray of float, shape (n_holes, 5)
        Centre x and y, radius (mm), level around the hole, contrast.
    weight : ndarray of float, shape (n,)
        Of each pixel in the last step.
    noise : ndarray of float, shape (n_holes,)
        Standard deviation of one pixel, share solid.
    """

    p: FloatArray
    weight: FloatArray
    noise: FloatArray


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class DiscProblem:
    """Pixels around many holes and what is known beforehand.

    Attributes
    ----------
    patches : Patches
    sigma_mm : float
        Blur.
    spread : EdgeSpread
        Gives the halo.
    noise : float
        Least standard deviation of one pixel, share solid.
    precision, mean : ndarray of float, shape (5,)
        Of what is known beforehand of each parameter (see `DiscState`).
    reach_mm : ndarray of float, shape (n_holes,)
        How far a centre may wander beyond the hole's radius.
    pixel_mm : float
    typical : ndarray of float, optional
        Scatter of all holes of the scan by the distance from the edge (see `rim_scales`).
    """

    patches: Patches
    sigma_mm: float
    spread: EdgeSpread
    noise: float
    precision: FloatArray
    mean: FloatArray
    reach_mm: FloatArray
    pixel_mm: float
    typical: FloatArray | None = None

    def some(self, chosen: NDArray[np.intp]) -> tuple[DiscProblem, NDArray[np.intp]]:
        """Return the problem of some holes, and which pixels of the whole are theirs."""
        patches, pixels = self.patches.some(chosen)
        return replace(self, patches=patches, reach_mm=self.reach_mm[chosen]), pixels

    def scales(self, p: FloatArray, residual: FloatArray, dirty: NDArray[np.bool_] | None = None) -> RimScales:
        """Return the scatter of residuals by the distance from the edge."""
        return rim_scales(
            self.patches,
            p,
            residual,
            noise=self.noise,
            sigma=self.sigma_mm,
            ring_mm=max(self.pixel_mm, 0.7 * self.sigma_mm),
            dirty=dirty,
            typical=self.typical,
        )

    def residual(self, p: FloatArray) -> FloatArray:
        """Return what the model leaves of every pixel."""
        return self.patches.solid - evaluate_discs(self.patches, p, self.sigma_mm, self.spread)[0]


def iterate_discs(problem: DiscProblem, p: FloatArray, *, marks: NDArray[np.bool_] | None = None) -> DiscState:
    """Fit all holes by reweighted Gauss-Newton steps.

    Parameters
    ----------
    problem : DiscProblem
    p : ndarray of float, shape (n_holes, 5)
        Start values.
    marks : ndarray of bool, shape (n,), optional
        Pixels on foreign marks, which have no say. What these holes scatter themselves is hardly heeded.

    Returns
    -------
    DiscState
    """
    patches, n = problem.patches, problem.patches.n_holes
    p, radius = p.copy(), p[:, 2].copy()
    noises = np.full(n, problem.noise)
    weight = np.full(len(patches.owner), problem.noise**-2)
    todo, part, pixels = np.arange(n), patches, np.arange(len(patches.owner))
    for turn in range(_N_TURNS):
        model, jacobian = evaluate_discs(part, p[todo], problem.sigma_mm, problem.spread)
        residual = part.solid - model
        if turn in _SCALED_AT:
            scale = np.empty(len(patches.owner))
            suspect = np.full(len(todo), marks is not None)
            scale[pixels] = replace(problem, patches=part).scales(p[todo], residual, suspect).scale
            noises[todo] = _noises(part, scale[pixels])
        weight[pixels] = _weights(residual / scale[pixels]) * noises[patches.owner[pixels]] ** -2
        if marks is not None:
            weight[pixels[marks[pixels]]] = 0.0
        step = _solve(part, jacobian, residual, weight[pixels], problem.precision, problem.mean - p[todo])
        most = (0.4 * radius[todo] + problem.sigma_mm)[:, None]
        step[:, :3] = np.clip(step[:, :3], -most, most)
        moved = p[todo] + step
        moved[:, 2] = np.clip(moved[:, 2], 0.02 * problem.sigma_mm, 3 * radius[todo] + 3 * problem.sigma_mm)
        room = (problem.reach_mm[todo] + radius[todo])[:, None]
        moved[:, :2] = np.clip(moved[:, :2], -room, room)
        p[todo] = moved
        if turn >= _SCALED_AT[-1]:
            moving = np.any(np.abs(step[:, :3]) >= 1e-5, axis=1)
            if not moving.any():
                break
            if not moving.all():
                pixels = pixels[moving[part.owner]]
                todo = todo[moving]
                part = patches.some(todo)[0]
    return DiscState(p=p, weight=weight, noise=noises)


def _noises(patches: Patches, scale: FloatArray) -> FloatArray:
    """Return the median scatter of each hole's pixels."""
    return np.array([np.median(scale[one]) for one in patches.slices()])


def _solve(
    patches: Patches,
    jacobian: FloatArray,
    residual: FloatArray,
    weight: FloatArray,
    precision: FloatArray,
    away: FloatArray,
) -> FloatArray:
    """Return the Gauss-Newton step of every hole."""
    normal = np.empty((patches.n_holes, 5, 5))
    gradient = np.empty((patches.n_holes, 5))
    for i, one in enumerate(patches.slices()):
        weighted = jacobian[:, one] * weight[one]
        normal[i] = weighted @ jacobian[:, one].T
        gradient[i] = weighted @ residual[one]
    normal += np.diag(precision + 1e-9)
    return np.asarray(np.linalg.solve(normal, (gradient + precision * away)[..., None])[..., 0])


def _weights(distance: FloatArray) -> FloatArray:
    """Return weights that drop foreign light: 1 to 3 spreads, 0 from 6."""
    return np.asarray(np.clip((6.0 - np.abs(distance)) / 3.0, 0.0, 1.0))
