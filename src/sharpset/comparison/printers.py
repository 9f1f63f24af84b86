"""Two printers, materials or settings compared on one test piece."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sharpset.brief import Brief
from sharpset.comparison.cells import MeanDifference, PrintTable, arrange_prints, compare_means
from sharpset.comparison.common import CommonUncertainty
from sharpset.comparison.costs import compare_jobs
from sharpset.comparison.equivalence import holm_adjust
from sharpset.comparison.limits import limits_by_kind
from sharpset.comparison.measures import (
    agreement_by_kind,
    kind_width,
    measurement_floor,
    measures_by_kind,
    shared_columns,
    size_effects,
)
from sharpset.comparison.planning import kind_scatter, prints_to_form, prints_to_settle, recommend_prints
from sharpset.comparison.tables import check_one_piece, check_readings, keep_ladders, merge_scans
from sharpset.comparison.verdicts import forms_words, measure_words, truer_words, verdict_words
from sharpset.errors import ComparisonError

__all__ = ["Comparison", "compare_readings"]

Array = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Comparison:
    """Everything that two sets of readings say about two printers.

    Attributes
    ----------
    label_a, label_b : str
    n_prints_a, n_prints_b : int
        Print jobs.
    tolerance_mm : float
        Largest difference that does not matter, from the brief.
    alpha : float
        Chance of any false alarm in the whole verdict table.
    n_tests : int
        Comparisons that share ``alpha``.
    decidable : bool
        Whether there are at least two print jobs of each; otherwise every verdict is open.
    recommended_prints, recommended_prints_by_size : float
        Print jobs of each that find a difference as large as the tolerance with 80 % chance: in the mean over the sizes
        of a kind, and in every single size.
    verdict : DataFrame
        A row per kind and size, and one per kind over all its sizes (``nominal_mm`` NaN): what formed, deviations,
        difference with interval, p values raw and adjusted, ``forms``, ``truer``, ``more_prints`` (of each, to decide
        on the widths), ``more_prints_to_form`` (to decide who forms it), ``verdict`` in words.
    by_kind : DataFrame
        Formed size, spread within a print, edge roughness: by kind, with intervals and adjusted p.
    limits : DataFrame
        a90 by kind of both and their difference, with intervals.
    agreement : DataFrame
        Bias and limits of agreement by kind.
    jobs : DataFrame
        Time and cost per part, where they were given.
    remarks : tuple of str
        What the numbers cannot support, and what to do.
    """

    label_a: str
    label_b: str
    n_prints_a: int
    n_prints_b: int
    tolerance_mm: float
    alpha: float
    n_tests: int
    decidable: bool
    recommended_prints: float
    recommended_prints_by_size: float
    verdict: pd.DataFrame
    by_kind: pd.DataFrame
    limits: pd.DataFrame
    agreement: pd.DataFrame
    jobs: pd.DataFrame
    remarks: tuple[str, ...]

    @property
    def different(self) -> bool:
        """Whether anything in the whole table differs at the family-wise level ``alpha``."""
        return bool((self.verdict["p_adjusted"] < self.alpha).any() or (self.by_kind["p_adjusted"] < self.alpha).any())

    def summary(self) -> str:
        """Return the outcome in one line."""
        head = f"{self.label_a} ({self.n_prints_a} prints) against {self.label_b} ({self.n_prints_b} prints): "
        if not self.decidable:
            return head + "not decidable, at least two print jobs of each are needed"
        table = self.verdict[self.verdict["nominal_mm"].notna()]
        n, parts = len(table), []
        for label in (self.label_a, self.label_b):
            truer = int((table["truer"] == label).sum())
            alone = int((table["forms"] == f"only {label}").sum())
            if truer:
                parts.append(f"{label} truer in {truer} of {n} sizes")
            if alone:
                parts.append(f"{label} alone forms {alone}")
        both = int((table["forms"] == "both").sum())
        if both:
            parts.append(f"both form {both} of {n} sizes")
        equal = int(table["truer"].str.startswith("equal").sum())
        if equal:
            parts.append(f"widths of {equal} equal within {self.tolerance_mm:g} mm")
        undecided = int((table["truer"] == "not yet decided").sum())
        if undecided:
            parts.append(f"widths of {undecided} not yet decided")
        return head + ("; ".join(parts) or "no size was measured on both")

    def to_frame(self) -> pd.DataFrame:
        """Return the verdict table."""
        return self.verdict.copy()

    def _repr_html_(self) -> str:
        columns = [
            "kind",
            "nominal_mm",
            "forms",
            "truer",
            "difference_mm",
            "U95_difference_mm",
            "more_prints",
            "more_prints_to_form",
            "verdict",
        ]
        table = self.verdict[columns].to_html(index=False, float_format=lambda v: f"{v:.3f}")
        return f"<p>{self.summary()}</p>{table}"


def compare_readings(
    a: pd.DataFrame,
    b: pd.DataFrame,
    *,
    brief: Brief,
    labels: tuple[str, str] = ("A", "B"),
    jobs: pd.DataFrame | None = None,
    common_U95_mm: float | None = None,
    two_scanners: bool = False,
    alpha: float = 0.05,
    n_boot: int = 2000,
    seed: int = 1,
) -> Comparison:
    """Compare two printers (or materials, or settings) on the same test piece.

    Parameters
    ----------
    a, b : DataFrame
        Readings of each, a row per feature and scan, lengths in mm. One ``run_id`` is one print job; scans of one job
        are averaged.
    brief : Brief
        Its ``tolerance_mm.width`` is the largest difference that does not matter.
    labels : (str, str)
    jobs : DataFrame, optional
        ``run_id`` (and ``printer``, a label, where both use the same run ids), ``print_time_h``, ``cost``, ``n_parts``.
    common_U95_mm : float, optional
        Half-width (mm) of the 95 % interval of what all widths of one scan share (scale, edge spread). By default the
        column ``U95_common_mm`` of the readings, else it is left out and a remark says so.
    two_scanners : bool
        Whether the prints of A and of B were scanned by two scanners: a difference must exceed what both may be off.
    alpha : float
        Chance of any false alarm in the whole table of verdicts.
    n_boot : int
        Resamples of the print jobs for the intervals of the limits.
    seed : int

    Returns
    -------
    Comparison

    Raises
    ------
    ComparisonError
        If the tables are of different pieces, a column is missing, units are mixed, or run ids are missing.

    Notes
    -----
    Features are paired; the print job is the unit that repeats, so every test has one value per print job (Welch's t).
    All tests of the verdict table and of the table by kind form one family, adjusted by Holm with weights: half of
    alpha for the questions by kind (width over all sizes, size that forms), four tenths for the single sizes, one
    tenth for spread and roughness. A printer is *truer* where
    the means differ and their sum has the sign of the difference (an intersection-union test of the two absolute
    biases), *equal* where two one-sided tests pass after Holm's adjustment over the sizes. A size is called formed by
    one printer alone only where the formed sizes of the kind differ in that family and the bounds of both limits agree.
    Scan-wide uncertainty is not averaged away by features: where several print jobs share a scan, a difference must
    exceed it before it counts.

    References
    ----------
    Holm (1979), Scand. J. Statist. 6:65-70; Schuirmann (1987), J. Pharmacokin. Biopharm. 15:657-680; Berger (1982),
    Technometrics 24:295-300 (intersection-union tests).
    """
    label_a, label_b = _check_labels(labels)
    a, b = _ready(a, label_a), _ready(b, label_b)
    check_one_piece(a, b, label_a=label_a, label_b=label_b)
    if _same_readings(a, b):
        raise ComparisonError(f"{label_a} and {label_b} are the same readings. Give the readings of two printers.")
    shared = _scan_in_both(a, b)
    if shared:
        raise ComparisonError(
            f"{shared} stands in both tables, of {label_a} and of {label_b}, number for number. Leave it out of one."
        )
    remarks = list(_remarks_on_design(a, b, labels=(label_a, label_b)))
    common = CommonUncertainty.of(a, b, given=common_U95_mm, two_scanners=two_scanners)
    remarks += common.remarks((label_a, label_b))
    table = arrange_prints(merge_scans(a), merge_scans(b))
    tolerance = brief.tolerance_mm.width
    decidable = min(table.n_a, table.n_b) > 1

    sizes = _compare_sizes(table, tolerance=tolerance, common=common)
    kinds = measures_by_kind(table)
    limits = limits_by_kind(table, n_boot=n_boot, seed=seed)
    n_tests = _adjust(sizes, kinds)
    kinds["verdict"] = [measure_words(row, labels=(label_a, label_b), alpha=alpha) for _, row in kinds.iterrows()]

    scatter = kind_scatter(table)
    sizes["forms"] = forms_words(sizes, limits, kinds, labels=(label_a, label_b), alpha=alpha)
    sizes["truer"] = truer_words(sizes, labels=(label_a, label_b), alpha=alpha)
    n_now = min(table.n_a, table.n_b)
    sizes["more_prints"] = prints_to_settle(sizes, scatter, tolerance=tolerance, alpha=alpha, n_now=n_now)
    sizes["more_prints_to_form"] = prints_to_form(sizes, limits, kinds, alpha=alpha, n_now=n_now)
    sizes["verdict"] = verdict_words(sizes, labels=(label_a, label_b), tolerance_mm=tolerance)
    recommended = recommend_prints(table, scatter, sizes, tolerance=tolerance, alpha=alpha)
    if not decidable:
        remarks.insert(0, _one_print_remark(table, (label_a, label_b), recommended.by_kind))
    return Comparison(
        label_a=label_a,
        label_b=label_b,
        n_prints_a=table.n_a,
        n_prints_b=table.n_b,
        tolerance_mm=tolerance,
        alpha=alpha,
        n_tests=n_tests,
        decidable=decidable,
        recommended_prints=recommended.by_kind,
        recommended_prints_by_size=recommended.by_size,
        verdict=sizes,
        by_kind=kinds,
        limits=limits,
        agreement=agreement_by_kind(table, n_boot=n_boot, seed=seed),
        jobs=compare_jobs(jobs, runs_a=set(a["run_id"]), runs_b=set(b["run_id"]), labels=(label_a, label_b)),
        remarks=tuple(remarks),
    )


def _check_labels(labels: tuple[str, str]) -> tuple[str, str]:
    if len(labels) != 2 or not all(str(x).strip() for x in labels) or labels[0] == labels[1]:
        raise ComparisonError(f"labels are {labels!r}; give two different names, one for each printer.")
    return str(labels[0]), str(labels[1])


def _ready(frame: pd.DataFrame, label: str) -> pd.DataFrame:
    frame = check_readings(frame, name=label)
    if (frame["run_id"] == "").any():
        raise ComparisonError(
            f"{label}: some readings have no run_id, so print jobs cannot be told apart. "
            "Fill in the column run_id, one name per print job."
        )
    frame = keep_ladders(frame)
    if frame.empty:
        raise ComparisonError(
            f"{label}: no features of a ladder of sizes are left. Read a stencil or another graded piece."
        )
    return frame


def _same_readings(a: pd.DataFrame, b: pd.DataFrame) -> bool:
    columns = ["run_id", "feature_id", "formed", "measured_mm"]
    return len(a) == len(b) and a[columns].reset_index(drop=True).equals(b[columns].reset_index(drop=True))


def _scan_in_both(a: pd.DataFrame, b: pd.DataFrame) -> str:
    """Return a scan whose very numbers both tables hold; empty where there is none. It would pull them together."""
    keys, columns = ["scan_id", "run_id"], ["feature_id", "formed", "measured_mm"]
    if not set(keys) <= set(a.columns) & set(b.columns):
        return ""
    of_b = dict(iter(b.groupby(keys, sort=False)))
    for key, part in a.groupby(keys, sort=False):
        other = of_b.get(key)
        if other is None or part["measured_mm"].isna().all():
            continue
        one, two = (t[columns].sort_values("feature_id").reset_index(drop=True) for t in (part, other))
        if one.equals(two):
            return f"scan {key[0]}, run {key[1]}," if key[1] else f"scan {key[0]}"
    return ""


def _remarks_on_design(a: pd.DataFrame, b: pd.DataFrame, *, labels: tuple[str, str]) -> list[str]:
    out = []
    only = set(a["feature_id"]) ^ set(b["feature_id"])
    if only:
        out.append(f"{len(only)} features were read on one side only and are left out.")
    for label, frame in zip(labels, (a, b), strict=True):
        shifted = frame.get("x_dev_mm")
        if shifted is not None and float(shifted.abs().median()) > 1.0:
            out.append(f"{label}: features lie more than 1 mm from their place; check that the scan is of this piece.")
    return out


def _adjust(sizes: pd.DataFrame, kinds: pd.DataFrame) -> int:
    """Adjust every p value for the family it belongs to; return the number of tests in the family of differences."""
    single = sizes["nominal_mm"].notna().to_numpy()
    main = np.concatenate([~single, (kinds["measure"] == "size that half form").to_numpy()])
    is_size = np.concatenate([single, np.zeros(len(kinds), bool)])
    family = np.concatenate([sizes["p_different"].to_numpy(float), kinds["p"].to_numpy(float)])
    weights = np.zeros(len(family))
    for mine, share in ((main, 0.5), (is_size, 0.4), (~main & ~is_size, 0.1)):
        weights[mine] = share / max(int(mine.sum()), 1)
    adjusted = holm_adjust(family, weights=weights)
    n = len(sizes)
    sizes["p_adjusted"], kinds["p_adjusted"] = adjusted[:n], adjusted[n:]
    sizes["weight"], kinds["weight"] = weights[:n] / weights.sum(), weights[n:] / weights.sum()
    sizes["p_truer_adjusted"] = holm_adjust(sizes["p_truer"], weights=weights[:n])
    sizes["p_equal_adjusted"] = holm_adjust(sizes["p_equal"], weights=weights[:n])
    return int(np.isfinite(family).sum())


def _compare_sizes(table: PrintTable, *, tolerance: float, common: CommonUncertainty) -> pd.DataFrame:
    rows = []
    for kind in table.kinds:
        cells = table.cells(kind)
        for size, effects in size_effects(table, kind).items():
            columns = cells[size]
            shared = shared_columns(table, columns, table.deviation_mm)
            found = compare_means(effects, table.is_a, floor_sd=measurement_floor(table, shared))
            rows.append(_size_row(table, kind, size, columns, found, tolerance=tolerance, common=common))
        if len(cells) > 1:
            every = np.concatenate(list(cells.values()))
            found = kind_width(table, kind)
            rows.append(_size_row(table, kind, math.nan, every, found, tolerance=tolerance, common=common))
    return pd.DataFrame(rows)


def _size_row(
    table: PrintTable,
    kind: str,
    size: float,
    columns: NDArray[np.intp],
    found: MeanDifference,
    *,
    tolerance: float,
    common: CommonUncertainty,
) -> dict[str, object]:
    block, is_a = table.formed[:, columns], table.is_a
    limit = common.U95_difference_mm
    total = found.mean_a + found.mean_b
    p_different = found.p_beyond(limit)
    # |bias| is smaller for A exactly where the difference and the sum have opposite signs.
    p_sum = found.p_beyond(common.U95_a_mm + common.U95_b_mm, value=total)
    p_equal = math.nan
    if math.isfinite(found.se):
        p_equal = _p_equal(found, tolerance - limit)
    return {
        "kind": kind,
        "nominal_mm": size,
        "n_features": len(columns),
        "n_a": found.n_a,
        "n_b": found.n_b,
        "tried_a": int(np.isfinite(block[is_a]).sum()),
        "tried_b": int(np.isfinite(block[~is_a]).sum()),
        "formed_a": _share(block[is_a]),
        "formed_b": _share(block[~is_a]),
        "bias_a_mm": found.mean_a,
        "bias_b_mm": found.mean_b,
        "sd_a_mm": found.sd_a,
        "sd_b_mm": found.sd_b,
        "sd_pooled_mm": found.sd,
        "difference_mm": found.difference,
        "U95_difference_mm": found.half_width(),
        "U95_common_mm": limit,
        "p_different": p_different,
        "p_truer": max(p_different, p_sum) if math.isfinite(p_sum) else p_different,
        "p_equal": p_equal,
    }


def _p_equal(found: MeanDifference, margin: float) -> float:
    from scipy import stats

    if margin <= 0:
        return 1.0
    if found.se == 0:
        return 0.0 if abs(found.difference) < margin else 1.0
    return float(stats.t.sf((margin - abs(found.difference)) / found.se, found.df))


def _share(block: Array) -> float:
    known = np.isfinite(block)
    return float(np.nansum(block) / known.sum()) if known.any() else math.nan


def _one_print_remark(table: PrintTable, labels: tuple[str, str], recommended: float) -> str:
    few = [label for label, n in zip(labels, (table.n_a, table.n_b), strict=True) if n < 2]
    plan = f"about {recommended:.0f} of each" if math.isfinite(recommended) else "3 of each to begin with"
    return (
        f"Only one print job of {' and of '.join(few)}: its chance and the printer cannot be told apart, so nothing is "
        f"decided. Print at least 2 of each, {plan} to find a difference of the tolerance; the table only describes."
    )
