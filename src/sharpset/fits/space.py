"""The region that was tried: factors, their coding and their constraints."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sharpset.errors import FitError

__all__ = ["FactorRange", "Space", "space_of"]

Floats = NDArray[np.float64]
BOOK_COLUMNS = ("run_id", "print_order", "whole_plot", "block")


@dataclass(frozen=True, kw_only=True, slots=True)
class FactorRange:
    """One factor as the models need it.

    Attributes
    ----------
    name, unit : str
    kind : {'continuous', 'levels', 'categorical'}
    low, high : float
        Natural values that are coded -1 and +1 (NaN for categories).
    levels : tuple
        Ordered numbers, or the names of the categories.
    scale : {'linear', 'log'}
        Scale on which numbers are coded.
    finer : {'', 'low', 'middle', 'high'}
        Where details usually come out best, as far as the maker knew beforehand.
    """

    name: str
    unit: str = ""
    kind: Literal["continuous", "levels", "categorical"] = "continuous"
    low: float = float("nan")
    high: float = float("nan")
    levels: tuple[Any, ...] = ()
    scale: Literal["linear", "log"] = "linear"
    finer: str = ""

    @property
    def natural_label(self) -> str:
        """Name of the quantity that natural coefficients multiply."""
        return f"log({self.name})" if self.scale == "log" else self.name

    def on_scale(self, values: Iterable[Any]) -> Floats:
        """Return values, or their natural logarithms where the factor is coded on a log scale."""
        numbers = np.asarray(list(values), dtype=float)
        return np.asarray(np.log(numbers) if self.scale == "log" else numbers)

    def code(self, values: Iterable[Any]) -> Floats:
        """Return numbers in coded units, -1 at ``low`` and +1 at ``high``."""
        low, high = self.on_scale([self.low, self.high])
        return np.asarray((self.on_scale(values) - 0.5 * (low + high)) / (0.5 * (high - low)))

    def decode(self, coded: Iterable[float]) -> Floats:
        """Return coded numbers in natural units."""
        low, high = self.on_scale([self.low, self.high])
        numbers = 0.5 * (low + high) + 0.5 * (high - low) * np.asarray(list(coded), dtype=float)
        return np.asarray(np.exp(numbers) if self.scale == "log" else numbers)


@dataclass(frozen=True, kw_only=True, slots=True)
class Space:
    """All factors of a plan and the rule that says which settings are allowed.

    Attributes
    ----------
    factors : tuple of FactorRange
    allows : callable
        Takes a table of settings and returns a boolean array, one per row.
    rules : tuple of str
        The constraints as they were written.
    """

    factors: tuple[FactorRange, ...]
    allows: Callable[[pd.DataFrame], NDArray[np.bool_]]
    rules: tuple[str, ...] = ()

    @classmethod
    def of_factors(cls, factors: Any) -> Space:
        """Return the space of a plan's factors (:class:`sharpset.plans.Factors`)."""
        rules = tuple(constraint.rule for constraint in factors.constraints)

        def allows(frame: pd.DataFrame) -> NDArray[np.bool_]:
            return np.asarray(factors.allowed(frame), dtype=bool)

        ranges = tuple(_from_factor(factor) for factor in factors.factors)
        return cls(factors=ranges, allows=allows if rules else _all_allowed, rules=rules)

    @property
    def names(self) -> list[str]:
        """Names of the factors in the plan's order."""
        return [factor.name for factor in self.factors]

    def __getitem__(self, name: str) -> FactorRange:
        for factor in self.factors:
            if factor.name == name:
                return factor
        raise FitError(f"There is no factor {name!r}. The plan's factors are {', '.join(self.names)}.")

    def with_tried(self, runs: pd.DataFrame) -> Space:
        """Return the space cut down to the span of the runs that were really used."""
        return Space(factors=tuple(_tried(f, runs) for f in self.factors), allows=self.allows, rules=self.rules)

    def sample(self, n_settings: int, *, seed: int) -> pd.DataFrame:
        """Return settings spread over the allowed region (scrambled Sobol points).

        Raises
        ------
        FitError
            If the constraints leave nothing of the region.
        """
        from scipy.stats import qmc

        engine = qmc.Sobol(d=max(len(self.factors), 1), scramble=True, seed=seed)
        frames: list[pd.DataFrame] = []
        found = 0
        batch = 2 ** int(np.ceil(np.log2(max(n_settings, 2))))
        for _ in range(16):  # doubling, since Sobol points keep their balance at powers of two only
            unit = engine.random(batch)
            batch = engine.num_generated
            frame = self._from_unit(unit)
            frame = frame[self.allows(frame)]
            frames.append(frame)
            found += len(frame)
            if found >= n_settings:
                break
        table = pd.concat(frames, ignore_index=True).iloc[:n_settings]
        if table.empty:
            raise FitError(
                f"No setting inside the tried region satisfies the constraints ({'; '.join(self.rules)}). "
                "Relax a constraint or widen a factor's range."
            )
        return table

    def _from_unit(self, unit: Floats) -> pd.DataFrame:
        columns: dict[str, Any] = {}
        for position, factor in enumerate(self.factors):
            share = unit[:, position]
            if factor.kind == "continuous":
                columns[factor.name] = factor.decode(2.0 * share - 1.0)
            else:
                index = np.minimum((share * len(factor.levels)).astype(int), len(factor.levels) - 1)
                columns[factor.name] = np.array(factor.levels, dtype=object if factor.kind == "categorical" else float)[
                    index
                ]
        return pd.DataFrame(columns)

    def clip(self, frame: pd.DataFrame) -> pd.DataFrame:
        """Return settings moved to the nearest tried value of each factor."""
        out = frame.copy()
        for factor in self.factors:
            if factor.kind == "continuous":
                out[factor.name] = np.clip(out[factor.name].astype(float), factor.low, factor.high)
            elif factor.kind == "levels":
                levels = np.array(factor.levels, dtype=float)
                values = out[factor.name].to_numpy(dtype=float)
                out[factor.name] = levels[np.argmin(np.abs(values[:, None] - levels[None, :]), axis=1)]
        return out


