"""Joining a plan with what was read and what was typed in."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from sharpset.brief import Brief
from sharpset.errors import FitError
from sharpset.fits.responses import formed_counts, responses_from_readings, run_key
from sharpset.fits.shares import count_columns
from sharpset.fits.slips import slips_of_the_point
from sharpset.fits.space import BOOK_COLUMNS, Space, space_of
from sharpset.fits.terms import category_text
from sharpset.plans.tables import plain_name
from sharpset.plans.written import is_run_order, names_groups

__all__ = ["Joined", "join_tables"]


LONGEST_H = 24.0
"""Print time of a test piece (minutes to a few hours, as a rule) above which it is asked whether minutes were meant."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Joined:
    """A plan's runs with every response, one row per print job.

    Attributes
    ----------
    runs : pandas.DataFrame
    responses : tuple of str
        Columns to fit.
    counts : pandas.DataFrame
        ``run_id, kind, nominal_mm, n, n_formed``; empty without readings.
    space : Space
    groups : tuple of str
        Random groupings that the plan has.
    feature_sd_mm : dict of str to float
    remarks : tuple of str
    shares : dict of str to str
        Columns of counts, each with its column of sample sizes.
    """

    runs: pd.DataFrame
    responses: tuple[str, ...]
    counts: pd.DataFrame
    space: Space
    groups: tuple[str, ...]
    feature_sd_mm: dict[str, float]
    remarks: tuple[str, ...]
    shares: dict[str, str] = field(default_factory=dict)

    def measured_for(self, brief: Brief) -> list[str]:
        """Return what was measured of that which a brief asks for."""
        kinds = set(self.counts["kind"]) if len(self.counts) else set()
        found = [k for k in brief.smallest_mm if k in kinds]
        found += [f"growth_{k}_mm" for k in brief.smallest_mm if f"growth_{k}_mm" in self.responses]
        return found + [n for n in ("edge_roughness_mm", "print_time_h") if n in self.responses]


_NO_COUNTS = ["run_id", "kind", "nominal_mm", "n", "n_formed"]


def join_tables(
    plan: Any,
    *,
    readings: pd.DataFrame | None = None,
    results: pd.DataFrame | None = None,
    brief: Brief | None = None,
    response: str | None = None,
    formula: str | None = None,
) -> Joined:
    """Join plan, readings and results by run.

    Raises
    ------
    FitError
        If they share no run, if a name is not known, or if there is no response at all.
    """
    runs, space, asked = _plan_runs(plan, results, response, formula)
    remarks: list[str] = []
    own = [c for c in asked if c not in BOOK_COLUMNS]
    planned = set(runs.columns)
    found: list[str] = []
    feature_sd: dict[str, float] = {}
    measured: set[str] = set()
    counts = pd.DataFrame(columns=_NO_COUNTS)
    if readings is not None:
        table = responses_from_readings(readings, brief)
        remarks += list(table.attrs["remarks"])
        _shared(runs, table, "readings", remarks)
        columns = [c for c in table.columns if c not in ("run_id", "n_features") and not c.startswith("feature_sd_")]
        _no_clash(runs, columns, "readings")
        runs = runs.merge(table[["run_id", *columns]], on="run_id", how="left")
        found += [c for c in columns if not c.startswith("u_")]
        measured = set(columns)
        feature_sd = _pooled(table, set(runs["run_id"]))
        counts = formed_counts(readings)
        counts = counts[counts["run_id"].isin(set(runs["run_id"]))].reset_index(drop=True)
    if results is not None:
        table, columns = _results(results, space, remarks)
        _shared(runs, table, "results", remarks)
        runs = _typed_over(runs, table, [c for c in columns if c in planned], remarks)
        runs = _as_printed(runs, results, remarks)
        runs = runs.merge(table[["run_id", *(c for c in columns if c not in runs.columns)]], on="run_id", how="left")
        found += [c for c in columns if not c.startswith("u_") and c not in found]
    if not found:
        found, own = own, []
    shares, found = _shares(runs, found, own, response, formula, remarks)
    if not found and not shares:
        others = [] if isinstance(plan, pd.DataFrame) else [c for c in plan.extra_columns if c in runs]
        if results is not None:
            raise FitError(
                "There is no response to fit: the results hold no number yet beside the run ids and the settings. Fill "
                "in a column for each response."
            )
        raise FitError(
            "There is no response to fit: no column of numbers stands beside the plan's own"
            + (f" (words, or only numbers of the runs, in {', '.join(others)})" if others else "")
            + ". Give --results, or mend the column and import the runs again."
        )
    chosen = _choose(found, own, response, formula, runs) if found else []
    remarks += [said for name in chosen if name not in measured for said in slips_of_the_point(runs, name)]
    if "print_time_h" in chosen and runs["print_time_h"].min() > LONGEST_H:
        remarks.append(
            f"print_time_h: no print took less than {runs['print_time_h'].min():.3g} h; if these are minutes, call the "
            "column print_time_min"
        )
    return Joined(
        runs=runs,
        responses=tuple(chosen),
        counts=counts,
        space=space,
        groups=_groups(runs),
        feature_sd_mm=feature_sd,
        remarks=tuple(remarks),
        shares=shares,
    )


