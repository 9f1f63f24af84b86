"""Desirability by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from sharpset.errors import FitError
from sharpset.fits import Goal, desirability, fit_response, space_of


def test_goal_values_by_hand():
    up = Goal(aim="max", low=10, high=20, exponent=2)
    np.testing.assert_allclose(up.value(np.array([5, 10, 15, 20, 30])), [0, 0, 0.25, 1, 1])
    down = Goal(aim="min", low=10, high=20)
    np.testing.assert_allclose(down.value(np.array([5, 10, 15, 20, 30])), [1, 1, 0.5, 0, 0])
    middle = Goal(aim="target", low=0, high=10, target=4, exponent_high=2)
    np.testing.assert_allclose(middle.value(np.array([-1, 2, 4, 7, 10])), [0, 0.5, 1, 0.25, 0])


def test_overall_is_the_weighted_geometric_mean():
    runs = pd.DataFrame({"a": [-1.0, -1, 0, 0, 1, 1]})
    runs["y"] = 10 + 5 * runs["a"] + [0.1, -0.1, 0.1, -0.1, 0.1, -0.1]
    runs["z"] = 3 - 2 * runs["a"] + [0.1, -0.1, 0.1, -0.1, 0.1, -0.1]
    fits = {n: fit_response(runs, n, space=space_of(runs[["a"]]), formula=f"{n} ~ a") for n in "yz"}
    goals = {"y": Goal(aim="max", low=0, high=20), "z": Goal(aim="min", low=0, high=6, importance=3)}
    got = desirability(fits, goals, pd.DataFrame({"a": [0.0, -2.0, 4.0]}))
    # At a = 0 both are one half; at -2 y is 0 on its scale and so is the whole.
    assert got["overall"].tolist()[:2] == pytest.approx([0.5, 0.0], abs=1e-9)
    assert got["overall"][2] == pytest.approx(1.0)


def test_impossible_goals_are_refused():
    with pytest.raises(FitError, match="low below high"):
        Goal(aim="max", low=2, high=1)
    with pytest.raises(FitError, match="target must lie between"):
        Goal(aim="target", low=0, high=1, target=3)
    with pytest.raises(FitError, match="'most'"):
        Goal(aim="most", low=0, high=1)  # type: ignore[arg-type]
    with pytest.raises(FitError, match="'gloss'"):
        desirability({}, {"gloss": Goal(aim="max", low=0, high=1)}, pd.DataFrame({"a": [0.0]}))
