"""How many prints of each printer a difference takes, against Cohen's table and statsmodels."""

from __future__ import annotations

import math

import pytest
from statsmodels.stats.power import TTestIndPower

from sharpset.comparison import prints_for_difference


# Cohen (1992), "A power primer", Psychological Bulletin 112:155-159, table 2, first row: the difference between two
# means at power 0.80, alpha 0.05 two-sided, for medium and large effects (a small one takes 393, beyond the 200 prints
# above which no number is given). Values from memory.
@pytest.mark.parametrize(("effect", "n_each"), [(0.50, 64), (0.80, 26)])
def test_numbers_of_cohens_table(effect, n_each):
    assert prints_for_difference(difference=effect, sd=1.0) == n_each


@pytest.mark.parametrize("effect", [0.7, 1.0, 1.6, 2.5])
@pytest.mark.parametrize("power", [0.8, 0.95])
def test_numbers_of_statsmodels(effect, power):
    theirs = TTestIndPower().solve_power(effect_size=effect, alpha=0.05, power=power)
    assert prints_for_difference(difference=0.02 * effect, sd=0.02, power=power) == math.ceil(theirs)
