"""The picture of round holes: a disc blurred by the scan, for many holes at once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import chndtr, ive, ndtr

from sharpset.readings.blur import EdgeSpread

__all__ = ["DiscState", "Patches", "blurred_disc", "evaluate_discs", "iterate_discs"]

FloatArray = NDArray[np.float64]
_STEP = 0.08
"""Step of the tables that stand for the blurred disc, in blur widths: linear interpolation errs by 2e-4."""
_REACH = 6.0
"""Blur widths from the edge beyond which the light is flat."""
_N_TURNS, _ROBUST_FROM, _LEAST_TURNS = 15, 3, 5
_STRAIGHT = 20.0


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Patches:
    """Pixels around holes in flat arrays, hole after hole.

    Attributes
    ----------
    x_mm, y_mm : ndarray of float, shape (n,)
        Position from the hole's nominal centre, on the glass.
    solid : ndarray of float, shape (n,)
        Share solid.
    owner : ndarray of int, shape (n,)
        Hole that each pixel belongs to, in rising order without gaps.
    start : ndarray of int, shape (n_holes,)
        First pixel of each hole.
    """

    x_mm: FloatArray
    y_mm: FloatArray
    solid: FloatArray
    owner: NDArray[np.intp]
    start: NDArray[np.intp]

    @classmethod
    def joined(cls, x_mm: list[FloatArray], y_mm: list[FloatArray], solid: list[FloatArray]) -> Patches:
        """Return the patches of several holes as one."""
        counts = np.array([len(part) for part in x_mm])
        return cls(
            x_mm=np.concatenate(x_mm),
            y_mm=np.concatenate(y_mm),
            solid=np.concatenate(solid),
            owner=np.repeat(np.arange(len(counts)), counts),
            start=np.concatenate(([0], np.cumsum(counts)[:-1])).astype(np.intp),
        )

    @property
    def n_holes(self) -> int:
        """How many holes there are."""
        return len(self.start)

    def slices(self) -> list[slice]:
        """Return where each hole's pixels are."""
        ends = [*self.start[1:], len(self.owner)]
        return [slice(int(a), int(b)) for a, b in zip(self.start, ends, strict=True)]

    def some(self, chosen: NDArray[np.intp]) -> tuple[Patches, NDArray[np.intp]]:
        """Return the patches of some holes, and which pixels of the whole they are."""
        slices = self.slices()
        pixels = np.concatenate([np.arange(slices[i].start, slices[i].stop) for i in chosen])
        parts = [[values[slices[i]] for i in chosen] for values in (self.x_mm, self.y_mm, self.solid)]
        return Patches.joined(*parts), pixels


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


def blurred_disc(r: FloatArray, radius: FloatArray | float, sigma: float) -> FloatArray:
    """Return the light of a unit disc blurred by a Gaussian, at distances `r` from its centre.

    Parameters
    ----------
    r : ndarray of float
    radius : float or ndarray of float that broadcasts with `r`
    sigma : float

    Notes
    -----
    1 - Q1(r/sigma, R/sigma) with Marcum's Q, that is the noncentral chi-square distribution with two
    degrees of freedom. From R = 20 sigma on the edge is nearly straight and its first correction for
    curvature, a shift by sigma^2 / (2 R), is exact to 1e-4 of the contrast.
    """
    r, big = np.broadcast_arrays(np.asarray(r, dtype=float), np.asarray(radius, dtype=float))
    out = np.empty(r.shape)
    straight = big > _STRAIGHT * sigma
    out[straight] = ndtr((big[straight] - r[straight]) / sigma - sigma / (2 * big[straight]))
    curved = ~straight
    out[curved] = chndtr((big[curved] / sigma) ** 2, 2.0, (r[curved] / sigma) ** 2)
    return out


def _disc_slope(r: FloatArray, radius: FloatArray, sigma: float) -> FloatArray:
    """Return the derivative of `blurred_disc` with respect to the radius."""
    z = r * radius / sigma**2
    return np.asarray(radius / sigma**2 * np.exp(-((r - radius) ** 2) / (2 * sigma**2)) * ive(0, z))


