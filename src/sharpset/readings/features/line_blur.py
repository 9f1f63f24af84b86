"""Are narrow bars and narrow slots blurred alike, as they are in linear light?

A line much narrower than the blur takes or gives light in the shape of the blur itself. Decoded by a wrong curve bright
lines on dark and dark lines on bright come out of unlike breadth: light to a power above one is narrower about a peak
and broader about a dip. Whatever else changes the blur (a lens, movement, sharpening before the picture was encoded,
halos, walls, roughness) changes both alike.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sharpset.readings.edges.profiles import Profiles, robust_profiles
from sharpset.readings.edges.sampling import Samples
from sharpset.readings.edges.spread import without_pixels
from sharpset.readings.edges.strips import Priors, StripFits, fit_strips
from sharpset.readings.features.piece_samples import OtherDecoding, PieceSamples

__all__ = ["LineBlur", "compare_lines"]

FloatArray = NDArray[np.float64]
_NARROWEST, _WIDEST = 0.7, 2.5
"""Widths in blurs: narrower lines hide in the noise, the edges of wider ones are edges by themselves."""
_DRAWN = 5.0
"""Up to what width in blurs drawn strips are looked at, as they may have come out narrower."""
_FEWEST, _MANY, _SCATTER_OF_FEW = 2, 5, 0.03
"""How many lines of either kind it takes, and how far single ones scatter at least where there are too few to tell."""
_PRIORS = Priors(contrast=0.03, blur=1.0)
_UNLIKE = 0.006
"""By how much the logarithms of the blurs of bars and of slots differ all the same (standard deviation of 18 rendered
scans with every fault, decoded by the right curve, lines of up to three blurs: 0.006; of nine by the rule here:
0.007)."""


@dataclass(frozen=True, kw_only=True, slots=True)
class LineBlur:
    """Mean logarithm of the blur of narrow bars less that of narrow slots, decoded one way (`before`) and another.

    `u_before` and `u_other` are standard uncertainties, what bars and slots differ by all the same included.
    """

    before: float
    other: float
    u_before: float
    u_other: float

    @property
    def place(self) -> float:
        """Where on the way from one decoding (0) to the other (1) both are blurred alike."""
        return self.before / self._apart

    @property
    def u_place(self) -> float:
        """Its standard uncertainty."""
        way = min(max(self.place, 0.0), 1.0)
        return float(np.hypot((1 - way) * self.u_before, way * self.u_other)) / abs(self._apart)

    @property
    def _apart(self) -> float:
        apart = self.before - self.other
        return apart if abs(apart) > 1e-9 else 1e-9


def compare_lines(ways: OtherDecoding) -> LineBlur | None:
    """Compare the blur of narrow bars with that of narrow slots, with two decodings of the picture.

    Returns
    -------
    LineBlur or None
        None where there are too few narrow lines of either kind.
    """
    strips = ways.strips
    sigma = strips.spread.sigma_mm(strips.samples.normal)
    drawn = np.array([one.width_mm for one in strips.samples.strips]) * strips.samples.length_scale
    chosen = np.flatnonzero(drawn < _DRAWN * sigma)
    solid = strips.samples.is_bar[chosen]
    if min(solid.sum(), (~solid).sum()) < _FEWEST:
        return None
    sigma = sigma[chosen]
    again = ways.samples([strips.samples.strips[i] for i in chosen])
    before = _fit(without_pixels(strips.samples, chosen), strips.profiles.some(chosen), strips)
    other = _fit(again, robust_profiles(again), strips)
    lines = [(one.width_mm > _NARROWEST * sigma) & (one.width_mm < _WIDEST * sigma) for one in (before, other)]
    if min((one & kind).sum() for one in lines for kind in (solid, ~solid)) < _FEWEST:
        return None
    (one, u_one), (two, u_two) = (
        _difference(fits, sigma, one, solid) for fits, one in zip((before, other), lines, strict=True)
    )
    return LineBlur(
        before=one, other=two, u_before=float(np.hypot(u_one, _UNLIKE)), u_other=float(np.hypot(u_two, _UNLIKE))
    )


def _fit(samples: Samples, profiles: Profiles, strips: PieceSamples) -> StripFits:
    return fit_strips(samples, profiles, strips.spread, _PRIORS)


def _difference(
    fits: StripFits, sigma: FloatArray, lines: NDArray[np.bool_], solid: NDArray[np.bool_]
) -> tuple[float, float]:
    """Return the difference of the medians of the two kinds and its standard uncertainty."""
    blur = np.log(fits.sigma_mm / sigma)
    middles, squares = [], []
    for kind in (solid, ~solid):
        values = blur[lines & kind]
        middle = np.median(values)
        scatter = 1.4826 * float(np.median(np.abs(values - middle)))
        scatter = scatter if len(values) >= _MANY else max(scatter, _SCATTER_OF_FEW)
        told = float(np.median(fits.u_log_blur[lines & kind]))
        middles.append(float(middle))
        squares.append(np.pi / 2 * max(scatter, told) ** 2 / len(values))
    return middles[0] - middles[1], float(np.sqrt(sum(squares)))
