"""Dust, fibres and scratches on round holes: found as residuals that hold together over several pixels."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from sharpset.readings.edges.blur import normal_cdf
from sharpset.readings.holes.disc_model import Patches
from sharpset.readings.picture.marks import grown_within, widened
from sharpset.readings.picture.medians import median

__all__ = ["RimScales", "find_marks", "follow_rims", "rim_scales"]

FloatArray = NDArray[np.float64]
_RINGS = 6
"""Rings on either side of an edge that are looked at apart; what is further away is flat."""
_FLAT_RINGS, _NOISIER_INSIDE = 2, 2.0
_FEWEST = 20
_NOISE_LEFT = 0.3
_WANDER_RINGS, _SMEAR, _MOST_WANDERS = 2, 1.5, 4.0
_ROUGHEST, _ROUGHEST_DIRTY = 3.0, 1.25
_PIXEL_LIMIT, _PATCH_LIMIT, _GROW_LIMITS = 5.0, 4.5, (2.0, 3.0, 4.5)
_PATCH, _NEAR = 5, 3
_MOST_OF_RIM, _FAR = 0.6, 6.0
_ENOUGH_VALUES = 1500
_TAIL = 4.0
_CORE_BLURS, _FEWEST_IN_CORE, _OWN_LIGHT = 1.5, 5, 0.03
"""Of a hole's middle: how far inside the edge it begins, from how many pixels on it tells its own light, and by how
much of the contrast that may differ from what was borrowed (depth changes it by a per cent or two)."""


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class RimScales:
    """How far the pixels of holes scatter about the model by their distance from the edge.

    Attributes
    ----------
    ring : ndarray of int, shape (n,)
        Ring of each pixel, 0 well inside to ``2 * 6 - 1`` well outside.
    n_near : list of int, one a hole
        Beyond so many of its pixels all lie in the last ring.
    scale : ndarray of float, shape (n,)
        Robust standard deviation of each pixel's residual, share solid.
    usual : ndarray of float, shape (n_holes,)
        Median of each hole's.
    roughest : ndarray of float, shape (n_holes,)
        How much rougher than the others each hole may be.
    typical : ndarray of float, shape (13,)
        Scatter in the rings of all holes, and how far their rims wander (mm).
    wander_mm : ndarray of float, shape (n_holes,)
        How far each hole's rim wanders, by single pixels.
    """

    ring: NDArray[np.intp]
    n_near: list[int]
    scale: FloatArray
    usual: FloatArray
    roughest: FloatArray
    typical: FloatArray
    wander_mm: FloatArray


def rim_scales(
    patches: Patches,
    p: FloatArray,
    residual: FloatArray,
    *,
    noise: float,
    sigma: float,
    ring_mm: float,
    dirty: NDArray[np.bool_] | None = None,
    typical: FloatArray | None = None,
    marks: NDArray[np.bool_] | None = None,
) -> RimScales:
    """Return the scatter of residuals in rings about the edges of holes.

    Parameters
    ----------
    patches : Patches
    p : ndarray of float, shape (n_holes, 5)
        Centre x and y, radius (mm), level around the hole, contrast.
    residual : ndarray of float, shape (n,)
    noise : float
        Least standard deviation of a pixel.
    sigma : float
        Blur, mm.
    ring_mm : float
        Width of a ring: a pixel, or most of the blur where that is more.
    dirty : ndarray of bool, shape (n_holes,), optional
        Holes that are known to be dirty: what they scatter themselves is hardly heeded.
    typical : ndarray of float, shape (13,), optional
        Of all holes of the scan (see `RimScales`), where these are only some of them.
    marks : ndarray of bool, shape (n,), optional
        Pixels that lie on foreign marks and tell nothing.

    Returns
    -------
    RimScales
        The larger of a ring's own scatter, where it has pixels enough to tell it, and that of all holes: a rough
        rim is no dirt, but nothing counts for more than three times as rough as the others.
    """
    pixels, reach = patches.slices(), max(_FAR * sigma, (_RINGS - 1) * ring_mm)
    # The last ring holds all that is further away.
    n_near = [patches.n_within(i, p[i], reach) for i in range(patches.n_holes)]
    near = [slice(one.start, one.start + n) for one, n in zip(pixels, n_near, strict=True)]
    aways = [_away(patches, one, p[i]) for i, one in enumerate(near)]
    ring = np.full(len(patches.owner), 2 * _RINGS - 1)
    for one, away in zip(near, aways, strict=True):
        ring[one] = np.clip(away / ring_mm + _RINGS, 0, 2 * _RINGS - 1)
    roughest = np.full(patches.n_holes, _ROUGHEST) if dirty is None else np.where(dirty, _ROUGHEST_DIRTY, _ROUGHEST)
    size = np.abs(residual)
    plain = None if marks is None else ~marks
    table = _by_ring(size, ring, patches, n_near, roughest, None if typical is None else typical[:-1], plain)
    # An edge that wanders reaches into rings where it seldom is.
    padded = np.pad(table, ((0, 0), (_WANDER_RINGS, _WANDER_RINGS)))
    widest = np.max([padded[:, k : k + table.shape[1]] for k in range(2 * _WANDER_RINGS + 1)], axis=0)
    square = np.maximum(widest, noise) ** 2
    sizes = [size[one] if plain is None else np.where(plain[one], size[one], np.nan) for one in near]
    wander, of_all = _wander(sizes, aways, p, sigma, roughest, noise, None if typical is None else typical[-1])
    flat = np.sqrt(square[:, -1])
    usual = np.empty(len(p))
    scale = np.repeat(flat, [one.stop - one.start for one in pixels])
    for i, (one, away) in enumerate(zip(near, aways, strict=True)):
        smeared = np.hypot(sigma, _SMEAR * wander[i])
        steep = abs(p[i, 4]) / (np.sqrt(2 * np.pi) * sigma) * wander[i]
        moved = np.exp(away * away * (-1 / smeared**2))
        moved *= steep**2
        moved += square[i].take(ring[one])
        usual[i] = _median_with(np.sqrt(moved, out=scale[one]), flat[i], pixels[i].stop - one.stop)
    return RimScales(
        ring=ring,
        n_near=n_near,
        scale=scale,
        usual=usual,
        roughest=roughest,
        typical=np.append(np.median(table, axis=0), of_all),
        wander_mm=wander,
    )


def _median_with(values: FloatArray, other: float, n_other: int) -> float:
    """Return the median of some values and of another one that is there several times; some thousand of many do."""
    step = max((len(values) + n_other) // _ENOUGH_VALUES, 1)
    values, n_other = values[::step], n_other // step
    n, less = len(values) + n_other, int(np.count_nonzero(values < other))
    if less <= (n - 1) // 2 and n // 2 < less + n_other:
        return other
    return median(np.append(values, np.full(n_other, other)))


def _away(patches: Patches, one: slice, p: FloatArray) -> FloatArray:
    """Return how far a hole's pixels are from its fitted edge, outwards."""
    x, y = patches.x_mm[one] - p[0], patches.y_mm[one] - p[1]
    return np.asarray(np.sqrt(x * x + y * y) - p[2])


