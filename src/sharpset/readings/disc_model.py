"""The picture of round holes: a disc blurred by the scan, for many holes at once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import chndtr, i0e, i1e

from sharpset.readings.blur import EdgeSpread, normal_cdf

__all__ = ["Patches", "blurred_disc", "evaluate_discs"]

FloatArray = NDArray[np.float64]
_STEP = 0.08
"""Step of the tables that stand for the blurred disc, in blur widths: linear interpolation errs by 2e-4."""
_REACH = 6.0
"""Blur widths from the edge beyond which the light is flat."""
_STRAIGHT = 20.0
_TINY_MM2 = 1e-18
"""Keeps the middle of a hole from being divided by."""


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
    out[straight] = normal_cdf((big[straight] - r[straight]) / sigma - sigma / (2 * big[straight]))
    curved = ~straight
    out[curved] = chndtr((big[curved] / sigma) ** 2, 2.0, (r[curved] / sigma) ** 2)
    return out


def _tables(first: FloatArray, n_steps: int, radius: FloatArray, sigma: float, step: float) -> NDArray[np.float64]:
    """Return the blurred disc and its derivatives by place and by radius from `first` on, shape (3, n_holes, n_steps).

    The derivatives have closed forms; the disc is the sum of what it rises by from outside, where there is nothing
    left of it, by the trapezoidal rule with its first correction (Euler and Maclaurin).
    """
    r = first + step * np.arange(n_steps)
    z = r * radius / sigma**2
    bell = radius / sigma**2 * np.exp(-0.5 * ((r - radius) / sigma) ** 2)
    fall, slope = -bell * i1e(z), bell * i0e(z)
    bend = np.gradient(fall, step, axis=1)
    rise = step / 2 * (fall[:, 1:] + fall[:, :-1]) - step**2 / 12 * (bend[:, 1:] - bend[:, :-1])
    disc = np.zeros_like(fall)
    disc[:, :-1] = -np.cumsum(rise[:, ::-1], axis=1)[:, ::-1]
    return np.stack((disc, fall, slope))


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
    jacobian : ndarray of float, shape (5, n)
    """
    radius = p[:, 2]
    step = _STEP * sigma
    reach = _REACH * sigma * (spread.halo_ratio if spread.halo else 1.0)
    first = np.maximum(radius - reach, 0.0)
    n_steps = int(np.ceil(float((radius + reach - first).max()) / step)) + 2
    tables = (1 - spread.halo) * _tables(first[:, None], n_steps, radius[:, None], sigma, step)
    if spread.halo:
        wide = spread.halo_ratio * sigma
        tables += spread.halo * _tables(first[:, None], n_steps, radius[:, None], wide, step)
    rises = np.diff(tables, axis=2, append=tables[:, :, -1:])
    model, jacobian = np.empty(len(patches.owner)), np.empty((5, len(patches.owner)))
    # Hole by hole, as the pixels of one stay in the processor's cache.
    for i, one in enumerate(patches.slices()):
        centre_x, centre_y, _, level, contrast = p[i].tolist()
        dx, dy = patches.x_mm[one] - centre_x, patches.y_mm[one] - centre_y
        r = np.sqrt(dx * dx + dy * dy + _TINY_MM2)
        part = np.clip((r - first[i]) / step, 0.0, n_steps - 1.000001)
        cell = part.astype(np.intp)
        part -= cell
        span, fallen, risen = (tables[k, i].take(cell) + part * rises[k, i].take(cell) for k in range(3))
        fallen *= contrast / r
        model[one] = level - contrast * span
        np.multiply(fallen, dx, out=jacobian[0, one])
        np.multiply(fallen, dy, out=jacobian[1, one])
        np.multiply(risen, -contrast, out=jacobian[2, one])
        jacobian[3, one] = 1.0
        np.negative(span, out=jacobian[4, one])
    return model, jacobian
