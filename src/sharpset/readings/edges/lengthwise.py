"""What happens along a slot or bar: how much of its length is open or solid, and how its edges wander."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sharpset.readings.edges.blur import EdgeSpread, blurred_edge
from sharpset.readings.edges.films import CLEAR_BLURS, filmed
from sharpset.readings.edges.open_steps import OPEN_FROM, follow_openness
from sharpset.readings.edges.profiles import LEAST_NOISE
from sharpset.readings.edges.sampling import INNER_MM, Samples
from sharpset.readings.edges.strips import StripFits
from sharpset.readings.picture.medians import row_medians

__all__ = ["Lengthwise", "centre_tracks", "follow_strips", "open_lengths", "step_of"]

FloatArray = NDArray[np.float64]
_PLAINLY, _PLAIN_NOISES, _LEAST_U_SHARE = 2.0, 6.0, 0.01
"""A strip is plainly open where each step is so many times as wide as it need be, and so many times the noise."""
_END_PART = 0.2
_APART = 4.0
_TRACK_BLURS = 2.5
_FEWEST_BLOCKS = 4


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Lengthwise:
    """One entry a strip.

    Attributes
    ----------
    share : ndarray of float
        Share of the sampled length where a slot is open, a bar solid.
    u_share : ndarray of float
        Its standard uncertainty by the noise.
    roughness_mm : ndarray of float
        Standard deviation of an edge along the strip, mean of both edges, the noise's share
        removed; NaN where the edges are too close to tell apart.
    u_roughness_mm : ndarray of float
    u_ends_mm : ndarray of float
        Standard uncertainty of the mean width over the whole length from the ends that were left out.
    astray_mm : ndarray of float
        How far the ends of the sampled length lie beside the nominal place, the larger of the two, less three times
        the noise; 0 where nothing is there.
    is_open : ndarray of bool, shape (n_strips, n_steps)
        Steps where a slot is open, a bar solid.
    noise_factor : float
        How much more widths scatter from block to block along the strips than independent pixels of the noise that was
        given would make them: common noise of neighbours shows here, but so does roughness. NaN of too few strips.
    """

    share: FloatArray
    u_share: FloatArray
    roughness_mm: FloatArray
    u_roughness_mm: FloatArray
    u_ends_mm: FloatArray
    astray_mm: FloatArray
    is_open: NDArray[np.bool_]
    noise_factor: float


def follow_strips(samples: Samples, fits: StripFits, spread: EdgeSpread, noise: FloatArray) -> Lengthwise:
    """Follow every strip along its length in steps of one pixel.

    Parameters
    ----------
    samples : Samples
    fits : StripFits
    spread : EdgeSpread
    noise : ndarray of float, shape (n_strips,)
        Standard deviation of one pixel (share solid).
    """
    step = samples.pixel_mm
    cell, shape = step_of(samples)
    steps = _steps(samples, fits, cell, shape, noise)
    tracks = _follow(samples, fits, spread, cell, shape)
    roughness = _roughness(tracks, noise)
    roughness[fits.width_mm <= _APART * fits.sigma_mm] = np.nan
    length = 2 * samples.half_length_mm
    n_free = np.maximum(length / (6 * step), 2)
    ends, noise_factor = _ends(tracks, roughness, samples, np.maximum(noise, LEAST_NOISE))
    return Lengthwise(
        share=steps.share,
        u_share=steps.u_share,
        roughness_mm=roughness,
        u_roughness_mm=roughness / np.sqrt(2 * n_free),
        u_ends_mm=ends,
        astray_mm=steps.astray_mm,
        is_open=steps.is_open,
        noise_factor=noise_factor,
    )


def centre_tracks(samples: Samples, fits: StripFits, spread: EdgeSpread) -> tuple[FloatArray, FloatArray]:
    """Return how far the middle of every strip lies beside its fitted place in steps of one pixel along it.

    Returns
    -------
    shift_mm : ndarray of float, shape (n_strips, n_steps)
        Along the strip's normal, mean of both edges, mm on the glass; NaN where either is not seen, or where they are
        too close to tell apart.
    t_mm : ndarray of float, shape (n_strips, n_steps)
        Place of the step along the strip from its middle.
    """
    cell, shape = step_of(samples)
    low, high = _follow(samples, fits, spread, cell, shape).shift_mm
    shift = (high - low) / 2
    shift[fits.width_mm <= _APART * fits.sigma_mm] = np.nan
    t = (np.arange(shape[1]) + 0.5) * samples.pixel_mm - samples.half_length_mm[:, None]
    return shift, t


def open_lengths(samples: Samples, fits: StripFits, noise: FloatArray) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Return in which steps of one pixel along the strips they are open (bars: solid), and which steps are known.

    Parameters
    ----------
    samples : Samples
        Perhaps of other parts of the strips' lengths than were fitted.
    fits : StripFits
    noise : ndarray of float, shape (n_strips,)
        Standard deviation of one pixel (share solid).

    Returns
    -------
    is_open, known : ndarray of bool, shape (n_strips, n_steps)
    """
    cell, shape = step_of(samples)
    steps = _steps(samples, fits, cell, shape, noise)
    return steps.is_open, steps.full


