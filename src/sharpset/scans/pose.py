"""Where a piece lies in a scan: the map between the piece frame and the picture."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sharpset.scans.scan import PixelSize

__all__ = ["Pose", "RigidFit", "fit_affine", "fit_rigid"]

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Pose:
    """An affine map from the piece frame (mm, x right, y up) to the picture (column, row).

    Attributes
    ----------
    matrix : ndarray of float, shape (2, 3)
        ``(column, row) = matrix[:, :2] @ (x_mm, y_mm) + matrix[:, 2]``; whole numbers are pixel centres.
    pixel_mm : PixelSize
        Millimetres per pixel along columns and rows.
    """

    matrix: FloatArray
    pixel_mm: PixelSize

    def to_pixels(self, points_mm: ArrayLike) -> FloatArray:
        """Return the (column, row) of points of the piece frame, shape (n, 2)."""
        points = np.asarray(points_mm, dtype=float)
        return np.asarray(points @ self.matrix[:, :2].T + self.matrix[:, 2])

    def to_piece(self, pixels: ArrayLike) -> FloatArray:
        """Return the piece-frame position (mm) of (column, row) points, shape (n, 2)."""
        points = np.asarray(pixels, dtype=float)
        return np.asarray((points - self.matrix[:, 2]) @ np.linalg.inv(self.matrix[:, :2]).T)

    @property
    def linear_mm(self) -> FloatArray:
        """The linear part with both sides in mm, shape (2, 2): piece frame to the glass, rows downwards."""
        return np.asarray(np.diag([self.pixel_mm.x, self.pixel_mm.y]) @ self.matrix[:, :2])

    @property
    def mirrored(self) -> bool:
        """True where the scan shows the piece from below."""
        return bool(np.linalg.det(self.matrix[:, :2]) > 0)

    @property
    def scale_x(self) -> float:
        """Length on the glass of one millimetre along the piece's x."""
        return float(np.hypot(*self.linear_mm[:, 0]))

    @property
    def scale_y(self) -> float:
        """Length on the glass of one millimetre along the piece's y."""
        return float(np.hypot(*self.linear_mm[:, 1]))

    @property
    def angle_deg(self) -> float:
        """Direction of the piece's x axis on the glass, counter-clockwise from the columns' direction."""
        x, y = self.linear_mm[:, 0]
        return math.degrees(math.atan2(-y, x))

    @property
    def skew_deg(self) -> float:
        """How much the angle between the piece's axes exceeds 90 degrees."""
        x, y = self.linear_mm[:, 0], self.linear_mm[:, 1]
        return math.degrees(math.acos(np.clip(x @ y / np.hypot(*x) / np.hypot(*y), -1, 1))) - 90.0

    def summary(self) -> str:
        """Return the pose in one line."""
        side = "from below (mirrored)" if self.mirrored else "from above"
        column, row = self.matrix[:, 2]
        return f"origin at column {column:.1f}, row {row:.1f}, turned {self.angle_deg:.2f} degrees, seen {side}"


def fit_affine(points_mm: FloatArray, pixels: FloatArray, *, pixel_mm: PixelSize, weights: FloatArray) -> Pose:
    """Fit a pose to matched points by weighted least squares.

    Parameters
    ----------
    points_mm : ndarray of float, shape (n, 2)
        Nominal positions in the piece frame.
    pixels : ndarray of float, shape (n, 2)
        Where they were found, (column, row).
    pixel_mm : PixelSize
    weights : ndarray of float, shape (n,)
        Inverse variances, or 0 to leave a point out; three or more must be positive.
    """
    root = np.sqrt(weights)[:, None]
    design = np.column_stack((points_mm, np.ones(len(points_mm))))
    solution, *_ = np.linalg.lstsq(design * root, pixels * root, rcond=None)
    return Pose(matrix=np.asarray(solution.T, dtype=float), pixel_mm=pixel_mm)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class RigidFit:
    """A turn and a shift (no change of size) from the piece frame to the glass.

    Attributes
    ----------
    turn : ndarray of float, shape (2, 2)
        Orthogonal; holds the mirror image.
    shift_mm : ndarray of float, shape (2,)
    """

    turn: FloatArray
    shift_mm: FloatArray

    def deviations_mm(self, points_mm: FloatArray, glass_mm: FloatArray) -> FloatArray:
        """Return found minus nominal position along the piece's axes, mm, shape (n, 2)."""
        return np.asarray((glass_mm - self.shift_mm) @ self.turn - points_mm)


def fit_rigid(pose: Pose, points_mm: FloatArray) -> RigidFit:
    """Return the turn and shift that come closest to a pose over the given points (Procrustes)."""
    glass = pose.to_pixels(points_mm) * np.array(pose.pixel_mm)
    centre, target = points_mm.mean(axis=0), glass.mean(axis=0)
    u, _, vt = np.linalg.svd((glass - target).T @ (points_mm - centre))
    turn = u @ vt
    if np.linalg.det(turn) * np.linalg.det(pose.linear_mm) < 0:
        u[:, -1] *= -1
        turn = u @ vt
    return RigidFit(turn=turn, shift_mm=target - turn @ centre)
