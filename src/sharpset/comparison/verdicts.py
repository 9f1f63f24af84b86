"""Numbers into words: which printer forms it, which is truer, what is not yet decided."""

from __future__ import annotations

import math
from typing import Any

import pandas as pd

__all__ = ["OPEN", "forms_words", "measure_words", "truer_words", "verdict_words"]

OPEN = "not yet decided"
"""Said wherever the prints at hand cannot decide."""

Labels = tuple[str, str]


def measure_words(row: Any, *, labels: Labels, alpha: float) -> str:
    """Return the verdict on one row of the table by kind."""
    p = float(row["p_adjusted"])
    if not math.isfinite(p):
        return OPEN
    if p >= alpha:
        return "no difference shown"
    neutral = 1.0 if row["unit"] == "ratio" else 0.0
    less = labels[0] if row["difference"] < neutral else labels[1]
    words = {
        "size that half form": f"{less} forms smaller details",
        "spread within a print": f"{less} more even within a print",
        "edge roughness": f"{less} has the smoother edges",
    }
    return words[str(row["measure"])]


def _stands(size: float, low: float, high: float) -> str:
    if math.isfinite(high) and size >= high:
        return "yes"
    return "no" if math.isfinite(low) and size < low else "open"


def forms_words(
    sizes: pd.DataFrame, limits: pd.DataFrame, kinds: pd.DataFrame, *, labels: Labels, alpha: float
) -> list[str]:
    """Return for each size which printer forms it: ``both``, ``only X``, ``neither``, one of them, or not yet decided.

    A printer forms a size that is at or above the upper bound of its limit (a90/95) and does not form one below the
    lower bound. One printer alone is named only where the formed sizes of the kind differ in the family of all tests.
    """
    limit = limits.set_index("kind")
    tests = kinds[kinds["measure"] == "size that half form"].set_index("kind")["p_adjusted"]
    out = []
    for row in sizes.itertuples():
        bounds = limit.loc[row.kind]
        size = float(row.nominal_mm)
        if math.isnan(size):
            out.append(_smaller(kinds, row.kind, labels=labels, alpha=alpha))
            continue
        a = _stands(size, bounds["a90_a_low_mm"], bounds["a90_a_high_mm"])
        b = _stands(size, bounds["a90_b_low_mm"], bounds["a90_b_high_mm"])
        differ = float(tests.get(row.kind, math.nan)) < alpha
        if (a, b) == ("yes", "yes"):
            out.append("both")
        elif (a, b) == ("no", "no"):
            out.append("neither")
        elif differ and (a, b) == ("yes", "no"):
            out.append(f"only {labels[0]}")
        elif differ and (a, b) == ("no", "yes"):
            out.append(f"only {labels[1]}")
        else:
            out.append(_half_open(a, b, labels))
    return out


def _half_open(a: str, b: str, labels: Labels) -> str:
    """Say what is known of one printer while the other is open, or while the difference is not yet shown."""
    known = [
        f"{label} {'forms' if s == 'yes' else 'does not form'} it"
        for s, label in zip((a, b), labels, strict=True)
        if s != "open"
    ]
    left = [label for s, label in zip((a, b), labels, strict=True) if s == "open"]
    if len(known) == 1:
        return f"{known[0]}, {left[0]} {OPEN}"
    return OPEN


def _smaller(kinds: pd.DataFrame, kind: str, *, labels: Labels, alpha: float) -> str:
    """Say for a kind as a whole who forms smaller details."""
    test = kinds[(kinds["kind"] == kind) & (kinds["measure"] == "size that half form")]
    if test.empty or not float(test["p_adjusted"].iloc[0]) < alpha:
        return OPEN
    return f"{labels[0] if float(test['difference'].iloc[0]) < 1 else labels[1]} forms smaller details"


def truer_words(sizes: pd.DataFrame, *, labels: Labels, alpha: float) -> list[str]:
    """Return for each size which printer is truer, ``equal within the tolerance``, ``different`` or not yet decided."""
    out = []
    for row in sizes.itertuples():
        if row.p_truer_adjusted < alpha and row.p_adjusted < alpha:
            out.append(labels[0] if abs(row.bias_a_mm) < abs(row.bias_b_mm) else labels[1])
        elif row.p_equal_adjusted < alpha:
            out.append("equal within the tolerance")
        elif row.p_adjusted < alpha:
            out.append("different, neither shown truer")
        else:
            out.append(OPEN)
    return out


def verdict_words(sizes: pd.DataFrame, *, labels: Labels, tolerance_mm: float) -> list[str]:
    """Return the verdict on each size as one phrase."""
    return [_sentence(row, labels=labels, tolerance_mm=tolerance_mm) for row in sizes.itertuples()]


def _sentence(row: Any, *, labels: Labels, tolerance_mm: float) -> str:
    parts: list[str] = []
    if row.forms.startswith("only"):
        parts.append(f"{row.forms} forms it")
    elif row.forms in ("both", "neither"):
        parts.append(f"{row.forms} form{'s' if row.forms == 'neither' else ''} it")
    elif row.forms != OPEN:
        parts.append(str(row.forms) + _more(row.more_prints_to_form))
    else:
        said = "who forms it is open" if math.isfinite(row.nominal_mm) else "who forms smaller details is open"
        parts.append(said + _more(row.more_prints_to_form))
    if math.isnan(row.difference_mm):
        parts.append("too few formed to compare widths")
        return "; ".join(parts)
    gain = abs(abs(row.bias_a_mm) - abs(row.bias_b_mm))
    if row.truer in labels:
        within = " (both within the tolerance of each other)" if row.p_equal_adjusted < 0.05 else ""
        parts.append(f"{row.truer} truer by {gain:.3f} mm{within}")
    elif row.truer.startswith("equal"):
        parts.append(f"widths equal within {tolerance_mm:g} mm")
    elif row.truer.startswith("different"):
        parts.append(f"widths differ by {abs(row.difference_mm):.3f} mm, neither shown truer")
    else:
        parts.append("widths not yet decided" + _more(row.more_prints))
    return "; ".join(parts)


def _more(n: float) -> str:
    if math.isnan(n) or n == 0:
        return ""
    if math.isinf(n):
        return " and more prints will hardly tell"
    return f", about {n:.0f} more print{'s' if n > 1 else ''} of each"
