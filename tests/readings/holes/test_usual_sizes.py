"""What the other holes of a print say of one hole's size."""

from __future__ import annotations

import numpy as np
from scipy.stats import t

from sharpset.readings.holes.usual_sizes import price_of_sizes, usual_radii

NOMINAL = np.array([0.09, 0.15, 0.15, 0.2, 0.2, 0.2, 0.25, 0.3, 1.5])
OFF = np.array([-0.03, -0.012, -0.004, 0.0, 0.010, 0.001, 0.011, 0.2, 0.3])


def test_the_others_of_about_its_size_tell_what_is_usual():
    """By hand: like 0.2 are 0.15, 0.15, 0.2, 0.2, 0.25 and 0.3, not 0.09 and not 1.5."""
    usual = usual_radii(NOMINAL + OFF, NOMINAL)
    # Sorted -0.012, -0.004, 0.001, 0.010, 0.011, 0.2 without the fourth itself: the middle is 0.0055; what they are
    # away from it, 0.0045, 0.0045, 0.0055, 0.0095, 0.0175, 0.1945, has 0.0075 in its middle.
    assert np.allclose(usual[3], (0.2 + 0.0055, 1.4826 * 0.0075), atol=1e-9)
    # The largest has nothing like it.
    assert usual[-1, 0] == 1.5 and np.isinf(usual[-1, 1])


def test_a_size_is_weighed_by_student_t_and_not_at_all_where_nothing_is_like_it():
    radii, usual = np.array([0.20, 0.26, 5.0]), np.array([[0.2, 0.01], [0.2, 0.01], [1.5, np.inf]])
    price = price_of_sizes(radii, usual)
    by_scipy = -2 * (t.logpdf(6.0, 3) - t.logpdf(0.0, 3))
    assert np.allclose(price, [0.0, by_scipy, 0.0])
