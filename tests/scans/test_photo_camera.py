"""Camera fits against points projected by another library."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from sharpset.errors import ScanError
from sharpset.scans.camera import _pose_problem, _start, apply_homography, fit_camera, fit_homography
from sharpset.scans.pinhole import PlaneView

SIZE = (1600, 1200)
GRID = np.stack(np.meshgrid(np.linspace(0, 90, 7), np.linspace(0, 70, 6)), axis=-1).reshape(-1, 2)
MATRIX = np.array([[1800.0, 0, 805.0], [0, 1800.0, 590.0], [0, 0, 1]])
LENS = np.array([-0.15, 0.05, 0.0, 0.0])
POSES = [
    (np.array([0.25, 0.1, 0.05]), np.array([-45.0, -35.0, 190.0])),
    (np.array([-0.2, 0.3, 1.5]), np.array([30.0, -45.0, 200.0])),
    (np.array([0.1, -0.35, -0.7]), np.array([-55.0, -5.0, 210.0])),
]


def seen(pose: tuple[NDArray[np.float64], NDArray[np.float64]], z_mm: float = 0.0) -> NDArray[np.float64]:
    space = np.column_stack([GRID, np.full(len(GRID), z_mm)])
    return cv2.projectPoints(space, pose[0], pose[1], MATRIX, LENS)[0].reshape(-1, 2)


def noisy_views(sigma_px: float, seed: int = 0) -> list[PlaneView]:
    rng = np.random.default_rng(seed)
    return [PlaneView(points_px=seen(pose) + rng.normal(0, sigma_px, (len(GRID), 2)), points_mm=GRID) for pose in POSES]


def test_perfect_points_give_the_camera_back() -> None:
    camera = fit_camera(noisy_views(0.0), size_px=SIZE)
    # The weak beliefs pull by their share of the information; at 0.01 px that is parts in 1e5.
    assert camera.focal_px == pytest.approx(1800, rel=2e-4)
    assert (camera.k1, camera.k2) == pytest.approx((-0.15, 0.05), abs=2e-3)
    np.testing.assert_allclose(camera.centre_px, (805, 590), atol=0.5)
    assert camera.max_mm < 2e-4


def test_projection_agrees_with_the_other_library() -> None:
    camera = fit_camera(noisy_views(0.0), size_px=SIZE)
    for view, pose in enumerate(POSES):
        np.testing.assert_allclose(camera.project(GRID, view), seen(pose), atol=2e-3)
        # Two millimetres above: its z axis is the frame's, so the sign of the height is tested too.
        np.testing.assert_allclose(camera.project(GRID, view, z_mm=2.0), seen(pose, 2.0), atol=5e-3)


def test_there_and_back() -> None:
    camera = fit_camera(noisy_views(0.0), size_px=SIZE)
    for z_mm in (0.0, 3.0):
        back = camera.to_plane(camera.project(GRID, 1, z_mm=z_mm), 1, z_mm=z_mm)
        np.testing.assert_allclose(back, GRID, atol=1e-9)


def test_undistorted_points_agree_with_the_other_library() -> None:
    camera = fit_camera(noisy_views(0.0), size_px=SIZE)
    points = seen(POSES[0])
    wanted = cv2.undistortPoints(points[:, None], MATRIX, LENS, P=MATRIX).reshape(-1, 2)
    np.testing.assert_allclose(camera.undistort(points), wanted, atol=0.3)  # centre and focal length are fitted


def test_stated_uncertainty_of_the_focal_length_is_honest() -> None:
    errors, stated = [], []
    for seed in range(30):
        camera = fit_camera(noisy_views(0.2, seed), size_px=SIZE)
        errors.append(camera.focal_px / 1800 - 1)
        stated.append(camera.u_focal)
    # 30 draws fix a spread to about 13 %: within a factor 1.6 is a 3-sigma test either way.
    assert 1 / 1.6 < np.sqrt(np.mean(np.square(errors))) / np.mean(stated) < 1.6


def test_a_view_from_straight_above_leaves_the_focal_length_open() -> None:
    pose = (np.array([np.pi, 0.0, 0.0]), np.array([-45.0, 35.0, 200.0]))
    view = PlaneView(points_px=seen(pose), points_mm=GRID)
    camera = fit_camera([view], size_px=SIZE, focal_px=1700.0, u_focal=0.1)
    assert camera.u_focal > 0.03
    assert abs(camera.focal_px / 1800 - 1) < 3 * camera.u_focal
    assert camera.tilts_deg[0] < 1.0


@pytest.mark.parametrize("bend_mm", [(-0.45, 0.0, 0.0), (0.2, 0.15, -0.25)])
def test_a_bent_card_is_told_from_tilt_and_distance(bend_mm: tuple[float, float, float]) -> None:
    x, y = (GRID / (45.0, 35.0) - 1).T
    space = np.column_stack([GRID, np.column_stack((x * x, x * y, y * y)) @ bend_mm])
    # From above, 15 degrees off the vertical, 320 mm away.
    pose = (np.array([np.pi - 0.26, 0.0, 0.0]), np.array([-45.0, 35.0, 320.0]))
    points = cv2.projectPoints(space, *pose, MATRIX, LENS)[0].reshape(-1, 2)
    view = PlaneView(points_px=points + np.random.default_rng(1).normal(0, 0.03, points.shape), points_mm=GRID)
    flat, bent = (fit_camera([view], size_px=SIZE, focal_px=1750.0, u_focal=0.1, u_bend_mm=u) for u in (0.0, 0.3))
    # 0.03 px are 5 um; a flat card leaves four times that, and the rim's height is told to a tenth of a millimetre.
    assert bent.rms_mm < 0.01 < flat.rms_mm
    np.testing.assert_allclose(bent.bend_mm, bend_mm, atol=0.1)
    assert bent.tilts_deg[0] == pytest.approx(np.degrees(0.26), abs=0.6)


def test_outliers_do_not_pull() -> None:
    views = noisy_views(0.1)
    views[0].points_px[5] += (25.0, -30.0)
    views[1].points_px[20] += (-15.0, 10.0)
    camera = fit_camera(views, size_px=SIZE)
    # 0.1 px are 0.011 mm here; a plain fit would miss by more than 0.05 mm at the neighbours.
    good = np.delete(camera.residuals_mm[0], 5, axis=0)
    assert np.sqrt(np.mean(good**2)) < 0.02
    assert camera.max_mm > 2.0


def test_homography_exact_and_inverse() -> None:
    matrix = np.array([[1.1, 0.2, 5.0], [-0.1, 0.9, -3.0], [0.001, -0.002, 1.0]])
    found = fit_homography(GRID, apply_homography(matrix, GRID))
    np.testing.assert_allclose(found, matrix, atol=1e-9)
    wanted = cv2.findHomography(GRID, apply_homography(matrix, GRID))[0]
    np.testing.assert_allclose(found, wanted, atol=1e-6)


@pytest.mark.parametrize(
    ("points", "text"),
    [(GRID[:3], "four pairs"), (np.column_stack([np.arange(9.0), np.arange(9.0)]), "in one line")],
)
def test_homography_of_too_little_is_refused(points: NDArray[np.float64], text: str) -> None:
    with pytest.raises(ScanError, match=text):
        fit_homography(points, points)


def test_camera_from_too_few_points_is_refused() -> None:
    with pytest.raises(ScanError, match="fewer than eight"):
        fit_camera([PlaneView(points_px=GRID[:6], points_mm=GRID[:6])], size_px=SIZE)


@pytest.mark.parametrize(("u_bend_mm", "u_aspect"), [(0.0, 0.0), (0.3, 0.01)])
def test_slopes_are_those_of_the_misfits(u_bend_mm: float, u_aspect: float) -> None:
    problem = _pose_problem(noisy_views(0.5), SIZE, None, 0.35, u_bend_mm, u_aspect)
    values = _start(problem, noisy_views(0.5))
    values = values + np.random.default_rng(3).normal(0, 0.02, len(values))
    step = 1e-6
    by_hand = [
        (problem.residuals(values + h, 1.7) - problem.residuals(values - h, 1.7)) / (2 * step)
        for h in step * np.eye(len(values))
    ]
    # Central differences of numbers near 1e3 are good to 1e-16 * 1e3 / 1e-6.
    np.testing.assert_allclose(problem.slopes(values, 1.7), np.transpose(by_hand), rtol=1e-6, atol=1e-4)