def _wander(
    sizes: list[FloatArray],
    aways: list[FloatArray],
    p: FloatArray,
    sigma: float,
    roughest: FloatArray,
    noise: float,
    of_all: float | None,
) -> tuple[FloatArray, float]:
    """Return how far single pixels say that each rim wanders (mm), noise removed, and how far those of all holes do."""
    found = np.zeros(len(p))
    for i, (size, away) in enumerate(zip(sizes, aways, strict=True)):
        steep = np.flatnonzero((np.abs(away) < sigma) & np.isfinite(size))
        if len(steep):
            per_light = np.exp(0.5 * (away[steep] / sigma) ** 2) * (np.sqrt(2 * np.pi) * sigma)
            seen, by_noise = 1.4826 * median(size[steep] * per_light), noise * median(per_light)
            beyond = max(seen**2 - by_noise**2, (_NOISE_LEFT * by_noise) ** 2)
            found[i] = np.sqrt(beyond) / max(abs(float(p[i, 4])), 0.1)
    typical = float(np.median(found)) if of_all is None else of_all
    return np.minimum(found, roughest * typical), typical


def _by_ring(
    size: FloatArray,
    ring: NDArray[np.intp],
    patches: Patches,
    near: Sequence[int],
    roughest: FloatArray,
    typical: FloatArray | None = None,
    plain: NDArray[np.bool_] | None = None,
) -> FloatArray:
    """Return the scaled median of `size` over each ring of each hole, shape (n_holes, n_rings).

    Beyond the first `near` pixels of each hole all lie in the last ring.
    """
    n_rings = 2 * _RINGS
    rings = np.arange(n_rings)
    table = np.full((patches.n_holes, n_rings), np.nan)
    enough = np.zeros(table.shape, dtype=bool)
    most = max(float(size.max(initial=0.0)), 1e-12)
    for i, (one, n_near) in enumerate(zip(patches.slices(), near, strict=True)):
        own, place, sizes = ring[one.start : one.start + n_near], patches.place[one], size[one]
        inner, flat, in_rows = own < n_rings - 1, np.ones(len(sizes), dtype=bool), np.empty(len(sizes))
        in_rows[place] = sizes
        if plain is not None:
            flat[place] = plain[one]
        flat[place[:n_near][inner]] = False
        if plain is not None:
            inner &= plain[one][:n_near]
        kept = np.flatnonzero(inner)
        own = own.take(kept)
        count = np.bincount(own, minlength=n_rings)
        # Of the many pixels in the flat plate around a hole every fourth says enough.
        few = in_rows[flat][::4]
        count[-1] = len(few)
        # Sorted by rings and within them: sizes are a half of the step between two rings at most.
        values = np.concatenate((sizes.take(kept), few))
        values *= 0.5 / most
        values[: len(kept)] += own
        values[len(kept) :] += n_rings - 1
        values.sort()
        first, known = np.cumsum(count) - count, count > 0
        middle = [values[(first + half)[known]] for half in ((count - 1) // 2, count // 2)]
        table[i, known] = 1.4826 * most * (middle[0] + middle[1] - 2 * rings[known])
        enough[i] = count >= _FEWEST
    if typical is None:
        typical = np.array([_typical(table[:, k], enough[:, k]) for k in range(n_rings)])
        # Few holes are large enough to have a flat middle, and dust may fill it: it is not much noisier than the plate.
        typical[:_FLAT_RINGS] = np.minimum(typical[:_FLAT_RINGS], _NOISIER_INSIDE * typical[-1])
    # Only what lies near an edge is made uneven by the edge's own wandering.
    rougher = np.tile(roughest[:, None], (1, n_rings))
    rougher[:, [*range(_FLAT_RINGS), *range(n_rings - _FLAT_RINGS, n_rings)]] = _ROUGHEST_DIRTY
    return np.asarray(np.clip(np.where(enough, table, 0.0), typical, rougher * typical))


def _typical(values: FloatArray, enough: NDArray[np.bool_]) -> float:
    """Return the median over holes, of those with pixels enough where there are some."""
    known = values[enough] if enough.sum() >= 3 else values[np.isfinite(values)]
    return float(np.median(known)) if len(known) else 0.0


def find_marks(
    patches: Patches, p: FloatArray, residual: FloatArray, scales: RimScales, *, sigma: float
) -> NDArray[np.bool_]:
    """Return which pixels around holes lie on foreign marks.

    Parameters
    ----------
    patches : Patches
    p : ndarray of float, shape (n_holes, 5)
    residual : ndarray of float, shape (n,)
    scales : RimScales
    sigma : float
        Blur, mm.

    Returns
    -------
    ndarray of bool, shape (n,)

    Notes
    -----
    Marks start from single pixels from five spreads on and from patches of five by five from four and a half of their
    own spread on. They grow over the pixels beside them whose own three by three are beyond two spreads, and by one
    pixel more: the faint skirts of a mark shift an edge. Where a hole would lose more than 60 % of its rim, marks grow
    less; where that does not help it is left alone, as that is no dust but how the hole was formed. Marks on the
    plate further than six blurs from the edge do no harm.
    """
    z = follow_rims(patches, p, residual, scales, sigma=sigma)[0] / scales.scale
    wide = np.abs(_sums(patches, z, _PATCH))
    table = np.maximum(_by_ring(wide, scales.ring, patches, scales.n_near, scales.roughest), 1.0)
    together = table.ravel()[patches.owner * 2 * _RINGS + scales.ring]
    seed = (np.abs(z) > _PIXEL_LIMIT) | (wide > _PATCH_LIMIT * together)
    marks = np.zeros(len(z), dtype=bool)
    for i, one in enumerate(patches.slices()):
        if not seed[one].any():
            continue
        away = _away(patches, one, p[i])
        if not (seed[one] & (away < _FAR * sigma)).any():
            continue
        rim = np.abs(away) < sigma
        at = (patches.row[one], patches.column[one])
        # Noise that neighbours share shows in patches of five by five at least as much as in those of three by three.
        near = np.abs(_sum(z[one], at, _NEAR)) / together[one]
        for limit in _GROW_LIMITS:
            seeds, beyond = (_image(values, at) for values in (seed[one], seed[one] | (near > limit)))
            grown = widened(grown_within(seeds, beyond))[at]
            if not rim.any() or grown[rim].mean() <= _MOST_OF_RIM:
                marks[one] = grown
                break
    return marks


def follow_rims(
    patches: Patches, p: FloatArray, residual: FloatArray, scales: RimScales, *, sigma: float
) -> tuple[FloatArray, FloatArray]:
    """Lay each sector's edge where its light says, as far as edges wander.

    The light that a sector lacks beyond the model's, over its arc, is how much further out its edge lies. What the
    middle of a hole has more or less than was borrowed is no mark either.

    Returns
    -------
    residual : ndarray of float, shape (n,)
        What is left then.
    cost : ndarray of float, shape (n_holes,)
        Minus twice the logarithm of how likely sectors are displaced so (Student's t about what rims wander usually).
    """
    out, cost = residual.copy(), np.zeros(patches.n_holes)
    usual = max(float(scales.typical[-1]), 1e-9)
    for i, one in enumerate(patches.slices()):
        wander = float(scales.wander_mm[i])
        most, reach = _MOST_WANDERS * wander, 3 * sigma + 2 * wander
        # Further away no edge that is moved so far makes a difference.
        far = max(reach, _FAR * sigma + most)
        away = _away(patches, slice(one.start, one.start + patches.n_within(i, p[i], far)), p[i])
        touched = np.flatnonzero(np.abs(away) < far)
        away = away[touched]
        x, y = patches.x_mm[one][touched] - p[i, 0], patches.y_mm[one][touched] - p[i, 1]
        near = np.abs(away) < reach
        n = int(np.clip(2 * np.pi * p[i, 2] / (2 * sigma), 1, 400))
        sector = ((np.arctan2(y, x) + np.pi) / (2 * np.pi) * n).astype(np.intp) % n
        count = np.maximum(np.bincount(sector[near], minlength=n), 1)
        # A mean over the width that is looked at, times that width.
        missing = -np.bincount(sector[near], residual[one][touched][near], n) / count
        shift = missing * (reach + np.minimum(reach, p[i, 2])) / max(abs(float(p[i, 4])), 0.1)
        moved = np.clip(shift, -most, most)
        cost[i] = (_TAIL + 1) * float(np.sum(np.log1p((moved / usual) ** 2 / _TAIL)))
        inside = normal_cdf(-away / sigma)
        out[one.start + touched] += p[i, 4] * (normal_cdf((moved[sector] - away) / sigma) - inside)
        middle = touched[away < -_CORE_BLURS * sigma]
        if len(middle) >= _FEWEST_IN_CORE:
            own = float(np.clip(median(residual[one][middle]), -_OWN_LIGHT, _OWN_LIGHT))
            out[one.start + touched] -= own * inside
    return out, cost


def _image(values: NDArray[Any], at: tuple[NDArray[np.intp], NDArray[np.intp]]) -> NDArray[Any]:
    image = np.zeros((at[0].max() + 1, at[1].max() + 1), dtype=values.dtype)
    image[at] = values
    return image


def _sums(patches: Patches, z: FloatArray, size: int) -> FloatArray:
    """Return sums over the square about each pixel in spreads of as many independent pixels."""
    return np.concatenate([_sum(z[one], (patches.row[one], patches.column[one]), size) for one in patches.slices()])


def _sum(z: FloatArray, at: tuple[NDArray[np.intp], NDArray[np.intp]], size: int) -> FloatArray:
    sums = cv2.boxFilter(_image(z, at), -1, (size, size), normalize=False, borderType=cv2.BORDER_CONSTANT)
    return np.asarray(sums[at] / size)
