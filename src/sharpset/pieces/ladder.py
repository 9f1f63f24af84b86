"""Graded sizes: ladders of preferred numbers around the smallest wanted size."""

from __future__ import annotations

import math

from sharpset.errors import PieceError

__all__ = ["preferred_numbers", "size_ladder"]

# ISO 3:1973, table 1, basic series R10 and R20.
_R10 = (1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0)
_R20 = (
    *(1.0, 1.12, 1.25, 1.4, 1.6, 1.8, 2.0, 2.24, 2.5, 2.8),
    *(3.15, 3.55, 4.0, 4.5, 5.0, 5.6, 6.3, 7.1, 8.0, 9.0),
)
_SERIES = {"R10": _R10, "R20": _R20}


def preferred_numbers(low: float, high: float, *, series: str = "R10") -> list[float]:
    """Return the preferred numbers from `low` to `high`, ends included.

    Parameters
    ----------
    low, high : float
        Limits, both positive.
    series : {'R10', 'R20'}

    Returns
    -------
    list of float
        Rising.

    References
    ----------
    ISO 3:1973, Preferred numbers, table 1.
    """
    if series not in _SERIES:
        raise PieceError(f"unknown series {series!r}; series are {', '.join(_SERIES)}")
    if not 0 < low <= high:
        raise PieceError(f"preferred numbers need 0 < low <= high, got {low:g} and {high:g}")
    decades = range(math.floor(math.log10(low)) - 1, math.floor(math.log10(high)) + 1)
    numbers = [float(f"{mantissa}e{decade}") for decade in decades for mantissa in _SERIES[series]]
    slack = 1e-9
    return [n for n in numbers if low * (1 - slack) <= n <= high * (1 + slack)]


def size_ladder(wanted_mm: float, *, n_below: int = 4, n_above: int = 4, series: str = "R10") -> list[float]:
    """Return graded sizes around the smallest wanted size, the wanted size itself included.

    Parameters
    ----------
    wanted_mm : float
        Smallest size that must form, mm.
    n_below, n_above : int
        How many smaller and larger sizes.
    series : {'R10', 'R20'}
        Preferred numbers to grade by: R10 rises by about 26 % a step, R20 by 12 %.

    Returns
    -------
    list of float
        Rising sizes in mm. A preferred number within 3 % of the wanted size gives way to it.
    """
    span = 10.0 ** ((max(n_below, n_above) + 1) / (10 if series == "R10" else 20))
    numbers = preferred_numbers(wanted_mm / span, wanted_mm * span, series=series)
    below = [n for n in numbers if n < wanted_mm * 0.97][-n_below:] if n_below else []
    above = [n for n in numbers if n > wanted_mm * 1.03][:n_above]
    return [*below, wanted_mm, *above]
