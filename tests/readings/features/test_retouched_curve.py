"""Powers that mean edges tell, by residuals made up for the purpose."""

from __future__ import annotations

import numpy as np
import pytest

from sharpset.readings.features.curve_evidence import EdgeLean
from sharpset.readings.features.retouched_curve import DECODINGS, powers_told

SIDE = np.array([0.9, 0.6, -0.2, -0.5, -0.1])
ACROSS = np.array([0.1, -0.4, 0.7, -0.3, 0.2])


def _leans(right: float, *, apart: float = 0.01, amiss: float = 0.0, noise: float = 0.0001) -> dict[float, EdgeLean]:
    """What decodings leave where one power is right, and something that no power explains stays besides."""
    leans = {}
    for power in DECODINGS:
        sides = apart * np.log(power / right) * SIDE + amiss * ACROSS
        residual = float(np.sqrt(np.mean(sides**2) + 0.001**2))
        leans[power] = EdgeLean(sides=sides, noise=noise, residual=residual)
    return leans


@pytest.mark.parametrize("right", [1.0, 1.3, 2.2, 2.9, 4.4])
def test_the_right_power_is_the_likeliest(right: float) -> None:
    powers = powers_told(_leans(right))
    if right in (1.0, 2.2):
        # One of the usual powers describes the edges: no other does so much better.
        assert powers == () or abs(np.log(max(powers, key=lambda one: one.chance).gamma / right)) < 0.05
        return
    best = max(powers, key=lambda one: one.chance)
    assert abs(np.log(best.gamma / right)) < 0.05
    assert sum(one.chance for one in powers) == pytest.approx(1.0)


def test_what_no_power_explains_widens_the_range_of_powers() -> None:
    def spread(amiss: float) -> float:
        powers = powers_told(_leans(3.0, amiss=amiss))
        logs, chances = np.log([one.gamma for one in powers]), np.array([one.chance for one in powers])
        return float(np.sqrt(np.sum(chances * (logs - np.sum(chances * logs)) ** 2)))

    assert spread(0.002) > 1.5 * spread(0.0)


def test_edges_that_no_power_describes_tell_none() -> None:
    assert powers_told(_leans(2.5, apart=0.002, amiss=0.01)) == ()
