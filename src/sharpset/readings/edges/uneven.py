"""Strips that are narrower (or wider) over a part of their length: what of that their means have set aside.

Means along a strip set aside what few of its pixels show, as marks of dirt do. A strip that was printed narrower at one
end or in the middle shows just that. Light that is missing over a step's length and over the contrast is a width,
whatever its shape: how much narrower such a part is follows from the light of its steps, and what the mean has set
aside of it from the light of all steps together. What is neither as bright as the plate nor as dark as the ground is a
mark and stays set aside. What is may be printed so, or a mark of just that brightness: how many marks the scan shows
beside its strips tells how likely that is, much less so where a part is long, even and alike on both edges, and the
interval holds both.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from sharpset.readings.edges.lengthwise import step_of
from sharpset.readings.edges.sampling import INNER_MM, Samples
from sharpset.readings.edges.spread import select_samples
from sharpset.readings.edges.strips import StripFits

__all__ = ["with_uneven"]

FloatArray = NDArray[np.float64]
_NOISES, _LEAST_PART, _LEAST_BLURS = 4.0, 0.06, 0.25
"""What counts as narrower or wider: so many times the noise of a few steps, so much of the width, and of the blur."""
_ROUGH = 3.0
"""Spreads of a strip's own widths along it: rough edges wander, and wide or narrow stretches of them are no parts."""
_ISOLATED = 6.0
"""A part that is so many of these spreads away does not go on, or come again, in the ends that were not sampled."""
_FEWEST_EVEN = 5
"""Strips without such parts that tell by what the light of steps differs from the fits."""
_SKIRT = 1 / 3
"""A part reaches to where so much of the least that counts is left."""
_CORE = 0.25
"""Its core, by which its length and evenness are judged, departs by at least this share of its mean."""
_SHORTEST_PX, _LONGEST = 3.0, 0.5
"""Pixels that such a part is long at least, and the share of a strip's length that all together take up at most: of a
strip that is uneven all along nothing is set aside."""
_LIKE_EDGES = 0.12
"""What the profile of such a part may differ by from a strip of its width, as a share of the contrast: dirt is of other
brightness."""
_SET_ASIDE, _SET_ASIDE_BLURS = 0.3, 0.1
"""A mean over all of the length has set such parts aside where it misses so much of what they add, and of the blur."""
_RAMP_PX = 2.0
"""Over this length at the far ends of a row of pixels each counts less and less."""
_FULL = 0.9
"""Share of its rows that a step must hold: rows that lean leave the sampled length on one side of the strip first."""
_CLOSED = 0.25
"""A part that comes down to less than this share of the width as drawn is closed somewhere, which is no width."""
_LONG, _LONG_MM = 0.12, 0.25
"""Share of a strip's length, and length, that dust seldom takes up (common practice, no source)."""
_FEWEST_CLEAR, _CLEAR_BLURS = 8, 2.0
"""Steps of a part that is called even which lie clear of the others' blur at least."""
_ONE_SIDED, _EVEN = 0.15, 0.2
"""How far its middle may lie beside the others', and its width may change within it beyond what theirs does, as shares
of what it is narrower or wider by: of 49 parts that dust and fibres made on rendered strips at 600 dpi hardly one was
as long, as much alike on both edges and as even."""
_BESIDE = 0.65
"""How far the middle of a part with one edge moved may lie beside the others' (a half, and noise)."""
_PRINTED = 0.03
"""How many parts of another width a strip has (an assumption; marks are counted)."""
_ALIKE = 3.0
"""How much more often both edges of a printed part move alike than a mark lies in the middle."""
_LONG_AND_EVEN = 25.0
"""How much more often printed parts are long, even and alike on both edges than parts that marks make (see above)."""
_MARK_BLURS, _AS_STRONG, _AS_LONG, _UNSEEN_MM2 = 1.5, 0.25, 0.5, 10.0
"""Blurs from edges on where marks beside strips are counted, that take at least this share of a part's light over this
share of its steps; half a mark on so much area is thought of before anything is seen (an assumption)."""
_LEAST_CHANCE = 0.05
"""Marks, or parts, that are less likely than this are not thought of."""
_WORTH_SAYING = 0.5
"""Standard uncertainties of a width that being unsure of a part is worth saying from."""


