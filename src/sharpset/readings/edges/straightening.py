"""Edges followed along their length and laid straight, so that a rough edge costs no accuracy of the mean width.

A rough edge smears the mean profile and makes the pixels beside it scatter, so that dust hides among them. Each step
of a strip's length therefore gets its own width and centre, drawn towards the strip's by how much edges of the piece
wander; what the wandering adds to each pixel is taken off again before profiles are averaged, and the mean of the local
widths is added to the width of the straightened strip.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sharpset.readings.edges.blur import EdgeSpread
from sharpset.readings.edges.near_edges import NearEdges, Seen, first_wander, near_edges
from sharpset.readings.edges.sampling import Samples
from sharpset.readings.edges.strips import StripFits
from sharpset.readings.picture.kriging import correlation_reach, krige, wander_variance

__all__ = ["EdgePrior", "Straightened", "straighten"]

FloatArray = NDArray[np.float64]
_TURNS = 3
_MOST_SPREADS = 5.0
_CLOSER = 3.0
"""How much nearer each turn comes to the edges."""
_AT_REST_MM = 1e-5
_APART = 3.0
_LIKE_OTHERS = 8.0
_SEEN, _MARKED = 0.5, 3.0
"""Places are hidden where marks cover more than this share of what tells them. The light of a mark is alike over some
ten steps along an edge: as a scatter that each step has for itself it counts so many times."""


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class EdgePrior:
    """How edges wander: variance of both places of every strip, shape (2, n_strips), and reach in steps."""

    variance: FloatArray
    reach: float


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Straightened:
    """Strips with straightened edges.

    Attributes
    ----------
    samples : Samples
        Share solid with the edges' wandering taken off.
    mean_width_mm, mean_centre_mm : ndarray of float, shape (n_strips,)
        Mean of the local widths and centres less those of the fits: to be added to what the straightened pixels give.
    wander_mm : ndarray of float, shape (n_strips,)
        Standard deviation of the local widths, noise removed.
    places_mm : ndarray of float, shape (2, n_strips, n_steps)
        How far both edges (or width and centre of narrow strips) are from where the fits have them.
    prior : EdgePrior
    moving : ndarray of bool, shape (n_strips,)
        Which strips' mean width or centre has not come to rest yet.
    hidden : ndarray of bool, shape (n,)
        Pixels near an edge in steps where dust hides too much of it, as marks reach further than they are seen.
    """

    samples: Samples
    mean_width_mm: FloatArray
    mean_centre_mm: FloatArray
    wander_mm: FloatArray
    places_mm: FloatArray
    prior: EdgePrior
    moving: NDArray[np.bool_]
    hidden: NDArray[np.bool_]

    def some(self, chosen: NDArray[np.intp], part: Samples) -> Straightened:
        """Return some of the strips, of which `part` holds the pixels."""
        return Straightened(
            samples=part,
            mean_width_mm=self.mean_width_mm[chosen],
            mean_centre_mm=self.mean_centre_mm[chosen],
            wander_mm=self.wander_mm[chosen],
            places_mm=self.places_mm[:, chosen],
            prior=replace(self.prior, variance=self.prior.variance[:, chosen]),
            moving=self.moving[chosen],
            hidden=self.hidden[self.samples.pixels_of(chosen)],
        )

    def with_some(self, chosen: NDArray[np.intp], again: Straightened) -> Straightened:
        """Return all strips, some of them as they are after they were followed again."""
        new = replace(
            self,
            samples=replace(self.samples, solid=self.samples.solid.copy()),
            mean_width_mm=self.mean_width_mm.copy(),
            mean_centre_mm=self.mean_centre_mm.copy(),
            wander_mm=self.wander_mm.copy(),
            places_mm=self.places_mm.copy(),
            moving=self.moving.copy(),
            hidden=self.hidden.copy(),
        )
        pixels = self.samples.pixels_of(chosen)
        new.samples.solid[pixels], new.hidden[pixels] = again.samples.solid, again.hidden
        new.mean_width_mm[chosen], new.mean_centre_mm[chosen] = again.mean_width_mm, again.mean_centre_mm
        new.wander_mm[chosen], new.places_mm[:, chosen] = again.wander_mm, again.places_mm
        new.moving[chosen] = again.moving
        return new


def straighten(
    samples: Samples,
    fits: StripFits,
    spread: EdgeSpread,
    noise: FloatArray,
    *,
    near: NearEdges | None = None,
    loose_mm: FloatArray | None = None,
    dust: NDArray[np.bool_] | None = None,
    foreign: FloatArray | None = None,
    before: Straightened | None = None,
) -> Straightened:
    """Follow both edges of every strip and lay them straight.

    Parameters
    ----------
    samples : Samples
    fits : StripFits
        Of the mean profiles.
    spread : EdgeSpread
    noise : ndarray of float, shape (n_strips,)
        Standard deviation of one pixel (share solid) where the strip is flat.
    near : NearEdges, optional
        Of these strips, where it is known already.
    loose_mm : ndarray of float, shape (n_strips,), optional
        How far single pixels say that the edges wander (`first_wander`), where it is known already.
    dust : ndarray of bool, shape (n,), optional
        Pixels on foreign marks.
    foreign : ndarray of float, shape (n,), optional
        Light that these marks add or take (`foreign_light`), 0 elsewhere: the brighter, the less do pixels say.
    before : Straightened, optional
        The same strips followed with less dust known, to go on from.

    Returns
    -------
    Straightened
        Strips whose local width would fall to nothing somewhere are left as they are.
    """
    step = samples.pixel_mm
    near = near if near is not None else near_edges(samples, fits, spread)
    n_steps = near.n_steps
    shape = (len(samples.strips), n_steps)
    base = fits.level.take(near.own) + fits.slope_per_mm.take(near.own) * near.d
    data = samples.solid.take(near.index) - base
    noise = np.maximum(noise, 2e-3)
    # A strip's end may cut the last step.
    share = np.clip(2 * samples.half_length_mm[:, None] / step - np.arange(n_steps), 0.0, 1.0)
    used, followed = share >= 0.5, share > 0
    basis = _basis(fits)
    wander = loose_mm if loose_mm is not None else first_wander(near, samples, fits, noise)
    places = np.zeros((2, *shape)) if before is None else before.places_mm
    prior = None if before is None else before.prior
    hidden: NDArray[np.bool_] | None = None
    for turn in range(0 if before is None else 1, _TURNS):
        width, centre = _moved_to(fits, basis, places)
        flat_width, flat_centre = width.take(near.cell), centre.take(near.cell)
        seen = near.seen(flat_width, flat_centre)
        residual = data - seen.span
        weight = _weights(residual, near, noise, wander / _CLOSER**turn) * (noise**-2.0).take(near.own)
        if dust is not None and hidden is None:
            hidden = _hidden(near, basis, dust, seen, shape)
        if foreign is not None and prior is not None:
            weight = _beside_marks(weight, foreign.take(near.index), near, fits, noise, prior)
        equations = _along(basis, _moved(near, residual, weight, seen, shape))
        if foreign is not None:
            equations = _lifted(equations, near, basis, fits, residual, weight, seen, foreign.take(near.index))
        prior = prior or _prior(equations, used)
        places = _followed(equations, places, prior, followed)
    assert prior is not None
    before_width, before_centre = width, centre
    width, centre = _moved_to(fits, basis, places)
    steps = np.hypot(*((share * (a - b)).sum(axis=1) for a, b in ((width, before_width), (centre, before_centre))))
    choked = np.any((width <= 0.12 * fits.width_mm[:, None]) & used, axis=1)
    width = np.where(choked[:, None], fits.width_mm[:, None], width)
    centre = np.where(choked[:, None], fits.centre_mm[:, None], centre)
    solid = samples.solid.copy()
    solid[near.index] -= near.seen(width.take(near.cell), centre.take(near.cell)).span - near.fitted
    n_used = share.sum(axis=1)
    mean_width = (share * width).sum(axis=1) / n_used - fits.width_mm
    mean_centre = (share * centre).sum(axis=1) / n_used - fits.centre_mm
    away = width - fits.width_mm[:, None] - mean_width[:, None]
    return Straightened(
        samples=replace(samples, solid=solid),
        mean_width_mm=mean_width,
        mean_centre_mm=mean_centre,
        wander_mm=np.sqrt((share * away**2).sum(axis=1) / n_used),
        places_mm=places,
        prior=prior,
        moving=steps > _AT_REST_MM * n_used,
        hidden=_under_marks(samples, fits, near, hidden),
    )


def _moved_to(fits: StripFits, basis: FloatArray, places: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the local widths and centres."""
    dw, dc = (np.einsum("ks,kst->st", basis[j], places) for j in (0, 1))
    width, centre, sigma = fits.width_mm[:, None], fits.centre_mm[:, None], fits.sigma_mm[:, None]
    return width + np.clip(dw, -0.9 * width, 3 * sigma), centre + np.clip(dc, -2 * sigma, 2 * sigma)


