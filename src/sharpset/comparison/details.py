"""Detail budget: which full-size details a recipe forms at a modelling scale, and what must be thickened to which "
"size.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from sharpset.errors import ComparisonError

__all__ = ["DetailBudget", "budget_details"]


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
        ``thicken_to_full_size_mm``, ``times`` (how much larger), ``draw_mm`` (width to draw in CAD, growth taken off).
    """

    scale: float
    factor: float
    details: pd.DataFrame

    def summary(self) -> str:
        """Return the outcome in one line."""
        counts = self.details["forms"].value_counts()
        thick = self.details[self.details["forms"] == "no"]
        names = "; ".join(f"{r.name} ({r.kind}) to {r.thicken_to_mm:.2f} mm" for r in thick.itertuples(index=False))
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
    limits_mm: Mapping[str, float],
    scale: float,
    factor: float = 1.0,
    growth_mm: Mapping[str, float] | None = None,
    step_mm: float = 0.01,
) -> DetailBudget:
    """Hold full-size details against what a recipe forms.

    Parameters
    ----------
    details : DataFrame
        ``name, kind, full_size_mm``: what the prototype has, in mm at full size.
    limits_mm : mapping of str to float
        Smallest drawn size of each kind that forms reliably (the a90/95), in mm.
    scale : float
        Modelling scale, 24 for 1:24.
    factor : float
        Factor to print the master with, from `plan_scale_chain`.
    growth_mm : mapping of str to float, optional
        Mean deviation (measured minus drawn) of each kind's widths on this recipe, in mm; it is taken off what is
        drawn, so that a bar that grows is drawn thinner, and it is the drawn size that must form.
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
    bad = {k: v for k, v in limits_mm.items() if not v > 0}
    if bad:
        raise ComparisonError(
            f"the limit of {next(iter(bad))} is {next(iter(bad.values()))!r} mm; limits are above 0 mm."
        )
    size = pd.to_numeric(frame["full_size_mm"], errors="coerce")
    _check_details(frame, (size > 0) & (size < math.inf))
    growth = growth_mm or {}
    rows = []
    for name, kind, full in zip(frame["name"], frame["kind"].astype(str).str.strip(), size, strict=True):
        master = float(full) / scale * factor
        limit = float(limits_mm.get(kind, math.nan))
        known = math.isfinite(limit) or math.isinf(limit)
        grows = float(growth.get(kind, 0.0))
        drawn = master - grows
        # A limit at the very size counts as formed; 1e-9 mm keeps rounding out of it.
        forms = "unknown" if not known else ("yes" if drawn >= limit - 1e-9 else "no")
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
            }
        )
    table = pd.DataFrame(rows).astype({"times": np.float64})
    return DetailBudget(scale=scale, factor=factor, details=table)


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
