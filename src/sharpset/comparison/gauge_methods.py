"""Variance components of a gauge study: by analysis of variance, and by average and range."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from sharpset.comparison.constants import chart_constants, d2_star

__all__ = ["Components", "analyse_by_anova", "analyse_by_range"]

Array = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Components:
    """Standard deviations of a gauge study and draws of what they might be.

    Attributes
    ----------
    repeatability, reproducibility, part : float
        Standard deviations (EV, AV, PV); reproducibility is NaN where it was not studied.
    draws : dict of str to ndarray
        Draws of the same three (generalised pivots), for intervals.
    table : DataFrame
        The analysis of variance, or ranges and constants.
    pooled : bool
        Whether the interaction was pooled with the error.
    """

    repeatability: float
    reproducibility: float
    part: float
    draws: dict[str, Array]
    table: pd.DataFrame
    pooled: bool


def _anova(y: Array) -> pd.DataFrame:
    n, m, r = y.shape
    grand, parts, people, cells = y.mean(), y.mean(axis=(1, 2)), y.mean(axis=(0, 2)), y.mean(axis=2)
    ss = {
        "part": m * r * float(((parts - grand) ** 2).sum()),
        "operator": n * r * float(((people - grand) ** 2).sum()),
        "interaction": r * float(((cells - parts[:, None] - people + grand) ** 2).sum()),
        "repeatability": float(((y - cells[:, :, None]) ** 2).sum()),
        "total": float(((y - grand) ** 2).sum()),
    }
    df = {
        "part": n - 1,
        "operator": m - 1,
        "interaction": (n - 1) * (m - 1),
        "repeatability": n * m * (r - 1),
        "total": n * m * r - 1,
    }
    table = pd.DataFrame({"source": list(ss), "SS": list(ss.values()), "df": list(df.values())}).set_index("source")
    table["MS"] = table["SS"] / table["df"].where(table["df"] > 0)
    table.loc["total", "MS"] = np.nan
    return table


def _components(ms: dict[str, Array], *, shape: tuple[int, int, int], pooled: bool) -> dict[str, Array]:
    """Standard deviations from mean squares (arrays of draws or of one value); negative variances count as 0."""
    n, m, r = shape
    error = ms["error"]
    inner = error if pooled else ms["interaction"]
    interaction = np.zeros_like(error) if pooled else np.maximum((ms["interaction"] - error) / r, 0)
    operator = np.maximum((ms["operator"] - inner) / (n * r), 0) if m > 1 else np.full_like(error, np.nan)
    part = np.maximum((ms["part"] - inner) / (m * r), 0)
    return {
        "repeatability": np.sqrt(error),
        "reproducibility": np.sqrt(operator + interaction) if m > 1 else operator,
        "part": np.sqrt(part),
    }


def analyse_by_anova(y: Array, *, pool_above: float, n_draws: int, seed: int) -> Components:
    """Analyse a balanced crossed study by analysis of variance with random parts and operators.

    Parameters
    ----------
    y : ndarray of float, shape (n_parts, n_operators, n_trials)
    pool_above : float
        The interaction is pooled with the error where its p value is larger.
    n_draws : int
    seed : int

    References
    ----------
    AIAG (2010), Measurement Systems Analysis, 4th ed., ch. III-B; Hamada, M. & Weerahandi, S. (2000), J. Qual. Technol.
    32:241-253 (generalised intervals).
    """
    n, m, r = y.shape
    table = _anova(y)
    table["F"], table["p"] = np.nan, np.nan
    pooled = True
    if m > 1:
        f = table.loc["interaction", "MS"] / table.loc["repeatability", "MS"]
        p = float(stats.f.sf(f, table.loc["interaction", "df"], table.loc["repeatability", "df"]))
        table.loc["interaction", ["F", "p"]] = f, p
        pooled = not p <= pool_above
    names = ["interaction", "repeatability"] if pooled and m > 1 else ["repeatability"]
    error = (float(table.loc[names, "SS"].sum()), float(table.loc[names, "df"].sum()))
    below = error[0] / error[1] if pooled else float(table.loc["interaction", "MS"])
    below_df = error[1] if pooled else float(table.loc["interaction", "df"])
    for source in ("part", "operator"):
        if table.loc[source, "df"] > 0:
            f = table.loc[source, "MS"] / below
            table.loc[source, ["F", "p"]] = f, float(stats.f.sf(f, table.loc[source, "df"], below_df))
    table.loc["error used"] = [error[0], error[1], error[0] / error[1], np.nan, np.nan]
    rng = np.random.default_rng(seed)
    sums = {s: (float(table.loc[s, "SS"]), float(table.loc[s, "df"])) for s in ("part", "operator", "interaction")}
    sums["error"] = error
    one = {s: np.array([v / d if d > 0 else np.nan]) for s, (v, d) in sums.items()}
    many = {s: v / rng.chisquare(d, n_draws) if d > 0 else np.full(n_draws, np.nan) for s, (v, d) in sums.items()}
    value = _components(one, shape=(n, m, r), pooled=pooled)
    return Components(
        **{name: float(v[0]) for name, v in value.items()},
        draws=_components(many, shape=(n, m, r), pooled=pooled),
        table=table.reset_index(),
        pooled=pooled,
    )


def analyse_by_range(y: Array, *, n_draws: int, seed: int) -> Components:
    """Analyse a balanced crossed study by averages and ranges.

    Parameters
    ----------
    y : ndarray of float, shape (n_parts, n_operators, n_trials)
    n_draws : int
    seed : int

    Notes
    -----
    K1 is 1/d2 (many ranges), K2 and K3 are 1/d2* (one range). No interaction is seen by this method; with one operator
    there is no reproducibility.

    References
    ----------
    AIAG (2010), Measurement Systems Analysis, 4th ed., ch. III-B and appendix C (d2*, after Duncan).
    """
    n, m, r = y.shape
    k1, k3 = 1 / chart_constants(r).d2, 1 / d2_star(n, 1)
    k2 = 1 / d2_star(m, 1) if m > 1 else math.nan
    mean_range = float(np.ptp(y, axis=2).mean())
    between = float(np.ptp(y.mean(axis=(0, 2)))) if m > 1 else math.nan
    part_range = float(np.ptp(y.mean(axis=(1, 2))))
    ev = mean_range * k1
    av = math.sqrt(max((between * k2) ** 2 - ev**2 / (n * r), 0.0)) if m > 1 else math.nan
    rng = np.random.default_rng(seed)
    per_batch = rng.standard_normal((min(n_draws, 4000), min(n * m, 60), r))
    ranges = np.ptp(per_batch, axis=2).mean(axis=1)
    # Means of more than 60 ranges vary less; their spread is scaled instead of drawing them all.
    ranges = ranges.mean() + (ranges - ranges.mean()) * math.sqrt(min(n * m, 60) / (n * m))
    count = len(ranges)
    ev_draws = mean_range / ranges
    pv_draws = part_range / np.ptp(rng.standard_normal((count, n)), axis=1)
    av_draws = np.full(count, np.nan)
    if m > 1:
        total = between / np.ptp(rng.standard_normal((count, m)), axis=1)
        av_draws = np.sqrt(np.maximum(total**2 - ev_draws**2 / (n * r), 0))
    table = pd.DataFrame(
        {
            "quantity": ["mean range", "range of operators' means", "range of parts' means"],
            "value": [mean_range, between, part_range],
            "K": [k1, k2, k3],
        }
    )
    return Components(
        repeatability=ev,
        reproducibility=av,
        part=part_range * k3,
        draws={"repeatability": ev_draws, "reproducibility": av_draws, "part": pv_draws},
        table=table,
        pooled=True,
    )
