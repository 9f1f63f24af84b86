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
from scipy.ndimage import gaussian_filter1d

from sharpset.readings.blur import EdgeSpread, edge_profile, line_profile
from sharpset.readings.medians import groups_of, row_medians
from sharpset.readings.sampling import Samples
from sharpset.readings.strips import StripFits

__all__ = ["NearEdges", "Straightened", "first_wander", "near_edges", "straighten"]

FloatArray = NDArray[np.float64]
_TURNS = 3
_SMOOTH_PX = 1.5
_REACH = 3.5
_MOST_SPREADS = 4.0
_FEWEST = 8


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
    """

    samples: Samples
    mean_width_mm: FloatArray
    mean_centre_mm: FloatArray
    wander_mm: FloatArray


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

    def span(self, width: FloatArray, centre: FloatArray) -> FloatArray:
        """Return the model's feature at each pixel for widths and centres of each pixel's step."""
        kind = {"halo": self.spread.halo, "ratio": self.spread.halo_ratio}
        d = self.d - centre
        return self.height * (
            edge_profile(d + width / 2, self.sigma, **kind) - edge_profile(d - width / 2, self.sigma, **kind)
        )

    def slopes(self, width: FloatArray, centre: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return the derivatives with respect to width and centre."""
        kind = {"halo": self.spread.halo, "ratio": self.spread.halo_ratio}
        d = self.d - centre
        left = line_profile(d + width / 2, self.sigma, **kind)
        right = line_profile(d - width / 2, self.sigma, **kind)
        return self.height * (left + right) / 2, self.height * (right - left)


