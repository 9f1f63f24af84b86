"""What is known of a camera once it is found: where it stood, how its lens bends, where it shows what."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

__all__ = ["CameraFit", "PlaneView"]

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, slots=True)
class PlaneView:
    """Points of one flat pattern seen in one picture.

    Attributes
    ----------
    points_px : ndarray, shape (n, 2)
        Column and row in the picture, integers at pixel centres.
    points_mm : ndarray, shape (n, 2)
        x and y on the pattern.
    """

    points_px: FloatArray
    points_mm: FloatArray


@dataclass(frozen=True, kw_only=True, eq=False)
class CameraFit:
    """A camera and where it stood, as found by `fit_camera`.

    Attributes
    ----------
    focal_px : float
        Distance of the lens from the picture plane in pixels.
    u_focal : float
        Its relative standard uncertainty.
    centre_px : ndarray, shape (2,)
        Where the axis meets the picture: column, row.
    k1, k2 : float
        Radial distortion: a ray at distance r (unit: focal length) is seen at r (1 + k1 r^2 + k2 r^4).
    rotations : ndarray, shape (n_views, 3, 3)
        From the pattern's axes (z up from the pattern) to the camera's (x right, y down, z forward).
    translations : ndarray, shape (n_views, 3)
        The pattern's origin in the camera's axes, mm.
    residuals_mm : tuple of ndarray, each shape (n, 2)
        Seen minus true positions, in the plane of the pattern.
    bend_mm : ndarray, shape (3,)
        Heights of the pattern's rim over its middle: a X^2 + b X Y + c Y^2, X and Y from -1 to 1 over its points.
    aspect : float
        By how much the pattern is stretched along x against y; lengths along both are taken with its root.

    References
    ----------
    Z. Zhang, A flexible new technique for camera calibration, IEEE Trans. Pattern Anal. Mach. Intell. 22 (2000)
    1330-1334. D. C. Brown, Close-range camera calibration, Photogramm. Eng. 37 (1971) 855-866.
    """

    focal_px: float
    u_focal: float
    centre_px: FloatArray
    k1: float
    k2: float
    rotations: FloatArray = field(repr=False)
    translations: FloatArray = field(repr=False)
    residuals_mm: tuple[FloatArray, ...] = field(repr=False, default=())
    bend_mm: FloatArray = field(repr=False, default_factory=lambda: np.zeros(3))
    aspect: float = 1.0

    @property
    def rms_mm(self) -> float:
        """Root mean square of the residuals, both axes together as a distance."""
        parts = np.concatenate([np.sum(part**2, axis=1) for part in self.residuals_mm])
        return float(np.sqrt(parts.mean()))

    @property
    def max_mm(self) -> float:
        """Largest residual, as a distance."""
        return float(max(np.hypot(part[:, 0], part[:, 1]).max() for part in self.residuals_mm))

    @cached_property
    def tilts_deg(self) -> FloatArray:
        """Angle between the camera's axis and the normal of the pattern, per view."""
        cosines = np.clip(np.abs(self.rotations[:, 2, 2]), 0.0, 1.0)
        return np.asarray(np.degrees(np.arccos(cosines)))

    @cached_property
    def distances_mm(self) -> FloatArray:
        """Height of the lens above the pattern's plane, per view."""
        return np.asarray(np.abs(np.einsum("vij,vi->vj", self.rotations, self.translations)[:, 2]))

    @cached_property
    def eyes_mm(self) -> FloatArray:
        """Where the lens stood in the axes of the pattern, per view, shape (n_views, 3)."""
        return np.asarray(-np.einsum("vij,vi->vj", self.rotations, self.translations))

    def project(self, points_mm: FloatArray, view: int = 0, *, z_mm: float = 0.0) -> FloatArray:
        """Where points of the pattern, or `z_mm` above it, are seen.

        Parameters
        ----------
        points_mm : ndarray, shape (n, 2)
            x, y in the pattern's axes.

        Returns
        -------
        ndarray, shape (n, 2)
            Column and row.
        """
        space = np.column_stack([points_mm, np.full(len(points_mm), z_mm)])
        seen = space @ self.rotations[view].T + self.translations[view]
        return self.distort(seen[:, :2] / seen[:, 2:]) * self.focal_px + self.centre_px

    def undistort(self, points_px: FloatArray) -> FloatArray:
        """Where a lens without distortion would show what is seen at these places; column, row, shape (n, 2)."""
        return self._rays(points_px) * self.focal_px + self.centre_px

    def to_plane(self, points_px: FloatArray, view: int = 0, *, z_mm: float | FloatArray = 0.0) -> FloatArray:
        """What lies at these places of the picture, in the plane `z_mm` above the pattern; x, y in mm, shape (n, 2)."""
        rays = np.column_stack([self._rays(points_px), np.ones(len(points_px))]) @ self.rotations[view]
        eye = -self.rotations[view].T @ self.translations[view]
        along = (z_mm - eye[2]) / rays[:, 2]
        return np.asarray(eye[:2] + along[:, None] * rays[:, :2])

    def summary(self) -> str:
        """One line for people."""
        return (
            f"focal length {self.focal_px:.0f} px (u {100 * self.u_focal:.1f} %), "
            f"k1 {self.k1:+.4f}, k2 {self.k2:+.4f}, "
            f"{len(self.rotations)} pictures, residual {1000 * self.rms_mm:.1f} um rms"
        )

    def distort(self, flat: FloatArray) -> FloatArray:
        """Where rays are seen that a straight lens would show at `flat`, both in focal lengths, shape (n, 2)."""
        square = np.sum(flat**2, axis=1, keepdims=True)
        return np.asarray(flat * (1.0 + self.k1 * square + self.k2 * square**2))

    def _rays(self, points_px: FloatArray) -> FloatArray:
        bent = (np.asarray(points_px, dtype=float) - self.centre_px) / self.focal_px
        seen = np.hypot(bent[:, 0], bent[:, 1])
        radius = seen.copy()
        for _ in range(20):
            square = radius**2
            value = radius * (1.0 + self.k1 * square + self.k2 * square**2) - seen
            slope = 1.0 + 3.0 * self.k1 * square + 5.0 * self.k2 * square**2
            # A lens model that folds back has no answer far out: stay where a real lens could have sent the ray.
            radius = np.clip(radius - value / np.maximum(slope, 0.1), 0.0, 4.0 * seen)
        share = np.divide(radius, seen, out=np.ones_like(seen), where=seen > 0)
        return np.asarray(bent * share[:, None])
