"""The budget of one reading, and the uncertainty of the difference of two."""

from __future__ import annotations

import html
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sharpset.errors import ReadingError
from sharpset.readings.uncertainty.contributions import CONTRIBUTION_COLUMNS, LINES
from sharpset.readings.uncertainty.one_error import one_error

__all__ = ["BUDGET_COLUMNS", "FeatureBudget", "budget_of", "difference"]

BUDGET_COLUMNS = ("scan_id", "run_id", *CONTRIBUTION_COLUMNS)
"""Columns of the long table of budgets; ``shared`` is 'no', 'scan' or 'scanner'."""
_NEEDED = ("scan_id", "feature_id", "measured_mm", "u_private_mm", "u_common_mm")
_K = 1.959964
FloatArray = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class FeatureBudget:
    """The uncertainty of one reading by its causes.

    Attributes
    ----------
    scan_id, run_id, feature_id : str
    measured_mm : float
    u_private_mm, u_common_mm : float
        Combined standard uncertainty of what the feature has for itself, and of what the whole scan shares.
    U95_mm : float
        Half-width of the 95 % interval.
    lines : pandas.DataFrame
        ``line, u_mm, shared, sign``, largest first.
    """

    scan_id: str
    run_id: str
    feature_id: str
    measured_mm: float
    u_private_mm: float
    u_common_mm: float
    U95_mm: float
    lines: pd.DataFrame

    def summary(self) -> str:
        """Return the reading and what leads its uncertainty in one line."""
        leading = self.lines.head(3)
        words = ", ".join(f"{row.line} {1000 * row.u_mm:.2f} um" for row in leading.itertuples())
        return f"{self.feature_id}: {self.measured_mm:.4f} +- {self.U95_mm:.4f} mm (95 %); mostly {words}"

    def to_frame(self) -> pd.DataFrame:
        """Return one row a line: standard uncertainty, what shares it, its share of the variance, its meaning."""
        square = self.lines["u_mm"] ** 2
        return self.lines.assign(
            share_of_variance=square / square.sum() if square.sum() > 0 else np.nan,
            meaning=self.lines["line"].map(LINES),
        )

    def _repr_html_(self) -> str:
        table = self.to_frame().assign(u_um=lambda t: (1000 * t["u_mm"]).round(3))
        table["share_of_variance"] = (100 * table["share_of_variance"]).round(1).astype(str) + " %"
        shown = table[["line", "u_um", "shared", "share_of_variance", "meaning"]]
        return f"<p>{html.escape(self.summary())}</p>{shown.to_html(index=False)}"


def budget_of(readings: pd.DataFrame, lines: pd.DataFrame, feature_id: str) -> FeatureBudget:
    """Return the budget of one feature of one piece.

    Parameters
    ----------
    readings : pandas.DataFrame
        Table of one piece in one scan.
    lines : pandas.DataFrame
        Lines of its features.
    feature_id : str

    Raises
    ------
    ReadingError
        If the piece has no such feature, or nothing formed there.
    """
    found = readings[readings["feature_id"] == feature_id]
    if found.empty:
        some = ", ".join(readings["feature_id"].head(3))
        raise ReadingError(f"feature {feature_id!r} is not on this piece. Its features are {some} and so on.")
    row = found.iloc[0]
    if pd.isna(row["measured_mm"]):
        raise ReadingError(f"feature {feature_id} has no measured size (formed: {row['formed']}), so it has no budget.")
    own = lines.loc[lines["feature_id"] == feature_id, ["line", "u_mm", "shared", "sign"]]
    return FeatureBudget(
        scan_id=str(row["scan_id"]),
        run_id=str(row["run_id"]),
        feature_id=feature_id,
        measured_mm=float(row["measured_mm"]),
        u_private_mm=float(row["u_private_mm"]),
        u_common_mm=float(row["u_common_mm"]),
        U95_mm=float(row["U95_mm"]),
        lines=own.sort_values("u_mm", ascending=False, kind="stable").reset_index(drop=True),
    )