def with_uneven(
    samples: Samples,
    fits: StripFits,
    noise: FloatArray,
    fit: Callable[[Samples, NDArray[np.intp]], StripFits],
    *,
    whole: NDArray[np.bool_],
) -> tuple[StripFits, NDArray[np.bool_]]:
    """Return the fits with the mean widths of strips that are narrower or wider over a part of their length.

    Parameters
    ----------
    samples : Samples
    fits : StripFits
    noise : ndarray of float, shape (n_strips,)
        Standard deviation of one pixel (share solid), as much larger as neighbours' common noise makes that of means.
    fit : callable
        Fits some of the strips, given their samples and indices.
    whole : ndarray of bool, shape (n_strips,)
        Strips that are open (solid) over their length; the others are not looked at, nor are those whose middle is not
        sampled.

    Returns
    -------
    fits : StripFits
        What means have set aside of such parts is in them again, by the chance that these are parts and no marks, which
        the misfit holds.
    unsure : ndarray of bool, shape (n_strips,)
        Strips of which such a part may be either.
    """
    cell, shape = step_of(samples)
    nominal = np.array([strip.width_mm for strip in samples.strips]) * samples.length_scale
    length = np.array([strip.length_mm for strip in samples.strips]) * samples.length_scale
    found: list[tuple[int, _Found]] = []
    beyond, even = np.full(len(nominal), np.nan), np.zeros(len(nominal), dtype=bool)
    beside = _Beside(samples, fits, cell, shape)
    for i, one in enumerate(samples.slices()):
        if not whole[i] or one.stop == one.start or nominal[i] / 2 > INNER_MM:
            continue
        strip = _Strip(
            i=i, one=one, column=cell[one] - i * shape[1], noise=float(noise[i]), sigma_mm=float(fits.sigma_mm[i])
        )
        steps = _steps(samples, fits, strip, shape[1], float(nominal[i]))
        if not steps.full.any():
            continue
        u_mm = strip.noise * steps.per_noise_mm
        runs, middle = _runs(steps, u_mm, strip.sigma_mm, samples.pixel_mm)
        one_found = _parts(samples, fits, strip, steps, runs, middle, float(nominal[i]), float(length[i]), beside)
        beyond[i] = float(steps.width[one_found.counted].mean()) - float(fits.width_mm[i])
        even[i] = not runs
        if len(one_found.chance):
            found.append((i, one_found))
    unsure = np.zeros(len(nominal), dtype=bool)
    if not found:
        return fits, unsure
    # What edges do beyond the model's reach is alike for all strips.
    usual = float(np.median(beyond[even])) if even.sum() >= _FEWEST_EVEN else 0.0
    aside_mm = {i: beyond[i] - usual for i, _ in found}
    # The rest of a strip tells it better by itself, where it is even.
    chosen = np.array([i for i, one_found in found if one_found.isolated], dtype=np.intp)
    if len(chosen):
        rest = np.ones(len(samples.owner), dtype=bool)
        slices = samples.slices()
        for i, one_found in found:
            rest[slices[i]] = ~one_found.apart[cell[slices[i]] - i * shape[1]]
        again = fit(select_samples(samples.only(np.flatnonzero(rest)), chosen), chosen)
        sums = {i: float(one_found.seen_mm.sum()) for i, one_found in found}
        for k, i in enumerate(chosen):
            aside_mm[i] = sums[i] - float(fits.width_mm[i] - again.width_mm[k])
    width, u_width = fits.width_mm.copy(), fits.u_width_mm.copy()
    noise_mm, misfit = fits.parts.noise_mm.copy(), fits.parts.misfit_mm.copy()
    for i, one_found in found:
        added = float(one_found.seen_mm.sum())
        aside = float(np.clip(aside_mm[i] / added, 0.0, 1.0)) if added else 0.0
        least = max(_SET_ASIDE * abs(added), 3 * one_found.u_mm, _SET_ASIDE_BLURS * float(fits.sigma_mm[i]))
        if aside * abs(added) < least:
            aside = 0.0
        adds = aside * one_found.seen_mm + (one_found.all_mm - one_found.seen_mm)
        if not adds.any():
            continue
        width[i] += float((one_found.chance * adds).sum())
        either = float(np.sqrt(((_unsure(one_found.chance) * adds) ** 2).sum()))
        unsure[i] = either / 1.96 > _WORTH_SAYING * u_width[i]
        noise_mm[i], misfit[i] = np.hypot(noise_mm[i], one_found.u_mm), np.hypot(misfit[i], either / 1.96)
        u_width[i] = np.sqrt(u_width[i] ** 2 + one_found.u_mm**2 + (either / 1.96) ** 2)
    parts = replace(fits.parts, noise_mm=noise_mm, misfit_mm=misfit)
    return replace(fits, width_mm=width, u_width_mm=u_width, parts=parts), unsure


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Strip:
    """Which strip, where its pixels are, in which step each lies, their noise and its blur."""

    i: int
    one: slice
    column: NDArray[np.intp]
    noise: float
    sigma_mm: float


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Found:
    """Parts of a strip that are narrower or wider, and which steps are theirs or no mark's.

    Each adds `seen_mm` to the mean over what was sampled and `all_mm` to that over all of the length, and is a part and
    no mark at `chance`; `u_mm` is the standard uncertainty of the mean by noise. `apart` are the steps of parts, which
    are `isolated` where the rest wanders much less or they are next to sure.
    """

    seen_mm: FloatArray
    all_mm: FloatArray
    chance: FloatArray
    u_mm: float
    counted: NDArray[np.bool_]
    apart: NDArray[np.bool_]
    isolated: bool


