"""Limits by kind, the size that forms 90 % of the time, of two printers, with intervals over print jobs."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from sharpset.comparison.cells import PrintTable
from sharpset.comparison.equivalence import welch_df
from sharpset.comparison.formed import PrintCounts, bootstrap_limits, expanded_levels, fit_limits, jackknife_variance
from sharpset.fits import fit_hit_miss

__all__ = ["limits_by_kind"]

Array = NDArray[np.float64]

_Z95 = 1.6448536269514722


@dataclass(frozen=True, kw_only=True, slots=True)
class _Limit:
    """One printer's limit: a90 and one-sided 95 % bounds in mm, what its interval rests on, and its resamples.

    ``ln_centre, variance`` are of ln a90, the variance over print jobs or, where larger, that of the curve; ``boot`` is
    empty with one print job.
    """

    a90: float
    low: float
    high: float
    ln_centre: float
    variance: float
    n_prints: int
    boot: Array

    def reach(self, t: float) -> tuple[float, float]:
        """Return the ends of the interval ``t`` standard errors either way, mm."""
        half = t * math.sqrt(self.variance)
        return math.exp(self.ln_centre - half), math.exp(min(self.ln_centre + half, 700.0))


def _one_limit(counts: PrintCounts, *, n_boot: int, rng: np.random.Generator) -> _Limit:
    """Estimate a printer's limit; its bounds are the widest of bootstrap, Student's t over jobs and the curve's own."""
    formed, tried = counts.formed.sum(axis=0), counts.tried.sum(axis=0)
    ln_a90, se = fit_limits(counts.sizes_mm, formed, tried)[0]
    value = float(np.exp(ln_a90)) if ln_a90 < 20 else math.inf
    upper, ratio = math.nan, 1.0
    # The resamples use the penalised curve, which never fails; their ratio to it carries over to the curve of the fits.
    # Two sizes with both outcomes: only then is the unpenalised curve sure to exist.
    if math.isfinite(value) and ((formed > 0) & (formed < tried)).sum() > 1:
        curve = fit_hit_miss(counts.sizes_mm, formed, tried)
        if curve.status == "fitted" and curve.a90 > 0 and math.isfinite(curve.a90_95):
            ratio = curve.a90 / value
            value, upper = curve.a90, curve.a90_95
    n = counts.n_prints
    low = high = variance = math.nan
    boot: Array = np.empty(0)
    if n > 1:
        boot = ratio * bootstrap_limits(counts, n_boot=n_boot, rng=rng)
        low, high = (float(q) for q in np.quantile(boot, expanded_levels(n, level=0.90)))
    if n > 1 and math.isfinite(se):
        variance = max(jackknife_variance(counts), se**2)
        half = float(stats.t.ppf(0.95, n - 1)) * math.sqrt(variance)
        low = min(low, value * math.exp(-_Z95 * se), math.exp(ln_a90 - half))
        high = max(high, math.exp(min(ln_a90 + half, 700.0)), upper if math.isfinite(upper) else 0.0)
    elif n > 1 and (formed == tried).all():
        low, high = math.nan, _proven_size(counts.sizes_mm, tried)
    return _Limit(a90=value, low=low, high=high, ln_centre=ln_a90, variance=variance, n_prints=n, boot=boot)


def _proven_size(sizes_mm: Array, tried: Array) -> float:
    """Return the smallest size that surely forms where everything formed; NaN where too few were tried.

    Larger details form no worse than smaller ones. If a size formed less than 90 % of the time, then so would all
    smaller ones, and N features up to it would all form with a chance below 0.9**N: 5 % at N = 29.
    """
    enough = np.flatnonzero(0.9 ** np.cumsum(tried) <= 0.05)
    return float(sizes_mm[enough[0]]) if enough.size else math.nan


