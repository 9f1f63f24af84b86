"""Ladders of sizes around a wanted size."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sharpset.errors import PieceError
from sharpset.pieces import preferred_numbers, size_ladder


@given(st.floats(0.02, 3.0), st.integers(0, 6), st.integers(0, 6), st.sampled_from(["R10", "R20"]))
def test_ladder_rises_holds_the_wanted_size_and_has_the_asked_steps(wanted, n_below, n_above, series):
    sizes = size_ladder(wanted, n_below=n_below, n_above=n_above, series=series)
    assert wanted in sizes
    assert sizes == sorted(set(sizes))
    assert sum(size < wanted for size in sizes) == n_below
    assert sum(size > wanted for size in sizes) == n_above
    # No two sizes so close that they could not be told apart.
    assert all(second / first > 1.025 for first, second in pairwise(sizes))


def test_ladder_around_a_quarter_of_a_millimetre():
    # By hand from the R10 series of ISO 3: 1.0 1.25 1.6 2.0 2.5 3.15 4.0 5.0 6.3.
    assert size_ladder(0.25) == [0.1, 0.125, 0.16, 0.2, 0.25, 0.315, 0.4, 0.5, 0.63]


def test_preferred_numbers_include_both_ends():
    assert preferred_numbers(0.1, 0.2) == [0.1, 0.125, 0.16, 0.2]
    assert preferred_numbers(8.0, 12.5) == [8.0, 10.0, 12.5]


@pytest.mark.parametrize(("low", "high"), [(0.0, 1.0), (-1.0, 1.0), (2.0, 1.0)])
def test_preferred_numbers_refuse_limits_that_are_none(low, high):
    with pytest.raises(PieceError, match="0 < low <= high"):
        preferred_numbers(low, high)
