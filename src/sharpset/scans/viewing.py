"""From where a photograph was taken, as far as a picture made true to size keeps it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

__all__ = ["Viewing", "Viewpoint"]


class Viewpoint(NamedTuple):
    """Where a lens stood: along columns and rows from the picture's upper-left corner, and over the face."""

    x_mm: float
    y_mm: float
    height_mm: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Viewing:
    """The viewpoints of a picture that was made true to size from photographs.

    Attributes
    ----------
    points : tuple of Viewpoint
        One for each photograph that was put in.
    face_mm : float
        Height above the card of the plane that is true to size.
    """

    points: tuple[Viewpoint, ...]
    face_mm: float
