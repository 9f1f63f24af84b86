"""Seams of a scan: where two sensors were put together, or the carriage slipped, all that lies beyond is shifted."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sharpset.readings.picture.medians import median
from sharpset.readings.placing.registration import PlaceData
from sharpset.scans import Pose

__all__ = ["Seam", "across_seams", "find_seams"]

FloatArray = NDArray[np.float64]
_ALONG = 0.9
_BESIDE = 6
"""Places on either side that a seam needs."""
_SURE, _LEAST_PX = 6.0, 0.25
"""Standard uncertainties that a jump is at least, and its least size. At six none was found in 16 rendered scans
without jumps, as at eight, and one more where there were three."""
_BETTER, _BETTER_AGAIN = 0.6, 0.7
"""Share of what a smooth bend (a cubic) leaves unexplained that a seam may leave at most: the first one, and others
along an axis that has one (a carriage that slipped once slips again)."""
_MOST_SEAMS = 6
_WINDOW_MM = 8.0
"""How far on either side places are looked at, so that one seam does not hide another."""
_CLIP = 4.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Seam:
    """A jump of all places along one axis of the glass.

    Attributes
    ----------
    axis : int
        0 along columns, 1 along rows.
    low_mm, high_mm : float
        Between which places along the axis it lies.
    jump_mm : float
    """

    axis: int
    low_mm: float
    high_mm: float
    jump_mm: float

    def summary(self) -> str:
        """Return the seam in words."""
        return (
            f"places jump by {1000 * abs(self.jump_mm):.0f} um along {('columns', 'rows')[self.axis]}, at "
            f"{(self.low_mm + self.high_mm) / 2:.1f} mm from the picture's border"
        )


def find_seams(places: PlaceData, pose: Pose) -> list[Seam]:
    """Look for jumps in the places of features against a pose.

    Parameters
    ----------
    places : PlaceData
    pose : Pose
        The one through all places.
    """
    nominal = pose.to_pixels(places.points_mm) * np.array(pose.pixel_mm)
    residual = places.glass_mm - np.sum(nominal * places.directions, axis=1)
    seams = []
    for axis in (0, 1):
        chosen = np.flatnonzero(np.abs(places.directions[:, axis]) > _ALONG)
        order = chosen[np.argsort(nominal[chosen, axis], kind="stable")]
        away = residual[order] * np.sign(places.directions[order, axis])
        seams += _seams_along(nominal[order, axis], away, axis, float(pose.pixel_mm[axis]))
    return seams


def _seams_along(place: FloatArray, away: FloatArray, axis: int, pixel_mm: float) -> list[Seam]:
    found: list[Seam] = []
    for _ in range(_MOST_SEAMS):
        seam = _clearest(place, away, axis, pixel_mm, better=_BETTER_AGAIN if found else _BETTER)
        if seam is None:
            break
        found.append(seam)
        away = away - seam.jump_mm * (place > (seam.low_mm + seam.high_mm) / 2)
    return found


def _clearest(place: FloatArray, away: FloatArray, axis: int, pixel_mm: float, *, better: float) -> Seam | None:
    """Return the jump that explains most, if it is sure and no smooth bend explains as much."""
    n = len(place)
    if n < 3 * _BESIDE:
        return None
    noise = max(1.4826 * float(np.median(np.abs(np.diff(away)))) / np.sqrt(2), 1e-4)
    gaps = [k for k in range(_BESIDE, n - _BESIDE) if place[k] - place[k - 1] > 1e-6]
    best: tuple[float, int, float] | None = None
    for k in gaps:
        near, cost, jump, u_jump = _step_at(place, away, k, place[k], noise)
        if near.sum() < 2 * _BESIDE or abs(jump) < max(_SURE * u_jump, _LEAST_PX * pixel_mm):
            continue
        x = (place[near] - place[k]) / _WINDOW_MM
        smooth = _left(np.column_stack([x**power for power in range(4)]), away[near], noise)[0]
        if cost < better * smooth and (best is None or abs(jump) / u_jump > best[0]):
            best = abs(jump) / u_jump, k, jump
    if best is None:
        return None
    # Whichever place explains nearly as much may be the true one; a feature across the seam is on neither side.
    _, chosen, jump = best
    alike = [k for k in gaps if abs(k - chosen) < _BESIDE]
    costs = np.array([_step_at(place, away, k, place[chosen], noise)[1] for k in alike])
    close = [k for k, cost in zip(alike, costs, strict=True) if cost < costs.min() + max(_CLIP**2, 0.1 * costs.min())]
    return Seam(axis=axis, low_mm=float(place[min(close) - 1]), high_mm=float(place[max(close)]), jump_mm=jump)


def _step_at(
    place: FloatArray, away: FloatArray, k: int, middle_mm: float, noise: float
) -> tuple[NDArray[np.bool_], float, float, float]:
    """Return which places lie around one, and cost, jump and its uncertainty of a line with a step before the k-th."""
    near = np.abs(place - middle_mm) < _WINDOW_MM
    step = (np.arange(len(place)) >= k)[near].astype(float)
    if min(step.sum(), (1 - step).sum()) < _BESIDE:
        return np.zeros_like(near), np.inf, 0.0, np.inf
    x = (place[near] - middle_mm) / _WINDOW_MM
    cost, jump, u_jump = _left(np.column_stack((np.ones(len(x)), x, step)), away[near], noise)
    return near, cost, jump, u_jump


def _left(design: FloatArray, away: FloatArray, noise: float) -> tuple[float, float, float]:
    """Return what a robust fit leaves (in squares of the noise, outliers clipped), its last coefficient, and its u."""
    weights = np.ones(len(away))
    for _ in range(4):
        weighted = (design * weights[:, None]).T
        normal = weighted @ design + 1e-12 * np.eye(design.shape[1])
        solution = np.linalg.solve(normal, weighted @ away)
        residual = away - design @ solution
        scale = max(1.4826 * median(np.abs(residual)), noise)
        weights = (np.abs(residual) < _CLIP * scale).astype(float)
    cost = float(np.sum(np.minimum((residual / noise) ** 2, _CLIP**2)))
    return cost, float(solution[-1]), float(scale * np.sqrt(np.linalg.inv(normal)[-1, -1]))


def across_seams(seams: list[Seam], features: pd.DataFrame, pose: Pose) -> NDArray[np.bool_]:
    """Return which features of a piece have one edge on this side of a seam and one on the other."""
    hit = np.zeros(len(features), dtype=bool)
    if not seams:
        return hit
    points = features[["x_mm", "y_mm"]].to_numpy(float)
    glass = pose.to_pixels(points) * np.array(pose.pixel_mm)
    turn = np.radians(features["angle_deg"].to_numpy(float))
    normals = np.column_stack((-np.sin(turn), np.cos(turn))) @ pose.linear_mm.T
    is_round = features["kind"].isin(("hole", "square")).to_numpy()
    half = features["nominal_mm"].to_numpy(float) / 2
    for seam in seams:
        facing = is_round | (np.abs(normals[:, seam.axis]) > _ALONG * np.hypot(*normals.T))
        at = glass[:, seam.axis]
        hit |= facing & (at + half >= seam.low_mm) & (at - half <= seam.high_mm)
    return hit
