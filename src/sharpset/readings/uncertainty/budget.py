"""Uncertainty budgets by the GUM: inputs, law of propagation, effective degrees of freedom, Monte Carlo."""

from __future__ import annotations

import html
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtri, stdtrit

from sharpset.errors import ReadingError

__all__ = ["Budget", "Draws", "Input", "effective_dof", "expanded", "monte_carlo", "propagate", "propagate_jointly"]

FloatArray = NDArray[np.float64]
Model = Callable[..., float]
Correlation = Mapping[tuple[str, str], float]
_STEP = 1e-3
"""Step of the numerical derivatives, in standard uncertainties."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Input:
    """An input quantity.

    Attributes
    ----------
    name : str
        The argument of the model that it stands for.
    estimate : float
    u : float
        Standard uncertainty, in the estimate's unit.
    dof : float
        Degrees of freedom of `u`; infinite where it is taken as known.
    """

    name: str
    estimate: float
    u: float
    dof: float = math.inf


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Budget:
    """The uncertainty of one output quantity.

    Attributes
    ----------
    name, unit : str
    estimate : float
    u : float
        Combined standard uncertainty.
    dof : float
        Effective degrees of freedom by the Welch-Satterthwaite formula.
    inputs : tuple of Input
    sensitivity : ndarray of float, shape (n,)
        Partial derivatives of the output.
    correlation : ndarray of float, shape (n, n)
        Of the inputs.
    """

    name: str
    unit: str
    estimate: float
    u: float
    dof: float
    inputs: tuple[Input, ...]
    sensitivity: FloatArray
    correlation: FloatArray

    @property
    def contributions(self) -> FloatArray:
        """Sensitivity times standard uncertainty of each input, signed, in the output's unit."""
        return np.asarray(self.sensitivity * np.array([one.u for one in self.inputs]))

    def expanded(self, coverage: float = 0.95) -> float:
        """Return the half-width of the coverage interval; see `expanded`."""
        return expanded(self.u, self.dof, coverage=coverage)

    def summary(self) -> str:
        """Return estimate and 95 % half-width in one line."""
        return f"{self.name} {self.estimate:.7g} +- {self.expanded():.2g} {self.unit}".rstrip()

    def to_frame(self) -> pd.DataFrame:
        """Return one row an input: estimate, u, dof, sensitivity, contribution and its share of the variance."""
        part = self.contributions
        return pd.DataFrame(
            {
                "input": [one.name for one in self.inputs],
                "estimate": [one.estimate for one in self.inputs],
                "u": [one.u for one in self.inputs],
                "dof": [one.dof for one in self.inputs],
                "sensitivity": self.sensitivity,
                "contribution": part,
                # With correlated inputs the cross terms are shared out evenly between the two.
                "share": part * (self.correlation @ part) / self.u**2 if self.u > 0 else np.nan,
            }
        )

    def _repr_html_(self) -> str:
        return f"<p>{html.escape(self.summary())}</p>{self.to_frame().to_html(index=False)}"


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Draws:
    """An output quantity's distribution by Monte Carlo.

    Attributes
    ----------
    values : ndarray of float, shape (n_draws,)
        Sorted.
    """

    values: FloatArray

    @property
    def mean(self) -> float:
        """Mean of the draws."""
        return float(self.values.mean())

    @property
    def u(self) -> float:
        """Standard deviation of the draws."""
        return float(self.values.std(ddof=1))

    def interval(self, coverage: float = 0.95, *, shortest: bool = False) -> tuple[float, float]:
        """Return the probabilistically symmetric or the shortest coverage interval (JCGM 101, 7.7)."""
        n = len(self.values)
        span = int(coverage * n + 0.5)
        if shortest:
            start = int(np.argmin(self.values[span:] - self.values[: n - span]))
        else:
            start = int((n - span + 1) / 2)
        return float(self.values[start]), float(self.values[min(start + span, n - 1)])

    def summary(self) -> str:
        """Return mean, standard uncertainty and 95 % interval in one line."""
        low, high = self.interval()
        return f"{self.mean:.6g}, u {self.u:.3g}, 95 % from {low:.6g} to {high:.6g}"

    def to_frame(self) -> pd.DataFrame:
        """Return the sorted draws."""
        return pd.DataFrame({"value": self.values})

    def _repr_html_(self) -> str:
        return f"<p>{html.escape(self.summary())}</p>"


