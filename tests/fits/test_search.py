"""Margins of prints, smooth fits of few prints, and the search for a met brief."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy.stats import norm
from workshop import FACTORS, Workshop

from sharpset.brief import Brief
from sharpset.errors import FitError
from sharpset.fits import BriefSearch, Margins, Space, brief_margins, fit_plan, margins_from_readings, next_runs
from sharpset.fits.smooth import LEVEL_SD, fit_smooth
from sharpset.fits.together import fit_holding
from sharpset.plans import factors_from_dict, make_plan

SIZES = np.array([0.08, 0.10, 0.125, 0.16, 0.20, 0.25])


def brief_with(**more):
    return Brief.model_validate(
        {
            "name": "bollard masters",
            "process": "resin",
            "smallest_mm": {"bar": 0.16},
            "tolerance_mm": {"width": 0.03, "edge_roughness": 0.01},
            **more,
        }
    )


def ladder(run_id, first_formed, n=8):
    return pd.DataFrame(
        {
            "run_id": run_id,
            "kind": "bar",
            "nominal_mm": SIZES,
            "n": n,
            "n_formed": np.where(first_formed - 1e-9 <= SIZES, n, 0),
        }
    )


def test_margin_of_a_cleanly_cut_ladder_by_hand():
    counts = pd.concat([ladder("A", 0.16), ladder("B", 0.125)])
    runs = pd.DataFrame(
        {
            "run_id": ["A", "B"],
            "growth_bar_mm": [0.01, 0.0],
            "edge_roughness_mm": [0.008, 0.02],
            "u_edge_roughness_mm": 0.0,
        }
    )
    margins = brief_margins(runs, counts, brief_with())
    table = margins.table.set_index("run_id")
    # A: bars grow by 0.02 mm in all, so 0.14 mm is drawn; the limit lies between the rungs 0.125 and 0.16, about even.
    assert table.loc["A", "bar forms"] == pytest.approx(np.log(0.14 / np.sqrt(0.125 * 0.16)), abs=0.02)
    # At most a rectangular distribution over the step; a limit close to a rung would have shown as a mixed rung.
    assert 0.5 < table.loc["A", "u_bar forms"] / (np.log(0.16 / 0.125) / np.sqrt(12)) < 1.0
    assert table.loc["B", "bar forms"] == pytest.approx(np.log(0.16 / np.sqrt(0.10 * 0.125)), abs=0.02)
    assert table.loc["A", "edge roughness"] == pytest.approx(np.log(0.010 / 0.008))
    assert table.loc["B", "edge roughness"] == pytest.approx(-np.log(2.0))
    assert margins.shown == []
    worst = margins.worst().set_index("run_id")
    assert worst.loc["B", "requirement"] == "edge roughness"
    assert "misses bar forms by 1 %" in margins.summary()


def test_one_accident_does_not_move_a_limit():
    clean, flawed = ladder("A", 0.125), ladder("A", 0.125)
    flawed.loc[flawed["nominal_mm"] == 0.25, "n_formed"] -= 1
    runs = pd.DataFrame({"run_id": ["A"], "growth_bar_mm": [0.0], "edge_roughness_mm": [0.008]})
    got = [brief_margins(runs, c, brief_with()).table["bar forms"].iloc[0] for c in (clean, flawed)]
    assert got[1] == pytest.approx(got[0], abs=0.01)


def test_margins_need_something_that_the_brief_asks_for():
    runs = pd.DataFrame({"run_id": ["A"], "growth_slot_mm": [0.0]})
    with pytest.raises(FitError, match="Nothing that the brief asks for"):
        brief_margins(runs, ladder("A", 0.16).assign(kind="slot"), brief_with(tolerance_mm={"width": 0.03}))


def test_time_counts_where_the_brief_limits_it():
    readings = Workshop().readings(_plan().runs.head(2), seed=1)
    brief = brief_with(process="filament", limits={"print_time_h": 2.0})
    results = pd.DataFrame({"run_id": _plan().runs["run_id"].head(2), "print_time_h": [1.0, 4.0]})
    table = margins_from_readings(readings, brief, results=results).table
    assert table["print time"].to_numpy() == pytest.approx([np.log(2.0), -np.log(2.0)])


def test_smooth_fit_is_the_textbook_gaussian_process():
    rng = np.random.default_rng(2)
    points, new = rng.uniform(-1, 1, (7, 2)), rng.uniform(-1, 1, (3, 2))
    y = 0.3 * points[:, 0] - 0.1 * points[:, 1] ** 2 + 0.02 * rng.standard_normal(7)
    u = rng.uniform(0.01, 0.05, 7)
    fit = fit_smooth(points, y, u=u, seed=4)
    mean, variance = fit.predict(new)
    shape = fit.shapes[0]

    def kernel(a, b):
        out = np.empty((len(a), len(b)))
        for i, p in enumerate(a):
            for j, q in enumerate(b):
                trend = sum(np.exp(shape[k]) ** 2 * p[k] * q[k] for k in range(2))
                far = sum((p[k] - q[k]) ** 2 / np.exp(shape[3 + k]) ** 2 for k in range(2))
                out[i, j] = LEVEL_SD**2 + trend + np.exp(shape[2]) ** 2 * np.exp(-far / 2)
        return out

    # Rasmussen & Williams (2006), equations 2.25 and 2.26, by plain inversion.
    inverse = np.linalg.inv(kernel(points, points) + np.diag(u**2 + np.exp(shape[-1]) ** 2))
    cross = kernel(points, new)
    assert mean[0] == pytest.approx(y.mean() + cross.T @ inverse @ (y - y.mean()), rel=1e-7)
    assert variance[0] == pytest.approx(np.diag(kernel(new, new) - cross.T @ inverse @ cross), rel=1e-5)


def test_smooth_fit_finds_a_plane_and_covers_it():
    rng = np.random.default_rng(5)
    inside = []
    for seed in range(40):
        slope = rng.normal(0, 0.15, 3)
        points, new = rng.uniform(-1, 1, (8, 3)), rng.uniform(-1, 1, (5, 3))
        fit = fit_smooth(points, points @ slope + 0.04 * rng.standard_normal(8), seed=seed)
        mean, variance = fit.predict(new)
        middle = mean.mean(axis=0)
        sd = np.sqrt(variance.mean(axis=0) + mean.var(axis=0))
        inside.append(np.abs(middle - new @ slope) < 1.96 * sd)
    # Bends are allowed for that are not there, so the intervals are on the wide side: 200 values, 90 % at least.
    assert np.mean(inside) > 0.9


def _plan():
    return make_plan(factors_from_dict(FACTORS), design="simplex", centre_points=1, seed=3)


def _margins(points, values):
    table = pd.DataFrame({"run_id": [f"R{i}" for i in range(len(points))]})
    for name, column in values.items():
        table[name], table[f"u_{name}"] = column, 0.03
    return Margins(brief=brief_with(), table=table, spread=dict.fromkeys(values, 0.0))


def test_search_gets_to_a_small_region_in_few_prints():
    """Two margins of which one rises along a, the other falls along b: only a corner meets both."""
    factors = factors_from_dict({"factor": [{"name": n, "low": -1, "high": 1} for n in "abc"]})
    space = Space.of_factors(factors)
    rng = np.random.default_rng(1)
    points = [np.zeros(3), *(np.eye(3) * [0.8, 0.8, -0.8])]

    def truth(p):
        return 0.25 * p[0] - 0.2 + 0.03 * p[2], -0.3 * p[1] - 0.2 + 0.05 * p[0] * p[1]

    for n in range(4, 12):
        values = np.array([truth(p) for p in points]) + 0.02 * rng.standard_normal((n, 2))
        margins = _margins(points, {"first": values[:, 0], "second": values[:, 1]})
        runs = pd.DataFrame(points, columns=list("abc")).assign(run_id=margins.table["run_id"])
        found = BriefSearch(margins, runs, space, seed=n).next_settings()
        points.append(found[list("abc")].iloc[0].to_numpy(dtype=float))
        if min(truth(points[-1])) > 0:
            break
    # One setting in twenty meets both margins; three searched prints after four are ample.
    assert min(truth(points[-1])) > 0
    assert len(points) <= 7


def test_prints_that_came_apart_are_kept_out_of_trends_and_avoided():
    factors = factors_from_dict({"factor": [{"name": n, "low": -1, "high": 1} for n in "ab"]})
    points = np.array([[0, 0], [1, 0], [0, 1], [-1, -1.0]])
    margins = _margins(points, {"first": [-0.1, -0.05, -0.1, -2.0], "second": [0.1, 0.1, 0.1, -2.0]})
    runs = pd.DataFrame(points, columns=["a", "b"]).assign(run_id=margins.table["run_id"])
    search = BriefSearch(margins, runs, Space.of_factors(factors))
    assert search.apart.tolist() == [False, False, False, True]
    asked = pd.DataFrame({"a": [-1.0, 0.0], "b": [-1.0, 0.0]})
    there, here = search.chances(asked) / search.parts(asked).prod(axis=1)
    assert there < 0.4
    assert here > 0.85
    assert set(search.fits["first"].points[:, 0]) == {0.0, 1.0}


def test_search_keeps_rules_and_categories():
    factors = factors_from_dict(
        {
            "factor": [
                {"name": "a", "low": 0, "high": 1},
                {"name": "b", "low": 0, "high": 1},
                {"name": "resin", "kind": "categorical", "levels": ["grey", "clear"]},
            ],
            "constraint": [{"rule": "a <= 0.5 * b + 0.25"}],
        }
    )
    runs = pd.DataFrame(
        {
            "run_id": ["R0", "R1", "R2", "R3"],
            "a": [0.1, 0.5, 0.2, 0.3],
            "b": [0.2, 0.9, 0.8, 0.4],
            "resin": ["grey", "clear"] * 2,
        }
    )
    margins = _margins(runs, {"first": [-0.3, 0.0, -0.3, -0.1]})
    found = BriefSearch(margins, runs, Space.of_factors(factors)).next_settings(3)
    assert len(found) == 3
    assert (found["a"] <= 0.5 * found["b"] + 0.25 + 1e-9).all()
    # Clear did better at both of its prints.
    assert found["resin"].iloc[0] == "clear"


def test_search_needs_a_print():
    factors = factors_from_dict({"factor": [{"name": "a", "low": 0, "high": 1}]})
    margins = _margins([[0]], {"first": [0.1]})
    with pytest.raises(FitError, match="needs a print with readings and settings, got none"):
        BriefSearch(margins, pd.DataFrame({"run_id": ["other"], "a": [0.5]}), Space.of_factors(factors))


def test_search_moves_at_most_one_new_factor_in_each_print():
    factors = factors_from_dict({"factor": [{"name": n, "low": -1, "high": 1} for n in "abc"]})
    points = np.zeros((1, 3))
    for n in range(1, 4):
        margins = _margins(points, {"first": np.full(n, -0.3)})
        runs = pd.DataFrame(points, columns=list("abc")).assign(run_id=margins.table["run_id"])
        found = BriefSearch(margins, runs, Space.of_factors(factors), seed=n).next_settings()
        new = found[list("abc")].to_numpy()[0]
        never_moved = (points == points[0]).all(axis=0)
        assert np.sum(new[never_moved] != points[0, never_moved]) <= 1
        assert (new != points).any(axis=1).all()
        points = np.vstack([points, new])


def test_search_moves_factors_together_where_a_rule_ties_them():
    factors = factors_from_dict(
        {"factor": [{"name": n, "low": -1, "high": 1} for n in "ab"], "constraint": [{"rule": "a + b <= 0.02"}]}
    )
    tied = Space.of_factors(factors)
    tied = replace(tied, allows=lambda frame: np.isclose(frame["a"], -frame["b"], atol=0.05))
    margins = _margins([[0, 0]], {"first": [-0.3]})
    found = BriefSearch(margins, pd.DataFrame({"run_id": ["R0"], "a": [0.0], "b": [0.0]}), tied).next_settings()
    assert abs(found["a"].iloc[0] + found["b"].iloc[0]) <= 0.05 + 1e-9


def test_search_leans_to_what_is_usually_finer_and_lets_prints_overrule_it():
    factors = factors_from_dict({"factor": [{"name": "a", "low": -1, "high": 1, "finer": "low"}]})
    space = Space.of_factors(factors)
    first = BriefSearch(_margins([[0]], {"first": [-0.1]}), pd.DataFrame({"run_id": ["R0"], "a": [0.0]}), space)
    ends = pd.DataFrame({"a": [-1.0, 1.0]})
    low, high = first.chances(ends)
    assert low > 1.5 * high
    assert first.next_settings()["a"].iloc[0] < 0
    runs = pd.DataFrame({"run_id": ["R0", "R1", "R2"], "a": [0.0, -0.7, 0.7]})
    later = BriefSearch(_margins(runs, {"first": [-0.1, -0.3, 0.1]}), runs, space)
    low, high = later.chances(ends)
    assert high > 1.5 * low
    # What is said of details is not said of the time that a print takes.
    timed = BriefSearch(_margins([[0]], {"print time": [-0.1]}), pd.DataFrame({"run_id": ["R0"], "a": [0.0]}), space)
    low, high = timed.chances(ends)
    assert low == pytest.approx(high, rel=0.3)  # draws of slopes of either sign, 24 of them


def test_another_print_beside_the_best_one_is_worth_less_than_one_farther_off():
    """The chance is uncertain everywhere, but beside the best print it is the best print's own."""
    factors = factors_from_dict({"factor": [{"name": n, "low": -1, "high": 1} for n in "ab"]})
    runs = pd.DataFrame({"a": [0.0, 0.6, -0.6, 0.0], "b": [0.0, 0.0, 0.0, -0.6], "run_id": [f"R{i}" for i in range(4)]})
    search = BriefSearch(_margins(runs, {"first": [-0.05, -0.3, -0.3, -0.15]}), runs, Space.of_factors(factors))
    assert search.best == 0
    beside, off = search.worth(pd.DataFrame({"a": [0.0, 0.0], "b": [0.0, 0.6]}))
    assert off > 3 * beside


