"""Factors of an experiment: what is varied, within which limits, and how it is coded.

Coded units run from -1 (low) to +1 (high). Categorical factors keep their labels.
"""

from __future__ import annotations

import html
import keyword
import math
from dataclasses import dataclass
from typing import Any, Literal, cast

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sharpset.errors import PlanError
from sharpset.plans.rules import Constraint

__all__ = ["KINDS", "RESERVED", "Factor", "Factors", "Kind"]

Kind = Literal["continuous", "levels", "categorical"]
KINDS: tuple[Kind, ...] = ("continuous", "levels", "categorical")
FINER = ("", "low", "middle", "high")
_LARGEST = 1e12
RESERVED = ("run_id", "print_order", "whole_plot", "block")
"""Columns of runs.csv that no factor may be called after."""


def _say(name: str, text: str) -> PlanError:
    return PlanError(f"factor {name!r}: {text}")


@dataclass(frozen=True, kw_only=True, slots=True)
class Factor:
    """One thing that is varied.

    Attributes
    ----------
    name : str
        Column of runs.csv and term of the models.
    kind : {'continuous', 'levels', 'categorical'}
        ``levels`` are ordered numbers, ``categorical`` are labels.
    unit : str
    low, high : float
        Limits of a continuous factor (coded -1 and +1), the smallest and largest level of
        ``levels``, NaN for a categorical factor.
    levels : tuple of float or tuple of str
        Empty for a continuous factor; sorted for ``levels``.
    hard_to_change : bool
        Changed as seldom as the plan allows: its settings make whole plots.
    scale : {'linear', 'log'}
        Scale on which the factor is coded; ``log`` suits exposures and times.
    finer : {'', 'low', 'middle', 'high'}
        Where in the range fine details usually come out best, as far as the maker knows beforehand (thinner
        layers, slower lifting: common practice, no source). Empty where it is not known. A search for a
        met brief starts there and leans that way until prints say otherwise; designs and models do not
        look at it.
    """

    name: str
    kind: Kind = "continuous"
    unit: str = ""
    low: float = math.nan
    high: float = math.nan
    levels: tuple[float, ...] | tuple[str, ...] = ()
    hard_to_change: bool = False
    scale: Literal["linear", "log"] = "linear"
    finer: str = ""

    def __post_init__(self) -> None:
        name = self.name
        if not name.isidentifier() or keyword.iskeyword(name):
            raise _say(name, "key 'name' must be letters, digits and underscores, such as layer_height.")
        if name in RESERVED:
            raise _say(name, f"key 'name' may not be one of {', '.join(RESERVED)}, which are columns of runs.csv.")
        if self.kind not in KINDS:
            raise _say(name, f"key 'kind' must be one of {', '.join(KINDS)}, got {self.kind!r}.")
        if self.scale not in ("linear", "log"):
            raise _say(name, f"key 'scale' must be 'linear' or 'log', got {self.scale!r}.")
        if self.finer not in FINER:
            raise _say(name, f"key 'finer' must be 'low', 'middle' or 'high', or be left out, got {self.finer!r}.")
        if self.finer and self.kind == "categorical":
            raise _say(name, "key 'finer' is for numbers; the labels of a categorical factor have no ends.")
        if self.kind == "categorical":
            self._check_labels()
        else:
            self._check_numbers()

    def _check_labels(self) -> None:
        if len(self.levels) < 2 or len(set(self.levels)) != len(self.levels):
            raise _say(self.name, f"key 'levels' needs at least two different labels, got {list(self.levels)}.")
        if any(not isinstance(v, str) or not v.strip() for v in self.levels):
            raise _say(self.name, f"key 'levels' of a categorical factor holds labels, got {list(self.levels)}.")

    def _check_numbers(self) -> None:
        if self.kind == "levels":
            numbers = sorted(float(v) for v in self.levels)
            if len(numbers) < 2 or len(set(numbers)) != len(numbers) or not np.all(np.isfinite(numbers)):
                raise _say(self.name, f"key 'levels' needs at least two different numbers, got {list(self.levels)}.")
            for key, value in (("levels", tuple(numbers)), ("low", numbers[0]), ("high", numbers[-1])):
                object.__setattr__(self, key, value)
        for key in ("low", "high"):
            if not abs(getattr(self, key)) <= _LARGEST:
                raise _say(self.name, f"key {key!r} must be a number, got {getattr(self, key)!r}.")
        if not self.low < self.high:
            raise _say(self.name, f"key 'low' ({self.low:g}) must be below key 'high' ({self.high:g}).")
        if self.scale == "log" and self.low <= 0:
            raise _say(self.name, f"key 'low' must be above 0 where scale is 'log', got {self.low:g}.")

    @property
    def is_categorical(self) -> bool:
        """Whether the factor has labels instead of numbers."""
        return self.kind == "categorical"

    @property
    def n_levels(self) -> float:
        """Number of levels; infinite for a continuous factor."""
        return float(len(self.levels)) if self.levels else math.inf

    @property
    def coded_levels(self) -> NDArray[np.float64]:
        """Coded levels of ``levels``, level numbers 0, 1, ... of a categorical factor, -1 and 1 else."""
        if self.kind == "categorical":
            return np.arange(len(self.levels), dtype=float)
        return self.code(self.levels) if self.levels else np.array([-1.0, 1.0])

    def _on_scale(self, values: Any) -> NDArray[np.float64]:
        numbers = np.asarray(values, dtype=float)
        if self.scale == "log":
            with np.errstate(all="ignore"):
                return np.asarray(np.log(numbers))
        return numbers

    def code(self, values: Any) -> NDArray[np.float64]:
        """Turn natural settings into coded ones (labels into level numbers 0, 1, ...)."""
        if self.kind == "categorical":
            index = {label: float(i) for i, label in enumerate(cast("tuple[str, ...]", self.levels))}
            flat = [index[str(v)] for v in np.asarray(values, dtype=object).ravel()]
            return np.asarray(flat, dtype=float).reshape(np.shape(values))
        low, high = self._on_scale([self.low, self.high])
        coded = (self._on_scale(values) - (low + high) / 2) / ((high - low) / 2)
        return cast("NDArray[np.float64]", np.round(coded, 12) + 0.0)

    def decode(self, coded: Any) -> NDArray[Any]:
        """Turn coded settings (level numbers for labels) into natural ones.

        Numbers are rounded to 12 significant digits, so that 0.1 is written as 0.1.
        """
        numbers = np.asarray(coded, dtype=float)
        if self.kind == "categorical":
            return np.asarray(np.asarray(self.levels, dtype=object)[np.rint(numbers).astype(int)])
        low, high = self._on_scale([self.low, self.high])
        natural = (low + high) / 2 + numbers * (high - low) / 2
        natural = np.exp(natural) if self.scale == "log" else natural
        digits = 11 - math.floor(math.log10(max(abs(self.low), abs(self.high))))
        return cast("NDArray[Any]", np.round(natural, max(digits, 0)) + 0.0)

    def summary(self) -> str:
        """Return the factor in one line."""
        unit = f" {self.unit}" if self.unit else ""
        if self.kind == "continuous":
            span = f"{self.low:g} to {self.high:g}{unit}"
        else:
            span = ", ".join(v if isinstance(v, str) else f"{v:g}" for v in self.levels) + unit
        return f"{self.name}: {span}{' (hard to change)' if self.hard_to_change else ''}"

    def to_dict(self) -> dict[str, Any]:
        """Return the factor as the keys of a factors file."""
        entry: dict[str, Any] = {"name": self.name, "unit": self.unit, "kind": self.kind}
        if self.kind == "continuous":
            entry |= {"low": self.low, "high": self.high}
        else:
            entry["levels"] = list(self.levels)
        if self.hard_to_change:
            entry["hard_to_change"] = True
        if self.scale != "linear":
            entry["scale"] = self.scale
        if self.finer:
            entry["finer"] = self.finer
        return entry