def effective_dof(u: float, parts: Sequence[float], dofs: Sequence[float]) -> float:
    """Return the effective degrees of freedom of a combined uncertainty.

    Parameters
    ----------
    u : float
        Combined standard uncertainty.
    parts, dofs : sequence of float
        Contributions and the degrees of freedom of each.

    References
    ----------
    JCGM 100:2008, formula G.2b (Welch-Satterthwaite).
    """
    total = sum(part**4 / dof for part, dof in zip(parts, dofs, strict=True) if dof > 0 and math.isfinite(dof))
    return math.inf if total <= 0 else u**4 / total


def expanded(u: float, dof: float = math.inf, *, coverage: float = 0.95) -> float:
    """Return the expanded uncertainty.

    Parameters
    ----------
    u : float
    dof : float
        Effective degrees of freedom; truncated to a whole number as the GUM does (G.4.1).
    coverage : float

    Returns
    -------
    float
        Student's t for the coverage times `u`.
    """
    if not math.isfinite(dof):
        return float(ndtri((1 + coverage) / 2)) * u
    return float(stdtrit(max(math.floor(dof + 1e-9), 1), (1 + coverage) / 2)) * u


def propagate(
    model: Model,
    inputs: Sequence[Input],
    *,
    name: str = "output",
    unit: str = "",
    correlation: Correlation | None = None,
    second_order: bool = False,
) -> Budget:
    """Propagate uncertainties through a model by its first-order Taylor series.

    Parameters
    ----------
    model : callable
        Takes the inputs as keyword arguments and returns one number.
    inputs : sequence of Input
    name, unit : str
        Of the output.
    correlation : mapping from pairs of names to numbers, optional
        Correlation coefficients that are not zero.
    second_order : bool
        Add the terms of the next order (independent, normally distributed inputs only).

    Returns
    -------
    Budget

    Raises
    ------
    ReadingError
        If a name is unknown, an uncertainty negative, or the correlations contradict each other.

    References
    ----------
    JCGM 100:2008, 5.1.2 with its note, 5.1.4 and 5.2.2.
    """
    matrix = _correlation_matrix(inputs, correlation)
    u = np.array([one.u for one in inputs])
    sensitivity = _sensitivities(model, inputs)
    part = sensitivity * u
    variance = float(part @ matrix @ part)
    if second_order:
        variance += _second_order(model, inputs)
    combined = math.sqrt(max(variance, 0.0))
    return Budget(
        name=name,
        unit=unit,
        estimate=float(model(**{one.name: one.estimate for one in inputs})),
        u=combined,
        dof=effective_dof(combined, list(part), [one.dof for one in inputs]),
        inputs=tuple(inputs),
        sensitivity=sensitivity,
        correlation=matrix,
    )


def propagate_jointly(
    models: Mapping[str, Model], inputs: Sequence[Input], *, correlation: Correlation | None = None
) -> pd.DataFrame:
    """Propagate to several outputs of the same inputs.

    Returns
    -------
    pandas.DataFrame
        Covariance matrix of the outputs, named by row and column.

    References
    ----------
    JCGM 100:2008, H.2.3, formula H.9.
    """
    matrix = _correlation_matrix(inputs, correlation)
    u = np.array([one.u for one in inputs])
    parts = np.array([_sensitivities(model, inputs) * u for model in models.values()])
    return pd.DataFrame(parts @ matrix @ parts.T, index=list(models), columns=list(models))