def evaluate_discs(patches: Patches, p: FloatArray, sigma: float, spread: EdgeSpread) -> tuple[FloatArray, FloatArray]:
    """Return the model of every pixel and its derivatives.

    Parameters
    ----------
    patches : Patches
    p : ndarray of float, shape (n_holes, 5)
        Centre x and y, radius (mm), level around the hole, contrast.
    sigma : float
        Blur, mm.
    spread : EdgeSpread
        Gives the halo.

    Returns
    -------
    model : ndarray of float, shape (n,)
    jacobian : ndarray of float, shape (n, 5)
    """
    own = patches.owner
    dx, dy = patches.x_mm - p[own, 0], patches.y_mm - p[own, 1]
    r = np.maximum(np.hypot(dx, dy), 1e-9)
    step = _STEP * sigma
    reach = _REACH * sigma * (spread.halo_ratio if spread.halo else 1.0)
    radius = p[:, 2, None]
    first = np.maximum(radius - reach, 0.0)
    n_steps = int(np.ceil(float((p[:, 2] + reach - first[:, 0]).max()) / step)) + 2
    grid = first + step * np.arange(n_steps)
    disc, slope = np.zeros_like(grid), np.zeros_like(grid)
    for share, s in ((1 - spread.halo, sigma), (spread.halo, spread.halo_ratio * sigma)):
        if share:
            disc += share * blurred_disc(grid, radius, s)
            slope += share * _disc_slope(grid, radius, s)
    fall = np.gradient(disc, step, axis=1)
    place = np.clip((r - first[own, 0]) / step, 0.0, n_steps - 1.000001)
    index = place.astype(np.intp)
    part = place - index
    cell = own * n_steps + index
    span, fallen, risen = (
        table.ravel()[cell] * (1 - part) + table.ravel()[cell + 1] * part for table in (disc, fall, slope)
    )
    contrast = p[own, 4]
    jacobian = np.empty((len(r), 5))
    jacobian[:, 0] = contrast * fallen * dx / r
    jacobian[:, 1] = contrast * fallen * dy / r
    jacobian[:, 2] = -contrast * risen
    jacobian[:, 3] = 1.0
    jacobian[:, 4] = -span
    return p[own, 3] - contrast * span, jacobian


def iterate_discs(
    patches: Patches,
    p: FloatArray,
    *,
    sigma: float,
    spread: EdgeSpread,
    noise: float,
    precision: FloatArray,
    mean: FloatArray,
    reach_mm: FloatArray,
) -> DiscState:
    """Fit all holes by reweighted Gauss-Newton steps.

    Parameters
    ----------
    patches : Patches
    p : ndarray of float, shape (n_holes, 5)
        Start values, as for `evaluate_discs`.
    sigma, spread : blur
    noise : float
        Standard deviation of one pixel, share solid.
    precision, mean : ndarray of float, shape (5,)
        Of what is known beforehand of each parameter.
    reach_mm : ndarray of float, shape (n_holes,)
        How far a centre may wander beyond the hole's radius.

    Returns
    -------
    DiscState
    """
    p, radius = p.copy(), p[:, 2].copy()
    weight = np.full(len(patches.owner), noise**-2)
    noises = np.full(patches.n_holes, noise)
    todo, part, pixels = np.arange(patches.n_holes), patches, np.arange(len(patches.owner))
    for turn in range(_N_TURNS):
        model, jacobian = evaluate_discs(part, p[todo], sigma, spread)
        residual = part.solid - model
        if turn == _ROBUST_FROM:
            for i, one in zip(todo, part.slices(), strict=True):
                middle = np.median(residual[one])
                noises[i] = max(noise, 1.4826 * float(np.median(np.abs(residual[one] - middle))))
        if turn >= _ROBUST_FROM:
            for i, one in zip(todo, part.slices(), strict=True):
                weight[pixels[one]] = _weights(residual[one], jacobian[one, 2], noises[i])
        step = _solve(part, jacobian, residual, weight[pixels], precision, mean - p[todo])
        most = (0.4 * radius[todo] + sigma)[:, None]
        step[:, :3] = np.clip(step[:, :3], -most, most)
        moved = p[todo] + step
        moved[:, 2] = np.clip(moved[:, 2], 0.02 * sigma, 3 * radius[todo] + 3 * sigma)
        room = (reach_mm[todo] + radius[todo])[:, None]
        moved[:, :2] = np.clip(moved[:, :2], -room, room)
        p[todo] = moved
        if turn >= _LEAST_TURNS:
            moving = np.any(np.abs(step[:, :3]) >= 1e-5, axis=1)
            if not moving.any():
                break
            if not moving.all():
                todo = todo[moving]
                part, pixels = patches.some(todo)
    return DiscState(p=p, weight=weight, noise=noises)


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
        weighted = jacobian[one] * weight[one, None]
        normal[i] = weighted.T @ jacobian[one]
        gradient[i] = weighted.T @ residual[one]
    normal += np.diag(precision + 1e-9)
    return np.asarray(np.linalg.solve(normal, (gradient + precision * away)[..., None])[..., 0])


def _weights(residual: FloatArray, per_radius: FloatArray, noise: float) -> FloatArray:
    """Return weights that drop foreign marks but not the wanderings of a rough edge.

    A residual is judged against the pixel noise and, near the edge, against what the edge's own
    scatter about the circle makes of it.
    """
    size = np.abs(per_radius)
    steep = size > 0.5 * size.max()
    wander = 1.4826 * float(np.median(np.abs(residual[steep]) / size[steep])) if steep.any() else 0.0
    scale = np.hypot(noise, size * wander)
    return np.asarray(np.clip((6.0 - np.abs(residual) / scale) / 3.0, 0.0, 1.0) / noise**2)
