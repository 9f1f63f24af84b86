"""A piece that reaches beyond the picture: what of it can be read, and the rest refused."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from shapely.geometry import Polygon

from sharpset.errors import ReadingError
from sharpset.pieces import Piece
from sharpset.readings.advice import advice_for
from sharpset.scans import LocatedPiece, Scan

__all__ = ["OUTSIDE", "part_in_view", "with_the_unseen"]

FloatArray = NDArray[np.float64]
OUTSIDE = "outside the picture"
_ROOM_MM = 0.7
"""How far from the picture's border a feature must stay: windows reach half a millimetre beyond it, and a pose that is
told before the marks are fitted may be off by a pixel or two."""
_SLACK_PX = 1.5
_LEAST_SHARE = 0.4
"""Of a piece's features: what a scan shares among features (contrast, blur, growth) wants many."""


def part_in_view(scan: Scan, located: LocatedPiece, piece: Piece) -> Piece:
    """Return the piece with the features that lie within the picture only.

    Parameters
    ----------
    scan : Scan
    located : LocatedPiece
        Its pose need only be good to a few pixels.
    piece : Piece

    Returns
    -------
    Piece
        The same object where all of it is in the picture. Else its outline is what is seen of it, less a border, and
        openings that are features no longer are openings all the same.

    Raises
    ------
    ReadingError
        If too little of it is there.
    """
    corners = located.pose.to_pixels(np.asarray(piece.outline.exterior.coords))
    last = np.array([scan.n_columns, scan.n_rows]) - 1 + _SLACK_PX
    if np.all(corners >= -_SLACK_PX) and np.all(corners <= last):
        return piece
    view = _view(scan, located)
    shapes = piece.feature_shapes()
    near = view.buffer(-_ROOM_MM, join_style="mitre")
    seen = np.array([near.contains(shape) for shape in shapes])
    outline = piece.outline.intersection(near)
    if seen.mean() < _LEAST_SHARE or outline.geom_type != "Polygon":
        raise ReadingError(
            f"{scan.path}: the piece reaches beyond the edge of the picture, and only {int(seen.sum())} of its "
            f"{len(seen)} features are in it. {advice_for(scan).whole}"
        )
    kinds = piece.features["kind"].to_numpy()
    open_there = [shapes[i] for i in np.flatnonzero(~seen & (kinds != "bar"))]
    return replace(
        piece,
        features=piece.features[seen].reset_index(drop=True),
        openings=(*piece.openings, *open_there),
        outline=Polygon(outline.exterior.coords),
    )


def _view(scan: Scan, located: LocatedPiece) -> Polygon:
    """Return the picture's border in the piece frame."""
    right, below = scan.n_columns - 0.5, scan.n_rows - 0.5
    return Polygon(located.pose.to_piece([[-0.5, -0.5], [right, -0.5], [right, below], [-0.5, below]]))


def with_the_unseen(table: pd.DataFrame, piece: Piece) -> pd.DataFrame:
    """Return a table of readings with a refused row for every feature that is not in it, in the piece's order.

    Parameters
    ----------
    table : pandas.DataFrame
        Readings of the part of a piece that was in view.
    piece : Piece
        The whole piece.
    """
    names = piece.features["feature_id"]
    unseen = piece.features[~names.isin(table["feature_id"])]
    if unseen.empty:
        return table
    first = table.iloc[0]
    rows = unseen[["feature_id", "kind", "nominal_mm", "angle_deg", "x_mm", "y_mm", "length_mm", "group"]].assign(
        **{name: first[name] for name in ("scan_id", "piece_id", "run_id")},
        formed="partly",
        confidence=0.5,
        flags=f"refused: {OUTSIDE}",
    )
    every = pd.concat([table, rows.reindex(columns=table.columns).astype(table.dtypes.to_dict())])
    return every.set_index("feature_id").loc[names].reset_index()[list(table.columns)]
