"""Customs of tables that people write: signs for settings, columns of run order, another unit by mistake."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from typing import Any

import pandas as pd

from sharpset.errors import PlanError
from sharpset.plans.factors import Factor, Factors
from sharpset.plans.tables import BLANK, TextTable, plain_name

__all__ = [
    "check_range",
    "column_remarks",
    "is_run_order",
    "names_groups",
    "names_of_runs",
    "names_whole_plots",
    "order_column",
    "settings_from_words",
    "split_counts",
]

_WORDS = {
    **dict.fromkeys(("-", "low", "lo", "l", "min", "-1"), -1.0),
    **dict.fromkeys(("0", "middle", "mid", "centre", "center"), 0.0),
    **dict.fromkeys(("+", "high", "hi", "h", "max", "+1", "1"), 1.0),
}
_ORDER = {"run", "runno", "runnumber", "runorder", "order", "std", "stdorder", "standardorder", "stdrun", "printorder"}
_MAYBE_ORDER = {"no", "nr", "number", "trial", "test", "row", "exp", "experiment", "index", "obs", "observation", "id"}
_REPEATS = {"replicate", "replicates", "rep", "repno", "repeat", "repetition", "replication"}
_PLOTS = {"wp", "wholeplots", "wholeplotno", "wholeplotnumber", "mainplot", "mainplots"}
_GROUPS = {"day", "days", "date", "week", "session", "shift", "batch", "lot", "spool", "bottle", "operator", "machine"}
_FAR = 4.0  # half ranges from the middle; star points of the usual designs stay within 3


def settings_from_words(texts: Sequence[str], factor: Factor) -> list[float] | None:
    """Return the settings of a column that is written in signs or words (``-``, ``+``, low, high), else None."""
    keys = [t.replace("\u2212", "-").casefold() for t in texts]
    if not all(k in _WORDS for k in keys) or all(re.search(r"\d", k) for k in keys):
        return None
    middle: float | None = None
    if factor.kind == "continuous":
        middle = math.sqrt(factor.low * factor.high) if factor.scale == "log" else (factor.low + factor.high) / 2
    elif len(factor.levels) % 2:
        middle = float(factor.levels[len(factor.levels) // 2])
    meaning = {-1.0: factor.low, 0.0: middle, 1.0: factor.high}
    found = [meaning[_WORDS[k]] for k in keys]
    return None if any(v is None for v in found) else [float(v) for v in found if v is not None]


def order_column(table: TextTable) -> str | None:
    """Return a column that tells the order of the runs, if there is one with a different whole number each."""
    for column in table.columns:
        if plain_name(column) != "runorder":
            continue
        numbers = [table.number(t) for t in table.texts(column)]
        if all(n is not None and math.isfinite(n) and n == int(n) for n in numbers) and len(set(numbers)) == len(
            numbers
        ):
            return column
    return None


def is_run_order(name: str, values: Any) -> bool:
    """Return whether a column numbers the runs and is no response.

    Parameters
    ----------
    name : str
    values : sequence of float
        A name that says order (``run``, ``std order``) needs whole numbers; a vaguer one (``no``, ``trial``)
        must also count without gap or repetition.
    """
    plain = plain_name(name).strip(".#")
    if plain not in _ORDER | _MAYBE_ORDER | _REPEATS:
        return False
    numbers = pd.to_numeric(pd.Series(list(values)), errors="coerce").dropna()
    if numbers.empty or (numbers % 1 != 0).any():
        return False
    counts = numbers.is_unique and numbers.max() - numbers.min() == len(numbers) - 1
    return plain in _ORDER | _REPEATS or bool(counts)


def names_whole_plots(name: str) -> bool:
    """Return whether a column is called whole plot by one of its usual short names."""
    return plain_name(name).strip(".#") in _PLOTS


def names_groups(name: str, values: Any) -> bool:
    """Return whether a column says which runs were made together (a day, a batch) and is no response.

    Parameters
    ----------
    name : str
    values : sequence of float
        Whole numbers, fewer of them than runs.
    """
    if plain_name(name).strip(".#") not in _GROUPS:
        return False
    numbers = pd.to_numeric(pd.Series(list(values)), errors="coerce").dropna()
    return not numbers.empty and bool((numbers % 1 == 0).all()) and numbers.nunique() < len(numbers)


def numbering(runs: pd.DataFrame) -> list[str]:
    """Return the columns of the table a plan was imported from that number its runs, each number once."""
    named = [c for c in runs.columns if c not in ("run_id", "print_order") and is_run_order(c, runs[c])]
    return [c for c in named if runs[c].notna().all() and runs[c].is_unique]


def names_of_runs(runs: pd.DataFrame) -> dict[str, str]:
    """Return what people may call the runs of a plan, and the run id that is meant.

    Parameters
    ----------
    runs : DataFrame
        Runs of a plan, columns of the table that it was imported from included.

    Returns
    -------
    dict
        The ids themselves in any case, and plain numbers: those of a column of the plan that numbers its runs
        (``run``), else those that the ids end with (3 for R03), as far as they name one run only.
    """
    ids = [str(run) for run in runs["run_id"]]
    endings = [match[0] if (match := re.search(r"\d+$", run)) else "" for run in ids]
    numbered = {str(int(ending)): run for ending, run in zip(endings, ids, strict=True) if ending}
    names = numbered if len(numbered) == len(ids) else {}
    for column in numbering(runs)[:1]:
        names = {str(int(n)): run for n, run in zip(pd.to_numeric(runs[column]), ids, strict=True)}
    return names | {run.casefold(): run for run in ids} | {run: run for run in ids}


def check_range(table: TextTable, column: str, factor: Factor, values: Sequence[float]) -> None:
    """Refuse settings that are written in another unit than the factor's limits, or coded.

    Raises
    ------
    PlanError
        If a third of the runs lie more than four half ranges from the middle, if all runs lie outside the limits
        and close together, or if they are plainly coded.
    """
    if factor.scale == "log":
        return
    middle, half = (factor.low + factor.high) / 2, (factor.high - factor.low) / 2
    far = sum(abs(v - middle) > _FAR * half for v in values)
    coded = _looks_coded(factor, values)
    span = max(values, default=0.0) - min(values, default=0.0)
    apart = 0 < span < 0.2 * half and not any(factor.low <= v <= factor.high for v in values)
    if not coded and not apart and (far == 0 or 3 * far < len(values)):
        return
    limits = f"{factor.low:g} to {factor.high:g} {factor.unit}".rstrip()
    advice = "Write the limits of the factors file and the runs in the same unit."
    if coded:
        advice = "If the runs are coded, give the factor low = -1 and high = 1, or write real settings."
    raise PlanError(
        f"{table.path}: column {column!r}: the runs go from {min(values):g} to {max(values):g}, which does not suit "
        f"the limits {limits}. {advice}"
    )


def _looks_coded(factor: Factor, values: Sequence[float]) -> bool:
    """Whether -1 and 1 stand for limits that are plainly other numbers."""
    if not {-1.0, 1.0} <= set(values) or max(abs(v) for v in values) > 3 or factor.low <= -1:
        return False
    inside = any(factor.low <= v <= factor.high for v in values)
    return not inside or factor.high - factor.low > 4 * (max(values) - min(values))


def split_counts(table: TextTable, column: str) -> tuple[list[float], list[float]] | None:
    """Return counts and the numbers that they are out of, from cells such as ``7/20`` or ``7 of 20``; else None.

    An empty cell is NaN in both. Every other cell must be written so, with no count above its number.
    """
    counts, sizes = [], []
    for text in table.texts(column):
        match = re.fullmatch(r"(\d+)\s*(?:/|out of|of)\s*(\d+)", text.casefold())
        if match is None and table.number(text) is None and text.casefold() in BLANK:
            counts.append(math.nan)
            sizes.append(math.nan)
            continue
        if match is None or int(match[1]) > int(match[2]) or int(match[2]) == 0:
            return None
        counts.append(float(match[1]))
        sizes.append(float(match[2]))
    return (counts, sizes) if any(math.isfinite(c) for c in counts) else None


def column_remarks(table: TextTable, factors: Factors, columns: Sequence[str]) -> list[str]:
    """Say what became of signs and of columns that hold no plain numbers."""
    remarks = []
    for factor in factors:
        column = table.find(factor.name)
        if column is None or factor.is_categorical:
            continue
        if settings_from_words(table.texts(column), factor) is not None:
            unit = f" {factor.unit}" if factor.unit else ""
            remarks.append(
                f"{factor.name} is written in signs or words, read as {factor.low:g} to {factor.high:g}{unit}."
            )
    for column in columns:
        texts = table.texts(column)
        if plain_name(column) in _REPEATS and is_run_order(column, table.measured(column) or []):
            remarks.append(
                f"{column} numbers the replicates and is no response; call the column block if it says which runs were "
                f"made together."
            )
            continue
        if names_groups(column, table.measured(column) or []):
            remarks.append(
                f"{column} says which runs were made together, so it is kept but is no response and not in the model; "
                f"call the column block if something may have changed between them."
            )
            continue
        if split_counts(table, column) is not None:
            remarks.append(f"{column} is written as counts out of a number, kept as {column} and {column}_total.")
            continue
        slips = [i for i, t in enumerate(texts) if t and table.number(t) is None]
        if table.measured(column) is not None or not slips:
            continue
        if not table.words_only(column):
            some = f"row {table.lines[slips[0]]} has {texts[slips[0]]!r}"
            remarks.append(f"{column} does not hold numbers only ({some}), so it is kept but cannot be fitted.")
        elif 1 < len(set(texts)) < len(texts):
            remarks.append(
                f"{column} holds words, so it is kept but not in the model; call the column block or whole_plot if it "
                f"says which runs were made together."
            )
    return remarks