def _weights(residual: FloatArray, near: NearEdges, noise: FloatArray, wander: FloatArray) -> FloatArray:
    """Return weights that drop foreign light, lenient as far as edges are not followed yet."""
    # Contrast and blur are those of a strip, and so is how far its pixels may be off.
    first = np.minimum(np.searchsorted(near.own, np.arange(len(noise))), len(near.own) - 1)
    steepest = np.abs(near.height[first]) / (near.sigma[first] * np.sqrt(2 * np.pi))
    scale = np.sqrt(noise**2 + (steepest * wander) ** 2)
    return np.asarray(np.clip(2.0 - np.abs(residual) * (0.4 / scale).take(near.own), 0.0, 1.0))


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Moved:
    """Normal equations of each step: information (ww, wc, cc) and pull (w, c)."""

    ww: FloatArray
    wc: FloatArray
    cc: FloatArray
    w: FloatArray
    c: FloatArray


def _moved(near: NearEdges, residual: FloatArray, weight: FloatArray, seen: Seen, shape: tuple[int, int]) -> _Moved:
    size = shape[0] * shape[1]
    by_width, by_centre = weight * seen.by_width, weight * seen.by_centre

    def total(values: FloatArray) -> FloatArray:
        return np.asarray(np.bincount(near.cell, values, size).reshape(shape))

    return _Moved(
        ww=total(by_width * seen.by_width),
        wc=total(by_width * seen.by_centre),
        cc=total(by_centre * seen.by_centre),
        w=total(by_width * residual),
        c=total(by_centre * residual),
    )


