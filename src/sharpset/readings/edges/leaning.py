"""Strips that lean or bow: their midline is followed and laid straight before means along them are taken.

A mean along a strip that leans is broader than the scan's blur, so that a narrow slot looks wider and dimmer than it
is, as one under a film does. What lies far beside its place is no leaning strip and is left alone.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.polynomial.legendre import legval, legvander
from numpy.typing import NDArray

from sharpset.readings.edges.blur import EdgeSpread
from sharpset.readings.edges.lengthwise import step_of
from sharpset.readings.edges.sampling import INNER_MM, Samples
from sharpset.readings.picture.medians import median

__all__ = ["laid_straight"]

FloatArray = NDArray[np.float64]
_SEEN, _KNOWN, _ALL_KNOWN = 0.3, 0.7, 0.95
"""Steps tell their middle where they hold so much of the width as drawn; so many must, for a wave nearly all."""
_LEAST_BLURS, _SURE, _BETTER = 0.3, 8.0, 0.7
"""Leaning that matters, in blurs; that is sure, in standard uncertainties; how much of the steps' scatter is left."""
_MOST_MM = 0.12
"""What lies further beside its place came off, or is another thing (`formed`)."""
_AS_LIGHT = 0.1
"""Share of the usual light, beyond its scatter, by which that of a step may differ."""
_TURNS, _CUT = 4, 3.0
_DEGREES = (2, 6)
_TINY = 1e-9
_CALM = 0.25
"""Steps that scatter by less than this share of the leaning that matters need not be looked at."""


def laid_straight(
    samples: Samples, spread: EdgeSpread, *, noise_inflation: float = 1.0
) -> tuple[Samples, NDArray[np.intp]]:
    """Return the samples with leaning strips laid straight, and which strips these are.

    Parameters
    ----------
    samples : Samples
    spread : EdgeSpread
    noise_inflation : float
        How much neighbouring pixels' common noise (print texture) widens the error of a mean.

    Returns
    -------
    samples : Samples
        Distances across are those from the strip's own midline, its mean place kept.
    leaning : ndarray of int, shape (n,)
    """
    cell, shape = step_of(samples)
    sigma = spread.sigma_mm(samples.normal)
    nominal = np.array([strip.width_mm for strip in samples.strips]) * samples.length_scale
    d_mm, leaning = samples.d_mm, []
    for i, one in enumerate(samples.slices()):
        if one.stop == one.start or nominal[i] / 2 > INNER_MM:
            continue
        reach = nominal[i] / 2 + 2.5 * sigma[i] + _MOST_MM
        d, t = samples.d_mm[one], samples.t_mm[one]
        share = samples.solid[one] if samples.strips[i].solid else 1 - samples.solid[one]
        share = np.where(np.abs(d) <= reach, share, 0.0)
        column = cell[one] - i * shape[1]
        total = np.bincount(column, share, shape[1])
        count = np.maximum(np.bincount(column, minlength=shape[1]), 1)
        light = total * samples.pixel_area_mm2 / samples.pixel_mm
        used = light > _SEEN * nominal[i]
        if used.sum() < max(_KNOWN * (count > 1).sum(), 8):
            continue
        usual = median(light[used])
        # Marks move the middle of what they lie on, and change its light, which leaning does not.
        used &= np.abs(light - usual) <= _AS_LIGHT * usual + 3 * 1.4826 * median(np.abs(light[used] - usual))
        if used.sum() < max(_KNOWN * (count > 1).sum(), 8):
            continue
        at = np.bincount(column, t, shape[1])[used] / count[used]
        place = np.bincount(column, share * d, shape[1])[used] / total[used]
        if 1.4826 * median(np.abs(place - median(place))) < _CALM * _LEAST_BLURS * sigma[i]:
            continue
        # Where steps are left out a wave may run anywhere.
        degrees = _DEGREES if used.sum() >= _ALL_KNOWN * (count > 1).sum() else _DEGREES[:1]
        line = _midline(at, place, samples.half_length_mm[i], noise_inflation, degrees)
        if line is None:
            continue
        along = np.linspace(-1.0, 1.0, 41)
        most = np.abs(legval(along, line)).max()
        if _LEAST_BLURS * sigma[i] < most <= _MOST_MM:
            if d_mm is samples.d_mm:
                d_mm = samples.d_mm.copy()
            d_mm[one] = d - legval(t / samples.half_length_mm[i], line)
            leaning.append(i)
    return replace(samples, d_mm=d_mm) if leaning else samples, np.array(leaning, dtype=np.intp)


def _midline(
    at_mm: FloatArray, place_mm: FloatArray, half_mm: float, inflation: float, degrees: tuple[int, ...]
) -> FloatArray | None:
    """Return Legendre coefficients of a line through the steps' middles over the half length, its mean taken off.

    None where it does not tell them better than one place does. It is a parabola, or a wave where that tells more.
    """
    u = at_mm / half_mm
    before = 1.4826 * float(np.median(np.abs(place_mm - np.median(place_mm))))
    best: FloatArray | None = None
    for degree in degrees:
        design = legvander(u, degree)
        weight, unit = np.ones(len(u)), np.eye(degree + 1)
        coefficients: FloatArray = np.zeros(degree + 1)
        scatter = 0.0
        for _ in range(_TURNS):
            weighed = design.T * weight
            coefficients = np.asarray(np.linalg.solve(weighed @ design + _TINY * unit, weighed @ place_mm), dtype=float)
            away = np.abs(place_mm - design @ coefficients)
            scatter = max(1.4826 * float(np.median(away)), 1e-6)
            weight = np.clip(2 - away / (_CUT * scatter), 0.0, 1.0)
        u_each = inflation * scatter * np.sqrt(np.diag(np.linalg.inv((design.T * weight) @ design + _TINY * unit)))
        if scatter <= _BETTER * before and np.any(np.abs(coefficients[1:]) >= _SURE * u_each[1:]):
            best, before = coefficients, scatter
    if best is not None:
        # The mean of all but the first of Legendre's polynomials is nought.
        best[0] = 0.0
    return best
