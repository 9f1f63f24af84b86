"""What pixels at the end of the scale stand for, where noise reaches beyond it.

A ground near black is noisy on both sides of its light, but nothing is stored below zero: its mean comes out too
bright, and that of edges near it too, as though the file had another curve. Level and noise show in the part of its
pixels that lies above; those that were cut off stand for the mean of what lies below. Where light rises towards an edge
fewer are cut off and stand for more, which means of many pixels are freed of.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import log_ndtr, ndtr, ndtri

__all__ = ["Cut", "Ends", "TrueMeans", "ends_of"]

FloatArray = NDArray[np.float64]
Decode = Callable[[NDArray[Any]], NDArray[np.float32]]
_FEWEST = 0.01
"""Share of pixels at the end from which on they are looked at: half a percent moves a mean by 0.002 of the noise."""
_MOST, _FARTHEST, _STEPS = 0.75, 0.9, 64
"""Share at the end up to which the rest tells the level, share up to which values count (beyond, dust and openings that
did not form are too many), and how many of them do."""
_FAR, _SHARES = 0.5, 401
"""How far beyond plate and ground, in shares of the contrast, means are followed, and in how many steps."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Cut:
    """Light beyond one end of the scale.

    Attributes
    ----------
    stored : float
        The value at the end.
    limit : float
        Light from which on it is stored.
    noise : float
        Standard deviation of light near the end, before it was cut.
    mean : float
        Of what was cut off the level next to it.
    """

    stored: float
    limit: float
    noise: float
    mean: float

    def too_much(self, light: FloatArray) -> FloatArray:
        """Return how much farther from the end means of pixels come out for some light, if all cut off is `mean`."""
        sign = np.sign(self.limit - self.mean)
        beyond = sign * (self.limit - light) / self.noise
        share = ndtr(beyond)
        # Mean of a normal variable beyond a limit, times its chance.
        cut_off = share * light - sign * self.noise * _density(beyond)
        return np.asarray(share * self.mean - cut_off)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class TrueMeans:
    """What means of pixels come out as (`seen`, rising) and what they should, as shares solid."""

    seen: FloatArray
    true: FloatArray

    def of(self, means: FloatArray) -> FloatArray:
        """Return the true ones."""
        return np.asarray(means + np.interp(means, self.seen, self.true - self.seen))


@dataclass(frozen=True, kw_only=True, slots=True)
class Ends:
    """The ends of the scale that noise reaches beyond."""

    cuts: tuple[Cut, ...] = ()

    def decoded_with(self, decode: Decode) -> Decode:
        """Return a decoding that gives pixels at the ends their mean light."""
        if not self.cuts:
            return decode

        def with_ends(stored: NDArray[Any]) -> NDArray[np.float32]:
            light = np.array(decode(stored))
            for cut in self.cuts:
                light[stored == cut.stored] = cut.mean
            return light

        return with_ends

    def true_means(self, plate: float, background: float) -> TrueMeans | None:
        """Return how means of pixels as decoded here are freed of what the ends do to them; None where they need not.

        Parameters
        ----------
        plate, background : float
            Linear light.
        """
        if not self.cuts:
            return None
        share = np.linspace(-_FAR, 1.0 + _FAR, _SHARES)
        light = background + share * (plate - background)
        seen = share + sum((cut.too_much(light) for cut in self.cuts), np.zeros(_SHARES)) / (plate - background)
        # Far beyond an end all is cut off, and means are alike.
        rising = np.flatnonzero(np.diff(np.maximum.accumulate(seen), prepend=-np.inf) > 0)
        return TrueMeans(seen=seen[rising], true=share[rising])


def ends_of(plate: NDArray[Any], ground: NDArray[Any], decode: Decode, full_scale: float) -> Ends:
    """Tell which ends of the scale noise reaches beyond, and what pixels there stand for.

    Parameters
    ----------
    plate, ground : ndarray
        Stored values of pixels of even light and normal noise; those that are rather like the other's (openings that
        did not form) are left out.
    decode : callable
        Turns stored values into linear light.
    full_scale : float
        The highest value that can be stored.
    """
    between = (float(np.median(plate)) + float(np.median(ground))) / 2
    levels = [one[(one > between) == (np.median(one) > between)] for one in (plate, ground)]
    cuts = []
    for end, sign in ((0.0, 1.0), (full_scale, -1.0)):
        shares = [np.count_nonzero(stored == end) / max(stored.size, 1) for stored in levels]
        if max(shares) >= _FEWEST:
            cuts.append(_cut(levels[int(np.argmax(shares))], decode, sign))
    return Ends(cuts=tuple(cut for cut in cuts if cut is not None))


def _cut(stored: NDArray[Any], decode: Decode, sign: float) -> Cut | None:
    """Return what lies beyond one end (1: the lowest, -1: the highest); None where nothing tells.

    Level and noise are those of the straight line through the normal quantiles of how many pixels lie up to each value
    (censored observations by probability plotting), weighed by how well each is known.
    """
    values, counts = np.unique(stored, return_counts=True)
    values, counts = (values, counts) if sign > 0 else (values[::-1], counts[::-1])
    light, share = sign * np.asarray(decode(values), dtype=np.float64), np.cumsum(counts) / counts.sum()
    # What is stored as a value lay up to half a step above it.
    edge, up_to = (light[:-1] + light[1:]) / 2, share[:-1]
    told = np.flatnonzero(up_to < _FARTHEST)
    if len(told) < 2 or up_to[0] > _MOST:
        return None
    told = told[np.unique(np.linspace(0, len(told) - 1, _STEPS).round().astype(int))]
    edge, up_to = edge[told], up_to[told]
    quantile = ndtri(up_to)
    weight = np.exp(-(quantile**2)) / (up_to * (1 - up_to))
    middle = np.average(quantile, weights=weight)
    across = np.average((quantile - middle) ** 2, weights=weight)
    noise = float(np.average((quantile - middle) * edge, weights=weight) / across)
    level = float(np.average(edge, weights=weight) - noise * middle)
    beyond = (edge[0] - level) / noise
    mean = level - noise * float(np.exp(-(beyond**2) / 2 - log_ndtr(beyond))) / np.sqrt(2 * np.pi)
    return Cut(stored=float(values[0]), limit=sign * float(edge[0]), noise=noise, mean=sign * mean)


def _density(values: FloatArray) -> FloatArray:
    return np.asarray(np.exp(-(values**2) / 2) / np.sqrt(2 * np.pi))
