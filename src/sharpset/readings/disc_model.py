"""The picture of round holes: a disc blurred by the scan, for many holes at once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import chndtr, ive, ndtr

from sharpset.readings.blur import EdgeSpread

__all__ = ["Patches", "blurred_disc", "evaluate_discs"]

FloatArray = NDArray[np.float64]
_STEP = 0.08
"""Step of the tables that stand for the blurred disc, in blur widths: linear interpolation errs by 2e-4."""
_REACH = 6.0
"""Blur widths from the edge beyond which the light is flat."""
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
    column, row : ndarray of int, shape (n,)
        Of each pixel in its hole's own box.
    """

    x_mm: FloatArray
    y_mm: FloatArray
    solid: FloatArray
    owner: NDArray[np.intp]
    start: NDArray[np.intp]
    column: NDArray[np.intp]
    row: NDArray[np.intp]

    @classmethod
    def joined(
        cls,
        x_mm: list[FloatArray],
        y_mm: list[FloatArray],
        solid: list[FloatArray],
        column: list[NDArray[np.intp]],
        row: list[NDArray[np.intp]],
    ) -> Patches:
        """Return the patches of several holes as one."""
        counts = np.array([len(part) for part in x_mm])
        return cls(
            x_mm=np.concatenate(x_mm),
            y_mm=np.concatenate(y_mm),
            solid=np.concatenate(solid),
            column=np.concatenate(column),
            row=np.concatenate(row),
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
        x, y, solid = ([values[slices[i]] for i in chosen] for values in (self.x_mm, self.y_mm, self.solid))
        column, row = ([values[slices[i]] for i in chosen] for values in (self.column, self.row))
        return Patches.joined(x, y, solid, column, row), pixels


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
