"""Read every feature of one piece: slots, bars, squares, holes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sharpset.pieces import Piece
from sharpset.readings.edges.blur import EdgeSpread
from sharpset.readings.edges.lengthwise import Lengthwise, follow_strips
from sharpset.readings.edges.pooled_contrast import pool_contrast
from sharpset.readings.edges.profiles import Profiles, noise_share, robust_profiles
from sharpset.readings.edges.sampling import Samples, Strip, sample_strips
from sharpset.readings.edges.second_look import improved, look_again
from sharpset.readings.edges.spread import (
    WideEdges,
    edge_asymmetry_mm,
    edge_left_over,
    measure_edge_spread,
    wide_strips,
    without_pixels,
)
from sharpset.readings.edges.strips import Light, Priors, StripFits, fit_strips
from sharpset.readings.features.closed_holes import closed_chances
from sharpset.readings.features.formed import FORMED_FROM, Verdicts, judge_discs, judge_strips
from sharpset.readings.features.formed_parts import as_placed, ends_of_parts, parts_of, with_parts
from sharpset.readings.features.slant import Slant
from sharpset.readings.features.strip_ends import with_ends
from sharpset.readings.features.weighing import hole_openings, strip_openings
from sharpset.readings.holes.blank_spots import faintest_hole_mm2, lacking_mm2
from sharpset.readings.holes.discs import Disc, DiscFit, OwnBlur, fit_discs
from sharpset.readings.picture.light import PieceLight
from sharpset.readings.picture.median_filter import Filtered
from sharpset.readings.shade.edge_shapes import lean_of_curve
from sharpset.readings.shade.lamp_side import lamp_side
from sharpset.readings.shade.shading import Shade, measure_shade
from sharpset.scans import Pose

__all__ = ["END_MM", "Borrowed", "FeatureFits", "PieceSamples", "read_features", "sample_piece", "sampled_anew"]

FloatArray = NDArray[np.float64]
END_MM = 0.3
"""What is left out of a strip at either end."""
_STRIP_REACH_MM = 0.42
_OWN_CONTRAST = Priors(contrast=1.0, level=0.1, slope_per_mm=0.2, blur=0.1)
_NEAR_NOMINAL = 0.2
"""Logarithm of width and contrast over what was drawn, within which a fit cannot have ended at another strip."""
_LEAN_PER_STEP = 4.0
"""Third moment of edges by JPEG, in cubes of the blur, over the mean step to which it rounds one to four half waves
(13 rendered scans)."""
_LEAN_OF_BLEED = 0.1
"""The same by what is left of light that bled once it is taken out."""
_N_STEPS = 33
_CONTRAST_FLOOR = 0.01
_EVIDENT_FLOOR = 0.001
_ROOT_STRIPS = 4.0
"""Root of the number of wide strips that the scan's blur is the mean of."""


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class PieceSamples:
    """Straight features of a piece with their pixels; a square counts as two crossed slots.

    Attributes
    ----------
    rows : ndarray of int
        Row of the feature table that each strip belongs to.
    samples : Samples
    profiles : Profiles
    wide : WideEdges
        Those that show the scan's blur.
    edges : WideEdges
        As many of them as are enough.
    spread : EdgeSpread
    noise_inflation : float
        How much neighbouring pixels' common noise (print texture) widens the error of a mean.
    """

    rows: NDArray[np.intp]
    samples: Samples
    profiles: Profiles
    wide: WideEdges
    edges: WideEdges
    spread: EdgeSpread
    noise_inflation: float


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


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class FeatureFits:
    """Everything fitted to one piece's features; `by_part` says whose widths are those of their formed parts alone."""

    strips: PieceSamples
    strip_fits: StripFits
    lengthwise: Lengthwise
    by_part: NDArray[np.bool_]
    strip_verdicts: Verdicts
    disc_rows: NDArray[np.intp]
    discs: list[DiscFit]
    disc_verdicts: Verdicts
    kind_contrast: dict[str, float]
    borrowed: Borrowed
    shade: Shade
    slant: Slant | None = None
    filtered: Filtered | None = None


def _strips_of(features: pd.DataFrame, light_reach_mm: float) -> tuple[list[int], list[Strip]]:
    rows, strips = [], []
    for index, r in enumerate(features.itertuples()):
        if r.kind not in ("slot", "bar", "square"):
            continue
        for angle in (90.0, 0.0) if r.kind == "square" else (r.angle_deg,):
            length = r.nominal_mm if r.kind == "square" else r.length_mm
            rows.append(index)
            strips.append(
                Strip(
                    name=r.feature_id,
                    solid=r.kind == "bar",
                    width_mm=r.nominal_mm,
                    length_mm=length,
                    x_mm=r.x_mm,
                    y_mm=r.y_mm,
                    angle_deg=angle,
                    reach_mm=light_reach_mm,
                )
            )
    return rows, strips