def step_of(samples: Samples) -> tuple[NDArray[np.intp], tuple[int, int]]:
    """Return the flat index of each pixel's step (strips are rows, steps of one pixel along them columns), and the
    shape of that table.
    """
    step = samples.pixel_mm
    n_steps = int(np.ceil(2 * samples.half_length_mm.max() / step)) + 1
    column = np.floor((samples.t_mm + samples.half_length_mm[samples.owner]) / step).astype(np.intp)
    return samples.owner * n_steps + column, (len(samples.strips), n_steps)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Steps:
    """Which steps along the strips make up a feature, and how far astray its ends are."""

    share: FloatArray
    u_share: FloatArray
    is_open: NDArray[np.bool_]
    full: NDArray[np.bool_]
    astray_mm: FloatArray


def _steps(
    samples: Samples, fits: StripFits, cell: NDArray[np.intp], shape: tuple[int, int], noise: FloatArray
) -> _Steps:
    """Judge steps by their missing (or present) light."""
    own = samples.owner
    nominal = np.array([strip.width_mm for strip in samples.strips]) * samples.length_scale
    reach = np.maximum(fits.width_mm, nominal) / 2 + 2.5 * fits.sigma_mm
    inner = np.maximum(nominal / 2 - INNER_MM, 0.0)
    nominal = nominal - 2 * inner
    near = np.flatnonzero(np.abs(samples.d_mm - fits.centre_mm.take(own)) <= reach.take(own))
    reach = reach - inner
    sign = np.where(samples.is_bar, 1.0, -1.0)
    own, cell, d_mm = own.take(near), cell.take(near), samples.d_mm.take(near)
    effect = samples.solid.take(near) - fits.level.take(own) - fits.slope_per_mm.take(own) * d_mm
    effect *= sign.take(own)
    size = shape[0] * shape[1]
    total = np.bincount(cell, effect, size).reshape(shape)
    count = np.bincount(cell, minlength=size).reshape(shape)
    expected = 2 * reach * samples.pixel_mm / samples.pixel_area_mm2
    full = count > 0.6 * expected[:, None]
    # Light missing in one step over its length and over the contrast is a width; three steps are averaged.
    width = np.where(full, total / np.maximum(count, 1) * 2 * reach[:, None] / fits.contrast[:, None], 0.0)
    three = _mean_of_three(width, full)
    noise_mm = noise * 2 * reach / np.sqrt(np.maximum(3 * expected, 1))
    is_open, u_share = _opened(width, three, full, nominal, noise_mm)
    clear = fits.width_mm / 2 - CLEAR_BLURS * fits.sigma_mm
    middle = np.abs(d_mm - fits.centre_mm.take(own)) <= np.maximum(clear, samples.pixel_mm / 2).take(own)
    asked = (clear > samples.pixel_mm) & ~samples.is_bar & (inner == 0)
    middle &= asked.take(own)
    is_open &= ~filmed(
        effect[middle] / fits.contrast.take(own[middle]),
        cell[middle],
        shape,
        asked=asked,
        across_px=d_mm[middle] / samples.pixel_mm,
    )
    moment = np.bincount(cell, effect * d_mm, size).reshape(shape)
    square = np.bincount(cell, d_mm**2, size).reshape(shape)
    place = np.where(is_open, moment / np.where(is_open, np.maximum(total, 1e-9), 1.0), np.nan)
    scatter = noise[:, None] * np.sqrt(square) / np.where(is_open, np.maximum(total, 1e-9), 1.0)
    # The middle of very wide openings is not sampled: their centroids say nothing.
    astray = np.where(inner > 0, 0.0, _astray(place, scatter, full))
    share = np.asarray(is_open.sum(axis=1) / np.maximum(full.sum(axis=1), 1))
    return _Steps(share=share, u_share=u_share, is_open=is_open, full=full, astray_mm=astray)


