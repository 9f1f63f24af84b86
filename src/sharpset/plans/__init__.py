"""Plans: factors, models, designs, run sheets. Knows nothing of pictures.

Heavy modules are imported when one of their names is first used.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from sharpset.rooms import opened_when_asked

if TYPE_CHECKING:
    from sharpset.plans.aliases import alias_matrix, alias_table
    from sharpset.plans.augmenting import augment_plan
    from sharpset.plans.factor_file import factors_from_dict, load_factors
    from sharpset.plans.factors import Factor, Factors
    from sharpset.plans.files import import_plan, load_plan, load_results, save_plan
    from sharpset.plans.formulas import Term, expand_model, missing_margins
    from sharpset.plans.making import make_plan
    from sharpset.plans.models import ModelBasis, make_basis, model_matrix
    from sharpset.plans.names import AUGMENTS, DESIGNS
    from sharpset.plans.plan import Plan
    from sharpset.plans.power import needed_replicates, power_table
    from sharpset.plans.properties import (
        PlanProperties,
        correlation_map,
        design_space_curve,
        information_matrix,
        plan_properties,
    )
    from sharpset.plans.remarks import practice_remarks
    from sharpset.plans.results_form import write_results_form
    from sharpset.plans.rules import Constraint
    from sharpset.plans.run_sheet import CAUTIONS, write_run_sheet

_HOME = {
    "AUGMENTS": "names",
    "CAUTIONS": "run_sheet",
    "Constraint": "rules",
    "DESIGNS": "names",
    "Factor": "factors",
    "Factors": "factors",
    "ModelBasis": "models",
    "Plan": "plan",
    "PlanProperties": "properties",
    "Term": "formulas",
    "alias_matrix": "aliases",
    "alias_table": "aliases",
    "augment_plan": "augmenting",
    "correlation_map": "properties",
    "design_space_curve": "properties",
    "expand_model": "formulas",
    "factors_from_dict": "factor_file",
    "import_plan": "files",
    "information_matrix": "properties",
    "load_factors": "factor_file",
    "load_plan": "files",
    "load_results": "files",
    "make_basis": "models",
    "make_plan": "making",
    "missing_margins": "formulas",
    "model_matrix": "models",
    "needed_replicates": "power",
    "plan_properties": "properties",
    "power_table": "power",
    "practice_remarks": "remarks",
    "save_plan": "files",
    "write_results_form": "results_form",
    "write_run_sheet": "run_sheet",
}

__all__ = [
    "AUGMENTS",
    "CAUTIONS",
    "DESIGNS",
    "Constraint",
    "Factor",
    "Factors",
    "ModelBasis",
    "Plan",
    "PlanProperties",
    "Term",
    "alias_matrix",
    "alias_table",
    "augment_plan",
    "correlation_map",
    "design_space_curve",
    "expand_model",
    "factors_from_dict",
    "import_plan",
    "information_matrix",
    "load_factors",
    "load_plan",
    "load_results",
    "make_basis",
    "make_plan",
    "missing_margins",
    "model_matrix",
    "needed_replicates",
    "plan_properties",
    "power_table",
    "practice_remarks",
    "save_plan",
    "write_results_form",
    "write_run_sheet",
]

__getattr__, __dir__ = opened_when_asked(__name__, _HOME)
