import numpy as np
from scipy import ndimage

from sharpset.readings.picture.marks import grown_within, widened


def test_marks_grow_as_far_as_they_hang_together_by_sides():
    rng = np.random.default_rng(4)
    for share in (0.3, 0.5, 0.6, 0.8):
        mask = rng.random((23, 41)) < share
        seeds = mask & (rng.random(mask.shape) < 0.02)
        assert np.array_equal(grown_within(seeds, mask), ndimage.binary_propagation(seeds, mask=mask))
        assert np.array_equal(widened(mask), ndimage.binary_dilation(mask, np.ones((3, 3), dtype=bool)))
    assert not grown_within(np.zeros((3, 5), dtype=bool), np.ones((3, 5), dtype=bool)).any()
    outside = np.array([[True, False, False]])
    assert not grown_within(outside, ~outside).any()
