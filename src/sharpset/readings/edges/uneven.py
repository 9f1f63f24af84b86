"""Strips that are narrower (or wider) over a part of their length: that part is neither dust nor left out of the mean.

Means along a strip set aside what few of its pixels show, as marks of dirt do. A strip that was printed narrower at one
end or in the middle shows just that. Light that is missing over a step's length and over the contrast is a width,
whatever its shape: how much narrower such a part is follows from the difference of the light of its steps and the
others', and the others are fitted by themselves. Marks are shorter, lie on one edge, or are neither as bright as the
plate nor as dark as the ground.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from sharpset.readings.edges.lengthwise import step_of
from sharpset.readings.edges.sampling import INNER_MM, Samples
from sharpset.readings.edges.strips import StripFits

__all__ = ["Uneven", "uneven_strips", "with_uneven"]

FloatArray = NDArray[np.float64]
_NOISES, _LEAST_PART, _LEAST_BLURS = 4.0, 0.06, 0.25
"""What counts as narrower or wider: so many times the noise of a few steps, so much of the width, and of the blur."""
_ROUGH = 2.0
"""Spreads of a strip's own widths along it: rough edges wander, and wide or narrow stretches of them are no parts."""
_SHORTEST, _LONGEST = 0.12, 0.5
"""Shares of a strip's length that such parts take up, each at least and all together at most: what is shorter may be
dirt, and of a strip that is uneven all along nothing is set aside."""
_SHORTEST_MM = 0.25
"""Dust of this size is seldom (common practice, no source)."""
_LIKE_EDGES = 0.12
"""What the profile of such a part may differ by from a strip of its width, as a share of the contrast: dirt is of other
brightness."""
_SET_ASIDE, _SET_ASIDE_BLURS = 0.3, 0.1
"""A mean over all of the length has set such parts aside where it misses so much of what they add, and of the blur."""
_RAMP_PX = 2.0
"""Over this length at the far ends of a row of pixels each counts less and less."""
_CLOSED = 0.25
"""A part that comes down to less than this share of the width as drawn is closed somewhere, which is no width."""
_FEWEST_CLEAR, _CLEAR_BLURS = 10, 2.0
"""Steps of such a part that lie clear of the others' blur at least."""
_ONE_SIDED, _EVEN = 0.15, 0.2
"""How far its middle may lie beside the others', and its width may change within it beyond what theirs does, as shares
of what it is narrower or wider by: of 49 parts that dust and fibres made on rendered strips at 600 dpi hardly one was
as long, as much alike on both edges and as even; of 70 ends that thinned out nearly all were. Where one edge moved it
is as likely a mark."""


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Uneven:
    """Strips with parts that are narrower or wider than the rest.

    Attributes
    ----------
    chosen : ndarray of int, shape (n,)
        Their indices among the strips of the piece.
    rest : ndarray of bool, shape (n_pixels,)
        Pixels of all strips, those of such parts left out.
    added_mm : ndarray of float, shape (n,)
        What these parts add to the mean width over the length of the strip, ends included.
    u_added_mm : ndarray of float, shape (n,)
        Its standard uncertainty by noise.
    """

    chosen: NDArray[np.intp]
    rest: NDArray[np.bool_]
    added_mm: FloatArray
    u_added_mm: FloatArray


