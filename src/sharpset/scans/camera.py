"""A pinhole camera with radial distortion, found from flat patterns of known size by least squares."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from sharpset.errors import ScanError
from sharpset.scans.pinhole import CameraFit, PlaneView

__all__ = ["fit_camera", "fit_homography"]

FloatArray = NDArray[np.float64]

_LENS_SD = 0.6  # of k1, k2 beforehand: lenses without deliberate fish-eye stay within (common practice, no source)
_CENTRE_SD = 0.02  # of the larger picture side: how far the axis may pass from the picture's centre, likewise
_NEAREST = 1e-3
"""Depth in mm below which a point is taken for lying there: behind the lens there is no picture."""
_SAME_SPREAD = 0.02
"""Change of the points' spread, relative, that alters their weights by too little to fit again."""
_TYPICAL_FOCAL = (
    1.1  # of the larger picture side, for want of anything better; with the default 35 % it spans 0.5 to 2.2
)


def _crossed(vectors: FloatArray) -> FloatArray:
    """The matrices that take a vector to its cross product with these, from their left; shape (n, 3, 3)."""
    x, y, z = np.asarray(vectors).T
    o = np.zeros_like(x)
    return np.stack((np.stack((o, -z, y), -1), np.stack((z, o, -x), -1), np.stack((-y, x, o), -1)), axis=1)


def _turn_of_vector(vector: FloatArray) -> FloatArray:
    """By what small turn, from the left, a rotation changes with its rotation vector (left Jacobian), shape (3, 3)."""
    angle = float(np.linalg.norm(vector))
    if angle < 1e-6:
        return np.asarray(np.eye(3) + _crossed(vector[None])[0] / 2)
    axis = vector / angle
    share = math.sin(angle) / angle
    part = share * np.eye(3) + (1 - share) * np.outer(axis, axis)
    return np.asarray(part + (1 - math.cos(angle)) / angle * _crossed(axis[None])[0])


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
        in_camera = self._in_camera(camera)
        depth = np.maximum(in_camera[:, 2:], _NEAREST)
        shown = camera.distort(in_camera[:, :2] / depth) * camera.focal_px + camera.centre_px
        return np.concatenate([((shown - self.seen_px) / sigma_px).ravel(), values[: self.n_common] / self.beliefs])

    def slopes(self, values: FloatArray, sigma_px: float) -> FloatArray:
        """Derivatives of `residuals` by the parameters, shape (2 n_points + n_common, n_parameters)."""
        camera = self.unpack(values)
        in_camera = self._in_camera(camera)
        depth = np.maximum(in_camera[:, 2:], _NEAREST)
        flat = in_camera[:, :2] / depth
        square = np.sum(flat**2, axis=1)
        bent = camera.focal_px * camera.distort(flat)
        # By the place in the camera's axes: the lens by the flat place, the flat place by the place in space.
        swell = 1.0 + square * (camera.k1 + camera.k2 * square)
        lens = swell[:, None, None] * np.eye(2) + (2 * camera.k1 + 4 * camera.k2 * square)[:, None, None] * (
            flat[:, :, None] * flat[:, None, :]
        )
        lens *= camera.focal_px / depth[:, :, None]
        by_place = np.concatenate((lens, -(lens @ flat[:, :, None])), axis=2)
        n = len(flat)
        found = np.zeros((n, 2, len(values)))
        found[:, :, 0] = bent
        found[:, :, 1:3] = np.eye(2)
        found[:, :, 3:5] = camera.focal_px * flat[:, :, None] * np.stack((square, square**2), axis=1)[:, None, :]
        turned = camera.rotations[self.view_of]
        by_height = by_place @ turned[:, :, 2:]
        found[:, :, 5 : 5 + self.n_bend] = by_height * self.shape[:, None, : self.n_bend]
        if self.u_aspect > 0:
            apart = self.true_mm * _stretch(camera.aspect) * np.array([0.5, -0.5])
            found[:, :, self.n_common - 1] = (by_place @ (turned[:, :, :2] @ apart[:, :, None]))[..., 0]
        by_turn = by_place @ _crossed(camera.translations[self.view_of] - in_camera)
        poses = values[self.n_common :].reshape(self.n_views, 6)
        for view, pose in enumerate(poses):
            own = self.view_of == view
            first = self.n_common + 6 * view
            found[own, :, first : first + 3] = by_turn[own] @ _turn_of_vector(pose[:3])
            found[own, :, first + 3 : first + 6] = by_place[own]
        beliefs = np.zeros((self.n_common, len(values)))
        np.fill_diagonal(beliefs, 1.0 / self.beliefs)
        return np.concatenate([found.reshape(2 * n, -1) / sigma_px, beliefs])

    @cached_property
    def beliefs(self) -> FloatArray:
        """Standard deviations of the common parameters beforehand, round none of a kind."""
        axis = _CENTRE_SD * self.side_px
        bend, aspect = [self.u_bend_mm] * self.n_bend, [self.u_aspect] * (self.u_aspect > 0)
        return np.array([self.u_focal, axis, axis, _LENS_SD, _LENS_SD, *bend, *aspect])

    def _in_camera(self, camera: CameraFit) -> FloatArray:
        """All points in the axes of the camera that saw them, shape (n, 3)."""
        turned = camera.rotations[self.view_of]
        points = np.column_stack((self.true_mm * _stretch(camera.aspect), self.shape @ camera.bend_mm))
        return np.asarray(np.einsum("nij,nj->ni", turned, points) + camera.translations[self.view_of])

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
    sigma_px = 1.0 if start is None else _spread_px(problem, values)
    for _ in range(3):
        values, covariance = _solve(problem, values, sigma_px, n_alike)
        weighed_px, sigma_px = sigma_px, _spread_px(problem, values)
        if abs(sigma_px - weighed_px) < _SAME_SPREAD * weighed_px:
            break
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


def _spread_px(problem: _Problem, values: FloatArray) -> float:
    """Robust spread of the points, at least a hundredth of a pixel so that perfect ones do not divide by zero."""
    misfit = problem.residuals(values, 1.0)[: 2 * len(problem.seen_px)]
    return max(1.4826 * float(np.median(np.abs(misfit))), 0.01)


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
        problem.residuals,
        start,
        jac=problem.slopes,
        args=(sigma_px,),
        loss=loss,
        f_scale=3.0,
        x_scale="jac",
        max_nfev=60,
    )
    if not np.isfinite(result.cost):
        raise ScanError(
            "camera: no camera explains the points. Check that the pattern named is the one in the picture."
        )
    normal = result.jac.T @ result.jac
    return np.asarray(result.x), np.linalg.pinv(normal)
