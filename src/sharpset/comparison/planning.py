"""From the scatter that was seen to the print jobs that are still needed."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from sharpset.comparison.cells import PrintTable
from sharpset.comparison.measures import size_effects
from sharpset.comparison.prints_needed import prints_for_bound, prints_for_difference, prints_for_equality, upper_sd
from sharpset.comparison.verdicts import OPEN

__all__ = ["Recommendation", "kind_scatter", "prints_to_form", "prints_to_settle", "recommend_prints"]


def kind_scatter(table: PrintTable) -> pd.DataFrame:
    """Estimate the scatter of a size's mean deviation between print jobs, by kind.

    Returns
    -------
    DataFrame
        ``kind, sd_mm, df, upper_mm``: pooled over the sizes of the kind and both printers, with the degrees of freedom
        that sizes of one print job, which share its chance events, really have (Satterthwaite), and the one-sided 80 %
        upper limit used for planning.
    """
    rows = []
    for kind in table.kinds:
        residuals = []
        for effects in size_effects(table, kind).values():
            left = effects.copy()
            for mine in (table.is_a, ~table.is_a):
                left[mine] -= np.nanmean(effects[mine]) if np.isfinite(effects[mine]).any() else np.nan
            if np.isfinite(left).all():
                residuals.append(left)
        dof = table.n_a + table.n_b - 2
        sd = df = math.nan
        if residuals and dof > 0:
            block = np.column_stack(residuals)
            covariance = block.T @ block / dof
            trace, square = float(np.trace(covariance)), float(np.sum(covariance**2))
            sd = math.sqrt(trace / covariance.shape[0])
            df = dof * trace**2 / square if square > 0 else float(dof)
        rows.append({"kind": kind, "sd_mm": sd, "df": df, "upper_mm": upper_sd(sd, df)})
    return pd.DataFrame(rows)


@dataclass(frozen=True, kw_only=True, slots=True)
class Recommendation:
    """Print jobs of each printer that find a difference as large as the tolerance with 80 % chance.

    ``by_kind`` for the mean over the sizes of a kind, ``by_size`` for every single size; inf where more than 200
    would be needed, NaN where no scatter is known.
    """

    by_kind: float
    by_size: float


def recommend_prints(
    table: PrintTable, scatter: pd.DataFrame, sizes: pd.DataFrame, *, tolerance: float, alpha: float, power: float = 0.8
) -> Recommendation:
    """Plan print jobs for the kind with the largest scatter, taken at its upper 80 % limit.

    The level is that of the first step of the weighted Holm rule. With one print job of a printer the scatter between
    jobs is unknown; features of one print scattering among themselves stand in for it and at least 3 are advised.
    """
    single = sizes["nominal_mm"].notna()
    by_size = scatter["upper_mm"].dropna()
    dof = table.n_a + table.n_b - 2
    by_kind = sizes.loc[~single, "sd_pooled_mm"].dropna().map(lambda sd: upper_sd(sd, dof))
    if by_size.empty:
        stand_in = pd.Series(_feature_scatter(table), dtype=float).dropna()
        by_kind, by_size = stand_in, stand_in
    if by_kind.empty:
        by_kind = by_size
    out, least = [], 2.0 if dof > 0 and min(table.n_a, table.n_b) > 1 else 3.0
    for sd, mine in ((by_kind, ~single), (by_size, single)):
        if sd.empty:
            out.append(math.nan)
            continue
        weight = sizes.loc[mine if mine.any() else single, "weight"].min()
        needed = prints_for_difference(
            difference=tolerance, sd=float(sd.max()), alpha=alpha * float(weight), power=power
        )
        out.append(max(needed, least))
    return Recommendation(by_kind=out[0], by_size=out[1])


def _feature_scatter(table: PrintTable) -> list[float]:
    out = []
    for kind in table.kinds:
        squares = df = 0.0
        for columns in table.cells(kind).values():
            for row in table.deviation_mm[:, columns]:
                known = row[np.isfinite(row)]
                if known.size > 1:
                    squares += float(((known - known.mean()) ** 2).sum())
                    df += known.size - 1
        out.append(math.sqrt(squares / df) if df else math.nan)
    return out


def prints_to_settle(
    sizes: pd.DataFrame, scatter: pd.DataFrame, *, tolerance: float, alpha: float, n_now: int
) -> list[float]:
    """Return how many more print jobs of each would settle each open row, if its difference and scatter hold.

    Returns
    -------
    list of float
        0 where the row is decided; otherwise at least 1, inf where more than 200 would be needed, NaN where the size
        did not form often enough to know its scatter. Whichever comes first counts: showing the difference or showing
        that it is within the tolerance, each with a chance of 80 %.
    """
    pooled = scatter.set_index("kind")["sd_mm"]
    equal_weight = sizes["weight"] / sizes["weight"].sum()
    out = []
    for row, weight in zip(sizes.itertuples(), equal_weight, strict=True):
        single = math.isfinite(float(row.nominal_mm))
        sd = float(pooled.get(row.kind, math.nan)) if single else float(row.sd_pooled_mm)
        if row.truer != OPEN:
            out.append(0.0)
        elif not (math.isfinite(sd) and math.isfinite(float(row.difference_mm))):
            out.append(math.nan)
        else:
            common = float(row.U95_common_mm)
            seen = max(abs(float(row.difference_mm)) - common, 0.0)
            found = prints_for_difference(difference=seen, sd=sd, alpha=alpha * float(row.weight))
            equal = prints_for_equality(
                sd=sd, tolerance=tolerance - common, difference=float(row.difference_mm), alpha=alpha * weight
            )
            out.append(max(min(found, equal) - n_now, 1.0))
    return out


def prints_to_form(
    sizes: pd.DataFrame, limits: pd.DataFrame, kinds: pd.DataFrame, *, alpha: float, n_now: int
) -> list[float]:
    """Return how many more print jobs of each would settle who forms each size, if limits and scatter hold.

    Parameters
    ----------
    sizes : DataFrame
        The verdict table with its column ``forms``.
    limits : DataFrame
        From `limits_by_kind`.
    kinds : DataFrame
        From `measures_by_kind`, with ``weight``.
    alpha : float
        Level of the whole table.
    n_now : int
        Print jobs of each so far.

    Returns
    -------
    list of float
        0 where it is decided; otherwise at least 1, inf where more than 200 would be needed, NaN where no limit is
        known to plan with.
    """
    limit = limits.set_index("kind")
    tests = kinds[kinds["measure"] == "size that half form"].set_index("kind")
    out = []
    for row in sizes.itertuples():
        if row.forms in ("both", "neither") or row.forms.startswith("only") or row.forms.endswith("smaller details"):
            out.append(0.0)
            continue
        needed = [_to_differ(tests, row.kind, alpha=alpha)] if math.isnan(row.nominal_mm) else []
        if not needed:
            bounds = limit.loc[row.kind]
            sides = [float(bounds[f"a90_{p}_mm"]) <= row.nominal_mm for p in ("a", "b")]
            needed = [_to_bound(bounds, p, float(row.nominal_mm)) for p in ("a", "b")]
            if sides[0] != sides[1]:
                needed.append(_to_differ(tests, row.kind, alpha=alpha))
        more = max(needed) - n_now if all(n == n for n in needed) else math.nan
        out.append(max(more, 1.0) if more == more else more)
    return out


def _to_bound(bounds: pd.Series, printer: str, size_mm: float) -> float:
    """Return the print jobs that take a printer's bound past a size; 2 where it is past it already."""
    a90, low, high = (float(bounds[f"a90_{printer}{end}_mm"]) for end in ("", "_low", "_high"))
    if size_mm >= high or size_mm < low:
        return 2.0
    sd = float(bounds[f"sd_ln_{printer}"])
    if not (math.isfinite(sd) and math.isfinite(a90)):
        return math.nan
    return prints_for_bound(distance=abs(math.log(size_mm / a90)), sd=sd)


def _to_differ(tests: pd.DataFrame, kind: str, *, alpha: float) -> float:
    """Return the print jobs of each that show the formed sizes of a kind to differ."""
    if kind not in tests.index:
        return math.nan
    test = tests.loc[kind]
    seen, sd = float(test["difference"]), float(test["sd_between_prints"])
    if not (math.isfinite(sd) and seen > 0):
        return math.nan
    return prints_for_difference(difference=abs(math.log(seen)), sd=sd, alpha=alpha * float(test["weight"]))
