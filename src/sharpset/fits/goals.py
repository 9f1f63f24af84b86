"""Desirability of several responses at once (Derringer and Suich)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sharpset.errors import FitError
from sharpset.fits.region import Region, maximise
from sharpset.fits.surface import ResponseFit

__all__ = ["DesirableSettings", "Goal", "desirability", "desirable_settings"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, slots=True)
class Goal:
    """What is wanted of one response.

    Attributes
    ----------
    aim : {'max', 'min', 'target'}
    low, high : float
        Where desirability leaves 0 and where it reaches 1 ('max': 0 at low, 1 at high; 'min': 1 at low,
        0 at high; 'target': 0 at both ends).
    target : float
        For 'target': where it is 1.
    exponent, exponent_high : float
        Shape below and above; 1 is straight.
    importance : float
        Weight in the geometric mean.
    """

    aim: Literal["max", "min", "target"]
    low: float
    high: float
    target: float = float("nan")
    exponent: float = 1.0
    exponent_high: float = 1.0
    importance: float = 1.0

    def __post_init__(self) -> None:
        if self.aim not in ("max", "min", "target"):
            raise FitError(f"A goal's aim is 'max', 'min' or 'target', got {self.aim!r}.")
        if not self.low < self.high:
            raise FitError(f"A goal needs low below high, got {self.low:g} and {self.high:g}.")
        if self.aim == "target" and not self.low < self.target < self.high:
            raise FitError(f"A target must lie between {self.low:g} and {self.high:g}, got {self.target:g}.")

    def value(self, response: Floats) -> Floats:
        """Return the desirability of response values, 0 to 1."""
        y = np.asarray(response, dtype=float)
        if self.aim == "max":
            return np.asarray(np.clip((y - self.low) / (self.high - self.low), 0.0, 1.0) ** self.exponent)
        if self.aim == "min":
            return np.asarray(np.clip((self.high - y) / (self.high - self.low), 0.0, 1.0) ** self.exponent)
        below = np.clip((y - self.low) / (self.target - self.low), 0.0, 1.0) ** self.exponent
        above = np.clip((self.high - y) / (self.high - self.target), 0.0, 1.0) ** self.exponent_high
        return np.asarray(np.where(y <= self.target, below, above))


@dataclass(frozen=True, kw_only=True, slots=True)
class DesirableSettings:
    """Settings of largest overall desirability.

    Attributes
    ----------
    settings : dict
    overall : float
        Weighted geometric mean; 0 if any response misses its goal altogether.
    single : dict of str to float
    predicted : dict of str to float
    """

    settings: dict[str, Any]
    overall: float
    single: dict[str, float]
    predicted: dict[str, float]

    def summary(self) -> str:
        """Return the result in one line."""
        said = ", ".join(f"{n} {v:.4g}" if isinstance(v, float) else f"{n} {v}" for n, v in self.settings.items())
        return f"desirability {self.overall:.3f} at {said}"

    def to_frame(self) -> pd.DataFrame:
        """Return a row per response."""
        names = list(self.predicted)
        return pd.DataFrame(
            {
                "response": names,
                "predicted": [self.predicted[n] for n in names],
                "desirability": [self.single[n] for n in names],
            }
        )


def desirability(fits: Mapping[str, ResponseFit], goals: Mapping[str, Goal], settings: pd.DataFrame) -> pd.DataFrame:
    """Return the desirability of settings: a column per response and ``overall``."""
    unknown = [name for name in goals if name not in fits]
    if unknown or not goals:
        raise FitError(
            f"Goals name {', '.join(map(repr, unknown)) or 'nothing'}; responses with a model are {', '.join(fits)}."
        )
    table = pd.DataFrame({n: goal.value(_mean(fits[n], settings)) for n, goal in goals.items()}, index=settings.index)
    weight = np.array([goal.importance for goal in goals.values()])
    with np.errstate(divide="ignore"):
        logs = np.log(table.to_numpy())
    table["overall"] = np.exp((logs * weight).sum(axis=1) / weight.sum())
    return table


def _mean(fit: ResponseFit, settings: pd.DataFrame) -> Floats:
    if fit.predictor.df_resid > 0:
        return np.asarray(fit.predict(settings)["predicted"], dtype=float)
    return fit.matrix(settings) @ fit.coef


def desirable_settings(
    fits: Mapping[str, ResponseFit], goals: Mapping[str, Goal], region: Region, *, seed: int = 0
) -> DesirableSettings:
    """Return the settings inside a region with the largest overall desirability.

    Parameters
    ----------
    fits : dict of str to ResponseFit
    goals : dict of str to Goal
    region : Region
    seed : int

    References
    ----------
    Derringer, G. and Suich, R. (1980), Simultaneous optimization of several response variables,
    J. Qual. Technol. 12:214-219.
    """

    def objective(settings: pd.DataFrame) -> Floats:
        got = desirability(fits, goals, settings)
        return np.asarray(got["overall"] + 1e-6 * got.drop(columns="overall").mean(axis=1))

    found = maximise(objective, region, seed=seed, n_candidates=2048)
    row = desirability(fits, goals, found).iloc[0]
    return DesirableSettings(
        settings={n: v if isinstance(v, str) else float(v) for n, v in found.iloc[0].items()},
        overall=float(row["overall"]),
        single={n: float(row[n]) for n in goals},
        predicted={n: float(_mean(fits[n], found)[0]) for n in goals},
    )
