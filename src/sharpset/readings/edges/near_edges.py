"""Pixels near the edges of strips: what the model says of them, and how it changes as the edges move."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sharpset.readings.edges.blur import EdgeSpread, blurred_edge
from sharpset.readings.edges.sampling import Samples
from sharpset.readings.edges.strips import StripFits
from sharpset.readings.picture.medians import median

__all__ = ["NearEdges", "Seen", "first_wander", "near_edges"]

FloatArray = NDArray[np.float64]
_REACH = 3.5
_FEWEST = 8


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class NearEdges:
    """Pixels near the edges, and in which of `n_steps` steps along its strip each lies."""

    n_steps: int
    index: NDArray[np.intp]
    own: NDArray[np.intp]
    cell: NDArray[np.intp]
    d: FloatArray
    sigma: FloatArray
    height: FloatArray
    spread: EdgeSpread
    fitted: FloatArray
    """The model's feature at each pixel for the widths and centres of the fits."""
    slope: FloatArray
    """How fast it changes there with both edges."""

    def some(self, chosen: NDArray[np.intp], samples: Samples, part: Samples) -> NearEdges:
        """Return those of some strips, of which `part` holds the pixels as `samples` holds all of them."""
        at, whole, some = self.slices(len(samples.strips)), samples.slices(), part.slices()
        parts = [at[i] for i in chosen]

        def kept(values: NDArray[Any], shift: Sequence[int] = ()) -> NDArray[Any]:
            moved = (values[one] + by for one, by in zip(parts, shift, strict=True))
            return np.concatenate(list(moved) if shift else [values[one] for one in parts])

        return NearEdges(
            n_steps=self.n_steps,
            index=kept(self.index, [some[k].start - whole[i].start for k, i in enumerate(chosen)]),
            own=np.repeat(np.arange(len(parts)), [one.stop - one.start for one in parts]),
            cell=kept(self.cell, [(k - int(i)) * self.n_steps for k, i in enumerate(chosen)]),
            d=kept(self.d),
            sigma=kept(self.sigma),
            height=kept(self.height),
            spread=self.spread,
            fitted=kept(self.fitted),
            slope=kept(self.slope),
        )

    def slices(self, n_strips: int) -> list[slice]:
        """Return where each strip's pixels are."""
        ends = np.searchsorted(self.own, np.arange(n_strips + 1))
        return [slice(int(a), int(b)) for a, b in pairwise(ends)]

    def seen(self, width: FloatArray, centre: FloatArray) -> Seen:
        """Return the model's feature for widths and centres of each pixel's step, and its derivatives."""
        return _seen(self.d, self.sigma, self.height, width, centre, self.spread)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Seen:
    """The model's feature at each pixel, and its derivatives with respect to width and centre."""

    span: FloatArray
    by_width: FloatArray
    by_centre: FloatArray


def _seen(
    d: FloatArray, sigma: FloatArray, height: FloatArray, width: FloatArray, centre: FloatArray, spread: EdgeSpread
) -> Seen:
    place = np.empty((2, len(d)))
    away = d - centre
    half = width / 2
    np.add(away, half, out=place[0])
    np.subtract(away, half, out=place[1])
    place /= sigma
    (left, right), (at_left, at_right) = blurred_edge(place, spread.shape)
    left -= right
    left *= height
    steep = height / sigma
    by_centre = at_right - at_left
    by_centre *= steep
    at_left += at_right
    at_left *= steep
    at_left /= 2
    return Seen(span=left, by_width=at_left, by_centre=by_centre)


def near_edges(samples: Samples, fits: StripFits, spread: EdgeSpread) -> NearEdges:
    """Return the pixels within a few blurs of an edge, sorted into steps of a pixel along each strip."""
    n_steps = int(np.ceil(2 * samples.half_length_mm.max() / samples.pixel_mm)) + 1
    own = samples.owner
    parts = []
    # Strip by strip, as the pixels of one stay in the processor's cache.
    for i, one in enumerate(samples.slices()):
        from_edge = np.abs(np.abs(samples.d_mm[one] - fits.centre_mm[i]) - fits.width_mm[i] / 2)
        parts.append(np.flatnonzero(from_edge < _REACH * fits.sigma_mm[i]) + one.start)
    index = np.concatenate(parts)
    own = own.take(index)
    column = np.floor((samples.t_mm.take(index) + samples.half_length_mm.take(own)) / samples.pixel_mm).astype(np.intp)
    sign = np.where(samples.is_bar, 1.0, -1.0)
    d, sigma, height = samples.d_mm.take(index), fits.sigma_mm.take(own), (sign * fits.contrast).take(own)
    seen = _seen(d, sigma, height, fits.width_mm.take(own), fits.centre_mm.take(own), spread)
    return NearEdges(
        n_steps=n_steps,
        index=index,
        own=own,
        cell=own * n_steps + np.clip(column, 0, n_steps - 1),
        d=d,
        sigma=sigma,
        height=height,
        spread=spread,
        fitted=seen.span,
        slope=np.sqrt(seen.by_width**2 + seen.by_centre**2 / 4),
    )


def first_wander(near: NearEdges, samples: Samples, fits: StripFits, noise: FloatArray) -> FloatArray:
    """Return how far single pixels say that the edges wander, the median over each strip, noise removed."""
    own, width = near.own, fits.width_mm
    base = fits.level[own] + fits.slope_per_mm[own] * near.d
    residual = samples.solid[near.index] - base - near.fitted
    found = np.zeros(len(width))
    for i, one in enumerate(near.slices(len(width))):
        slope = near.slope[one]
        steep = slope > 0.7 * slope.max(initial=0.0)
        if np.count_nonzero(steep) > _FEWEST:
            square = (1.4826 * median(np.abs(residual[one][steep]))) ** 2 - noise[i] ** 2
            found[i] = np.sqrt(max(square, 0.0)) / median(slope[steep])
    return found