def _opened(
    width: FloatArray, three: FloatArray, full: NDArray[np.bool_], nominal: FloatArray, noise_mm: FloatArray
) -> tuple[NDArray[np.bool_], FloatArray]:
    """Return in which steps strips are open, and the standard uncertainty of the open share."""
    plain = np.maximum(_PLAINLY * OPEN_FROM * nominal, _PLAIN_NOISES * noise_mm)
    is_open = (three >= plain[:, None]) & full
    u_share = np.full(len(width), _LEAST_U_SHARE)
    rest = np.flatnonzero((is_open != full).any(axis=1))
    if len(rest):
        # The noise is that of three steps together.
        told = follow_openness(width[rest], full[rest], nominal_mm=nominal[rest], noise_mm=np.sqrt(3) * noise_mm[rest])
        is_open[rest] = (told.chance > 0.5) & full[rest]
        u_share[rest] = np.hypot(told.u_share, _LEAST_U_SHARE)
    return is_open, u_share


def _astray(place: FloatArray, scatter: FloatArray, full: NDArray[np.bool_]) -> FloatArray:
    """Return how far the outer fifths of each row lie from nought, the larger of two medians less their noise."""
    rank = np.cumsum(full, axis=1) / np.maximum(full.sum(axis=1), 1)[:, None]
    largest = np.zeros(len(place))
    for end in (rank <= _END_PART, rank > 1 - _END_PART):
        known = end & np.isfinite(place)
        n = known.sum(axis=1)
        middle = row_medians(np.where(known, place, 0.0), known)
        noise = row_medians(np.where(known, scatter, 0.0), known)
        # The median of n normal values scatters by 1.25 / sqrt(n) of one.
        away = np.abs(middle) - 3 * 1.25 * noise / np.sqrt(np.maximum(n, 1))
        largest = np.maximum(largest, np.where(n >= 3, away, 0.0))
    return largest


def _mean_of_three(values: FloatArray, valid: NDArray[np.bool_]) -> FloatArray:
    padded = np.pad(np.where(valid, values, 0.0), ((0, 0), (1, 1)))
    counted = np.pad(valid.astype(float), ((0, 0), (1, 1)))
    total = padded[:, :-2] + padded[:, 1:-1] + padded[:, 2:]
    return np.asarray(total / np.maximum(counted[:, :-2] + counted[:, 1:-1] + counted[:, 2:], 1))


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Tracks:
    """How far both edges of every strip lie outwards of the mean in each step, and what a step tells of it.

    `shift_mm` has shape (2, n_strips, n_steps), NaN where an edge is not seen; `power` (2, n_strips), the information
    of a typical step in units of a pixel's.
    """

    shift_mm: FloatArray
    power: FloatArray


def _follow(
    samples: Samples, fits: StripFits, spread: EdgeSpread, cell: NDArray[np.intp], shape: tuple[int, int]
) -> _Tracks:
    """Follow both edges by the matched filter of the edge's own derivative.

    The shift of an edge in one step is sum(r g) / sum(g^2), r the residual from the mean profile and
    g the profile's derivative.
    """
    kind = spread.shape
    half, reach = fits.width_mm / 2, _TRACK_BLURS * fits.sigma_mm
    near_edges = []
    for i, one in enumerate(samples.slices()):
        away = np.abs(np.abs(samples.d_mm[one] - fits.centre_mm[i]) - half[i])
        near_edges.append(np.flatnonzero(away < reach[i]) + one.start)
    index = np.concatenate(near_edges)
    own, cell = samples.owner.take(index), cell.take(index)
    d, sigma = samples.d_mm.take(index) - fits.centre_mm.take(own), fits.sigma_mm.take(own)
    height = (np.where(samples.is_bar, 1.0, -1.0) * fits.contrast).take(own)
    places = np.array([d + half[own], d - half[own]]) / sigma
    rises, lines = blurred_edge(places, kind)
    span = rises[0] - rises[1]
    level = fits.level[own] + fits.slope_per_mm[own] * samples.d_mm[index]
    residual = samples.solid[index] - (level + height * span)
    shifts, powers = [], []
    for place, line in zip(places, lines, strict=True):
        near = np.flatnonzero(np.abs(place) < _TRACK_BLURS)
        slope = (height.take(near) / sigma.take(near)) * line.take(near)
        size = shape[0] * shape[1]
        power: FloatArray = np.bincount(cell[near], slope**2, size).reshape(shape).astype(float)
        moved = np.bincount(cell[near], slope * residual[near], size).reshape(shape)
        typical = row_medians(power, power > 0)
        full = (power > 0.6 * typical[:, None]) & (power > 0)
        shifts.append(np.where(full, moved / np.where(full, power, 1.0), np.nan))
        powers.append(typical)
    return _Tracks(shift_mm=np.array(shifts), power=np.maximum(powers, 1e-12))


