"""The slow map of one axis: by hand, against a spline by another route, and by coverage."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.interpolate import make_interp_spline

from sharpset.scans.axis_scale import U_UNCALIBRATED, AxisScale, GraduationData, cardinal, fit_axis
from sharpset.scans.scale import ScanScale
from sharpset.scans.scan import PixelSize


def data_of(position: np.ndarray, excess: np.ndarray, *, track=None, parity=None, pitch: float = 0.5):
    zeros = np.zeros(len(position))
    return GraduationData(
        position_mm=position,
        excess_mm=excess,
        track=zeros.astype(int) if track is None else track,
        parity=zeros if parity is None else parity,
        pitch_mm=pitch,
    )


def test_splines_are_natural_and_go_on_straight():
    nodes = np.array([0.0, 10.0, 25.0, 40.0])
    values = np.array([0.1, -0.2, 0.3, 0.0])
    grid = np.linspace(0, 40, 50)
    by_scipy = make_interp_spline(nodes, values, k=3, bc_type="natural")
    np.testing.assert_allclose(cardinal(nodes, grid) @ values, by_scipy(grid), atol=1e-12)
    beyond = cardinal(nodes, np.array([40.0, 50.0, 60.0])) @ values
    mean_slope = np.polyfit(nodes, values, 1)[0]
    np.testing.assert_allclose(np.diff(beyond), 10 * mean_slope, atol=1e-12)


def test_a_plain_scale_is_found_with_two_nodes():
    rng = np.random.default_rng(1)
    position = np.arange(5, 45, 0.5)
    axis = fit_axis(data_of(position, 0.004 * position + rng.normal(0, 0.002, len(position))))
    assert len(axis.nodes_mm) == 2
    # By hand: the slope of a line has the standard deviation sigma / (sd(x) sqrt(n)).
    by_hand = 0.002 / (np.std(position) * math.sqrt(len(position)))
    assert axis.u_slope(5, 44.5) == pytest.approx(by_hand, rel=0.25)  # sigma itself is known to 8 %, neighbours vary
    assert abs(axis.correction - 0.004) < 3 * by_hand


def test_rows_have_constants_and_squares_a_bloom_of_their_own():
    position = np.tile(np.arange(10, 50, 2.0), 3)
    track = np.repeat([0, 1, 2], 20)
    parity = np.where(np.arange(60) % 2, 1.0, -1.0)
    excess = -0.003 * position + np.array([0.0, 5.0, -2.0])[track] + 0.04 * parity
    axis = fit_axis(data_of(position, excess, track=track, parity=parity, pitch=2.0))
    assert axis.correction == pytest.approx(-0.003, abs=1e-9)


def test_gross_errors_do_not_pull_the_scale():
    position = np.arange(0, 40, 0.5)
    excess = 0.001 * position + np.random.default_rng(2).normal(0, 0.001, len(position))
    excess[[3, 30, 70]] += [0.2, -0.15, 0.3]
    axis = fit_axis(data_of(position, excess))
    assert axis.correction == pytest.approx(0.001, abs=4e-5)  # three times 1 um / (11.5 mm * sqrt(80))


def test_intervals_of_the_scale_hold_the_truth():
    rng = np.random.default_rng(3)
    position = np.arange(0, 60, 1.0)
    inside = []
    for _ in range(150):
        slow = 0.02 * np.sin(2 * np.pi * position / rng.uniform(50, 120) + rng.uniform(0, 6))
        axis = fit_axis(data_of(position, 0.002 * position + slow + rng.normal(0, 0.003, 60), pitch=1.0))
        low, high = 15.0, 45.0
        grid = np.linspace(low, high, 201)
        slope = np.polyfit(grid, np.interp(grid, position, 0.002 * position + slow), 1)[0]
        inside.append(abs(axis.slope(low, high) - slope) < 1.96 * axis.u_slope(low, high))
    # Of 150 intervals of 95 % two standard deviations below are 91.4 %; that the data choose the nodes costs some more.
    assert 0.88 < np.mean(inside) <= 1.0


def test_where_no_graduation_lay_the_nominal_scale_counts():
    axis = AxisScale(
        nodes_mm=np.array([0.0, 50.0]),
        offsets_mm=np.array([0.0, 0.1]),
        covariance_mm2=np.zeros((2, 2)),
        u_relative=1e-5,
        n=51,
    )
    assert axis.u_slope(10, 40) == pytest.approx(1e-5)
    assert axis.u_slope(25, 75) == pytest.approx(math.hypot(1e-5, 0.5 * U_UNCALIBRATED))
    assert axis.u_slope(100, 120) == pytest.approx(math.hypot(1e-5, U_UNCALIBRATED))
    assert axis.slope(100, 120) == pytest.approx(0.002)
    assert AxisScale().u_slope(0, 10) == U_UNCALIBRATED


def test_straight_keeps_the_mean_and_owns_up_to_the_bends():
    nodes = np.linspace(0, 100, 9)
    axis = AxisScale(
        nodes_mm=nodes,
        offsets_mm=0.003 * nodes + 0.02 * np.sin(2 * np.pi * nodes / 80),
        covariance_mm2=np.eye(9) * 1e-8,
        u_relative=1e-5,
        n=100,
    )
    plain = axis.straight()
    assert len(plain.nodes_mm) == 2
    assert plain.correction == pytest.approx(axis.correction, abs=1e-12)
    # Slopes of a sine of 20 um and 80 mm have the root mean square 0.02 * 2 pi / 80 / sqrt 2 over whole periods.
    assert plain.u_relative == pytest.approx(0.02 * 2 * math.pi / 80 / math.sqrt(2), rel=0.25)


def test_scale_of_a_part_leaves_bends_without_mean_or_slope():
    nodes = np.linspace(0, 100, 12)
    y = AxisScale(
        nodes_mm=nodes,
        offsets_mm=0.003 * nodes + 0.02 * np.sin(nodes / 12),
        covariance_mm2=np.zeros((12, 12)),
        u_relative=2e-5,
    )
    scale = ScanScale(pixel_mm=PixelSize(0.02, 0.02), y=y)
    local = scale.over((100, 1000), (2000, 3500))
    rows = np.linspace(1000, 3500, 101)
    points = np.column_stack((np.full(101, 500.0), rows))
    bend = local.bend_mm(points)
    np.testing.assert_allclose(bend[:, 0], 0.0, atol=1e-12)
    assert abs(bend[:, 1].mean()) < 1e-4
    # mm per row of 0.02 mm: 1e-5 of a length, from the grids' different steps
    assert abs(np.polyfit(rows, bend[:, 1], 1)[0]) < 2e-7
    # What is true: nominal position plus offset; the straight part plus the bend must give it back.
    true = rows * 0.02 + y.offsets(rows * 0.02)
    found = rows * local.pixel_mm.y + bend[:, 1]
    np.testing.assert_allclose(found - found[0], true - true[0], atol=1e-12)
    stretch = local.stretch(points)[:, 1]
    by_differences = np.gradient(bend[:, 1], rows * local.pixel_mm.y)
    np.testing.assert_allclose(stretch[1:-1], by_differences[1:-1], atol=3e-6)  # steps of 0.5 mm: third derivative
    assert local.u_along(np.array([[0.0, 1.0], [0.6, 0.8]])) == pytest.approx([2e-5, 0.36 * 0.002 + 0.64 * 2e-5])
