"""A second look at rough and dirty strips: edges laid straight, foreign marks taken off, widths fitted again."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sharpset.errors import ReadingError
from sharpset.readings.edges.blur import EdgeSpread
from sharpset.readings.edges.dust import find_dust, foreign_light
from sharpset.readings.edges.near_edges import NearEdges, first_wander, near_edges
from sharpset.readings.edges.profiles import Profiles, robust_profiles
from sharpset.readings.edges.sampling import Samples
from sharpset.readings.edges.spread import edge_left_over, measure_edge_spread, select_samples, wide_edges
from sharpset.readings.edges.straightening import Straightened, straighten
from sharpset.readings.edges.strips import LeftOver, StripFits

__all__ = ["SecondLook", "improved", "look_again"]

FloatArray = NDArray[np.float64]
_ROUGH = 0.35
_MARK = 5.0
_CLEANINGS = 3
_ALLOWED = 2.0
"""How many spreads of its wandering an edge may still be away before what is left counts as a foreign mark."""


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class SecondLook:
    """Those strips of a piece that are rough or dirty, straightened and cleaned.

    Attributes
    ----------
    chosen : ndarray of int, shape (n,)
        Their indices among the strips of the piece.
    samples : Samples
    profiles : Profiles
    spread : EdgeSpread
        Edge spread without the roughness of edges, where enough of the strips are wide.
    left_over : LeftOver or None
        What it does not describe of their edges, likewise.
    straightened : Straightened
    dust_share : ndarray of float, shape (n,)
        Share of each strip's pixels that lay on foreign marks.
    """

    chosen: NDArray[np.intp]
    samples: Samples
    profiles: Profiles
    spread: EdgeSpread
    left_over: LeftOver | None
    straightened: Straightened
    dust_share: FloatArray


def look_again(
    samples: Samples,
    fits: StripFits,
    spread: EdgeSpread,
    noise: FloatArray,
    *,
    whole: NDArray[np.bool_],
    n_wide: int = 0,
) -> SecondLook | None:
    """Straighten rough strips and take foreign marks off dirty ones.

    Parameters
    ----------
    samples : Samples
    fits : StripFits
        Of the mean profiles.
    spread : EdgeSpread
    noise : ndarray of float, shape (n_strips,)
        Standard deviation of one pixel (share solid) where the strip is flat.
    whole : ndarray of bool, shape (n_strips,)
        Strips that are open (solid) over their length; of the others nothing is taken for dust.
    n_wide : int
        Of how many strips `spread` is the mean.

    Returns
    -------
    SecondLook or None
        None where no strip is rough or dirty.
    """
    noise = np.maximum(noise, 2e-3)
    near = near_edges(samples, fits, spread)
    first = _first_sight(samples, fits, near, noise)
    chosen = np.flatnonzero((first.rough | first.dirty) & whole)
    if len(chosen) == 0:
        return None
    part = select_samples(samples, chosen)
    near = near.some(chosen, samples, part)
    samples, fits, noise = part, fits.some(chosen), noise[chosen]
    loose = first.wander_mm[chosen]
    straight = straighten(samples, fits, spread, noise, near=near, loose_mm=loose)
    dust, light = np.zeros(len(samples.solid), dtype=bool), np.zeros(len(samples.solid))
    suspect = np.arange(len(chosen) if first.dirty[chosen].any() else 0)
    for _ in range(_CLEANINGS):
        more, residual = _more_dust(samples, fits, near, straight, noise, suspect)
        more &= ~dust
        if not more.any():
            break
        dust |= more
        some = samples.pixels_of(suspect)
        light[some] = foreign_light(select_samples(samples, suspect), residual, dust[some])
        # Only where a mark was found may its skirts show next.
        suspect = np.unique(samples.owner[more])
        moving = np.union1d(suspect, np.flatnonzero(straight.moving))
        part = select_samples(samples, moving)
        again = straighten(
            part,
            fits.some(moving),
            spread,
            noise[moving],
            near=near.some(moving, samples, part),
            loose_mm=loose[moving],
            dust=dust[samples.pixels_of(moving)],
            foreign=light[samples.pixels_of(moving)],
            before=straight.some(moving, part),
        )
        straight = straight.with_some(moving, again)
    dust |= straight.hidden
    kept = _without(straight.samples, dust)
    profiles = robust_profiles(kept, least_noise=noise)
    # Where few of these strips are wide, the blur of all strips says more.
    left_over = None
    with contextlib.suppress(ReadingError):
        edges = wide_edges(kept, profiles)
        if 2 * len(edges.samples.strips) >= n_wide:
            spread = measure_edge_spread(edges)
        left_over = edge_left_over(edges, spread)
    counts = np.bincount(samples.owner, minlength=len(chosen))
    return SecondLook(
        chosen=chosen,
        samples=kept,
        profiles=profiles,
        spread=spread,
        left_over=left_over,
        straightened=straight,
        dust_share=np.bincount(samples.owner, dust, len(chosen)) / np.maximum(counts, 1),
    )


def improved(fits: StripFits, second: SecondLook, again: StripFits) -> StripFits:
    """Return the fits with widths, centres and their uncertainties from the second look.

    Parameters
    ----------
    fits : StripFits
        Of all strips, by their mean profiles.
    second : SecondLook
    again : StripFits
        Of the chosen strips, by their straightened profiles.

    Returns
    -------
    StripFits
        A second fit that lands more than the blur away from the first is not taken.
    """
    width = again.width_mm + second.straightened.mean_width_mm
    centre = again.centre_mm + second.straightened.mean_centre_mm
    near = np.abs(width - fits.width_mm[second.chosen]) < fits.sigma_mm[second.chosen]
    taken = second.chosen[near]

    def merged(first: FloatArray, new: FloatArray) -> FloatArray:
        out = first.copy()
        out[taken] = new[near]
        return out

    parts = {
        name: merged(getattr(fits.parts, name), getattr(again.parts, name)) for name in fits.parts.__dataclass_fields__
    }
    return replace(
        fits,
        width_mm=merged(fits.width_mm, width),
        centre_mm=merged(fits.centre_mm, centre),
        u_width_mm=merged(fits.u_width_mm, again.u_width_mm),
        u_centre_mm=merged(fits.u_centre_mm, again.u_centre_mm),
        misfit=merged(fits.misfit, again.misfit),
        parts=replace(fits.parts, **parts),
    )


def _without(samples: Samples, dropped: NDArray[np.bool_]) -> Samples:
    if not dropped.any():
        return samples
    return samples.only(np.flatnonzero(~dropped))


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _FirstSight:
    """Which strips have edges that wander beyond the noise, and which have pixels that nothing explains."""

    rough: NDArray[np.bool_]
    dirty: NDArray[np.bool_]
    wander_mm: FloatArray


def _first_sight(samples: Samples, fits: StripFits, near: NearEdges, noise: FloatArray) -> _FirstSight:
    wander = first_wander(near, samples, fits, noise)
    steepest = np.abs(fits.contrast) / (fits.sigma_mm * np.sqrt(2 * np.pi))
    left = _unexplained(samples, fits, near, wander, np.arange(len(noise)))
    marks = np.array([np.count_nonzero(np.abs(one.surely) > _MARK * noise[one.strip]) for one in left])
    return _FirstSight(rough=wander * steepest > _ROUGH * noise, dirty=marks >= 2, wander_mm=wander)


def _more_dust(
    samples: Samples,
    fits: StripFits,
    near: NearEdges,
    straight: Straightened,
    noise: FloatArray,
    suspect: NDArray[np.intp],
) -> tuple[NDArray[np.bool_], FloatArray]:
    """Return which pixels of the suspect strips lie on foreign marks, as far as their edges are followed now.

    Also what is left unexplained of the suspect strips' pixels.
    """
    found = np.zeros(len(samples.solid), dtype=bool)
    if len(suspect) == 0:
        return found, np.zeros(0)
    wander = np.sqrt(straight.prior.variance.mean(axis=0))
    left = list(_unexplained(straight.samples, fits, near, wander, suspect))
    residual, surely = (np.concatenate([getattr(one, name) for one in left]) for name in ("residual", "surely"))
    some = select_samples(samples, suspect)
    found[samples.pixels_of(suspect)] = find_dust(some, residual, noise[suspect], surely=surely)
    return found, residual


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Unexplained:
    """What the model leaves of each pixel of a strip, and how much of it no wandering of the edges explains.

    An edge that wanders may leave something if it is not followed well enough.
    """

    strip: int
    residual: FloatArray
    surely: FloatArray


def _unexplained(
    samples: Samples, fits: StripFits, near: NearEdges, wander_mm: FloatArray, chosen: NDArray[np.intp]
) -> Iterator[_Unexplained]:
    """Go through some of the strips one by one, as the pixels of one stay in the processor's cache."""
    sign = np.where(samples.is_bar, 1.0, -1.0)
    pixels, close = samples.slices(), near.slices(len(samples.strips))
    for i in chosen:
        one, at = pixels[i], close[i]
        index = near.index[at] - one.start
        width, centre, height = fits.width_mm[i], fits.centre_mm[i], sign[i] * fits.contrast[i]
        d_mm = samples.d_mm[one]
        residual = samples.solid[one] - (fits.level[i] + fits.slope_per_mm[i] * d_mm)
        shown = residual[index] - near.fitted[at]
        residual -= np.where(np.abs(d_mm - centre) < width / 2, height, 0.0)
        residual[index] = shown
        wander = _ALLOWED * wander_mm[i]
        away = np.abs(np.abs(near.d[at] - centre) - width / 2)
        smeared = np.hypot(fits.sigma_mm[i], wander)
        steepest = abs(height) / (np.sqrt(2 * np.pi) * fits.sigma_mm[i])
        allowed = wander * steepest * np.exp(-0.5 * (away / smeared) ** 2)
        surely = residual.copy()
        surely[index] = np.sign(shown) * np.maximum(np.abs(shown) - allowed, 0.0)
        yield _Unexplained(strip=int(i), residual=residual, surely=surely)
