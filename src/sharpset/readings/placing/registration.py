"""Refine a pose on the marks, and state where every feature lies against a rigid piece."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sharpset.errors import ReadingError
from sharpset.pieces import Piece
from sharpset.readings.edges.blur import EdgeSpread
from sharpset.readings.holes.discs import Disc, fit_discs
from sharpset.readings.picture.light import PieceLight
from sharpset.scans import Pose, fit_affine

__all__ = ["PlaceData", "Registration", "pose_from_marks", "register"]

FloatArray = NDArray[np.float64]
_FEWEST_MARKS, _LEAST_BREADTH_MM = 4, 3.0
"""Marks that settle a pose, and the least standard deviation of their places across the line along which they lie."""


def pose_from_marks(light: PieceLight, pose: Pose, piece: Piece) -> Pose:
    """Fit the round marks and the round artefact, and return the pose through their centres.

    Raises
    ------
    ReadingError
        If fewer than four of them are there.
    """
    guess = 1.2 * float(np.mean(pose.pixel_mm))
    spread = EdgeSpread(sigma_x_mm=guess, sigma_y_mm=guess)
    groups = piece.features[piece.features["group"].isin(("marks", "round"))]
    discs = [
        Disc(name=r.feature_id, diameter_mm=r.nominal_mm, x_mm=r.x_mm, y_mm=r.y_mm, reach_mm=0.5)
        for r in groups.itertuples()
    ]
    if len(discs) < _FEWEST_MARKS:
        raise _too_few_marks(len(discs), len(discs))
    fits = fit_discs(light, pose, discs, spread)
    places = np.array([[d.x_mm, d.y_mm] for d in discs])
    nominal = np.array([d.diameter_mm for d in discs])
    found = pose.to_pixels(places) + np.array([[f.shift_x_mm, f.shift_y_mm] for f in fits]) / np.array(pose.pixel_mm)
    ratio = np.array([f.diameter_mm for f in fits]) / nominal
    good = (np.abs(ratio - 1) < 0.35) & (np.array([f.open_share for f in fits]) > 0.4)
    # Marks in one line say nothing of what lies beside it.
    if good.sum() < _FEWEST_MARKS or np.linalg.eigvalsh(np.cov(places[good].T))[0] < _LEAST_BREADTH_MM**2:
        raise _too_few_marks(int(good.sum()), len(discs))
    weights = good.astype(float)
    for _ in range(6):
        refined = fit_affine(places, found, pixel_mm=pose.pixel_mm, weights=weights)
        away = np.hypot(*(refined.to_pixels(places) - found).T)
        scale = max(float(np.median(away[good])), 0.02)
        weights = np.where(good, np.clip(1 - (away / (6 * scale)) ** 2, 0.01, None), 0.0)
    return refined


def _too_few_marks(found: int, of: int) -> ReadingError:
    return ReadingError(
        f"only {found} of {of} round marks of the piece can be made out; {_FEWEST_MARKS} are needed, not all in one "
        "line. Take the picture again: the piece flat and clean, all of it inside the picture."
    )


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class PlaceData:
    """Places that were measured, one component each: a hole gives two rows, a strip one.

    Attributes
    ----------
    points_mm : ndarray, shape (n, 2)
        Nominal centre in the piece frame.
    directions : ndarray, shape (n, 2)
        Unit direction on the glass (column, row) along which the place was measured.
    glass_mm : ndarray, shape (n,)
        Measured place along that direction, mm on the glass.
    """

    points_mm: FloatArray
    directions: FloatArray
    glass_mm: FloatArray


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Registration:
    """The pose through all features.

    Attributes
    ----------
    pose : Pose
    spread_mm : float
        Robust standard deviation of one feature's place about the pose.
    covariance : ndarray, shape (6, 6)
        Of the affine parameters (xx, xy, x0, yx, yy, y0; mm), for the uncertainty of the scales.
    n : int
    """

    pose: Pose
    spread_mm: float
    covariance: FloatArray
    n: int

    def u_scale(self, axis: int) -> float:
        """Return the standard uncertainty of the scale along x (0) or y (1) from the features' scatter."""
        linear = self.pose.linear_mm
        unit = linear[:, axis] / np.hypot(*linear[:, axis])
        index = [axis, 3 + axis]
        return float(np.sqrt(unit @ self.covariance[np.ix_(index, index)] @ unit))


def register(places: PlaceData, pose: Pose) -> Registration:
    """Fit an affine pose to all measured places by Tukey's biweight.

    Raises
    ------
    ReadingError
        If fewer than eight places were measured.
    """
    n = len(places.glass_mm)
    if n < 8:
        raise ReadingError(f"only {n} places of the piece could be measured; 8 are needed for its position")
    x, y = places.points_mm.T
    ones = np.ones(n)
    across, down = places.directions.T
    design = np.column_stack((across * x, across * y, across * ones, down * x, down * y, down * ones))
    weights = np.ones(n)
    for _ in range(10):
        root = np.sqrt(weights)
        solution, *_ = np.linalg.lstsq(design * root[:, None], places.glass_mm * root, rcond=None)
        residual = places.glass_mm - design @ solution
        scale = max(1.4826 * float(np.median(np.abs(residual))), 1e-5)
        weights = np.clip(1 - (residual / (5 * scale)) ** 2, 0, None) ** 2
    normal = (design * weights[:, None]).T @ design
    matrix = np.array([solution[:3], solution[3:]]) / np.array(pose.pixel_mm)[:, None]
    return Registration(
        pose=Pose(matrix=matrix, pixel_mm=pose.pixel_mm),
        spread_mm=scale,
        covariance=np.linalg.inv(normal) * scale**2,
        n=n,
    )