def sample_piece(light: PieceLight, pose: Pose, piece: Piece) -> PieceSamples:
    """Collect the pixels of all straight features and measure the scan's edge spread on them."""
    rows, strips = _strips_of(piece.features, _STRIP_REACH_MM)
    samples = sample_strips(light, pose, strips, end_mm=END_MM)
    profiles = robust_profiles(samples, least_noise=light.noise / max(abs(light.contrast), 1e-6))
    wide = wide_strips(samples, profiles)
    edges = wide.thinned()
    return PieceSamples(
        rows=np.array(rows),
        samples=samples,
        profiles=profiles,
        wide=wide,
        edges=edges,
        spread=measure_edge_spread(edges),
        noise_inflation=light.noise_inflation,
    )


def sampled_anew(light: PieceLight, pose: Pose, edges: WideEdges) -> WideEdges:
    """Return the same wide edges as another light shows them."""
    samples = sample_strips(light, pose, edges.samples.strips, end_mm=END_MM)
    return replace(edges, profiles=robust_profiles(samples))


def read_features(
    light: PieceLight,
    pose: Pose,
    piece: Piece,
    strips: PieceSamples,
    *,
    curves: Sequence[tuple[FloatArray, float]] = (),
    u_exponent: float = 0.0,
) -> FeatureFits:
    """Fit and judge every feature of a piece.

    Parameters
    ----------
    light : PieceLight
    pose : Pose
        Good to about a pixel.
    piece : Piece
    strips : PieceSamples
    curves : sequence of (ndarray of float, float)
        Of a file that does not say how it is encoded: what shares solid of even steps from 0 to 1 are by each curve,
        and its chance.
    u_exponent : float
        Relative standard uncertainty of the transfer exponent.

    Returns
    -------
    FeatureFits
    """
    samples, profiles, spread = strips.samples, strips.profiles, strips.spread
    own = fit_own_contrast(samples, profiles, spread)
    contrast, borrowed = _borrowed(samples, own, spread, strips.edges)
    if light.bleed is not None:
        borrowed = replace(borrowed, edge_mm=float(np.hypot(borrowed.edge_mm, light.bleed.u_edge_mm)))
    priors = Priors(contrast=borrowed.contrast_evident, blur=spread.u_evident)
    levels = levels_of(light, pose, piece)
    left_over = edge_left_over(strips.edges, spread)
    first = fit_strips(samples, profiles, spread, priors, contrast=contrast)
    lengthwise = follow_strips(samples, as_placed(samples, first), spread, profiles.noise)
    inflation = _inflation(strips, lengthwise)
    fits = fit_strips(
        samples,
        profiles,
        spread,
        priors,
        contrast=contrast,
        noise_inflation=inflation,
        light=levels,
        left_over=left_over,
        start=first,
    )
    whole = (lengthwise.share >= FORMED_FROM) & (fits.width_mm > 0.5 * fits.sigma_mm)
    second = look_again(samples, fits, spread, profiles.noise, whole=whole, n_wide=len(strips.edges.samples.strips))
    if second is not None:
        again = fit_strips(
            second.samples,
            second.profiles,
            second.spread,
            replace(priors, blur=second.spread.u_evident),
            contrast=contrast[second.chosen],
            noise_inflation=inflation,
            light=levels,
            left_over=second.left_over,
        )
        fits = improved(fits, second, again)
    formed = parts_of(samples, fits, lengthwise)
    if formed is not None:
        again = fit_strips(
            formed.samples,
            formed.profiles,
            spread,
            priors,
            contrast=contrast[formed.chosen],
            noise_inflation=inflation,
            light=levels,
            left_over=left_over,
        )
        fits, seen = with_parts(fits, profiles, formed, again)
        strips = replace(strips, profiles=seen)
        lengthwise = ends_of_parts(lengthwise, samples, formed, fits)
    lengthwise = with_ends(lengthwise, light, pose, samples, fits, profiles.noise)
    nominal = np.array([s.width_mm for s in samples.strips]) * samples.length_scale
    verdicts = judge_strips(
        share=lengthwise.share,
        u_share=lengthwise.u_share,
        width_mm=fits.width_mm,
        u_width_mm=fits.u_width_mm,
        nominal_mm=nominal,
        blur_mm=fits.sigma_mm,
        openings=strip_openings(fits, own, nominal, is_bar=samples.is_bar, whole=lengthwise.share >= FORMED_FROM),
        pixel_mm=samples.pixel_mm,
        astray_mm=lengthwise.astray_mm,
        solid=samples.is_bar,
    )
    hole_rows = np.flatnonzero(piece.features["kind"] == "hole")
    discs = [
        Disc(name=r.feature_id, diameter_mm=r.nominal_mm, x_mm=r.x_mm, y_mm=r.y_mm, reach_mm=_STRIP_REACH_MM)
        for r in piece.features.iloc[hole_rows].itertuples()
    ]
    openings = contrast[~samples.is_bar]

    def fit_holes(discs: Sequence[Disc], own_blur: OwnBlur | None = None) -> list[DiscFit]:
        return fit_discs(
            light,
            pose,
            discs,
            spread,
            Priors(contrast=borrowed.contrast_evident),
            levels=levels,
            left_over=left_over,
            noise_inflation=inflation,
            contrast=float(np.median(openings)) if len(openings) else 1.0,
            clean=True,
            own_blur=own_blur,
        )

    fitted = fit_holes(discs, OwnBlur(contrast=max(borrowed.contrast_common, _CONTRAST_FLOOR)))
    hole_share, u_hole_share = np.array([(f.open_share, f.u_open_share) for f in fitted]).reshape(-1, 2).T
    holes = hole_openings(fitted, np.array([d.diameter_mm for d in discs]))
    disc_verdicts = judge_discs(
        open_share=hole_share,
        u_open_share=u_hole_share,
        u_diameter_mm=np.array([f.u_diameter_mm for f in fitted]),
        shift_mm=np.array([(f.shift_x_mm, f.shift_y_mm) for f in fitted]).reshape(-1, 2),
        u_shift_mm=np.array([f.u_shift_mm for f in fitted]),
        pixel_mm=float(np.mean(pose.pixel_mm)),
        openings=holes,
        closed_chance=closed_chances(
            holes,
            open_share=hole_share,
            u_open_share=u_hole_share,
            breadth=np.array([f.breadth for f in fitted]),
            u_breadth=np.array([f.u_breadth for f in fitted]),
        ),
    )
    faintest = faintest_hole_mm2(
        piece,
        discs,
        fitted,
        in_doubt=(np.array(disc_verdicts.formed) != "no") | (np.array(disc_verdicts.doubts) == "small"),
        blur_mm=spread.mean_sigma_mm,
        fit=fit_holes,
    )
    # Blanks scatter by about a quarter of it.
    by_grain = faintest / 4 / np.array([np.pi / 4 * d.diameter_mm**2 for d in discs])
    disc_verdicts = disc_verdicts.beside_grain(
        lacking_mm2(fitted) < faintest,
        hole_share,
        np.hypot(u_hole_share, by_grain),
    )
    steps = np.linspace(0.0, 1.0, _N_STEPS)
    by_curve = lean_of_curve(steps - u_exponent * levels.bend(steps), left_over, spread) / spread.mean_sigma_mm**3
    shade = measure_shade(
        samples,
        profiles,
        first,
        spread,
        plate_is_bright=light.contrast > 0,
        lamp=lamp_side(light, pose, piece),
        lean_of_file=float(np.hypot(_lean_of_file(light), by_curve)),
        curves=[(lean_of_curve(solid, left_over, spread), chance) for solid, chance in curves],
    )
    return FeatureFits(
        strips=strips,
        strip_fits=fits,
        lengthwise=lengthwise,
        by_part=np.isin(np.arange(len(nominal)), [] if formed is None else formed.chosen),
        strip_verdicts=verdicts,
        disc_rows=hole_rows,
        discs=fitted,
        disc_verdicts=disc_verdicts,
        kind_contrast={
            kind: float(np.median(contrast[[s.solid == (kind == "bar") for s in samples.strips]]))
            for kind in ("bar", "slot")
            if any(s.solid == (kind == "bar") for s in samples.strips)
        },
        borrowed=borrowed,
        shade=shade,
    )


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