def _difference(a: _Limit, b: _Limit) -> dict[str, float]:
    """Return the difference of two limits, A minus B, in mm, with its 95 % interval."""
    difference = a.a90 - b.a90
    if not math.isfinite(difference):
        return {"difference_mm": math.nan, "low_mm": math.nan, "high_mm": math.nan}
    low = high = math.nan
    if a.boot.size and b.boot.size:
        tail = expanded_levels(min(a.n_prints, b.n_prints))
        low, high = (float(q) for q in np.quantile(a.boot - b.boot, tail))
    if math.isfinite(a.variance + b.variance):
        # welch_df takes variances of single values; those here are of estimates already.
        df = float(welch_df(a.variance * a.n_prints, a.n_prints, b.variance * b.n_prints, b.n_prints))
        t = float(stats.t.ppf(0.975, df))
        (low_a, high_a), (low_b, high_b) = a.reach(t), b.reach(t)
        middle_a, middle_b = math.exp(a.ln_centre), math.exp(b.ln_centre)
        middle = middle_a - middle_b
        low = min(low, middle - math.hypot(middle_a - low_a, high_b - middle_b))
        high = max(high, middle + math.hypot(high_a - middle_a, middle_b - low_b))
    return {"difference_mm": difference, "low_mm": low, "high_mm": high}


def limits_by_kind(table: PrintTable, *, n_boot: int, seed: int) -> pd.DataFrame:
    """Estimate the limit a90 of each kind on both printers and the difference of both.

    Parameters
    ----------
    table : PrintTable
    n_boot : int
        Resamples of the print jobs.
    seed : int

    Returns
    -------
    DataFrame
        ``kind, a90_a_mm, a90_a_low_mm, a90_a_high_mm``, the same for b, ``difference_mm, low_mm, high_mm`` (A minus B,
        95 %), ``sd_ln_a, sd_ln_b`` (uncertainty that one print job leaves in ln a90), ``note``. ``a90_*_low/high`` are
        one-sided 95 % bounds each; the upper one is the a90/95. A difference has no interval, and a limit no bounds,
        with one print job per printer. Where everything formed the limit is the smallest size, without a lower bound,
        and its upper bound the smallest size up to which 29 features formed.

    Notes
    -----
    A bootstrap over few print jobs is too narrow, because the resamples are too much alike: with 3 to 12 jobs its upper
    bounds held 85 to 88 % (``benchmarks/limits_coverage.py``). So each bound is the wider one of the bootstrap's and of
    Student's t with the jackknife over print jobs (jobs less one degrees of freedom, variance no smaller than the
    curve's own); the interval of the difference puts both printers together in the same way. That holds 94 to 98 % with
    limits that move by up to 12 % from job to job, and 90 % where they move by 20 %.

    References
    ----------
    Efron, B. & Tibshirani, R. (1993), An Introduction to the Bootstrap, ch. 11 (jackknife). Zou, G. Y. & Donner, A.
    (2008), Stat. Med. 27:1693-1702 (interval of a difference from two intervals). Both from memory.
    """
    rows = []
    rng = np.random.default_rng(seed)
    for kind in table.kinds:
        counts = {p: table.counts(kind, printer=p) for p in ("a", "b")}
        one = {p: _one_limit(c, n_boot=n_boot, rng=rng) for p, c in counts.items()}
        row: dict[str, object] = {"kind": kind}
        for p, limit in one.items():
            row |= {f"a90_{p}_mm": limit.a90, f"a90_{p}_low_mm": limit.low, f"a90_{p}_high_mm": limit.high}
        row |= _difference(one["a"], one["b"])
        row |= {f"sd_ln_{p}": math.sqrt(limit.variance * limit.n_prints) for p, limit in one.items()}
        row["note"] = "; ".join(filter(None, (_limit_note(counts[p], one[p].a90, p.upper()) for p in ("a", "b"))))
        rows.append(row)
    return pd.DataFrame(rows)


def _limit_note(counts: PrintCounts, a90: float, name: str) -> str:
    formed, tried = counts.formed.sum(axis=0), counts.tried.sum(axis=0)
    if (formed == tried).all():
        return f"{name} formed every size: its limit lies at or below the smallest"
    if (formed == 0).all():
        return f"{name} formed none of the sizes: its limit lies above the largest"
    if not math.isfinite(a90):
        return f"{name}: larger sizes form no better, no limit"
    if not counts.sizes_mm[0] <= a90 <= counts.sizes_mm[-1]:
        return f"{name}: the limit lies outside the sizes printed"
    mixed = (formed > 0) & (formed < tried)
    if not mixed.any():
        return f"{name}: a clean cut; the limit lies somewhere between two sizes of the ladder"
    return ""
