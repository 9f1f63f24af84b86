"""Circle fits against a published case."""

from __future__ import annotations

import pytest

from sharpset.readings.holes.circles import CircleMethod, fit_circle

POINTS = [(1, 7), (2, 6), (5, 8), (7, 7), (9, 5), (3, 7)]
"""Gander, Golub & Strebel (1994), Least-squares fitting of circles and ellipses, BIT 34, 558-578, section 2."""


def test_geometric_circle_of_gander_golub_and_strebel():
    """The paper prints centre (4.7398, 2.9835) and radius 4.7142; half a unit of its last digit is allowed."""
    circle = fit_circle(POINTS)
    assert circle.x_mm == pytest.approx(4.7398, abs=5.1e-5)
    assert circle.y_mm == pytest.approx(2.9835, abs=5.1e-5)
    assert circle.radius_mm == pytest.approx(4.7142, abs=5.1e-5)


@pytest.mark.parametrize(
    ("method", "x", "y", "radius"),
    [("kasa", 4.74233, 3.83512, 4.10876), ("pratt", 4.61548, 2.80735, 4.91130), ("taubin", 4.61393, 2.79521, 4.87921)],
)
def test_algebraic_circles_of_the_same_points(method: CircleMethod, x: float, y: float, radius: float):
    """Values calculated for these points by other code (not printed in the paper); tolerance 1e-4."""
    circle = fit_circle(POINTS, method=method)
    assert (circle.x_mm, circle.y_mm, circle.radius_mm) == pytest.approx((x, y, radius), abs=1e-4)
