"""Columns of the plan that stand in a table of results: copied along, or telling that a print was made otherwise."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from sharpset.errors import PlanError
from sharpset.plans.factors import Factor
from sharpset.plans.plan import Plan
from sharpset.plans.tables import BLANK, TextTable

__all__ = ["check_copied", "order_as_printed"]

_ROUNDED = 0.02
"""Share of a factor's range by which a setting that is typed again may be rounded."""


def check_copied(table: TextTable, rows: Mapping[str, int], plan: Plan) -> None:
    """Refuse settings, whole plots or blocks that are others than the plan's: the fit would rest on the wrong ones.

    Parameters
    ----------
    table : TextTable
    rows : mapping of str to int
        Where each run of the plan stands in the table.
    plan : Plan

    Raises
    ------
    PlanError
        With row, column and both values.
    """
    runs = plan.runs.set_index(plan.runs["run_id"].astype(str))
    for factor in plan.factors:
        column = table.find(factor.name)
        if column is None:
            continue
        for run, row in rows.items():
            text = table.texts(column)[row]
            if text.lower() not in BLANK and _differs(table, text, runs.loc[run, factor.name], factor):
                planned = runs.loc[run, factor.name]
                planned = planned if factor.is_categorical else f"{float(planned):g}"
                raise PlanError(
                    f"{table.where(row, column)}: {text!r}, but the plan has {planned} for run {run}. If that print "
                    f"was made so, import the runs as printed ('sharpset plan import'); else mend the cell."
                )
    for key in ("whole_plot", "block"):
        column = table.find(key)
        if column is not None:
            _check_groups(table, column, rows, dict(runs[key].astype(str)), key)


def _differs(table: TextTable, text: str, planned: object, factor: Factor) -> bool:
    number = table.number(text)
    if factor.is_categorical:
        same = str(planned).casefold() == text.casefold()
        return not same and (number is None or number != table.number(str(planned)))
    levels = [float(v) for v in factor.levels]
    span = factor.high - factor.low if factor.kind == "continuous" else max(levels) - min(levels)
    return number is not None and abs(number - float(str(planned))) > _ROUNDED * abs(span) + 1e-12


def _check_groups(table: TextTable, column: str, rows: Mapping[str, int], planned: Mapping[str, str], key: str) -> None:
    texts = table.texts(column)
    pairs = {(texts[row], planned[run]) for run, row in rows.items() if texts[row].lower() not in BLANK}
    if len({typed for typed, _ in pairs}) < len(pairs) or len({own for _, own in pairs}) < len(pairs):
        raise PlanError(
            f"{table.path}: column {column!r} groups the runs otherwise than the plan's {key}. If they were printed "
            f"so, import the runs as printed ('sharpset plan import'); else take the column out."
        )


def order_as_printed(table: TextTable, rows: Mapping[str, int], plan: Plan) -> pd.Series | None:
    """Return the order in which the runs were printed where the table says another than the plan, by run id; else None.

    Raises
    ------
    PlanError
        If a place in the order is no whole number or stands twice.
    """
    column = table.find("print_order")
    if column is None:
        return None
    texts = table.texts(column)
    seen: dict[str, int] = {}
    for run, row in rows.items():
        if texts[row].lower() in BLANK:
            continue
        number = table.number(texts[row])
        if number is None or number != int(number) or int(number) in seen.values():
            raise PlanError(
                f"{table.where(row, column)}: the print order must be a whole number, a different one for each run, "
                f"got {texts[row]!r}. Mend the cell, or take the column out."
            )
        seen[run] = int(number)
    typed = pd.Series(seen, dtype=int)
    planned = plan.runs.set_index(plan.runs["run_id"].astype(str))["print_order"].reindex(typed.index)
    return None if (typed.rank() == planned.rank()).all() else typed
