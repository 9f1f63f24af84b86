"""How many print jobs it takes to see, or to rule out, a difference between two printers."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from scipy import stats

from sharpset.errors import ComparisonError

__all__ = [
    "power_of_difference",
    "power_of_equality",
    "prints_for_bound",
    "prints_for_difference",
    "prints_for_equality",
    "upper_sd",
]

MOST_PRINTS = 200
"""More prints per printer than this is no advice."""


def power_of_difference(*, difference: float, sd: float, n_prints: int, alpha: float) -> float:
    """Return the chance that a two-sided two-sample t test finds a difference.

    Parameters
    ----------
    difference, sd : float
        True difference and standard deviation between print jobs, in one unit.
    n_prints : int
        Print jobs per printer, at least 2.
    alpha : float
        Level of the test, after any correction for many comparisons.
    """
    if n_prints < 2:
        return 0.0
    if sd <= 0:
        return 1.0 if difference else alpha
    df = 2 * (n_prints - 1)
    shift = abs(difference) / (sd * math.sqrt(2 / n_prints))
    edge = float(stats.t.ppf(1 - alpha / 2, df))
    # The other tail adds less than alpha/2 and is left out; nct loses digits there.
    power = float(stats.nct.sf(edge, df, shift))
    if not math.isfinite(power):
        power = float(stats.norm.sf(edge - shift))
    return min(1.0, max(power, 0.0))


def power_of_equality(*, difference: float, sd: float, tolerance: float, n_prints: int, alpha: float) -> float:
    """Return the chance that two one-sided tests show a difference to be within the tolerance.

    The approximation with two noncentral t distributions; it is exact to about 0.01 where the power is above 0.5.
    """
    if n_prints < 2:
        return 0.0
    df = 2 * (n_prints - 1)
    se = sd * math.sqrt(2 / n_prints)
    if se <= 0:
        return 1.0 if abs(difference) < tolerance else 0.0
    edge = float(stats.t.ppf(1 - alpha, df))
    upper = float(stats.nct.cdf(-edge, df, (difference - tolerance) / se))
    lower = float(stats.nct.sf(edge, df, (difference + tolerance) / se))
    return max(0.0, upper + lower - 1.0)


def prints_for_difference(*, difference: float, sd: float, alpha: float = 0.05, power: float = 0.8) -> float:
    """Return the print jobs per printer that find a difference with the wanted power.

    Returns
    -------
    float
        A whole number of at least 2, or inf where more than `MOST_PRINTS` would be needed.
    """
    _check(sd=sd, alpha=alpha, power=power)
    if difference == 0:
        return math.inf
    return _smallest(lambda n: power_of_difference(difference=difference, sd=sd, n_prints=n, alpha=alpha) >= power)


def prints_for_equality(
    *, sd: float, tolerance: float, difference: float = 0.0, alpha: float = 0.05, power: float = 0.8
) -> float:
    """Return the print jobs per printer that show equality within the tolerance with the wanted power.

    Returns
    -------
    float
        A whole number of at least 2, or inf where more than `MOST_PRINTS` would be needed.
    """
    _check(sd=sd, alpha=alpha, power=power)
    if abs(difference) >= tolerance:
        return math.inf
    return _smallest(
        lambda n: power_of_equality(difference=difference, sd=sd, tolerance=tolerance, n_prints=n, alpha=alpha) >= power
    )


def prints_for_bound(*, distance: float, sd: float, level: float = 0.95) -> float:
    """Return the print jobs after which a one-sided bound of a mean lies no farther than ``distance`` from it.

    Parameters
    ----------
    distance, sd : float
        In one unit; ``sd`` is what one print job scatters.
    level : float
        Of the one-sided bound.

    Returns
    -------
    float
        A whole number of at least 2, or inf where more than `MOST_PRINTS` would be needed. The bound is passed in about
        one of two repeats of so many jobs.
    """
    _check(sd=sd, alpha=1 - level, power=0.5)
    if distance <= 0:
        return math.inf
    return _smallest(lambda n: n > 1 and float(stats.t.ppf(level, n - 1)) * sd / math.sqrt(n) <= distance)


def _smallest(enough: Callable[[int], bool]) -> float:
    """Return the smallest count from 2 on that is enough (power rises with the count), or inf."""
    if not enough(MOST_PRINTS):
        return math.inf
    low, high = 1, 2
    while not enough(high):
        low, high = high, min(2 * high, MOST_PRINTS)
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle, high)
    return float(high)


def upper_sd(sd: float, df: float, *, confidence: float = 0.8) -> float:
    """Return the one-sided upper confidence limit of a standard deviation that was estimated with ``df``."""
    if not (df > 0 and np.isfinite(df) and np.isfinite(sd)):
        return math.nan
    return sd * math.sqrt(df / float(stats.chi2.ppf(1 - confidence, df)))


def _check(*, sd: float, alpha: float, power: float) -> None:
    if not (math.isfinite(sd) and sd >= 0):
        raise ComparisonError(f"the scatter between print jobs is {sd!r}; give a standard deviation of 0 mm or more.")
    if not 0 < alpha < 1 or not 0 < power < 1:
        raise ComparisonError(f"alpha {alpha!r} and power {power!r} must lie between 0 and 1. 0.05 and 0.8 are usual.")