def straighten(
    samples: Samples,
    fits: StripFits,
    spread: EdgeSpread,
    noise: FloatArray,
    *,
    near: NearEdges | None = None,
    dust: NDArray[np.bool_] | None = None,
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
    dust : ndarray of bool, shape (n,), optional
        Pixels on foreign marks; they follow the edge without having a say in it.

    Returns
    -------
    Straightened
        Strips whose local width would fall to nothing somewhere are left as they are.
    """
    step = samples.pixel_mm
    near = near if near is not None else near_edges(samples, fits, spread)
    n_steps = near.n_steps
    shape = (len(samples.strips), n_steps)
    base = fits.level[near.own] + fits.slope_per_mm[near.own] * near.d
    data = samples.solid[near.index] - base
    noise = np.maximum(noise, 2e-3)
    width, centre = (np.tile(v[:, None], (1, n_steps)) for v in (fits.width_mm, fits.centre_mm))
    wander = first_wander(near, data, width[:, 0], centre[:, 0], noise)
    used = (np.arange(n_steps) + 0.5) * step <= 2 * samples.half_length_mm[:, None]
    for turn in range(_TURNS):
        flat_width, flat_centre = width.ravel()[near.cell], centre.ravel()[near.cell]
        residual = data - near.span(flat_width, flat_centre)
        weight = _weights(residual, near, noise, wander, first=turn == 0) / noise[near.own] ** 2
        if dust is not None:
            weight = np.where(dust[near.index], 0.0, weight)
        moved = _moved(near, residual, weight, flat_width, flat_centre, shape)
        dw, dc = _smoothed(moved, width - fits.width_mm[:, None], centre - fits.centre_mm[:, None], used)
        width = fits.width_mm[:, None] + np.clip(dw, -0.9 * fits.width_mm[:, None], 3 * fits.sigma_mm[:, None])
        centre = fits.centre_mm[:, None] + np.clip(dc, -2 * fits.sigma_mm[:, None], 2 * fits.sigma_mm[:, None])
    choked = np.any((width <= 0.12 * fits.width_mm[:, None]) & used, axis=1)
    width = np.where(choked[:, None], fits.width_mm[:, None], width)
    centre = np.where(choked[:, None], fits.centre_mm[:, None], centre)
    solid = samples.solid.copy()
    solid[near.index] -= near.span(width.ravel()[near.cell], centre.ravel()[near.cell]) - near.span(
        fits.width_mm[near.own], fits.centre_mm[near.own]
    )
    n_used = used.sum(axis=1)
    mean_width = np.where(used, width, 0).sum(axis=1) / n_used - fits.width_mm
    mean_centre = np.where(used, centre, 0).sum(axis=1) / n_used - fits.centre_mm
    away = np.where(used, width - fits.width_mm[:, None] - mean_width[:, None], 0.0)
    return Straightened(
        samples=replace(samples, solid=solid),
        mean_width_mm=mean_width,
        mean_centre_mm=mean_centre,
        wander_mm=np.sqrt((away**2).sum(axis=1) / n_used),
    )


def near_edges(samples: Samples, fits: StripFits, spread: EdgeSpread) -> NearEdges:
    """Return the pixels within a few blurs of an edge, sorted into steps of a pixel along each strip."""
    n_steps = int(np.ceil(2 * samples.half_length_mm.max() / samples.pixel_mm)) + 1
    own = samples.owner
    from_edge = np.abs(np.abs(samples.d_mm - fits.centre_mm[own]) - fits.width_mm[own] / 2)
    index = np.flatnonzero(from_edge < _REACH * fits.sigma_mm[own])
    own = own[index]
    column = np.floor((samples.t_mm[index] + samples.half_length_mm[own]) / samples.pixel_mm).astype(np.intp)
    sign = np.where([strip.solid for strip in samples.strips], 1.0, -1.0)
    return NearEdges(
        n_steps=n_steps,
        index=index,
        own=own,
        cell=own * n_steps + np.clip(column, 0, n_steps - 1),
        d=samples.d_mm[index],
        sigma=fits.sigma_mm[own],
        height=(sign * fits.contrast)[own],
        spread=spread,
    )


def first_wander(
    near: NearEdges, data: FloatArray, width: FloatArray, centre: FloatArray, noise: FloatArray
) -> FloatArray:
    """Return how far single pixels say that the edges wander, the median over each strip, noise removed."""
    own = near.own
    residual = data - near.span(width[own], centre[own])
    by_width, by_centre = near.slopes(width[own], centre[own])
    slope = np.hypot(by_width, by_centre / 2)
    steepest = np.zeros(len(width))
    np.maximum.at(steepest, own, slope)
    steep = np.flatnonzero(slope > 0.7 * steepest[own])
    found = np.zeros(len(width))
    for one in groups_of(own[steep], len(width)):
        here = one.cells
        square = (1.4826 * one.medians(np.abs(residual[steep]))) ** 2 - noise[here] ** 2
        wander = np.sqrt(np.maximum(square, 0.0)) / one.medians(slope[steep])
        found[here] = np.where(one.counts > _FEWEST, wander, 0.0)
    return found


def _weights(
    residual: FloatArray, near: NearEdges, noise: FloatArray, wander: FloatArray, *, first: bool
) -> FloatArray:
    """Return weights that drop foreign light; a first turn is lenient, as edges are not followed yet."""
    scale = noise[near.own]
    if first:
        steepest = np.abs(near.height) / (near.sigma * np.sqrt(2 * np.pi))
        scale = np.hypot(scale, steepest * wander[near.own])
    return np.asarray(np.clip((5.0 - np.abs(residual) / scale) / 2.5, 0.0, 1.0))


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Moved:
    """Normal equations of each step: information (ww, wc, cc) and pull (w, c)."""

    ww: FloatArray
    wc: FloatArray
    cc: FloatArray
    w: FloatArray
    c: FloatArray


def _moved(
    near: NearEdges,
    residual: FloatArray,
    weight: FloatArray,
    width: FloatArray,
    centre: FloatArray,
    shape: tuple[int, int],
) -> _Moved:
    by_width, by_centre = near.slopes(width, centre)
    size = shape[0] * shape[1]

    def total(values: FloatArray) -> FloatArray:
        return np.asarray(np.bincount(near.cell, weight * values, size).reshape(shape))

    return _Moved(
        ww=total(by_width**2),
        wc=total(by_width * by_centre),
        cc=total(by_centre**2),
        w=total(by_width * residual),
        c=total(by_centre * residual),
    )


def _smoothed(moved: _Moved, dw: FloatArray, dc: FloatArray, used: NDArray[np.bool_]) -> tuple[FloatArray, FloatArray]:
    """Return local changes of width and centre, smoothed along the strip and drawn towards nothing."""
    pull_w = moved.w + moved.ww * dw + moved.wc * dc
    pull_c = moved.c + moved.wc * dw + moved.cc * dc
    peak = np.sqrt(2 * np.pi) * _SMOOTH_PX
    ww, wc, cc, pull_w, pull_c = (
        peak * gaussian_filter1d(v, _SMOOTH_PX, axis=1, mode="constant", truncate=4.0)
        for v in (moved.ww, moved.wc, moved.cc, pull_w, pull_c)
    )
    wander_w = _wander_variance(pull_w, ww, used)[:, None]
    wander_c = _wander_variance(pull_c, cc, used)[:, None]
    ww, cc = ww + 1 / wander_w, cc + 1 / wander_c
    det = ww * cc - wc**2
    # What moves an edge further than its wandering explains is a foreign mark.
    most_w, most_c = _MOST_SPREADS * np.sqrt(wander_w), _MOST_SPREADS * np.sqrt(wander_c)
    return (
        np.clip((cc * pull_w - wc * pull_c) / det, -most_w, most_w),
        np.clip((ww * pull_c - wc * pull_w) / det, -most_c, most_c),
    )


def _wander_variance(pull: FloatArray, information: FloatArray, used: NDArray[np.bool_]) -> FloatArray:
    """Return the variance of the local changes of each strip by their median, the noise's share removed."""
    known = used & (information > 0.3 * np.median(information, axis=1, keepdims=True)) & (information > 0)
    known[~known.any(axis=1)] = True
    safe = np.where(information > 0, information, np.inf)
    raw = pull / safe
    spread = 1.4826 * row_medians(np.abs(raw - row_medians(raw, known)[:, None]), known)
    # The sum over a Gaussian window of peak 1 has 1 / sqrt(2) of the variance that its information states.
    noise = row_medians(1 / safe, known) / np.sqrt(2)
    return np.asarray(np.maximum(spread**2 - noise, 1e-3 * noise) + 1e-14)
