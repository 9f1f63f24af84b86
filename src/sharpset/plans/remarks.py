"""What the maker should know about a plan before anything is printed.

Rules of common practice have no published source; they are what workshops go by.
"""

from __future__ import annotations

import re

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sharpset.plans.factors import Factors
from sharpset.plans.plan import Plan

__all__ = ["FEW_DF_WITHIN", "design_remarks", "hard_remarks", "practice_remarks"]

LARGEST_LAYER_TO_NOZZLE = 0.75
"""Layer height stays below about three quarters of the nozzle diameter (common practice, no source)."""
FEW_DF_WITHIN = 3
"""With fewer degrees of freedom a standard deviation may be six times what it seems (chi-square, 95 %)."""
_LAYER = re.compile(r"^layer(_?(height|thickness))?(_mm|_um)?$", re.IGNORECASE)
_NOZZLE = re.compile(r"^nozzle(_?(diameter|size|dia|bore))?(_mm|_um)?$", re.IGNORECASE)
_MICROMETRES = ("um", "µm", "μm", "micron", "microns")


def practice_remarks(factors: Factors, runs: pd.DataFrame) -> list[str]:
    """Return remarks on runs that common practice advises against.

    Parameters
    ----------
    factors : Factors
        Give the units.
    runs : DataFrame
        Natural settings. Columns such as ``layer_height`` and ``nozzle`` (``layer_height_mm``,
        ``nozzle_diameter`` ...) are recognised by their names, whether they are factors or not.

    Returns
    -------
    list of str
        Empty where nothing is to be remarked.
    """
    layer = next((str(c) for c in runs.columns if _LAYER.match(str(c))), None)
    nozzle = next((str(c) for c in runs.columns if _NOZZLE.match(str(c))), None)
    if layer is None or nozzle is None:
        return []
    height_mm, bore_mm = _millimetres(factors, runs, layer), _millimetres(factors, runs, nozzle)
    with np.errstate(all="ignore"):
        ratio = height_mm / bore_mm
    too_high = ratio > LARGEST_LAYER_TO_NOZZLE * (1 + 1e-9)
    if not np.any(too_high):
        return []
    worst = int(np.nanargmax(np.where(too_high, ratio, -np.inf)))
    return [
        f"{int(np.sum(too_high))} of {len(runs)} runs have a {layer} above three quarters of the {nozzle} "
        f"diameter (the "
        f"highest {height_mm[worst]:g} mm with {bore_mm[worst]:g} mm): by common practice such layers bond "
        f"badly. Lower the "
        f'limits of {layer} or add the rule "{layer} <= 0.75 * {nozzle}" as a [[constraint]].'
    ]


def _millimetres(factors: Factors, runs: pd.DataFrame, column: str) -> NDArray[np.float64]:
    """Return a column as numbers in mm; labels such as '0.25 mm' give their leading number, others NaN."""
    unit = next((f.unit for f in factors if f.name == column), "").strip().lower()
    micrometres = unit in _MICROMETRES or column.lower().endswith("_um")
    numbers = []
    for value in runs[column]:
        match = re.match(r"\s*(\d+(?:\.\d+)?)", str(value))
        numbers.append(float(match.group(1)) if match else np.nan)
    return np.asarray(numbers) * (1e-3 if micrometres else 1.0)


def design_remarks(plan: Plan) -> list[str]:
    """Return remarks on a classical design: axial points beyond the limits, levels left out, aliases."""
    if plan.design == "start":
        return [
            "one print to begin a search with: read it, fit it with the brief, and ask for the next print with "
            "'sharpset fit next --aim brief'."
        ]
    remarks = []
    for factor in plan.factors:
        if factor.is_categorical:
            continue
        column = plan.runs[factor.name]
        if column.min() < factor.low - 1e-9 or column.max() > factor.high + 1e-9:
            remarks.append(
                f"axial points of {factor.name} go beyond its limits, from {column.min():g} to "
                f"{column.max():g} {factor.unit}".rstrip()
                + ". Inscribed or face-centred axial points stay inside."
            )
        used = factor.code(column)
        if factor.kind == "levels" and np.any((np.abs(used) > 1e-9) & (np.abs(used) < 1)) and plan.design != "full":
            remarks.append(
                f"the middle level of {factor.name} is not half-way between its ends; the design is slightly "
                f"unbalanced."
            )
        if factor.kind == "levels" and len(set(column)) < len(factor.levels):
            left_out = [f"{v:g}" for v in factor.levels if not isinstance(v, str) and v not in set(column)]
            remarks.append(f"{plan.design} leaves out the levels {', '.join(left_out)} of {factor.name}.")
    if plan.about.get("resolution") == 3 and plan.design == "fractional":
        remarks.append("resolution III: main effects are mixed up with two-factor interactions. See the alias table.")
    return remarks + hard_remarks(plan)


def hard_remarks(plan: Plan) -> list[str]:
    """Return remarks on whole plots: whether there are enough to judge the hard-to-change factors."""
    if not plan.factors.hard or not plan.is_split_plot:
        return []
    names = [f.name for f in plan.factors.hard]
    n_plots = int(plan.runs["whole_plot"].nunique())
    n_settings = len(plan.runs[names].drop_duplicates())
    if n_plots <= n_settings:
        return [
            f"every setting of {' and '.join(names)} stands in one whole plot only ({n_plots} in all), so its "
            f"effect cannot be told "
            "from the scatter between changes. Use replicates = 2 or an optimal design with more whole plots."
        ]
    plots = pd.get_dummies(plan.runs["whole_plot"]).to_numpy(dtype=float)
    within = plan.n_runs - int(np.linalg.matrix_rank(np.hstack([plan.matrix().to_numpy(), plots])))
    if within < FEW_DF_WITHIN:
        return [
            f"{within} degree{'s' * (within != 1)} of freedom within whole plots judge the factors that are easy to "
            f"change, in the model {plan.model}: too few to know the scatter between prints. Plan more runs, or a "
            "smaller model."
        ]
    return []