def _shares(
    runs: pd.DataFrame, found: list[str], own: list[str], response: str | None, formula: str | None, remarks: list[str]
) -> tuple[dict[str, str], list[str]]:
    """Return counts out of a number, and the responses without them and without the sizes."""
    columns = [c for c in (*found, *own) if c in runs and _numbers(runs[c])]
    pairs, sizes = count_columns(runs, columns)
    asked = response
    if formula is not None and "~" in formula:
        left = formula.split("~", 1)[0].strip()
        asked = next((c for c in columns if left in (c, f"Q('{c}')")), left or response)
    if asked is not None:
        alike = [c for c in pairs if c in found and (c == asked or plain_name(c) == plain_name(asked))]
        pairs = {c: pairs[c] for c in alike[:1] if asked not in columns or c == asked}
        return (pairs, []) if pairs else ({}, found)
    pairs = {c: s for c, s in pairs.items() if c in found}
    for size in dict.fromkeys(pairs.values()):
        counts = ", ".join(c for c, s in pairs.items() if s == size)
        remarks.append(
            f"{counts}: read as counts out of {size} and fitted as shares (if that is wrong, write a unit into the "
            f"column's name, or ask for one with --response)"
        )
    alone = [s for s in sizes if s in found and s not in pairs.values()]
    if alone:
        remarks.append(f"{', '.join(alone)}: read as numbers tried, not fitted (ask with --response if it is a result)")
    return pairs, [c for c in found if c not in pairs and c not in sizes]


def _plan_runs(
    plan: Any, results: pd.DataFrame | None, response: str | None, formula: str | None
) -> tuple[pd.DataFrame, Space, list[str]]:
    if not isinstance(plan, pd.DataFrame):
        runs = plan.runs.assign(run_id=run_key(plan.runs["run_id"]))
        extra = [c for c in plan.extra_columns if _numbers(runs[c]) and not c.startswith("u_")]
        extra = [c for c in extra if c == response or not (is_run_order(c, runs[c]) or names_groups(c, runs[c]))]
        return runs.reset_index(drop=True), space_of(plan), extra
    if "run_id" not in plan:
        raise FitError("The table of runs has no column 'run_id'. Add one, with a different id for each print.")
    del results, response, formula
    runs = plan.assign(run_id=run_key(plan["run_id"])).reset_index(drop=True)
    twice = runs["run_id"][runs["run_id"].duplicated()]
    if len(twice):
        raise FitError(f"The run {twice.iloc[0]!r} stands twice in the plan; every print needs its own run_id.")
    return runs, space_of(runs), []


def _shared(runs: pd.DataFrame, table: pd.DataFrame, what: str, remarks: list[str]) -> None:
    planned, got = list(runs["run_id"]), set(table["run_id"])
    if not got & set(planned):
        raise FitError(
            f"The plan and the {what} share no run: the plan has {_some(planned)}, the {what} have "
            f"{_some(sorted(got))}. Check that they belong together."
        )
    missing = [r for r in planned if r not in got]
    if missing:
        remarks.append(f"no {what} yet for run {_some(missing, 30)}")
    other = sorted(got - set(planned))
    if other:
        remarks.append(f"the {what} of {_some(other)} belong to no run of the plan and were left out")


def _typed_over(runs: pd.DataFrame, table: pd.DataFrame, columns: list[str], remarks: list[str]) -> pd.DataFrame:
    """Let results that were typed in stand before what the plan's own column of that name holds."""
    got = table.set_index("run_id")
    for name in columns:
        typed = runs["run_id"].map(got[name])
        both = typed.notna() & runs[name].notna()
        differ = both & (pd.to_numeric(typed, errors="coerce") != pd.to_numeric(runs[name], errors="coerce"))
        if differ.any():
            some = _some(list(runs.loc[differ, "run_id"]))
            remarks.append(f"{name} of the results differs from the plan's own column ({some}); the results are used")
        runs = runs.assign(**{name: typed.where(typed.notna(), runs[name])})
    return runs


def _as_printed(runs: pd.DataFrame, results: pd.DataFrame, remarks: list[str]) -> pd.DataFrame:
    """Take the order of printing from the results where they have one: what drifts is looked for in that order."""
    if "print_order" not in results or "print_order" not in runs:
        return runs
    typed = runs["run_id"].map(
        results.assign(run_id=run_key(results["run_id"])).groupby("run_id")["print_order"].first()
    )
    if typed.isna().all() or (typed.dropna().rank() == runs.loc[typed.notna(), "print_order"].rank()).all():
        return runs
    remarks.append(
        "the runs were printed in another order than planned; what drifts is looked for in the results' order"
    )
    # Runs without results come after.
    later = typed.max() + runs["print_order"].astype(int)
    return runs.assign(print_order=typed.where(typed.notna(), later).astype(int))


