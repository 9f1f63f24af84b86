"""A note in a TIFF's description: how good the resolution is that the file states, and from where it was seen."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any

from sharpset.scans.tags import Density
from sharpset.scans.viewing import Viewing, Viewpoint

__all__ = ["ScaleNote", "read_note", "write_note"]

_KIND = "sharpset scale"


_ROUNDED_DPI = 0.012
"""Resolutions in tags that lie within 0.01 of a whole number are taken for that number."""


@dataclass(frozen=True, kw_only=True, slots=True)
class ScaleNote:
    """What a rectified photograph says about its scale.

    Attributes
    ----------
    pixel_mm : float
        Pixel size that the note belongs to.
    u_scale : float
        Its relative standard uncertainty.
    viewing : Viewing or None
        From where the photographs were taken; None in notes that do not say.
    """

    pixel_mm: float
    u_scale: float
    viewing: Viewing | None = None

    def fits(self, density: Density) -> bool:
        """Whether the resolution is still the one the note was written for (not that of a resized copy)."""
        return all(abs(dpi - 25.4 / self.pixel_mm) < _ROUNDED_DPI for dpi in (density.x_dpi, density.y_dpi))


def write_note(note: ScaleNote) -> str:
    """The text of a note."""
    data: dict[str, Any] = {"kind": _KIND, "pixel_mm": note.pixel_mm, "u_scale": note.u_scale}
    if note.viewing is not None:
        data["viewpoints_mm"] = [[round(value, 3) for value in point] for point in note.viewing.points]
        data["face_mm"] = note.viewing.face_mm
        data["u_height"] = round(note.viewing.u_height, 4)
        data["nearest"] = note.viewing.is_nearest
        data["linear"] = note.viewing.is_linear
        data["rulers"] = note.viewing.has_rulers
        if note.viewing.u_tones is not None:
            data["u_tones"] = round(note.viewing.u_tones, 4)
    return json.dumps(data)


def read_note(text: object) -> ScaleNote | None:
    """The note in a description, None where it is another text."""
    if not isinstance(text, str) or _KIND not in text:
        return None
    try:
        data = json.loads(text)
        viewing = None
        if "viewpoints_mm" in data:
            points = tuple(Viewpoint(*(float(value) for value in point)) for point in data["viewpoints_mm"])
            viewing = Viewing(
                points=points,
                face_mm=float(data["face_mm"]),
                u_height=float(data.get("u_height", 0.0)),
                is_nearest=data.get("nearest", False) is True,
                is_linear=data.get("linear", False) is True,
                has_rulers=data.get("rulers", True) is True,
                u_tones=float(data["u_tones"]) if "u_tones" in data else None,
            )
        note = ScaleNote(pixel_mm=float(data["pixel_mm"]), u_scale=float(data["u_scale"]), viewing=viewing)
    except (ValueError, KeyError, TypeError):
        return None
    return note if note.pixel_mm > 0 and 0 < note.u_scale < 0.1 else None
