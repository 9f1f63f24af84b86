"""From readings of features to one row per print job.

The print job is the experimental unit: its features are summarised, never counted as replicates, and
several scans or pieces of one job are averaged.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sharpset.brief import KINDS, Brief
from sharpset.errors import FitError
from sharpset.fits.terms import category_text
from sharpset.refusals import refusal, says_nothing

__all__ = [
    *("OPENINGS", "details_of_prints", "formed_counts", "growth_of", "near_or_wide", "responses_from_readings"),
    "run_key",
]

Floats = NDArray[np.float64]
OPENINGS = ("slot", "hole", "groove")
"""Kinds that are gaps: material that grows makes them narrower."""
NEEDED = ("run_id", "feature_id", "kind", "nominal_mm", "formed", "measured_mm", "U95_mm", "deviation_mm")
STATES = ("yes", "no", "partly")
NEAR = (0.8, 1.5)
"""Sizes that count as near to the brief's smallest one: from 0.8 to 1.5 times it."""


def run_key(values: pd.Series[Any]) -> pd.Series[Any]:
    """Return run ids as text, so that 3, 3.0 and '3' are the same run."""
    return values.map(lambda v: "" if pd.isna(v) else category_text(v).strip())


def _checked(readings: pd.DataFrame) -> tuple[pd.DataFrame, list[str]]:
    missing = [c for c in NEEDED if c not in readings]
    if missing:
        raise FitError(
            f"The readings lack the column {missing[0]!r}. A readings table has {', '.join(NEEDED)} and more."
        )
    table = readings.assign(run_id=run_key(readings["run_id"]))
    remarks: list[str] = []
    nameless = table["run_id"] == ""
    if nameless.all():
        raise FitError(
            "No reading says which run it belongs to (run_id is empty). "
            "Write the run ids in, or scan with the code in view."
        )
    if nameless.any():
        remarks.append(f"{int(nameless.sum())} readings have no run_id and were left out")
        table = table[~nameless]
    if "flags" in table:
        whole = table["formed"].astype(str).str.strip().str.lower() == "yes"
        remarks += _said_of_refused(table["flags"], whole)
        table = table[~says_nothing(table["flags"])]
    states = table["formed"].astype(str).str.strip().str.lower()
    wrong = states[~states.isin(STATES)]
    if len(wrong):
        raise FitError(f"Column 'formed' holds {wrong.iloc[0]!r}; it must be one of {', '.join(STATES)}.")
    numbers = {
        c: pd.to_numeric(table[c], errors="coerce") for c in ("nominal_mm", "measured_mm", "U95_mm", "deviation_mm")
    }
    table = table.assign(formed=states, **numbers)
    details = table[table["kind"].isin(KINDS)]
    if details.empty:
        raise FitError(f"The readings hold no detail of a kind that a brief can ask for ({', '.join(KINDS)}).")
    return details.reset_index(drop=True), remarks


def _said_of_refused(flags: pd.Series[Any], whole: pd.Series[bool]) -> list[str]:
    """Say how many readings were refused, why, and what became of them."""
    reasons, lost = flags.map(refusal), says_nothing(flags)
    said = []
    for chosen, fates in ((lost, ("left out", "left out")), (~lost & (reasons != "") & ~whole, ("counts", "count"))):
        n = int(chosen.sum())
        if n:
            why = ", ".join(sorted(reasons[chosen].unique()))
            fate = fates[n > 1] + (" as not formed" if fates[0] == "counts" else "")
            said.append(f"{n} reading{'s were' if n > 1 else ' was'} refused ({why}) and {fate}")
    return said


def _join_scans(table: pd.DataFrame) -> pd.DataFrame:
    """Average several scans of the same feature of the same piece of the same job.

    It formed where more than half of them say so; one that was refused as dim or askew says that it is not whole.
    """
    keys = ["run_id", *(["piece_id"] if "piece_id" in table else []), "feature_id"]
    if not table.duplicated(keys).any():
        return table
    numbers = [
        c for c in ("measured_mm", "U95_mm", "deviation_mm", "x_dev_mm", "y_dev_mm", "edge_roughness_mm") if c in table
    ]
    first = table.groupby(keys, sort=False, as_index=False).first()
    means = table.groupby(keys, sort=False, as_index=False)[numbers].mean()
    first[numbers] = means[numbers]
    states = table.groupby(keys, sort=False)["formed"].agg(_most_say)
    first["formed"] = states.to_numpy()
    return first


