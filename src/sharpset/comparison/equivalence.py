"""Two one-sided tests: are two means the same within a tolerance?"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy import stats

from sharpset.errors import ComparisonError

__all__ = ["EquivalenceTest", "assess_equivalence", "assess_equivalence_summary", "holm_adjust", "welch_df"]


@dataclass(frozen=True, kw_only=True, slots=True)
class EquivalenceTest:
    """Result of two one-sided tests (TOST).

    Attributes
    ----------
    difference, se, df : float
        Estimated difference, its standard error and its degrees of freedom.
    low, high : float
        Bounds of equivalence, in the unit of the difference.
    t_low, t_high, p_low, p_high : float
        Statistics and one-sided p values against the lower and the upper bound.
    p : float
        The larger of both; equivalence is shown where it is below alpha.
    ci_low, ci_high : float
        The interval of level ``1 - 2 alpha`` that belongs to the test.
    alpha : float
    """

    difference: float
    se: float
    df: float
    low: float
    high: float
    t_low: float
    t_high: float
    p_low: float
    p_high: float
    ci_low: float
    ci_high: float
    alpha: float

    @property
    def p(self) -> float:
        """The p value of the whole test."""
        return max(self.p_low, self.p_high)

    @property
    def equivalent(self) -> bool:
        """Whether equivalence within the bounds is shown at level alpha."""
        return self.p < self.alpha

    def summary(self) -> str:
        """Return the result in one line."""
        word = "equal within the bounds" if self.equivalent else "equality within the bounds not shown"
        level = 100 * (1 - 2 * self.alpha)
        return (
            f"{word}: difference {self.difference:.4g}, {level:.0f} % interval {self.ci_low:.4g} to "
            f"{self.ci_high:.4g}, bounds {self.low:g} to {self.high:g}, p {self.p:.3g}"
        )

    def to_frame(self) -> pd.DataFrame:
        """Return one row with every number."""
        names = ["difference", "se", "df", "low", "high", "t_low", "t_high", "p_low", "p_high", "ci_low", "ci_high"]
        return pd.DataFrame([{name: getattr(self, name) for name in names} | {"p": self.p}])

    def _repr_html_(self) -> str:
        return f"<p>{self.summary()}</p>{self.to_frame().to_html(index=False)}"


def welch_df(var_a: ArrayLike, n_a: ArrayLike, var_b: ArrayLike, n_b: ArrayLike) -> np.ndarray:
    """Return Welch's degrees of freedom for two means (variances of single values, counts)."""
    va, vb = np.asarray(var_a, float) / np.asarray(n_a, float), np.asarray(var_b, float) / np.asarray(n_b, float)
    with np.errstate(divide="ignore", invalid="ignore"):
        df = (va + vb) ** 2 / (va**2 / (np.asarray(n_a, float) - 1) + vb**2 / (np.asarray(n_b, float) - 1))
    return np.asarray(df)


def _decide(difference: float, se: float, df: float, bounds: tuple[float, float], alpha: float) -> EquivalenceTest:
    low, high = bounds
    if not low < high:
        raise ComparisonError(f"the bounds {low:g} to {high:g} are no interval. Give the lower bound first.")
    if not 0 < alpha < 0.5:
        raise ComparisonError(f"alpha is {alpha:g}; it must lie between 0 and 0.5. 0.05 is usual.")
    if not (se >= 0 and df > 0):
        raise ComparisonError("the data leave no spread to test with. Give at least two values of each.")
    with np.errstate(divide="ignore"):
        t_low, t_high = float(np.divide(difference - low, se)), float(np.divide(difference - high, se))
    half = float(stats.t.ppf(1 - alpha, df)) * se
    return EquivalenceTest(
        difference=difference,
        se=se,
        df=df,
        low=low,
        high=high,
        t_low=t_low,
        t_high=t_high,
        p_low=float(stats.t.sf(t_low, df)),
        p_high=float(stats.t.cdf(t_high, df)),
        ci_low=difference - half,
        ci_high=difference + half,
        alpha=alpha,
    )