def difference(
    a: pd.DataFrame,
    b: pd.DataFrame,
    *,
    on: Sequence[str] | None = ("feature_id",),
    lines: pd.DataFrame | None = None,
    same_scanner: bool = False,
    same_piece: bool = False,
) -> pd.DataFrame:
    """Return the differences a - b of readings with their uncertainty.

    Parameters
    ----------
    a, b : pandas.DataFrame
        Tables of readings: of two scans, of two printers, or two selections from one scan.
    on : sequence of str or None
        Columns by which rows are paired; None pairs them in the order in which they stand.
    lines : pandas.DataFrame, optional
        The table of budgets that belongs to them (``NAME_budget.csv``); without it what is shared is
        taken to be in proportion to ``u_common_mm`` and of one direction.
    same_scanner : bool
        Whether both were scanned by one scanner with the same settings: its scale, its lamp, its transfer curve and the
        shape of its edges are then the same errors.
    same_piece : bool
        Whether both show one piece: what was not sampled of its rough edges is then the same in both. Needs `lines`.

    Returns
    -------
    pandas.DataFrame
        ``feature_id, feature_id_b, difference_mm, u_private_mm, u_common_mm, U95_mm``. Private parts add as
        squares; what both readings share cancels as far as it is equal; what two scans have each for itself adds.
        Where two scans of one scanner took different shifts off for one and the same error, which the lines tell, the
        difference is that of sizes from which the same was taken off.

    Raises
    ------
    ReadingError
        If a column is missing or, with `on` None, the tables differ in length.
    """
    for name, table in (("a", a), ("b", b)):
        missing = [column for column in _NEEDED if column not in table]
        if missing:
            raise ReadingError(f"table {name}: column {missing[0]} is missing; tables of 'sharpset read' have it.")
    pairs = _paired(a, b, on)
    apart = np.zeros(len(pairs))
    if lines is None:
        together = pairs["scan_id"] == pairs["scan_id_b"]
        both = np.where(
            together | same_scanner,
            np.abs(pairs["u_common_mm"] - pairs["u_common_mm_b"]),
            np.hypot(pairs["u_common_mm"], pairs["u_common_mm_b"]),
        )
    else:
        both, apart = _shared(pairs, lines, same_scanner)
    private = np.hypot(pairs["u_private_mm"], pairs["u_private_mm_b"]).to_numpy(float)
    if same_piece and lines is not None:
        private = np.sqrt(np.maximum(private**2 - 2 * _of_piece(pairs, lines), 0.0))
    return pd.DataFrame(
        {
            "feature_id": pairs["feature_id"],
            "feature_id_b": pairs["feature_id_b"] if "feature_id_b" in pairs else pairs["feature_id"],
            "difference_mm": pairs["measured_mm"] - pairs["measured_mm_b"] + apart,
            "u_private_mm": private,
            "u_common_mm": both,
            "U95_mm": _K * np.hypot(private, both),
        }
    )


def _paired(a: pd.DataFrame, b: pd.DataFrame, on: Sequence[str] | None) -> pd.DataFrame:
    if on is not None:
        return a.merge(b, on=list(on), suffixes=("", "_b"))
    if len(a) != len(b):
        raise ReadingError(f"{len(a)} rows cannot be paired with {len(b)} in order. Give columns to pair them by.")
    return pd.concat([a.reset_index(drop=True), b.reset_index(drop=True).add_suffix("_b")], axis=1)


def _of_piece(pairs: pd.DataFrame, lines: pd.DataFrame) -> FloatArray:
    """Return the covariance of both readings of each pair by what was not sampled of the piece's edges."""
    own = lines[(lines["line"] == "roughness") & (lines["shared"] == "no")]
    u = np.sqrt((own["u_mm"] ** 2).groupby([own["scan_id"], own["feature_id"]]).sum())
    one, two = (
        u.reindex(pd.MultiIndex.from_arrays([pairs[f"scan_id{end}"], pairs["feature_id"]])).fillna(0.0).to_numpy()
        for end in ("", "_b")
    )
    return np.asarray(one * two)


def _shared(pairs: pd.DataFrame, lines: pd.DataFrame, same_scanner: bool) -> tuple[FloatArray, FloatArray]:
    """Combine the signed lines that the two readings of each pair share or have apart.

    Returns their standard uncertainty, and what the differences are off by as the scans took off different shifts.
    """
    common = lines[lines["shared"] != "no"]
    known = [name for name in ("u_error", "taken") if name in common]
    wide = (
        common.assign(effect=common["sign"] * common["u_mm"])
        .pivot_table(
            index=["scan_id", "feature_id"],
            columns=["line", "shared"],
            values=["effect", *known],
            aggfunc={"effect": "sum"} | dict.fromkeys(known, "first"),
        )
        .astype(float)
    )
    other = pairs["feature_id_b"] if "feature_id_b" in pairs else pairs["feature_id"]
    first = wide.reindex(pd.MultiIndex.from_arrays([pairs["scan_id"], pairs["feature_id"]]))
    second = wide.reindex(pd.MultiIndex.from_arrays([pairs["scan_id_b"], other]))
    together = (pairs["scan_id"] == pairs["scan_id_b"]).to_numpy()
    square, apart = np.zeros(len(pairs)), np.zeros(len(pairs))
    for line, shared in wide["effect"].columns:
        effect = np.stack([np.nan_to_num(part["effect", line, shared].to_numpy()) for part in (first, second)])
        one, two = effect
        of_scanner = shared == "scanner" and same_scanner
        own = np.where(together | of_scanner, (one - two) ** 2, one**2 + two**2)
        if of_scanner and len(known) == 2:
            u, taken = (
                np.stack([part[name, line, shared].to_numpy() for part in (first, second)])
                if (name, line, shared) in wide
                else np.full(effect.shape, np.nan)
                for name in known
            )
            told = np.isfinite(u).all(axis=0) & ~together
            is_one, u_one, beyond = one_error(str(line), u, taken)
            per_error = effect / np.where(is_one, u, 1.0)
            own = np.where(told & ~is_one, one**2 + two**2, own)
            own = np.where(told & is_one, ((per_error[0] - per_error[1]) * np.nan_to_num(u_one)) ** 2, own)
            apart += np.where(told & is_one, per_error[0] * beyond[0] - per_error[1] * beyond[1], 0.0)
        square += own
    # Readings without lines have no known uncertainty.
    nothing = first["effect"].isna().all(axis=1).to_numpy() | second["effect"].isna().all(axis=1).to_numpy()
    return np.where(nothing, np.nan, np.sqrt(square)), apart