def _most_say(states: pd.Series[str]) -> str:
    """Return what scans of one feature say together."""
    if (states == states.iloc[0]).all():
        return str(states.iloc[0])
    return "yes" if (states == "yes").mean() > 0.5 else "partly"


def details_of_prints(readings: pd.DataFrame) -> pd.DataFrame:
    """Return the details of every print, checked: refused ones judged, several scans of a feature averaged."""
    return _join_scans(_checked(readings)[0])


def formed_counts(readings: pd.DataFrame) -> pd.DataFrame:
    """Count what formed, by run, kind and nominal size.

    Parameters
    ----------
    readings : pandas.DataFrame
        Readings table; 'partly' counts as not formed.

    Returns
    -------
    pandas.DataFrame
        ``run_id, kind, nominal_mm, n, n_formed``.
    """
    table = details_of_prints(readings)
    table = table.assign(nominal_mm=table["nominal_mm"].round(6), hit=(table["formed"] == "yes").astype(int))
    grouped = table.groupby(["run_id", "kind", "nominal_mm"], sort=True)["hit"]
    return grouped.agg(n="size", n_formed="sum").reset_index()


def smallest_formed(sizes: Floats, formed: NDArray[np.bool_]) -> tuple[float, float, str]:
    """Return where a ladder of sizes is cut between not formed and formed.

    Parameters
    ----------
    sizes : ndarray of float, shape (n,)
        mm.
    formed : ndarray of bool, shape (n,)

    Returns
    -------
    size_mm : float
        Smallest size on the formed side of the cut; NaN if nothing formed.
    u_mm : float
        Standard uncertainty from the ladder's step (rectangular).
    state : str
        ``''``, ``'all formed'`` or ``'none formed'``.

    Notes
    -----
    The cut is where the fewest features stand on the wrong side (not formed above it or formed below
    it), so that one broken wide feature does not decide; of equal cuts the largest is taken.
    """
    steps = np.unique(sizes)
    if not formed.any():
        return float("nan"), float("nan"), "none formed"
    wrong = [int(np.sum(formed & (sizes < s)) + np.sum(~formed & (sizes >= s))) for s in steps]
    wrong.append(int(np.sum(formed)))
    position = int(np.flatnonzero(np.array(wrong) == min(wrong))[-1])
    if position == len(steps):
        return float("nan"), float("nan"), "none formed"
    size = float(steps[position])
    if position == 0:
        return size, float("nan"), "all formed"
    return size, float((size - steps[position - 1]) / np.sqrt(12.0)), ""


def _robust_mean(values: Floats) -> tuple[float, float, int]:
    """Return mean, standard deviation and count without values beyond 3.5 robust deviations."""
    centre = np.median(values)
    spread = 1.4826 * np.median(np.abs(values - centre))
    kept = values[np.abs(values - centre) <= 3.5 * spread] if spread > 0 and len(values) >= 5 else values
    sd = float(np.std(kept, ddof=1)) if len(kept) > 1 else float("nan")
    return float(np.mean(kept)), sd, len(kept)


def near_or_wide(part: pd.DataFrame, wanted_mm: float) -> tuple[float, float]:
    """Return the span of sizes that growth at a wanted size is taken from: near it, or where none is, the wide half."""
    low, high = NEAR[0] * wanted_mm, NEAR[1] * wanted_mm
    sizes = np.unique(part["nominal_mm"].to_numpy(dtype=float))
    return (low, high) if ((sizes >= low) & (sizes <= high)).any() else (float(np.median(sizes)), np.inf)


def growth_of(group: pd.DataFrame, kind: str, low_mm: float, high_mm: float) -> tuple[float, float]:
    """Return growth per side of features of one print and kind in a span of sizes, and its standard uncertainty."""
    row = _growth(group, kind, low_mm, high_mm, name="growth_mm")
    return row["growth_mm"], row["u_growth_mm"]


