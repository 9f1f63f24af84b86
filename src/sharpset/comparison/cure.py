"""A master before and after the cure of its mould: what changed, and by how much."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats

from sharpset.comparison.cautions import MOULD_CAUTIONS
from sharpset.comparison.equivalence import holm_adjust
from sharpset.comparison.shrinkage import MeasuredScale, measure_scale
from sharpset.comparison.tables import check_one_piece, check_readings, keep_ladders, merge_scans
from sharpset.errors import ComparisonError

__all__ = ["CureCheck", "check_cure"]

_U95_TO_U = 1.959963984540054
_STAYED = ("changed, within the tolerance", "no change beyond the tolerance")
_TOO_FEW = "too few to tell"
_MOST_NAMED = 4
"""How many sizes the outcome names before it counts the rest."""


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class CureCheck:
    """Readings of masters before and after a mould was cured around them.

    Attributes
    ----------
    n_masters : int
    tolerance_mm : float
    changes : DataFrame
        ``kind, nominal_mm`` (NaN: all sizes), ``n_features, n_masters, change_mm, low_mm, high_mm, p, p_adjusted,
        verdict``; change is after minus before.
    lost : DataFrame
        ``run_id, feature_id, kind, nominal_mm, after``: features that had formed and are no longer whole.
    roughness_change_mm, roughness_low_mm, roughness_high_mm : float
        NaN where it was not read.
    scale : MeasuredScale or None
        Change along x and y, where positions were read.
    verdict : str
    remarks, cautions : tuple of str
    """

    n_masters: int
    tolerance_mm: float
    changes: pd.DataFrame
    lost: pd.DataFrame
    roughness_change_mm: float
    roughness_low_mm: float
    roughness_high_mm: float
    scale: MeasuredScale | None
    verdict: str
    remarks: tuple[str, ...]
    cautions: tuple[str, ...]

    def summary(self) -> str:
        """Return the outcome in one line."""
        return self.verdict

    def to_frame(self) -> pd.DataFrame:
        """Return the changes by kind and size."""
        return self.changes.copy()

    def _repr_html_(self) -> str:
        return f"<p>{self.summary()}</p>{self.changes.round(4).to_html(index=False)}"


def check_cure(
    before: pd.DataFrame,
    after: pd.DataFrame,
    *,
    tolerance_mm: float,
    alpha: float = 0.05,
    scale_U95: float = 0.0,
) -> CureCheck:
    """Compare the readings of the same masters before and after the mould cure.

    Parameters
    ----------
    before, after : DataFrame
        Readings tables; a master is a ``run_id`` with a ``piece_id`` and must be in both.
    tolerance_mm : float
        Largest acceptable change of a width (mm).
    alpha : float
        Chance of any false alarm in the whole table.
    scale_U95 : float
        Half-width of the 95 % interval of the ratio of both scans' scales.

    Returns
    -------
    CureCheck

    Raises
    ------
    ComparisonError
        If no master is in both tables, or fewer than 3 features formed in both.

    Notes
    -----
    With two or more masters each counts once in an interval; with one master its features do, and the interval then
    speaks of this master only. Scan-wide errors of both scans are not covered unless ``scale_U95`` is given; keep the
    scanner, its settings and the place on the glass the same.
    """
    if not tolerance_mm > 0:
        raise ComparisonError(f"the tolerance is {tolerance_mm!r} mm; give a size above 0 mm.")
    a, b = check_readings(before, name="before"), check_readings(after, name="after")
    check_one_piece(a, b, label_a="before", label_b="after")
    joined, lost = _pair(merge_scans(keep_ladders(a)), merge_scans(keep_ladders(b)))
    masters = int(joined["master"].nunique())
    rows = []
    for kind, mine in joined.groupby("kind", sort=False):
        for size, cell in mine.groupby("nominal_mm"):
            rows.append(_change(cell, kind=str(kind), size=float(size), masters=masters, tolerance=tolerance_mm))
        if len(mine["nominal_mm"].unique()) > 1:
            rows.append(_change(mine, kind=str(kind), size=math.nan, masters=masters, tolerance=tolerance_mm))
    changes = pd.DataFrame(rows)
    changes["p_adjusted"] = holm_adjust(changes["p"])
    changes["verdict"] = [_row_words(r, tolerance=tolerance_mm, alpha=alpha) for r in changes.itertuples()]
    rough = _change(joined, kind="all", size=math.nan, masters=masters, tolerance=tolerance_mm, value="roughness")
    scale = None
    if {"x_mm", "y_mm", "x_dev_mm", "y_dev_mm"} <= set(a) & set(b):
        scale = _scale(a, b, scale_u95=scale_U95)
    remarks = []
    if masters == 1:
        remarks.append("One master only: the intervals speak of this one and not of the next. Check two or three.")
    return CureCheck(
        n_masters=masters,
        tolerance_mm=tolerance_mm,
        changes=changes,
        lost=lost,
        roughness_change_mm=float(rough["change_mm"]),
        roughness_low_mm=float(rough["low_mm"]),
        roughness_high_mm=float(rough["high_mm"]),
        scale=scale,
        verdict=_verdict(changes, lost, tolerance=tolerance_mm, alpha=alpha, masters=masters),
        remarks=tuple(remarks),
        cautions=MOULD_CAUTIONS,
    )


def _pair(a: pd.DataFrame, b: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    keys = ["run_id", "piece_id", "feature_id"]
    both = a.merge(b, on=keys, how="inner", suffixes=("", "_after"))
    if both.empty:
        raise ComparisonError(
            "no master is in both tables: run_id and piece_id do not match. Give readings of the same prints before "
            "and after the cure."
        )
    had, has = both["formed"] == "yes", both["formed_after"] == "yes"
    lost = both.loc[had & ~has, [*keys, "kind", "nominal_mm", "formed_after"]].rename(columns={"formed_after": "after"})
    kept = both[had & has].copy()
    kept["change"] = kept["measured_mm_after"] - kept["measured_mm"]
    rough = "edge_roughness_mm" in a and "edge_roughness_mm" in b
    kept["roughness"] = kept["edge_roughness_mm_after"] - kept["edge_roughness_mm"] if rough else np.nan
    u95 = [kept[c] for c in ("U95_mm", "U95_mm_after") if c in kept]
    kept["u"] = np.sqrt(sum((np.nan_to_num(c.to_numpy(float)) / _U95_TO_U) ** 2 for c in u95)) if u95 else 0.0
    kept["master"] = kept["run_id"] + "/" + kept["piece_id"]
    kept = kept[np.isfinite(kept["change"])]
    if len(kept) < 3:
        raise ComparisonError(
            f"only {len(kept)} features formed before and after; at least 3 are needed to say what changed."
        )
    return kept, lost.drop(columns="piece_id").reset_index(drop=True)


def _change(
    cell: pd.DataFrame, *, kind: str, size: float, masters: int, tolerance: float, value: str = "change"
) -> dict[str, Any]:
    values = cell[value] if masters == 1 else cell.groupby("master")[value].mean()
    known = values[np.isfinite(values)].to_numpy(float)
    n = known.size
    mean = float(known.mean()) if n else math.nan
    se = df = math.nan
    if n > 1:
        # The readings' own uncertainty is the least scatter there can be.
        floor = float(np.sqrt((cell["u"] ** 2).sum())) / len(cell) if value == "change" else 0.0
        se, df = max(float(known.std(ddof=1)) / math.sqrt(n), floor), n - 1
    half = float(stats.t.ppf(0.975, df)) * se if n > 1 else math.nan
    p = math.nan
    p_within = math.nan
    if n > 1:
        p = float(2 * stats.t.sf(abs(mean) / se, df)) if se > 0 else float(mean == 0)
        p_within = float(stats.t.sf((tolerance - abs(mean)) / se, df)) if se > 0 else float(abs(mean) >= tolerance)
    return {
        "kind": kind,
        "nominal_mm": size,
        "n_features": len(cell),
        "n_masters": int(cell["master"].nunique()),
        "change_mm": mean,
        "low_mm": mean - half,
        "high_mm": mean + half,
        "p": p,
        "p_within": p_within,
    }


def _row_words(row: Any, *, tolerance: float, alpha: float) -> str:
    low, high = float(row.low_mm), float(row.high_mm)
    if not math.isfinite(low):
        return _TOO_FEW
    shown = row.p_adjusted < alpha
    if max(abs(low), abs(high)) < tolerance:
        return _STAYED[0] if shown else _STAYED[1]
    if shown and (low > tolerance or high < -tolerance):
        return "changed by more than the tolerance"
    return "changed, perhaps by more than the tolerance" if shown else "not yet decided"


def _scale(a: pd.DataFrame, b: pd.DataFrame, *, scale_u95: float) -> MeasuredScale | None:
    good_a, good_b = a[a["formed"] == "yes"].copy(), b[b["formed"] == "yes"].copy()
    for frame in (good_a, good_b):
        frame["feature_id"] = frame["run_id"] + "/" + frame["piece_id"] + "/" + frame["feature_id"]
    single = len(good_a["run_id"].unique()) == 1
    try:
        return measure_scale(good_a, good_b, scale_U95=scale_u95) if single else None
    except ComparisonError:
        return None


def _sizes(rows: pd.DataFrame) -> str:
    """Return the sizes of a table of changes in words; those that too few features tell of are marked so."""
    names = [
        f"{row.kind} {row.nominal_mm:g} mm" + (" (too few features)" if row.verdict == _TOO_FEW else "")
        for row in rows.head(_MOST_NAMED).itertuples()
    ]
    rest = len(rows) - len(names)
    return ", ".join(names) + (f" and {rest} more sizes" if rest else "")


def _verdict(changes: pd.DataFrame, lost: pd.DataFrame, *, tolerance: float, alpha: float, masters: int) -> str:
    words = []
    if len(lost):
        words.append(f"{len(lost)} features that had formed are no longer whole")
    beyond = changes["verdict"] == "changed by more than the tolerance"
    single = changes["nominal_mm"].notna()
    if beyond.any():
        worst = changes.loc[beyond, "change_mm"].abs().max()
        words.append(f"widths changed by up to {worst:.3f} mm, more than the tolerance of {tolerance:g} mm")
    elif changes.loc[single, "verdict"].isin(_STAYED).all():
        words.append(f"every width stayed within {tolerance:g} mm")
    else:
        is_open = changes[single & ~changes["verdict"].isin(_STAYED)]
        words.append(
            f"{_sizes(is_open)} not yet shown to have stayed within {tolerance:g} mm, {single.sum() - len(is_open)} of "
            f"{single.sum()} sizes are"
        )
    shown = (changes["p_adjusted"] < alpha).any()
    head = "the master did not survive the cure" if len(lost) or beyond.any() else "the master survived the cure"
    if not (len(lost) or beyond.any()) and "not yet" in words[-1]:
        head = "survival is not yet decided"
    tail = "" if beyond.any() or not shown else "; a change is seen"
    return f"{head} ({masters} master{'s' if masters > 1 else ''}): {'; '.join(words)}{tail}"
