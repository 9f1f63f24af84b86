"""Efficiencies, variance inflation, correlations, prediction variance."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

from sharpset.errors import PlanError
from sharpset.plans import (
    Plan,
    correlation_map,
    design_space_curve,
    factors_from_dict,
    information_matrix,
    make_plan,
    plan_properties,
)


def test_orthogonal_plan_is_fully_efficient(unit_factors):
    p = plan_properties(make_plan(unit_factors(3), design="full"), "linear")
    for name in ("D_efficiency", "A_efficiency", "G_efficiency", "I_efficiency"):
        assert getattr(p, name) == pytest.approx(100)
    assert list(p.vif.values()) == pytest.approx([1.0] * 3)
    # By hand: variance at a corner is 4/8, the mean over the cube (1 + 3/3)/8.
    assert p.largest_variance == pytest.approx(0.5)
    assert p.mean_variance == pytest.approx(0.25)
    assert (p.n_distinct, p.df_pure_error) == (8, 0)


def plan_of(x, **columns):
    factors = factors_from_dict({"factor": [{"name": n, "low": -1, "high": 1, **columns} for n in "ab"[: x.shape[1]]]})
    runs = pd.DataFrame(x, columns=list("ab"[: x.shape[1]]))
    n = len(runs)
    table = pd.DataFrame({"run_id": [f"R{i}" for i in range(n)], "print_order": range(1, n + 1),
                          "whole_plot": range(1, n + 1), "block": 1})  # fmt: skip
    return Plan(factors=factors, design="imported", model="linear", seed=0, runs=pd.concat([table, runs], axis=1))


def test_skew_plan_by_hand():
    # Columns a = (-1, 0, 1, 1), b = (-1, 1, -1, 1).
    x = np.array([[-1, -1], [0, 1], [1, -1], [1, 1.0]])
    m = np.hstack([np.ones((4, 1)), x])
    m = m.T @ m
    p = plan_properties(plan_of(x))
    assert p.D_efficiency == pytest.approx(100 * np.linalg.det(m) ** (1 / 3) / 4)
    assert p.A_efficiency == pytest.approx(100 * 3 / (4 * np.trace(np.linalg.inv(m))))
    # r between a and b: cov = (1 + 0 - 1 + 1 - 0)/4 with centred a: a - .25; b sums to 0: 1/sqrt(2.75 * 4).
    r = 1 / math.sqrt(2.75 * 4)
    assert p.largest_correlation == pytest.approx(r)
    assert p.vif["a"] == pytest.approx(1 / (1 - r**2))


def test_variance_inflation_agrees_with_statsmodels(unit_factors):
    from statsmodels.stats.outliers_influence import variance_inflation_factor

    plan = make_plan(unit_factors(3), design="d-optimal", starts=5, seed=2)
    x = plan.matrix().to_numpy()
    expected = [variance_inflation_factor(x, i) for i in range(1, x.shape[1])]
    assert list(plan_properties(plan).vif.values()) == pytest.approx(expected, rel=1e-8)


def test_a_model_that_cannot_be_told_has_no_numbers(unit_factors):
    p = plan_properties(make_plan(unit_factors(4), design="fractional", resolution=4), "interactions")
    assert math.isnan(p.D_efficiency) and math.isnan(p.mean_variance)
    assert p.vif["a:b"] == math.inf
    assert "cannot tell" in p.summary()


def test_aliases_are_listed(unit_factors):
    plan = make_plan(unit_factors(4), design="fractional", resolution=4)
    assert plan_properties(plan).aliases == {"a:b": ["c:d"], "a:c": ["b:d"], "a:d": ["b:c"]}


def test_effort_and_changes(filament_file):
    from sharpset.plans import load_factors

    factors = factors_from_dict({"factor": load_factors(filament_file).to_dict()["factor"]})
    plan = make_plan(factors, design="full")
    p = plan_properties(plan, hours_per_print=1.5, grams_per_print=4.0, hours_per_change=0.5)
    assert p.n_changes == {"nozzle": 2}
    assert p.hours == pytest.approx(24 * 1.5 + 2 * 0.5)
    assert p.grams == pytest.approx(96)
    assert math.isnan(plan_properties(plan).hours)


def test_information_of_a_split_plot_by_direct_inverse(filament_file):
    from sharpset.plans import load_factors

    plan = make_plan(load_factors(filament_file), design="d-optimal", starts=5, model="linear", blocks=2)
    x = plan.matrix().to_numpy()
    w = plan.runs["whole_plot"].to_numpy()
    v = np.eye(len(x)) + 2.5 * np.equal.outer(w, w)
    z = np.where(plan.runs["block"] == 1, -1.0, 1.0)[:, None]
    both = np.hstack([x, z])
    gram = both.T @ np.linalg.solve(v, both)
    # The variances of the coefficients beside block differences.
    expected = np.linalg.inv(gram)[: x.shape[1], : x.shape[1]]
    assert np.linalg.inv(information_matrix(plan, ratio=2.5).to_numpy()) == pytest.approx(expected, abs=1e-9)


def test_correlation_map(unit_factors):
    plan = make_plan(unit_factors(4), design="fractional", resolution=4)
    r = correlation_map(plan, "interactions")
    assert r.loc["a:b", "c:d"] == 1
    assert r.loc["a", "b"] == 0


def test_design_space_curve_of_a_factorial(unit_factors):
    curve = design_space_curve(make_plan(unit_factors(2), design="full"), "linear")
    # Relative variance (1 + a^2 + b^2)/4: at least 1/4 at the centre, at most 3/4 in the corners; below
    # 1/2 where a^2 + b^2 < 1, a circle of area pi in a square of 4.
    assert curve["relative_se"].is_monotonic_increasing
    assert curve["relative_se"].iloc[0] == pytest.approx(0.5, abs=0.001)
    assert curve["relative_se"].iloc[-1] == pytest.approx(math.sqrt(0.75), abs=0.01)
    fraction = np.interp(math.sqrt(0.5), curve["relative_se"], curve["fraction"])
    # 8192 quasi-random points and 101 quantiles.
    assert fraction == pytest.approx(math.pi / 4, abs=0.006)
    with pytest.raises(PlanError, match="cannot tell"):
        design_space_curve(make_plan(unit_factors(2), design="full"), "quadratic")
