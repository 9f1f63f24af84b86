"""Hit or miss against size alone: the classical probability-of-detection curve."""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sharpset.errors import FitError

__all__ = ["HitMiss", "firth_logistic", "fit_hit_miss", "lower_chance"]

Floats = NDArray[np.float64]
Link = Literal["logit", "probit"]


@dataclass(frozen=True, kw_only=True, slots=True)
class HitMiss:
    """Chance of a hit against size, and the sizes that follow from it.

    Attributes
    ----------
    status : {'fitted', 'separated', 'all_hit', 'none_hit'}
    link : {'logit', 'probit'}
    log_size : bool
        Whether the curve is a line in ln(size).
    coef : ndarray of float, shape (2,)
        Constant and slope. Where the data are separated: Firth's estimates, for drawing only.
    covariance : ndarray of float, shape (2, 2)
    a50, a90 : float
        In the unit of the sizes; NaN unless fitted.
    se_a50, se_a90 : float
        Standard errors on the scale of the fit (ln size where ``log_size``).
    a90_95_wald, a90_95 : float
        One-sided 95 % upper bounds of a90, Wald and by likelihood ratio.
    statement : str
    """

    status: Literal["fitted", "separated", "all_hit", "none_hit"]
    link: Link
    log_size: bool
    coef: Floats
    covariance: Floats
    a50: float
    a90: float
    se_a50: float
    se_a90: float
    a90_95_wald: float
    a90_95: float
    statement: str

    def summary(self) -> str:
        """Return the result in one line."""
        return self.statement

    def to_frame(self) -> pd.DataFrame:
        """Return the sizes as one row."""
        names = ("status", "a50", "a90", "a90_95_wald", "a90_95", "se_a50", "se_a90", "statement")
        return pd.DataFrame([{name: getattr(self, name) for name in names}])


def lower_chance(hits: int, trials: int, *, confidence: float = 0.95) -> float:
    """Return the one-sided lower bound of a chance (Clopper-Pearson).

    29 hits in 29 trials give 0.902, which is the shortest proof of 90 % with 95 % confidence.
    """
    from scipy.stats import beta

    if not 0 <= hits <= trials or trials < 1:
        raise FitError(f"{hits} hits in {trials} trials is not a count. Give hits between 0 and trials.")
    return 0.0 if hits == 0 else float(beta.ppf(1.0 - confidence, hits, trials - hits + 1))


def firth_logistic(matrix: Floats, hits: Floats, trials: Floats) -> tuple[Floats, Floats]:
    """Return coefficients and covariance of logistic regression with Firth's penalty.

    References
    ----------
    Firth, D. (1993), Biometrika 80:27-38; Heinze, G. and Schemper, M. (2002), Stat. Med. 21:2409-2419.
    """
    from scipy.special import expit

    beta = np.zeros(matrix.shape[1])
    for _ in range(500):
        p = expit(matrix @ beta)
        w = trials * p * (1 - p)
        information = (matrix * w[:, None]).T @ matrix
        inverse = np.linalg.pinv(information)
        h = np.einsum("ij,jk,ik->i", matrix * w[:, None], inverse, matrix)
        step = inverse @ (matrix.T @ (hits - trials * p + h * (0.5 - p)))
        largest = float(np.max(np.abs(step)))
        beta = beta + step * min(1.0, 5.0 / max(largest, 1e-300))
        if largest < 1e-11:
            break
    return beta, inverse