def uneven_strips(samples: Samples, fits: StripFits, noise: FloatArray, *, whole: NDArray[np.bool_]) -> Uneven | None:
    """Find strips that are narrower or wider over a part of their length.

    Parameters
    ----------
    samples : Samples
    fits : StripFits
    noise : ndarray of float, shape (n_strips,)
        Standard deviation of one pixel (share solid), as much larger as neighbours' common noise makes that of means.
    whole : ndarray of bool, shape (n_strips,)
        Strips that are open (solid) over their length; the others are not looked at, nor are those whose middle is not
        sampled.
    """
    cell, shape = step_of(samples)
    nominal = np.array([strip.width_mm for strip in samples.strips]) * samples.length_scale
    length = np.array([strip.length_mm for strip in samples.strips]) * samples.length_scale
    rest = np.ones(len(samples.owner), dtype=bool)
    chosen, added, u_added = [], [], []
    for i, one in enumerate(samples.slices()):
        if not whole[i] or one.stop == one.start or nominal[i] / 2 > INNER_MM:
            continue
        column = cell[one] - i * shape[1]
        steps = _steps(samples, fits, i, one, column, shape[1], nominal[i])
        u_mm = float(noise[i]) * steps.per_noise_mm
        runs, middle = _runs(steps, u_mm, float(fits.sigma_mm[i]), samples.pixel_mm)
        if not runs:
            continue
        apart = np.zeros(shape[1], dtype=bool)
        total, variance = 0.0, 0.0
        end = max(float(length[i]) / 2 - float(samples.half_length_mm[i]), 0.0)
        known = np.flatnonzero(steps.full)
        for first, last in runs:
            part = np.zeros(shape[1], dtype=bool)
            part[first : last + 1] = steps.full[first : last + 1]
            away = float(steps.width[part].mean()) - middle
            smooth = steps.smooth(part, float(fits.sigma_mm[i]) / samples.pixel_mm)
            spread = float(steps.width[part].std())
            moved = steps.moved(part)
            clear = steps.clear(part, float(fits.sigma_mm[i]), samples.pixel_mm)
            uneven = _spread(steps.width[clear]) - _spread(steps.width[steps.full & ~part]) if clear.any() else 0.0
            if clear.sum() < _FEWEST_CLEAR or uneven > _EVEN * abs(away) or abs(moved) > _ONE_SIDED * abs(away):
                continue
            if smooth.min() < _CLOSED * nominal[i]:
                continue
            if not _like_edges(samples, fits, i, one, part[column], away, moved, spread, float(noise[i])):
                continue
            apart |= part
            reach = part.sum() * samples.pixel_mm + end * (float(first <= known[0]) + float(last >= known[-1]))
            share = reach / length[i]
            total += share * away
            variance += share**2 * u_mm**2 * (1 / part.sum() + 1 / max(known.size - part.sum(), 1))
        if apart.any():
            chosen.append(i)
            added.append(total)
            u_added.append(np.sqrt(variance))
            rest[one] = ~apart[column]
    if not chosen:
        return None
    return Uneven(
        chosen=np.array(chosen),
        rest=rest,
        added_mm=np.array(added),
        u_added_mm=np.array(u_added),
    )


def with_uneven(fits: StripFits, uneven: Uneven, again: StripFits) -> StripFits:
    """Return the fits with the mean widths of uneven strips over their whole length.

    Parameters
    ----------
    fits : StripFits
    uneven : Uneven
    again : StripFits
        Of the chosen strips without those parts.

    Returns
    -------
    StripFits
        Strips whose mean had not set those parts aside, as that of an even taper does not, are left as they were.
    """
    new = again.width_mm + uneven.added_mm
    least = np.maximum(_SET_ASIDE * np.abs(uneven.added_mm), 3 * uneven.u_added_mm)
    least = np.maximum(least, _SET_ASIDE_BLURS * again.sigma_mm)
    taken = np.flatnonzero(np.abs(fits.width_mm[uneven.chosen] - new) > least)
    again, i = again.some(taken), uneven.chosen[taken]
    added, u_added = uneven.added_mm[taken], uneven.u_added_mm[taken]
    width, u_width, noise = fits.width_mm.copy(), fits.u_width_mm.copy(), fits.parts.noise_mm.copy()
    width[i] = again.width_mm + added
    u_width[i] = np.hypot(again.u_width_mm, u_added)
    noise[i] = np.hypot(again.parts.noise_mm, u_added)
    parts = {}
    for name in fits.parts.__dataclass_fields__:
        values = getattr(fits.parts, name).copy()
        values[i] = getattr(again.parts, name)
        parts[name] = values
    parts["noise_mm"] = noise
    return replace(fits, width_mm=width, u_width_mm=u_width, parts=replace(fits.parts, **parts))


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Steps:
    """Widths of one strip by the light of steps of a pixel along it; `per_noise_mm` turns noise into a width's."""

    width: FloatArray
    moment: FloatArray
    full: NDArray[np.bool_]
    per_noise_mm: float

    def moved(self, part: NDArray[np.bool_]) -> float:
        """Return how far the middle of a part lies beside that of the other steps."""
        rest = self.full & ~part
        if not rest.any():
            return 0.0
        a, b = (self.moment[k].sum() / max(self.width[k].sum(), 1e-9) for k in (part, rest))
        return float(a - b)

    def clear(self, part: NDArray[np.bool_], sigma_mm: float, pixel_mm: float) -> NDArray[np.bool_]:
        """Return the steps of a part that the blur of other steps does not reach."""
        reach = int(np.ceil(_CLEAR_BLURS * sigma_mm / pixel_mm))
        near = np.convolve(self.full & ~part, np.ones(2 * reach + 1, dtype=np.intp))[reach : reach + len(part)]
        return np.asarray(part & (near == 0))

    def smooth(self, part: NDArray[np.bool_], blur_px: float) -> FloatArray:
        """Return the widths of a part's steps, means over twice the blur."""
        return _smoothed(self.width[part], blur_px)