@dataclass(frozen=True, kw_only=True, slots=True)
class Factors:
    """All factors of an experiment and the rules between them.

    Attributes
    ----------
    factors : tuple of Factor
    constraints : tuple of Constraint
    source : str
        Where they were read from, for messages; empty if made in memory.
    """

    factors: tuple[Factor, ...]
    constraints: tuple[Constraint, ...] = ()
    source: str = ""

    def __post_init__(self) -> None:
        where = f"{self.source}: " if self.source else ""
        if not self.factors:
            raise PlanError(f"{where}no factor is given. Add a [[factor]] table with name, low and high.")
        seen: set[str] = set()
        for name in self.names:
            if name.casefold() in seen:
                raise PlanError(f"{where}factor {name!r} stands there twice (capitals do not count). Keep one of them.")
            seen.add(name.casefold())
        if self.constraints and not self.allowed(self.spread(4096)).any():
            rules = "; ".join(c.rule for c in self.constraints)
            raise PlanError(
                f"{where}no settings within the factors' limits keep the rules ({rules}). Loosen one of them."
            )

    def __iter__(self) -> Any:
        return iter(self.factors)

    def __len__(self) -> int:
        return len(self.factors)

    def __getitem__(self, name: str) -> Factor:
        for factor in self.factors:
            if factor.name == name:
                return factor
        raise PlanError(f"there is no factor {name!r}; factors are {', '.join(self.names)}.")

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the factors in the order of the file."""
        return tuple(f.name for f in self.factors)

    @property
    def hard(self) -> tuple[Factor, ...]:
        """The factors that are hard to change."""
        return tuple(f for f in self.factors if f.hard_to_change)

    def code(self, runs: pd.DataFrame) -> pd.DataFrame:
        """Return the settings in coded units; categorical columns keep their labels.

        Parameters
        ----------
        runs : DataFrame
            One column per factor in natural units, other columns are left out.
        """
        coded = {f.name: runs[f.name].astype(str) if f.is_categorical else f.code(runs[f.name]) for f in self.factors}
        return pd.DataFrame(coded, index=runs.index)

    def decode(self, coded: pd.DataFrame) -> pd.DataFrame:
        """Return coded settings (labels for categorical factors) in natural units."""
        natural = {f.name: coded[f.name] if f.is_categorical else f.decode(coded[f.name]) for f in self.factors}
        return pd.DataFrame(natural, index=coded.index)

    def from_matrix(self, matrix: NDArray[np.float64]) -> pd.DataFrame:
        """Return a matrix of coded numbers (level numbers for labels) as natural settings.

        Parameters
        ----------
        matrix : ndarray of float, shape (n_runs, n_factors)
        """
        columns: dict[str, Any] = {f.name: f.decode(matrix[:, i]) for i, f in enumerate(self.factors)}
        return pd.DataFrame(columns)

    def to_matrix(self, runs: pd.DataFrame) -> NDArray[np.float64]:
        """Return natural settings as coded numbers, level numbers for labels."""
        return np.column_stack([f.code(runs[f.name].to_numpy()) for f in self.factors])

    def allowed(self, runs: pd.DataFrame | dict[str, Any]) -> NDArray[np.bool_]:
        """Return which natural settings keep every rule."""
        columns = {name: np.asarray(runs[name]) for name in self.names}
        ok = np.ones(np.shape(columns[self.names[0]]), dtype=bool)
        for constraint in self.constraints:
            ok &= constraint.holds(columns)
        return ok

    def spread(self, n: int, *, seed: int = 20) -> pd.DataFrame:
        """Return natural settings spread evenly over the whole region, corners included.

        Rules between factors are not applied. Evenly spread points, with a third of the numbers
        pushed to the nearest limit so that edges and corners are met too.
        """
        rng = np.random.default_rng(seed)
        matrix = self._stretch(even_points(n, len(self.factors), shift=rng.random(len(self.factors))))
        for i, f in enumerate(self.factors):
            if f.kind == "continuous":
                push = rng.random(len(matrix)) < 1 / 3
                matrix[push, i] = np.where(matrix[push, i] < 0, -1.0, 1.0)
        return self.from_matrix(matrix)

    def sample(self, n: int, *, seed: int = 20) -> NDArray[np.float64]:
        """Return coded numbers spread evenly over the allowed region, at most n rows."""
        shift = np.random.default_rng(seed).random(len(self.factors))
        matrix = self._stretch(even_points(n, len(self.factors), shift=shift))
        return matrix[self.allowed(self.from_matrix(matrix))] if self.constraints else matrix

    def _stretch(self, unit: NDArray[np.float64]) -> NDArray[np.float64]:
        columns = []
        for i, f in enumerate(self.factors):
            if f.levels:
                columns.append(f.coded_levels[np.minimum((unit[:, i] * len(f.levels)).astype(int), len(f.levels) - 1)])
            else:
                columns.append(2 * unit[:, i] - 1)
        return np.column_stack(columns)

    def summary(self) -> str:
        """Return the factors in one line."""
        rules = f"; {len(self.constraints)} rule(s)" if self.constraints else ""
        return "; ".join(f.summary() for f in self.factors) + rules

    def to_frame(self) -> pd.DataFrame:
        """Return one row per factor."""
        rows = [
            {
                "name": f.name,
                "unit": f.unit,
                "kind": f.kind,
                "low": f.low,
                "high": f.high,
                "levels": ", ".join(str(v) for v in f.levels),
                "hard_to_change": f.hard_to_change,
                "scale": f.scale,
                "finer": f.finer,
            }
            for f in self.factors
        ]
        return pd.DataFrame(rows)

    def to_dict(self) -> dict[str, Any]:
        """Return the factors as the tables of a factors file."""
        tables: dict[str, Any] = {"factor": [f.to_dict() for f in self.factors]}
        if self.constraints:
            tables["constraint"] = [{"rule": c.rule} for c in self.constraints]
        return tables

    def _repr_html_(self) -> str:
        return f"<p>{html.escape(self.summary())}</p>{self.to_frame().to_html(index=False)}"


def even_points(n: int, dimensions: int, *, shift: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return n points spread evenly over the unit cube.

    Parameters
    ----------
    n, dimensions : int
    shift : ndarray of float, shape (dimensions,)

    Returns
    -------
    ndarray of float, shape (n, dimensions)

    Notes
    -----
    Additive recurrence with powers of the root of x^(d+1) = x + 1, which in one dimension is the golden
    ratio. Chosen over Sobol points because scipy.stats takes seconds to import.
    """
    root = 2.0
    for _ in range(60):
        root = (1 + root) ** (1 / (dimensions + 1))
    steps = root ** -np.arange(1.0, dimensions + 1)
    return np.asarray((shift + np.outer(np.arange(1, n + 1), steps)) % 1.0)
