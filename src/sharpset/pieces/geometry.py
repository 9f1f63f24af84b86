"""Shapes of features in the piece frame (mm, x right, y up, seen from above)."""

from __future__ import annotations

import math

import numpy as np
from shapely import affinity
from shapely.geometry import Polygon, box

__all__ = ["circle", "feature_shape", "rectangle"]

SAGITTA_MM = 0.00025
"""Largest gap between a circle and the polygon that stands for it."""


def circle(x_mm: float, y_mm: float, diameter_mm: float) -> Polygon:
    """Return a many-sided polygon with the area of the circle.

    Parameters
    ----------
    x_mm, y_mm : float
        Centre in the piece frame.
    diameter_mm : float

    Returns
    -------
    shapely.Polygon
        Its sides and corners stay within 0.25 um of the circle.
    """
    radius = diameter_mm / 2
    sides = 8 * math.ceil(math.pi / math.sqrt(2 * SAGITTA_MM / radius) / 8) if radius > SAGITTA_MM else 8
    sides = max(32, sides)
    corner = radius * math.sqrt(2 * math.pi / (sides * math.sin(2 * math.pi / sides)))
    angle = 2 * np.pi * (np.arange(sides) + 0.5) / sides
    return Polygon(np.column_stack((x_mm + corner * np.cos(angle), y_mm + corner * np.sin(angle))))


def rectangle(x_mm: float, y_mm: float, *, length_mm: float, width_mm: float, angle_deg: float) -> Polygon:
    """Return a rectangle by its centre; `angle_deg` is the direction of its length from +x."""
    shape = box(-length_mm / 2, -width_mm / 2, length_mm / 2, width_mm / 2)
    turn = math.radians(angle_deg)
    cos, sin = math.cos(turn), math.sin(turn)
    if angle_deg % 90 == 0:
        cos, sin = round(cos), round(sin)
    return affinity.affine_transform(shape, [cos, -sin, sin, cos, x_mm, y_mm])


def feature_shape(
    kind: str, *, nominal_mm: float, length_mm: float, x_mm: float, y_mm: float, angle_deg: float = 0.0
) -> Polygon:
    """Return the nominal outline of one feature.

    Parameters
    ----------
    kind : {'slot', 'bar', 'hole', 'square'}
        A slot or bar is a plain rectangle, a hole a circle, a square a square opening.
    nominal_mm : float
        Width of a slot or bar, diameter of a hole, side of a square.
    length_mm : float
        Length of a slot or bar; ignored for the others.
    x_mm, y_mm : float
        Centre in the piece frame.
    angle_deg : float
        Direction in which a slot or bar runs, from +x, counter-clockwise.

    Returns
    -------
    shapely.Polygon

    Raises
    ------
    ValueError
        For an unknown kind.
    """
    if kind == "hole":
        return circle(x_mm, y_mm, nominal_mm)
    if kind in ("slot", "bar", "square"):
        length = nominal_mm if kind == "square" else length_mm
        return rectangle(x_mm, y_mm, length_mm=length, width_mm=nominal_mm, angle_deg=angle_deg)
    raise ValueError(f"unknown kind of feature {kind!r}; kinds are slot, bar, hole, square")
