"""Where a search for a met brief starts, before anything was printed."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sharpset.errors import PlanError
from sharpset.plans.factors import Factor, Factors

__all__ = ["TOWARDS", "start_settings"]

TOWARDS = 2.0 / 3.0
"""How far from the middle to the end where details usually come out finer: the end itself is often too far."""


def start_settings(factors: Factors) -> NDArray[np.float64]:
    """Return the settings to print first: the middle, moved to where details usually come out finer.

    Parameters
    ----------
    factors : Factors
        Their ``finer`` says what the maker knows; without it a factor starts in its middle.

    Returns
    -------
    ndarray of float, shape (n_factors,)
        Coded numbers, level numbers for labels (the first label). Where these break a rule, the nearest
        settings that keep all rules.

    Raises
    ------
    PlanError
        If no settings keep the rules.
    """
    wanted = np.array([_start(factor) for factor in factors])
    if not factors.constraints or factors.allowed(factors.from_matrix(wanted[None, :])).all():
        return wanted
    known = factors.sample(4096)
    if not len(known):
        raise PlanError("no settings within the factors' limits keep the rules. Loosen one of them.")
    return np.asarray(known[int(np.argmin(np.sum((known - wanted) ** 2, axis=1)))])


def _start(factor: Factor) -> float:
    if factor.is_categorical:
        return 0.0
    wanted = {"low": -TOWARDS, "high": TOWARDS}.get(factor.finer, 0.0)
    if factor.kind == "continuous":
        return wanted
    levels = factor.coded_levels
    return float(levels[int(np.argmin(np.abs(levels - wanted)))])
