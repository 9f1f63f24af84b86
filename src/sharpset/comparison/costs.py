"""Time and cost per part of two printers."""

from __future__ import annotations

import numpy as np
import pandas as pd

from sharpset.comparison.cells import compare_means
from sharpset.errors import ComparisonError

__all__ = ["compare_jobs"]

_MEASURES = {"print_time_h": ("time per part", "h"), "cost": ("cost per part", "money")}
_COLUMNS = ["measure", "unit", "n_a", "n_b", "value_a", "value_b", "difference", "low", "high"]


def compare_jobs(
    jobs: pd.DataFrame | None, *, runs_a: set[str], runs_b: set[str], labels: tuple[str, str]
) -> pd.DataFrame:
    """Compare print time and cost per part between two printers.

    Parameters
    ----------
    jobs : DataFrame or None
        A row per print job: ``run_id``, ``print_time_h`` (hours) and ``cost`` (any one money), ``n_parts`` (1 if
        absent), and ``printer`` (a label) where the run ids alone do not tell whose job it is.
    runs_a, runs_b : set of str
        Print jobs of each printer.
    labels : (str, str)

    Returns
    -------
    DataFrame
        ``measure, unit, n_a, n_b, value_a, value_b, difference, low, high`` (A minus B, Welch's 95 % interval, NaN with
        one job of a printer); empty without jobs.
    """
    if jobs is None:
        return pd.DataFrame(columns=_COLUMNS)
    frame = jobs.rename(columns=lambda c: str(c).strip())
    present = [c for c in _MEASURES if c in frame]
    if "run_id" not in frame or not present:
        raise ComparisonError(
            f"the table of jobs has the columns {', '.join(map(str, frame.columns))}; it needs run_id and print_time_h "
            "or cost. Add them, one row per print job."
        )
    _check_numbers(frame, [*present, *(["n_parts"] if "n_parts" in frame else [])])
    run = frame["run_id"].map(lambda v: f"{v:g}" if isinstance(v, float) else str(v).strip())
    is_a, is_b = run.isin(runs_a), run.isin(runs_b)
    if "printer" in frame:
        is_a, is_b = is_a & (frame["printer"] == labels[0]), is_b & (frame["printer"] == labels[1])
    elif (is_a & is_b).any():
        raise ComparisonError(
            f"the table of jobs names run {run[is_a & is_b].iloc[0]}, which both printers have. Add the column printer "
            f"with {labels[0]} or {labels[1]} in each row."
        )
    if not (is_a | is_b).any():
        raise ComparisonError(
            f"no run of the table of jobs ({', '.join(run.unique()[:3])} ...) is among the readings. Write the run_id "
            "of each print as the readings have it, and the two labels in the column printer if there is one."
        )
    parts = pd.to_numeric(frame["n_parts"], errors="coerce") if "n_parts" in frame else pd.Series(1.0, frame.index)
    rows = []
    for column in present:
        value = pd.to_numeric(frame[column], errors="coerce") / parts
        mine = (is_a | is_b) & np.isfinite(value)
        if (value[mine] < 0).any():
            raise ComparisonError(f"the table of jobs has a negative {column}. Mend the row.")
        found = compare_means(value[mine].to_numpy(float), is_a[mine].to_numpy(bool))
        half = found.half_width()
        name, unit = _MEASURES[column]
        rows.append(
            dict(
                zip(
                    _COLUMNS,
                    (
                        name,
                        unit,
                        found.n_a,
                        found.n_b,
                        found.mean_a,
                        found.mean_b,
                        found.difference,
                        found.difference - half,
                        found.difference + half,
                    ),
                    strict=True,
                )
            )
        )
    return pd.DataFrame(rows, columns=_COLUMNS)


def _check_numbers(frame: pd.DataFrame, columns: list[str]) -> None:
    """Refuse cells that are no numbers from 0 up (parts: above 0); empty ones are not known."""
    for column in columns:
        number = pd.to_numeric(frame[column], errors="coerce")
        least = 0.0 if column != "n_parts" else 1e-9
        bad = frame[column].notna() & ~((number >= least) & np.isfinite(number))
        if bad.any():
            row = int(np.flatnonzero(bad.to_numpy())[0])
            wanted = "a number from 0 up" if column != "n_parts" else "a number above 0"
            raise ComparisonError(
                f"the table of jobs, row {row + 1}: {column} is {str(frame[column].iloc[row])!r}; it must be {wanted}. "
                "Mend the row."
            )
