"""A pinhole camera with radial distortion, found from flat patterns of known size by least squares."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from sharpset.errors import ScanError

__all__ = ["CameraFit", "PlaneView", "fit_camera", "fit_homography"]

FloatArray = NDArray[np.float64]

_LENS_SD = 0.6  # of k1, k2 beforehand: lenses without deliberate fish-eye stay within (common practice, no source)
_CENTRE_SD = 0.02  # of the larger picture side: how far the axis may pass from the picture's centre, likewise
_TYPICAL_FOCAL = (
    1.1  # of the larger picture side, for want of anything better; with the default 35 % it spans 0.5 to 2.2
)


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
        return self._distort(seen[:, :2] / seen[:, 2:]) * self.focal_px + self.centre_px

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

    def _distort(self, flat: FloatArray) -> FloatArray:
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


def fit_homography(source: FloatArray, target: FloatArray) -> FloatArray:
    """The projective map that takes source points to target points, by the direct linear transform.

    Parameters
    ----------
    source, target : ndarray, shape (n, 2)
        At least four pairs, no three of the first four in line.

    Returns
    -------
    ndarray, shape (3, 3)
        Its lower-right element is 1.

    References
    ----------
    R. Hartley and A. Zisserman, Multiple View Geometry in Computer Vision, 2nd ed. 2004, algorithm 4.2 (normalised).
    """
    if len(source) < 4 or len(source) != len(target):
        raise ScanError(f"homography: {len(source)} and {len(target)} points, needed are four pairs or more.")
    to_unit, from_unit = _normaliser(source), _normaliser(target)
    s, t = apply_homography(to_unit, source), apply_homography(from_unit, target)
    ones, zeros = np.ones((len(s), 1)), np.zeros((len(s), 3))
    s1 = np.hstack([s, ones])
    rows = np.vstack(
        [np.hstack([s1, zeros, -t[:, :1] * s1]), np.hstack([zeros, s1, -t[:, 1:] * s1])],
    )
    _, singular, right = np.linalg.svd(rows)
    if len(singular) > 7 and singular[7] < 1e-10 * singular[0]:
        raise ScanError("homography: the points lie in one line. Give points spread over an area.")
    matrix = np.linalg.inv(from_unit) @ right[-1].reshape(3, 3) @ to_unit
    return np.asarray(matrix / matrix[2, 2])


def apply_homography(matrix: FloatArray, points: FloatArray) -> FloatArray:
    """Points taken through a projective map; shape (n, 2)."""
    moved = points @ matrix[:, :2].T + matrix[:, 2]
    return np.asarray(moved[:, :2] / moved[:, 2:])


def _normaliser(points: FloatArray) -> FloatArray:
    centre = points.mean(axis=0)
    spread = float(np.mean(np.hypot(*(points - centre).T))) or 1.0
    scale = math.sqrt(2.0) / spread
    return np.array([[scale, 0, -scale * centre[0]], [0, scale, -scale * centre[1]], [0, 0, 1]])


@dataclass(frozen=True, kw_only=True, eq=False)
class _Problem:
    """All points of all views, flat, with what is believed beforehand about the camera."""

    seen_px: FloatArray
    true_mm: FloatArray
    view_of: NDArray[np.intp]
    n_views: int
    middle_px: FloatArray
    side_px: float
    focal_px: float
    u_focal: float
    u_bend_mm: float
    shape: FloatArray
    n_bend: int
    u_aspect: float

    @property
    def n_common(self) -> int:
        """Parameters before the poses: focal length, axis, distortion, bend, aspect."""
        return 5 + self.n_bend + (self.u_aspect > 0)

    def residuals(self, values: FloatArray, sigma_px: float) -> FloatArray:
        """Misfits over their standard deviations: points first, then the beliefs."""
        camera = self.unpack(values)
        rotations, translations = camera.rotations[self.view_of], camera.translations[self.view_of]
        points = self.true_mm * _stretch(camera.aspect)
        in_camera = np.einsum("nij,nj->ni", rotations[:, :, :2], points) + translations
        in_camera += rotations[:, :, 2] * (self.shape @ camera.bend_mm)[:, None]
        depth = np.maximum(in_camera[:, 2:], 1e-3)
        shown = camera._distort(in_camera[:, :2] / depth) * camera.focal_px + camera.centre_px
        beliefs = [
            values[0] / self.u_focal,
            values[1] / (_CENTRE_SD * self.side_px),
            values[2] / (_CENTRE_SD * self.side_px),
            values[3] / _LENS_SD,
            values[4] / _LENS_SD,
            *(values[5 : 5 + self.n_bend] / max(self.u_bend_mm, 1e-9)),
            *(values[5 + self.n_bend : self.n_common] / max(self.u_aspect, 1e-9)),
        ]
        return np.concatenate([((shown - self.seen_px) / sigma_px).ravel(), beliefs])

    def unpack(self, values: FloatArray) -> CameraFit:
        """The camera that a vector of parameters stands for."""
        from scipy.spatial.transform import Rotation

        poses = values[self.n_common :].reshape(self.n_views, 6)
        return CameraFit(
            focal_px=float(self.focal_px * math.exp(values[0])),
            u_focal=math.nan,
            centre_px=self.middle_px + values[1:3],
            k1=float(values[3]),
            k2=float(values[4]),
            rotations=np.asarray(Rotation.from_rotvec(poses[:, :3]).as_matrix()),
            translations=poses[:, 3:],
            bend_mm=np.asarray(values[5:8], dtype=float) if self.n_bend else np.zeros(3),
            aspect=math.exp(values[self.n_common - 1]) if self.u_aspect > 0 else 1.0,
        )

    def pack(self, camera: CameraFit) -> FloatArray:
        """The parameters of a camera: the reverse of `unpack`."""
        from scipy.spatial.transform import Rotation

        turns = Rotation.from_matrix(camera.rotations).as_rotvec()
        return np.concatenate(
            [
                [math.log(camera.focal_px / self.focal_px)],
                camera.centre_px - self.middle_px,
                [camera.k1, camera.k2],
                camera.bend_mm[: self.n_bend],
                [math.log(camera.aspect)] if self.u_aspect > 0 else [],
                np.hstack([turns, camera.translations]).ravel(),
            ]
        )


def fit_camera(
    views: Sequence[PlaneView],
    *,
    size_px: tuple[int, int],
    focal_px: float | None = None,
    u_focal: float = 0.35,
    u_bend_mm: float = 0.0,
    u_aspect: float = 0.0,
    n_alike: float = 1.0,
    start: CameraFit | None = None,
) -> CameraFit:
    """Find focal length, axis, distortion and positions of one camera from pictures of flat patterns.

    Parameters
    ----------
    views : sequence of PlaneView
        All by the same camera at the same zoom and focus.
    size_px : (int, int)
        Columns and rows of the pictures.
    focal_px : float or None
        What is known of the focal length beforehand; None takes 1.1 times the larger side.
    u_focal : float
        Relative standard uncertainty of that knowledge.
    u_bend_mm : float
        How far the pattern's rim may lie over or under its middle; 0 for a rigid board. All views show the same bend.
    u_aspect : float
        Relative standard uncertainty of its length along x over that along y; 0 where they are known. Seen from one
        side lengths look shorter that way, as they do on a pattern that was stretched.
    n_alike : float
        How many points err alike, and count as one beside what is known of the camera: those of one printed mark, or
        more where a card is not flat.
    start : CameraFit or None
        A fit to nearly the same views, to begin with.

    Returns
    -------
    CameraFit
        Its ``u_focal`` covers noise and what the views leave open; one picture from straight above tells nothing of the
        focal length, so that what was known beforehand stays.

    Raises
    ------
    ScanError
        If a view has fewer than eight points or the fit fails.

    Notes
    -----
    Least squares over all points in pixels, residuals weighed down softly beyond about three standard deviations; weak
    beliefs about focal length, axis and distortion keep parameters that the views leave open where cameras have them.
    """
    if not views or any(len(view.points_px) < 8 for view in views):
        raise ScanError("camera: a picture shows fewer than eight known points. Show the whole pattern.")
    problem = _pose_problem(views, size_px, focal_px, u_focal, u_bend_mm, u_aspect)
    values = _start(problem, views) if start is None else problem.pack(start)
    sigma_px = 1.0
    for _ in range(3):
        values, covariance = _solve(problem, values, sigma_px, n_alike)
        misfit = problem.residuals(values, 1.0)[: 2 * len(problem.seen_px)]
        # Robust spread, at least a hundredth of a pixel so that perfect points do not divide by zero.
        sigma_px = max(1.4826 * float(np.median(np.abs(misfit))), 0.01)
    camera = problem.unpack(values)
    height = problem.shape @ camera.bend_mm
    residuals = tuple(
        camera.to_plane(view.points_px, index, z_mm=height[problem.view_of == index])
        - np.asarray(view.points_mm, dtype=float) * _stretch(camera.aspect)
        for index, view in enumerate(views)
    )
    return CameraFit(
        focal_px=camera.focal_px,
        u_focal=float(math.sqrt(max(covariance[0, 0], 0.0))),
        centre_px=camera.centre_px,
        k1=camera.k1,
        k2=camera.k2,
        rotations=camera.rotations,
        translations=camera.translations,
        residuals_mm=residuals,
        bend_mm=camera.bend_mm,
        aspect=camera.aspect,
    )


def _stretch(aspect: float) -> FloatArray:
    """Factors of lengths along x and y."""
    return np.array([math.sqrt(aspect), 1 / math.sqrt(aspect)])


def _pose_problem(
    views: Sequence[PlaneView],
    size_px: tuple[int, int],
    focal_px: float | None,
    u_focal: float,
    u_bend_mm: float,
    u_aspect: float,
) -> _Problem:
    side = float(max(size_px))
    points = np.concatenate([np.asarray(view.points_mm, dtype=float) for view in views])
    low, high = points.min(axis=0), points.max(axis=0)
    x, y = ((2 * points - low - high) / np.maximum(high - low, 1e-9)).T
    return _Problem(
        seen_px=np.concatenate([np.asarray(view.points_px, dtype=float) for view in views]),
        true_mm=points,
        view_of=np.repeat(np.arange(len(views)), [len(view.points_px) for view in views]),
        n_views=len(views),
        middle_px=(np.array(size_px, dtype=float) - 1.0) / 2.0,
        side_px=side,
        focal_px=_TYPICAL_FOCAL * side if focal_px is None else focal_px,
        u_focal=u_focal,
        u_bend_mm=u_bend_mm,
        shape=np.column_stack((x * x, x * y, y * y)),
        n_bend=3 if u_bend_mm > 0 else 0,
        u_aspect=u_aspect,
    )


def _start(problem: _Problem, views: Sequence[PlaneView]) -> FloatArray:
    from scipy.spatial.transform import Rotation

    maps = [
        fit_homography(np.asarray(v.points_mm, float), np.asarray(v.points_px, float) - problem.middle_px)
        for v in views
    ]
    focal = _focal_from_maps(maps, problem)
    values = [math.log(focal / problem.focal_px), *([0.0] * (problem.n_common - 1))]
    for matrix in maps:
        columns = np.diag([1 / focal, 1 / focal, 1.0]) @ matrix
        columns = columns * (2.0 / (np.linalg.norm(columns[:, 0]) + np.linalg.norm(columns[:, 1])))
        columns = columns if columns[2, 2] > 0 else -columns
        axes = np.column_stack([columns[:, 0], columns[:, 1], np.cross(columns[:, 0], columns[:, 1])])
        left, _, right = np.linalg.svd(axes)
        values += [*Rotation.from_matrix(left @ right).as_rotvec(), *columns[:, 2]]
    return np.array(values)


def _focal_from_maps(maps: Sequence[FloatArray], problem: _Problem) -> float:
    """Zhang's two conditions per picture, for the focal length alone; what was known beforehand if they say nothing."""
    top = bottom = 0.0
    for matrix in maps:
        h1, h2 = matrix[:, 0], matrix[:, 1]
        scale = float(h1[:2] @ h1[:2] + h2[:2] @ h2[:2])
        for flat, deep in (
            (float(h1[:2] @ h2[:2]) / scale, h1[2] * h2[2] / scale),
            (float(h1[:2] @ h1[:2] - h2[:2] @ h2[:2]) / scale, (h1[2] ** 2 - h2[2] ** 2) / scale),
        ):
            top -= flat * deep
            bottom += flat * flat
    if top > 0 and bottom > 0:
        focal = math.sqrt(bottom / top)
        if 0.4 < focal / problem.focal_px < 2.5:
            return focal
    return problem.focal_px


def _solve(problem: _Problem, start: FloatArray, sigma_px: float, n_alike: float) -> tuple[FloatArray, FloatArray]:
    from scipy.optimize import least_squares

    is_point = np.arange(2 * len(problem.seen_px) + problem.n_common) < 2 * len(problem.seen_px)

    def loss(z: FloatArray) -> FloatArray:
        """Soft beyond some standard deviations for points; beliefs keep their weight."""
        root = np.sqrt(1.0 + z)
        soft = np.stack((2.0 * (root - 1.0), 1.0 / root, -0.5 / root**3)) / n_alike
        return np.where(is_point, soft, np.stack((z, np.ones_like(z), np.zeros_like(z))))

    result = least_squares(
        problem.residuals, start, args=(sigma_px,), loss=loss, f_scale=3.0, x_scale="jac", max_nfev=60
    )
    if not np.isfinite(result.cost):
        raise ScanError(
            "camera: no camera explains the points. Check that the pattern named is the one in the picture."
        )
    normal = result.jac.T @ result.jac
    return np.asarray(result.x), np.linalg.pinv(normal)
