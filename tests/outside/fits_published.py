"""Published experiments as plan and results, by way of the files that a maker would write."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pandas as pd

from sharpset.fits import Fit, fit_plan
from sharpset.plans import factors_from_dict, import_plan, load_results

DATA = Path(__file__).parent / "data"


def published(name: str) -> pd.DataFrame:
    """Read one set; its source stands in the first line of the file."""
    return pd.read_csv(DATA / f"{name}.csv", comment="#")


def certified(part: str, name: str) -> dict[str, Any]:
    """Return certified values of NIST/ITL StRD, https://www.itl.nist.gov/div898/strd/."""
    return json.loads((DATA / "nist_strd_certified.json").read_text(encoding="utf-8"))[part][name]


def fit_published(
    table: pd.DataFrame,
    *,
    factors: list[str],
    responses: list[str],
    folder: Path,
    block: str | None = None,
    whole_plot: str | None = None,
    ranges: dict[str, tuple[float, float]] | None = None,
    **options: Any,
) -> Fit:
    """Import a published table as a plan, its responses as results, and fit."""
    entries = []
    for name in factors:
        values = table[name]
        if pd.api.types.is_numeric_dtype(values):
            low, high = (ranges or {}).get(name, (float(values.min()), float(values.max())))
            entries.append({"name": name, "unit": "", "kind": "continuous", "low": low, "high": high})
        else:
            entries.append({"name": name, "unit": "", "kind": "categorical", "levels": list(dict.fromkeys(values))})
    runs = table[factors].copy()
    runs.insert(0, "run_id", [f"P{i:03d}" for i in range(len(table))])
    if block:
        runs["block"] = table[block].to_numpy()
    if whole_plot:
        runs["whole_plot"] = table.groupby(whole_plot.split(":"), sort=False).ngroup().to_numpy() + 1
    runs.to_csv(folder / "runs.csv", index=False)
    results = table[responses].copy()
    results.insert(0, "run_id", runs["run_id"])
    results.to_csv(folder / "results.csv", index=False)
    plan = import_plan(factors_from_dict({"factor": entries}), folder / "runs.csv")
    return fit_plan(plan, results=load_results(folder / "results.csv", plan), **options)
