"""Settings that meet the brief, and what to draw thicker."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sharpset.brief import Brief
from sharpset.errors import FitError
from sharpset.fits.limits import limits_table
from sharpset.fits.region import Region, maximise
from sharpset.fits.requirements import Forecast
from sharpset.fits.responses import OPENINGS

__all__ = [
    "BestSettings",
    "best_settings",
    "chance_map",
    "cheapest_settings",
    "describe_settings",
    "likeliest_settings",
    "thicken_row",
    "thicken_table",
]

Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, slots=True)
class BestSettings:
    """Recommended settings and what to expect of them.

    Attributes
    ----------
    settings : dict
        By factor name, natural units.
    chance : float
        That a new print meets every requirement of the brief at once, growth allowed for in CAD.
    chance_as_drawn : float
        The same with details drawn at their wanted size.
    parts : dict of str to float
        Chance of each requirement by itself, growth allowed for.
    predicted : pandas.DataFrame
        ``response, predicted, low, high, u_mean``: 95 % intervals for one new print.
    thicken : pandas.DataFrame
        What to draw, by kind; see :func:`thicken_table`.
    limits : pandas.DataFrame
        ``kind, a50_mm, a90_mm, a90_95_mm, u_ln_a90, statement`` at these settings.
    untested : tuple of str
        Requirements that nothing was measured for; they are not in the chance.
    remarks : tuple of str
    units : dict of str to str
    """

    settings: dict[str, Any]
    chance: float
    chance_as_drawn: float
    parts: dict[str, float]
    predicted: pd.DataFrame
    thicken: pd.DataFrame
    limits: pd.DataFrame
    untested: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()
    units: dict[str, str] | None = None

    @property
    def frame(self) -> pd.DataFrame:
        """The settings as a table of one row."""
        return pd.DataFrame([self.settings])

    def summary(self) -> str:
        """Return the recommendation in one line."""
        units = self.units or {}
        said = ", ".join(
            f"{n} {v:.4g} {units.get(n, '')}".rstrip() if isinstance(v, float) else f"{n} {v}"
            for n, v in self.settings.items()
        )
        text = f"{said}: chance {100 * self.chance:.0f} % that a print meets the brief with growth allowed for in CAD"
        text += f" ({100 * self.chance_as_drawn:.0f} % as drawn)"
        if self.untested:
            text += f"; not measured: {', '.join(self.untested)}"
        return text

    def to_frame(self) -> pd.DataFrame:
        """Return the predicted responses."""
        return self.predicted.copy()

    def _repr_html_(self) -> str:
        return f"<p>{self.summary()}</p>{self.predicted.to_html(index=False)}{self.thicken.to_html(index=False)}"


def _score(forecast: Forecast, settings: pd.DataFrame) -> Floats:
    """Return the chance, with a slope towards it where it is nil."""
    got = forecast.chances(settings)
    if got.parts.empty:
        return got.met
    hint = np.exp(np.mean(np.log(np.maximum(got.parts.to_numpy(), 1e-9)), axis=1))
    return np.asarray(got.met + 1e-3 * hint)


def likeliest_settings(
    forecast: Forecast, region: Region, *, seed: int = 0, n_candidates: int = 1024, n_starts: int = 8
) -> pd.DataFrame:
    """Return the settings with the best chance of meeting the brief, one row, and nothing else."""
    return maximise(lambda s: _score(forecast, s), region, seed=seed, n_candidates=n_candidates, n_starts=n_starts)


def best_settings(forecast: Forecast, region: Region, *, seed: int = 0) -> BestSettings:
    """Return the settings inside the tried region with the best chance of meeting the brief.

    Parameters
    ----------
    forecast : Forecast
    region : Region
    seed : int

    Raises
    ------
    FitError
        If nothing that the brief asks for was measured.
    """
    if not set(forecast.kinds) & set(forecast.formed) and not forecast.responses:
        raise FitError("Nothing that the brief asks for was measured. Read scans of the runs first.")
    found = likeliest_settings(forecast, region, seed=seed)
    return describe_settings(forecast, found, region=region)


def describe_settings(
    forecast: Forecast, settings: pd.DataFrame, *, region: Region, remarks: tuple[str, ...] = ()
) -> BestSettings:
    """Return what to expect of one setting (a table of one row)."""
    got = forecast.chances(settings)
    space = region.space
    said = list(remarks)
    edges = [
        f.name
        for f in space.factors
        if f.kind != "categorical"
        and np.ptp([f.low, f.high]) > 0
        and abs(abs(float(f.code(settings[f.name].iloc[:1])[0])) - 1.0) < 0.02
    ]
    if edges:
        verb = "stand" if len(edges) > 1 else "stands"
        said.append(f"{', '.join(edges)} {verb} at the edge of what was tried; better settings may lie beyond")
    if forecast.untested:
        said.append(f"nothing was measured for {', '.join(forecast.untested)}, so the chance leaves it out")
    chance = float(got.met[0])
    limits = limits_table(list(forecast.formed.values()), settings)
    thicken = thicken_table(forecast, settings, limits=limits)
    if chance < 0.5:
        weakest = got.parts.iloc[0].idxmin() if not got.parts.empty else "nothing"
        said.append(f"the brief is more likely missed than met; the weakest requirement is: {weakest}")
    values = {
        f.name: str(settings[f.name].iloc[0]) if f.kind == "categorical" else float(settings[f.name].iloc[0])
        for f in space.factors
    }
    return BestSettings(
        settings=values,
        chance=chance,
        chance_as_drawn=float(got.as_drawn[0]),
        parts={str(k): float(v) for k, v in got.parts.iloc[0].items()},
        predicted=forecast.predicted(settings),
        thicken=thicken,
        limits=limits,
        untested=tuple(forecast.untested),
        remarks=tuple(said),
        units={f.name: f.unit for f in space.factors},
    )


def thicken_table(forecast: Forecast, settings: pd.DataFrame, *, limits: pd.DataFrame | None = None) -> pd.DataFrame:
    """Return what to draw so that each kind of the brief forms and comes out right.

    Parameters
    ----------
    forecast : Forecast
    settings : pandas.DataFrame
        One row.
    limits : pandas.DataFrame, optional
        Of these settings, where they are known already.

    Returns
    -------
    pandas.DataFrame
        By kind: ``wanted_mm`` (the brief), ``growth_mm`` per side, ``drawn_mm`` (wanted with growth
        allowed for), ``a90_mm`` and ``limit_mm`` (the drawn size that forms 90 % of the time, and with
        95 % confidence), ``draw_mm`` (the larger of drawn and limit; NaN where the prints set no limit),
        ``comes_out_mm``, ``thicken_by_mm`` (how much the detail comes out larger than wanted),
        ``wanted_full_mm``, ``comes_out_full_mm`` (at full size, NaN without a scale), ``verdict``.
    """
    brief: Brief = forecast.brief
    known = limits if limits is not None else limits_table(list(forecast.formed.values()), settings)
    rows = []
    for kind in forecast.kinds:
        limit = known[known["kind"] == kind].iloc[0] if kind in forecast.formed else None
        rows.append(thicken_row(brief, kind, float(forecast.growth(kind, settings)[0]), limit=limit))
    table = pd.DataFrame(rows)
    table.loc[table["comes_out_mm"].isna(), "thicken_by_mm"] = np.nan
    return table


def thicken_row(brief: Brief, kind: str, growth_mm: float, *, limit: Any) -> dict[str, Any]:
    """Return what to draw of one kind as a row of :func:`thicken_table`; ``limit`` is None where none was measured."""
    wanted = brief.smallest_mm[kind]
    sign = -1.0 if kind in OPENINGS else 1.0
    drawn = max(wanted - 2.0 * sign * growth_mm, 0.05 * wanted)
    row: dict[str, Any] = {"a90_mm": np.nan, "limit_mm": np.nan, "draw_mm": np.nan, "verdict": "not measured"}
    if limit is not None:
        row = {"a90_mm": limit.a90_mm, "limit_mm": limit.a90_95_mm}
        row |= _verdict(drawn, float(limit.a90_95_mm), str(limit.statement))
    out = row["draw_mm"] + 2.0 * sign * growth_mm
    return {
        "kind": kind,
        "wanted_mm": wanted,
        "growth_mm": growth_mm,
        "drawn_mm": drawn,
        "a90_mm": row["a90_mm"],
        "limit_mm": row["limit_mm"],
        "draw_mm": row["draw_mm"],
        "comes_out_mm": out,
        "thicken_by_mm": max(out - wanted, 0.0) if abs(out - wanted) > 1e-9 else 0.0,
        "wanted_full_mm": brief.full_size_mm(wanted),
        "comes_out_full_mm": brief.full_size_mm(out),
        "verdict": row["verdict"],
    }


def _verdict(drawn: float, limit: float, statement: str) -> dict[str, Any]:
    if not np.isfinite(limit):
        return {"draw_mm": np.nan, "verdict": f"cannot say how thick: {statement}"}
    if limit <= drawn + 1e-9:
        return {"draw_mm": drawn, "verdict": "forms at the wanted size"}
    return {"draw_mm": limit, "verdict": "draw thicker"}


def chance_map(
    forecast: Forecast, region: Region, *, x: str, y: str, at: dict[str, Any], n_points: int = 25
) -> pd.DataFrame:
    """Return the chance over two factors, the others held.

    Parameters
    ----------
    forecast : Forecast
    region : Region
    x, y : str
        Names of two different factors.
    at : dict
        Settings of the other factors.
    n_points : int
        Per numeric factor.

    Returns
    -------
    pandas.DataFrame
        ``x, y`` under their names, ``chance, chance_as_drawn, inside``; the chance is NaN outside the
        tried region.
    """
    if x == y:
        raise FitError(f"A map needs two different factors, got {x!r} twice.")
    axes = []
    for name in (x, y):
        factor = region.space[name]
        axes.append(
            factor.decode(np.linspace(-1, 1, n_points)) if factor.kind == "continuous" else np.array(factor.levels)
        )
    grid_x, grid_y = np.meshgrid(axes[0], axes[1], indexing="ij")
    table = pd.DataFrame({name: [at[name]] * grid_x.size for name in region.space.names})
    table[x], table[y] = grid_x.ravel(), grid_y.ravel()
    inside = region.inside(table)
    got = forecast.chances(table)
    return pd.DataFrame(
        {
            x: table[x],
            y: table[y],
            "chance": np.where(inside, got.met, np.nan),
            "chance_as_drawn": np.where(inside, got.as_drawn, np.nan),
            "inside": inside,
        }
    )


def cheapest_settings(
    forecast: Forecast,
    region: Region,
    *,
    cost: str = "print_time_h",
    chance_at_least: float = 0.8,
    seed: int = 0,
) -> BestSettings:
    """Return the settings of least cost that still meet the brief with a stated chance.

    Parameters
    ----------
    forecast : Forecast
    region : Region
    cost : str
        A response with a model (print time, material), or a numeric factor to be as small as possible.
    chance_at_least : float
    seed : int

    Raises
    ------
    FitError
        If the cost is not known or no setting reaches the chance; the best chance is named.
    """
    fit = forecast.responses.get(cost)
    numeric = [f.name for f in region.space.factors if f.kind != "categorical"]
    if fit is None and cost not in numeric:
        known = ", ".join([*forecast.responses, *numeric])
        raise FitError(f"There is no response or numeric factor {cost!r} to be kept small. Choose from {known}.")

    def price(settings: pd.DataFrame) -> Floats:
        if fit is not None:
            return np.asarray(fit.predict(settings)["predicted"], dtype=float)
        return np.asarray(settings[cost], dtype=float)

    probe = price(region.candidates(256, seed=seed))
    span = max(float(np.ptp(probe)), 1e-12)

    def objective(settings: pd.DataFrame) -> Floats:
        chance = forecast.chances(settings).met
        return np.where(chance >= chance_at_least, 1.0 - (price(settings) - probe.min()) / span, chance - 10.0)

    found = maximise(objective, region, seed=seed)
    got = float(forecast.chances(found).met[0])
    if got < chance_at_least:
        raise FitError(
            f"No setting inside the tried region meets the brief with a chance of {100 * chance_at_least:.0f} %; the "
            f"best reaches {100 * got:.0f} %. Ask for less, or print the next runs first."
        )
    note = f"least {cost} ({float(price(found)[0]):.3g}) with a chance of at least {100 * chance_at_least:.0f} %"
    return describe_settings(forecast, found, region=region, remarks=(note,))
