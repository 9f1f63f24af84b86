"""Columns of results that a brief asks for, as people head them: ``print time [min]``, ``Edge roughness / um``."""

from __future__ import annotations

import re

import pandas as pd

__all__ = ["with_known_names"]

_KNOWN = {
    "printtime": ("print_time_h", {"h": 1.0, "hour": 1.0, "hours": 1.0, "min": 1 / 60, "minutes": 1 / 60}),
    "edgeroughness": ("edge_roughness_mm", {"mm": 1.0, "um": 1e-3, "\u00b5m": 1e-3, "\u03bcm": 1e-3}),
}


def with_known_names(results: pd.DataFrame) -> pd.DataFrame:
    """Return results with ``print_time_h`` and ``edge_roughness_mm`` called so, in these units.

    Parameters
    ----------
    results : pandas.DataFrame

    Returns
    -------
    pandas.DataFrame
        A column is taken for one of them only where it names its unit, and where none of that name stands there.
    """
    names: dict[str, str] = {}
    factors: dict[str, float] = {}
    for column in results.columns:
        words = re.sub(r"[\s_\-/\[\]\(\)]+", " ", str(column)).strip().casefold().split(" ")
        known = _KNOWN.get("".join(words[:-1]))
        if known is None or words[-1] not in known[1] or known[0] in (*results.columns, *names.values()):
            continue
        if pd.api.types.is_numeric_dtype(results[column]):
            names[column], factors[known[0]] = known[0], known[1][words[-1]]
    table = results.rename(columns=names)
    return table.assign(**{name: table[name] * factor for name, factor in factors.items()})
