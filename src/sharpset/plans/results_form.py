"""The table to type results into, laid out beside the plan."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from sharpset.errors import PlanError
from sharpset.files import whole_file
from sharpset.plans.plan import Plan

__all__ = ["FORM", "write_results_form"]

FORM = "results_form.csv"
_TYPED = ("print_time_h", "note")


def write_results_form(plan: Plan, folder: Path | str) -> Path | None:
    """Write a table with a row for every run and empty columns for what is typed in by hand.

    Parameters
    ----------
    plan : Plan
    folder : path
        The plan folder.

    Returns
    -------
    Path or None
        None where a form is there that is no longer blank: what was typed is kept.

    Raises
    ------
    PlanError
        If it cannot be written.
    """
    path = Path(folder) / FORM
    form = plan.runs.assign(**dict.fromkeys(_TYPED, ""))
    try:
        if path.exists() and not _is_blank(path):
            return None
        with whole_file(path) as place:
            place.write_text(form.to_csv(index=False, lineterminator="\n"), encoding="utf-8", newline="")
    except OSError as error:
        raise PlanError(f"{path}: cannot be written ({error.strerror}). Close it elsewhere and try again.") from error
    return path


def _is_blank(path: Path) -> bool:
    """Tell whether a form is as it was laid out: its own columns and nothing typed."""
    try:
        table = pd.read_csv(path, dtype=str, keep_default_na=False, encoding="utf-8")
    except (ValueError, pd.errors.ParserError):
        return False
    return tuple(table.columns[-len(_TYPED) :]) == _TYPED and bool((table[list(_TYPED)] == "").to_numpy().all())
