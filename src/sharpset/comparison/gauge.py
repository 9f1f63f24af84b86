"""The measurement itself judged: repeatability, reproducibility and part variation from repeated scans."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import pandas as pd

from sharpset.comparison.gauge_data import GaugeTable, arrange_gauge, join_operators
from sharpset.comparison.gauge_methods import Components, analyse_by_anova, analyse_by_range
from sharpset.errors import ComparisonError

__all__ = ["GaugeStudy", "gauge_study"]

Method = Literal["anova", "range"]

# AIAG (2010) truncates 1.41; the square root of 2 would give another number of categories now and then.
_NDC_FACTOR = 1.41


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class GaugeStudy:
    """How far the readings can be trusted.

    Attributes
    ----------
    method : {'anova', 'range'}
    n_parts, n_operators, n_trials, n_dropped : int
        Size of the study; parts that some scan lacks were dropped.
    repeatability, reproducibility, gauge, part, total : float
        Standard deviations EV, AV, GRR, PV, TV in the unit of the value (mm). Reproducibility is NaN where only one
        operator (position, day) took part; the gauge is then the repeatability.
    n_categories : int
        Number of distinct categories: 1.41 PV / GRR, truncated, at least 1.
    n_categories_raw, n_categories_low, n_categories_high : float
        The number before it is truncated, with its 95 % interval.
    percent_tolerance : float
        100 * 6 GRR over the whole tolerance zone, which is twice the tolerance; NaN without one.
    tolerance_mm : float
    value : str
        Column that was studied; its name ends with its unit.
    components : DataFrame
        ``component, sd, low, high, percent_contribution, percent_total, percent_total_low, percent_total_high,
        percent_tolerance, percent_tolerance_low, percent_tolerance_high``; 95 % generalised intervals.
    table : DataFrame
        The analysis of variance, or ranges and constants.
    pooled : bool
        Whether the interaction was pooled with the error.
    between_scans, within_scans : float
        With one operator: the part of the repeatability that all features of a scan share, and the rest (mm). NaN
        otherwise.
    verdict : str
    """

    method: str
    n_parts: int
    n_operators: int
    n_trials: int
    n_dropped: int
    repeatability: float
    reproducibility: float
    gauge: float
    part: float
    total: float
    n_categories: int
    n_categories_raw: float
    n_categories_low: float
    n_categories_high: float
    percent_tolerance: float
    tolerance_mm: float
    components: pd.DataFrame
    table: pd.DataFrame
    pooled: bool
    between_scans: float
    within_scans: float
    verdict: str
    value: str = "deviation_mm"

    @property
    def percent_total(self) -> float:
        """Gauge over total variation, in percent."""
        return 100 * self.gauge / self.total if self.total > 0 else math.nan

    def summary(self) -> str:
        """Return the result in one line."""
        hands = "operator" if self.n_operators == 1 else "operators"
        told = "category" if self.n_categories == 1 else "categories"
        unit = " mm" if self.value.endswith("_mm") else ""
        tolerance = (
            f"{self.percent_tolerance:.1f} % of the tolerance, " if math.isfinite(self.percent_tolerance) else ""
        )
        return (
            f"{self.n_parts} parts, {self.n_operators} {hands}, {self.n_trials} trials: "
            f"gauge sd {self.gauge:.4g}{unit}, {self.percent_total:.1f} % of total variation, {tolerance}"
            f"{self.n_categories} {told} (95 % {self.n_categories_low:.3g} to {self.n_categories_high:.3g})"
        )

    def to_frame(self) -> pd.DataFrame:
        """Return a row per component with intervals."""
        return self.components.copy()

    def _repr_html_(self) -> str:
        return f"<p>{self.summary()}</p><p>{self.verdict}</p>{self.components.round(4).to_html(index=False)}"


def gauge_study(
    readings: pd.DataFrame,
    *,
    tolerance_mm: float | None = None,
    value: str = "deviation_mm",
    part: str | Sequence[str] | None = None,
    operator: str | None = None,
    operators: pd.DataFrame | None = None,
    trial: str = "scan_id",
    method: Method = "anova",
    pool_above: float = 0.25,
    n_draws: int = 20000,
    seed: int = 1,
) -> GaugeStudy:
    """Judge a measurement from repeated readings of the same parts.

    Parameters
    ----------
    readings : DataFrame
        A row per part and repeat; readings tables of several scans put under one another will do.
    tolerance_mm : float, optional
        Largest acceptable error either way (mm), as in the brief; the tolerance zone is twice that.
    value : str
        Column to study. The deviation, not the width: a ladder of sizes is not variation between parts.
    part : str or sequence of str, optional
        Columns that name a part; by default ``piece_id, run_id, feature_id``, those that are there.
    operator : str, optional
        Column that names the operator (or the position on the glass, or the day). Left out, all repeats count as one
        operator's, and reproducibility is not studied.
    operators : DataFrame, optional
        ``scan_id`` and the operator column, where the readings lack it.
    trial : str
        Column that tells repeats apart.
    method : {'anova', 'range'}
    pool_above : float
        The interaction of part and operator is pooled with the error where its p value is larger (0.25 in the AIAG
        manual).
    n_draws, seed : int
        Draws for the intervals.

    Returns
    -------
    GaugeStudy

    Raises
    ------
    ComparisonError
        If fewer than two parts were read twice by each operator, or a column is missing.

    Notes
    -----
    Repeatability covers what the repeats varied and no more; a scale error that all scans share is not in it. With one
    operator the repeats of a scan share errors: repeatability then is the root sum of squares of the variation
    between scans and of the rest.

    References
    ----------
    AIAG (2010), Measurement Systems Analysis, 4th ed., ch. III-B.
    """
    if method not in ("anova", "range"):
        raise ComparisonError(f"method is {method!r}; it must be one of anova, range.")
    if tolerance_mm is not None and not tolerance_mm > 0:
        raise ComparisonError(f"the tolerance is {tolerance_mm!r} mm; give a size above 0 mm.")
    frame = readings
    if value == "deviation_mm" and value not in frame and {"measured_mm", "nominal_mm"} <= set(frame):
        frame = frame.assign(deviation_mm=frame["measured_mm"] - frame["nominal_mm"])
    if operators is not None:
        operator = operator or next((c for c in operators.columns if c != "scan_id"), "operator")
        frame = join_operators(frame, operators, column=operator)
    if part is None:
        part = [c for c in ("piece_id", "run_id", "feature_id") if c in frame]
    names = [part] if isinstance(part, str) else list(part)
    data = arrange_gauge(frame, value=value, part=names, operator=operator, trial=trial)
    if method == "range":
        found = analyse_by_range(data.values, n_draws=n_draws, seed=seed)
    else:
        found = analyse_by_anova(data.values, pool_above=pool_above, n_draws=n_draws, seed=seed)
    between, within = math.nan, math.nan
    if data.values.shape[1] == 1:
        found, between, within = _split_scans(found, data, n_draws=n_draws, seed=seed, by_range=method == "range")
    study = _assemble(found, data, method=method, tolerance=tolerance_mm or math.nan, between=between, within=within)
    return replace(study, value=value)


def _split_scans(
    found: Components, data: GaugeTable, *, n_draws: int, seed: int, by_range: bool
) -> tuple[Components, float, float]:
    """Take the repeats of one operator apart into what a whole scan shares and the rest, and mend the intervals."""
    y = data.values[:, 0, :]
    n, r = y.shape
    groups = [y[data.groups == g] for g in np.unique(data.groups)]
    n_groups, together = len(groups), n / len(groups)
    df_rest, df_scan = (n - n_groups) * (r - 1), n_groups * (r - 1)
    if df_rest < 1:
        return found, math.nan, math.nan
    rest_ss = scan_ss = 0.0
    for part in groups:
        of_scan = part.mean(axis=0) - part.mean()
        rest_ss += float(((part - part.mean(axis=1, keepdims=True) - of_scan) ** 2).sum())
        scan_ss += len(part) * float((of_scan**2).sum())
    ms_rest, ms_scan = rest_ss / df_rest, scan_ss / df_scan
    between = math.sqrt(max((ms_scan - ms_rest) / together, 0.0))
    if by_range:
        return found, between, math.sqrt(ms_rest)
    rng = np.random.default_rng(seed + 1)
    rest = df_rest * ms_rest / rng.chisquare(df_rest, n_draws)
    scan = df_scan * ms_scan / rng.chisquare(df_scan, n_draws)
    ms_part = r * float(((y.mean(axis=1) - y.mean()) ** 2).sum()) / (n - 1)
    parts = (n - 1) * ms_part / rng.chisquare(n - 1, n_draws)
    draws = {
        "repeatability": np.sqrt(rest + np.maximum((scan - rest) / together, 0)),
        "reproducibility": np.full(n_draws, np.nan),
        "part": np.sqrt(np.maximum((parts - rest) / r, 0)),
    }
    mended = Components(
        repeatability=math.hypot(between, math.sqrt(ms_rest)),
        reproducibility=math.nan,
        part=math.sqrt(max((ms_part - ms_rest) / r, 0.0)),
        draws=draws,
        table=found.table,
        pooled=found.pooled,
    )
    return mended, between, math.sqrt(ms_rest)


def _assemble(
    found: Components, data: GaugeTable, *, method: str, tolerance: float, between: float, within: float
) -> GaugeStudy:
    ev, pv = found.repeatability, found.part
    av = 0.0 if math.isnan(found.reproducibility) else found.reproducibility
    gauge = math.hypot(ev, av)
    total = math.hypot(gauge, pv)
    draws = dict(found.draws)
    draws["gauge"] = np.hypot(draws["repeatability"], np.nan_to_num(draws["reproducibility"]))
    draws["total"] = np.hypot(draws["gauge"], draws["part"])
    values = {"repeatability": ev, "reproducibility": found.reproducibility, "gauge": gauge, "part": pv, "total": total}
    rows = []
    for name, sd in values.items():
        if math.isnan(sd):
            continue
        low, high = np.quantile(draws[name], [0.025, 0.975])
        share = np.quantile(100 * draws[name] / draws["total"], [0.025, 0.975])
        to_percent = 100 * 6 / (2 * tolerance)
        rows.append(
            {
                "component": name,
                "sd": sd,
                "low": float(low),
                "high": float(high),
                "percent_contribution": 100 * sd**2 / total**2 if total else math.nan,
                "percent_total": 100 * sd / total if total else math.nan,
                "percent_total_low": float(share[0]),
                "percent_total_high": float(share[1]),
                "percent_tolerance": to_percent * sd,
                "percent_tolerance_low": to_percent * float(low),
                "percent_tolerance_high": to_percent * float(high),
            }
        )
    raw = _NDC_FACTOR * pv / gauge if gauge > 0 else math.inf
    with np.errstate(divide="ignore", invalid="ignore"):
        told = np.nan_to_num(_NDC_FACTOR * draws["part"] / draws["gauge"], nan=math.inf)
    told_low, told_high = (float(q) for q in np.quantile(told, [0.025, 0.975], method="nearest"))
    percent_tolerance = 100 * 6 * gauge / (2 * tolerance)
    categories = max(1, math.floor(raw)) if math.isfinite(raw) else 1000
    n, m, r = data.values.shape
    return GaugeStudy(
        method=method,
        n_parts=n,
        n_operators=m,
        n_trials=r,
        n_dropped=data.n_dropped,
        repeatability=ev,
        reproducibility=found.reproducibility,
        gauge=gauge,
        part=pv,
        total=total,
        n_categories=categories,
        n_categories_raw=raw,
        n_categories_low=told_low,
        n_categories_high=told_high,
        percent_tolerance=percent_tolerance,
        tolerance_mm=tolerance,
        components=pd.DataFrame(rows),
        table=found.table,
        pooled=found.pooled,
        between_scans=between,
        within_scans=within,
        verdict=_verdict(percent_tolerance, 100 * gauge / total if total else math.nan, categories, known=m > 1),
    )


def _verdict(percent_tolerance: float, percent_total: float, categories: int, *, known: bool) -> str:
    """Put the usual bounds of 10 and 30 percent into words (AIAG 2010, ch. III-B)."""

    def grade(percent: float) -> str:
        if percent < 10:
            return "good"
        return "usable where the detail is not critical" if percent <= 30 else "not good enough"

    parts = []
    if math.isfinite(percent_tolerance):
        parts.append(
            f"To judge against the tolerance the measurement is {grade(percent_tolerance)} "
            f"({percent_tolerance:.0f} % of the tolerance zone)."
        )
    if math.isfinite(percent_total):
        enough = "enough" if categories >= 5 else "too few"
        parts.append(
            f"To tell parts apart it is {grade(percent_total)} ({percent_total:.0f} % of total variation); it tells "
            f"{categories} {'category' if categories == 1 else 'categories'} apart, {enough} for following a process "
            "(5 are usual)."
        )
    if not known:
        parts.append("Operators, positions or days did not vary or were not named, so reproducibility is not covered.")
    return " ".join(parts)
