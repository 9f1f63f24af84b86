"""Medians over a window, taken of whole arrays at once."""

from __future__ import annotations

import numpy as np
import pytest

from sharpset.readings.picture.sensor_lines import _medians


@pytest.mark.parametrize("n", [1, 3, 5, 11])
@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_medians_of_arrays_are_those_of_their_elements(n, dtype):
    values = np.random.default_rng(n).integers(0, 9, (n, 30, 40)).astype(dtype)
    found = _medians(list(values))
    assert found.dtype == dtype
    np.testing.assert_array_equal(found, np.median(values, axis=0))
