"""What features too narrow to tell it borrow from the scan: contrast and blur, and how far either may be off."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sharpset.readings.edges.blur import EdgeSpread
from sharpset.readings.edges.pooled_contrast import pool_contrast
from sharpset.readings.edges.profiles import Profiles
from sharpset.readings.edges.sampling import Samples
from sharpset.readings.edges.spread import WideEdges, edge_asymmetry_mm, without_pixels
from sharpset.readings.edges.strips import Priors, StripFits, fit_strips

__all__ = ["CONTRAST_FLOOR", "Borrowed", "borrowed_from", "fit_own_contrast"]

FloatArray = NDArray[np.float64]
CONTRAST_FLOOR = 0.01
"""Relative standard uncertainty of a borrowed contrast that no scan can show to be less."""
_OWN_CONTRAST = Priors(contrast=1.0, level=0.1, slope_per_mm=0.2, blur=0.1)
_NEAR_NOMINAL = 0.2
"""Logarithm of width and contrast over what was drawn, within which a fit cannot have ended at another strip."""
_EVIDENT_FLOOR = 0.001
_ROOT_STRIPS = 4.0
"""Root of the number of wide strips that the scan's blur is the mean of."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Borrowed:
    """Relative standard uncertainties of what features borrow from the scan: their own scatter, and what they share.

    `contrast_evident` is what the piece itself shows of scatter, drift and error of the contrast; the other two hold
    a floor for what no scan shows. Fits lean on the borrowed contrast as far as it is evident. `edge_mm` is the
    standard uncertainty of every edge's place from what lies beside edges on one side only.
    """

    contrast_evident: float
    contrast_private: float
    contrast_common: float
    blur_private: float
    blur_common: float
    edge_mm: float = 0.0

    @property
    def contrast(self) -> float:
        """Both parts of the contrast's together."""
        return float(np.hypot(self.contrast_private, self.contrast_common))


def fit_own_contrast(samples: Samples, profiles: Profiles, spread: EdgeSpread) -> StripFits:
    """Fit strips each with its own contrast.

    A wide dim strip and a narrow dark one lack the same light, so that a fit may end at the wrong one of the two: it is
    begun at the strip's nominal width too, and the better end counts.
    """
    fits = fit_strips(samples, profiles, spread, _OWN_CONTRAST)
    nominal = np.array([strip.width_mm for strip in samples.strips]) * samples.length_scale
    # The others would begin where they have ended.
    off = np.maximum(np.abs(np.log(fits.width_mm / nominal)), np.abs(np.log(np.maximum(fits.contrast, 1e-6))))
    tried = np.flatnonzero(off > _NEAR_NOMINAL)
    if len(tried) == 0:
        return fits
    few, ended, width = without_pixels(samples, tried), fits.some(tried), nominal[tried]
    nothing = np.zeros(len(tried))
    start = replace(
        ended,
        width_mm=width,
        centre_mm=nothing,
        level=np.where(few.is_bar, 0.0, 1.0),
        slope_per_mm=nothing,
        contrast=np.clip(ended.contrast * ended.width_mm / width, 0.02, 1.5),
        sigma_mm=spread.sigma_mm(few.normal),
    )
    other = fit_strips(few, profiles.some(tried), spread, _OWN_CONTRAST, start=start)
    better = other.misfit < 0.9 * ended.misfit
    return fits.with_some(tried[better], other.some(np.flatnonzero(better)))


def borrowed_from(
    samples: Samples, own: StripFits, spread: EdgeSpread, edges: WideEdges
) -> tuple[FloatArray, Borrowed]:
    """Return the contrast that narrow features borrow, and the uncertainty of all that is borrowed.

    It is taken, slots and bars apart, from the features that tell their own contrast to five per cent.
    """
    solid = samples.is_bar
    contrast = np.ones(len(solid))
    private, common, evident = [0.0], [0.0], [_EVIDENT_FLOOR]
    for kind in (True, False):
        clear = (solid == kind) & (own.u_contrast < 0.05) & (own.contrast > 0.75) & (own.contrast < 1.25)
        clear &= own.width_mm > 4 * own.sigma_mm
        pooled = pool_contrast(own.contrast[clear], own.u_contrast[clear], own.width_mm[clear])
        if pooled is None:
            continue
        contrast[solid == kind] = pooled.contrast
        private.append(pooled.scatter)
        common.append(float(np.hypot(pooled.drift, pooled.u_contrast)))
        evident.append(pooled.evident)
    own_part = min(max(private), 0.05)
    shared = min(max(common), np.sqrt(max(0.05**2 - own_part**2, 0.0)))
    floor = np.sqrt(max(CONTRAST_FLOOR**2 - own_part**2, 0.0))
    return contrast, Borrowed(
        contrast_evident=min(max(evident), 0.05),
        contrast_private=own_part,
        contrast_common=float(max(shared, floor)),
        blur_private=max(spread.u_evident, 0.02),
        blur_common=float(np.hypot(spread.u_relative / _ROOT_STRIPS, 0.01)),
        edge_mm=edge_asymmetry_mm(edges, spread),
    )
