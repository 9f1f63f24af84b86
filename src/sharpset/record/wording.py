"""Numbers as a maker reads them: no more digits than a setting or an interval supports.

The record keeps every value whole; only what is printed on cards and sheets is rounded.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from decimal import Decimal
from typing import Any

__all__ = ["in_words", "interval_text", "plain_name", "setting_text"]

# Decimals to which machines and slicers take a setting (common practice, no source).
_DECIMALS = {
    "mm": 3,
    "um": 0,
    "mm/s": 1,
    "mm/s2": 0,
    "mm/min": 0,
    "%": 0,
    "s": 2,
    "min": 1,
    "h": 2,
    "g": 1,
    "C": 0,
    "degC": 0,
    "\u00b0C": 0,
    "deg": 1,
    "mJ/cm2": 2,
    "mW/cm2": 2,
}
_ENDINGS = {
    "mm_s2": "mm/s2",
    "mm_s": "mm/s",
    "mm_min": "mm/min",
    "mj_cm2": "mJ/cm2",
    "mw_cm2": "mW/cm2",
    "percent": "%",
    "pct": "%",
    "deg": "deg",
    "degc": "degC",
    "mm": "mm",
    "um": "um",
    "min": "min",
    "s": "s",
    "h": "h",
    "g": "g",
    "c": "C",
}
_TYPED_DIGITS = 6


def in_words(value: Any) -> str:
    """Return a field's value as text for people."""
    if isinstance(value, Mapping):
        if "predicted" in value:
            return interval_text(value)
        return ", ".join(f"{key} {in_words(part)}" for key, part in value.items())
    if isinstance(value, list | tuple):
        return ", ".join(in_words(part) for part in value)
    if isinstance(value, bool):
        return "yes" if value else "no"
    return f"{value:.6g}" if isinstance(value, float) else str(value)


def plain_name(name: str) -> tuple[str, str]:
    """Return a field's name as words, and the unit that its ending names; empty where it names none."""
    for ending, unit in _ENDINGS.items():
        if name.lower().endswith(f"_{ending}"):
            return name[: -len(ending) - 1].replace("_", " "), unit
    return name.replace("_", " "), ""


def _digits(value: float) -> int:
    return len(Decimal(repr(value)).normalize().as_tuple().digits)


def setting_text(name: str, value: Any, *, unit: str = "") -> str:
    """Return a setting as text with its unit.

    Parameters
    ----------
    name : str
        A unit at its end (``layer_height_mm``) counts where none is given.
    value : object
        Numbers that somebody typed (up to six digits) stay as they are; computed ones are rounded to what
        the unit supports, else to four digits.
    unit : str
    """
    known = unit or plain_name(name)[1]
    text = in_words(value)
    if isinstance(value, float) and math.isfinite(value) and _digits(value) > _TYPED_DIGITS:
        text = f"{value:.4g}"
        if known in _DECIMALS and abs(value) >= 0.5 * 10.0 ** -_DECIMALS[known]:
            text = f"{value:.{_DECIMALS[known]}f}"
    return f"{text} {unit}".strip()


def interval_text(row: Mapping[str, Any], *, unit: str = "") -> str:
    """Return a value with its interval, rounded to two digits of the interval's half-width.

    Parameters
    ----------
    row : mapping
        ``predicted``, and ``low`` and ``high`` where known.
    unit : str
    """
    value, low, high = (row.get(name) for name in ("predicted", "low", "high"))
    if not isinstance(value, int | float):
        return in_words(value)
    if not (isinstance(low, int | float) and isinstance(high, int | float) and high > low):
        return f"{value:.3g} {unit}".strip()
    places = max(0, 1 - math.floor(math.log10((high - low) / 2)))
    return f"{value:.{places}f} {unit}".strip() + f" ({low:.{places}f} to {high:.{places}f})"