def _growth(group: pd.DataFrame, kind: str, low_mm: float, high_mm: float, *, name: str) -> dict[str, float]:
    """Return growth per side from the features that formed in a span of sizes."""
    wide = group["nominal_mm"].between(low_mm - 1e-9, high_mm + 1e-9)
    good = group[(group["formed"] == "yes") & wide & group["deviation_mm"].notna()]
    spread = name.replace("growth_", "feature_sd_")
    if good.empty:
        return {name: np.nan, f"u_{name}": np.nan, spread: np.nan}
    sign = -0.5 if kind in OPENINGS else 0.5
    mean, sd, count = _robust_mean(good["deviation_mm"].to_numpy(dtype=float))
    common = float(np.sqrt(np.nanmean(good["U95_mm"].to_numpy(dtype=float) ** 2))) / 1.96
    common = common if np.isfinite(common) else 0.0
    scatter = sd / np.sqrt(count) if count > 1 else 0.0
    return {name: sign * mean, f"u_{name}": 0.5 * float(np.hypot(common, scatter)), spread: sd}


def _scale(group: pd.DataFrame, axis: str) -> dict[str, float]:
    """Return the scale along x or y by a robust plane through the position deviations."""
    name = f"scale_{axis}"
    good = group[
        group[f"{axis}_dev_mm"].notna() & group["x_mm"].notna() & group["y_mm"].notna() & (group["formed"] == "yes")
    ]
    if len(good) < 6 or np.ptp(good[f"{axis}_mm"].to_numpy(dtype=float)) <= 0:
        return {name: np.nan, f"u_{name}": np.nan}
    x = np.column_stack([np.ones(len(good)), good["x_mm"], good["y_mm"]]).astype(float)
    x[:, 1:] -= x[:, 1:].mean(axis=0)
    y = good[f"{axis}_dev_mm"].to_numpy(dtype=float)
    column = 1 if axis == "x" else 2
    weights = np.ones(len(y))
    coef = np.zeros(3)
    for _ in range(50):  # Huber, tuning constant 1.345 (95 % efficiency)
        root = np.sqrt(weights)
        new = np.linalg.lstsq(x * root[:, None], y * root, rcond=None)[0]
        rest = y - x @ new
        spread = 1.4826 * float(np.median(np.abs(rest)))
        if spread <= 0 or np.allclose(new, coef, rtol=1e-10, atol=1e-14):
            coef = new
            break
        coef, weights = new, np.minimum(1.0, 1.345 * spread / np.maximum(np.abs(rest), 1e-300))
    rest = y - x @ coef
    variance = float(np.sum(weights * rest**2)) / max(float(weights.sum()) - 3.0, 1.0)
    inverse = np.linalg.pinv((x * weights[:, None]).T @ x)
    return {name: 1.0 + float(coef[column]), f"u_{name}": float(np.sqrt(variance * inverse[column, column]))}


def _one_run(
    group: pd.DataFrame, wide: dict[str, float], wanted: dict[str, float], positions: bool
) -> tuple[dict[str, Any], list[str]]:
    row: dict[str, Any] = {"run_id": group["run_id"].iloc[0], "n_features": len(group)}
    notes: list[str] = []
    for kind, part in group.groupby("kind", sort=True):
        row |= _growth(part, str(kind), wide[str(kind)], np.inf, name=f"growth_{kind}_mm")
        if kind in wanted:
            low, high = NEAR[0] * wanted[str(kind)], NEAR[1] * wanted[str(kind)]
            row |= _growth(part, str(kind), low, high, name=f"growth_{kind}_at_brief_mm")
        size, u, state = smallest_formed(part["nominal_mm"].to_numpy(dtype=float), (part["formed"] == "yes").to_numpy())
        row[f"smallest_{kind}_mm"], row[f"u_smallest_{kind}_mm"] = size, u
        if state:
            notes.append(f"{kind}:{state}")
    if "edge_roughness_mm" in group:
        rough = pd.to_numeric(group.loc[group["formed"] == "yes", "edge_roughness_mm"], errors="coerce").dropna()
        values = rough.to_numpy(dtype=float)
        row["edge_roughness_mm"] = float(np.median(values)) if len(values) else np.nan
        mad = 1.4826 * float(np.median(np.abs(values - np.median(values)))) if len(values) > 1 else np.nan
        row["u_edge_roughness_mm"] = 1.2533 * mad / np.sqrt(len(values)) if len(values) > 1 else np.nan
    if positions:
        row |= _scale(group, "x") | _scale(group, "y")
    return row, notes