def _some(names: list[str], most: int = 6) -> str:
    return ", ".join(names[:most]) + (f" and {len(names) - most} more" if len(names) > most else "")


def _no_clash(runs: pd.DataFrame, columns: list[str], what: str) -> None:
    clash = [c for c in columns if c in runs.columns]
    if clash:
        raise FitError(f"The plan has a column {clash[0]!r}, which the {what} give too. Rename it in the plan.")


def _results(results: pd.DataFrame, space: Space, remarks: list[str]) -> tuple[pd.DataFrame, list[str]]:
    if "run_id" not in results:
        raise FitError(
            f"The results have no column 'run_id'; their columns are {', '.join(map(str, results.columns))}."
        )
    table = results.assign(run_id=run_key(results["run_id"]))
    table = table[table["run_id"] != ""]
    columns = [str(c) for c in table.columns if c not in BOOK_COLUMNS and c not in space.names]
    numbers: list[str] = []
    words: list[str] = []
    for name in columns:
        values = table[name]
        # A slip of the pen among numbers is refused when the response is fitted.
        (numbers if _numbers(values) else words).append(name)
    together = [c for c in numbers if names_groups(c, table[c])]
    if together:
        remarks.append(
            f"{', '.join(together)} of the results: taken for groups of runs that were made together, not fitted "
            "(import the runs with a column called block if something may have changed between them)"
        )
    empty = [c for c in numbers if table[c].isna().all() or c in together]
    numbers = [c for c in numbers if c not in empty]
    if words:
        remarks.append(f"{', '.join(words)} of the results hold words and are not fitted")
    if table["run_id"].duplicated().any():
        counts = int(table["run_id"].duplicated().sum())
        remarks.append(f"{counts} further results of the same print were averaged: one print is one observation")
        table[numbers] = table[numbers].apply(pd.to_numeric, errors="coerce")
        table = table.groupby("run_id", as_index=False, sort=False)[[*numbers]].mean()
        return table, numbers
    return table[["run_id", *numbers, *words]], [*numbers, *words] if words else numbers


def _choose(
    found: list[str], own: list[str], response: str | None, formula: str | None, runs: pd.DataFrame
) -> list[str]:
    numeric = [c for c in found if c in runs and _numbers(runs[c])]
    known = [*numeric, *(c for c in own if c not in numeric)]
    if response is not None:
        alike = [c for c in known if plain_name(c) == plain_name(response)]
        if response not in known and len(alike) != 1:
            raise FitError(f"There is no response {response!r}. Choose from {', '.join(known)}.")
        return [response] if response in known else alike
    if formula is not None and "~" in formula:
        left = formula.split("~", 1)[0].strip()
        if left:
            names = [c for c in known if re.search(rf"(?<!\w){re.escape(c)}(?!\w)", left)]
            if not names:
                raise FitError(f"The formula's left side {left!r} names no response. Choose from {', '.join(known)}.")
            return names[:1]
    if formula is not None:
        # Columns that the formula uses on its right side are explanations, not responses.
        right = formula.split("~", 1)[-1]
        numeric = [c for c in numeric if not re.search(rf"(?<!\w){re.escape(c)}(?!\w)", right)] or numeric
    if not numeric:
        raise FitError("There is no response of numbers to fit. Add one to the results file.")
    return numeric


def _numbers(values: pd.Series[Any]) -> bool:
    return bool(pd.api.types.is_numeric_dtype(values)) or bool(
        pd.to_numeric(values, errors="coerce").notna().mean() > 0.5
    )


def _pooled(table: pd.DataFrame, planned: set[str]) -> dict[str, float]:
    """Pool the spread between details over the prints, by kind."""
    part = table[table["run_id"].isin(planned)]
    out: dict[str, float] = {}
    for column in part.columns:
        match = re.fullmatch(r"feature_sd_(.+)_mm", column)
        if match:
            values = part[column].dropna().to_numpy(dtype=float)
            out[match[1]] = float(np.sqrt(np.mean(values**2))) if len(values) else float("nan")
    return out


def _groups(runs: pd.DataFrame) -> tuple[str, ...]:
    if "whole_plot" not in runs:
        return ()
    label = runs["whole_plot"].map(category_text)
    count = label.nunique()
    if count <= 1 or count >= len(runs):
        return ()
    if (
        "block" in runs
        and runs.groupby(["whole_plot"])["block"].nunique().max() == 1
        and runs["block"].nunique() == count
    ):
        return ()
    return ("whole_plot",)
