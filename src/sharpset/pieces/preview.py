"""A picture of a piece: what is where, in mm."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.patches import PathPatch
from matplotlib.path import Path as DrawnPath
from shapely.geometry.polygon import orient

from sharpset.files import whole_file
from sharpset.pieces.model import Piece

__all__ = ["draw_piece", "write_preview"]

_PLASTIC = "#c9b79c"


def draw_piece(piece: Piece) -> Figure:
    """Return a figure of the piece seen from above, its blocks labelled with their sizes."""
    figure = Figure(figsize=(9.0, 9.0 * piece.height_mm / piece.width_mm + 0.9), dpi=110, layout="constrained")
    FigureCanvasAgg(figure)
    axes = figure.add_subplot()
    shape = orient(piece.silhouette())
    rings = [shape.exterior, *shape.interiors]
    path = DrawnPath.make_compound_path(*(DrawnPath(np.asarray(ring.coords), closed=True) for ring in rings))
    axes.add_patch(PathPatch(path, facecolor=_PLASTIC, edgecolor="#5b4a33", linewidth=0.4))
    for row in piece.features.itertuples():
        if row.group in ("holes",) or row.group.startswith(("slots", "bars")):
            colour = {"slot": "#1f5f8b", "bar": "#8b2f1f", "hole": "#2f6b2f"}[row.kind]
            axes.plot(row.x_mm, row.y_mm, marker=".", markersize=2.2, color=colour, linestyle="none")
    for kind, colour in (("slot", "#1f5f8b"), ("bar", "#8b2f1f"), ("hole", "#2f6b2f")):
        sizes = piece.parameters.get("ladders_mm", {}).get(kind, [])
        text = f"{kind}s " + " ".join(f"{size:g}" for size in sizes) + " mm"
        axes.plot([], [], marker=".", color=colour, linestyle="none", label=text)
    axes.set_aspect("equal")
    axes.set_xlim(-1, piece.width_mm + 1)
    axes.set_ylim(-1, piece.height_mm + 1)
    axes.set_xlabel("x / mm")
    axes.set_ylabel("y / mm")
    axes.set_title(
        f"{piece.piece_id}, run {piece.run_id}: {piece.width_mm:g} x {piece.height_mm:g} x {piece.thickness_mm:g} mm",
        fontsize=10,
    )
    axes.legend(loc="upper center", bbox_to_anchor=(0.5, -0.07), fontsize=8, frameon=False, ncols=1)
    return figure


def write_preview(piece: Piece, path: Path) -> None:
    """Write the picture as PNG."""
    with whole_file(path) as place:
        draw_piece(piece).savefig(place, format="png", metadata={"Software": None})