def test_smooth_fit_at_one_reference_agrees_with_plain_prediction():
    rng = np.random.default_rng(3)
    points, new = rng.uniform(-1, 1, (6, 2)), rng.uniform(-1, 1, (4, 2))
    fit = fit_smooth(points, points[:, 0], u=np.full(6, 0.02), lean=np.array([0.1, 0.0]), hump=np.array([0.0, -0.1]))
    mean, variance = fit.predict(new)
    joint = fit.predict_with(new, new[:1])
    assert joint.mean == pytest.approx(mean)
    assert joint.variance == pytest.approx(variance)
    assert joint.reference == pytest.approx(mean[:, 0])
    # The covariance of a value with itself is its variance.
    assert joint.covariance[:, 0] == pytest.approx(variance[:, 0])
    assert (joint.covariance**2 <= joint.variance * joint.reference_variance[:, None] * (1 + 1e-9)).all()


def test_smooth_fit_far_from_prints_expects_what_is_known_beforehand():
    fit = fit_smooth(np.zeros((1, 2)), np.zeros(1), lean=np.array([0.2, 0.0]), hump=np.array([0.0, -0.1]), seed=1)
    mean, _ = fit.predict(np.array([[1.0, 1.0]]))
    # One print at 0 tells the level only: 0 + 0.2 - 0.1 in every draw.
    assert mean == pytest.approx(np.full_like(mean, 0.1), abs=1e-9)


