"""Blurred discs fitted to many holes at once, foreign marks set aside."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sharpset.readings.edges.blur import EdgeSpread
from sharpset.readings.holes.disc_model import DiscTables, Patches
from sharpset.readings.holes.rim_marks import RimScales, rim_scales

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
    doubt_mm : ndarray of float, shape (n_holes,), optional
        What is left unsure of each radius where a rim may be rough as well as lie under a mark.
    marks : ndarray of bool, shape (n,), optional
        Pixels that lie on foreign marks.
    """

    p: FloatArray
    weight: FloatArray
    noise: FloatArray
    doubt_mm: FloatArray | None = None
    marks: NDArray[np.bool_] | None = None


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
    counts : ndarray of float, shape (n,), optional
        By how much less than its noise allows each pixel counts, as the faces of plate and ground vary (see
        `as_faces_vary`); 1 by default.
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
    counts: FloatArray | None = None

    def some(self, chosen: NDArray[np.intp]) -> tuple[DiscProblem, NDArray[np.intp]]:
        """Return the problem of some holes, and which pixels of the whole are theirs."""
        patches, pixels = self.patches.some(chosen)
        counts = None if self.counts is None else self.counts[pixels]
        return replace(self, patches=patches, reach_mm=self.reach_mm[chosen], counts=counts), pixels

    def counted(self, weight: FloatArray, pixels: slice) -> FloatArray:
        """Return the weights of some pixels with what faces leave of them."""
        return weight[pixels] if self.counts is None else weight[pixels] * self.counts[pixels]

    def scales(
        self,
        p: FloatArray,
        residual: FloatArray,
        dirty: NDArray[np.bool_] | None = None,
        marks: NDArray[np.bool_] | None = None,
    ) -> RimScales:
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
            marks=marks,
        )

    def residual(self, p: FloatArray) -> FloatArray:
        """Return what the model leaves of every pixel."""
        patches, tables = self.patches, DiscTables.of(p[:, 2], self.sigma_mm, self.spread)
        left = np.empty(len(patches.solid))
        for i, one in enumerate(patches.slices()):
            near = patches.n_within(i, p[i], tables.reach)
            np.subtract(patches.solid[one], p[i, 3], out=left[one])
            x, y, solid, own = (values[one][:near] for values in (patches.x_mm, patches.y_mm, patches.solid, left))
            np.subtract(solid, tables.light(i, x, y, p[i]), out=own)
        return left

    def seen(
        self, hole: int, pixels: slice, p: FloatArray, tables: DiscTables, k: int
    ) -> tuple[FloatArray, FloatArray]:
        """Return the derivatives at a hole's nearer pixels, shape (5, n_near), and what the model leaves of all."""
        near = self.patches.n_within(hole, p, tables.reach)
        x, y = (values[pixels][:near] for values in (self.patches.x_mm, self.patches.y_mm))
        model, rows = tables.rows(k, x, y, p)
        residual = self.patches.solid[pixels] - p[3]
        np.subtract(self.patches.solid[pixels][:near], model, out=residual[:near])
        return rows, residual


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
    pixels = patches.slices()
    p, radius = p.copy(), p[:, 2].copy()
    noises, per_scale = np.empty(n), np.empty(0)
    weight = np.empty(len(patches.owner))
    todo = np.arange(n)
    for turn in range(_N_TURNS):
        tables = DiscTables.of(p[todo, 2], problem.sigma_mm, problem.spread)
        seen: Iterable[tuple[FloatArray, FloatArray]]
        seen = (problem.seen(int(i), pixels[i], p[i], tables, k) for k, i in enumerate(todo))
        if turn in _SCALED_AT:
            seen = list(seen)
            residual = np.concatenate([left for _, left in seen])
            scales = problem.scales(p, residual, np.full(n, marks is not None), marks)
            per_scale, noises = 1 / scales.scale, scales.usual
        normal, gradient = np.empty((len(todo), 5, 5)), np.empty((len(todo), 5))
        for k, (i, (rows, left)) in enumerate(zip(todo, seen, strict=True)):
            one = pixels[i]
            _weigh(left, per_scale[one], float(noises[i]) ** -2, out=weight[one])
            if marks is not None:
                weight[one][marks[one]] = 0.0
            normal[k], gradient[k] = _equations(rows, left, problem.counted(weight, one))
        step = _solve(normal, gradient, problem.precision, problem.mean - p[todo])
        most = (0.4 * radius[todo] + problem.sigma_mm)[:, None]
        step[:, :3] = np.clip(step[:, :3], -most, most)
        moved = p[todo] + step
        moved[:, 2] = np.clip(moved[:, 2], 0.02 * problem.sigma_mm, 3 * radius[todo] + 3 * problem.sigma_mm)
        room = (problem.reach_mm[todo] + radius[todo])[:, None]
        moved[:, :2] = np.clip(moved[:, :2], -room, room)
        p[todo] = moved
        if turn >= _SCALED_AT[-1]:
            todo = todo[np.any(np.abs(step[:, :3]) >= 1e-5, axis=1)]
            if len(todo) == 0:
                break
    return DiscState(p=p, weight=weight, noise=noises)


def _equations(rows: FloatArray, left: FloatArray, weight: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the normal matrix and the gradient of a hole; beyond the pixels of `rows` there is only a level."""
    near = rows.shape[1]
    weighted = rows * weight[:near]
    normal, gradient = weighted @ rows.T, weighted @ left[:near]
    normal[3, 3] += weight[near:].sum()
    gradient[3] += weight[near:] @ left[near:]
    return normal, gradient


def _solve(normal: FloatArray, gradient: FloatArray, precision: FloatArray, away: FloatArray) -> FloatArray:
    """Return the Gauss-Newton step of every hole."""
    normal = normal + np.diag(precision + 1e-9)
    return np.asarray(np.linalg.solve(normal, (gradient + precision * away)[..., None])[..., 0])


def _weigh(left: FloatArray, per_scale: FloatArray, most: float, *, out: FloatArray) -> None:
    """Work out weights that drop foreign light: `most` to 3 spreads, 0 from 6."""
    np.abs(left, out=out)
    out *= per_scale
    out *= -1 / 3
    out += 2.0
    np.maximum(out, 0.0, out=out)
    np.minimum(out, 1.0, out=out)
    out *= most
