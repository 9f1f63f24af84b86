"""What edges say of a file that does not tell how it is encoded: sRGB or linear light?

Blur in linear light makes an edge rise as it fell, whatever its shape. So what the mean edge keeps of a residual is
split: the part that is alike on both sides of the edge comes from a wrong curve (or from what is lopsided: shade,
sharpening of stored values), the part that is opposite from a blur of another shape than the one fitted.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sharpset.readings.edges.spread import (
    WIDE_PX,
    WideEdges,
    edge_residual,
    edge_sides,
    measure_edge_spread,
    wide_strips,
)
from sharpset.readings.features.fitting import PieceSamples, sampled_anew
from sharpset.readings.picture.light import PieceLight
from sharpset.scans import Pose

__all__ = ["BothWays", "both_ways"]

_ENOUGH = 24
_NARROWER_PX, _BLURS = 4.0, 6.0
"""From what width on, in pixels and in blurs, strips count too where fewer than `_ENOUGH` are wider: sharp pictures of
few pixels have most of their edges there."""
_INDEPENDENT = 6
"""Values half a blur apart within the three blurs beside an edge."""
_OF_SHAPE = 0.5
"""Share of a residual by the blur's shape that may be alike on both sides all the same: whatever was done to a picture
that makes its blur so odd (sharpening, resampling) was done to stored values. Assumed."""
_FOR_DEFAULT = 2.0
"""Odds of sRGB against linear light in files of more than 8 bits, before their edges are looked at (assumed)."""


@dataclass(frozen=True, kw_only=True, slots=True)
class BothWays:
    """Residuals of the mean edge, shares of the contrast, decoded as sRGB (`before`) and as linear light (`other`).

    Attributes
    ----------
    before, other : float
        Root mean squares.
    uneven_before, uneven_other : float
        The same of the part that is alike on both sides of the edge.
    """

    before: float
    other: float
    uneven_before: float
    uneven_other: float

    @property
    def share(self) -> float:
        """What is left with the other decoding, over what is left before."""
        return self.other / self.before

    @property
    def chance_of_linear(self) -> float:
        """Chance that the file holds linear light, for files of more than 8 bits.

        By Bayes' theorem with normal residuals of unknown size: the likelihood goes by their sum of squares to the
        power of minus half their number.
        """
        shape = min(max(self.before**2 - self.uneven_before**2, 0.0), max(self.other**2 - self.uneven_other**2, 0.0))
        unsure = _OF_SHAPE**2 * shape + 1e-12
        ratio = (self.uneven_other**2 + unsure) / (self.uneven_before**2 + unsure)
        return float(1 / (1 + _FOR_DEFAULT * ratio ** (_INDEPENDENT / 2)))


def both_ways(light: PieceLight, pose: Pose, strips: PieceSamples) -> BothWays:
    """Compare what symmetric blur leaves unexplained of the mean edge with two decodings of the picture.

    Parameters
    ----------
    light : PieceLight
        Of the other decoding.
    pose : Pose
    strips : PieceSamples
        As decoded before.

    Returns
    -------
    BothWays
    """
    # Rough edges hide the curve; they do so less the more of them are averaged.
    edges = strips.wide
    if len(edges.samples.strips) < _ENOUGH:
        least = max(_NARROWER_PX, _BLURS * strips.spread.mean_sigma_mm / strips.samples.pixel_mm)
        edges = wide_strips(strips.samples, strips.profiles, least_px=min(least, WIDE_PX))
    before, other = (_parts(each) for each in (edges, sampled_anew(light, pose, edges)))
    return BothWays(before=before[0], other=other[0], uneven_before=before[1], uneven_other=other[1])


def _parts(edges: WideEdges) -> tuple[float, float]:
    spread = measure_edge_spread(edges)
    return edge_residual(edges, spread), float(np.sqrt(np.mean(edge_sides(edges, spread) ** 2)))
