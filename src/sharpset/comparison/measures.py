"""What is compared kind by kind: widths, formed sizes, spread within a print, edge roughness, agreement."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sharpset.comparison.cells import MeanDifference, PrintTable, compare_means, print_effects
from sharpset.comparison.formed import expanded_levels, spearman_karber, weigh_prints

__all__ = [
    "agreement_by_kind",
    "kind_width",
    "measurement_floor",
    "measures_by_kind",
    "shared_columns",
    "size_effects",
]

Array = NDArray[np.float64]


def shared_columns(table: PrintTable, columns: NDArray[np.intp], values: Array) -> NDArray[np.intp]:
    """Keep the features that formed on at least one print job of each printer."""
    known = np.isfinite(values[:, columns])
    a = table.is_a
    return columns[known[a].any(axis=0) & known[~a].any(axis=0)]


def size_effects(table: PrintTable, kind: str) -> dict[float, Array]:
    """Return the mean deviation (mm) of each print job by nominal size, paired by feature."""
    out = {}
    for size, columns in table.cells(kind).items():
        shared = shared_columns(table, columns, table.deviation_mm)
        out[size] = print_effects(table.deviation_mm[:, shared])
    return out


def measurement_floor(table: PrintTable, columns: NDArray[np.intp]) -> float:
    """Return the standard uncertainty (mm) of a print's mean over features from private errors alone; 0 if unknown."""
    u = table.u_private_mm[:, columns]
    known = np.isfinite(u)
    if not known.any():
        return 0.0
    with np.errstate(invalid="ignore", divide="ignore"):
        var = np.nansum(u**2, axis=1) / known.sum(axis=1) ** 2
    return float(math.sqrt(np.nanmean(np.where(known.any(axis=1), var, np.nan))))


def kind_width(table: PrintTable, kind: str) -> MeanDifference:
    """Compare the mean deviation (mm) over all sizes of a kind, one value per print job, sizes paired."""
    effects = size_effects(table, kind)
    block = np.column_stack(list(effects.values()))
    a = table.is_a
    known = np.isfinite(block)
    block = block[:, known[a].any(axis=0) & known[~a].any(axis=0)]
    columns = np.concatenate(list(table.cells(kind).values()))
    return compare_means(print_effects(block), a, floor_sd=measurement_floor(table, columns))


def _formed_size(table: PrintTable, kind: str) -> MeanDifference:
    a, b = table.counts(kind, printer="a"), table.counts(kind, printer="b")
    middle = np.concatenate([spearman_karber(c.sizes_mm, c.formed, c.tried) for c in (a, b)])
    formed, tried = np.vstack([a.formed, b.formed]), np.vstack([a.tried, b.tried])
    # Counting noise of a print with the pooled shares; half a feature is added so that 0 of n is not certain.
    share = (formed.sum(axis=0) + 0.5) / (tried.sum(axis=0) + 1)
    per_print = np.maximum(tried.mean(axis=0), 1)
    x = np.log(a.sizes_mm)
    step = np.gradient(x) if x.size > 1 else np.array([0.1])
    floor = math.sqrt(float(np.sum(share * (1 - share) / per_print * step**2)))
    return compare_means(middle, table.is_a, floor_sd=floor)


def _within_spread(table: PrintTable, kind: str) -> MeanDifference:
    squares, df = np.zeros(len(table.formed)), np.zeros(len(table.formed))
    for columns in table.cells(kind).values():
        block = table.deviation_mm[:, columns]
        known = np.isfinite(block)
        n = known.sum(axis=1)
        mean = np.where(n > 0, np.nansum(block, axis=1) / np.maximum(n, 1), 0.0)
        squares += np.nansum((block - mean[:, None]) ** 2, axis=1)
        df += np.maximum(n - 1, 0)
    with np.errstate(divide="ignore", invalid="ignore"):
        log_sd = np.where((df > 0) & (squares > 0), 0.5 * np.log(squares / df), np.nan)
    usual = float(np.median(df[df > 0])) if (df > 0).any() else 1.0
    return compare_means(log_sd, table.is_a, floor_sd=math.sqrt(0.5 / usual))


def _roughness(table: PrintTable, kind: str) -> MeanDifference:
    columns = np.concatenate(list(table.cells(kind).values()))
    shared = shared_columns(table, columns, table.roughness_mm)
    return compare_means(print_effects(table.roughness_mm[:, shared]), table.is_a)