def _parts(
    samples: Samples,
    fits: StripFits,
    strip: _Strip,
    steps: _Steps,
    runs: list[tuple[int, int]],
    middle_mm: float,
    nominal_mm: float,
    length_mm: float,
    beside: _Beside,
) -> _Found:
    """Return which runs of a strip's steps are parts of another width, by which chance, and what they add."""
    known = np.flatnonzero(steps.full)
    end = max(length_mm / 2 - float(samples.half_length_mm[strip.i]), 0.0)
    counted, apart, parts = steps.full.copy(), np.zeros(len(steps.full), dtype=bool), []
    for first, last in runs:
        part = np.zeros(len(steps.full), dtype=bool)
        part[first : last + 1] = steps.full[first : last + 1]
        counted &= ~part
        if _smoothed(steps.width[part], strip.sigma_mm / samples.pixel_mm).min() < _CLOSED * nominal_mm:
            continue
        if not _like_edges(samples, fits, strip, part, steps):
            continue
        away = float(steps.width[part].mean()) - middle_mm
        core = part & (np.abs(steps.width - middle_mm) > _CORE * abs(away))
        alike = abs(steps.moved(part)) <= _ONE_SIDED * abs(away)
        # Where one edge moved the middle did by a half: what moves it further lies beside the strip.
        if abs(steps.moved(part)) > _BESIDE * abs(away):
            continue
        zone = (float(fits.width_mm[strip.i]) + core.sum() * samples.pixel_mm) * length_mm
        odds = _PRINTED * (_ALIKE if alike else 1.0) / beside.marks(away, int(core.sum()), zone)
        if alike and steps.is_even(core, away, strip.sigma_mm, samples.pixel_mm):
            odds *= _LONG_AND_EVEN
        chance = odds / (1 + odds)
        if chance < _LEAST_CHANCE:
            continue
        counted |= part
        apart |= part
        seen = away * part.sum() / known.size
        reach = part.sum() * samples.pixel_mm + end * (float(first <= known[0]) + float(last >= known[-1]))
        # Where edges wander anyway, those of the ends do too.
        isolated = abs(away) > _ISOLATED * _spread(steps.width[steps.full & ~part])
        parts.append((seen, away * reach / length_mm if isolated else seen, chance, isolated))
    seen_mm, all_mm, chances, each = np.array(parts, dtype=float).reshape(-1, 4).T
    u_mm = strip.noise * steps.per_noise_mm / float(np.sqrt(known.size))
    return _Found(
        seen_mm=seen_mm,
        all_mm=all_mm,
        chance=chances,
        u_mm=u_mm,
        counted=counted,
        apart=apart,
        isolated=len(each) > 0 and bool(np.all((each > 0) | (chances > 1 - _LEAST_CHANCE))),
    )


def _unsure(chance: FloatArray) -> FloatArray:
    """Return what share of parts the reading may be off by: both explanations are held where both are possible."""
    return np.where(chance > 1 - _LEAST_CHANCE, 1 - chance, np.maximum(chance, 1 - chance))


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

    def is_even(self, part: NDArray[np.bool_], away_mm: float, sigma_mm: float, pixel_mm: float) -> bool:
        """Return whether a part is long, and as wide all along as the others are, beyond the reach of their blur."""
        reach = int(np.ceil(_CLEAR_BLURS * sigma_mm / pixel_mm))
        near = np.convolve(self.full & ~part, np.ones(2 * reach + 1, dtype=np.intp))[reach : reach + len(part)]
        clear = part & (near == 0)
        if clear.sum() < _FEWEST_CLEAR or part.sum() < max(_LONG * self.full.sum(), _LONG_MM / pixel_mm):
            return False
        return _spread(self.width[clear]) - _spread(self.width[self.full & ~part]) <= _EVEN * abs(away_mm)


