"""Fit and judge the straight features of a piece."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sharpset.readings.edges.blur import EdgeSpread
from sharpset.readings.edges.faces import Faces
from sharpset.readings.edges.lengthwise import Lengthwise, follow_strips
from sharpset.readings.edges.profiles import Profiles, noise_share, robust_profiles
from sharpset.readings.edges.sampling import Samples
from sharpset.readings.edges.second_look import improved, look_again
from sharpset.readings.edges.strips import LeftOver, Light, Priors, StripFits, fit_strips
from sharpset.readings.edges.uneven import with_uneven
from sharpset.readings.features.borrowing import Borrowed
from sharpset.readings.features.formed import FORMED_FROM, Verdicts, judge_strips
from sharpset.readings.features.formed_parts import as_placed, dim_parts, ends_of_parts, parts_of, with_parts
from sharpset.readings.features.piece_samples import PieceSamples
from sharpset.readings.features.strip_ends import with_ends
from sharpset.readings.features.weighing import strip_openings
from sharpset.readings.picture.light import PieceLight
from sharpset.scans import Pose

__all__ = ["Basis", "StripsRead", "read_strips"]

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Basis:
    """What the fits of all features of a piece lean on.

    Attributes
    ----------
    spread : EdgeSpread
    left_over : LeftOver
        What the edge spread does not describe.
    levels : Light
        Of plate and background.
    contrast : ndarray of float, shape (n_strips,)
        What strips borrow where they are too narrow to tell it.
    borrowed : Borrowed
    faces : Faces
        How light varies away from edges.
    """

    spread: EdgeSpread
    left_over: LeftOver
    levels: Light
    contrast: FloatArray
    borrowed: Borrowed
    faces: Faces


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class StripsRead:
    """Straight features as they were read; `first` are the fits before anything was looked at twice.

    `strips` show those formed in part by their formed parts alone, whose widths `by_part` marks; `part_or_mark` are
    those with a part of another width that may as well be a mark; `inflation` is how much wider means scatter than
    independent pixels would make them.
    """

    strips: PieceSamples
    first: StripFits
    fits: StripFits
    lengthwise: Lengthwise
    by_part: NDArray[np.bool_]
    part_or_mark: NDArray[np.bool_]
    verdicts: Verdicts
    inflation: float


def read_strips(light: PieceLight, pose: Pose, strips: PieceSamples, own: StripFits, basis: Basis) -> StripsRead:
    """Fit the straight features of a piece in their order and judge which of them formed.

    Parameters
    ----------
    light : PieceLight
    pose : Pose
    strips : PieceSamples
    own : StripFits
        Each with its own contrast.
    basis : Basis

    Returns
    -------
    StripsRead
    """
    samples, profiles = strips.samples, strips.profiles
    priors = Priors(contrast=basis.borrowed.contrast_evident, blur=basis.spread.u_evident)
    first = fit_strips(samples, profiles, basis.spread, priors, contrast=basis.contrast, faces=basis.faces)
    lengthwise = follow_strips(samples, as_placed(samples, first), basis.spread, profiles.noise)
    inflation = _inflation(strips, lengthwise)

    def fit(
        samples: Samples,
        profiles: Profiles,
        spread: EdgeSpread,
        left_over: LeftOver | None,
        *,
        contrast: FloatArray,
        start: StripFits | None = None,
    ) -> StripFits:
        return fit_strips(
            samples,
            profiles,
            spread,
            replace(priors, blur=spread.u_evident),
            contrast=contrast,
            noise_inflation=inflation,
            light=basis.levels,
            left_over=left_over,
            start=start,
            faces=basis.faces,
        )

    fits = fit(samples, profiles, basis.spread, basis.left_over, contrast=basis.contrast, start=first)
    whole = (lengthwise.share >= FORMED_FROM) & (fits.width_mm > 0.5 * fits.sigma_mm)
    n_wide = len(strips.edges.samples.strips)
    second = look_again(samples, fits, basis.spread, profiles.noise, whole=whole, n_wide=n_wide)
    if second is not None:
        contrast = basis.contrast[second.chosen]
        again = fit(second.samples, second.profiles, second.spread, second.left_over, contrast=contrast)
        fits = improved(fits, second, again)

    def fit_some(part: Samples, chosen: NDArray[np.intp]) -> StripFits:
        contrast = basis.contrast[chosen]
        return fit(part, robust_profiles(part), basis.spread, basis.left_over, contrast=contrast)

    fits, part_or_mark = with_uneven(samples, fits, profiles.noise * inflation, fit_some, whole=whole)
    formed = parts_of(samples, fits, lengthwise)
    dim_in_part = np.zeros(len(samples.strips), dtype=bool)
    if formed is not None:
        contrast = basis.contrast[formed.chosen]
        again = fit(formed.samples, formed.profiles, basis.spread, basis.left_over, contrast=contrast)
        dim_in_part[formed.chosen] = dim_parts(formed, contrast, basis.spread)
        fits, seen = with_parts(fits, profiles, formed, again)
        strips = replace(strips, profiles=seen)
        lengthwise = ends_of_parts(lengthwise, samples, formed, fits)
    lengthwise = with_ends(lengthwise, light, pose, samples, fits, profiles.noise)
    return StripsRead(
        strips=strips,
        first=first,
        fits=fits,
        lengthwise=lengthwise,
        by_part=np.isin(np.arange(len(samples.strips)), [] if formed is None else formed.chosen),
        part_or_mark=part_or_mark,
        verdicts=_verdicts(samples, fits, own, lengthwise, dim_in_part),
        inflation=inflation,
    )


def _verdicts(
    samples: Samples, fits: StripFits, own: StripFits, lengthwise: Lengthwise, dim_in_part: NDArray[np.bool_]
) -> Verdicts:
    nominal = np.array([s.width_mm for s in samples.strips]) * samples.length_scale
    whole = lengthwise.share >= FORMED_FROM
    return judge_strips(
        share=lengthwise.share,
        u_share=lengthwise.u_share,
        width_mm=fits.width_mm,
        u_width_mm=fits.u_width_mm,
        nominal_mm=nominal,
        blur_mm=fits.sigma_mm,
        openings=strip_openings(fits, own, nominal, is_bar=samples.is_bar, whole=whole),
        pixel_mm=samples.pixel_mm,
        astray_mm=lengthwise.astray_mm,
        solid=samples.is_bar,
        dim_in_part=dim_in_part,
    )


def _inflation(strips: PieceSamples, lengthwise: Lengthwise) -> float:
    """Return how much wider means scatter than independent pixels would make them.

    What plate pixels say holds for texture of the plate, which is one side of an edge only. What edges scatter along
    the strips holds both sides, and roughness besides: the lesser of the two is enough.
    """
    factor = lengthwise.noise_factor / noise_share(strips.profiles)
    return float(np.clip(factor, 1.0, strips.noise_inflation)) if np.isfinite(factor) else strips.noise_inflation
