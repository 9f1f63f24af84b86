"""Circles through points."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sharpset.errors import ReadingError
from sharpset.readings.holes.circles import fit_circle

METHODS = ("geometric", "taubin", "pratt", "kasa")


@pytest.mark.parametrize("method", METHODS)
@settings(max_examples=40, deadline=None)
@given(
    x=st.floats(-50, 50),
    y=st.floats(-50, 50),
    radius=st.floats(0.05, 40),
    start=st.floats(0, 360),
    arc=st.floats(60, 360),
    n=st.integers(4, 60),
)
def test_points_on_an_arc_give_their_circle(method, x, y, radius, start, arc, n):
    angle = np.radians(start + np.linspace(0, arc, n, endpoint=False))
    points = np.column_stack((x + radius * np.cos(angle), y + radius * np.sin(angle)))
    circle = fit_circle(points, method=method)
    # Rounding of coordinates of the size of 50 mm is 1e-14 of them; an arc of 45 degrees (four points of 60)
    # magnifies it by 1 / (1 - cos 22 deg), about ten, and the squares of algebraic fits once more.
    np.testing.assert_allclose((circle.x_mm, circle.y_mm, circle.radius_mm), (x, y, radius), atol=1e-10)
    assert circle.rms_mm < 1e-10


def test_geometric_circle_is_a_least_sum_of_squares():
    rng = np.random.default_rng(4)
    angle = rng.uniform(0, 2.0, 40)
    points = np.column_stack((np.cos(angle), np.sin(angle))) * (2 + rng.normal(0, 0.05, (40, 1)))
    circle = fit_circle(points)

    def cost(x, y, r):
        return np.sum((np.hypot(points[:, 0] - x, points[:, 1] - y) - r) ** 2)

    least = cost(circle.x_mm, circle.y_mm, circle.radius_mm)
    for step in np.vstack((np.eye(3), -np.eye(3))) * 1e-4:
        assert cost(circle.x_mm + step[0], circle.y_mm + step[1], circle.radius_mm + step[2]) > least
    assert circle.rms_mm == pytest.approx(np.sqrt(least / 40))


def test_points_of_no_weight_do_not_count():
    angle = np.arange(12) * 0.5
    points = np.column_stack((np.cos(angle), np.sin(angle)))
    with_mark = np.vstack((points, [[7.0, 7.0]]))
    circle = fit_circle(with_mark, weights=[1.0] * 12 + [0.0])
    assert circle.radius_mm == pytest.approx(1.0, abs=1e-12)
    assert circle.n == 12
    assert "2 mm diameter" in circle.summary()


def test_lobed_outline_has_the_roundness_of_its_ripple():
    angle = np.linspace(0, 2 * np.pi, 720, endpoint=False)
    radius = 5 + 0.02 * np.cos(3 * angle)
    circle = fit_circle(np.column_stack((radius * np.cos(angle), radius * np.sin(angle))))
    # A ripple of three lobes moves neither centre nor radius: rms = 0.02 / sqrt 2, peak to valley 0.04; second
    # order in ripple over radius, 0.02 ** 2 / 5.
    assert circle.rms_mm == pytest.approx(0.02 / np.sqrt(2), abs=1e-4)
    assert circle.peak_to_valley_mm == pytest.approx(0.04, abs=2e-4)


@pytest.mark.parametrize(
    "points", [[(0, 0), (1, 1)], [(0, 0), (1, 1), (2, 2), (5, 5)], [(0, 0), (1, np.nan), (2, 0)], [(1, 1)] * 5]
)
def test_what_is_no_circle_is_refused(points):
    with pytest.raises(ReadingError):
        fit_circle(points)


def test_wrong_weights_are_refused():
    points = [(0, 1), (1, 0), (0, -1), (-1, 0)]
    for weights in ([1, 1], [1, 1, -1, 1], [1, 1, 0, 0]):
        with pytest.raises(ReadingError):
            fit_circle(points, weights=weights)