def assess_equivalence_summary(
    *,
    mean: float,
    sd: float,
    n: int,
    bounds: tuple[float, float],
    mean_b: float | None = None,
    sd_b: float | None = None,
    n_b: int | None = None,
    r: float | None = None,
    alpha: float = 0.05,
) -> EquivalenceTest:
    """Run two one-sided tests from means, standard deviations and counts.

    With ``mean_b`` as a bare reference value: one sample. With ``mean_b, sd_b, n_b``: two samples with unequal
    variances (Welch). With ``mean_b, sd_b, r``: pairs whose values are correlated by ``r``.

    Parameters
    ----------
    mean, sd : float
    n : int
        At least 2.
    bounds : (float, float)
        Largest acceptable difference downwards and upwards.
    mean_b, sd_b, n_b, r : float, optional
    alpha : float

    Returns
    -------
    EquivalenceTest

    References
    ----------
    Schuirmann, D. J. (1987), J. Pharmacokin. Biopharm. 15:657-680.
    """
    if n < 2 or (n_b is not None and n_b < 2):
        raise ComparisonError(f"equivalence needs at least two values of each, got {min(n, n_b or n)}. Measure more.")
    difference = mean - (mean_b or 0.0)
    if sd_b is None:
        return _decide(difference, sd / math.sqrt(n), n - 1, bounds, alpha)
    if r is not None:
        spread = math.sqrt(sd**2 + sd_b**2 - 2 * r * sd * sd_b)
        return _decide(difference, spread / math.sqrt(n), n - 1, bounds, alpha)
    if n_b is None:
        raise ComparisonError("two samples need n_b, pairs need r. Give one of them.")
    se = math.sqrt(sd**2 / n + sd_b**2 / n_b)
    return _decide(difference, se, float(welch_df(sd**2, n, sd_b**2, n_b)), bounds, alpha)


def assess_equivalence(
    a: ArrayLike, b: ArrayLike | None = None, *, bounds: tuple[float, float], paired: bool = False, alpha: float = 0.05
) -> EquivalenceTest:
    """Run two one-sided tests on values.

    Parameters
    ----------
    a : array_like of float, shape (n,)
    b : array_like of float, optional
        Second sample; with ``paired`` the partner of each value of ``a``. Without it ``a`` is tested against 0.
    bounds : (float, float)
        Largest acceptable difference downwards and upwards.
    paired : bool
    alpha : float

    Returns
    -------
    EquivalenceTest
    """
    x = np.asarray(a, float)
    if b is None or paired:
        if b is not None:
            y = np.asarray(b, float)
            if y.shape != x.shape:
                raise ComparisonError(
                    f"pairs need equal counts, got {x.size} and {y.size}. Give a partner to each value."
                )
            x = x - y
        x = x[np.isfinite(x)]
        spread = float(x.std(ddof=1)) if x.size > 1 else math.nan
        return assess_equivalence_summary(mean=float(x.mean()), sd=spread, n=x.size, bounds=bounds, alpha=alpha)
    y = np.asarray(b, float)
    x, y = x[np.isfinite(x)], y[np.isfinite(y)]
    if min(x.size, y.size) < 2:
        raise ComparisonError(
            f"equivalence needs at least two values of each, got {x.size} and {y.size}. Measure more."
        )
    return assess_equivalence_summary(
        mean=float(x.mean()),
        sd=float(x.std(ddof=1)),
        n=x.size,
        mean_b=float(y.mean()),
        sd_b=float(y.std(ddof=1)),
        n_b=y.size,
        bounds=bounds,
        alpha=alpha,
    )


def holm_adjust(p: ArrayLike, *, weights: ArrayLike | None = None) -> np.ndarray:
    """Return p values adjusted for many comparisons by Holm's step-down rule.

    Parameters
    ----------
    p : array_like of float
        NaN entries (tests that could not be made) stay NaN and do not count.
    weights : array_like of float, optional
        Importance of each test, above 0; equal by default. They must not depend on the data.

    Returns
    -------
    ndarray of float
        Below alpha where the hypothesis is rejected with a family-wise error of at most alpha, whatever the
        dependence of the tests.

    References
    ----------
    Holm, S. (1979), Scand. J. Statist. 6:65-70 (section 4 for weights).
    """
    values = np.asarray(p, float)
    w = np.ones(values.shape) if weights is None else np.asarray(weights, float)
    out = np.full(values.shape, np.nan)
    known = np.flatnonzero(np.isfinite(values))
    if not known.size:
        return out
    order = known[np.argsort(values[known] / w[known], kind="stable")]
    left = np.cumsum(w[order][::-1])[::-1]
    out[order] = np.minimum(np.maximum.accumulate(values[order] / w[order] * left), 1.0)
    return out