def _basis(fits: StripFits) -> FloatArray:
    """Return how width and centre of each strip follow from two places that wander apart, shape (2, 2, n_strips).

    Two edges that are far apart wander each for itself, outwards being positive. Of a narrow strip hardly more than
    the width is seen, so that its width and its centre are taken, scaled to wander as far as an edge.
    """
    apart = fits.width_mm > _APART * fits.sigma_mm
    root = np.sqrt(2.0)
    nothing = np.zeros(len(apart))
    width = np.array([np.where(apart, 1.0, root), np.where(apart, 1.0, nothing)])
    centre = np.array([np.where(apart, -0.5, nothing), np.where(apart, 0.5, 1 / root)])
    return np.array([width, centre])


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Equations:
    """Normal equations of each step for the two places of `_basis`, shapes (2, n, m), and what couples them."""

    information: FloatArray
    coupled: FloatArray
    pull: FloatArray


def _along(basis: FloatArray, moved: _Moved) -> _Equations:
    (w0, w1), (c0, c1) = basis[..., None]
    return _Equations(
        information=np.array(
            [
                w0**2 * moved.ww + 2 * w0 * c0 * moved.wc + c0**2 * moved.cc,
                w1**2 * moved.ww + 2 * w1 * c1 * moved.wc + c1**2 * moved.cc,
            ]
        ),
        coupled=w0 * w1 * moved.ww + (w0 * c1 + w1 * c0) * moved.wc + c0 * c1 * moved.cc,
        pull=np.array([w0 * moved.w + c0 * moved.c, w1 * moved.w + c1 * moved.c]),
    )


def _hidden(
    near: NearEdges, basis: FloatArray, dust: NDArray[np.bool_], seen: Seen, shape: tuple[int, int]
) -> NDArray[np.bool_]:
    """Return which places of which steps have lost too much of what is known of them to dust."""
    clean: FloatArray = np.where(dust[near.index], 0.0, 1.0)
    nothing, every = np.zeros(len(clean)), np.ones(len(clean))
    of_all, left = (_along(basis, _moved(near, nothing, w, seen, shape)).information for w in (every, clean))
    return np.asarray(left < _SEEN * of_all)


