"""Reports of comparisons: two printers, a gauge study, drift."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sharpset.comparison.cautions import PRINT_CAUTIONS
from sharpset.errors import ReportError
from sharpset.plots.agreement import draw_deviations, draw_differences, draw_limits
from sharpset.plots.charts import draw_drift_chart, draw_gauge
from sharpset.reports.compare_page import Page, Section, as_text_table, p_words, size_words, write_page

if TYPE_CHECKING:
    from sharpset.brief import Brief
    from sharpset.comparison.drift import DriftStudy
    from sharpset.comparison.gauge import GaugeStudy
    from sharpset.comparison.printers import Comparison

__all__ = [
    "write_comparison_report",
    "write_drift_report",
    "write_gauge_report",
]


def _share(value: Any) -> str:
    return "" if math.isnan(float(value)) else f"{100 * float(value):.0f} %"


def _more(value: Any) -> str:
    n = float(value)
    return "" if math.isnan(n) or n == 0 else "over 200" if math.isinf(n) else f"{n:.0f}"


def write_comparison_report(comparison: Comparison, *, brief: Brief, out: Path | str) -> tuple[Path, Path]:
    """Write ``report.html`` and ``report.pdf`` of a comparison of two printers.

    Parameters
    ----------
    comparison : Comparison
    brief : Brief
        The brief that the comparison was made with.
    out : path of a folder
        It is made where it does not exist.

    Returns
    -------
    (Path, Path)
        The HTML file and the PDF.
    """
    c = comparison
    a, b = c.label_a, c.label_b
    whole = c.verdict["nominal_mm"].isna().tolist()
    sections = [
        Section(
            title="Verdict by kind and size",
            text=(
                f"In the whole table and the table by kind the chance of any false alarm is at most {100 * c.alpha:g} "
                f"% ({c.n_tests} tests, adjusted by Holm). Difference: {a} minus {b}; +/- is the half-width of the 95 "
                "% interval of that row alone, from the scatter between print jobs. A small p different says that "
                "the widths differ, a small p equality that they are equal within the tolerance."
            ),
            table=as_text_table(c.verdict, _verdict_columns(a, b), strong=whole),
        ),
        Section(title="Differences against the tolerance", figure=draw_differences(c)),
        *_limit_sections(c),
        Section(title="Deviations from nominal", figure=draw_deviations(c)),
        Section(
            title="Formed size, evenness, edges",
            text="One value per print job; for ratios the column difference holds the ratio of both.",
            table=as_text_table(c.by_kind, _kind_columns(a, b)),
        ),
        Section(
            title="Agreement of the two printers",
            text=(
                "The limits of agreement hold 95 % of the differences between a feature of one print of one printer "
                "and the same feature of one print of the other. Outer bounds: 95 %, bootstrap over print jobs."
            ),
            table=as_text_table(c.agreement, _agreement_columns(a, b)),
        ),
    ]
    if not c.jobs.empty:
        sections.append(Section(title="Time and cost per part", table=as_text_table(c.jobs, _job_columns(a, b))))
    sections.append(Section(title="How many prints", text=_prints_text(c)))
    page = Page(
        title=f"{a} and {b} compared",
        subtitle=f"Brief: {brief.summary()}. {a}: {c.n_prints_a} print jobs; {b}: {c.n_prints_b} print jobs.",
        lead=c.summary() + ".",
        remarks=c.remarks,
        sections=tuple(s for s in sections if s.table or s.figure or s.text),
        cautions=PRINT_CAUTIONS,
    )
    return write_page(page, out)


def _limit_sections(c: Comparison) -> list[Section]:
    table = as_text_table(c.limits, _limit_columns(c.label_a, c.label_b))
    text = (
        "The size of each kind that forms 90 % of the time, with one-sided 95 % bounds; the upper one is the a90/95. "
        "Bounds are the widest of a bootstrap over print jobs, of Student's t over print jobs and of the curve's own. "
        "Difference with its 95 % interval."
    )
    try:
        figure = draw_limits(c)
    except ReportError:
        figure = None
    return [Section(title="Limits by kind", text=text, table=table, figure=figure)]


def _prints_text(c: Comparison) -> str:
    def words(n: float) -> str:
        if math.isnan(n):
            return "an unknown number of"
        return "more than 200" if math.isinf(n) else f"{n:.0f}"

    return (
        f"To find a difference of the tolerance ({c.tolerance_mm:g} mm) with a chance of 80 %: "
        f"{words(c.recommended_prints)} print jobs of each for the mean over the sizes of a kind, "
        f"{words(c.recommended_prints_by_size)} of each for every single size. Planned with the upper 80 % limit of "
        "the scatter seen so far."
    )


def _verdict_columns(a: str, b: str) -> dict[str, Any]:
    return {
        "kind": ("kind", ""),
        "nominal_mm": ("size / mm", size_words),
        "verdict": ("verdict", ""),
        "formed_a": (f"formed, {a}", _share),
        "formed_b": (f"formed, {b}", _share),
        "bias_a_mm": (f"deviation / mm, {a}", "+.3f"),
        "bias_b_mm": (f"deviation / mm, {b}", "+.3f"),
        "difference_mm": ("difference / mm", "+.3f"),
        "U95_difference_mm": ("+/- mm", ".3f"),
        "n_a": (f"prints, {a}", "d"),
        "n_b": (f"prints, {b}", "d"),
        "p_adjusted": ("p different, adjusted", p_words),
        "p_equal_adjusted": ("p equality, adjusted", p_words),
        "more_prints": ("more prints of each, widths", _more),
        "more_prints_to_form": ("more prints of each, forming", _more),
    }


def _kind_columns(a: str, b: str) -> dict[str, Any]:
    return {
        "kind": ("kind", ""),
        "measure": ("measure", ""),
        "value_a": (f"{a} / mm", ".3g"),
        "value_b": (f"{b} / mm", ".3g"),
        "unit": ("difference as", ""),
        "difference": ("difference", ".3g"),
        "low": ("low", ".3g"),
        "high": ("high", ".3g"),
        "n_a": (f"prints, {a}", "d"),
        "n_b": (f"prints, {b}", "d"),
        "p_adjusted": ("p adjusted", p_words),
        "verdict": ("verdict", ""),
    }


def _limit_columns(a: str, b: str) -> dict[str, Any]:
    return {
        "kind": ("kind", ""),
        "a90_a_mm": (f"a90 / mm, {a}", ".3f"),
        "a90_a_low_mm": ("low", ".3f"),
        "a90_a_high_mm": ("a90/95", ".3f"),
        "a90_b_mm": (f"a90 / mm, {b}", ".3f"),
        "a90_b_low_mm": ("low", ".3f"),
        "a90_b_high_mm": ("a90/95", ".3f"),
        "difference_mm": ("difference", "+.3f"),
        "low_mm": ("low", "+.3f"),
        "high_mm": ("high", "+.3f"),
        "note": ("note", ""),
    }


def _job_columns(a: str, b: str) -> dict[str, Any]:
    return {
        "measure": ("measure", ""),
        "unit": ("unit", ""),
        "value_a": (a, ".3g"),
        "value_b": (b, ".3g"),
        "difference": ("difference", "+.3g"),
        "low": ("low", "+.3g"),
        "high": ("high", "+.3g"),
        "n_a": (f"jobs, {a}", "d"),
        "n_b": (f"jobs, {b}", "d"),
    }


def _agreement_columns(a: str, b: str) -> dict[str, Any]:
    return {
        "kind": ("kind", ""),
        "n_features": ("features", "d"),
        "n_a": (f"prints, {a}", "d"),
        "n_b": (f"prints, {b}", "d"),
        "bias_mm": ("bias / mm", "+.3f"),
        "bias_low_mm": ("low", "+.3f"),
        "bias_high_mm": ("high", "+.3f"),
        "lower_mm": ("lower limit", "+.3f"),
        "upper_mm": ("upper limit", "+.3f"),
        "lower_low_mm": ("outer bound, lower", "+.3f"),
        "upper_high_mm": ("outer bound, upper", "+.3f"),
    }


def write_gauge_report(studies: Sequence[GaugeStudy], *, out: Path | str) -> tuple[Path, Path]:
    """Write ``report.html`` and ``report.pdf`` of a gauge study, by one method or by both."""
    names = {"anova": "by analysis of variance", "range": "by average and range"}
    sections = []
    for study in studies:
        text = study.verdict
        if study.n_dropped:
            text += f" {study.n_dropped} parts that some scan lacks were left out."
        if math.isfinite(study.between_scans):
            text += (
                f" Of the repeatability, {study.between_scans:.4f} is shared by all features of a scan and "
                f"{study.within_scans:.4f} is each feature's own."
            )
        columns: dict[str, Any] = {
            "component": ("component", ""),
            "sd": ("standard deviation", ".4g"),
            "low": ("low", ".4g"),
            "high": ("high", ".4g"),
            "percent_contribution": ("% of variance", ".1f"),
            "percent_total": ("% of total", ".1f"),
            "percent_total_low": ("low", ".1f"),
            "percent_total_high": ("high", ".1f"),
            "percent_tolerance": ("% of tolerance", ".1f"),
            "percent_tolerance_low": ("low", ".1f"),
            "percent_tolerance_high": ("high", ".1f"),
        }
        sections.append(
            Section(
                title=f"Components {names[study.method]}",
                text=text,
                table=as_text_table(study.components, columns),
                figure=draw_gauge(study),
            )
        )
        detail = {name: (name, "" if study.table[name].dtype == object else ".5g") for name in study.table.columns}
        title = "Analysis of variance" if study.method == "anova" else "Averages and ranges"
        sections.append(Section(title=title, table=as_text_table(study.table, detail)))
    first = studies[0]
    page = Page(
        title="Gauge study",
        subtitle=f"{first.n_parts} parts, {first.n_operators} operator{'s' if first.n_operators > 1 else ''}, "
        f"{first.n_trials} trials",
        lead=first.summary() + ".",
        sections=tuple(sections),
    )
    return write_page(page, out)


def write_drift_report(study: DriftStudy, *, out: Path | str) -> tuple[Path, Path]:
    """Write ``report.html`` and ``report.pdf`` of the control charts of a check piece."""
    columns: dict[str, Any] = {
        "printer": ("printer", ""),
        "material": ("material", ""),
        "n_prints": ("prints since the proof", "d"),
        "prove_again": ("prove again", lambda v: "yes" if v else "no"),
        "reasons": ("why", ""),
        "last_run_id": ("last print", ""),
    }
    sections = [Section(title="What to do", table=as_text_table(study.verdict, columns))]
    for chart in study.charts:
        text = (
            f"{chart.individuals.summary()}. {chart.ewma.summary()}. Run lengths hold for known limits; with limits "
            f"from {chart.baseline} prints the chance of a false alarm of either chart within 20 prints is "
            f"{100 * chart.false_alarm_20:.0f} %. Rules: {'; '.join(chart.individuals.rules)}."
        )
        title = f"{chart.printer}, {chart.material}: {chart.response}"
        found = as_text_table(chart.signals, {n: (n, "") for n in ("run_id", "chart", "signal")})
        sections.append(Section(title=title, text=text, figure=draw_drift_chart(chart), table=found))
    page = Page(
        title="Check piece over time",
        subtitle=f"{len(study.charts)} chart{'s' * (len(study.charts) != 1)}; each raises its own false alarms",
        lead=study.summary() + ".",
        remarks=study.skipped,
        sections=tuple(sections),
        cautions=PRINT_CAUTIONS,
    )
    return write_page(page, out)
