"""A note in a TIFF's description: how good the resolution is that the file states."""

from __future__ import annotations

import json
from dataclasses import dataclass

from sharpset.scans.tags import Density

__all__ = ["ScaleNote", "read_note", "write_note"]

_KIND = "sharpset scale"


@dataclass(frozen=True, kw_only=True, slots=True)
class ScaleNote:
    """What a rectified photograph says about its scale.

    Attributes
    ----------
    pixel_mm : float
        Pixel size that the note belongs to.
    u_scale : float
        Its relative standard uncertainty.
    """

    pixel_mm: float
    u_scale: float

    def fits(self, density: Density) -> bool:
        """Whether the resolution is still the one the note was written for (not that of a resized copy)."""
        return all(abs(25.4 / dpi / self.pixel_mm - 1.0) < 1e-5 for dpi in (density.x_dpi, density.y_dpi))


def write_note(note: ScaleNote) -> str:
    """The text of a note."""
    return json.dumps({"kind": _KIND, "pixel_mm": note.pixel_mm, "u_scale": note.u_scale})


def read_note(text: object) -> ScaleNote | None:
    """The note in a description, None where it is another text."""
    if not isinstance(text, str) or _KIND not in text:
        return None
    try:
        data = json.loads(text)
        note = ScaleNote(pixel_mm=float(data["pixel_mm"]), u_scale=float(data["u_scale"]))
    except (ValueError, KeyError, TypeError):
        return None
    return note if note.pixel_mm > 0 and 0 < note.u_scale < 0.1 else None
