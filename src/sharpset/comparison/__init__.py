"""Gauge studies, two printers compared, drift, masters and moulds: tables of readings in, tables out."""

from __future__ import annotations

from typing import TYPE_CHECKING

from sharpset.rooms import opened_when_asked

if TYPE_CHECKING:
    from sharpset.comparison.agreement import Agreement, measure_agreement, repeatability_coefficient
    from sharpset.comparison.charts import EwmaChart, IndividualsChart, chart_ewma, chart_individuals
    from sharpset.comparison.constants import ChartConstants, chart_constants
    from sharpset.comparison.cure import CureCheck, check_cure
    from sharpset.comparison.details import DetailBudget, budget_details
    from sharpset.comparison.drift import DriftChart, DriftStudy, check_responses, study_drift
    from sharpset.comparison.equivalence import (
        EquivalenceTest,
        assess_equivalence,
        assess_equivalence_summary,
        holm_adjust,
    )
    from sharpset.comparison.gauge import GaugeStudy, gauge_study
    from sharpset.comparison.printers import Comparison, compare_readings
    from sharpset.comparison.prints_needed import prints_for_difference, prints_for_equality
    from sharpset.comparison.run_lengths import run_length_ewma, run_length_individuals
    from sharpset.comparison.shrinkage import MeasuredScale, ScaleChain, Stage, measure_scale, plan_scale_chain
    from sharpset.comparison.tables import load_readings

_HOMES = {
    "Agreement": "agreement",
    "ChartConstants": "constants",
    "Comparison": "printers",
    "CureCheck": "cure",
    "DetailBudget": "details",
    "DriftChart": "drift",
    "DriftStudy": "drift",
    "EquivalenceTest": "equivalence",
    "EwmaChart": "charts",
    "GaugeStudy": "gauge",
    "IndividualsChart": "charts",
    "MeasuredScale": "shrinkage",
    "ScaleChain": "shrinkage",
    "Stage": "shrinkage",
    "assess_equivalence": "equivalence",
    "assess_equivalence_summary": "equivalence",
    "budget_details": "details",
    "budget_for_fit": "details",
    "chart_constants": "constants",
    "chart_ewma": "charts",
    "chart_individuals": "charts",
    "check_cure": "cure",
    "check_responses": "drift",
    "compare_readings": "printers",
    "gauge_study": "gauge",
    "holm_adjust": "equivalence",
    "load_readings": "tables",
    "measure_agreement": "agreement",
    "measure_scale": "shrinkage",
    "plan_scale_chain": "shrinkage",
    "prints_for_difference": "prints_needed",
    "prints_for_equality": "prints_needed",
    "repeatability_coefficient": "agreement",
    "run_length_ewma": "run_lengths",
    "run_length_individuals": "run_lengths",
    "study_drift": "drift",
    "KnownRecipe": "recipes",
    "RecipeMatch": "recipes",
    "match_recipes": "recipes",
}

__all__ = [
    "Agreement",
    "ChartConstants",
    "Comparison",
    "CureCheck",
    "DetailBudget",
    "DriftChart",
    "DriftStudy",
    "EquivalenceTest",
    "EwmaChart",
    "GaugeStudy",
    "IndividualsChart",
    "KnownRecipe",
    "MeasuredScale",
    "RecipeMatch",
    "ScaleChain",
    "Stage",
    "assess_equivalence",
    "assess_equivalence_summary",
    "budget_details",
    "budget_for_fit",
    "chart_constants",
    "chart_ewma",
    "chart_individuals",
    "check_cure",
    "check_responses",
    "compare_readings",
    "gauge_study",
    "holm_adjust",
    "load_readings",
    "match_recipes",
    "measure_agreement",
    "measure_scale",
    "plan_scale_chain",
    "prints_for_difference",
    "prints_for_equality",
    "repeatability_coefficient",
    "run_length_ewma",
    "run_length_individuals",
    "study_drift",
]

__getattr__, __dir__ = opened_when_asked(__name__, _HOMES)
