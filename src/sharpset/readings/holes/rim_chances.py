"""How likely a hole's rim is a circle or out of round, with marks on it or without, by marginal likelihood.

Sectors are clean or lie on a mark, mostly as their neighbours are: clean ones scatter about the rim, marked ones may
have any radius. A rim out of round costs what its harmonics' own freedom costs, marks what they may be; how far sectors
scatter is the same unknown for both, and averaged over.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["clean_along", "rim_evidence"]

FloatArray = NDArray[np.float64]
_SCATTERS_PX = np.geomspace(0.1, 1.6, 7)
_BEGINS, _ENDS = 0.03, 0.25
"""Chances from one sector (two and a half pixels) to the next that a mark begins and ends."""
_ANY = 1.2
"""Radii over which those of marked sectors may lie, nominal ones."""
_OVAL = (0.05, 0.25)
"""Standard deviations of each harmonic over the radius, before it is seen: a little or much, as likely."""
_NO_OVAL = 1e-5
_TURNS = 4


def rim_evidence(
    own_mm: FloatArray,
    design: FloatArray,
    *,
    round_weight: FloatArray,
    weight: FloatArray,
    n_round: int,
    radius_mm: float,
    pixel_mm: float,
) -> float:
    """Return by how much sectors' radii are likelier out of round than round: the logarithm of the Bayes factor.

    Parameters
    ----------
    own_mm : ndarray of float, shape (n,)
        Radii by the light that sectors lack.
    design : ndarray of float, shape (n, k)
        A constant, cosine and sine of the centre's shift, and the harmonics' cosines and sines.
    round_weight, weight : ndarray of float, shape (n,)
        Of robust fits of a circle and of all columns, to begin from.
    n_round : int
        How many of the columns a circle has.
    radius_mm, pixel_mm : float
        Nominal radius; pixel pitch.
    """
    n, k = design.shape
    sizes = np.repeat((_NO_OVAL, *_OVAL), len(_SCATTERS_PX)) * radius_mm
    scatter = np.tile(_SCATTERS_PX * pixel_mm, 1 + len(_OVAL))
    precision = np.where(np.arange(k) < n_round, 0.0, sizes[:, None] ** -2.0)
    clean = np.where((sizes == sizes[0])[:, None], round_weight, weight)
    foreign = 1 / (_ANY * radius_mm)
    products = (design[:, :, None] * design[:, None, :]).reshape(n, k * k)
    for _ in range(_TURNS):
        normal = (clean @ products).reshape(-1, k, k) / scatter[:, None, None] ** 2
        normal[:, np.arange(k), np.arange(k)] += precision + 1e-6
        right = (clean * own_mm) @ design / scatter[:, None] ** 2
        found = np.linalg.solve(normal, right[..., None])[..., 0]
        z = (own_mm - found @ design.T) / scatter[:, None]
        density = np.exp(-0.5 * z**2) / (np.sqrt(2 * np.pi) * scatter[:, None])
        likely, clean = clean_along(density, foreign)
    held = precision[:, n_round:]
    prior = 0.5 * np.sum(np.log(held / (2 * np.pi)) - held * found[:, n_round:] ** 2, axis=1)
    volume = 0.5 * (k * np.log(2 * np.pi) - np.linalg.slogdet(normal)[1])
    evidence = np.logaddexp.reduce((likely + prior + volume).reshape(1 + len(_OVAL), -1), axis=1)
    return float(np.logaddexp.reduce(evidence[1:]) - np.log(len(_OVAL)) - evidence[0])


def clean_along(clean: FloatArray, foreign: float) -> tuple[FloatArray, FloatArray]:
    """Return the logarithm of the likelihood of each row of sectors, and their chances to be clean.

    Odds of being clean are followed forwards and backwards at once; either way they pass from sector to sector by a
    fraction of two lines.
    """
    m, n = clean.shape
    ratio = clean.T / foreign
    both = np.stack((ratio, ratio[::-1]), axis=1)
    # Forwards, and backwards.
    gained, lost = np.array([[_ENDS], [_BEGINS]]), np.array([[_BEGINS], [_ENDS]])
    odds = np.empty((n, 2, m))
    odds[0] = np.array([[_ENDS / _BEGINS], [1.0]])
    seen, below = np.empty((2, m)), np.empty((2, m))
    for t in range(n - 1):
        np.multiply(odds[t], both[t], out=seen)
        np.multiply(seen, lost, out=below)
        below += 1 - _ENDS
        seen *= 1 - _BEGINS
        seen += gained
        np.divide(seen, below, out=odds[t + 1])
    ahead, later = odds[:, 0], odds[::-1, 1]
    likely = np.log((ahead * ratio + 1) / (ahead + 1)).sum(axis=0) + n * np.log(foreign)
    chance = ahead * ratio * later
    return likely, (chance / (1 + chance)).T