def fit_hit_miss(
    size: Floats, hits: Floats, trials: Floats | None = None, *, link: Link = "logit", log_size: bool = True
) -> HitMiss:
    """Fit the chance of a hit against size.

    Parameters
    ----------
    size : ndarray of float, shape (n,)
        Positive where ``log_size``.
    hits, trials : ndarray of float, shape (n,)
        Counts; without ``trials`` each row is one trial.
    link : {'logit', 'probit'}
    log_size : bool

    Returns
    -------
    HitMiss
        ``a90_95`` is the size at which the one-sided 95 % lower bound of the chance is 0.90 (profile
        deviance 2.706). Trials count as independent: use :func:`sharpset.fits.fit_formed` for features
        that share print jobs.

    Raises
    ------
    FitError
        If there are fewer than two sizes or the counts are not counts.

    References
    ----------
    MIL-HDBK-1823A (2009), Nondestructive evaluation system reliability assessment, hit/miss analysis.
    """
    a = np.asarray(size, dtype=float)
    k = np.asarray(hits, dtype=float)
    n = np.ones_like(a) if trials is None else np.asarray(trials, dtype=float)
    if len(np.unique(a)) < 2:
        raise FitError(f"A curve needs at least two sizes, got {len(np.unique(a))}.")
    if (k < 0).any() or (k > n).any() or (log_size and (a <= 0).any()):
        raise FitError("Hits must lie between 0 and the trials, and sizes must be positive. Check the table.")
    g = np.log(a) if log_size else a
    nan, order = float("nan"), 1.0 if np.corrcoef(g, k / n)[0, 1] >= 0 else -1.0
    empty = {
        "link": link, "log_size": log_size, "a50": nan, "a90": nan, "se_a50": nan, "se_a90": nan,
        "a90_95_wald": nan, "a90_95": nan,
    }  # fmt: skip
    x = np.column_stack([np.ones_like(g), g])
    if k.sum() == n.sum() or k.sum() == 0:
        every = k.sum() == n.sum()
        edge = f"none of {n.sum():g} hit up to {a.max():g}: a90 is above it"
        if every:
            edge = f"all {n.sum():g} hit down to {a.min():g}: a90 is below it or at most there"
        return HitMiss(
            status="all_hit" if every else "none_hit", coef=np.full(2, nan), covariance=np.full((2, 2), nan),
            statement=f"{edge}; no curve can be fitted", **empty,  # type: ignore[arg-type]
        )  # fmt: skip
    if _separated(order * g, k, n):
        coef, covariance = firth_logistic(x, k, n)
        low, high = a[k < n], a[k > 0]
        return HitMiss(
            status="separated", coef=coef, covariance=covariance,
            statement=(
                f"misses and hits do not overlap (largest size with a miss {low.max():g}, smallest size with a "
                f"hit {high.min():g}): a90 lies between and cannot be given as a number; "
                "test more pieces of these sizes"
            ),
            **empty,  # type: ignore[arg-type]
        )  # fmt: skip
    coef, covariance = _glm(x, k, n, link)
    return _sizes(coef, covariance, g, k, n, link, log_size)


def _separated(g: Floats, k: Floats, n: Floats) -> bool:
    """Tell whether one size splits misses from hits without overlap."""
    return bool(g[k > 0].min() >= g[k < n].max())


def _glm(x: Floats, k: Floats, n: Floats, link: Link) -> tuple[Floats, Floats]:
    import statsmodels.api as sm

    links = {"logit": sm.families.links.Logit(), "probit": sm.families.links.Probit()}
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        result = sm.GLM(np.column_stack([k, n - k]), x, family=sm.families.Binomial(link=links[link])).fit(tol=1e-14)
    return np.asarray(result.params), np.asarray(result.cov_params())


def _level(p: float, link: Link) -> float:
    from scipy.stats import norm

    return float(np.log(p / (1 - p))) if link == "logit" else float(norm.ppf(p))


def _deviance_loss(beta: Floats, g: Floats, k: Floats, n: Floats, link: Link) -> float:
    from scipy.special import log_expit, log_ndtr

    eta = beta[0] + beta[1] * g
    log_p, log_q = (log_expit(eta), log_expit(-eta)) if link == "logit" else (log_ndtr(eta), log_ndtr(-eta))
    return -2.0 * float(np.sum(k * log_p + (n - k) * log_q))


def _sizes(coef: Floats, covariance: Floats, g: Floats, k: Floats, n: Floats, link: Link, log_size: bool) -> HitMiss:
    from scipy.optimize import brentq, minimize_scalar
    from scipy.stats import norm

    back = np.exp if log_size else (lambda v: v)
    level = _level(0.9, link)
    x50, x90 = -coef[0] / coef[1], (level - coef[0]) / coef[1]

    def se(x: float) -> float:
        v = covariance[0, 0] + 2 * x * covariance[0, 1] + x**2 * covariance[1, 1]
        return float(np.sqrt(v) / abs(coef[1]))

    z = float(norm.ppf(0.95))
    best = _deviance_loss(coef, g, k, n, link)
    sign = float(np.sign(coef[1]))

    def profile(x: float) -> float:
        def loss(slope: float) -> float:
            return _deviance_loss(np.array([level - slope * x, slope]), g, k, n, link)

        inner = minimize_scalar(loss, bracket=(0.5 * coef[1], coef[1]), tol=1e-12)
        return float(inner.fun) - best - z**2

    reach = x90 + sign * se(x90)
    for _ in range(60):
        if profile(reach) > 0:
            break
        reach += sign * 2.0 * se(x90)
    bound = float(brentq(profile, x90, reach, xtol=1e-12)) if profile(reach) > 0 else float("inf")
    limit = float(back(bound)) if np.isfinite(bound) else float("inf")
    a50, a90 = float(back(x50)), float(back(x90))
    return HitMiss(
        status="fitted", link=link, log_size=log_size, coef=coef, covariance=covariance, a50=a50, a90=a90,
        se_a50=se(x50), se_a90=se(x90), a90_95_wald=float(back(x90 + sign * z * se(x90))), a90_95=limit,
        statement=f"a50 {a50:.4g}, a90 {a90:.4g}, a90/95 {limit:.4g} (likelihood ratio)",
    )  # fmt: skip
