"""Control charts of single values: individuals with moving range, and exponentially weighted average."""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from sharpset.comparison.constants import chart_constants
from sharpset.comparison.run_lengths import RULES, check_rules, run_length_ewma, run_length_individuals, zone_signals
from sharpset.errors import ComparisonError

__all__ = ["EwmaChart", "IndividualsChart", "chart_ewma", "chart_individuals"]

LEAST_BASELINE = 8
"""Fewer values than this give no limits worth drawing."""


class _Chart(ABC):
    """What the charts share; `points` holds a row a value, its ``signal`` empty where no rule speaks."""

    __slots__ = ()
    points: pd.DataFrame

    @abstractmethod
    def summary(self) -> str:
        """Return the chart in one line."""

    @property
    def signals(self) -> pd.DataFrame:
        """Points at which a rule signals."""
        return self.points[self.points["signal"] != ""]

    def to_frame(self) -> pd.DataFrame:
        """Return the points."""
        return self.points.copy()

    def _repr_html_(self) -> str:
        return f"<p>{self.summary()}</p>{self.points.to_html(index=False)}"


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class IndividualsChart(_Chart):
    """Individuals and moving-range chart.

    Attributes
    ----------
    centre, sigma, lower, upper : float
        Centre line, spread and limits, in the unit of the values.
    mean_range, range_upper : float
        Centre and upper limit of the moving range (the lower one is 0).
    n_baseline : int
        Values the limits come from; 0 where they were given.
    points : DataFrame
        ``index, value, moving_range, signal`` (the rules that signal there, empty if none).
    rules : tuple of str
    run_length, run_length_1_sigma : float
        Mean number of values until a false alarm, and until a shift of one sigma is seen; for known limits and the
        chart of the values alone.
    """

    centre: float
    sigma: float
    lower: float
    upper: float
    mean_range: float
    range_upper: float
    n_baseline: int
    points: pd.DataFrame
    rules: tuple[str, ...]
    run_length: float
    run_length_1_sigma: float

    def summary(self) -> str:
        """Return the chart in one line."""
        found = len(self.signals)
        return (
            f"individuals: centre {self.centre:.4g}, limits {self.lower:.4g} to {self.upper:.4g}, "
            f"{found} signal{'s' if found != 1 else ''} in {len(self.points)} values; a false alarm every "
            f"{self.run_length:.0f} values, a shift of 1 sigma seen after {self.run_length_1_sigma:.0f}"
        )


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class EwmaChart(_Chart):
    """Exponentially weighted moving average chart.

    Attributes
    ----------
    centre, sigma, weight, sigmas : float
        Centre, spread of single values, weight of the newest value (lambda), limits in sigmas of the average (L).
    lower, upper : float
        Steady limits.
    n_baseline : int
    points : DataFrame
        ``index, value, average, lower, upper, signal``.
    run_length, run_length_1_sigma : float
        As for the individuals chart, with the steady limits.
    """

    centre: float
    sigma: float
    weight: float
    sigmas: float
    lower: float
    upper: float
    n_baseline: int
    points: pd.DataFrame
    run_length: float
    run_length_1_sigma: float

    def summary(self) -> str:
        """Return the chart in one line."""
        found = len(self.signals)
        return (
            f"EWMA (weight {self.weight:g}): centre {self.centre:.4g}, limits {self.lower:.4g} to {self.upper:.4g}, "
            f"{found} signal{'s' if found != 1 else ''} in {len(self.points)} values; a false alarm every "
            f"{self.run_length:.0f} values, a shift of 1 sigma seen after {self.run_length_1_sigma:.0f}"
        )


@dataclass(frozen=True, kw_only=True, slots=True)
class _Basis:
    centre: float
    sigma: float
    n_baseline: int


def _basis(y: np.ndarray, *, n_baseline: int | None, centre: float | None, sigma: float | None) -> _Basis:
    """Take centre and spread from the arguments, else from the first ``n_baseline`` values (all by default)."""
    if not np.isfinite(y).all():
        raise ComparisonError("a chart needs a number at every point. Leave out the prints that have no value.")
    if centre is not None and sigma is not None:
        if not sigma > 0:
            raise ComparisonError(f"sigma is {sigma!r}; give a spread above 0.")
        return _Basis(centre=centre, sigma=sigma, n_baseline=0)
    count = y.size if n_baseline is None else min(n_baseline, y.size)
    if count < LEAST_BASELINE:
        raise ComparisonError(
            f"limits need at least {LEAST_BASELINE} check pieces, got {count}. Print more of them before charting, "
            "or give centre and sigma."
        )
    base = y[:count]
    spread = float(np.abs(np.diff(base)).mean()) / chart_constants(2).d2
    if not spread > 0:
        raise ComparisonError("the check pieces show no spread at all, so no limits can be set. Check the values.")
    return _Basis(
        centre=float(base.mean()) if centre is None else centre,
        sigma=spread if sigma is None else sigma,
        n_baseline=count,
    )


