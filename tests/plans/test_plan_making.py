"""Making plans: what each design promises, order, blocks, whole plots, refusals."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sharpset.errors import PlanError
from sharpset.plans import DESIGNS, factors_from_dict, load_factors, make_plan


def coded(plan):
    return plan.factors.to_matrix(plan.runs)


def test_full_factorial_has_every_combination_once(unit_factors):
    plan = make_plan(unit_factors(3), design="full")
    assert sorted(map(tuple, coded(plan))) == sorted(itertools.product((-1.0, 1.0), repeat=3))
    assert plan.model == "interactions"


def test_full_factorial_takes_all_levels_and_labels():
    factors = factors_from_dict(
        {
            "factor": [
                {"name": "speed", "low": 10, "high": 20},
                {"name": "nozzle", "kind": "levels", "levels": [0.15, 0.25, 0.4]},
                {"name": "material", "levels": ["PLA", "ABS", "PETG"]},
            ]
        }
    )
    plan = make_plan(factors, design="full", levels=3)
    expected = itertools.product((10.0, 15.0, 20.0), (0.15, 0.25, 0.4), ("ABS", "PETG", "PLA"))
    assert sorted(plan.runs[["speed", "nozzle", "material"]].itertuples(index=False, name=None)) == sorted(expected)


def test_runs_table_keeps_its_contract(unit_factors):
    plan = make_plan(unit_factors(3), design="full", replicates=2, centre_points=2)
    assert list(plan.runs.columns) == ["run_id", "print_order", "whole_plot", "block", "a", "b", "c"]
    assert plan.runs["run_id"].tolist() == [f"R{i:02d}" for i in range(1, 21)]
    assert plan.runs["print_order"].tolist() == list(range(1, 21))
    assert plan.runs["whole_plot"].tolist() == list(range(1, 21))
    assert set(plan.runs["block"]) == {1}
    assert int((coded(plan) == 0).all(axis=1).sum()) == 4


def test_order_is_random_and_repeatable(unit_factors):
    factors = unit_factors(4)
    one, again, other = (make_plan(factors, design="full", seed=s).runs for s in (5, 5, 6))
    assert one.equals(again)
    assert not one.equals(other)
    assert sorted(map(tuple, one[list("abcd")].to_numpy())) == sorted(map(tuple, other[list("abcd")].to_numpy()))


def test_every_order_is_equally_likely(unit_factors):
    # First print of a 2^2 over 200 seeds: each of four settings is expected 50 times; the chi-square
    # statistic with 3 degrees of freedom stays below 21.1 but once in 10,000.
    factors = unit_factors(2)
    firsts = [tuple(coded(make_plan(factors, design="full", seed=s))[0]) for s in range(200)]
    counts = np.array([firsts.count(p) for p in set(firsts)])
    assert len(counts) == 4
    assert float(((counts - 50) ** 2 / 50).sum()) < 21.1


def test_three_digit_run_ids(unit_factors):
    plan = make_plan(unit_factors(7), design="full")
    assert plan.runs["run_id"].iloc[[0, -1]].tolist() == ["R001", "R128"]


def test_generators_may_be_letters_numbers_or_names():
    names = ["layer", "speed", "fan", "flow", "heat"]
    factors = factors_from_dict({"factor": [{"name": n, "low": -1, "high": 1} for n in names]})
    for generators in ("D=AB; E=-AC", "4=12, 5=-13", ["flow = layer*speed", "heat=-layer:fan"]):
        x = coded(make_plan(factors, design="fractional", generators=generators))
        assert len(x) == 8
        assert np.array_equal(x[:, 3], x[:, 0] * x[:, 1])
        assert np.array_equal(x[:, 4], -x[:, 0] * x[:, 2])


@pytest.mark.parametrize(
    ("generators", "message"),
    [
        ("E=ABZ", "unknown factor 'Z'"),
        ("E=AB; D=EA", "added factor"),
        ("E=AB; D=AB", "same column"),
        ("EAB", "cannot be used"),
        ("E=A", "same column"),
        ("E=ABB", "cannot be used"),
        ("A=E;B=E;C=E;D=E", "leave 1 basic factors"),
    ],
)
def test_faulty_generators_are_refused(unit_factors, generators, message):
    with pytest.raises(PlanError, match=message):
        make_plan(unit_factors(5), design="fractional", generators=generators)


def test_blocks_of_a_factorial_keep_main_effects_and_two_factor_interactions(unit_factors):
    # 2^4 in two blocks: the best word is ABCD, so all main effects and two-factor interactions are
    # orthogonal to the blocks.
    plan = make_plan(unit_factors(4), design="full", blocks=2)
    x = coded(plan)
    sign = np.where(plan.runs["block"] == 1, -1.0, 1.0)
    assert plan.runs["block"].tolist() == [1] * 8 + [2] * 8
    for size in (1, 2, 3):
        for members in itertools.combinations(range(4), size):
            assert x[:, members].prod(axis=1) @ sign == 0
    assert abs(x.prod(axis=1) @ sign) == 16


def test_four_blocks_leave_main_effects_clear(unit_factors):
    # Box, Hunter & Hunter: 2^5 in four blocks by two three-factor words, whose product is a four-factor
    # word: no two-factor interaction is lost.
    plan = make_plan(unit_factors(5), design="full", blocks=4)
    x = coded(plan)
    z = np.equal.outer(plan.runs["block"].to_numpy(), np.arange(1, 5)).astype(float)
    assert z.sum(axis=0).tolist() == [8.0] * 4
    for size in (1, 2):
        for members in itertools.combinations(range(5), size):
            assert np.all(x[:, members].prod(axis=1) @ z == 0)


def test_blocks_of_two_prints_spend_the_interactions(unit_factors):
    # 2^3 in four blocks of two: foldover pairs, the only way that keeps the main effects clear.
    plan = make_plan(unit_factors(3), design="full", blocks=4)
    for _, block in plan.runs.groupby("block"):
        assert np.all(block[["a", "b", "c"]].sum() == 0)


def test_replicates_can_be_blocks(unit_factors):
    plan = make_plan(unit_factors(2), design="full", replicates=3, blocks=3)
    for block in (1, 2, 3):
        inside = plan.runs[plan.runs["block"] == block]
        assert sorted(map(tuple, inside[["a", "b"]].to_numpy())) == sorted(itertools.product((-1.0, 1.0), repeat=2))
    with pytest.raises(PlanError, match="3 blocks cannot be shared by 2 replicates"):
        make_plan(unit_factors(2), design="full", replicates=2, blocks=3)


def test_centre_points_for_each_label():
    factors = factors_from_dict(
        {"factor": [{"name": "speed", "low": 10, "high": 20}, {"name": "resin", "levels": ["grey", "clear"]}]}
    )
    plan = make_plan(factors, design="full", centre_points=3)
    middle = plan.runs[plan.runs["speed"] == 15]
    assert middle["resin"].value_counts().to_dict() == {"grey": 3, "clear": 3}


@pytest.mark.parametrize(
    ("k", "runs"), [(5, None), (11, None), (11, 12), (12, None), (15, 20), (19, 20), (23, 24), (5, 8)]
)
def test_plackett_burman_is_orthogonal(unit_factors, k, runs):
    names = [f"x{i}" for i in range(k)]
    factors = factors_from_dict({"factor": [{"name": n, "low": -1, "high": 1} for n in names]})
    x = coded(make_plan(factors, design="plackett-burman", runs=runs))
    n = len(x)
    assert n == (runs if runs else {5: 12, 11: 12, 12: 20, 23: 24}[k])
    assert np.array_equal(x.T @ x, n * np.eye(k))
    assert np.all(x.sum(axis=0) == 0)


def test_plackett_burman_avoids_regular_sixteen_runs():
    # Main effects of the 12- and 20-run designs are never fully mixed up with an interaction.
    factors = factors_from_dict({"factor": [{"name": f"x{i}", "low": -1, "high": 1} for i in range(13)]})
    x = coded(make_plan(factors, design="plackett-burman"))
    assert len(x) == 20
    products = [
        np.abs(x[:, i] @ (x[:, j] * x[:, m])) for i in range(13) for j, m in itertools.combinations(range(13), 2)
    ]
    assert max(products) < 20


@pytest.mark.parametrize("k", [3, 4, 5, 6, 7])
def test_box_behnken_has_no_corner_and_tells_the_quadratic(unit_factors, k):
    plan = make_plan(unit_factors(k), design="box-behnken")
    x = coded(plan)
    # Runs without centre points: Box & Behnken 1960.
    assert int((x != 0).any(axis=1).sum()) == {3: 12, 4: 24, 5: 40, 6: 48, 7: 56}[k]
    assert np.abs(x).sum(axis=1).max() == (2 if k < 6 else 3)
    matrix = plan.matrix("quadratic").to_numpy()
    assert np.linalg.matrix_rank(matrix) == matrix.shape[1]
    main = matrix[:, 1 : 1 + k]
    others = np.delete(matrix, range(1, 1 + k), axis=1)
    assert np.all(main.T @ others == 0)


@pytest.mark.parametrize(("k", "blocks"), [(4, 3), (5, 2)])
def test_box_behnken_blocks_are_orthogonal(unit_factors, k, blocks):
    plan = make_plan(unit_factors(k), design="box-behnken", blocks=blocks)
    matrix = plan.matrix("quadratic")
    # Orthogonal blocking: every column has the same mean in every block.
    means = matrix.reset_index(drop=True).groupby(plan.runs["block"].to_numpy()).mean()
    assert np.abs(means - means.iloc[0]).to_numpy().max() < 1e-12


def test_rotatable_design_predicts_equally_well_in_all_directions(unit_factors):
    plan = make_plan(unit_factors(3), design="central-composite", axial="rotatable")
    inverse = np.linalg.inv(plan.matrix().to_numpy().T @ plan.matrix().to_numpy())
    rng = np.random.default_rng(3)
    direction = rng.normal(size=(50, 3))
    points = 1.2 * direction / np.linalg.norm(direction, axis=1)[:, None]
    from sharpset.plans import model_matrix

    rows = model_matrix(plan.factors, plan.factors.from_matrix(points), "quadratic").to_numpy()
    variance = np.einsum("ij,jk,ik->i", rows, inverse, rows)
    # Equal in theory; settings are rounded to 12 digits.
    assert np.ptp(variance) < 1e-9


@pytest.mark.parametrize(("k", "blocks"), [(2, 2), (3, 2), (3, 3), (4, 3), (5, 2)])
def test_central_composite_blocks_are_orthogonal(unit_factors, k, blocks):
    plan = make_plan(unit_factors(k), design="central-composite", blocks=blocks)
    matrix = plan.matrix("quadratic").reset_index(drop=True)
    means = matrix.groupby(plan.runs["block"].to_numpy()).mean()
    # Equal in theory; settings are rounded to 12 digits.
    assert np.abs(means - means.iloc[0]).to_numpy().max() < 1e-9


def test_face_centred_and_inscribed_designs_stay_inside(unit_factors):
    for options in ({}, {"axial": "face-centred"}, {"axial": "inscribed"}, {"blocks": 3}):
        plan = make_plan(unit_factors(3), design="central-composite", **options)
        assert np.abs(coded(plan)).max() == 1
        assert not any("beyond its limits" in r for r in plan.remarks)
    rotatable = make_plan(unit_factors(3), design="central-composite", axial="rotatable")
    assert any("go beyond its limits" in r for r in rotatable.remarks)


def test_axial_points_that_cannot_be_set_are_refused():
    factors = factors_from_dict({"factor": [{"name": n, "low": 0.02, "high": 0.2} for n in ("layer", "gap")]})
    # By hand: 0.11 - 1.414 * 0.09 = -0.017.
    with pytest.raises(PlanError, match=r"'layer' would lie at -0\.017.*inscribed"):
        make_plan(factors, design="central-composite", axial="rotatable")


@pytest.mark.parametrize("k", [3, 4, 5, 6, 7, 8, 9, 12])
def test_definitive_screening_main_effects_are_clear(unit_factors, k):
    plan = make_plan(unit_factors(k), design="definitive")
    x = coded(plan)
    assert np.array_equal(x.T @ x, np.diag(np.diag(x.T @ x)))
    second = [x[:, i] * x[:, j] for i in range(k) for j in range(i, k)]
    assert np.abs(x.T @ np.array(second).T).max() == 0


def test_definitive_screening_takes_two_level_factors_in_any_place():
    factors = factors_from_dict(
        {
            "factor": [
                {"name": "resin", "levels": ["grey", "clear"]},
                *[{"name": n, "low": 0, "high": 2} for n in "abcd"],
                {"name": "plate", "kind": "levels", "levels": [1, 2]},
            ]
        }
    )
    plan = make_plan(factors, design="definitive")
    assert plan.n_runs == 14
    assert {n: plan.runs[n].nunique() for n in factors.names} == {"resin": 2, "plate": 2} | dict.fromkeys("abcd", 3)
    matrix = plan.matrix("linear").to_numpy()
    assert np.linalg.matrix_rank(matrix) == 7


def test_whole_plots_are_kept_together(filament_file):
    factors = load_factors(filament_file)
    free = factors_from_dict({"factor": factors.to_dict()["factor"]})
    plan = make_plan(free, design="full", replicates=2)
    groups = plan.runs.groupby("whole_plot")["nozzle"]
    assert (groups.nunique() == 1).all()
    assert plan.runs["whole_plot"].is_monotonic_increasing
    assert plan.runs["whole_plot"].nunique() == 6
    once = make_plan(free, design="full")
    assert any("one whole plot only" in r for r in once.remarks)
    assert not any("one whole plot only" in r for r in plan.remarks)


def test_a_plan_that_cannot_know_its_scatter_within_whole_plots_says_so(filament_file):
    factors = factors_from_dict({"factor": load_factors(filament_file).to_dict()["factor"]})
    n_easy = len(factors) - 1
    # Whole plots take their own count, and easy main effects one each; 2 are left over.
    few = make_plan(factors, design="d-optimal", model="linear", whole_plots=4, runs=4 + n_easy + 2)
    assert any("2 degrees of freedom within whole plots" in r for r in few.remarks)
    more = make_plan(factors, design="d-optimal", model="linear", whole_plots=4, runs=4 + n_easy + 6)
    assert not any("degrees of freedom within" in r for r in more.remarks)


def test_classical_designs_refuse_points_that_break_a_rule(filament_file):
    factors = load_factors(filament_file)
    with pytest.raises(
        PlanError, match=r"break the rule 'layer_height <= 0.3 \* nozzle'.*layer_height = 0.1.*Use d-optimal"
    ):
        make_plan(factors, design="full")


def test_optimal_designs_keep_rules_and_whole_plots(filament_file):
    factors = load_factors(filament_file)
    plan = make_plan(factors, design="d-optimal", model="quadratic", runs=24, whole_plots=8, starts=20)
    assert (plan.runs["layer_height"] <= 0.3 * plan.runs["nozzle"] + 1e-9).all()
    assert (plan.runs.groupby("whole_plot")["nozzle"].nunique() == 1).all()
    assert plan.runs["whole_plot"].nunique() == 8
    matrix = plan.matrix().to_numpy()
    assert np.linalg.matrix_rank(matrix) == matrix.shape[1]


@settings(max_examples=12, deadline=None)
@given(
    k=st.integers(2, 4),
    labels=st.integers(0, 3),
    hard=st.booleans(),
    model=st.sampled_from(["linear", "interactions", "quadratic"]),
    seed=st.integers(0, 50),
)
def test_optimal_designs_can_always_tell_their_model(k, labels, hard, model, seed):
    entries = [{"name": f"x{i}", "low": 0, "high": 1} for i in range(k)]
    entries[0]["hard_to_change"] = hard
    if labels >= 2:
        entries.append({"name": "m", "levels": list("pqr"[:labels])})
    factors = factors_from_dict({"factor": entries, "constraint": [{"rule": "x0 + x1 <= 1.5"}]})
    plan = make_plan(factors, design="d-optimal", model=model, seed=seed, starts=4)
    matrix = plan.matrix().to_numpy()
    assert np.linalg.matrix_rank(matrix) == matrix.shape[1]
    assert factors.allowed(plan.runs).all()
    inside = plan.runs[[f"x{i}" for i in range(k)]].to_numpy()
    assert inside.min() >= 0 and inside.max() <= 1


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"design": "taguchi"}, "there is no design 'taguchi'; choose one of full, fractional"),
        ({"design": "full", "replicates": 0}, "replicates must be a whole number from 1 up, got 0"),
        ({"design": "full", "seed": -1}, "seed must be a whole number from 0 up, got -1"),
        ({"design": "d-optimal", "runs": 9}, "9 runs are too few: the model has 10 coefficients"),
        ({"design": "d-optimal", "blocks": 3, "runs": 11}, "10 coefficients and 2 between blocks. Give at least 12"),
        ({"design": "fractional", "resolution": 9}, "resolution 9 is not possible with 3 factors"),
        ({"design": "fractional", "runs": 6}, "cannot have 6 runs; choose 4, 8"),
        ({"design": "plackett-burman", "runs": 10}, "cannot have 10 runs; choose"),
        ({"design": "box-behnken", "blocks": 2}, "cannot have 2 blocks"),
        ({"design": "central-composite", "axial": "sideways"}, "axial must be one of rotatable, face-centred"),
        ({"design": "central-composite", "blocks": 4}, "1, 2, 3, 5 or 9 blocks"),
        ({"design": "full", "blocks": 3}, "3 blocks cannot split 8 two-level runs"),
        ({"design": "full", "blocks": 4, "model": "cubic"}, "unknown factor 'cubic'"),
        ({"design": "full", "centre_points": -2}, "centre points must be from 0 to 100, got -2"),
        ({"design": "d-optimal", "variance_ratio": -1.0}, "variance ratio must be a number above 0"),
    ],
)  # fmt: skip
def test_wrong_wishes_are_explained(unit_factors, options, message):
    with pytest.raises(PlanError, match=message):
        make_plan(unit_factors(3), **options)


def test_designs_that_do_not_suit_the_factors_say_so():
    two = factors_from_dict(
        {"factor": [*[{"name": n, "low": 0, "high": 1} for n in "abc"], {"name": "m", "levels": ["x", "y", "z"]}]}
    )
    for design in set(DESIGNS) - {"full", "d-optimal", "i-optimal", "a-optimal", "start"}:
        with pytest.raises(PlanError, match=r"'m'|three levels"):
            make_plan(two, design=design)


def test_singular_models_are_refused_in_words():
    factors = factors_from_dict(
        {
            "factor": [{"name": "a", "low": 0, "high": 1}, {"name": "b", "low": 0, "high": 1}],
            "constraint": [{"rule": "a == b"}],
        }
    )
    with pytest.raises(PlanError, match="rule"):
        make_plan(factors, design="d-optimal", model="linear", starts=4)


@pytest.mark.parametrize("k", [2, 3, 4, 5, 7])
def test_simplex_is_the_smallest_orthogonal_first_order_design(unit_factors, k):
    plan = make_plan(unit_factors(k), design="simplex", centre_points=0)
    points = plan.coded.to_numpy(dtype=float)
    assert points.shape == (k + 1, k)
    assert np.abs(points).max() == pytest.approx(1.0)
    # By definition: balanced about the middle, columns orthogonal and of one length, all pairs equally far apart.
    assert points.sum(axis=0) == pytest.approx(np.zeros(k), abs=1e-9)
    gram = points.T @ points
    assert gram == pytest.approx(gram[0, 0] * np.eye(k), abs=1e-9)
    apart = np.linalg.norm(points[:, None] - points[None], axis=2)[np.triu_indices(k + 1, 1)]
    assert apart == pytest.approx(np.full(len(apart), apart[0]))


def test_simplex_of_three_factors_is_a_half_of_the_cube(unit_factors):
    points = make_plan(unit_factors(3), design="simplex").coded.to_numpy(dtype=float)
    assert np.abs(points) == pytest.approx(np.ones((4, 3)))
    assert abs(points.prod(axis=1).sum()) == pytest.approx(4.0)


def test_simplex_refuses_labels_and_single_factors(unit_factors):
    with pytest.raises(PlanError, match="two factors or more"):
        make_plan(unit_factors(1), design="simplex")
    mixed = factors_from_dict(
        {
            "factor": [
                *({"name": n, "low": 0, "high": 1} for n in "abcd"),
                {"name": "resin", "kind": "categorical", "levels": ["grey", "clear"]},
            ]
        }
    )
    with pytest.raises(PlanError, match="needs values between"):
        make_plan(mixed, design="simplex")


def test_start_is_one_print_towards_what_is_usually_finer():
    factors = factors_from_dict(
        {
            "factor": [
                {"name": "height", "low": 0.04, "high": 0.10, "finer": "low"},
                {"name": "rest", "low": 0, "high": 6, "finer": "high"},
                {"name": "exposure", "low": 1, "high": 4, "scale": "log", "finer": "middle"},
                {"name": "speed", "low": 10, "high": 40},
                {"name": "nozzle", "kind": "levels", "levels": [0.15, 0.25, 0.40], "finer": "low"},
                {"name": "resin", "levels": ["grey", "clear"]},
            ]
        }
    )
    plan = make_plan(factors, design="start")
    # Two thirds of the way from the middle to the end; exposure in the middle of its logarithms; the nearest nozzle.
    assert plan.runs[["height", "rest", "exposure", "speed", "nozzle"]].to_numpy() == pytest.approx(
        np.array([[0.05, 5.0, 2.0, 25.0, 0.15]])
    )
    assert plan.runs["resin"].tolist() == ["grey"]
    assert "fit next --aim brief" in plan.remarks[0]


def test_start_keeps_rules():
    factors = factors_from_dict(
        {
            "factor": [{"name": "a", "low": 0, "high": 1, "finer": "high"}, {"name": "b", "low": 0, "high": 1}],
            "constraint": [{"rule": "a <= b"}],
        }
    )
    run = make_plan(factors, design="start").runs.iloc[0]
    assert run["a"] <= run["b"]
    # The nearest allowed point to (5/6, 1/2) is (2/3, 2/3); the points looked at lie about 1/64 apart.
    assert (run["a"], run["b"]) == pytest.approx((2 / 3, 2 / 3), abs=0.04)
    with pytest.raises(PlanError, match="one block"):
        make_plan(factors, design="start", blocks=2)
