"""Numbers typed by hand that look like slips of the pen: a decimal point in the wrong place."""

from __future__ import annotations

import numpy as np
import pandas as pd

__all__ = ["slips_of_the_point"]

_CLEAR = 3.0
"""How many times beyond the next value a number must stand: results of one plan rarely leave a gap as wide."""
_FEWEST, _NEAR = 5, 1.5


def slips_of_the_point(runs: pd.DataFrame, name: str) -> list[str]:
    """Say which values stand apart from all others by about ten times.

    Parameters
    ----------
    runs : pandas.DataFrame
        With ``run_id`` and the response.
    name : str
        Column of the response.

    Returns
    -------
    list of str
        A sentence a value; none where there are fewer than five values or any is not above nought.

    Notes
    -----
    A value is named if it is more than three times beyond the next one and would lie among the others with its point
    moved by one place. Values are used as they are: only the maker knows.
    """
    values = pd.to_numeric(runs[name], errors="coerce")
    known = values.dropna().to_numpy(dtype=float)
    if len(known) < _FEWEST or not np.all(np.isfinite(known) & (known > 0)):
        return []
    low, *_, high = np.sort(known)
    found = []
    for end, moved in ((high, high / 10.0), (low, low * 10.0)):
        others = np.delete(known, int(np.flatnonzero(known == end)[0]))
        beyond = end / others.max() if end == high else others.min() / end
        if beyond > _CLEAR and others.min() / _NEAR <= moved <= _NEAR * others.max():
            run = runs.loc[values == end, "run_id"].iloc[0]
            found.append(
                f"{name}: {end:.6g} of run {run} stands apart, {moved:.6g} would lie among the others; check the "
                "decimal point"
            )
    return found
