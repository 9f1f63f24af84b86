"""The picture of round holes: a disc blurred by the scan, for many holes at once."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import chndtr

from sharpset.readings.edges.blur import EdgeSpread, SpreadShape, normal_cdf
from sharpset.readings.holes.defocused import defocused_discs, disc_tables

__all__ = ["DiscTables", "Patches", "blurred_disc", "evaluate_discs", "reach_mm", "seen_disc"]

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
    """Pixels around holes in flat arrays, hole after hole, the nearer ones from the nominal centre outwards.

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
    ring_mm : float
    within : tuple of lists of int, one a hole
        How many of its pixels, the first ones, lie within the first ring of that width about its nominal centre, within
        the first two, and so on, from none at all on. The last of the list is how many are sorted so; behind them come
        all others, row by row.
    place : ndarray of int, shape (n,)
        Of each pixel among those of its hole as they were before they were sorted.
    """

    x_mm: FloatArray
    y_mm: FloatArray
    solid: FloatArray
    owner: NDArray[np.intp]
    start: NDArray[np.intp]
    column: NDArray[np.intp]
    row: NDArray[np.intp]
    ring_mm: float
    within: tuple[list[int], ...]
    place: NDArray[np.intp]

    @classmethod
    def joined(
        cls,
        x_mm: list[FloatArray],
        y_mm: list[FloatArray],
        solid: list[FloatArray],
        column: list[NDArray[np.intp]],
        row: list[NDArray[np.intp]],
        far_mm: FloatArray | None = None,
        ring_mm: float = math.inf,
    ) -> Patches:
        """Return the patches of several holes as one, ring by ring as far as `far_mm`."""
        counts = np.array([len(part) for part in x_mm])
        far = np.full(len(counts), np.inf) if far_mm is None else far_mm
        orders, places, within = [], [], []
        for x, y, most in zip(x_mm, y_mm, far, strict=True):
            square = x * x + y * y
            near = square <= most**2
            inner, outer = np.flatnonzero(near), np.flatnonzero(~near)
            # Small integers are sorted by their digits, several times as fast as by comparing.
            ring = (np.sqrt(square.take(inner)) / ring_mm).astype(np.uint16)
            place = np.concatenate((np.argsort(ring, kind="stable"), np.arange(len(inner), len(x))))
            places.append(place)
            orders.append(np.concatenate((inner, outer)).take(place))
            within.append([0, *np.cumsum(np.bincount(ring, minlength=1)).tolist()])

        def whole(parts: list[NDArray[Any]]) -> NDArray[Any]:
            return np.concatenate([part[order] for part, order in zip(parts, orders, strict=True)])

        return cls(
            x_mm=whole(x_mm),
            y_mm=whole(y_mm),
            solid=whole(solid),
            column=whole(column),
            row=whole(row),
            owner=np.repeat(np.arange(len(counts)), counts),
            start=np.concatenate(([0], np.cumsum(counts)[:-1])).astype(np.intp),
            ring_mm=ring_mm,
            within=tuple(within),
            place=np.concatenate(places),
        )

    @property
    def n_holes(self) -> int:
        """How many holes there are."""
        return len(self.start)

    def slices(self) -> list[slice]:
        """Return where each hole's pixels are."""
        ends = [*self.start[1:], len(self.owner)]
        return [slice(int(a), int(b)) for a, b in zip(self.start, ends, strict=True)]

    def n_within(self, hole: int, p: FloatArray, reach: float) -> int:
        """Return how many of a hole's pixels may be nearer than `reach` to the edge of a disc."""
        x, y, radius = p[:3].tolist()
        counts, ring = self.within[hole], (math.hypot(x, y) + radius + reach) / self.ring_mm
        if ring + 2 < len(counts):
            return counts[int(ring) + 1]
        end = self.start[hole + 1] if hole + 1 < self.n_holes else len(self.owner)
        return int(end - self.start[hole])

    def some(self, chosen: NDArray[np.intp]) -> tuple[Patches, NDArray[np.intp]]:
        """Return the patches of some holes, and which pixels of the whole they are."""
        slices = self.slices()
        pixels = np.concatenate([np.arange(slices[i].start, slices[i].stop) for i in chosen])
        counts = np.array([slices[i].stop - slices[i].start for i in chosen])
        part = Patches(
            x_mm=self.x_mm[pixels],
            y_mm=self.y_mm[pixels],
            solid=self.solid[pixels],
            column=self.column[pixels],
            row=self.row[pixels],
            owner=np.repeat(np.arange(len(counts)), counts),
            start=np.cumsum(counts) - counts,
            ring_mm=self.ring_mm,
            within=tuple(self.within[i] for i in chosen),
            place=self.place[pixels],
        )
        return part, pixels


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


def seen_disc(r: FloatArray, radius: float, sigma: float, shape: SpreadShape) -> FloatArray:
    """Return the light of a unit disc as an edge spread of any shape shows it, at distances `r` from its centre."""
    if shape.defocus:
        return np.asarray(defocused_discs(r[None], np.array([radius]), sigma, shape)[0, 0])
    light = (1 - shape.halo) * blurred_disc(r, radius, sigma)
    if shape.halo:
        light = light + shape.halo * blurred_disc(r, radius, shape.ratio * sigma)
    return np.asarray(light)


