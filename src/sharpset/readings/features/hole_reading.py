"""Fit and judge the holes of a piece."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sharpset.pieces import Piece
from sharpset.readings.edges.strips import Priors
from sharpset.readings.features.borrowing import CONTRAST_FLOOR
from sharpset.readings.features.closed_holes import closed_chances
from sharpset.readings.features.formed import Verdicts, judge_discs
from sharpset.readings.features.piece_samples import LIGHT_REACH_MM
from sharpset.readings.features.strip_reading import Basis
from sharpset.readings.features.weighing import hole_openings
from sharpset.readings.holes.blank_spots import faintest_hole_mm2, lacking_mm2
from sharpset.readings.holes.discs import Disc, DiscFit, OwnBlur, fit_discs
from sharpset.readings.picture.light import PieceLight
from sharpset.scans import Pose

__all__ = ["HolesRead", "read_holes"]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class HolesRead:
    """Holes as they were read; `rows` of the feature table that they belong to."""

    rows: NDArray[np.intp]
    fits: list[DiscFit]
    verdicts: Verdicts


def read_holes(
    light: PieceLight, pose: Pose, piece: Piece, basis: Basis, *, contrast: float, inflation: float
) -> HolesRead:
    """Fit all holes of a piece and judge which of them formed.

    Parameters
    ----------
    light : PieceLight
    pose : Pose
    piece : Piece
    basis : Basis
    contrast : float
        What holes borrow, 1 for that of the maps of light.
    inflation : float
        How much wider means scatter than independent pixels would make them.

    Returns
    -------
    HolesRead
    """
    rows = np.flatnonzero(piece.features["kind"] == "hole")
    discs = [
        Disc(name=r.feature_id, diameter_mm=r.nominal_mm, x_mm=r.x_mm, y_mm=r.y_mm, reach_mm=LIGHT_REACH_MM)
        for r in piece.features.iloc[rows].itertuples()
    ]

    def fit(discs: Sequence[Disc], own_blur: OwnBlur | None = None) -> list[DiscFit]:
        return fit_discs(
            light,
            pose,
            discs,
            basis.spread,
            Priors(contrast=basis.borrowed.contrast_evident),
            levels=basis.levels,
            left_over=basis.left_over,
            noise_inflation=inflation,
            contrast=contrast,
            clean=True,
            own_blur=own_blur,
            faces=basis.faces,
        )

    fitted = fit(discs, OwnBlur(contrast=max(basis.borrowed.contrast_common, CONTRAST_FLOOR)))
    verdicts = _verdicts(discs, fitted, pixel_mm=float(np.mean(pose.pixel_mm)))
    verdicts = _beside_grain(verdicts, piece, discs, fitted, blur_mm=basis.spread.mean_sigma_mm, fit=fit)
    return HolesRead(rows=rows, fits=fitted, verdicts=verdicts)


def _shares(fitted: Sequence[DiscFit]) -> NDArray[np.float64]:
    """Return what share of each hole is open and its standard uncertainty, shape (2, n_holes)."""
    return np.array([(f.open_share, f.u_open_share) for f in fitted]).reshape(-1, 2).T


def _verdicts(discs: Sequence[Disc], fitted: Sequence[DiscFit], *, pixel_mm: float) -> Verdicts:
    open_share, u_open_share = _shares(fitted)
    openings = hole_openings(fitted, np.array([d.diameter_mm for d in discs]))
    return judge_discs(
        open_share=open_share,
        u_open_share=u_open_share,
        u_diameter_mm=np.array([f.u_diameter_mm for f in fitted]),
        shift_mm=np.array([(f.shift_x_mm, f.shift_y_mm) for f in fitted]).reshape(-1, 2),
        u_shift_mm=np.array([f.u_shift_mm for f in fitted]),
        pixel_mm=pixel_mm,
        openings=openings,
        closed_chance=closed_chances(
            openings,
            open_share=open_share,
            u_open_share=u_open_share,
            breadth=np.array([f.breadth for f in fitted]),
            u_breadth=np.array([f.u_breadth for f in fitted]),
        ),
    )


def _beside_grain(
    verdicts: Verdicts,
    piece: Piece,
    discs: Sequence[Disc],
    fitted: list[DiscFit],
    *,
    blur_mm: float,
    fit: Callable[[Sequence[Disc]], list[DiscFit]],
) -> Verdicts:
    """Return the verdicts with those of holes that grain of the plate looks like as well."""
    faintest = faintest_hole_mm2(
        piece,
        discs,
        fitted,
        in_doubt=(np.array(verdicts.formed) != "no") | (np.array(verdicts.doubts) == "small"),
        blur_mm=blur_mm,
        fit=fit,
    )
    open_share, u_open_share = _shares(fitted)
    # Blanks scatter by about a quarter of it.
    by_grain = faintest / 4 / np.array([np.pi / 4 * d.diameter_mm**2 for d in discs])
    return verdicts.beside_grain(lacking_mm2(fitted) < faintest, open_share, np.hypot(u_open_share, by_grain))
