"""Whether slots are open, and bars solid, up to their ends: fits leave the ends out, where corners are rounded.

A slot that closes from its ends, or a bar that broke off there, looks whole over the rest. What lies between the fitted
length and where rounding begins is followed by itself; of the little that is left, the outermost step seen decides.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from sharpset.readings.edges.lengthwise import Lengthwise, open_lengths
from sharpset.readings.edges.sampling import Samples, sample_strips
from sharpset.readings.edges.strips import StripFits
from sharpset.readings.features.formed import FORMED_FROM
from sharpset.readings.picture.light import PieceLight
from sharpset.scans.pose import Pose

__all__ = ["with_ends"]

FloatArray = NDArray[np.float64]
_CLEAR_BLURS = 1.5
"""Blur widths before an end within which less than 93 % of a strip's light is seen."""
_FEWEST_STEPS = 3
_LEAST_SEEN = 0.8


def with_ends(
    lengthwise: Lengthwise, light: PieceLight, pose: Pose, samples: Samples, fits: StripFits, noise: FloatArray
) -> Lengthwise:
    """Return the lengthwise results with the share of whole strips that is open (bars: solid).

    Parameters
    ----------
    lengthwise : Lengthwise
        Of the sampled length.
    light : PieceLight
    pose : Pose
    samples : Samples
    fits : StripFits
    noise : ndarray of float, shape (n_strips,)
        Standard deviation of one pixel (share solid).

    Returns
    -------
    Lengthwise
        The share changes where a strip is formed over the sampled length; its uncertainty is that of the whole
        length.
    """
    strips = samples.strips
    whole = np.array([strip.length_mm for strip in strips]) * samples.length_scale
    nominal = np.array([strip.width_mm for strip in strips]) * samples.length_scale
    half = samples.half_length_mm
    end = np.maximum(whole / 2 - half, 0.0)
    # Ends of slots may be round, and lie further in by as much as edges do, or twice that.
    shrunk = np.abs(nominal - fits.width_mm) + np.where(samples.is_bar, 0.0, np.maximum(nominal, fits.width_mm) / 2)
    room = end - shrunk - _CLEAR_BLURS * fits.sigma_mm
    share, left_out = lengthwise.share.copy(), 2 * end / np.maximum(whole, 1e-9)
    unseen = left_out.copy()
    chosen = np.flatnonzero((share >= FORMED_FROM) & (room >= _FEWEST_STEPS * samples.pixel_mm))
    if len(chosen):
        pieces = []
        for side in (-1.0, 1.0):
            for i in chosen:
                strip, scale = strips[i], samples.length_scale[i]
                turn, away = np.radians(strip.angle_deg), side * (half[i] + room[i] / 2) / scale
                pieces.append(
                    replace(
                        strip,
                        x_mm=strip.x_mm + away * np.cos(turn),
                        y_mm=strip.y_mm + away * np.sin(turn),
                        length_mm=room[i] / scale,
                    )
                )
        twice = np.concatenate((chosen, chosen))
        parts = sample_strips(light, pose, pieces, end_mm=0.0)
        is_open, seen = open_lengths(parts, fits.some(twice), noise[twice])
        n_seen = seen.sum(axis=1)
        told = n_seen * samples.pixel_mm >= _LEAST_SEEN * room[twice] - samples.pixel_mm
        ends = np.where(told, _open_part(is_open, seen, room[twice] / end[twice]), share[twice]).reshape(2, -1)
        known = told.reshape(2, -1).mean(axis=0) * room[chosen] / end[chosen]
        share[chosen] = (1 - left_out[chosen]) * share[chosen] + left_out[chosen] * ends.mean(axis=0)
        unseen[chosen] *= 1 - known
    by_ends = unseen * np.sqrt(share * (1 - share) / 2)
    return replace(lengthwise, share=share, u_share=np.hypot(lengthwise.u_share, by_ends))


def _open_part(is_open: NDArray[np.bool_], seen: NDArray[np.bool_], known: FloatArray) -> FloatArray:
    """Return how much of each end is open: the first half of the rows are ends where strips begin, the rest where they
    stop; `known` is the part of the end that was looked at.
    """
    part = is_open.sum(axis=1) / np.maximum(seen.sum(axis=1), 1)
    outermost = np.empty(len(part))
    for i in range(len(part)):
        steps = np.flatnonzero(seen[i])
        outermost[i] = len(steps) > 0 and is_open[i, steps[0] if i < len(part) // 2 else steps[-1]]
    return np.asarray(known * part + (1 - known) * outermost)
