"""Readings straight from the truth, without a picture: for planning and for benchmarks."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pandas as pd

from sharpset.errors import RehearsalError
from sharpset.rehearsal.printed import PrintedPiece

__all__ = ["quick_readings"]

_COLUMNS = (
    *("scan_id", "piece_id", "run_id", "feature_id", "kind", "nominal_mm", "angle_deg", "formed", "measured_mm"),
    *("U95_mm", "deviation_mm", "x_dev_mm", "y_dev_mm", "edge_roughness_mm", "flags"),
)


def quick_readings(
    prints: PrintedPiece | Sequence[PrintedPiece],
    *,
    u_private_mm: float = 0.002,
    u_common_mm: float = 0.002,
    seed: int = 0,
) -> pd.DataFrame:
    """Return what a good scan of the prints would read, errors drawn instead of measured. INVENTED DATA.

    Parameters
    ----------
    prints : PrintedPiece or sequence of PrintedPiece
    u_private_mm : float
        Standard uncertainty of each width on its own.
    u_common_mm : float
        Standard uncertainty that all widths of one print share (edge definition, contrast).
    seed : int

    Returns
    -------
    pandas.DataFrame
        Columns of a table of readings. `U95_mm` is 1.96 times both uncertainties combined; `flags`
        says ``rehearsed``. Form is told without error.

    Raises
    ------
    RehearsalError
        If an uncertainty is negative or no number.
    """
    for name, value in (("u_private_mm", u_private_mm), ("u_common_mm", u_common_mm)):
        if not (math.isfinite(value) and value >= 0):
            raise RehearsalError(f"quick readings: {name} must be 0 or more, got {value!r}.")
    pieces = (prints,) if isinstance(prints, PrintedPiece) else tuple(prints)
    tables = [
        _of_one(printed, k, u_private_mm, u_common_mm, np.random.default_rng([seed, printed.seed, k]))
        for k, printed in enumerate(pieces)
    ]
    return pd.concat(tables, ignore_index=True) if tables else pd.DataFrame(columns=list(_COLUMNS))


def _of_one(
    printed: PrintedPiece, k: int, u_private_mm: float, u_common_mm: float, rng: np.random.Generator
) -> pd.DataFrame:
    table = printed.truth.copy()
    n = len(table)
    # Growth of openings and of bars have opposite signs where an edge is misplaced.
    sign = np.where(table["kind"] == "bar", 1.0, -1.0)
    error = sign * rng.normal(0, u_common_mm) + rng.normal(0, u_private_mm, n)
    table["scan_id"] = f"rehearsed-{printed.piece.run_id}-{k + 1}"
    table["measured_mm"] = table["true_width_mm"] + error
    table["U95_mm"] = np.where(table["measured_mm"].isna(), np.nan, 1.96 * math.hypot(u_private_mm, u_common_mm))
    table["deviation_mm"] = table["measured_mm"] - table["nominal_mm"]
    for name in ("x_dev_mm", "y_dev_mm"):
        table[name] += rng.normal(0, u_private_mm, n)
    table["flags"] = "rehearsed"
    return table[list(_COLUMNS)]
