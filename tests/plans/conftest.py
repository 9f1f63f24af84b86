"""Factors of a fictitious workshop, Brackwater Works, that prints harbour-crane and canal-boat fittings."""

from __future__ import annotations

import pytest

from sharpset.plans import Factors, factors_from_dict

FILAMENT = """
[[factor]]
name = "layer_height"
unit = "mm"
kind = "continuous"
low = 0.03
high = 0.10

[[factor]]
name = "speed"
unit = "mm/s"
kind = "continuous"
low = 10
high = 40

[[factor]]
name = "fan"
unit = "%"
kind = "continuous"
low = 0
high = 100

[[factor]]
name = "nozzle"
unit = "mm"
kind = "levels"
levels = [0.15, 0.25, 0.40]
hard_to_change = true

[[constraint]]
rule = "layer_height <= 0.3 * nozzle"
"""


@pytest.fixture
def filament_file(tmp_path):
    path = tmp_path / "factors.toml"
    path.write_text(FILAMENT, encoding="utf-8")
    return path


@pytest.fixture
def unit_factors():
    """Return a function that makes continuous factors a, b, c ... from -1 to 1."""

    def make(k: int, **more: object) -> Factors:
        names = "abcdefghjklmnop"[:k]
        return factors_from_dict({"factor": [{"name": n, "low": -1, "high": 1} for n in names], **more})

    return make
