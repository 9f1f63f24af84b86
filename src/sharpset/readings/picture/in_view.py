"""A piece that reaches beyond the picture, or lies over another: what of it can be read, and the rest refused."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from sharpset.errors import ReadingError
from sharpset.pieces import Piece
from sharpset.readings.advice import advice_for
from sharpset.scans import LocatedPiece, Scan

__all__ = ["OUTSIDE", "OVERLAPPED", "Part", "part_in_view", "with_the_unseen"]

FloatArray = NDArray[np.float64]
OUTSIDE, OVERLAPPED = "outside the picture", "another piece lies there"
_ROOM_MM = 0.7
"""How far from the picture's border a feature must stay: windows reach half a millimetre beyond it, and a pose that is
told before the marks are fitted may be off by a pixel or two."""
_SLACK_PX = 1.5
_TOUCH_MM = 0.6
"""Pieces side by side may touch, and grow into each other's drawn outline; overlaps are larger than this."""
_LEAST_SHARE = 0.4
"""Of a piece's features: what a scan shares among features (contrast, blur, growth) wants many."""


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Part:
    """What can be seen of a piece.

    Attributes
    ----------
    piece : Piece
        With the features that are seen only; the whole piece itself where all are. Else its outline is what is seen of
        it, less a border, and openings that are features no longer are openings all the same.
    unseen : dict
        Why the others are refused, by their names.
    """

    piece: Piece
    unseen: dict[str, str]

    def remarks(self, whole: str) -> tuple[str, ...]:
        """Say what is missing; `whole` is what to do about it."""
        found = []
        n = len(self.unseen) + len(self.piece.features)
        words = {
            OUTSIDE: ("the piece reaches beyond the edge of the picture", "outside or too near to it", f". {whole}"),
            OVERLAPPED: ("pieces overlap", "where another piece lies", ". Lay them side by side and scan again."),
        }
        for reason, (what, where, advice) in words.items():
            count = list(self.unseen.values()).count(reason)
            if count:
                found.append(f"{what}: {count} of its {n} features are {where} and are refused{advice}")
        return tuple(found)


def part_in_view(scan: Scan, located: LocatedPiece, piece: Piece, others: Sequence[LocatedPiece] = ()) -> Part:
    """Return what can be seen of a piece: what lies within the picture and not where another piece lies.

    Parameters
    ----------
    scan : Scan
    located : LocatedPiece
        Its pose need only be good to a few pixels.
    piece : Piece
    others : sequence of LocatedPiece
        All that were found in the scan; the piece itself may be among them.

    Raises
    ------
    ReadingError
        If too little of it is there.
    """
    corners = located.pose.to_pixels(np.asarray(piece.outline.exterior.coords))
    last = np.array([scan.n_columns, scan.n_rows]) - 1 + _SLACK_PX
    cut = bool(np.any(corners < -_SLACK_PX) or np.any(corners > last))
    over = _overlapped(located, piece, others)
    if not cut and over.is_empty:
        return Part(piece=piece, unseen={})
    shapes = np.array(piece.feature_shapes())
    clear = _view(scan, located).buffer(-_ROOM_MM, join_style="mitre") if cut else piece.outline
    inside = shapely.contains(clear, shapes) if cut else np.ones(len(shapes), dtype=bool)
    free = ~shapely.intersects(over.buffer(_ROOM_MM), shapes)
    seen = inside & free
    outline = piece.outline.intersection(clear).difference(over.buffer(_ROOM_MM, join_style="mitre"))
    if seen.mean() < _LEAST_SHARE or outline.geom_type != "Polygon":
        what = "reaches beyond the edge of the picture" if cut else "and another one overlap"
        raise ReadingError(
            f"{scan.path}: the piece {what}, and only {int(seen.sum())} of its {len(seen)} features are seen. "
            f"{advice_for(scan).whole}"
        )
    names, kinds = (piece.features[name].to_numpy() for name in ("feature_id", "kind"))
    part = replace(
        piece,
        features=piece.features[seen].reset_index(drop=True),
        openings=(*piece.openings, *shapes[~seen & (kinds != "bar")]),
        outline=Polygon(outline.exterior.coords),
    )
    reasons = np.where(inside, OVERLAPPED, OUTSIDE)
    return Part(piece=part, unseen=dict(zip(names[~seen], reasons[~seen].tolist(), strict=True)))


def _view(scan: Scan, located: LocatedPiece) -> Polygon:
    """Return the picture's border in the piece frame."""
    right, below = scan.n_columns - 0.5, scan.n_rows - 0.5
    return Polygon(located.pose.to_piece([[-0.5, -0.5], [right, -0.5], [right, below], [-0.5, below]]))


def _overlapped(located: LocatedPiece, piece: Piece, others: Sequence[LocatedPiece]) -> BaseGeometry:
    """Return the part of a piece, in its frame, where other pieces lie as well."""
    border = np.asarray(piece.outline.exterior.coords)
    there = [Polygon(located.pose.to_piece(o.pose.to_pixels(border))) for o in others if o is not located]
    shared = [piece.outline.intersection(one) for one in there]
    return shapely.union_all([one for one in shared if not one.buffer(-_TOUCH_MM / 2).is_empty] or [Polygon()])


def with_the_unseen(table: pd.DataFrame, piece: Piece, why: Mapping[str, str]) -> pd.DataFrame:
    """Return a table of readings with a refused row for every feature that is not in it, in the piece's order.

    Parameters
    ----------
    table : pandas.DataFrame
        Readings of the part of a piece that was in view.
    piece : Piece
        The whole piece.
    why : dict
        Reasons by the names of the features that are missing.
    """
    names = piece.features["feature_id"]
    unseen = piece.features[names.isin(list(why))]
    if unseen.empty:
        return table
    first = table.iloc[0]
    rows = unseen[["feature_id", "kind", "nominal_mm", "angle_deg", "x_mm", "y_mm", "length_mm", "group"]].assign(
        **{name: first[name] for name in ("scan_id", "piece_id", "run_id")},
        formed="partly",
        confidence=0.5,
        flags=[f"refused: {why[name]}" for name in unseen["feature_id"]],
    )
    every = pd.concat([table, rows.reindex(columns=table.columns).astype(table.dtypes.to_dict())])
    return every.set_index("feature_id").loc[names].reset_index()[list(table.columns)]
