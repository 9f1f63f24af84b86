"""Profiles across straight features: robust means along the feature, in fine steps across it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sharpset.readings.edges.sampling import Samples
from sharpset.readings.picture.medians import group_of, row_medians

__all__ = ["LEAST_NOISE", "Merged", "Profiles", "noise_share", "robust_profiles"]

FloatArray = NDArray[np.float64]
_STEPS_PER_PIXEL = 3
_FINE_PX = 9.0
LEAST_NOISE = 2e-3
"""Of one pixel, as a share of the contrast: pictures may be free of noise, models are not free of error."""


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Merged:
    """Profiles with steps of a pixel where they are flat.

    Attributes
    ----------
    d_mm, solid, n_pixels : ndarray of float, shape (n_strips, n_steps)
        As in `Profiles`.
    within : ndarray of float, shape (n_strips,)
        Sum of squares, weighed by pixels, of the share solid of fine steps about that of the step they were merged
        to.
    n_steps : ndarray of int, shape (n_strips,)
        How many fine steps there were.
    """

    d_mm: FloatArray
    solid: FloatArray
    n_pixels: FloatArray
    within: FloatArray
    n_steps: NDArray[np.intp]

    def some(self, chosen: NDArray[np.intp]) -> Merged:
        """Return some of them."""
        n_pixels = self.n_pixels[chosen]
        most = int((n_pixels > 0).sum(axis=1).max(initial=1))
        return Merged(
            d_mm=self.d_mm[chosen, :most],
            solid=self.solid[chosen, :most],
            n_pixels=n_pixels[:, :most],
            within=self.within[chosen],
            n_steps=self.n_steps[chosen],
        )


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Profiles:
    """Mean light across each strip.

    Attributes
    ----------
    d_mm : ndarray of float, shape (n_strips, n_bins)
        Mean position of the pixels of each step.
    solid : ndarray of float, shape (n_strips, n_bins)
        Robust mean share solid.
    n_pixels : ndarray of float, shape (n_strips, n_bins)
        Weight of each step in pixels; 0 where there is none.
    noise : ndarray of float, shape (n_strips,)
        Standard deviation of one pixel about the profile, where the profile is flat.
    dirty : ndarray of float, shape (n_strips,)
        Share of pixels that were set aside as dust, fibres or other foreign marks.
    pixel_noise : ndarray of float, shape (n_strips,), optional
        As `noise`, but the median of the steps, each by itself. `noise` heeds the noisiest of a step's neighbours, so
        that nothing is taken for dirt too easily, which overrates it by up to a half where steps hold few pixels.
    for_fits : Merged, optional
        The same in fewer steps.
    """

    d_mm: FloatArray
    solid: FloatArray
    n_pixels: FloatArray
    noise: FloatArray
    dirty: FloatArray
    pixel_noise: FloatArray | None = None
    for_fits: Merged | None = None

    @property
    def merged(self) -> Merged:
        """The profiles as fits take them."""
        if self.for_fits is not None:
            return self.for_fits
        n_steps = (self.n_pixels > 0).sum(axis=1)
        return Merged(
            d_mm=self.d_mm, solid=self.solid, n_pixels=self.n_pixels, within=np.zeros(len(n_steps)), n_steps=n_steps
        )

    def some(self, chosen: NDArray[np.intp]) -> Profiles:
        """Return the profiles with the given indices."""
        return Profiles(
            d_mm=self.d_mm[chosen],
            solid=self.solid[chosen],
            n_pixels=self.n_pixels[chosen],
            noise=self.noise[chosen],
            dirty=self.dirty[chosen],
            pixel_noise=None if self.pixel_noise is None else self.pixel_noise[chosen],
            for_fits=None if self.for_fits is None else self.for_fits.some(chosen),
        )


def robust_profiles(samples: Samples, *, least_noise: FloatArray | float = 0.0) -> Profiles:
    """Average the pixels of each strip along its length.

    Each step's mean is a redescending M-mean (weight 1 to 2.5 spreads, 0 from 5) about its median.
    The spread is the step's own, so that a rough edge is not mistaken for dirt, but not less than
    the strip's typical one.
    """
    step = samples.pixel_mm / _STEPS_PER_PIXEL
    pixels = samples.slices()
    reach = np.array([np.abs(samples.d_mm[one]).max(initial=0.0) for one in pixels])
    shape = (len(pixels), int(np.ceil(2 * reach.max() / step)) + 2)
    # Strip by strip, as the pixels of one stay in the processor's cache.
    groups = []
    median, spread = np.zeros(shape), np.full(shape, np.nan)
    for i, one in enumerate(pixels):
        column = np.floor((samples.d_mm[one] + reach[i]) / step).astype(np.intp)
        groups.append(group := group_of(column, shape[1]))
        median[i, group.cells], spread[i, group.cells] = group.median_and_spread(samples.solid[one])
    single = row_medians(np.nan_to_num(spread), spread > 0)
    spread = _smooth_spread(spread)
    total, mean, place, dropped = np.zeros((4, *shape))
    for i, (one, group) in enumerate(zip(pixels, groups, strict=True)):
        cells, solid, d_mm = group.cells, samples.solid[one].take(group.members), samples.d_mm[one].take(group.members)
        weight = (5.0 - np.abs(solid - median[i, cells, None]) / spread[i, cells, None]) / 2.5
        weight = np.clip(weight, 0.0, 1.0) * group.is_member
        total[i, cells] = weight.sum(axis=1)
        mean[i, cells] = np.einsum("ij,ij->i", weight, solid)
        place[i, cells] = np.einsum("ij,ij->i", weight, d_mm)
        dropped[i, cells] = group.counts - (weight >= 0.5).sum(axis=1)
    safe = np.maximum(total, 1e-12)
    counts = np.bincount(samples.owner, minlength=shape[0])
    means = mean / safe if samples.true_means is None else samples.true_means.of(mean / safe)
    d_mm, solid, n_pixels = _packed(total > 0.5, place / safe, means, total)
    half_mm = np.array([strip.width_mm for strip in samples.strips]) * samples.length_scale / 2
    return Profiles(
        d_mm=d_mm,
        solid=solid,
        n_pixels=n_pixels,
        noise=np.maximum(_flat_noise(spread, total), least_noise),
        dirty=dropped.sum(axis=1) / np.maximum(counts, 1),
        pixel_noise=single,
        for_fits=_merged(d_mm, solid, n_pixels, half_mm, samples.pixel_mm),
    )


def _merged(d_mm: FloatArray, solid: FloatArray, n_pixels: FloatArray, half_mm: FloatArray, pixel_mm: float) -> Merged:
    """Merge the steps of each pixel further than nine pixels from where edges were drawn.

    There a profile is flat, or so blurred that a pixel more or less makes no difference: fits take less time and find
    the same.
    """
    filled = n_pixels > 0
    far = filled & (np.abs(np.abs(d_mm) - half_mm[:, None]) > _FINE_PX * pixel_mm)
    pixel = np.where(far, np.floor(d_mm / pixel_mm), np.nan)
    begins = filled.copy()
    begins[:, 1:] &= pixel[:, 1:] != pixel[:, :-1]
    step = np.cumsum(begins, axis=1) - 1
    shape = (len(d_mm), int(step.max(initial=0)) + 1)
    cell = (step + np.arange(shape[0])[:, None] * shape[1]).ravel()

    def total(values: FloatArray) -> FloatArray:
        return np.asarray(np.bincount(cell, values.ravel(), shape[0] * shape[1]).reshape(shape))

    counts = total(n_pixels)
    safe = np.maximum(counts, 1e-12)
    mean = total(n_pixels * solid) / safe
    within = n_pixels * (solid - mean.ravel()[cell].reshape(solid.shape)) ** 2
    return Merged(
        d_mm=total(n_pixels * d_mm) / safe,
        solid=mean,
        n_pixels=counts,
        within=within.sum(axis=1),
        n_steps=filled.sum(axis=1),
    )


def noise_share(profiles: Profiles) -> float:
    """Return how much of the noise that profiles state single pixels have, 1 at most (median over strips)."""
    if profiles.pixel_noise is None or len(profiles.noise) == 0:
        return 1.0
    stated, single = (np.maximum(noise, LEAST_NOISE) for noise in (profiles.noise, profiles.pixel_noise))
    return min(float(np.median(single / stated)), 1.0)


def _packed(filled: NDArray[np.bool_], *tables: FloatArray) -> list[FloatArray]:
    """Return tables with the filled steps of each row moved to its left end, zeros behind them."""
    order = np.argsort(~filled, axis=1, kind="stable")[:, : int(filled.sum(axis=1).max())]
    kept = np.take_along_axis(filled, order, axis=1)
    return [np.asarray(np.where(kept, np.take_along_axis(table, order, axis=1), 0.0)) for table in tables]


def _smooth_spread(spread: FloatArray) -> FloatArray:
    """Return each step's spread: the largest of it, its neighbours and the strip's median one."""
    filled = np.where(np.isfinite(spread), spread, 0.0)
    typical = row_medians(filled, filled > 0, empty=0.01)[:, None]
    padded = np.pad(filled, ((0, 0), (4, 4)))
    near = np.max([padded[:, k : k + spread.shape[1]] for k in range(9)], axis=0)
    return np.asarray(np.maximum(np.maximum(near, typical), 1e-4))


def _flat_noise(spread: FloatArray, total: FloatArray) -> FloatArray:
    """Return the typical spread of the quieter half of the steps of each strip: that which three tenths stay below."""
    known = total > 0.5
    ordered = np.sort(np.where(known, spread, np.inf), axis=1)
    place = 0.3 * np.maximum(known.sum(axis=1) - 1, 0)
    low = np.floor(place).astype(np.intp)
    high = np.minimum(low + 1, spread.shape[1] - 1)
    below, above = (np.take_along_axis(ordered, k[:, None], axis=1)[:, 0] for k in (low, high))
    share = place - low
    return np.where(known.any(axis=1), below + np.where(share > 0, share * (above - below), 0.0), np.nan)
