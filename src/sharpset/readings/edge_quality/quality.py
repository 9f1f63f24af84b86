"""Edge quality of one piece in one scan: how rough its edges are, and how well the scan resolves."""

from __future__ import annotations

import html
from collections.abc import Mapping
from dataclasses import dataclass

from sharpset.pieces import Piece
from sharpset.readings.edge_quality.frequency_response import FrequencyResponse, measure_frequency_response
from sharpset.readings.edge_quality.roughness import EdgeRoughness, measure_roughness, track_edges
from sharpset.readings.features.fitting import FeatureFits
from sharpset.readings.picture.light import PieceLight
from sharpset.readings.quantity import Quantity
from sharpset.scans import Pose

__all__ = ["EdgeQuality", "measure_quality"]

_KNOWN = {"layer_height_mm": "layer height", "pixel_pitch_mm": "pixel pitch"}
"""Parameters of a piece that a ripple of its edges may come from, besides those of its ``pitches_mm``."""


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class EdgeQuality:
    """Roughness of the edges and frequency response of the scan."""

    roughness: EdgeRoughness
    response: FrequencyResponse

    def quantities(self) -> dict[str, Quantity]:
        """Return all of it that is one number, by name."""
        return self.roughness.quantities() | self.response.quantities()

    def summary(self) -> str:
        """Return both in two sentences."""
        return f"{self.roughness.summary()}. {self.response.summary()}"

    def _repr_html_(self) -> str:
        return html.escape(self.summary())


def measure_quality(
    light: PieceLight, pose: Pose, piece: Piece, fits: FeatureFits, *, known_mm: Mapping[str, float] | None = None
) -> EdgeQuality:
    """Measure how rough the edges of a piece are and how well its scan resolves.

    Parameters
    ----------
    light, pose, piece : as read
    fits : FeatureFits
    known_mm : mapping of str to float, optional
        Lengths that a ripple may come from, by name, besides those that the piece's parameters give.

    Returns
    -------
    EdgeQuality
    """
    strips = fits.strips
    formed = fits.strip_verdicts.is_formed
    tracks = track_edges(strips.samples, fits.strip_fits, strips.spread, strips.profiles.noise, usable=formed)
    known = {name: float(piece.parameters[key]) for key, name in _KNOWN.items() if piece.parameters.get(key)}
    known |= {str(name): float(length) for name, length in (piece.parameters.get("pitches_mm") or {}).items()}
    return EdgeQuality(
        roughness=measure_roughness(tracks, known_mm=known | dict(known_mm or {})),
        response=measure_frequency_response(light, pose, piece),
    )
