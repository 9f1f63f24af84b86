"""Things of known size that lie beside the pieces: a steel rule, a checkerboard, a gauge wire."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from shapely import affinity
from shapely.geometry import LineString, MultiPolygon, box
from shapely.geometry.base import BaseGeometry

from sharpset.errors import RehearsalError
from sharpset.rehearsal.surfaces import Speck

__all__ = ["Reference"]

_RULE_WIDTH_MM, _BOARD_BORDER_MM = 12.0, 3.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Reference:
    """A thing of known size on the glass. INVENTED like everything here: its sizes are exact.

    Attributes
    ----------
    kind : {'rule', 'board', 'wire'}
        A steel rule with engraved marks (longer ones every 5 and 10 pitches), a checkerboard of dark
        squares on a light plate, a straight bright gauge wire.
    x_mm, y_mm : float
        Its middle on the glass, mm from the picture's upper-left corner, y down.
    angle_deg : float
        Direction of its length, counter-clockwise as seen in the picture.
    length_mm : float
        Of the marked part of the rule, of the board's longer side, of the wire.
    size_mm : float
        Pitch of the marks, side of the squares, diameter of the wire.
    line_mm : float
        Width of the rule's marks.
    """

    kind: Literal["rule", "board", "wire"]
    x_mm: float
    y_mm: float
    angle_deg: float = 0.0
    length_mm: float = 40.0
    size_mm: float = 0.5
    line_mm: float = 0.1

    def __post_init__(self) -> None:
        if self.kind not in ("rule", "board", "wire"):
            raise RehearsalError(
                f"virtual scanner: reference {self.kind!r} is unknown; references are rule, board, wire."
            )
        if not (0 < self.size_mm < self.length_mm <= 1000):
            raise RehearsalError(
                f"virtual scanner: a {self.kind} needs 0 < size_mm < length_mm <= 1000, "
                f"got {self.size_mm:g} and {self.length_mm:g}."
            )

    @property
    def n_steps(self) -> int:
        """Whole pitches or squares along the length."""
        return math.floor(self.length_mm / self.size_mm + 1e-9)

    def marks_mm(self) -> NDArray[np.float64]:
        """Return the middles of the rule's marks, or the inner corners of the board, on the glass.

        Returns
        -------
        ndarray of float, shape (n, 2)
            (x, y) in mm; empty for a wire.
        """
        along = (np.arange(self.n_steps + 1) - self.n_steps / 2) * self.size_mm
        if self.kind == "wire":
            return np.empty((0, 2))
        if self.kind == "rule":
            own = np.column_stack((along, np.zeros(len(along))))
        else:
            rows = max(self.n_steps // 2, 2)
            across = (np.arange(rows + 1) - rows / 2) * self.size_mm
            own = np.array([(x, y) for y in across[1:-1] for x in along[1:-1]])
        turn = math.radians(self.angle_deg)
        cos, sin = math.cos(turn), math.sin(turn)
        return np.asarray(own @ np.array([[cos, -sin], [-sin, -cos]]) + (self.x_mm, self.y_mm), dtype=np.float64)

    def shapes(self) -> list[Speck]:
        """Return what lies on the glass, lowest first, in mm from the upper-left corner, y down."""
        maker = {"rule": self._rule, "board": self._board, "wire": self._wire}[self.kind]
        turn = math.radians(self.angle_deg)
        cos, sin = math.cos(turn), math.sin(turn)
        flat = [cos, -sin, -sin, -cos, self.x_mm, self.y_mm]
        return [
            Speck(shape=affinity.affine_transform(shape, flat), reflectance=reflectance, opacity=1.0)
            for shape, reflectance in maker()
        ]

    def bounds_mm(self) -> tuple[float, float]:
        """Return how far right and how far down it reaches."""
        corners = [shape.shape.bounds for shape in self.shapes()]
        return max(c[2] for c in corners), max(c[3] for c in corners)

    def _rule(self) -> list[tuple[BaseGeometry, float]]:
        half = self.length_mm / 2 + 4.0
        body = box(-half, -_RULE_WIDTH_MM / 2, half, _RULE_WIDTH_MM / 2)
        edge = _RULE_WIDTH_MM / 2
        marks = []
        for k in range(self.n_steps + 1):
            x = (k - self.n_steps / 2) * self.size_mm
            tall = 5.0 if k % 10 == 0 else 3.8 if k % 5 == 0 else 2.6
            marks.append(box(x - self.line_mm / 2, edge - tall, x + self.line_mm / 2, edge - 0.15))
        return [(body, 0.36), (MultiPolygon(marks), 0.05)]

    def _board(self) -> list[tuple[BaseGeometry, float]]:
        columns, rows = self.n_steps, max(self.n_steps // 2, 2)
        s = self.size_mm
        left, low = -columns * s / 2, -rows * s / 2
        border = _BOARD_BORDER_MM
        plate = box(left - border, low - border, -left + border, -low + border)
        dark = [
            box(left + c * s, low + r * s, left + (c + 1) * s, low + (r + 1) * s)
            for r in range(rows)
            for c in range(columns)
            if (r + c) % 2 == 0
        ]
        return [(plate, 0.75), (MultiPolygon(dark), 0.04)]

    def _wire(self) -> list[tuple[BaseGeometry, float]]:
        line = LineString([(-self.length_mm / 2, 0), (self.length_mm / 2, 0)])
        return [(line.buffer(self.size_mm / 2, cap_style="flat"), 0.5)]
