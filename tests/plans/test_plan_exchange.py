"""Coordinate exchange: against known optima, against other programs, and its bookkeeping."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from sharpset.plans import factors_from_dict, make_basis
from sharpset.plans.exchange import Problem, exchange


def problem(factors, model, runs, *, plots=None, ratio=0.0, criterion="D", blocks=1, fixed=None):
    basis = make_basis(factors, model)
    hard = np.array([f.hard_to_change for f in factors])
    return Problem(
        basis=basis,
        blocks=np.arange(runs) * blocks // runs,
        plots=np.arange(runs) if plots is None else np.arange(runs) * plots // runs,
        hard=hard,
        ratio=ratio,
        criterion=criterion,
        fixed=np.empty((0, len(factors))) if fixed is None else fixed,
    )


def check_value(p, solution):
    """Calculate the criterion once more from X and V alone."""
    rows = np.hstack([p.block_columns, p.basis.evaluate(solution.matrix)])
    same = np.equal.outer(p.plots, p.plots)
    gram = rows.T @ np.linalg.solve(np.eye(p.n_runs) + p.ratio * same, rows)
    if p.criterion == "D":
        return np.linalg.det(gram) ** (1 / len(gram))
    n = p.block_columns.shape[1]
    weight = np.zeros_like(gram)
    weight[n:, n:] = p.basis.moments() if p.criterion == "I" else np.eye(p.basis.n_columns)
    return np.trace(np.linalg.inv(gram) @ weight)


def test_two_level_orthogonal_designs_are_found(unit_factors):
    # Hadamard's bound: det(X'X) <= n^p, reached by orthogonal designs of -1 and +1.
    for k, n in [(3, 8), (5, 8), (7, 8), (7, 12)]:
        found = exchange(problem(unit_factors(k), "linear", n), starts=30)
        assert found.value == pytest.approx(n, rel=1e-9)


def test_best_of_all_designs_on_a_small_grid(unit_factors):
    # All multisets of six of the nine points of a 3 x 3 grid, full quadratic.
    grid = np.array(list(itertools.product((-1.0, 0.0, 1.0), repeat=2)))
    p = problem(unit_factors(2), "quadratic", 7)
    rows = p.basis.evaluate(grid)
    best = max(
        np.linalg.det(rows[list(c)].T @ rows[list(c)]) for c in itertools.combinations_with_replacement(range(9), 7)
    )
    found = exchange(p, starts=40)
    # Levels between the grid's may do better, never worse.
    assert found.value >= best ** (1 / 6) * (1 - 1e-9)


def test_quadratic_of_three_factors_in_fourteen_runs(unit_factors):
    # 46.27 % is the best of four exchange methods of pydoe 1.6.0 (measured; det^(1/10)/14).
    found = exchange(problem(unit_factors(3), "quadratic", 14), starts=40)
    assert 100 * found.value / 14 >= 46.27


def test_a_rule_labels_and_squares_together():
    # det^(1/9) = 7.527892782 on the grid of -1, -0.9 ... 1 by pyoptex 1.2.1 (measured; 20 tries).
    factors = factors_from_dict(
        {
            "factor": [
                {"name": "a", "low": -1, "high": 1},
                {"name": "b", "low": -1, "high": 1},
                {"name": "m", "levels": ["p", "q", "r"]},
                {"name": "t", "levels": ["u", "v"]},
            ],
            "constraint": [{"rule": "a + b <= 1"}],
        }
    )
    p = problem(factors, "a + b + a:b + a^2 + b^2 + m + t", 16)
    found = exchange(p, starts=40)
    assert found.value >= 7.5278
    assert np.all(found.matrix[:, 0] + found.matrix[:, 1] <= 1 + 1e-9)
    assert found.value == pytest.approx(check_value(p, found), rel=1e-9)


@pytest.mark.parametrize(("criterion", "best"), [("D", 7.982), ("I", 0.7308)])
def test_split_plot_at_least_as_good_as_other_programs(criterion, best):
    # One hard and three easy factors, six whole plots of four, ratio 1, full quadratic: D 7.982 is the best
    # of an own search with 150 starts, pyoptex 1.2.1 reached 7.927; I 0.7308 is that of pyoptex (measured).
    factors = factors_from_dict(
        {"factor": [{"name": n, "low": -1, "high": 1, "hard_to_change": n == "w"} for n in "wxyz"]}
    )
    p = problem(factors, "quadratic", 24, plots=6, ratio=1.0, criterion=criterion)
    found = exchange(p, starts=100)
    assert found.value >= best if criterion == "D" else found.value <= best
    for members in p.members:
        assert np.ptp(found.matrix[members, 0]) == 0
    assert found.value == pytest.approx(check_value(p, found), rel=1e-9)


@pytest.mark.parametrize("criterion", ["D", "I", "A"])
def test_value_is_that_of_the_returned_design(unit_factors, criterion):
    p = problem(unit_factors(3), "quadratic", 15, criterion=criterion, blocks=3)
    found = exchange(p, starts=10)
    assert found.value == pytest.approx(check_value(p, found), rel=1e-9)


def test_each_criterion_wins_by_its_own_measure(unit_factors):
    found = {c: exchange(problem(unit_factors(2), "quadratic", 9, criterion=c), starts=30) for c in "DIA"}
    for c in "DIA":
        p = problem(unit_factors(2), "quadratic", 9, criterion=c)
        values = {d: check_value(p, s) for d, s in found.items()}
        best = max(values.values()) if c == "D" else min(values.values())
        # The search moves in steps of 0.01 at the end: a thousandth covers that.
        assert values[c] == pytest.approx(best, rel=1e-3)


def test_runs_that_stand_are_kept(unit_factors):
    fixed = np.array([[0.3, -0.2], [0.1, 0.4], [1.7, 0.0]])
    p = problem(unit_factors(2), "quadratic", 9, fixed=fixed)
    assert np.array_equal(exchange(p, starts=5).matrix[:3], fixed)


def test_same_seed_same_design(unit_factors):
    p = problem(unit_factors(3), "interactions", 10)
    assert np.array_equal(exchange(p, starts=5, seed=4).matrix, exchange(p, starts=5, seed=4).matrix)