def test_holding_border_is_found_between_prints_that_held_and_prints_that_came_apart():
    rng = np.random.default_rng(8)
    points = rng.uniform(-1, 1, (40, 2))
    held = points[:, 0] + points[:, 1] > -0.4
    fit = fit_holding(points, held, n_draws=200, seed=1)
    asked = np.array([[0.8, 0.8], [-0.8, -0.8], [0.9, -0.2], [-0.9, 0.0]])
    chances = fit.chances(asked)
    assert chances.shape == (200, 4)
    assert chances.mean(axis=0)[[0, 2]].min() > 0.85
    assert chances.mean(axis=0)[[1, 3]].max() < 0.15


def test_holding_border_without_failures_is_the_prior_far_off_and_sure_nearby():
    """With no print at all but one in the middle, draws are those of the prior given that it held."""
    fit = fit_holding(np.zeros((1, 2)), np.array([True]), n_draws=4000, seed=2)
    middle, corner = fit.chances(np.array([[0.0, 0.0], [1.0, 1.0]])).mean(axis=0)
    # Intercept b ~ N(1.5, 1) given one success: E[Phi(b)^2] / E[Phi(b)], by quadrature.
    b = np.linspace(-5, 8, 4001)
    weight = norm.pdf(b, 1.5, 1.0)
    assert middle == pytest.approx((weight * norm.cdf(b) ** 2).sum() / (weight * norm.cdf(b)).sum(), abs=0.01)
    # At a corner slopes of either sign, bends and a joint effect widen it: Phi(m / sqrt(1 + v)) for normal scores.
    mean = (weight * norm.cdf(b) * b).sum() / (weight * norm.cdf(b)).sum()
    square = (weight * norm.cdf(b) * (b - mean) ** 2).sum() / (weight * norm.cdf(b)).sum()
    spread = square + 2 * 2.0**2 + 2 * 0.5**2 + 1.0**2
    assert corner == pytest.approx(norm.cdf(mean / np.sqrt(1 + spread)), abs=0.03)


def test_next_runs_towards_a_brief_from_a_plan_of_five_prints():
    plan = _plan()
    brief = brief_with(process="filament", smallest_mm={"bar": 0.16, "slot": 0.17})
    fit = fit_plan(plan, readings=Workshop().readings(plan.runs, seed=7), brief=brief)
    found = next_runs(fit, n_runs=2, aim="brief")
    assert found.aim == "brief"
    assert len(found.runs) == 2
    assert bool(plan.factors.allowed(found.runs).all())
    assert "more often than not" in found.statement or "no print shows" in found.statement.lower()
    without = fit_plan(plan, readings=Workshop().readings(plan.runs, seed=7))
    with pytest.raises(FitError, match="needs the brief"):
        next_runs(without, aim="brief")