def monte_carlo(
    model: Callable[..., FloatArray],
    draws: Mapping[str, Callable[[np.random.Generator, int], FloatArray]],
    *,
    n: int = 1_000_000,
    seed: int = 1,
) -> Draws:
    """Propagate whole distributions.

    Parameters
    ----------
    model : callable
        Takes arrays by keyword and returns an array.
    draws : mapping from names to callables
        Each takes a random generator and a count and returns that many draws of its input.
    n : int
    seed : int

    References
    ----------
    JCGM 101:2008, clause 7.
    """
    if n < 1000:
        raise ReadingError(f"{n} draws cannot show a 95 % interval; use 1000 or more")
    rng = np.random.default_rng(seed)
    drawn = {name: np.asarray(draw(rng, n), dtype=float) for name, draw in draws.items()}
    return Draws(values=np.sort(np.asarray(model(**drawn), dtype=float)))


def _correlation_matrix(inputs: Sequence[Input], correlation: Correlation | None) -> FloatArray:
    names = [one.name for one in inputs]
    if len(set(names)) < len(names):
        raise ReadingError(f"budget: an input stands twice among {', '.join(names)}. Give each its own name.")
    for one in inputs:
        if not (math.isfinite(one.u) and one.u >= 0 and one.dof > 0):
            raise ReadingError(
                f"budget: input {one.name} has u = {one.u} with {one.dof} degrees of freedom. "
                "A standard uncertainty is 0 or more, degrees of freedom are above 0."
            )
    matrix = np.eye(len(names))
    for (a, b), r in (correlation or {}).items():
        if a not in names or b not in names:
            raise ReadingError(f"budget: correlation of {a} and {b}; the inputs are {', '.join(names)}.")
        matrix[names.index(a), names.index(b)] = matrix[names.index(b), names.index(a)] = r
    if np.linalg.eigvalsh(matrix)[0] < -1e-9:
        raise ReadingError("budget: the correlations contradict each other (their matrix is not positive definite).")
    return matrix


def _value(model: Model, inputs: Sequence[Input], moves: Mapping[int, float]) -> float:
    """Return the model with some inputs moved by multiples of their uncertainty."""
    return float(model(**{one.name: one.estimate + moves.get(i, 0.0) * one.u for i, one in enumerate(inputs)}))


def _sensitivities(model: Model, inputs: Sequence[Input]) -> FloatArray:
    found = np.zeros(len(inputs))
    for i, one in enumerate(inputs):
        if one.u > 0:
            rise = _value(model, inputs, {i: _STEP}) - _value(model, inputs, {i: -_STEP})
            found[i] = rise / (2 * _STEP * one.u)
    return found


def _second_order(model: Model, inputs: Sequence[Input]) -> float:
    """Return the sum over i, j of (f_ij^2 / 2 + f_i f_ijj) u_i^2 u_j^2, by differences over one uncertainty."""
    n = len(inputs)
    centre = _value(model, inputs, {})
    first = [(_value(model, inputs, {i: 1.0}) - _value(model, inputs, {i: -1.0})) / 2 for i in range(n)]
    total = 0.0
    for i in range(n):
        bend = _value(model, inputs, {i: 1.0}) - 2 * centre + _value(model, inputs, {i: -1.0})
        outer = _value(model, inputs, {i: 2.0}) - _value(model, inputs, {i: -2.0})
        total += bend**2 / 2 + first[i] * (outer / 2 - 2 * first[i])
        for j in range(n):
            if j == i:
                continue
            corner = {(a, b): _value(model, inputs, {i: a, j: b}) for a in (-1.0, 1.0) for b in (-1.0, 1.0)}
            mixed = (corner[1.0, 1.0] - corner[1.0, -1.0] - corner[-1.0, 1.0] + corner[-1.0, -1.0]) / 4
            ahead = corner[1.0, 1.0] - 2 * _value(model, inputs, {i: 1.0}) + corner[1.0, -1.0]
            behind = corner[-1.0, 1.0] - 2 * _value(model, inputs, {i: -1.0}) + corner[-1.0, -1.0]
            total += mixed**2 / 2 + first[i] * (ahead - behind) / 2
    return total