def _beside_marks(
    weight: FloatArray, light: FloatArray, near: NearEdges, fits: StripFits, noise: FloatArray, prior: EdgePrior
) -> FloatArray:
    """Return the weights with those of marks by their own light: none where it would move edges as they wander."""
    steepest = np.abs(fits.contrast) / (fits.sigma_mm * np.sqrt(2 * np.pi))
    most = (steepest * np.sqrt(prior.variance.mean(axis=0))).take(near.own)
    left = np.where(light < most, 1 / (noise.take(near.own) ** 2 + (_MARKED * light) ** 2), 0.0)
    return np.asarray(np.where(light > 0, left, weight))


def _lifted(
    equations: _Equations,
    near: NearEdges,
    basis: FloatArray,
    fits: StripFits,
    residual: FloatArray,
    weight: FloatArray,
    seen: Seen,
    light: FloatArray,
) -> _Equations:
    """Return the equations where marks may lift the level beside each place, as far as their light reaches.

    A level that is free within a normal prior is worked out of the equations of each step. A slope of the light across
    an edge moves it by nothing.
    """
    shape = equations.coupled.shape
    apart = fits.width_mm > _APART * fits.sigma_mm
    right = near.d > fits.centre_mm.take(near.own)
    information, pull, coupled = equations.information.copy(), equations.pull.copy(), equations.coupled

    def total(values: FloatArray) -> FloatArray:
        return np.asarray(np.bincount(near.cell, values, coupled.size).reshape(shape))

    lifts = []
    for k in (0, 1):
        by_place = basis[0, k].take(near.own) * seen.by_width + basis[1, k].take(near.own) * seen.by_centre
        # Two edges that are apart have each a level of their own.
        by_place *= np.where(~apart.take(near.own) | (right == (k == 1)), weight, 0.0)
        of_level = np.where(by_place != 0, weight, 0.0)
        lift = total(by_place)
        square = total(by_place * by_place * light**2) / np.maximum(total(by_place * by_place), 1e-300)
        free = square / (1 + square * total(of_level))
        information[k] = np.maximum(information[k] - lift**2 * free, 0.0)
        pull[k] -= lift * total(of_level * residual) * free
        lifts.append(lift * np.sqrt(free))
    coupled = coupled - np.where(apart[:, None], 0.0, lifts[0] * lifts[1])
    return _Equations(information=information, coupled=coupled, pull=pull)


def _under_marks(
    samples: Samples, fits: StripFits, near: NearEdges, hidden: NDArray[np.bool_] | None
) -> NDArray[np.bool_]:
    """Return the pixels near hidden places."""
    out = np.zeros(len(samples.solid), dtype=bool)
    if hidden is None:
        return out
    steps = hidden.reshape(2, -1)[:, near.cell]
    apart = (fits.width_mm > _APART * fits.sigma_mm)[near.own]
    right = near.d > fits.centre_mm[near.own]
    out[near.index] = np.where(apart, np.where(right, steps[1], steps[0]), steps.any(axis=0))
    return out


def _prior(equations: _Equations, used: NDArray[np.bool_]) -> EdgePrior:
    both = (equations.pull.reshape(-1, used.shape[1]), equations.information.reshape(-1, used.shape[1]))
    twice = np.tile(used, (2, 1))
    own = wander_variance(*both, twice)
    reach = correlation_reach(*both, twice, own)
    # A short edge may happen to be calm over most of its length: few of its steps are independent.
    independent = twice.sum(axis=1) / reach
    variance = (independent * own + _LIKE_OTHERS * np.median(own)) / (independent + _LIKE_OTHERS)
    return EdgePrior(variance=variance.reshape(2, -1), reach=reach)


def _followed(equations: _Equations, places: FloatArray, prior: EdgePrior, used: NDArray[np.bool_]) -> FloatArray:
    """Return both places of every step, the second with what the first has just become."""
    new = places.copy()
    for k, other in ((0, 1), (1, 0)):
        pull = equations.pull[k] + equations.information[k] * places[k]
        pull = pull + equations.coupled * (places[other] - new[other])
        # What moves an edge further than its wandering explains is a foreign mark.
        most = _MOST_SPREADS * np.sqrt(prior.variance[k])[:, None]
        new[k] = np.clip(krige(pull, equations.information[k], prior.variance[k], prior.reach, used), -most, most)
    return new