def _tried(factor: FactorRange, runs: pd.DataFrame) -> FactorRange:
    values = runs[factor.name]
    if factor.kind == "continuous":
        low, high = float(values.min()), float(values.max())
        return replace(factor, low=low, high=high) if high > low else factor
    if factor.kind == "levels":
        tried = set(values.astype(float))
        return replace(factor, levels=tuple(level for level in factor.levels if float(level) in tried))
    named = set(values.astype(str))
    return replace(factor, levels=tuple(level for level in factor.levels if str(level) in named))


def _all_allowed(frame: pd.DataFrame) -> NDArray[np.bool_]:
    return np.ones(len(frame), dtype=bool)


def _from_column(name: str, values: pd.Series[Any]) -> FactorRange:
    if not pd.api.types.is_numeric_dtype(values) or pd.api.types.is_bool_dtype(values):
        return FactorRange(name=name, kind="categorical", levels=tuple(sorted({str(v) for v in values})))
    low, high = float(values.min()), float(values.max())
    if low == high:
        high = low + 1.0
    return FactorRange(name=name, low=low, high=high)


def _from_factor(factor: Any) -> FactorRange:
    if factor.kind == "categorical":
        return FactorRange(name=factor.name, unit=factor.unit, kind="categorical", levels=tuple(factor.levels))
    return FactorRange(
        name=factor.name,
        unit=factor.unit,
        kind=factor.kind,
        low=float(factor.low),
        high=float(factor.high),
        levels=tuple(float(level) for level in factor.levels),
        scale=factor.scale,
        finer=factor.finer,
    )


def space_of(plan: Any) -> Space:
    """Return the space of a plan, or of a plain table of runs.

    Parameters
    ----------
    plan : sharpset.plans.Plan or pandas.DataFrame
        A table's columns other than ``run_id, print_order, whole_plot, block`` are its factors:
        numbers are continuous over the span they have, everything else is a category.

    Returns
    -------
    Space
    """
    if isinstance(plan, pd.DataFrame):
        names = [name for name in plan.columns if name not in BOOK_COLUMNS]
        return Space(factors=tuple(_from_column(name, plan[name]) for name in names), allows=_all_allowed)
    return Space.of_factors(plan.factors)
