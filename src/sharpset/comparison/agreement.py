"""Bias and limits of agreement of two ways to make or measure the same things."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy import optimize, stats

from sharpset.errors import ComparisonError

__all__ = ["Agreement", "measure_agreement", "repeatability_coefficient"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Agreement:
    """Bias and limits of agreement of paired values, first minus second.

    Attributes
    ----------
    n : int
        Pairs.
    bias, sd : float
        Mean and standard deviation of the differences.
    bias_low, bias_high : float
        95 % interval of the bias.
    lower, upper : float
        Limits of agreement, ``bias -/+ multiplier sd``.
    lower_low, lower_high, upper_low, upper_high : float
        95 % intervals of the limits.
    multiplier : float
    trend, trend_p : float
        Slope of the differences on the means of the pairs and its p value; a small p says that the bias grows with
        the size and that one pair of limits does not serve all sizes.
    method : {'exact', '1986'}
    """

    n: int
    bias: float
    sd: float
    bias_low: float
    bias_high: float
    lower: float
    upper: float
    lower_low: float
    lower_high: float
    upper_low: float
    upper_high: float
    multiplier: float
    trend: float
    trend_p: float
    method: str

    def summary(self) -> str:
        """Return the result in one line."""
        return (
            f"bias {self.bias:.4g} (95 % {self.bias_low:.4g} to {self.bias_high:.4g}), limits of agreement "
            f"{self.lower:.4g} to {self.upper:.4g}, n {self.n}"
        )

    def to_frame(self) -> pd.DataFrame:
        """Return a row for the bias and for each limit, with its interval."""
        rows = [
            ("bias", self.bias, self.bias_low, self.bias_high),
            ("lower limit", self.lower, self.lower_low, self.lower_high),
            ("upper limit", self.upper, self.upper_low, self.upper_high),
        ]
        return pd.DataFrame(rows, columns=["quantity", "value", "low", "high"]).assign(n=self.n)

    def _repr_html_(self) -> str:
        return f"<p>{self.summary()}</p>{self.to_frame().to_html(index=False)}"


def _exact_factor(p: float, n: int, z: float) -> float:
    """Quantile of the pivot ``(limit - mean) / (s / sqrt n)`` by its noncentral t distribution."""
    shift = z * math.sqrt(n)
    start = float(stats.norm.ppf(p)) + shift
    found = optimize.root_scalar(
        lambda x: float(stats.nct.cdf(x, n - 1, shift)) - p, x0=start, x1=start * 1.1 + 0.1, method="secant"
    )
    return float(found.root) if found.converged else float(stats.nct.ppf(p, n - 1, shift))


def measure_agreement(
    a: ArrayLike,
    b: ArrayLike,
    *,
    multiplier: float | None = None,
    method: Literal["exact", "1986"] = "exact",
) -> Agreement:
    """Compute the bias and the limits of agreement of pairs.

    Parameters
    ----------
    a, b : array_like of float, shape (n,)
        Partners at the same place; pairs with a NaN are left out. At least 3 pairs.
    multiplier : float, optional
        Standard deviations from the bias to a limit; the normal 1.959964 by default, 2 in the 1986 paper.
    method : {'exact', '1986'}
        Intervals of the limits: from the noncentral t distribution, or with the standard error
        ``sqrt(3 s**2 / n)`` of the paper.

    Returns
    -------
    Agreement

    Raises
    ------
    ComparisonError
        If the counts differ or fewer than 3 pairs are known.

    Notes
    -----
    Pairs must be independent. Features of one print job are not; `compare_readings` takes that into account.

    References
    ----------
    Bland, J. M. & Altman, D. G. (1986), Lancet i:307-310. Carkeet, A. (2015), Optom. Vis. Sci. 92:e71-e80 (exact
    intervals).
    """
    x, y = np.asarray(a, float).ravel(), np.asarray(b, float).ravel()
    if x.size != y.size:
        raise ComparisonError(f"pairs need equal counts, got {x.size} and {y.size}. Give a partner to each value.")
    known = np.isfinite(x) & np.isfinite(y)
    x, y = x[known], y[known]
    n = x.size
    if n < 3:
        raise ComparisonError(f"limits of agreement need at least 3 pairs, got {n}. Measure more features.")
    z = float(stats.norm.ppf(0.975)) if multiplier is None else multiplier
    d = x - y
    bias, sd = float(d.mean()), float(d.std(ddof=1))
    t = float(stats.t.ppf(0.975, n - 1))
    root = sd / math.sqrt(n)
    if method == "exact":
        near, far = _exact_factor(0.025, n, z), _exact_factor(0.975, n, z)
        lower, upper = (bias - far * root, bias - near * root), (bias + near * root, bias + far * root)
    else:
        half = t * math.sqrt(3 * sd**2 / n)
        lower, upper = (bias - z * sd - half, bias - z * sd + half), (bias + z * sd - half, bias + z * sd + half)
    slope, p = math.nan, math.nan
    middle = (x + y) / 2
    if n > 3 and np.ptp(middle) > 0 and sd > 0:
        line = stats.linregress(middle, d)
        slope, p = float(line.slope), float(line.pvalue)
    return Agreement(
        n=n,
        bias=bias,
        sd=sd,
        bias_low=bias - t * root,
        bias_high=bias + t * root,
        lower=bias - z * sd,
        upper=bias + z * sd,
        lower_low=lower[0],
        lower_high=lower[1],
        upper_low=upper[0],
        upper_high=upper[1],
        multiplier=z,
        trend=slope,
        trend_p=p,
        method=method,
    )


def repeatability_coefficient(first: ArrayLike, second: ArrayLike, *, multiplier: float | None = None) -> float:
    """Return the coefficient of repeatability of two repeats of each thing.

    Parameters
    ----------
    first, second : array_like of float, shape (n,)
    multiplier : float, optional
        1.959964 by default, 2 in the 1986 paper.

    Returns
    -------
    float
        ``multiplier`` times the standard deviation of the paired differences, their mean taken as zero, in the unit
        of the values.
    """
    d = np.asarray(first, float) - np.asarray(second, float)
    d = d[np.isfinite(d)]
    if d.size < 2:
        raise ComparisonError(f"repeatability needs at least 2 repeated values, got {d.size}. Measure more twice.")
    z = float(stats.norm.ppf(0.975)) if multiplier is None else multiplier
    return z * math.sqrt(float(np.mean(d**2)))