def measures_by_kind(table: PrintTable) -> pd.DataFrame:
    """Compare both printers kind by kind, one value per print job.

    Returns
    -------
    DataFrame
        ``kind, measure, unit, n_a, n_b, value_a, value_b, difference, low, high, sd_between_prints, p``. For the formed
        size and the spread within a print the values are geometric means in mm and ``difference`` is the ratio A / B;
        for the edge roughness it is A minus B in mm. ``low, high`` is its unadjusted 95 % interval.
    """
    rows = []
    for kind in table.kinds:
        for measure, found, ratio in (
            ("size that half form", _formed_size(table, kind), True),
            ("spread within a print", _within_spread(table, kind), True),
            ("edge roughness", _roughness(table, kind), False),
        ):
            if not (math.isfinite(found.mean_a) or math.isfinite(found.mean_b)):
                continue
            half = found.half_width()
            low, high = found.difference - half, found.difference + half
            rows.append(
                {
                    "kind": kind,
                    "measure": measure,
                    "unit": "ratio" if ratio else "mm",
                    "n_a": found.n_a,
                    "n_b": found.n_b,
                    "value_a": math.exp(found.mean_a) if ratio else found.mean_a,
                    "value_b": math.exp(found.mean_b) if ratio else found.mean_b,
                    "difference": math.exp(found.difference) if ratio else found.difference,
                    "low": _exp(low) if ratio else low,
                    "high": _exp(high) if ratio else high,
                    "sd_between_prints": found.sd,
                    "p": found.p_beyond(),
                }
            )
    return pd.DataFrame(rows)


def _exp(value: float) -> float:
    return math.exp(min(value, 700.0)) if math.isfinite(value) else math.nan


def agreement_by_kind(table: PrintTable, *, n_boot: int, seed: int) -> pd.DataFrame:
    """Bias and limits of agreement by kind, features as pairs and print jobs as clusters.

    Returns
    -------
    DataFrame
        ``kind, n_features, n_a, n_b, bias_mm, bias_low_mm, bias_high_mm, sd_mm, lower_mm, upper_mm, lower_low_mm,
        upper_high_mm``: the limits hold 95 % of the differences between a feature of one print of A and the same
        feature of one print of B. The interval of the bias is Welch's over print jobs; the outer bounds of the limits
        are a bootstrap over print jobs and are only rough below five of each.

    References
    ----------
    Bland, J. M. & Altman, D. G. (1999), Stat. Methods Med. Res. 8:135-160, section 5 (repeated measurements).
    """
    rng = np.random.default_rng(seed)
    rows = []
    for kind in table.kinds:
        columns = shared_columns(table, np.concatenate(list(table.cells(kind).values())), table.deviation_mm)
        found = compare_means(print_effects(table.deviation_mm[:, columns]), table.is_a)
        if not columns.size or not math.isfinite(found.difference):
            continue
        d = table.deviation_mm[table.is_a][:, None, columns] - table.deviation_mm[~table.is_a][None][:, :, columns]
        count, total, square = np.isfinite(d).sum(axis=2), np.nansum(d, axis=2), np.nansum(d**2, axis=2)
        if not count.any():
            continue
        bias = float(total.sum() / count.sum())
        se2 = found.se**2 if math.isfinite(found.se) else 0.0
        sd = math.sqrt(max(float(square.sum() / count.sum()) - bias**2 + se2, 0.0))
        half, lower, upper = found.half_width(), math.nan, math.nan
        if min(table.n_a, table.n_b) > 1:
            wa = weigh_prints(table.n_a, n_boot=n_boot, rng=rng)
            wb = weigh_prints(table.n_b, n_boot=n_boot, rng=rng)
            n, s, q = (np.einsum("ki,ij,kj->k", wa, m.astype(float), wb) for m in (count, total, square))
            with np.errstate(invalid="ignore", divide="ignore"):
                middle, spread = s / n, np.sqrt(np.maximum(q / n - (s / n) ** 2 + se2, 0))
            tail = expanded_levels(min(table.n_a, table.n_b))
            lower = float(np.nanquantile(middle - 1.96 * spread, tail[0]))
            upper = float(np.nanquantile(middle + 1.96 * spread, tail[1]))
        rows.append(
            {
                "kind": kind,
                "n_features": int(columns.size),
                "n_a": found.n_a,
                "n_b": found.n_b,
                "bias_mm": bias,
                "bias_low_mm": bias - half,
                "bias_high_mm": bias + half,
                "sd_mm": sd,
                "lower_mm": bias - 1.96 * sd,
                "upper_mm": bias + 1.96 * sd,
                "lower_low_mm": lower,
                "upper_high_mm": upper,
            }
        )
    return pd.DataFrame(rows)