def responses_from_readings(
    readings: pd.DataFrame, brief: Brief | None = None, *, near_mm: Mapping[str, float] | None = None
) -> pd.DataFrame:
    """Summarise readings to one row per print job.

    Parameters
    ----------
    readings : pandas.DataFrame
        Readings table; ``x_mm, y_mm`` are needed for the scales only.
    brief : Brief, optional
        Kinds that the brief asks for and the readings lack are remarked on.
    near_mm : mapping of kind to float, optional
        Sizes near which growth is given apart, where there is no brief.

    Returns
    -------
    pandas.DataFrame
        ``run_id, n_features`` and, for every kind: ``growth_<kind>_mm`` (material added per side:
        half the deviation of a bar, minus half the deviation of a slot, hole or groove, so that
        positive always means that material has grown), ``smallest_<kind>_mm``,
        ``feature_sd_<kind>_mm`` (spread of the deviation between details of one job); with a brief also
        ``growth_<kind>_at_brief_mm``, the growth near the brief's smallest size; further
        ``edge_roughness_mm`` (median), ``scale_x``, ``scale_y``; each with its standard uncertainty in
        ``u_<response>``. ``attrs['remarks']`` holds remarks in words.

    Raises
    ------
    FitError
        If a needed column is missing, no row names its run, or ``formed`` holds anything else than
        yes, no, partly.

    Notes
    -----
    Growth is taken over the wide half of each kind's ladder (nominal size at or above the kind's median
    size, the same sizes in every run) from features that formed; values beyond 3.5 robust standard
    deviations are left out. Near the brief's smallest size (0.8 to 1.5 times it) growth is given apart,
    because narrow features can come out otherwise than wide ones: a bead has a least width, and small
    holes close up. Artefacts and other kinds that no brief asks for are passed over. The readings'
    uncertainty is taken as common to all features of a job, which is cautious. Roughness and scales
    use features that formed.
    """
    table, remarks = _checked(readings)
    if "scan_id" in table:
        several = table.groupby("run_id", sort=False)["scan_id"].nunique().loc[lambda n: n > 1]
        if len(several):
            shown = ", ".join(f"{run} ({n})" for run, n in several.head(6).items()) + " ..." * (len(several) > 6)
            remarks.append(f"several scans of one run were averaged: {shown}; two prints of a run need two run ids")
    table = _join_scans(table)
    wide = {str(k): float(np.median(np.unique(g.to_numpy()))) for k, g in table.groupby("kind")["nominal_mm"]}
    asked = dict(near_mm or {}) if brief is None else brief.smallest_mm
    wanted = {k: v for k, v in asked.items() if k in wide}
    positions = {"x_mm", "y_mm", "x_dev_mm", "y_dev_mm"} <= set(table.columns)
    if not positions:
        remarks.append(
            "the readings have no x_mm, y_mm or no position deviations, so scale_x and scale_y are not given"
        )
    rows: list[dict[str, Any]] = []
    notes: list[str] = []
    for _, group in table.groupby("run_id", sort=False):
        row, said = _one_run(group, wide, wanted, positions)
        rows.append(row)
        notes.extend(f"{note}:{row['run_id']}" for note in said)
    for kind in sorted(wide):
        for state, effect in (("all formed", "is an upper limit there"), ("none formed", "is empty there")):
            runs = [n.split(":", 2)[2] for n in notes if n.startswith(f"{kind}:{state}:")]
            if runs:
                remarks.append(f"{kind}: {state} in run {', '.join(runs)}, so smallest_{kind}_mm {effect}")
    if brief is not None:
        absent = [k for k in brief.smallest_mm if k not in wide]
        if absent:
            remarks.append(f"the brief asks for {', '.join(absent)}, of which the readings hold none")
    out = pd.DataFrame(rows)
    out.attrs["remarks"] = tuple(remarks)
    return out
