"""Names of the designs and of the ways to add runs; imports nothing, so that help texts are quick."""

from __future__ import annotations

__all__ = ["AUGMENTS", "DESIGNS", "OPTIONS_OF_AUGMENTS", "OPTIONS_OF_DESIGNS"]

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

_OPTIMAL = ("d-optimal", "i-optimal", "a-optimal")
OPTIONS_OF_DESIGNS = {
    "runs": ("fractional", "plackett-burman", *_OPTIMAL),
    "resolution": ("fractional", "central-composite"),
    "generators": ("fractional",),
    "axial": ("central-composite",),
    "levels": ("full",),
    "whole_plots": _OPTIMAL,
    "centre_points": tuple(name for name in DESIGNS if name != "start"),
}
"""Which designs an option of ``plan new`` serves."""

OPTIONS_OF_AUGMENTS = {
    "runs": ("centre", "axial", "optimal"),
    "factor": ("foldover",),
    "table": ("given",),
}
"""Which ways to add runs an option of ``plan augment`` serves."""
