"""Which of several recipes suits a part: the detail budget of each, side by side."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import pandas as pd

from sharpset.comparison.details import budget_details
from sharpset.errors import ComparisonError
from sharpset.fits.responses import OPENINGS

__all__ = ["KnownRecipe", "RecipeMatch", "match_recipes"]


@dataclass(frozen=True, kw_only=True, slots=True)
class KnownRecipe:
    """What is known of a recipe.

    ``limits_mm``: smallest drawn size that forms reliably, ``growth_mm``: material added per side, both by kind.
    """

    name: str
    limits_mm: Mapping[str, float]
    growth_mm: Mapping[str, float]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class RecipeMatch:
    """Recipes with what they form of a part, the best first.

    Attributes
    ----------
    recipes : DataFrame
        ``name, forms, thicken, unknown`` (counts of details), ``most_times`` (by how much the worst detail must be
        enlarged; 1 where none must), ``least_spare_mm`` (of the details that form), ``lacking`` (names).
    details : DataFrame
        The budget of each: columns of :class:`sharpset.comparison.DetailBudget` and ``recipe``.
    """

    recipes: pd.DataFrame
    details: pd.DataFrame

    def summary(self) -> str:
        """Return the outcome in one line."""
        best = self.recipes.iloc[0]
        n = int(best["forms"] + best["thicken"] + best["unknown"])
        rest = f"; not as drawn: {best['lacking']}" if best["lacking"] else ""
        return f"{best['name']} forms {best['forms']} of {n} details as drawn{rest}"

    def to_frame(self) -> pd.DataFrame:
        """Return the recipes."""
        return self.recipes.copy()

    def _repr_html_(self) -> str:
        return f"<p>{self.summary()}</p>{self.recipes.to_html(index=False)}"


def match_recipes(
    details: pd.DataFrame, recipes: Sequence[KnownRecipe], *, scale: float, factor: float = 1.0
) -> RecipeMatch:
    """Hold a part's full-size details against several recipes.

    Parameters
    ----------
    details : DataFrame
        ``name, kind, full_size_mm``.
    recipes : sequence of KnownRecipe
    scale, factor : float
        As for :func:`sharpset.comparison.budget_details`.

    Returns
    -------
    RecipeMatch
        Recipes that form most come first; of equal ones that which enlarges least, then that with most to spare. A kind
        that a recipe knows no limit of counts as not formed.

    Raises
    ------
    ComparisonError
        If there is no recipe, or as for `budget_details`.
    """
    if not recipes:
        raise ComparisonError("there is no recipe to choose from. Add one, or ask for fewer conditions.")
    rows, tables = [], []
    for recipe in recipes:
        deviation = {k: (-2.0 if k in OPENINGS else 2.0) * v for k, v in recipe.growth_mm.items()}
        found = budget_details(details, limits_mm=recipe.limits_mm, scale=scale, factor=factor, growth_mm=deviation)
        table = found.details
        lacking = table[table["forms"] != "yes"]
        rows.append(
            {
                "name": recipe.name,
                "forms": int((table["forms"] == "yes").sum()),
                "thicken": int((table["forms"] == "no").sum()),
                "unknown": int((table["forms"] == "unknown").sum()),
                "most_times": float(max(table["times"].max(skipna=True), 1.0)) if table["times"].notna().any() else 1.0,
                "least_spare_mm": float(table.loc[table["forms"] == "yes", "spare_mm"].min()),
                "lacking": ", ".join(map(str, lacking["name"])),
            }
        )
        tables.append(table.assign(recipe=recipe.name))
    order = pd.DataFrame(rows).sort_values(
        ["forms", "most_times", "least_spare_mm"], ascending=[False, True, False], kind="stable"
    )
    return RecipeMatch(recipes=order.reset_index(drop=True), details=pd.concat(tables, ignore_index=True))