def _inflation(strips: PieceSamples, lengthwise: Lengthwise) -> float:
    """Return how much wider means scatter than independent pixels would make them.

    What plate pixels say holds for texture of the plate, which is one side of an edge only. What edges scatter along
    the strips holds both sides, and roughness besides: the lesser of the two is enough.
    """
    factor = lengthwise.noise_factor / noise_share(strips.profiles)
    return float(np.clip(factor, 1.0, strips.noise_inflation)) if np.isfinite(factor) else strips.noise_inflation


def _lean_of_file(light: PieceLight) -> float:
    """Return what the picture's storage, or taking out what bled, may make all edges lean by."""
    rounded = _LEAN_PER_STEP * float(np.mean(light.steps[1:5])) if len(light.steps) else 0.0
    return float(np.hypot(rounded, 0.0 if light.bleed is None else _LEAN_OF_BLEED))


def levels_of(light: PieceLight, pose: Pose, piece: Piece) -> Light:
    """Return the linear light of plate and background in the middle of the piece."""
    middle = pose.to_pixels([[piece.width_mm / 2, piece.height_mm / 2]])[0]
    return Light(plate=float(light.plate(*middle)), background=float(light.background(*middle)))


def _borrowed(samples: Samples, own: StripFits, spread: EdgeSpread, edges: WideEdges) -> tuple[FloatArray, Borrowed]:
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
    floor = np.sqrt(max(_CONTRAST_FLOOR**2 - own_part**2, 0.0))
    return contrast, Borrowed(
        contrast_evident=min(max(evident), 0.05),
        contrast_private=own_part,
        contrast_common=float(max(shared, floor)),
        blur_private=max(spread.u_evident, 0.02),
        blur_common=float(np.hypot(spread.u_relative / _ROOT_STRIPS, 0.01)),
        edge_mm=edge_asymmetry_mm(edges, spread),
    )
