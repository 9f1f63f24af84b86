"""Plan folders, experiments planned elsewhere, results typed in by hand."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from sharpset import __version__
from sharpset.errors import PlanError
from sharpset.files import whole_file
from sharpset.plans.copied import check_copied, order_as_printed
from sharpset.plans.factor_file import factors_from_dict
from sharpset.plans.factors import RESERVED, Factor, Factors
from sharpset.plans.formulas import Term
from sharpset.plans.known_names import with_known_names
from sharpset.plans.plan import Plan, run_ids
from sharpset.plans.remarks import practice_remarks
from sharpset.plans.tables import TextTable, read_table
from sharpset.plans.written import (
    check_range,
    column_remarks,
    is_run_order,
    names_of_runs,
    names_whole_plots,
    numbering,
    order_column,
    settings_from_words,
    split_counts,
)

__all__ = ["import_plan", "load_plan", "load_results", "save_plan"]

_FORMAT = 1
_NOTES = ("note", "notes", "remark", "remarks", "comment", "comments", "oddities")


def save_plan(plan: Plan, folder: Path | str, *, properties: bool = True) -> Path:
    """Write ``plan.json`` and ``runs.csv`` into a folder.

    Parameters
    ----------
    plan : Plan
    folder : path
        Made if it is not there.
    properties : bool
        Also work out efficiencies, variance inflation and aliases and keep them in plan.json.

    Returns
    -------
    Path
        The folder.
    """
    from sharpset.plans.properties import plan_properties

    folder = Path(folder)
    data: dict[str, Any] = {
        "format": _FORMAT,
        "sharpset": __version__,
        "design": plan.design,
        "model": plan.model,
        "terms": [t.name for t in plan.terms],
        "seed": plan.seed,
        "n_runs": plan.n_runs,
        "factors": plan.factors.to_dict(),
        "about": dict(plan.about),
        "remarks": list(plan.remarks),
        "properties": plan_properties(plan).to_dict() if properties else {},
    }
    text = json.dumps(_plain(data), indent=2, ensure_ascii=False, allow_nan=False) + "\n"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with whole_file(folder / "runs.csv") as place:
            place.write_text(plan.runs.to_csv(index=False, lineterminator="\n"), encoding="utf-8", newline="")
        with whole_file(folder / "plan.json") as place:
            place.write_text(text, encoding="utf-8", newline="\n")
    except OSError as error:
        raise PlanError(f"{folder}: the plan cannot be written ({error.strerror}). Choose another folder.") from error
    return folder


def _plain(value: Any) -> Any:
    """Turn numpy numbers into Python ones and NaN into None, for JSON."""
    if isinstance(value, dict):
        return {str(k): _plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple | np.ndarray):
        return [_plain(v) for v in value]
    if isinstance(value, np.generic):
        value = value.item()
    return None if isinstance(value, float) and not math.isfinite(value) else value


def load_plan(folder: Path | str) -> Plan:
    """Read a plan folder.

    Raises
    ------
    PlanError
        If ``plan.json`` or ``runs.csv`` is missing or at fault.
    """
    folder = Path(folder)
    path = folder / "plan.json"
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise PlanError(
            f"{folder}: not a plan folder, plan.json cannot be read ({error.strerror}). 'sharpset plan new' makes one."
        ) from error
    except (UnicodeDecodeError, ValueError) as error:
        raise PlanError(f"{path}: not a JSON file ({error}). Make the plan anew.") from error
    for key, kind in (("factors", dict), ("model", str), ("design", str), ("seed", int)):
        if not isinstance(data, dict) or not isinstance(data.get(key), kind):
            raise PlanError(f"{path}: key {key!r} is missing or not a {kind.__name__}. Make the plan anew.")
    factors = factors_from_dict(data["factors"], source=str(path))
    runs = _read_runs(factors, read_table(folder / "runs.csv", what="the runs file"))
    return Plan(
        factors=factors,
        design=data["design"],
        model=data["model"],
        seed=data["seed"],
        runs=runs,
        about=data.get("about") or {},
        remarks=tuple(data.get("remarks") or ()),
    )


def import_plan(factors: Factors, runs_csv: Path | str, *, model: str | Sequence[str | Term] | None = None) -> Plan:
    """Take over an experiment that was planned elsewhere.

    Parameters
    ----------
    factors : Factors
    runs_csv : path of a CSV file
        One row per print, one column per factor in any order. ``run_id, print_order, whole_plot, block``
        are filled in where they are missing (a column ``run order`` stands for ``print_order``); all other
        columns (responses, notes) are kept. Signs or words (``-``, ``+``, low, high) stand for a factor's limits.
    model : str or sequence of str, optional
        By default the richest of quadratic, interactions and linear that these runs can tell.

    Returns
    -------
    Plan
        With ``design='imported'``; settings outside the factors' limits or rules are remarked upon.

    Raises
    ------
    PlanError
        With file, row, column and value.
    """
    from sharpset.plans.making import model_text

    table = read_table(Path(runs_csv), what="the runs file")
    runs = _read_runs(factors, table, order_column(table))
    for factor in factors:
        column = table.find(factor.name)
        if column is not None and factor.kind == "continuous":
            check_range(table, column, factor, list(runs[factor.name]))
    plan = Plan(factors=factors, design="imported", model="linear", seed=0, runs=runs)
    text = model_text(factors, model) if model is not None else _richest(plan)
    kept = [c for c in plan.extra_columns if c in table.columns and c.casefold() not in _NOTES]
    label = runs.attrs.pop("whole_plot_from", None)
    hard = ", ".join(f.name for f in factors.hard)
    taken = [] if label is None else [f"{label} numbers the settings of {hard} and is taken as whole_plot."]
    remarks = [
        *taken,
        *column_remarks(table, factors, kept),
        *_outside(factors, runs),
        *practice_remarks(factors, runs),
    ]
    return Plan(factors=factors, design="imported", model=text, seed=0, runs=runs, about={}, remarks=tuple(remarks))


def _richest(plan: Plan) -> str:
    for model in ("quadratic", "interactions"):
        matrix = plan.matrix(model).to_numpy()
        if matrix.shape[1] < len(matrix) and np.linalg.matrix_rank(matrix) == matrix.shape[1]:
            return model
    return "linear"


def _outside(factors: Factors, runs: pd.DataFrame) -> list[str]:
    remarks = []
    for f in factors:
        if not f.is_categorical:
            beyond = (runs[f.name] < f.low - 1e-9 * abs(f.low)) | (runs[f.name] > f.high + 1e-9 * abs(f.high))
            if beyond.any():
                remarks.append(
                    f"{int(beyond.sum())} runs have {f.name} outside {f.low:g} to {f.high:g} {f.unit}".rstrip()
                    + "; they are kept, coded beyond -1 and 1."
                )
            if len(set(runs[f.name])) == 1:
                remarks.append(
                    f"{f.name} is {runs[f.name].iloc[0]:g} in every run, so nothing can be learned about it."
                )
        elif len(set(runs[f.name])) == 1:
            remarks.append(f"{f.name} is {runs[f.name].iloc[0]} in every run, so nothing can be learned about it.")
    broken = ~factors.allowed(runs)
    if broken.any():
        remarks.append(f"{int(broken.sum())} runs break a rule of the factors file; they are kept.")
    return remarks


# ------------------------------------------------------------------------------------------ runs.csv


def _read_runs(factors: Factors, table: TextTable, order: str | None = None) -> pd.DataFrame:
    found = {name: table.find(name) for name in (*RESERVED, *factors.names)}
    found["print_order"] = found["print_order"] or order
    found["block"] = found["block"] or table.find("blocks")
    missing = [n for n in factors.names if found[n] is None]
    if missing:
        raise PlanError(
            f"{table.path}: there is no column for the factor {missing[0]!r}; columns are {', '.join(table.columns)}. "
            "Name the columns as in the factors file."
        )
    frame = pd.DataFrame(index=range(len(table.cells)))
    frame["run_id"] = _run_ids(table, found["run_id"])
    frame["print_order"] = _print_order(table, found["print_order"])
    for key in ("whole_plot", "block"):
        column = found[key]
        frame[key] = _group_numbers(table.texts(column)) if column else 1
    for factor in factors:
        column = found[factor.name]
        assert column is not None
        frame[factor.name] = (
            _labels(table, column, factor) if factor.is_categorical else _settings(table, column, factor)
        )
    taken = set(found.values())
    for column in (c for c in table.columns if c not in taken):
        numbers = table.measured(column)
        counted = split_counts(table, column) if numbers is None else None
        if counted is not None:
            frame[column], frame[f"{column}_total"] = counted
            continue
        frame[column] = table.texts(column) if numbers is None else np.asarray(numbers, dtype=float)
    frame = frame.sort_values("print_order", kind="stable").reset_index(drop=True)
    if found["whole_plot"] is None:
        labels = _plot_labels(factors, frame, [c for c in table.columns if c not in taken and c in frame])
        frame["whole_plot"] = _plots_in_order(factors, frame) if labels is None else frame[labels].astype(int)
        if labels is not None:
            frame = frame.drop(columns=labels)
            frame.attrs["whole_plot_from"] = labels
    return frame


def _plot_labels(factors: Factors, frame: pd.DataFrame, columns: Sequence[str]) -> str | None:
    """Return the column that numbers whole plots under a name of its own (heat, bed, batch), None without one.

    It holds each hard-to-change factor still within every number. One that is called whole plot by a usual name is
    taken at its word; another must count from 1 and tell more plots than there are settings of these factors: two heats
    of one temperature are two.
    """
    hard = [f.name for f in factors.hard]
    for column in columns if hard else ():
        values = pd.to_numeric(frame[column], errors="coerce")
        whole = values.notna().all() and bool((values % 1 == 0).all()) and 1 < values.nunique() < len(frame)
        if names_whole_plots(column) and whole and frame.groupby(column)[hard].nunique().to_numpy().max() == 1:
            return column
    for column in columns if hard else ():
        values = pd.to_numeric(frame[column], errors="coerce")
        if values.isna().any() or set(values) != set(range(1, values.nunique() + 1)):
            continue
        still = frame.groupby(column)[[*hard, "block"]].nunique().to_numpy().max() == 1
        if still and len(frame[[*hard, "block"]].drop_duplicates()) < values.nunique() < len(frame):
            return column
    return None


def _run_ids(table: TextTable, column: str | None) -> list[str]:
    if column is None:
        return run_ids(len(table.cells))
    texts = table.texts(column)
    first: dict[str, int] = {}
    for i, text in enumerate(texts):
        if not text:
            raise PlanError(f"{table.where(i, column)}: the run id is empty. Every print needs one.")
        if text in first:
            raise PlanError(
                f"{table.where(i, column)}: run id {text!r} stands in row {table.lines[first[text]]} already. "
                "Every print needs its own."
            )
        first[text] = i
    return texts


def _print_order(table: TextTable, column: str | None) -> list[int]:
    if column is None:
        return list(range(1, len(table.cells) + 1))
    numbers = table.numbers(column, what="the print order")
    first: dict[float, int] = {}
    for i, number in enumerate(numbers):
        if number != int(number):
            raise PlanError(f"{table.where(i, column)}: the print order must be a whole number, got {number:g}.")
        if number in first:
            raise PlanError(
                f"{table.where(i, column)}: print order {number:g} stands in row {table.lines[first[number]]} already."
            )
        first[number] = i
    return [int(n) for n in numbers]


def _group_numbers(texts: Sequence[str]) -> list[int]:
    """Return blocks or whole plots as numbers: kept if they are whole numbers, else numbered as they come."""
    try:
        numbers = [float(t) for t in texts]
        if all(n == int(n) for n in numbers):
            return [int(n) for n in numbers]
    except (ValueError, OverflowError):
        pass
    known: dict[str, int] = {}
    return [known.setdefault(t, len(known) + 1) for t in texts]


def _settings(table: TextTable, column: str, factor: Factor) -> list[float]:
    words = settings_from_words(table.texts(column), factor)
    values = table.numbers(column, what=f"the factor {factor.name!r}") if words is None else words
    for i, value in enumerate(values):
        if factor.kind == "levels":
            near = [v for v in factor.levels if math.isclose(float(v), value, rel_tol=1e-6, abs_tol=1e-12)]
            if not near:
                raise PlanError(
                    f"{table.where(i, column)}: {factor.name} has the levels "
                    f"{', '.join(f'{v:g}' for v in factor.levels)}, "
                    f'got {value:g}. Add the level to the factors file or use kind = "continuous".'
                )
            values[i] = float(near[0])
        if factor.scale == "log" and value <= 0:
            raise PlanError(
                f"{table.where(i, column)}: {factor.name} is on a log scale and must be above 0, got {value:g}."
            )
    return values


def _labels(table: TextTable, column: str, factor: Factor) -> list[str]:
    levels = [str(v) for v in factor.levels]
    result = []
    for i, text in enumerate(table.texts(column)):
        alike = [v for v in levels if v == text] or [v for v in levels if v.casefold() == text.casefold()]
        number = table.number(text)
        if not alike and number is not None:
            alike = [v for v in levels if table.number(v) == number]
        if len(alike) != 1:
            raise PlanError(
                f"{table.where(i, column)}: {factor.name} must be one of {', '.join(levels)}, got {text!r}."
            )
        result.append(alike[0])
    return result


def _plots_in_order(factors: Factors, frame: pd.DataFrame) -> Any:
    """A whole plot ends where a hard-to-change factor or the block changes; else every run is one."""
    if not factors.hard:
        return np.arange(1, len(frame) + 1)
    keys = frame[[f.name for f in factors.hard] + ["block"]]
    changed = (keys != keys.shift()).any(axis=1)
    return changed.cumsum().astype(int).to_numpy()


# ------------------------------------------------------------------------------------------- results


def load_results(path: Path | str, plan: Plan) -> pd.DataFrame:
    """Read results that were typed in by hand.

    Parameters
    ----------
    path : path of a CSV file
        ``run_id`` (or a column that numbers the runs as one of the plan does) and one column per response; columns
        of the plan that were copied along are left out, columns called note, remark, comment or oddities and numbers
        of the runs too. An empty cell, NA, a dash, a dot or a star is a missing result. Columns of words are kept.
    plan : Plan

    Returns
    -------
    DataFrame
        ``run_id`` and the responses as numbers (NaN where empty), in print order, only the runs that
        stand in the file; ``print_order`` where the file has another order than the plan.

    Raises
    ------
    PlanError
        For an unknown or repeated run id, a cell that is no number, or settings that are others than the plan's, with
        row and column.
    """
    table = read_table(path, what="the results file")
    id_column = table.find("run_id") or next((c for c in map(table.find, numbering(plan.runs)) if c), None)
    if id_column is None:
        raise PlanError(
            f"{table.path}: there is no column 'run_id'; columns are {', '.join(table.columns)}. Copy the run "
            f"ids from runs.csv."
        )
    known = names_of_runs(plan.runs)
    first: dict[str, int] = {}
    for i, text in enumerate(table.texts(id_column)):
        run = known.get(text, known.get(text.casefold()))
        if run is None:
            some = ", ".join(map(str, plan.runs["run_id"].head(4)))
            raise PlanError(
                f"{table.where(i, id_column)}: the plan has no run {text!r}; its runs are {some}, ... "
                f"({plan.n_runs} in all)."
            )
        if run in first:
            raise PlanError(
                f"{table.where(i, id_column)}: run {run!r} stands in row {table.lines[first[run]]} already. "
                f"Keep one row per run."
            )
        first[run] = i
    check_copied(table, first, plan)
    printed = order_as_printed(table, first, plan)
    plan_columns = {table.find(n) for n in (*RESERVED, *plan.factors.names)}
    columns = [c for c in table.columns if c not in plan_columns and c.casefold() not in _NOTES]
    if not columns:
        raise PlanError(
            f"{table.path}: there is no column with a response beside {id_column!r}. Add one column per response."
        )
    frame = pd.DataFrame({"run_id": list(first)})
    measured = any(table.measured(c) is not None for c in columns)
    for column in list(columns):
        counted = split_counts(table, column) if table.measured(column) is None else None
        if counted is not None and f"{column}_total" not in columns:
            frame[column], frame[f"{column}_total"] = counted
            continue
        if measured and table.words_only(column):
            frame[column] = table.texts(column)
            continue
        frame[column] = table.numbers(column, what=f"the response {column!r}", blank=True)
    # Numbers of the runs, copied along, are no responses.
    frame = with_known_names(frame.drop(columns=[c for c in columns if is_run_order(c, frame[c])]))
    if printed is not None:
        frame["print_order"] = frame["run_id"].map(printed)
    order = {str(r): i for i, r in enumerate(plan.runs["run_id"])}
    return frame.sort_values("run_id", key=lambda s: s.map(order), kind="stable").reset_index(drop=True)
