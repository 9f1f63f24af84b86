"""By which power a picture stands for light whose values went through another curve after it was scanned.

A program that brightens, darkens or encodes a picture a second time leaves powers of light that no scanner writes: what
is usual says nothing then. Edges that were blurred in light tell: decoded by the right power their mean is alike on
both sides but for the sign (`curve_evidence`). Between decodings that are not far apart what is left alike on both
sides changes evenly with the power's logarithm, so that a few of them tell what every power between would leave.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sharpset.readings.features.curve_evidence import DEFAULT_GAMMA, CurveChance, EdgeLean

__all__ = ["DECODINGS", "powers_told"]

FloatArray = NDArray[np.float64]
DECODINGS = (0.45, 0.7, 1.0, 1.5, 2.2, 3.3, 5.0)
"""Powers by which edges are looked at; 2.2 stands for sRGB."""
_STEPS = 41
_TAILS, _LEAST_LEAN = 4.0, 0.0003
"""Degrees of freedom of Student's t by which what clean edges keep alike on both sides scatters, and how much it is: as
for dark pieces (`curve_evidence`), since no power is likelier than another and lamps and walls may pass for one."""
_OF_NOISE, _OF_SHAPE = 0.2, 0.1
"""Shares by which noise, and a blur of another shape than the one fitted, count as such (`curve_evidence`)."""
_LEAST_CHANCE = 0.005
"""Powers that are less likely than this share of the likeliest are left out."""
_EXPLAINS = 0.5
"""Share of what linear light and sRGB leave that the best power may leave at most."""


def powers_told(leans: dict[float, EdgeLean]) -> tuple[CurveChance, ...]:
    """Return how likely each power between the smallest and the largest of several is the right one.

    Parameters
    ----------
    leans : dict of float to EdgeLean
        By power, of the same edges; those of linear light and of sRGB among them.

    Returns
    -------
    tuple of CurveChance
        In even steps of the power's logarithm, all as likely before edges are looked at; without those that are next
        to impossible then. Empty where no power describes the edges much better than linear light and sRGB do: another
        curve, as one that steepens the middle, is no power.
    """
    powers = np.array(sorted(leans))
    sides = np.array([leans[power].sides for power in powers])
    steps = np.linspace(np.log(powers[0]), np.log(powers[-1]), _STEPS)
    between = np.array([np.interp(steps, np.log(powers), column) for column in sides.T]).T
    left = np.mean(between**2, axis=1)
    best = int(np.argmin(left))
    nearest = leans[float(powers[np.argmin(np.abs(np.log(powers) - steps[best]))])]
    beyond = max(float(left[best]) - nearest.noise**2, 0.0)
    if np.sqrt(beyond) > _EXPLAINS * min(leans[1.0].beyond_noise, leans[DEFAULT_GAMMA].beyond_noise):
        return ()
    scatter = _LEAST_LEAN**2 + beyond + _OF_NOISE * nearest.noise**2 + (_OF_SHAPE * nearest.shape) ** 2
    likely = (1 + (left - left[best]) / scatter / _TAILS) ** (-(_TAILS + 1) / 2)
    chance = np.where(likely < _LEAST_CHANCE, 0.0, likely)
    return tuple(
        CurveChance(gamma=float(np.exp(step)), chance=float(one))
        for step, one in zip(steps, chance / chance.sum(), strict=True)
        if one > 0
    )