def _smoothed(width: FloatArray, blur_px: float) -> FloatArray:
    n = max(round(2 * blur_px), 3)
    padded = np.pad(width, (n // 2, n - 1 - n // 2), mode="edge")
    return np.asarray(np.convolve(padded, np.ones(n) / n, mode="valid"))


def _steps(samples: Samples, fits: StripFits, strip: _Strip, n_steps: int, nominal_mm: float) -> _Steps:
    i, one, column = strip.i, strip.one, strip.column
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
    full = rows > _FULL * expected
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
    runs = []
    inside = np.zeros(len(known), dtype=bool)
    for sign in (1.0, -1.0):
        away = sign * (smooth - middle)
        off = np.concatenate(([False], away > _SKIRT * least, [False]))
        borders = np.flatnonzero(off[1:] != off[:-1])
        for a, b in zip(borders[::2], borders[1::2], strict=True):
            if (away[a:b] > least).sum() >= _SHORTEST_PX:
                runs.append((int(known[a]), int(known[b - 1])))
                inside[a:b] = True
    if not runs or inside.mean() > _LONGEST:
        return [], 0.0
    return runs, float(width[~inside].mean())


def _like_edges(samples: Samples, fits: StripFits, strip: _Strip, part: NDArray[np.bool_], steps: _Steps) -> bool:
    """Return whether pixels of a part look like a strip whose edges lie elsewhere, and not like dirt on it."""
    i, one, column, sigma = strip.i, strip.one, strip.column, strip.sigma_mm
    blur_px = sigma / samples.pixel_mm
    known = np.flatnonzero(steps.full)
    width, moment = np.zeros((2, len(part)))
    width[known] = np.maximum(_smoothed(steps.width[known], blur_px / 2), 0.0)
    moment[known] = _smoothed(steps.moment[known], blur_px / 2)
    pixels = np.flatnonzero(part[column])
    at = column[pixels]
    d = samples.d_mm[one][pixels]
    seen = samples.solid[one][pixels] - fits.level[i] - fits.slope_per_mm[i] * d
    seen = (seen if samples.strips[i].solid else -seen) / fits.contrast[i]
    half = width[at] / 2
    beside = d - float(fits.centre_mm[i]) - moment[at] / np.maximum(width[at], samples.pixel_mm)
    left = seen - (ndtr((beside + half) / sigma) - ndtr((beside - half) / sigma))
    # Both edges as they run, outwards.
    upper = beside > 0
    place = 2 * np.floor((np.abs(beside) - half) / samples.pixel_mm).astype(np.intp) + upper
    place -= place.min(initial=0)
    count = np.bincount(place)
    mean = np.bincount(place, left) / np.maximum(count, 1)
    told = count > 0.5 * np.median(count[count > 0])
    least = _LIKE_EDGES + _NOISES * strip.noise / abs(float(fits.contrast[i])) / np.sqrt(np.maximum(count, 1))
    return bool(np.all((np.abs(mean) < least)[told]))


class _Beside:
    """What lies on the fields beside strips: light that is missing or too much in steps along them, as a width.

    It is worked out when it is first asked for.
    """

    def __init__(self, samples: Samples, fits: StripFits, cell: NDArray[np.intp], shape: tuple[int, int]) -> None:
        self._given = samples, fits, cell, shape
        self._bands: tuple[FloatArray, float] | None = None

    def marks(self, away_mm: float, n_steps: int, area_mm2: float) -> float:
        """Return how many marks that take so much light over so many steps an area has."""
        if self._bands is None:
            self._bands = _bands(*self._given)
        light_mm, seen_mm2 = self._bands
        marked = np.abs(light_mm) > _AS_STRONG * abs(away_mm)
        n = max(round(_AS_LONG * n_steps), 1)
        # Whether n steps in a row are marked.
        counted = np.cumsum(np.pad(marked, ((0, 0), (1, 0))), axis=1)
        found = np.count_nonzero((counted[:, n:] - counted[:, :-n] == n).any(axis=1)) if n < counted.shape[1] else 0
        return (found + 0.5) / (seen_mm2 + _UNSEEN_MM2) * area_mm2


def _bands(
    samples: Samples, fits: StripFits, cell: NDArray[np.intp], shape: tuple[int, int]
) -> tuple[FloatArray, float]:
    """Return the light of steps along the fields on both sides of strips, shape (n_fields, n_steps), and their area."""
    bands, area = [], 0.0
    for i, one in enumerate(samples.slices()):
        d = samples.d_mm[one]
        away = d - fits.centre_mm[i]
        sigma = float(fits.sigma_mm[i])
        clear = max(float(fits.width_mm[i]), samples.strips[i].width_mm) / 2 + _MARK_BLURS * sigma
        breadth = float(np.abs(away).max(initial=0.0)) - clear
        if breadth < samples.pixel_mm:
            continue
        left = (samples.solid[one] - fits.level[i] - fits.slope_per_mm[i] * d) / fits.contrast[i]
        n = max(round(2 * sigma / samples.pixel_mm), 3)
        for side in (away > clear, away < -clear):
            column = cell[one][side] - i * shape[1]
            count = np.bincount(column, minlength=shape[1])
            seen = count > 0
            if not seen.any():
                continue
            light = np.bincount(column, left[side], shape[1]) / np.maximum(count, 1) * breadth
            light = np.where(seen, light - np.median(light[seen]), 0.0)
            bands.append(np.convolve(light, np.ones(n) / n, mode="same"))
            area += float(seen.sum()) * samples.pixel_mm * breadth
    return np.array(bands).reshape(-1, shape[1]), area