def _roughness(tracks: _Tracks, noise: FloatArray) -> FloatArray:
    """Return the spread of the edges; pixel noise adds the variance noise^2 / power, which is taken off."""
    variances = [
        _robust_variance(shift) - noise**2 / power for shift, power in zip(tracks.shift_mm, tracks.power, strict=True)
    ]
    return np.asarray(np.sqrt(np.maximum(np.mean(variances, axis=0), 0.0)))


def _ends(tracks: _Tracks, roughness: FloatArray, samples: Samples, noise: FloatArray) -> tuple[FloatArray, float]:
    """Return the standard uncertainty of mean widths from the ends that were left out, and the noise factor.

    The width over blocks as long as an end scatters as the width over an end does, whatever the correlation of the
    edges. The blocks of all strips whose edges stand apart are taken together; a strip that is rougher than most
    counts for more.
    """
    length = 2 * samples.half_length_mm
    whole = np.array([strip.length_mm for strip in samples.strips]) * samples.length_scale
    end = np.maximum(whole - length, 0) / 2
    width = tracks.shift_mm.sum(axis=0)
    apart = np.isfinite(roughness)
    n_block = max(round(float(np.median(end)) / samples.pixel_mm), 1)
    n_blocks = width.shape[1] // n_block
    blocks = width[:, : n_blocks * n_block].reshape(len(width), n_blocks, n_block)
    seen = np.isfinite(blocks)
    count = seen.sum(axis=2)
    mean = np.where(seen, blocks, 0.0).sum(axis=2) / np.maximum(count, 1)
    good = (count > n_block / 2) & apart[:, None]
    n = good.sum(axis=1)[:, None]
    away = mean - np.where(good, mean, 0.0).sum(axis=1)[:, None] / np.maximum(n, 1)
    several = good & (n >= _FEWEST_BLOCKS)
    if not several.any():
        return np.zeros(len(width)), np.nan
    away = (away * np.sqrt(n / np.maximum(n - 1, 1)))[several]
    most = 3 * 1.4826 * float(np.median(np.abs(away)))
    scatter = float(np.sqrt(np.mean(np.clip(away, -most, most) ** 2)))
    by_noise = float(np.median((noise**2 * (1 / tracks.power).sum(axis=0))[apart])) / n_block
    variance = max(scatter**2 - by_noise, 0.0)
    # Two edges that wander alike all along their length scatter most: blocks then scatter by twice their variance.
    usual = max(float(np.median(roughness[apart])), np.sqrt(variance / 2), 1e-6)
    rougher = np.maximum(np.nan_to_num(roughness) / usual, 1.0) ** 2
    left_out = 2 * end / np.maximum(whole, length)
    # Both ends scatter each for itself; the mean over the rest, from which they differ, scatters less.
    return left_out * np.sqrt(variance * rougher * (0.5 + end / length)), scatter / float(np.sqrt(by_noise))


def _robust_variance(shift: FloatArray) -> FloatArray:
    """Return the variance of each row after clipping at four robust spreads."""
    known = np.isfinite(shift)
    centre = row_medians(shift, known)[:, None]
    away = np.abs(shift - centre)
    spread = 1.4826 * row_medians(away, known)[:, None]
    clipped = np.where(away <= 4 * spread + 1e-9, shift - centre, np.nan)
    count = np.isfinite(clipped).sum(axis=1)
    total = np.nansum(clipped**2, axis=1) - np.nansum(clipped, axis=1) ** 2 / np.maximum(count, 1)
    return np.asarray(total / np.maximum(count - 1, 1))
