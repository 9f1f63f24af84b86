"""Strips that are open (bars: solid) over a part of their length only: that part is fitted by itself."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sharpset.readings.edges.blur import EdgeSpread
from sharpset.readings.edges.lengthwise import Lengthwise, step_of
from sharpset.readings.edges.profiles import Merged, Profiles, robust_profiles
from sharpset.readings.edges.sampling import Samples
from sharpset.readings.edges.spread import select_samples
from sharpset.readings.edges.strips import StripFits
from sharpset.readings.features.borrowing import fit_own_contrast
from sharpset.readings.features.formed import FORMED_FROM, NOT_FORMED_TO

__all__ = ["FormedParts", "as_placed", "dim_parts", "ends_of_parts", "parts_of", "with_parts"]

FloatArray = NDArray[np.float64]
_FEWEST_STEPS = 5
_KEEP_CLEAR = 2.0
"""Blur widths along the strip that are left out beside what is closed, whose light reaches so far."""
_POOR = 0.5
_DIM, _SURELY, _LEAST_U = 0.85, 3.0, 0.01
"""A part is dim where its contrast is below this share of what slots have, by so many standard uncertainties."""


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class FormedParts:
    """The formed parts of partly formed strips.

    Attributes
    ----------
    chosen : ndarray of int, shape (n,)
        Their indices among the strips of the piece.
    samples : Samples
    profiles : Profiles
    clear_mm : ndarray of float, shape (n,)
        Length of them that was fitted.
    n_borders : ndarray of int, shape (n,)
        Places where they end at something closed.
    """

    chosen: NDArray[np.intp]
    samples: Samples
    profiles: Profiles
    clear_mm: FloatArray
    n_borders: NDArray[np.intp]


def as_placed(samples: Samples, fits: StripFits) -> StripFits:
    """Return fits by which strips are followed along their length.

    The mean profile of a strip that is closed over most of its length says little about the rest: its fitted centre and
    levels may be anywhere. Such strips are followed at their nominal place, on the level that surrounds them.
    """
    nominal = np.array([strip.width_mm for strip in samples.strips]) * samples.length_scale
    poor = np.flatnonzero(fits.width_mm < _POOR * nominal)
    if len(poor) == 0:
        return fits
    centre, level, slope = fits.centre_mm.copy(), fits.level.copy(), fits.slope_per_mm.copy()
    pixels = samples.slices()
    for i in poor:
        outside = np.abs(samples.d_mm[pixels[i]]) > nominal[i] / 2 + 2.5 * fits.sigma_mm[i]
        if outside.any():
            centre[i], slope[i] = 0.0, 0.0
            level[i] = np.median(samples.solid[pixels[i]][outside])
    return replace(fits, centre_mm=centre, level=level, slope_per_mm=slope)


def parts_of(samples: Samples, fits: StripFits, lengthwise: Lengthwise) -> FormedParts | None:
    """Return the formed parts of the partly formed strips; None where there are none.

    Parameters
    ----------
    samples : Samples
    fits : StripFits
    lengthwise : Lengthwise
    """
    partly = (lengthwise.share > NOT_FORMED_TO) & (lengthwise.share < FORMED_FROM)
    cell, shape = step_of(samples)
    inside = np.bincount(cell, minlength=shape[0] * shape[1]).reshape(shape) > 0
    clear = np.zeros(shape, dtype=bool)
    for i in np.flatnonzero(partly):
        reach = int(np.ceil(_KEEP_CLEAR * fits.sigma_mm[i] / samples.pixel_mm))
        # What lies beyond the sampled length is no closed part.
        closed = np.convolve(inside[i] & ~lengthwise.is_open[i], np.ones(2 * reach + 1, dtype=np.intp))
        clear[i] = inside[i] & (closed[reach : reach + shape[1]] == 0)
    chosen = np.flatnonzero(clear.sum(axis=1) >= _FEWEST_STEPS)
    if len(chosen) == 0:
        return None
    some = select_samples(samples.only(np.flatnonzero(clear.ravel()[cell])), chosen)
    return FormedParts(
        chosen=chosen,
        samples=some,
        profiles=robust_profiles(some),
        n_borders=_n_borders(lengthwise.is_open[chosen], inside[chosen]),
        clear_mm=clear.sum(axis=1)[chosen] * samples.pixel_mm,
    )


def _n_borders(is_open: NDArray[np.bool_], inside: NDArray[np.bool_]) -> NDArray[np.intp]:
    """Return how often each row changes between open and closed; beyond the sampled length nothing is known."""
    both = inside[:, 1:] & inside[:, :-1]
    return np.asarray(np.count_nonzero((is_open[:, 1:] != is_open[:, :-1]) & both, axis=1))


def ends_of_parts(lengthwise: Lengthwise, samples: Samples, parts: FormedParts, fits: StripFits) -> Lengthwise:
    """Return the lengthwise results with the uncertainty from what was left out of the formed parts.

    The ends of a strip and what lies beside its closed parts are left out: a mean over them scatters as blocks as long
    as an end do, fewer of which the shorter fitted length holds. Where a part ends it may be round or slanted over half
    of its width, or as far as the blur hides it, and be of any width there from nothing to all.

    Parameters
    ----------
    lengthwise : Lengthwise
    samples : Samples
    parts : FormedParts
    fits : StripFits
        Of all strips, with those of the parts (`with_parts`).
    """
    i = parts.chosen
    length = 2 * samples.half_length_mm[i]
    whole = np.array([samples.strips[k].length_mm for k in i]) * samples.length_scale[i]
    end = np.maximum(whole - length, 0.0) / 2
    by_block = lengthwise.u_ends_mm[i] / np.maximum(2 * end / np.maximum(whole, length), 1e-6)
    by_block /= np.sqrt(0.5 + end / length)
    formed = np.maximum(lengthwise.share[i] * whole, parts.clear_mm)
    left = np.maximum(formed - parts.clear_mm, 1e-6)
    ends = lengthwise.u_ends_mm.copy()
    ends[i] = by_block * left / formed * np.sqrt(np.minimum(end / left, 1.0) + end / parts.clear_mm)
    zone = np.maximum(_KEEP_CLEAR * fits.sigma_mm[i], fits.width_mm[i] / 2)
    by_border = fits.width_mm[i] / np.sqrt(12) * np.minimum(zone / formed, 1.0) * np.sqrt(parts.n_borders)
    ends[i] = np.hypot(ends[i], by_border)
    return replace(lengthwise, u_ends_mm=ends)


def dim_parts(parts: FormedParts, contrast: FloatArray, spread: EdgeSpread) -> NDArray[np.bool_]:
    """Return which parts of slots are so much dimmer than open slots that something thin lies there, or a pit.

    Parameters
    ----------
    parts : FormedParts
    contrast : ndarray of float, shape (n,)
        That open ones of their kind have.
    spread : EdgeSpread
    """
    own = fit_own_contrast(parts.samples, parts.profiles, spread)
    dim = own.contrast + _SURELY * np.maximum(own.u_contrast, _LEAST_U) < _DIM * contrast
    return np.asarray(dim & ~parts.samples.is_bar)


def with_parts(fits: StripFits, profiles: Profiles, parts: FormedParts, again: StripFits) -> tuple[StripFits, Profiles]:
    """Return the fits and profiles of all strips with those of the formed parts in the place of the whole length's."""
    merged: dict[str, Any] = {}
    for name in fits.__dataclass_fields__:
        if name not in ("parts", "faces"):
            merged[name] = _put(getattr(fits, name), parts.chosen, getattr(again, name))
    causes = {
        name: _put(getattr(fits.parts, name), parts.chosen, getattr(again.parts, name))
        for name in fits.parts.__dataclass_fields__
    }
    seen, few = (
        {
            name: _put(getattr(whole, name), parts.chosen, getattr(part, name))
            for name in whole.__dataclass_fields__
            if name != "for_fits"
        }
        for whole, part in ((profiles, parts.profiles), (profiles.merged, parts.profiles.merged))
    )
    profiles = replace(profiles, **seen, for_fits=Merged(**few))
    return replace(fits, **merged, parts=replace(fits.parts, **causes)), profiles


def _put(whole: NDArray[Any], chosen: NDArray[np.intp], part: NDArray[Any]) -> NDArray[Any]:
    """Return a copy with some of the rows replaced; tables are padded to the wider of the two."""
    if whole.ndim == 1:
        out = whole.copy()
        out[chosen] = part
        return out
    width = max(whole.shape[1], part.shape[1])
    out = np.zeros((len(whole), width))
    out[:, : whole.shape[1]] = whole
    out[chosen] = 0.0
    out[chosen, : part.shape[1]] = part
    return out
