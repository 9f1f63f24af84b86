"""Reports on masters and moulds: before and after the mould cure, scale chain, detail budget."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from sharpset.comparison.cautions import MOULD_CAUTIONS
from sharpset.errors import ReportError
from sharpset.reports.compare_page import Page, Section, as_text_table, p_words, size_words, write_page

if TYPE_CHECKING:
    from sharpset.comparison.cure import CureCheck
    from sharpset.comparison.details import DetailBudget
    from sharpset.comparison.shrinkage import ScaleChain

__all__ = ["write_cure_report", "write_mould_report"]


def write_cure_report(check: CureCheck, *, out: Path | str) -> tuple[Path, Path]:
    """Write ``report.html`` and ``report.pdf`` of a master before and after the mould cure."""
    from sharpset.plots import draw_cure

    columns: dict[str, Any] = {
        "kind": ("kind", ""),
        "nominal_mm": ("size / mm", size_words),
        "verdict": ("verdict", ""),
        "change_mm": ("change / mm", "+.4f"),
        "low_mm": ("low", "+.4f"),
        "high_mm": ("high", "+.4f"),
        "n_features": ("features", "d"),
        "n_masters": ("masters", "d"),
        "p_adjusted": ("p adjusted", p_words),
    }
    strong = check.changes["nominal_mm"].isna().tolist()
    sections = [
        Section(
            title="Change of widths by kind and size",
            text="After minus before, with 95 % intervals.",
            table=as_text_table(check.changes, columns, strong=strong),
            figure=draw_cure(check) if any(strong) else None,
        )
    ]
    if len(check.lost):
        lost = {n: (n, "") for n in ("run_id", "feature_id", "kind", "nominal_mm", "after")}
        sections.append(Section(title="No longer whole", table=as_text_table(check.lost, lost)))
    if check.scale is not None:
        sections.append(Section(title="Change of scale", text=check.scale.summary()))
    if math.isfinite(check.roughness_change_mm):
        text = (
            f"{check.roughness_change_mm:+.4f} mm (95 % {check.roughness_low_mm:+.4f} to "
            f"{check.roughness_high_mm:+.4f} mm)"
        )
        sections.append(Section(title="Change of edge roughness", text=text))
    page = Page(
        title="Master before and after the mould cure",
        subtitle=f"{check.n_masters} masters, tolerance {check.tolerance_mm:g} mm",
        lead=check.summary() + ".",
        remarks=check.remarks,
        sections=tuple(sections),
        cautions=check.cautions,
    )
    return write_page(page, out)


def write_mould_report(*, chain: ScaleChain | None, budget: DetailBudget | None, out: Path | str) -> tuple[Path, Path]:
    """Write ``report.html`` and ``report.pdf`` of a scale chain, a detail budget, or both."""
    from sharpset.comparison.shrinkage import usual_shrinkage_percent
    from sharpset.plots import draw_budget

    sections: list[Section] = []
    lead: list[str] = []
    remarks: tuple[str, ...] = ()
    if chain is not None:
        lead.append(chain.summary())
        remarks = chain.remarks
        stages = {
            "stage": ("stage", ""),
            "shrinkage_percent": ("shrinkage / %", ".3f"),
            "U95_percent": ("+/- (95 %)", ".3f"),
            "size_after": ("size after it, master = 1", ".5f"),
        }
        targets = {
            "target_mm": ("wanted on the casting / mm", ".3f"),
            "master_mm": ("on the master / mm", ".3f"),
            "U95_mm": ("+/- mm", ".3f"),
        }
        text = "Shrinkages multiply. The interval covers the shrinkages given and nothing else."
        sections.append(Section(title="Scale chain", text=text, table=as_text_table(chain.stages, stages)))
        if len(chain.targets):
            sections.append(Section(title="Sizes", table=as_text_table(chain.targets, targets)))
        usual = pd.DataFrame(
            [(name, low, high) for name, (low, high) in usual_shrinkage_percent().items()],
            columns=["material", "low", "high"],
        )
        columns = {"material": ("material", ""), "low": ("from / %", ".2f"), "high": ("to / %", ".2f")}
        sections.append(
            Section(
                title="Usual linear shrinkages",
                text="Trade figures, common practice without a source: for orientation, never instead of measuring.",
                table=as_text_table(usual, columns),
            )
        )
    if budget is not None:
        lead.append(budget.summary())
        details: dict[str, Any] = {
            "name": ("detail", ""),
            "kind": ("kind", ""),
            "full_size_mm": ("full size / mm", ".1f"),
            "model_mm": ("casting / mm", ".3f"),
            "master_mm": ("master / mm", ".3f"),
            "limit_mm": ("limit / mm", ".3f"),
            "forms": ("forms", ""),
            "thicken_to_mm": ("thicken to / mm on the print", ".2f"),
            "thicken_to_full_size_mm": ("at full size / mm", ".1f"),
            "times": ("times", ".2f"),
            "draw_mm": ("draw in CAD / mm", ".3f"),
            "spare_mm": ("spare above the limit / mm", "+.3f"),
        }
        if "angle_deg" in budget.details:
            details["angle_deg"] = ("runs along / degrees", "g")
        if "chance" in budget.details:
            details["chance"] = ("forms, of 100 prints", lambda p: "" if pd.isna(p) else f"{100 * p:.0f}")
        strong = (budget.details["forms"] == "no").tolist()
        table = as_text_table(budget.details, details, strong=strong)
        sections.insert(0, Section(title="Detail budget", table=table, figure=draw_budget(budget)))
    if not sections:
        raise ReportError("neither a scale chain nor a detail budget was given. Give one of them.")
    page = Page(
        title="Masters and moulds",
        subtitle="What to print so that the casting comes out as wanted",
        lead="; ".join(lead) + ".",
        remarks=tuple(remarks),
        sections=tuple(sections),
        cautions=MOULD_CAUTIONS,
    )
    return write_page(page, out)