def _smoothed(width: FloatArray, blur_px: float) -> FloatArray:
    n = max(round(2 * blur_px), 3)
    padded = np.pad(width, (n // 2, n - 1 - n // 2), mode="edge")
    return np.asarray(np.convolve(padded, np.ones(n) / n, mode="valid"))


def _steps(
    samples: Samples,
    fits: StripFits,
    i: int,
    one: slice,
    column: NDArray[np.intp],
    n_steps: int,
    nominal_mm: float,
) -> _Steps:
    d, px = samples.d_mm[one], samples.pixel_mm
    away = d - fits.centre_mm[i]
    reach = max(float(fits.width_mm[i]), nominal_mm) / 2 + 2.5 * float(fits.sigma_mm[i])
    near = np.abs(away) <= reach
    effect = samples.solid[one] - fits.level[i] - fits.slope_per_mm[i] * d
    effect = np.where(near, effect if samples.strips[i].solid else -effect, 0.0) / fits.contrast[i]
    total = np.bincount(column, effect, n_steps)
    moment = np.bincount(column, effect * away, n_steps)
    # How many rows of pixels a step holds must not hang on one pixel more or less at the far ends of a row.
    rows = np.bincount(column, np.clip((reach - np.abs(away)) / (_RAMP_PX * px), 0.0, 1.0), n_steps)
    span = 2 * reach - _RAMP_PX * px
    expected = span * px / samples.pixel_area_mm2
    full = rows > 0.6 * expected
    per = np.where(full, span / np.maximum(rows, 1e-9), 0.0)
    return _Steps(
        width=np.asarray(total * per, dtype=float),
        moment=np.asarray(moment * per, dtype=float),
        full=full,
        per_noise_mm=span / np.sqrt(max(expected, 1.0)) / float(fits.contrast[i]),
    )


def _spread(values: FloatArray) -> float:
    return 1.4826 * float(np.median(np.abs(values - np.median(values))))


def _runs(steps: _Steps, u_mm: float, sigma_mm: float, pixel_mm: float) -> tuple[list[tuple[int, int]], float]:
    """Return the first and last steps of parts that are narrower or wider than the rest, and the rest's mean width."""
    known = np.flatnonzero(steps.full)
    if len(known) < 10:
        return [], 0.0
    width = steps.width[known]
    n = max(round(2 * sigma_mm / pixel_mm), 3)
    smooth = _smoothed(width, sigma_mm / pixel_mm)
    middle = float(np.median(smooth))
    least = max(_NOISES * u_mm / np.sqrt(n), _LEAST_PART * abs(middle), _LEAST_BLURS * sigma_mm)
    # Rough edges wander: a part must stand out of that.
    least = max(least, _ROUGH * _spread(smooth))
    shortest = max(_SHORTEST * len(known), _SHORTEST_MM / pixel_mm)
    runs = []
    inside = np.zeros(len(known), dtype=bool)
    for sign in (1.0, -1.0):
        off = np.concatenate(([False], sign * (smooth - middle) > least, [False]))
        borders = np.flatnonzero(off[1:] != off[:-1])
        for a, b in zip(borders[::2], borders[1::2], strict=True):
            if b - a >= shortest:
                runs.append((int(known[a]), int(known[b - 1])))
                inside[a:b] = True
    if not runs or inside.mean() > _LONGEST:
        return [], 0.0
    return runs, float(width[~inside].mean())


def _like_edges(
    samples: Samples,
    fits: StripFits,
    i: int,
    one: slice,
    part: NDArray[np.bool_],
    away_mm: float,
    moved_mm: float,
    spread_mm: float,
    noise: float,
) -> bool:
    """Return whether pixels of a part look like a strip whose edges lie elsewhere, and not like dirt on it."""
    d = samples.d_mm[one][part]
    seen = samples.solid[one][part] - fits.level[i] - fits.slope_per_mm[i] * d
    seen = (seen if samples.strips[i].solid else -seen) / fits.contrast[i]
    place = np.floor(d / samples.pixel_mm).astype(np.intp)
    place -= place.min(initial=0)
    count = np.bincount(place)
    mean = np.bincount(place, seen) / np.maximum(count, 1)
    at = np.bincount(place, d) / np.maximum(count, 1)
    # The edges of such a part need not be straight: they spread as its steps' widths do.
    sigma = float(np.hypot(fits.sigma_mm[i], spread_mm / 2))
    beside = at - float(fits.centre_mm[i]) - moved_mm
    width = max(float(fits.width_mm[i]) + away_mm, 0.0)
    expected = ndtr((beside + width / 2) / sigma) - ndtr((beside - width / 2) / sigma)
    known = count > 0.5 * np.median(count[count > 0])
    least = _LIKE_EDGES + _NOISES * noise / abs(float(fits.contrast[i])) / np.sqrt(np.maximum(count, 1))
    return bool(np.all((np.abs(mean - expected) < least)[known]))
