"""Circles through points: the geometric least-squares circle, and the algebraic ones it starts from."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sharpset.errors import ReadingError

__all__ = ["Circle", "CircleMethod", "fit_circle"]

FloatArray = NDArray[np.float64]
CircleMethod = Literal["geometric", "taubin", "pratt", "kasa"]
_N_STEPS = 100


@dataclass(frozen=True, kw_only=True, slots=True)
class Circle:
    """A circle fitted to points; lengths in the unit of the points (mm in this package).

    Attributes
    ----------
    x_mm, y_mm : float
        Centre.
    radius_mm : float
    rms_mm : float
        Root mean square of the points' distances from the circle (RONq of ISO 12181-1 about the
        least-squares reference circle, if the method is geometric).
    peak_to_valley_mm : float
        Largest minus smallest distance (RONt of ISO 12181-1).
    n : int
    """

    x_mm: float
    y_mm: float
    radius_mm: float
    rms_mm: float
    peak_to_valley_mm: float
    n: int

    def summary(self) -> str:
        """Return the circle in one line."""
        return (
            f"circle of {2 * self.radius_mm:.5g} mm diameter about ({self.x_mm:.5g}, {self.y_mm:.5g}) mm, "
            f"{self.n} points within {self.rms_mm:.2g} mm (rms)"
        )


def fit_circle(points_mm: ArrayLike, *, weights: ArrayLike | None = None, method: CircleMethod = "geometric") -> Circle:
    """Fit a circle to points in the plane.

    Parameters
    ----------
    points_mm : array_like of float, shape (n, 2)
        At least three, not all on one straight line.
    weights : array_like of float, shape (n,), optional
    method : {'geometric', 'taubin', 'pratt', 'kasa'}
        'geometric' makes the sum of squared distances from the circle smallest (the least-squares
        reference circle of ISO 12181-1). The others are algebraic: quick, but drawn towards small
        circles on short arcs (Kasa most, Taubin least).

    Returns
    -------
    Circle

    Raises
    ------
    ReadingError
        For fewer than three points, points that are no numbers, or points on a line.

    References
    ----------
    Gander, Golub & Strebel (1994), Least-squares fitting of circles and ellipses, BIT 34, 558-578.
    Chernov & Lesort (2005), Least squares fitting of circles, J. Math. Imaging Vision 23, 239-252.
    """
    points = np.asarray(points_mm, dtype=float)
    if points.ndim != 2 or points.shape[1] != 2 or len(points) < 3 or not np.isfinite(points).all():
        raise ReadingError(f"a circle needs three or more points (x, y) that are numbers, got shape {points.shape}.")
    weight = np.ones(len(points)) if weights is None else np.asarray(weights, dtype=float)
    if weight.shape != (len(points),) or not (weight >= 0).all() or np.count_nonzero(weight) < 3:
        raise ReadingError("a circle needs one weight per point, none negative and three or more above 0.")
    weight = weight / weight.sum()
    middle = weight @ points
    centred = points - middle
    size = float(np.sqrt(weight @ np.sum(centred**2, axis=1)))
    flat = np.linalg.eigvalsh((centred * weight[:, None]).T @ centred)[0]
    if not flat > 1e-20 * size**2:
        raise ReadingError("the points lie on one straight line (or are one point), which is no circle.")
    scaled = centred / size
    algebraic = "taubin" if method == "geometric" else method
    x, y, radius = _algebraic(scaled, weight, algebraic)
    if method == "geometric":
        x, y, radius = _geometric(scaled, weight, np.array([x, y, radius]))
    away = (np.hypot(scaled[:, 0] - x, scaled[:, 1] - y) - radius) * size
    used = away[weight > 0]
    return Circle(
        x_mm=float(middle[0] + size * x),
        y_mm=float(middle[1] + size * y),
        radius_mm=float(size * radius),
        rms_mm=float(np.sqrt(weight @ away**2)),
        peak_to_valley_mm=float(used.max() - used.min()),
        n=len(used),
    )


def _algebraic(points: FloatArray, weight: FloatArray, method: CircleMethod) -> FloatArray:
    """Fit A (x^2 + y^2) + B x + C y + D = 0 under the method's constraint; the points are centred."""
    square = np.sum(points**2, axis=1)
    if method == "kasa":
        root = np.sqrt(weight)
        design = np.column_stack((points, np.ones(len(points))))
        b, c, d = np.linalg.lstsq(design * root[:, None], -square * root, rcond=None)[0]
        return np.array([-b / 2, -c / 2, np.sqrt((b**2 + c**2) / 4 - d)])
    rows = np.column_stack((square, points, np.ones(len(points)))) * np.sqrt(weight)[:, None]
    if method == "pratt":
        # B^2 + C^2 - 4 A D = 1, in the basis of the singular vectors of the design.
        constraint = np.diag([0.0, 1.0, 1.0, 0.0])
        constraint[0, 3] = constraint[3, 0] = -2.0
    else:
        # Taubin: the mean squared gradient is 1; D is free of it, which centring takes out exactly.
        mean = float(weight @ square)
        first = weight @ points
        constraint = np.diag([4 * mean, 1.0, 1.0, 0.0])
        constraint[0, 1:3] = constraint[1:3, 0] = 2 * first
    a, b, c, d = _smallest(rows, constraint)
    return np.array([-b / (2 * a), -c / (2 * a), np.sqrt(b**2 + c**2 - 4 * a * d) / (2 * abs(a))])


def _smallest(rows: FloatArray, constraint: FloatArray) -> FloatArray:
    """Return the vector of smallest |rows @ v| with v' constraint v = 1, by singular values."""
    _, singular, right = np.linalg.svd(rows, full_matrices=False)
    if singular[-1] < 1e-12 * singular[0]:
        return np.asarray(right[-1])
    # With v = V S^-1 w the matrix S^-1 V' N V S^-1 has the sought w as vector of its largest value.
    inverse = right.T / singular
    values, vectors = np.linalg.eigh(inverse.T @ constraint @ inverse)
    return np.asarray(inverse @ vectors[:, int(np.argmax(values))])


def _geometric(points: FloatArray, weight: FloatArray, start: FloatArray) -> FloatArray:
    """Make the sum of squared distances smallest by Levenberg-Marquardt steps from an algebraic circle."""
    p, damping = start, 1e-4

    def distances(q: FloatArray) -> tuple[FloatArray, FloatArray]:
        delta = points - q[:2]
        r = np.maximum(np.hypot(*delta.T), 1e-300)
        return r - q[2], np.column_stack((-delta / r[:, None], -np.ones(len(points))))

    away, jacobian = distances(p)
    cost = weight @ away**2
    for _ in range(_N_STEPS):
        normal = (jacobian * weight[:, None]).T @ jacobian
        gradient = jacobian.T @ (weight * away)
        step = np.linalg.solve(normal + damping * np.diag(np.diag(normal) + 1e-12), -gradient)
        small = np.abs(step).max() < 1e-12 * max(1.0, np.abs(p).max())
        trial = p + step
        new_away, new_jacobian = distances(trial)
        new_cost = weight @ new_away**2
        if new_cost <= cost:
            p, away, jacobian, cost, damping = trial, new_away, new_jacobian, new_cost, damping / 10
            if small:
                break
        else:
            damping *= 10
            if small or damping > 1e12:
                break
    return p
