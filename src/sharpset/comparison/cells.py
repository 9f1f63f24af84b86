"""Readings of several print jobs as arrays: a row per print job, a column per feature."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from sharpset.comparison.equivalence import welch_df
from sharpset.comparison.formed import PrintCounts

__all__ = ["MeanDifference", "PrintTable", "arrange_prints", "compare_means", "print_effects"]

Array = NDArray[np.float64]

_U95_TO_U = 1.959963984540054


@dataclass(frozen=True, kw_only=True, slots=True)
class PrintTable:
    """Print jobs of both printers on the features they share.

    Attributes
    ----------
    n_a, n_b : int
        Print jobs; the first ``n_a`` rows of every array are printer A's.
    features : DataFrame
        ``feature_id, kind, nominal_mm``, a row per column of the arrays.
    deviation_mm, roughness_mm, u_private_mm, u_common_mm : ndarray of float, shape (n_a + n_b, n_features)
        NaN where nothing formed or nothing is known.
    formed : ndarray of float, shape (n_a + n_b, n_features)
        1 where the feature formed, 0 where it did not or only partly, NaN where it was not read.
    """

    n_a: int
    n_b: int
    features: pd.DataFrame
    deviation_mm: Array
    roughness_mm: Array
    formed: Array
    u_private_mm: Array
    u_common_mm: Array

    @property
    def is_a(self) -> NDArray[np.bool_]:
        """Which rows are printer A's."""
        return np.arange(self.n_a + self.n_b) < self.n_a

    def cells(self, kind: str) -> dict[float, NDArray[np.intp]]:
        """Return the columns of each nominal size (mm) of a kind, sizes rising."""
        mine = self.features["kind"].to_numpy() == kind
        sizes = self.features["nominal_mm"].to_numpy()
        return {float(s): np.flatnonzero(mine & (sizes == s)) for s in np.unique(sizes[mine])}

    @property
    def kinds(self) -> list[str]:
        """Kinds of feature, in the order of the table."""
        return list(dict.fromkeys(self.features["kind"]))

    def counts(self, kind: str, *, printer: str) -> PrintCounts:
        """Count what formed, by print job and size; ``printer`` is 'a' or 'b'."""
        rows = self.is_a if printer == "a" else ~self.is_a
        cells = self.cells(kind)
        block = self.formed[rows]
        tried = np.column_stack([np.isfinite(block[:, c]).sum(axis=1) for c in cells.values()]).astype(float)
        formed = np.column_stack([np.nansum(block[:, c], axis=1) for c in cells.values()])
        return PrintCounts(sizes_mm=np.array(list(cells)), formed=formed, tried=tried)


def arrange_prints(a: pd.DataFrame, b: pd.DataFrame) -> PrintTable:
    """Arrange two checked readings tables (one row per print job and feature) as arrays.

    Features are paired by ``piece_id`` and ``feature_id``; those that only one table has are left out.
    """
    keys = ["piece_id", "feature_id"]
    features = a[[*keys, "kind", "nominal_mm"]].drop_duplicates(keys)
    features = features.merge(b[keys].drop_duplicates(), on=keys, how="inner")
    features["nominal_mm"] = features["nominal_mm"].round(6)
    features = features.sort_values(["kind", "nominal_mm", "piece_id", "feature_id"], kind="stable")
    index = pd.MultiIndex.from_frame(features[keys])
    runs = [(0, r) for r in dict.fromkeys(a["run_id"])] + [(1, r) for r in dict.fromkeys(b["run_id"])]
    rows = {run: i for i, run in enumerate(runs)}
    blocks = {name: np.full((len(runs), len(index)), np.nan) for name in ("dev", "rough", "formed", "u", "common")}
    for which, frame in enumerate((a, b)):
        column = index.get_indexer(pd.MultiIndex.from_frame(frame[keys]))
        row = np.array([rows[(which, r)] for r in frame["run_id"]], dtype=np.intp)
        keep = column >= 0
        at = (row[keep], column[keep])
        part = frame[keep]
        yes = (part["formed"] == "yes").to_numpy()
        blocks["formed"][at] = yes
        for name, source in (
            ("dev", "deviation_mm"),
            ("rough", "edge_roughness_mm"),
            ("u", "U95_mm"),
            ("common", "U95_common_mm"),
        ):
            if source in part:
                blocks[name][at] = np.where(yes, part[source].to_numpy(float), np.nan)
    total, common = blocks["u"] / _U95_TO_U, np.nan_to_num(blocks["common"]) / _U95_TO_U
    return PrintTable(
        n_a=int(a["run_id"].nunique()),
        n_b=int(b["run_id"].nunique()),
        features=features.reset_index(drop=True),
        deviation_mm=blocks["dev"],
        roughness_mm=blocks["rough"],
        formed=blocks["formed"],
        u_private_mm=np.sqrt(np.maximum(total**2 - common**2, 0)),
        u_common_mm=blocks["common"] / _U95_TO_U,
    )


