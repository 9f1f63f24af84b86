"""The power transformation that a response asks for (Box and Cox)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sharpset.errors import FitError

__all__ = ["BoxCox", "box_cox", "power_inverse", "power_transform"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, slots=True)
class BoxCox:
    """Profile likelihood of the power lambda.

    Attributes
    ----------
    best, low, high : float
        Maximum and 95 % interval (likelihood ratio); infinite where the grid's end was reached.
    powers, log_likelihood : ndarray of float
    geometric_mean : float
    """

    best: float
    low: float
    high: float
    powers: Floats
    log_likelihood: Floats
    geometric_mean: float

    @property
    def suggestion(self) -> float:
        """A usual power inside the interval: 1 if it is inside, else the nearest of the usual ones."""
        if self.low <= 1.0 <= self.high:
            return 1.0
        inside = [p for p in (0.5, 0.0, -0.5, -1.0, 2.0, -2.0) if self.low <= p <= self.high]
        return min(inside, key=lambda p: abs(p - self.best)) if inside else round(self.best, 1)

    def summary(self) -> str:
        """Return the advice in one line."""
        names = {1.0: "no transformation needed", 0.0: "take logarithms", 0.5: "take square roots", -1.0: "take 1/y"}
        advice = names.get(self.suggestion, f"raise to the power {self.suggestion:g}")
        return f"Box-Cox: lambda {self.best:.2f} (95 % {self.low:.2f} to {self.high:.2f}): {advice}"

    def to_frame(self) -> pd.DataFrame:
        """Return the profile."""
        return pd.DataFrame({"lambda": self.powers, "log_likelihood": self.log_likelihood})


def power_transform(values: Floats, power: float, *, scaled: bool = False) -> Floats:
    """Return ``(y**power - 1) / power`` (log for 0), divided by ``gm**(power-1)`` when scaled."""
    y = np.asarray(values, dtype=float)
    if np.any(y <= 0):
        raise FitError(f"A power transformation needs positive values, got {float(y.min()):g}. Leave it out.")
    out = np.log(y) if abs(power) < 1e-12 else np.expm1(power * np.log(y)) / power
    return np.asarray(out / np.exp(np.mean(np.log(y))) ** (power - 1.0) if scaled else out)


def power_inverse(values: Floats, power: float) -> Floats:
    """Undo :func:`power_transform` (not scaled); NaN outside its range."""
    z = np.asarray(values, dtype=float)
    if abs(power) < 1e-12:
        return np.asarray(np.exp(z))
    with np.errstate(invalid="ignore"):
        base = 1.0 + power * z
        return np.asarray(np.where(base > 0, np.abs(base) ** (1.0 / power), np.nan))


def box_cox(matrix: Floats, response: Floats, *, span: float = 3.0) -> BoxCox:
    """Profile the power transformation of a response under a linear model.

    Parameters
    ----------
    matrix : ndarray of float, shape (n, p)
        Model matrix with independent columns, p < n.
    response : ndarray of float, shape (n,)
        Positive.
    span : float
        Powers from -span to +span are searched.

    Returns
    -------
    BoxCox

    References
    ----------
    Box, G. E. P. and Cox, D. R. (1964), An analysis of transformations, J. R. Stat. Soc. B 26:211-252.
    """
    y = np.asarray(response, dtype=float)
    if np.any(y <= 0):
        raise FitError(f"Box-Cox needs a positive response, got {float(y.min()):g}.")
    n, p = matrix.shape
    if n <= p:
        raise FitError(f"Box-Cox needs more runs than terms, got {n} runs and {p} terms.")
    powers = np.round(np.arange(-span, span + 0.005, 0.01), 10)
    logs = _profiles(matrix, y, powers)
    top = int(np.argmax(logs))
    inside = np.flatnonzero(logs >= logs[top] - 1.9207)  # half the 95 % point of chi-square, 1 df
    low = float(powers[inside[0]]) if inside[0] > 0 else float("-inf")
    high = float(powers[inside[-1]]) if inside[-1] < len(powers) - 1 else float("inf")
    return BoxCox(
        best=float(powers[top]),
        low=low,
        high=high,
        powers=powers,
        log_likelihood=logs,
        geometric_mean=float(np.exp(np.mean(np.log(y)))),
    )


def _profiles(matrix: Floats, y: Floats, powers: Floats) -> Floats:
    """Return the profile log-likelihood of every power, up to a constant."""
    scaled = np.log(y / np.exp(np.mean(np.log(y))))
    near = np.abs(powers) < 1e-12
    safe = np.where(near, 1.0, powers)
    z = np.where(near, scaled[:, None], np.expm1(safe * scaled[:, None]) / safe)
    q, _ = np.linalg.qr(matrix)
    rest = z - q @ (q.T @ z)
    rest = rest - q @ (q.T @ rest)
    rss = np.maximum(np.sum(rest**2, axis=0), 1e-300)
    return np.asarray(-0.5 * len(y) * np.log(rss / len(y)))
