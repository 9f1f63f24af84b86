"""A printed piece with its known truth."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from shapely.geometry import MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

from sharpset.errors import RehearsalError
from sharpset.pieces import Piece
from sharpset.rehearsal.behaviour import Behaviour
from sharpset.rehearsal.coverage import Sides, sides_of
from sharpset.rehearsal.edges import Strip

__all__ = ["TRUTH_COLUMNS", "PrintedPiece"]

TRUTH_COLUMNS = (
    *("run_id", "piece_id", "feature_id", "kind", "nominal_mm", "angle_deg", "formed", "present_share"),
    *("true_width_mm", "x_mm", "y_mm", "x_dev_mm", "y_dev_mm", "edge_roughness_mm", "chance_formed"),
)


@dataclass(frozen=True, kw_only=True)
class PrintedPiece:
    """One virtual print of a piece. INVENTED DATA: made by formulas, no printer was involved.

    Attributes
    ----------
    piece : Piece
    printer : str
    settings : dict of str to float
        Complete, those not given filled in.
    seed : int
    behaviour : Behaviour
        What this print did, its own scatter included.
    truth : pandas.DataFrame
        One row per feature, columns `TRUTH_COLUMNS`. `true_width_mm` is the mean width over the
        middle 80 % of a slot or bar where it is there, the diameter of a hole (twice the mean
        radius), the mean width across the middle 80 % of a square; empty where nothing formed.
        x, y: true centre in the piece frame, shrinkage about the piece's centre included.
        `formed`: yes if at least 90 % of the middle length (area for holes) is there, no at most
        10 %, else partly.
    whole : dict of str to float
        Truth of the whole piece: `growth_outline_mm`, `growth_slot_mm`, `scale_x`, `scale_y`,
        `skew`, `corner_radius_mm`.
    strips : mapping of str to Strip
        Edges of each slot and bar, before shrinkage, in its own frame.
    shell : shapely.Polygon
        Outer border in the piece frame, printed.
    voids : tuple of shapely.Polygon
        Openings in the piece frame, printed; their own openings are loose bits inside them.
    seams : tuple of shapely.Polygon
        Shallow grooves that closed slots and holes leave on the faces.
    """

    piece: Piece
    printer: str
    settings: Mapping[str, float]
    seed: int
    behaviour: Behaviour
    truth: pd.DataFrame
    whole: Mapping[str, float]
    strips: Mapping[str, Strip]
    shell: Polygon
    voids: tuple[Polygon, ...]
    seams: tuple[Polygon, ...]

    @property
    def print_time_h(self) -> float:
        """Time the print took, hours."""
        return self.behaviour.print_time_h

    @property
    def material_g(self) -> float:
        """Material it took, grams."""
        return self.behaviour.material_g

    def silhouette(self) -> BaseGeometry:
        """Return what is solid, as polygons in the piece frame."""
        self.require_shapes()
        body = Polygon(self.shell.exterior, [void.exterior for void in self.voids])
        islands = [Polygon(ring) for void in self.voids for ring in void.interiors]
        return MultiPolygon([body, *islands])

    def sides(self) -> Sides:
        """Return the directed borders of the silhouette, mm in the piece frame."""
        self.require_shapes()
        outer, inner = sides_of(self.shell).ends, sides_of(self.voids).ends
        return Sides(np.vstack((outer, inner[:, [2, 3, 0, 1]])))

    def require_shapes(self) -> None:
        """Raise `RehearsalError` if the silhouette was not drawn."""
        if self.shell.is_empty:
            raise RehearsalError(
                f"{self.printer}: this print was made without shapes; print with shapes=True to scan it."
            )

    def width_mm(self, feature_id: str, *, share: float = 0.8) -> float:
        """Return the true mean width of a slot or bar over another part of its length.

        Parameters
        ----------
        feature_id : str
        share : float
            Part of the nominal length about its middle.

        Returns
        -------
        float
            Shrinkage included; NaN where nothing formed.
        """
        strip = self.strips[feature_id]
        angle = float(self.truth.set_index("feature_id").loc[feature_id, "angle_deg"])
        return strip.width_mm(share=share) * across_scale(self.matrix(), angle)

    def matrix(self) -> NDArray[np.float64]:
        """Return the affine map (2 x 3) of shrinkage and skew about the piece's centre."""
        return shrink_matrix(self.piece, self.behaviour)

    def summary(self) -> str:
        """Return the print in one line."""
        counts = self.truth["formed"].value_counts()
        told = ", ".join(f"{counts.get(word, 0)} {word}" for word in ("yes", "partly", "no"))
        return (
            f"INVENTED print of {self.piece.piece_id} run {self.piece.run_id} by {self.printer}: formed {told}; "
            f"{self.print_time_h:.2f} h, {self.material_g:.1f} g"
        )

    def to_frame(self) -> pd.DataFrame:
        """Return a copy of the truth table."""
        return self.truth.copy()

    def _repr_html_(self) -> str:
        return f"<p>{self.summary()}</p>{self.truth.head(12).to_html(index=False)}"

    def whole_row(self) -> dict[str, Any]:
        """Return the truth of the whole piece as one row of a table."""
        return {
            "run_id": self.piece.run_id,
            "piece_id": self.piece.piece_id,
            **dict(self.settings),
            **dict(self.whole),
            "print_time_h": self.print_time_h,
            "material_g": self.material_g,
        }


def shrink_matrix(piece: Piece, behaviour: Behaviour) -> NDArray[np.float64]:
    """Return the affine map (2 x 3) that shrinks and skews about the middle of the piece."""
    centre = np.array([piece.width_mm / 2, piece.height_mm / 2])
    turn = np.array([[behaviour.scale_x, behaviour.skew], [0.0, behaviour.scale_y]])
    return np.column_stack((turn, centre - turn @ centre))


def across_scale(matrix: NDArray[np.float64], angle_deg: float) -> float:
    """Return by what the width of a strip along `angle_deg` changes under an affine map."""
    angle = math.radians(angle_deg)
    normal = np.array([-math.sin(angle), math.cos(angle)])
    return float(1 / np.linalg.norm(np.linalg.solve(matrix[:, :2].T, normal)))