def chart_individuals(
    values: ArrayLike,
    *,
    n_baseline: int | None = None,
    centre: float | None = None,
    sigma: float | None = None,
    rules: Sequence[str] = tuple(RULES)[:2],
) -> IndividualsChart:
    """Chart single values in time order.

    Parameters
    ----------
    values : array_like of float, shape (n,)
        At least 8, unless centre and sigma are given.
    n_baseline : int, optional
        How many of the first values set the limits; all by default.
    centre, sigma : float, optional
        Known centre and spread.
    rules : sequence of str
        Names of `sharpset.comparison.run_lengths.RULES`. Every further rule finds shifts sooner and raises more false
        alarms; the run lengths say how many.

    Returns
    -------
    IndividualsChart

    References
    ----------
    NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2; ISO 7870-2:2013.
    """
    y = np.asarray(values, float).ravel()
    chosen = check_rules(rules)
    basis = _basis(y, n_baseline=n_baseline, centre=centre, sigma=sigma)
    constants = chart_constants(2)
    mean_range = basis.sigma * constants.d2
    moving = np.concatenate([[np.nan], np.abs(np.diff(y))])
    range_upper = constants.D4 * mean_range
    words: list[list[str]] = [[] for _ in y]
    for name, hit in zone_signals((y - basis.centre) / basis.sigma, rules=chosen).items():
        for i in np.flatnonzero(hit):
            words[i].append(name)
    for i in np.flatnonzero(moving > range_upper):
        words[i].append("moving range")
    points = pd.DataFrame(
        {"index": np.arange(1, y.size + 1), "value": y, "moving_range": moving, "signal": ["; ".join(w) for w in words]}
    )
    return IndividualsChart(
        centre=basis.centre,
        sigma=basis.sigma,
        lower=basis.centre - 3 * basis.sigma,
        upper=basis.centre + 3 * basis.sigma,
        mean_range=mean_range,
        range_upper=range_upper,
        n_baseline=basis.n_baseline,
        points=points,
        rules=chosen,
        run_length=run_length_individuals(0.0, rules=chosen),
        run_length_1_sigma=run_length_individuals(1.0, rules=chosen),
    )


def chart_ewma(
    values: ArrayLike,
    *,
    weight: float = 0.2,
    sigmas: float = 2.962,
    n_baseline: int | None = None,
    centre: float | None = None,
    sigma: float | None = None,
    steady: bool = False,
) -> EwmaChart:
    """Chart an exponentially weighted moving average of single values in time order.

    Parameters
    ----------
    values : array_like of float, shape (n,)
    weight : float
        Weight of the newest value (lambda).
    sigmas : float
        Limits in standard deviations of the average (L); 2.962 with weight 0.2 gives a false alarm every 500 values.
    n_baseline, centre, sigma
        As for `chart_individuals`.
    steady : bool
        Use the steady limits from the first value on; by default the limits are narrower at the start, where the
        average has less scatter.

    Returns
    -------
    EwmaChart

    References
    ----------
    NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.4; Lucas & Saccucci (1990), Technometrics 32:1-12.
    """
    y = np.asarray(values, float).ravel()
    run_length = run_length_ewma(0.0, weight=weight, sigmas=sigmas)
    basis = _basis(y, n_baseline=n_baseline, centre=centre, sigma=sigma)
    average, level = np.empty(y.size), basis.centre
    for i, value in enumerate(y):
        level = weight * value + (1 - weight) * level
        average[i] = level
    half = sigmas * basis.sigma * math.sqrt(weight / (2 - weight))
    turn = np.arange(1, y.size + 1)
    halves = np.full(y.size, half) if steady else half * np.sqrt(1 - (1 - weight) ** (2 * turn))
    outside = np.abs(average - basis.centre) > halves
    points = pd.DataFrame(
        {
            "index": turn,
            "value": y,
            "average": average,
            "lower": basis.centre - halves,
            "upper": basis.centre + halves,
            "signal": np.where(outside, "average outside its limits", ""),
        }
    )
    return EwmaChart(
        centre=basis.centre,
        sigma=basis.sigma,
        weight=weight,
        sigmas=sigmas,
        lower=basis.centre - half,
        upper=basis.centre + half,
        n_baseline=basis.n_baseline,
        points=points,
        run_length=run_length,
        run_length_1_sigma=run_length_ewma(1.0, weight=weight, sigmas=sigmas),
    )
