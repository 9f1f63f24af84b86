"""Limits by kind from counts of what formed, many resamples at a time."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

__all__ = [
    "PrintCounts",
    "bootstrap_limits",
    "expanded_levels",
    "fit_limits",
    "jackknife_variance",
    "spearman_karber",
    "weigh_prints",
]

Array = NDArray[np.float64]

_LOGIT90 = float(np.log(9.0))
_STEPS = 40


@dataclass(frozen=True, kw_only=True, slots=True)
class PrintCounts:
    """How many features of each size formed on each print job.

    Attributes
    ----------
    sizes_mm : ndarray of float, shape (n_sizes,)
        Rising.
    formed, tried : ndarray of float, shape (n_prints, n_sizes)
    """

    sizes_mm: Array
    formed: Array
    tried: Array

    @property
    def n_prints(self) -> int:
        """Print jobs counted."""
        return int(self.formed.shape[0])


def fit_limits(sizes_mm: Array, formed: Array, tried: Array) -> Array:
    """Fit the size that forms 90 % of the time to many sets of counts at once.

    A logistic curve in the logarithm of the size with Firth's penalty, so that a clean cut between formed and not
    formed gives a finite limit between both sizes.

    Parameters
    ----------
    sizes_mm : ndarray of float, shape (n_sizes,)
    formed, tried : ndarray of float, shape (n_sets, n_sizes)

    Returns
    -------
    ndarray of float, shape (n_sets, 2)
        ln(a90 in mm) and its standard error from the curve alone. Where everything formed ln(a90) is the smallest
        size's and the error NaN; where nothing formed it is +inf; NaN where the curve does not rise.

    References
    ----------
    Firth, D. (1993), Biometrika 80:27-38. MIL-HDBK-1823A (2009), appendix G (a90 of a hit/miss curve).
    """
    x = np.log(np.asarray(sizes_mm, float))
    k, n = np.atleast_2d(np.asarray(formed, float)), np.atleast_2d(np.asarray(tried, float))
    centre, width = float(x.mean()), float(x.std()) or 1.0
    z = (x - centre) / width
    b0, b1 = np.zeros(len(k)), np.ones(len(k))
    i00 = i01 = i11 = det = np.ones(len(k))
    for _ in range(_STEPS):
        p = 1 / (1 + np.exp(-np.clip(b0[:, None] + b1[:, None] * z, -35, 35)))
        w = n * p * (1 - p)
        i00, i01, i11 = w.sum(axis=1), (w * z).sum(axis=1), (w * z * z).sum(axis=1)
        det = np.maximum(i00 * i11 - i01**2, 1e-12)
        leverage = w * (i11[:, None] - 2 * i01[:, None] * z + i00[:, None] * z**2) / det[:, None]
        score = k - n * p + leverage * (0.5 - p)
        s0, s1 = score.sum(axis=1), (score * z).sum(axis=1)
        d0, d1 = (i11 * s0 - i01 * s1) / det, (i00 * s1 - i01 * s0) / det
        scale = np.minimum(1.0, 2.0 / np.maximum(np.maximum(abs(d0), abs(d1)), 1e-12))
        b0, b1 = b0 + scale * d0, b1 + scale * d1
        if max(np.max(abs(d0), initial=0), np.max(abs(d1), initial=0)) < 1e-8:
            break
    with np.errstate(divide="ignore", invalid="ignore"):
        at = (_LOGIT90 - b0) / b1
        variance = (i11 - 2 * at * i01 + at**2 * i00) / det / b1**2
        ln_a90 = np.where(b1 > 0, centre + width * at, np.nan)
    se = width * np.sqrt(variance)
    everything, nothing = (k == n).all(axis=1), (k == 0).all(axis=1)
    ln_a90 = np.where(everything, x.min(), np.where(nothing, np.inf, ln_a90))
    se = np.where(everything | nothing | ~(b1 > 0), np.nan, se)
    return np.column_stack([ln_a90, se])


def weigh_prints(n_prints: int, *, n_boot: int, rng: np.random.Generator) -> Array:
    """Draw bootstrap weights of print jobs, shape (n_boot, n_prints): how often each job is drawn."""
    return rng.multinomial(n_prints, np.full(n_prints, 1 / n_prints), size=n_boot).astype(float)


def bootstrap_limits(counts: PrintCounts, *, n_boot: int, rng: np.random.Generator) -> Array:
    """Resample print jobs and refit the limit.

    Parameters
    ----------
    counts : PrintCounts
    n_boot : int
        Resamples.
    rng : numpy.random.Generator

    Returns
    -------
    ndarray of float, shape (n_boot,)
        a90 in mm, kept within a factor of two of the printed sizes where a resample formed nothing or its curve does
        not rise.

    Notes
    -----
    A whole print job is drawn or left out, because the features of one job share its chance events. With few jobs the
    resamples are too much alike; `expanded_levels` widens the percentiles for that.
    """
    weights = weigh_prints(counts.n_prints, n_boot=n_boot, rng=rng)
    distinct, back = np.unique(weights, axis=0, return_inverse=True)
    fitted = fit_limits(counts.sizes_mm, distinct @ counts.formed, distinct @ counts.tried)[:, 0]
    low, high = float(counts.sizes_mm.min()), 2 * float(counts.sizes_mm.max())
    with np.errstate(over="ignore"):
        a90 = np.where(np.isfinite(fitted), np.exp(np.clip(fitted, -20, 20)), high)
    return np.asarray(np.clip(a90, low / 2, high)[back.reshape(-1)])


def jackknife_variance(counts: PrintCounts) -> float:
    """Return the variance of ln a90 from leaving out one print job at a time.

    Parameters
    ----------
    counts : PrintCounts
        Of two print jobs or more.

    Returns
    -------
    float
        A limit that lies outside the printed sizes, because what is left formed nothing or does not rise, is taken at
        twice the largest one.

    References
    ----------
    Efron, B. & Tibshirani, R. (1993), An Introduction to the Bootstrap, eq. 11.5 (from memory).
    """
    formed, tried = counts.formed.sum(axis=0) - counts.formed, counts.tried.sum(axis=0) - counts.tried
    left = fit_limits(counts.sizes_mm, formed, tried)[:, 0]
    low, high = np.log(counts.sizes_mm.min() / 2), np.log(2 * counts.sizes_mm.max())
    left = np.clip(np.where(np.isfinite(left), left, high), low, high)
    n = counts.n_prints
    return float((n - 1) / n * np.sum((left - left.mean()) ** 2))


def expanded_levels(n_prints: int, *, level: float = 0.95) -> tuple[float, float]:
    """Return the percentiles (0 to 1) to take of a bootstrap over ``n_prints`` jobs for an interval.

    References
    ----------
    Hesterberg, T. C. (2015), Am. Statistician 69:371-386, section 3.3 (expanded percentile interval).
    """
    tail = (1 - level) / 2
    wide = np.sqrt(n_prints / (n_prints - 1)) * stats.t.ppf(tail, n_prints - 1)
    low = float(stats.norm.cdf(wide))
    return low, 1 - low


def spearman_karber(sizes_mm: Array, formed: Array, tried: Array) -> Array:
    """Return the middle of the forming curve of each print, without a model of its shape.

    Parameters
    ----------
    sizes_mm : ndarray of float, shape (n_sizes,)
        Rising.
    formed, tried : ndarray of float, shape (n_prints, n_sizes)

    Returns
    -------
    ndarray of float, shape (n_prints,)
        ln of the size (mm) at which half of the features form; sizes below the ladder count as not formed, sizes above
        it as formed, each one step of the ladder away.

    References
    ----------
    Finney, D. J. (1978), Statistical Method in Biological Assay, 3rd ed., section 18.6 (from memory).
    """
    x = np.log(np.asarray(sizes_mm, float))
    step = float(np.mean(np.diff(x))) if x.size > 1 else 0.1
    edges = np.concatenate([[x[0] - step], x, [x[-1] + step]])
    with np.errstate(invalid="ignore", divide="ignore"):
        share = np.asarray(formed, float) / np.asarray(tried, float)
    share = np.where(np.isfinite(share), share, 0.5)
    p = np.column_stack([np.zeros(len(share)), share, np.ones(len(share))])
    # Rising on average is enough: an uneven ladder of shares keeps its area.
    return np.asarray((np.diff(p, axis=1) * (edges[1:] + edges[:-1]) / 2).sum(axis=1))