def _within_reach(first: FloatArray, n_steps: int, radius: FloatArray, sigma: float, step: float) -> FloatArray:
    """Return tables that are worked out only where the blur reaches; further inside the disc is full."""
    begins = np.floor(np.maximum(radius - _REACH * sigma - first, 0.0) / step).astype(np.intp)
    n_near = int(np.ceil(2 * _REACH * sigma / step)) + 2
    near = disc_tables((first + step * begins)[:, None], n_near, radius[:, None], sigma, step)
    values = np.zeros((len(near), len(radius), max(n_steps, int(begins.max()) + n_near)))
    for whole, part in zip(values, near, strict=True):
        np.put_along_axis(whole, begins[:, None] + np.arange(n_near), part, axis=1)
    inside = np.arange(values.shape[2]) < begins[:, None]
    values[0] = np.where(inside, near[0, :, :1], values[0])
    return values[:, :, :n_steps]


def _in_wider_steps(
    first: FloatArray, n_steps: int, radius: FloatArray, sigma: float, step: float, ratio: float
) -> FloatArray:
    """Return the tables of a wider blur, worked out in wider steps and interpolated between them."""
    coarse = disc_tables(
        first[:, None], int(np.ceil(n_steps / ratio)) + 2, radius[:, None], ratio * sigma, ratio * step
    )
    place = np.arange(n_steps) / ratio
    cell = place.astype(np.intp)
    low = coarse[:, :, cell]
    return np.asarray(low + (place - cell) * (coarse[:, :, cell + 1] - low))


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class DiscTables:
    """Blurred discs of several radii along a line from their centres, by which holes are evaluated.

    Attributes
    ----------
    reach : float
        Distance from an edge (mm) beyond which there is nothing but the level around the hole.
    """

    first: list[float]
    step: float
    tables: FloatArray
    reach: float

    @classmethod
    def of(cls, radius: FloatArray, sigma: float, spread: EdgeSpread) -> DiscTables:
        """Return the tables of some radii (mm)."""
        step = _STEP * sigma
        reach = reach_mm(sigma, spread)
        first = np.maximum(radius - reach, 0.0)
        n_steps = int(np.ceil(float((radius + reach - first).max()) / step)) + 2
        if spread.defocus:
            values = defocused_discs(first[:, None] + step * np.arange(n_steps), radius, sigma, spread.shape)
        elif spread.halo:
            values = (1 - spread.halo) * _within_reach(first, n_steps, radius, sigma, step)
            values += spread.halo * _in_wider_steps(first, n_steps, radius, sigma, step, spread.halo_ratio)
        else:
            values = disc_tables(first[:, None], n_steps, radius[:, None], sigma, step)
        # Disc, its derivatives by place and by radius, and what each of these rises by until the next step.
        tables = np.zeros((len(first), 6, values.shape[2]))
        tables[:, :3] = values.transpose(1, 0, 2)
        np.subtract(tables[:, :3, 1:], tables[:, :3, :-1], out=tables[:, 3:, :-1])
        return cls(first=first.tolist(), step=step, tables=tables, reach=reach)

    def light(self, k: int, x_mm: FloatArray, y_mm: FloatArray, p: FloatArray) -> FloatArray:
        """Return the model of one hole's pixels; `k` is the hole's table."""
        centre_x, centre_y, _, level, contrast = p.tolist()
        dx, dy = x_mm - centre_x, y_mm - centre_y
        dx *= dx
        dy *= dy
        dx += dy
        dx += _TINY_MM2
        cell, part = self._places(k, np.sqrt(dx, out=dx))
        part *= self.tables[k, 3].take(cell)
        part += self.tables[k, 0].take(cell)
        part *= -contrast
        part += level
        return part

    def rows(self, k: int, x_mm: FloatArray, y_mm: FloatArray, p: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return the model of one hole's pixels and its derivatives (5, n); `k` is the hole's table."""
        centre_x, centre_y, _, level, contrast = p.tolist()
        rows = np.empty((5, len(x_mm)))
        dx, dy = np.subtract(x_mm, centre_x, out=rows[0]), np.subtract(y_mm, centre_y, out=rows[1])
        r = dx * dx
        r += dy * dy
        r += _TINY_MM2
        np.sqrt(r, out=r)
        cell, part = self._places(k, r)
        seen = self.tables[k].take(cell, axis=1)
        seen[3:] *= part
        seen[:3] += seen[3:]
        span, fallen, risen = seen[:3]
        fallen /= r
        fallen *= contrast
        dx *= fallen
        dy *= fallen
        np.multiply(risen, -contrast, out=rows[2])
        rows[3] = 1.0
        np.negative(span, out=rows[4])
        span *= -contrast
        span += level
        return span, rows

    def _places(self, k: int, r: FloatArray) -> tuple[NDArray[np.intp], FloatArray]:
        """Return the steps that distances lie in, and how far on in them."""
        part = r - self.first[k]
        part /= self.step
        # Two steps, but far less than those of `np.clip`.
        np.maximum(part, 0.0, out=part)
        np.minimum(part, self.tables.shape[2] - 1.000001, out=part)
        cell = part.astype(np.intp)
        part -= cell
        return cell, part


def reach_mm(sigma: float, spread: EdgeSpread) -> float:
    """Return how far from its edge a disc of a given blur is seen, mm."""
    return _REACH * sigma * (spread.halo_ratio if spread.halo else 1.0)


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
        Gives the shape of the blur.

    Returns
    -------
    model : ndarray of float, shape (n,)
    jacobian : ndarray of float, shape (5, n)
    """
    tables = DiscTables.of(p[:, 2], sigma, spread)
    model = np.repeat(p[:, 3], [one.stop - one.start for one in patches.slices()])
    jacobian = np.zeros((5, len(model)))
    jacobian[3] = 1.0
    # Hole by hole, as the pixels of one stay in the processor's cache.
    for i, one in enumerate(patches.slices()):
        near = slice(one.start, one.start + patches.n_within(i, p[i], tables.reach))
        model[near], jacobian[:, near] = tables.rows(i, patches.x_mm[near], patches.y_mm[near], p[i])
    return model, jacobian
