"""Names of the designs and of the ways to add runs; imports nothing, so that help texts are quick."""

from __future__ import annotations

__all__ = ["AUGMENTS", "DESIGNS"]

DESIGNS = (
    "full",
    "fractional",
    "plackett-burman",
    "simplex",
    "box-behnken",
    "central-composite",
    "definitive",
    "d-optimal",
    "i-optimal",
    "a-optimal",
    "start",
)
"""Names of the designs."""

AUGMENTS = ("foldover", "centre", "axial", "optimal", "given")
"""Ways to add runs to a plan."""
