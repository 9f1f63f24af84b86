"""Where along its length a strip is open (a bar: solid), by a chain of two states that noise hides.

In each step a strip is closed or open, and mostly it is what it was in the step before. Light that is missing over a
step's length and over the contrast is a width: of closed steps nothing but noise and a little that the levels leave, of
open ones the strip's own, which is tried over all that it may be and weighed by how well it explains the steps. What
noise leaves open is then in the share of the length and in its uncertainty.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["OPEN_FROM", "OpenSteps", "follow_openness"]

FloatArray = NDArray[np.float64]
OPEN_FROM = 0.15
"""A slot counts as open (a bar as solid) where its width is at least this share of the nominal one."""
_WIDTHS = np.geomspace(1.25 * OPEN_FROM, 1.5, 8)
_WANDERS, _LEFT = 0.3, 0.05
"""Standard deviation of an open step's width over the mean width, and of a closed one's over the nominal one."""
_FOREIGN, _ROOM = 0.02, 3.0
"""Share of steps that dust or a string may make anything, up to so many nominal widths."""
_CHANGES = 2.0
"""How often a strip changes between open and closed over its length, before anything is known."""


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class OpenSteps:
    """Share of each row that is open, its standard deviation, and the chance of every step to be so."""

    share: FloatArray
    u_share: FloatArray
    chance: FloatArray


def follow_openness(
    width_mm: FloatArray, seen: NDArray[np.bool_], *, nominal_mm: FloatArray, noise_mm: FloatArray
) -> OpenSteps:
    """Return where strips are open.

    Parameters
    ----------
    width_mm : ndarray of float, shape (n, n_steps)
        Width by the light of each step alone.
    seen : ndarray of bool, shape (n, n_steps)
        Steps that are known.
    nominal_mm, noise_mm : ndarray of float, shape (n,)
        Width as drawn; standard deviation of the width in one step.

    Returns
    -------
    OpenSteps

    Notes
    -----
    Hidden Markov chain with forward and backward recursions; mean and variance of the number of open steps are carried
    along exactly by the forward one. Rabiner, Proceedings of the IEEE 77 (1989) 257.
    """
    n, n_steps = width_mm.shape
    count = np.maximum(seen.sum(axis=1), 1)
    change = np.minimum(_CHANGES / count, 0.25)
    emitted = _emitted(width_mm, nominal_mm, noise_mm)
    here, evidence = np.full((2, len(_WIDTHS), n), 0.5), np.zeros((len(_WIDTHS), n))
    first, second = np.zeros((2, 2, len(_WIDTHS), n))
    filtered, ahead = np.empty((2, n_steps, 2, len(_WIDTHS), n))
    is_open = np.array([0.0, 1.0])[:, None, None]
    begun = np.zeros(n, dtype=bool)
    for t in range(n_steps):
        moving = np.where(begun, change, 0.0)
        stays, comes = (1 - moving) * here, moving * here[::-1]
        after = stays + comes
        part = comes / np.maximum(after, 1e-300)
        mean = first + part * (first[::-1] - first)
        square = second + part * (second[::-1] - second)
        weighed = after * emitted[t]
        total = np.maximum(weighed.sum(axis=0), 1e-300)
        known = seen[:, t]
        ahead[t] = after
        here = np.where(known, weighed / total, after)
        evidence += np.where(known, np.log(total), 0.0)
        second = square + np.where(known, is_open * (2 * mean + 1), 0.0)
        first = mean + np.where(known, is_open, 0.0)
        filtered[t] = here
        begun |= known
    weight = np.exp(evidence - evidence.max(axis=0))
    weight /= weight.sum(axis=0)
    mean, square = ((weight * (here * moment).sum(axis=0)).sum(axis=0) for moment in (first, second))
    return OpenSteps(
        share=np.asarray(mean / count),
        u_share=np.sqrt(np.maximum(square - mean**2, 0.0)) / count,
        chance=_smoothed(filtered, ahead, change, weight) * seen,
    )


def _emitted(width_mm: FloatArray, nominal_mm: FloatArray, noise_mm: FloatArray) -> FloatArray:
    """Return the density of each step's width when closed and when open, shape (n_steps, 2, n_widths, n)."""
    open_mm = _WIDTHS[:, None] * nominal_mm
    mean = np.stack((np.zeros_like(open_mm), open_mm))
    spread = np.hypot(np.stack((np.broadcast_to(_LEFT * nominal_mm, open_mm.shape), _WANDERS * open_mm)), noise_mm)
    foreign = _FOREIGN / (_ROOM * nominal_mm + 6 * noise_mm)
    z = (width_mm.T[:, None, None] - mean) / spread
    return np.asarray((1 - _FOREIGN) * np.exp(-0.5 * z**2) / (np.sqrt(2 * np.pi) * spread) + foreign)


def _smoothed(filtered: FloatArray, ahead: FloatArray, change: FloatArray, weight: FloatArray) -> FloatArray:
    """Return the chance of each step to be open when all steps are known, shape (n, n_steps)."""
    n_steps = len(filtered)
    out = np.empty((weight.shape[1], n_steps))
    later = filtered[-1]
    out[:, -1] = (weight * later[1]).sum(axis=0)
    for t in range(n_steps - 2, -1, -1):
        ratio = later / np.maximum(ahead[t + 1], 1e-300)
        later = filtered[t] * ((1 - change) * ratio + change * ratio[::-1])
        later /= np.maximum(later.sum(axis=0), 1e-300)
        out[:, t] = (weight * later[1]).sum(axis=0)
    return out
