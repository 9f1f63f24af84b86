"""Lines of a ruled sheet that run across the place of a bar: they go on beside it, which nothing printed there does."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sharpset.readings.edges.lengthwise import step_of
from sharpset.readings.features.fitting import FeatureFits
from sharpset.readings.features.formed import FORMED_FROM, NOT_FORMED_TO

__all__ = ["crossed_by_lines"]

_CLEAR_BLURS = 2.5
_ALIKE, _SURE = 0.5, 5.0
"""Share of what stands at the bar's place that is seen on both sides of it, and how many times its noise."""
_SAME = (0.7, 1.4)
"""The same where one side alone shows it, as a line at a slant may be out of sight on the other: as dark there too."""
_FEWEST = 3


def crossed_by_lines(fits: FeatureFits) -> NDArray[np.bool_]:
    """Return which strips are bars that seem solid over a part of their length only as lines run across them.

    Parameters
    ----------
    fits : FeatureFits

    Returns
    -------
    ndarray of bool, shape (n_strips,)

    Notes
    -----
    A line that crosses at a slant is seen on one side further on than on the other: the highest mean of as many steps
    as are solid is looked for on each side, over that side's median, which neighbouring bars may raise.
    """
    samples, lengthwise = fits.strips.samples, fits.lengthwise
    found = np.zeros(len(samples.strips), dtype=bool)
    partly = samples.is_bar & (lengthwise.share > NOT_FORMED_TO) & (lengthwise.share < FORMED_FROM)
    # What is said not to have formed has not, with or without a line.
    partly &= np.array([word != "no" for word in fits.strip_verdicts.formed])
    cell, shape = step_of(samples)
    pixels = samples.slices()
    for i in np.flatnonzero(partly):
        step, d_mm, solid = cell[pixels[i]] - i * shape[1], samples.d_mm[pixels[i]], samples.solid[pixels[i]]
        half = samples.strips[i].width_mm * samples.length_scale[i] / 2
        clear = half + _CLEAR_BLURS * fits.strip_fits.sigma_mm[i]
        seen = lengthwise.is_open[i]
        middle = np.abs(d_mm) <= max(half, samples.pixel_mm / 2)
        there = middle & seen[step]
        sides = [side * d_mm > clear for side in (-1, 1)]
        if not there.any() or not all(side.any() for side in sides):
            continue
        length = min(max(_longest(seen), _FEWEST), shape[1] // 3)
        stands = float(np.mean(solid[there]) - np.median(solid[sides[0] | sides[1]]))
        noise = float(fits.strips.profiles.noise[i])
        beside = [_beside(step[side], solid[side], shape[1], length, noise) / max(stands, noise) for side in sides]
        found[i] = min(beside) > _ALIKE or any(_SAME[0] < one < _SAME[1] for one in beside)
    return found


def _beside(step: NDArray[np.intp], solid: NDArray[np.float64], n_steps: int, length: int, noise: float) -> float:
    """Return the highest mean of so many steps beside a bar over their median; 0 where noise may make it."""
    window = np.ones(length)
    total = np.convolve(np.bincount(step, solid - np.median(solid), n_steps), window, "valid")
    count = np.convolve(np.bincount(step, minlength=n_steps), window, "valid")
    usable = count >= 0.5 * count.max()
    highest = int(np.argmax(np.where(usable, total / np.maximum(count, 1), -np.inf)))
    mean = total[highest] / count[highest]
    return float(mean) if mean > _SURE * noise / np.sqrt(count[highest]) else 0.0


def _longest(seen: NDArray[np.bool_]) -> int:
    """Return the length of the longest run of steps."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], seen.astype(np.int8), [0]))))
    return int(np.max(edges[1::2] - edges[::2])) if len(edges) else 0
