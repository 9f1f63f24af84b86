"""Read every feature of one piece: slots, bars, squares, holes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from sharpset.pieces import Piece
from sharpset.readings.edges.leaning import laid_straight
from sharpset.readings.edges.lengthwise import Lengthwise
from sharpset.readings.edges.profiles import robust_profiles
from sharpset.readings.edges.spread import edge_left_over
from sharpset.readings.edges.strips import StripFits
from sharpset.readings.features.borrowing import Borrowed, borrowed_from, fit_own_contrast
from sharpset.readings.features.formed import Verdicts
from sharpset.readings.features.hole_reading import read_holes
from sharpset.readings.features.piece_samples import PieceSamples, levels_of
from sharpset.readings.features.slant import Slant
from sharpset.readings.features.strip_reading import Basis, StripsRead, read_strips
from sharpset.readings.holes.discs import DiscFit
from sharpset.readings.picture.light import PieceLight
from sharpset.readings.picture.median_filter import Filtered
from sharpset.readings.shade.edge_shapes import lean_of_curve
from sharpset.readings.shade.lamp_side import lamp_side
from sharpset.readings.shade.shading import Shade, measure_shade
from sharpset.scans import Pose

__all__ = ["FeatureFits", "read_features"]

FloatArray = NDArray[np.float64]
_LEAN_PER_STEP = 4.0
"""Third moment of edges by JPEG, in cubes of the blur, over the mean step to which it rounds one to four half waves
(13 rendered scans)."""
_LEAN_OF_BLEED = 0.1
"""The same by what is left of light that bled once it is taken out."""
_N_STEPS = 33


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class FeatureFits:
    """Everything fitted to one piece's features; `by_part` says whose widths are those of their formed parts alone,
    `part_or_mark` which strips have a part of another width that may be a mark, and `leaning` which were laid straight.
    """

    strips: PieceSamples
    strip_fits: StripFits
    lengthwise: Lengthwise
    by_part: NDArray[np.bool_]
    part_or_mark: NDArray[np.bool_]
    strip_verdicts: Verdicts
    disc_rows: NDArray[np.intp]
    discs: list[DiscFit]
    disc_verdicts: Verdicts
    kind_contrast: dict[str, float]
    borrowed: Borrowed
    shade: Shade
    slant: Slant | None = None
    filtered: Filtered | None = None
    leaning: NDArray[np.intp] = field(default_factory=lambda: np.zeros(0, dtype=np.intp))


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
    spread = strips.spread
    samples, leaning = laid_straight(strips.samples, spread, noise_inflation=strips.noise_inflation)
    if len(leaning):
        least = light.noise / max(abs(light.contrast), 1e-6)
        strips = replace(strips, samples=samples, profiles=robust_profiles(samples, least_noise=least))
    own = fit_own_contrast(samples, strips.profiles, spread)
    contrast, borrowed = borrowed_from(samples, own, spread, strips.edges)
    if light.bleed is not None:
        borrowed = replace(borrowed, edge_mm=float(np.hypot(borrowed.edge_mm, light.bleed.u_edge_mm)))
    basis = Basis(
        spread=spread,
        left_over=edge_left_over(strips.edges, spread),
        levels=levels_of(light, pose, piece),
        contrast=contrast,
        borrowed=borrowed,
        faces=own.faces,
    )
    straight = read_strips(light, pose, strips, own, basis)
    usual = {
        kind: float(np.median(contrast[samples.is_bar == (kind == "bar")]))
        for kind in ("bar", "slot")
        if (samples.is_bar == (kind == "bar")).any()
    }
    holes = read_holes(light, pose, piece, basis, contrast=usual.get("slot", 1.0), inflation=straight.inflation)
    return FeatureFits(
        strips=straight.strips,
        strip_fits=straight.fits,
        lengthwise=straight.lengthwise,
        by_part=straight.by_part,
        part_or_mark=straight.part_or_mark,
        strip_verdicts=straight.verdicts,
        disc_rows=holes.rows,
        discs=holes.fits,
        disc_verdicts=holes.verdicts,
        kind_contrast=usual,
        borrowed=borrowed,
        leaning=leaning,
        shade=_shade(light, pose, piece, strips, straight, basis, curves=curves, u_exponent=u_exponent),
    )


def _shade(
    light: PieceLight,
    pose: Pose,
    piece: Piece,
    strips: PieceSamples,
    straight: StripsRead,
    basis: Basis,
    *,
    curves: Sequence[tuple[FloatArray, float]],
    u_exponent: float,
) -> Shade:
    """Return what the edges' shapes tell of shade, but for what the file's curve and storage may make them lean by."""
    spread, left_over = basis.spread, basis.left_over
    steps = np.linspace(0.0, 1.0, _N_STEPS)
    by_curve = lean_of_curve(steps - u_exponent * basis.levels.bend(steps), left_over, spread) / spread.mean_sigma_mm**3
    return measure_shade(
        strips.samples,
        strips.profiles,
        straight.first,
        spread,
        plate_is_bright=light.contrast > 0,
        lamp=lamp_side(light, pose, piece),
        lean_of_file=float(np.hypot(_lean_of_file(light), by_curve)),
        curves=[(lean_of_curve(solid, left_over, spread), chance) for solid, chance in curves],
    )


def _lean_of_file(light: PieceLight) -> float:
    """Return what the picture's storage, or taking out what bled, may make all edges lean by."""
    rounded = _LEAN_PER_STEP * float(np.mean(light.steps[1:5])) if len(light.steps) else 0.0
    return float(np.hypot(rounded, 0.0 if light.bleed is None else _LEAN_OF_BLEED))
