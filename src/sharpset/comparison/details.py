"""Detail budget: which full-size details a recipe forms at a modelling scale, and what must be thickened to what."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from sharpset.errors import ComparisonError

if TYPE_CHECKING:
    from sharpset.fits import Fit

__all__ = ["DetailBudget", "budget_details", "budget_for_fit"]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class DetailBudget:
    """What forms as drawn and what does not.

    Attributes
    ----------
    scale : float
        Modelling scale, 24 for 1:24.
    factor : float
        Master size over model size (from the scale chain), 1 without moulding.
    details : DataFrame
        ``name, kind, full_size_mm, model_mm`` (on the casting), ``master_mm`` (on the print), ``limit_mm``, ``forms``
        (yes, no, unknown), ``thicken_to_mm`` (on the print; empty where it forms), ``thicken_to_model_mm``,
        ``thicken_to_full_size_mm``, ``times`` (how much larger), ``draw_mm`` (width to draw in CAD, growth taken off),
        ``spare_mm`` (what would be drawn at the wanted size, less the limit: negative where it does not form). From a
        fit also ``chance`` (that a detail of ``draw_mm`` forms on a new print), and ``angle_deg`` if it was given.
    """

    scale: float
    factor: float
    details: pd.DataFrame

    def summary(self) -> str:
        """Return the outcome in one line."""
        counts = self.details["forms"].value_counts()
        thick = self.details[self.details["forms"] == "no"]
        names = "; ".join(f"{r.name} ({r.kind}) to {r.thicken_to_mm:.3f} mm" for r in thick.itertuples(index=False))
        return (
            f"1:{self.scale:g}: {counts.get('yes', 0)} of {len(self.details)} details form as drawn"
            + (f"; enlarge on the print: {names}" if names else "")
            + (f"; {counts['unknown']} of a kind without a limit" if "unknown" in counts else "")
        )

    def to_frame(self) -> pd.DataFrame:
        """Return the details."""
        return self.details.copy()

    def _repr_html_(self) -> str:
        return f"<p>{self.summary()}</p>{self.details.round(3).to_html(index=False)}"


def budget_details(
    details: pd.DataFrame,
    *,
    limits_mm: Mapping[str, float] | Sequence[float],
    scale: float,
    factor: float = 1.0,
    growth_mm: Mapping[str, float] | Sequence[float] | None = None,
    step_mm: float = 0.01,
) -> DetailBudget:
    """Hold full-size details against what a recipe forms.

    Parameters
    ----------
    details : DataFrame
        ``name, kind, full_size_mm``: what the prototype has, in mm at full size.
    limits_mm : mapping of str to float, or sequence of float
        Smallest drawn size of each kind, or of each detail, that forms reliably (the a90/95), in mm.
    scale : float
        Modelling scale, 24 for 1:24.
    factor : float
        Factor to print the master with, from `plan_scale_chain`.
    growth_mm : mapping of str to float, or sequence of float, optional
        Mean deviation (measured minus drawn) of widths of each kind, or of each detail, on this recipe, in mm; it is
        taken off what is drawn, so that a bar that grows is drawn thinner, and it is the drawn size that must form.
    step_mm : float
        Sizes to thicken to are rounded up to a multiple of this.

    Returns
    -------
    DetailBudget

    Raises
    ------
    ComparisonError
        If columns are missing, or a size, the scale or a limit is not above 0.
    """
    frame = details.rename(columns=lambda c: str(c).strip())
    missing = [c for c in ("name", "kind", "full_size_mm") if c not in frame]
    if missing:
        raise ComparisonError(
            f"the details lack the column {missing[0]}. Columns are name, kind, full_size_mm (mm at full size)."
        )
    if not (scale >= 1 and math.isfinite(scale)):
        raise ComparisonError(f"the scale is {scale!r}; give the modelling scale as a number, 24 for 1:24.")
    if not (factor > 0 and step_mm > 0):
        raise ComparisonError(f"factor {factor!r} and step {step_mm!r} mm must be above 0.")
    size = pd.to_numeric(frame["full_size_mm"], errors="coerce")
    _check_details(frame, (size > 0) & (size < math.inf))
    kinds = frame["kind"].astype(str).str.strip()
    limits = _by_detail(limits_mm, kinds, math.nan)
    growth = _by_detail(growth_mm or {}, kinds, 0.0)
    for kind, limit in zip(kinds, limits, strict=True):
        if not (limit > 0 or math.isnan(limit)):
            raise ComparisonError(f"the limit of {kind} is {limit!r} mm; limits are above 0 mm.")
    rows = []
    for name, kind, full, limit, grows in zip(frame["name"], kinds, size, limits, growth, strict=True):
        master = float(full) / scale * factor
        known = not math.isnan(limit)
        drawn = master - grows
        # A limit at the very size counts as formed; 1e-9 mm keeps rounding out of it.
        forms = "unknown" if not known else ("yes" if drawn >= limit - 1e-9 else "no")
        spare = drawn - limit if math.isfinite(limit) else math.nan
        if forms == "no":
            drawn = math.ceil(limit / step_mm - 1e-6) * step_mm if math.isfinite(limit) else math.nan
        to = drawn + grows if forms == "no" else math.nan
        rows.append(
            {
                "name": name,
                "kind": kind,
                "full_size_mm": float(full),
                "model_mm": float(full) / scale,
                "master_mm": master,
                "limit_mm": limit,
                "forms": forms,
                "thicken_to_mm": to,
                "thicken_to_model_mm": to / factor,
                "thicken_to_full_size_mm": to / factor * scale,
                "times": to / master,
                "draw_mm": drawn,
                "spare_mm": spare,
            }
        )
    table = pd.DataFrame(rows).astype({"times": np.float64})
    return DetailBudget(scale=scale, factor=factor, details=table)


def _by_detail(values: Mapping[str, float] | Sequence[float], kinds: pd.Series[str], missing: float) -> list[float]:
    """Return a value for each detail, by its kind or one by one."""
    if isinstance(values, Mapping):
        return [float(values.get(kind, missing)) for kind in kinds]
    return [float(value) for value in values]


def budget_for_fit(details: pd.DataFrame, fit: Fit, *, scale: float, factor: float = 1.0) -> DetailBudget:
    """Hold full-size details against what a fit's recommended settings form.

    Parameters
    ----------
    details : DataFrame
        ``name, kind, full_size_mm``, and ``angle_deg`` where a strip's direction is known (along it, on the plate as
        the test piece lay; empty for round details and for strips that may run any way).
    fit : Fit
    scale, factor : float
        As for `budget_details`.

    Returns
    -------
    DetailBudget
        Limits, growth at each detail's size and chances are the fit's; limits are those of the direction
        where directions are clearly apart, and of the worst one for a strip without a direction.

    Raises
    ------
    ComparisonError
        If the fit recommends no settings, or as for `budget_details`.
    """
    if fit.best is None or fit.brief is None:
        raise ComparisonError("the fit recommends no settings. Fit again with --brief.")
    plain = budget_details(details, limits_mm={}, scale=scale, factor=factor).details
    turns = pd.to_numeric(details["angle_deg"], errors="coerce") if "angle_deg" in details else plain["limit_mm"]
    if "angle_deg" in details:
        written = details["angle_deg"].notna() & (details["angle_deg"].astype(str).str.strip() != "")
        odd = written & turns.isna()
        if odd.any():
            raise ComparisonError(
                f"the detail {details.loc[odd, 'name'].iloc[0]}: angle_deg is "
                f"{str(details.loc[odd, 'angle_deg'].iloc[0])!r}; give degrees, or leave it empty."
            )
    angles = turns.to_numpy(dtype=float)
    limits, growth = [], []
    for kind, master, angle in zip(plain["kind"], plain["master_mm"], angles, strict=True):
        limit, grows = _limit_and_growth(fit, str(kind), float(master), float(angle))
        limits.append(limit)
        growth.append(grows)
    budget = budget_details(details, limits_mm=limits, scale=scale, factor=factor, growth_mm=growth)
    table = budget.details
    settings = fit.best.frame
    table["chance"] = [
        float(fit.formed[kind].chance(size, settings)[0]) if kind in fit.formed and size > 0 else math.nan
        for kind, size in zip(table["kind"], table["draw_mm"], strict=True)
    ]
    if "angle_deg" in details:
        table.insert(2, "angle_deg", angles)
    return replace(budget, details=table)


def _limit_and_growth(fit: Fit, kind: str, master_mm: float, angle_deg: float) -> tuple[float, float]:
    """Return the limit and the mean deviation of widths of one detail, mm; NaN for a limit that was not measured."""
    from sharpset.fits.responses import OPENINGS

    assert fit.best is not None
    assert fit.brief is not None
    if kind not in fit.formed:
        return math.nan, 0.0
    limit = float(fit.best.limits.set_index("kind")["a90_95_mm"][kind])
    wanted = fit.brief.model_copy(update={"smallest_mm": {kind: master_mm}})
    grown = float(fit.forecast(wanted).growth(kind, fit.best.frame)[0])
    if len(fit.directions):
        own = fit.directions[(fit.directions["kind"] == kind) & (fit.directions["clear"] != "none")]
        same = own[np.abs((own["angle_deg"] - angle_deg + 90.0) % 180.0 - 90.0) < 1.0]
        if len(own):
            row = same.iloc[0] if len(same) else own.loc[own["limit_mm"].idxmax()]
            limit = float(row["limit_mm"])
            grown += float(row["growth_apart_mm"]) if "growth" in str(row["clear"]) else 0.0
    return limit, (-2.0 if kind in OPENINGS else 2.0) * grown


def _check_details(frame: pd.DataFrame, sound: pd.Series[bool]) -> None:
    """Refuse details without a size and two of one name and kind."""
    if not sound.all():
        row = int((~sound).to_numpy().argmax())
        raise ComparisonError(
            f"row {row + 1} of the details, {frame['name'].iloc[row]}: full_size_mm is "
            f"{str(frame['full_size_mm'].iloc[row])!r}; it must be a size above 0 mm at full size. Mend the row."
        )
    twice = frame.duplicated(["name", "kind"])
    if twice.any():
        first = frame.loc[twice].iloc[0]
        raise ComparisonError(
            f"the details name {first['name']} ({first['kind']}) twice. Give each detail a name of its own."
        )
