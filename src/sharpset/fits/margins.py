"""By how much each print meets or misses each requirement of a brief."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sharpset.brief import Brief
from sharpset.errors import FitError
from sharpset.fits.responses import OPENINGS, formed_counts, responses_from_readings

__all__ = ["Margins", "brief_margins", "limits_of_prints", "margins_from_readings"]

Floats = NDArray[np.float64]
ACCIDENT = 0.01
"""Share of details that break or bridge by accident, whatever their size: one of them must not move a limit."""
SPREADS = np.exp(np.linspace(np.log(0.03), np.log(0.2), 9))
USUAL_SPREAD, SPREAD_SD = 0.06, 0.5
"""Logistic scale of ln(size) within a print where the ladders do not tell: centre and log sd of a weak prior."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Margins:
    """Margins of every print, natural logarithms: 0 is just met, 0.1 is met by about 10 %.

    Attributes
    ----------
    brief : Brief
    table : pandas.DataFrame
        ``run_id`` and for every requirement (``bar forms``, ``edge roughness`` ...) its margin and, in
        ``u_<requirement>``, its standard uncertainty within the print; NaN where nothing was measured.
    spread : dict of str to float
        For details that form: logistic scale of ln(size) within a print; 0 for the others.
    """

    brief: Brief
    table: pd.DataFrame
    spread: dict[str, float]

    @property
    def requirements(self) -> list[str]:
        """Names of the requirements that were measured."""
        return list(self.spread)

    @property
    def shown(self) -> list[str]:
        """Runs whose own readings show the brief met: every margin at 0 or above (details form more often than not)."""
        values = self.table[self.requirements].to_numpy(dtype=float)
        return [str(run) for run in self.table["run_id"].to_numpy()[(values >= 0).all(axis=1)]]

    def worst(self) -> pd.DataFrame:
        """Return for every print its worst requirement: ``run_id, requirement, margin``."""
        values = self.table[self.requirements].fillna(np.inf)
        return pd.DataFrame(
            {"run_id": self.table["run_id"], "requirement": values.idxmin(axis=1), "margin": values.min(axis=1)}
        )

    def summary(self) -> str:
        """Return in one line which prints show the brief met, or how near the best one came."""
        if self.shown:
            return (
                f"in {', '.join(self.shown)} details of the size to draw formed more often than not and everything "
                "else kept to the brief"
            )
        worst = self.worst()
        best = worst.loc[worst["margin"].idxmax()]
        return (
            f"no print shows the brief met; nearest is {best['run_id']}, which misses {best['requirement']} by "
            f"{100 * (np.exp(-best['margin']) - 1):.0f} %"
        )

    def to_frame(self) -> pd.DataFrame:
        """Return the table."""
        return self.table.copy()

    def _repr_html_(self) -> str:
        return f"<p>{self.summary()}</p>{self.table.to_html(index=False, float_format='{:.3f}'.format)}"


def margins_from_readings(readings: pd.DataFrame, brief: Brief, *, results: pd.DataFrame | None = None) -> Margins:
    """Return the margins of the prints of a readings table.

    Parameters
    ----------
    readings : pandas.DataFrame
    brief : Brief
    results : pandas.DataFrame, optional
        ``run_id`` and ``print_time_h``, where the brief limits the time.
    """
    runs = responses_from_readings(readings, brief)
    if results is not None and "print_time_h" in results:
        times = results.assign(run_id=results["run_id"].astype(str))[["run_id", "print_time_h"]]
        runs = runs.merge(times, on="run_id", how="left")
    return brief_margins(runs, formed_counts(readings), brief)


