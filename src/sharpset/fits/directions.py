"""Strips by direction: whether those that run one way form, or grow, otherwise than those that run another."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sharpset.brief import Brief
from sharpset.errors import FitError
from sharpset.fits.best import thicken_row
from sharpset.fits.formed import fit_formed
from sharpset.fits.limits import Limit, formed_limit
from sharpset.fits.margins import limits_of_prints
from sharpset.fits.responses import details_of_prints, growth_of, near_or_wide

if TYPE_CHECKING:
    from sharpset.fits.fit import Fit

__all__ = ["direction_table"]

Floats = NDArray[np.float64]
LEVEL = 0.05
FEWEST = 3
"""Prints below which directions are not compared."""


def direction_table(readings: pd.DataFrame, fit: Fit) -> pd.DataFrame:
    """Compare the directions in which slots, bars and other strips run, at the recommended settings.

    Parameters
    ----------
    readings : pandas.DataFrame
        That the fit was made from, with ``angle_deg`` (along the strip, in the frame of the piece).
    fit : Fit
        With recommended settings.

    Returns
    -------
    pandas.DataFrame
        By kind of the brief and direction: ``kind, angle_deg, n_prints, n_features, limit_ratio,
        low_ratio, high_ratio`` (limit over the geometric mean of all directions', 95 % interval),
        ``growth_apart_mm, U95_growth_apart_mm`` (growth per side above the directions' mean), ``clear``
        (``limit``, ``growth``, both or none), and the columns of :func:`thicken_table`. Empty where nothing
        can be compared.

    Notes
    -----
    The print is the unit: within each print the directions are compared with each other, and the mean
    over prints is judged by Student's t, the level divided by the number of directions of all kinds
    (Bonferroni). Prints in which a ladder is not cut in every direction say nothing of limits. The
    uncertainty of a growth also holds that of a reading, since shade of the scanner's lamp may show alike
    in all prints that lay the same way; that is cautious. A kind whose directions are clearly apart gets a limit of
    its own for each, from that direction's features and the kind's model; otherwise all share the kind's.
    """
    if fit.best is None or fit.brief is None or "angle_deg" not in readings:
        return pd.DataFrame()
    table = details_of_prints(readings)
    table = table[table["run_id"].isin(set(fit.runs["run_id"].astype(str))) & table["angle_deg"].notna()]
    table = table.assign(angle_deg=table["angle_deg"].astype(float).round(3))
    several = table.groupby("kind")["angle_deg"].nunique()
    kinds = [k for k in fit.brief.smallest_mm if several.get(k, 0) > 1 and k in fit.formed]
    n_tests = int(several.reindex(kinds).sum()) if kinds else 1
    rows: list[dict[str, Any]] = []
    for kind in kinds:
        rows += _of_kind(table[table["kind"] == kind], str(kind), fit, fit.brief, n_tests)
    return pd.DataFrame(rows)


def _of_kind(part: pd.DataFrame, kind: str, fit: Fit, brief: Brief, n_tests: int) -> list[dict[str, Any]]:
    assert fit.best is not None
    angles = np.unique(part["angle_deg"])
    cuts = _apart(_log_limits(part, angles), n_tests)
    grown, u_reading = _growths(part, kind, angles, brief.smallest_mm[kind])
    growths = _apart(grown, n_tests)
    growths["half"] = np.hypot(growths["half"], 1.96 * u_reading)
    clear_limit = bool(np.any(np.abs(cuts["mean"]) > cuts["half"]))
    clear_growth = bool(np.any(np.abs(growths["mean"]) > growths["half"]))
    settings = fit.best.frame
    growth = float(fit.best.thicken.set_index("kind")["growth_mm"][kind])
    shared = fit.best.limits.set_index("kind").loc[kind]
    rows = []
    for k, angle in enumerate(angles):
        own = part[part["angle_deg"] == angle]
        limit = _limit(own, kind, fit, settings) if clear_limit else shared
        said = [word for word, yes in (("limit", clear_limit), ("growth", clear_growth)) if yes]
        rows.append(
            {
                "kind": kind,
                "angle_deg": float(angle),
                "n_prints": int(own["run_id"].nunique()),
                "n_features": len(own),
                "limit_ratio": float(np.exp(cuts["mean"][k])),
                "low_ratio": float(np.exp(cuts["mean"][k] - cuts["plain"][k])),
                "high_ratio": float(np.exp(cuts["mean"][k] + cuts["plain"][k])),
                "growth_apart_mm": float(growths["mean"][k]),
                "U95_growth_apart_mm": float(np.hypot(growths["plain"][k], 1.96 * u_reading)),
                "clear": " and ".join(said) or "none",
            }
            | thicken_row(brief, kind, growth + (float(growths["mean"][k]) if clear_growth else 0.0), limit=limit)
        )
    return rows


def _apart(values: Floats, n_tests: int) -> dict[str, Floats]:
    """Return each direction's mean difference from all directions' mean, and half-widths of its interval.

    ``plain`` is that of 95 %, ``half`` that which allows for the number of comparisons. Infinite with too few prints.
    """
    from scipy.stats import t

    whole = values[np.isfinite(values).all(axis=1)]
    n, k = whole.shape
    if n < FEWEST:
        return {"mean": np.full(k, np.nan), "half": np.full(k, np.inf), "plain": np.full(k, np.inf)}
    apart = whole - whole.mean(axis=1, keepdims=True)
    error = apart.std(axis=0, ddof=1) / np.sqrt(n)
    return {
        "mean": apart.mean(axis=0),
        "half": t.ppf(1.0 - 0.5 * LEVEL / n_tests, n - 1) * error,
        "plain": t.ppf(0.975, n - 1) * error,
    }


def _log_limits(part: pd.DataFrame, angles: Floats) -> Floats:
    """Return ln(limit) by print and direction, shape (n_prints, n_angles); NaN where a ladder is not cut."""
    hit = (part["formed"] == "yes").astype(int)
    table = part.assign(hit=hit, run_id=part["run_id"] + "\n" + part["angle_deg"].astype(str))
    counts = table.groupby(["run_id", "nominal_mm"])["hit"].agg(n="size", n_formed="sum").reset_index()
    prints = sorted(set(part["run_id"]))
    names = [f"{run}\n{angle}" for run in prints for angle in angles]
    found = limits_of_prints(counts, names)[0][:, 0]
    sums = counts.groupby("run_id")[["n", "n_formed"]].sum().reindex(names)
    cut = (sums["n_formed"] > 0) & (sums["n_formed"] < sums["n"])
    return np.where(cut, found, np.nan).reshape(len(prints), len(angles))


def _growths(part: pd.DataFrame, kind: str, angles: Floats, wanted_mm: float) -> tuple[Floats, float]:
    """Return growth per side by print and direction, shape (n_prints, n_angles), and the uncertainty of a reading."""
    low, high = near_or_wide(part, wanted_mm)
    prints = sorted(set(part["run_id"]))
    values, u = np.full((2, len(prints), len(angles)), np.nan)
    for i, run in enumerate(prints):
        for k, angle in enumerate(angles):
            own = part[(part["run_id"] == run) & (part["angle_deg"] == angle)]
            values[i, k], u[i, k] = growth_of(own, kind, low, high)
    known = u[np.isfinite(u)]
    return values, float(np.median(known)) if len(known) else 0.0


def _limit(own: pd.DataFrame, kind: str, fit: Fit, settings: pd.DataFrame) -> Limit:
    """Return the limit of one direction, with the terms of the kind's own model."""
    hit = (own["formed"] == "yes").astype(int)
    grouped = own.assign(hit=hit).groupby(["run_id", "kind", "nominal_mm"])["hit"]
    counts = grouped.agg(n="size", n_formed="sum").reset_index()
    formula = fit.formed[kind].formula if fit.formed[kind].has_model else None
    try:
        model = fit_formed(counts, fit.runs, kind=kind, space=fit.space, formula=formula)
    except FitError:
        model = fit_formed(counts, fit.runs, kind=kind, space=fit.space)
    return formed_limit(model, settings)
