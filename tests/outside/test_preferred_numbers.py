"""Preferred numbers against ISO 3:1973.

Source: ISO 3:1973, Preferred numbers - Series of preferred numbers, table 1 (basic series R10 and
R20), typed from memory. The second check needs no table: by the standard's definition (clause 2) the
theoretical values are 10^(k/10) and 10^(k/20), and clause 4 gives the largest relative difference
between basic and theoretical values as -1.01 % to +1.26 % for R5 to R40 (from memory).
"""

from __future__ import annotations

import numpy as np
import pytest

from sharpset.pieces import preferred_numbers

R10 = [1.00, 1.25, 1.60, 2.00, 2.50, 3.15, 4.00, 5.00, 6.30, 8.00, 10.00]
R20 = [
    *(1.00, 1.12, 1.25, 1.40, 1.60, 1.80, 2.00, 2.24, 2.50, 2.80, 3.15),
    *(3.55, 4.00, 4.50, 5.00, 5.60, 6.30, 7.10, 8.00, 9.00, 10.00),
]


@pytest.mark.parametrize(("series", "expected"), [("R10", R10), ("R20", R20)])
@pytest.mark.parametrize("decade", [0.01, 0.1, 1.0, 10.0])
def test_one_decade_of_the_series(series, expected, decade):
    found = preferred_numbers(decade, 10 * decade, series=series)
    # The numbers are decimal; only their product with the decade rounds.
    np.testing.assert_allclose(found, np.array(expected) * decade, rtol=1e-12)


@pytest.mark.parametrize(("series", "steps"), [("R10", 10), ("R20", 20)])
def test_series_follow_the_geometric_progression(series, steps):
    found = np.array(preferred_numbers(1.0, 10.0, series=series))
    theoretical = 10.0 ** (np.arange(steps + 1) / steps)
    difference = found / theoretical - 1
    assert difference.min() >= -0.0101
    assert difference.max() <= 0.0126