def brief_margins(runs: pd.DataFrame, counts: pd.DataFrame, brief: Brief) -> Margins:
    """Return by how much each print meets each requirement of a brief.

    Parameters
    ----------
    runs : pandas.DataFrame
        One row per print with the responses of :func:`sharpset.fits.responses_from_readings`.
    counts : pandas.DataFrame
        ``run_id, kind, nominal_mm, n, n_formed``.
    brief : Brief

    Returns
    -------
    Margins

    Raises
    ------
    FitError
        If nothing that the brief asks for was measured.

    Notes
    -----
    Details: ln(size to draw / limit), where the size to draw allows for the print's own growth in CAD
    and the limit is the size that forms half the time in this print. The limit's mean and standard
    deviation come from the likelihood of the ladder of sizes under a flat prior from half to one and
    two thirds times its ends, so a ladder that is cut between two rungs tells its limit to the rungs'
    distance and no closer. Edges and time: ln(allowed / measured).
    """
    table = pd.DataFrame({"run_id": runs["run_id"].astype(str)})
    spread: dict[str, float] = {}
    for kind, wanted in brief.smallest_mm.items():
        part = counts[counts["kind"] == kind]
        if part.empty:
            continue
        limits, spread[f"{kind} forms"] = limits_of_prints(part, table["run_id"].tolist())
        drawn = _drawn_mm(runs, kind, wanted)
        table[f"{kind} forms"] = np.log(drawn) - limits[:, 0]
        table[f"u_{kind} forms"] = limits[:, 1]
    for label, column, top in (
        ("edge roughness", "edge_roughness_mm", brief.tolerance_mm.edge_roughness),
        ("print time", "print_time_h", brief.limits.print_time_h),
    ):
        if top is None or column not in runs or not runs[column].notna().any():
            continue
        values = runs[column].to_numpy(dtype=float)
        with np.errstate(divide="ignore", invalid="ignore"):
            table[label] = np.log(top / np.where(values > 0, values, np.nan))
            u = runs[f"u_{column}"].to_numpy(dtype=float) / values if f"u_{column}" in runs else np.zeros(len(runs))
        table[f"u_{label}"] = np.where(np.isfinite(u), u, 0.0)
        spread[label] = 0.0
    if not spread:
        raise FitError("Nothing that the brief asks for was measured. Read scans of the runs first.")
    return Margins(brief=brief, table=table, spread=spread)


def _drawn_mm(runs: pd.DataFrame, kind: str, wanted: float) -> Floats:
    sign = -1.0 if kind in OPENINGS else 1.0
    growth = np.full(len(runs), np.nan)
    for name in (f"growth_{kind}_at_brief_mm", f"growth_{kind}_mm"):
        if name in runs:
            growth = np.where(np.isfinite(growth), growth, runs[name].to_numpy(dtype=float))
    # Where not one detail of a kind came out its growth is not known, and the size as wanted is judged.
    return np.asarray(np.maximum(wanted - 2.0 * sign * np.nan_to_num(growth), 0.05 * wanted))


def limits_of_prints(part: pd.DataFrame, run_ids: list[str]) -> tuple[Floats, float]:
    """Return mean and sd of ln(limit) of every run, shape (n, 2), and the spread within prints.

    ``part`` has ``run_id, nominal_mm, n, n_formed`` of one kind.
    """
    from scipy.special import expit

    row = pd.Index(run_ids).get_indexer(part["run_id"].astype(str))
    widths, column = np.unique(part["nominal_mm"].to_numpy(dtype=float), return_inverse=True)
    n, hits = np.zeros((2, len(run_ids), len(widths)))
    known = row >= 0
    np.add.at(n, (row[known], column[known]), part["n"].to_numpy(dtype=float)[known])
    np.add.at(hits, (row[known], column[known]), part["n_formed"].to_numpy(dtype=float)[known])
    sizes = np.log(widths)
    grid = np.linspace(sizes.min() - 0.5, sizes.max() + 0.5, 241)
    best, found = -np.inf, (np.zeros((len(run_ids), 2)), USUAL_SPREAD)
    for s in SPREADS:
        chance = ACCIDENT + (1.0 - 2.0 * ACCIDENT) * expit((sizes[:, None] - grid[None, :]) / s)
        log_like = hits @ np.log(chance) + (n - hits) @ np.log1p(-chance)
        top = log_like.max(axis=1, keepdims=True)
        weight = np.exp(log_like - top)
        total = weight.sum(axis=1)
        evidence = float(np.sum(top[:, 0] + np.log(total))) - 0.5 * (np.log(s / USUAL_SPREAD) / SPREAD_SD) ** 2
        if evidence > best:
            mean = weight @ grid / total
            variance = (weight * (grid[None, :] - mean[:, None]) ** 2).sum(axis=1) / total
            best, found = evidence, (np.column_stack([mean, np.sqrt(variance)]), float(s))
    limits, s = found
    limits[n.sum(axis=1) == 0] = np.nan
    return limits, s