def print_effects(values: Array) -> Array:
    """Return the mean of each row, with gaps filled as if every column had one offset for all rows.

    Parameters
    ----------
    values : ndarray of float, shape (n_prints, n_features)
        NaN where nothing was measured.

    Returns
    -------
    ndarray of float, shape (n_prints,)
        Without gaps the plain row means; with gaps the least-squares row effects of the additive model
        ``row + column``, so that a print that lost its small features is not compared with one that kept them. NaN
        for a row without values.
    """
    known = np.isfinite(values)
    if known.all():
        return np.asarray(values.mean(axis=1)) if values.shape[1] else np.full(len(values), np.nan)
    keep_c, keep_r = known.any(axis=0), known.any(axis=1)
    out = np.full(len(values), np.nan)
    if not keep_r.any():
        return out
    y, m = np.nan_to_num(values[keep_r][:, keep_c]), known[keep_r][:, keep_c].astype(float)
    per_column = m.sum(axis=0)
    laplace = np.diag(m.sum(axis=1)) - (m / per_column) @ m.T
    right = (y - m * (y.sum(axis=0) / per_column)).sum(axis=1)
    rows = np.linalg.pinv(laplace, rcond=1e-10, hermitian=True) @ right
    columns = (y - m * rows[:, None]).sum(axis=0) / per_column
    out[keep_r] = rows + columns.mean()
    return out


@dataclass(frozen=True, kw_only=True, slots=True)
class MeanDifference:
    """Two printers' means of one value per print job, and their difference, A minus B.

    ``se`` and ``df`` are Welch's; ``sd`` is the pooled standard deviation between print jobs. NaN where fewer than two
    print jobs of a printer have a value.
    """

    n_a: int
    n_b: int
    mean_a: float
    mean_b: float
    sd_a: float
    sd_b: float
    sd: float
    se: float
    df: float

    @property
    def difference(self) -> float:
        """Mean of A minus mean of B."""
        return self.mean_a - self.mean_b

    def half_width(self, level: float = 0.95) -> float:
        """Half-width of the interval of the difference."""
        return float(stats.t.ppf((1 + level) / 2, self.df)) * self.se if self.df > 0 else math.nan

    def p_beyond(self, limit: float = 0.0, *, value: float | None = None) -> float:
        """Two-sided p value that the difference (or ``value``) is farther from 0 than ``limit``."""
        size = abs(self.difference if value is None else value) - limit
        if not (math.isfinite(size) and self.df > 0):
            return math.nan
        if size <= 0:
            return 1.0
        return float(2 * stats.t.sf(size / self.se, self.df)) if self.se > 0 else 0.0


def compare_means(values: Array, is_a: NDArray[np.bool_], *, floor_sd: float = 0.0) -> MeanDifference:
    """Compare one value per print job between two printers.

    Parameters
    ----------
    values : ndarray of float, shape (n_prints,)
    is_a : ndarray of bool, shape (n_prints,)
    floor_sd : float
        Scatter that a single value must have in any case (its measurement uncertainty, the counting of few features);
        a smaller observed scatter is chance and is raised to it.

    Returns
    -------
    MeanDifference
    """
    a, b = values[is_a & np.isfinite(values)], values[~is_a & np.isfinite(values)]
    n_a, n_b = a.size, b.size
    mean_a = float(a.mean()) if n_a else math.nan
    mean_b = float(b.mean()) if n_b else math.nan
    var_a = float(a.var(ddof=1)) if n_a > 1 else math.nan
    var_b = float(b.var(ddof=1)) if n_b > 1 else math.nan
    sd = se = df = math.nan
    if n_a > 1 and n_b > 1:
        sd = math.sqrt(((n_a - 1) * var_a + (n_b - 1) * var_b) / (n_a + n_b - 2))
        floor = floor_sd**2 * (1 / n_a + 1 / n_b)
        se = math.sqrt(max(var_a / n_a + var_b / n_b, floor))
        df = float(welch_df(var_a, n_a, var_b, n_b)) if var_a + var_b > 0 else float(n_a + n_b - 2)
        sd = max(sd, floor_sd)
    return MeanDifference(
        n_a=n_a,
        n_b=n_b,
        mean_a=mean_a,
        mean_b=mean_b,
        sd_a=math.sqrt(var_a) if n_a > 1 else math.nan,
        sd_b=math.sqrt(var_b) if n_b > 1 else math.nan,
        sd=sd,
        se=se,
        df=df,
    )
