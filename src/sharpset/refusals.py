"""Refused readings: what they say of a feature all the same.

A reading that was refused has no size. Whether the feature formed is another question. What is dim beside others of
its size is closed, or thinned, in part, and what lies beside its place came off: neither is whole, and to leave them
out would make limits better than they are. Where the size alone is too unsure, as mostly that of what formed in part,
what was seen of the feature still stands. Behind glare, dirt, a seam or uneven light nothing is known.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["NOT_WHOLE", "refusal", "says_nothing"]

NOT_WHOLE = ("dim", "askew", "unsure")
"""Reasons of a refusal that leave standing what was seen: ``partly`` or ``no``, and so not fully formed."""


def refusal(flags: Any) -> str:
    """Return why a reading was refused, '' where it was not.

    Parameters
    ----------
    flags : str or missing
        A cell of the column ``flags`` of a table of readings.
    """
    found = re.search(r"refused: *([^;]+)", flags) if isinstance(flags, str) else None
    return found[1].strip() if found else ""


def says_nothing(flags: pd.Series[Any]) -> pd.Series[bool]:
    """Return which readings tell nothing of their features, not even whether they formed.

    Parameters
    ----------
    flags : Series of str
        The column ``flags`` of a table of readings.

    Returns
    -------
    Series of bool
        True where a reading was refused for a reason that is not among `NOT_WHOLE`.
    """
    return flags.map(refusal).map(lambda reason: reason != "" and reason not in NOT_WHOLE).astype(bool)
