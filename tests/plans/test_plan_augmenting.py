"""Adding runs to a plan."""

from __future__ import annotations

import itertools

import numpy as np
import pandas as pd
import pytest

from sharpset.cli import main
from sharpset.errors import PlanError
from sharpset.plans import alias_table, augment_plan, factors_from_dict, load_factors, load_plan, make_plan, save_plan


def test_foldover_frees_main_effects(unit_factors):
    plan = make_plan(unit_factors(7), design="fractional", resolution=3)
    larger = augment_plan(plan, how="foldover")
    x = larger.factors.to_matrix(larger.runs)
    assert sorted(map(tuple, x[8:])) == sorted(map(tuple, -x[:8]))
    table = alias_table(larger, max_order=2).set_index("effect")["aliases"]
    # Resolution IV: no main effect is mixed up with a two-factor interaction.
    assert (table[list("abcdefg")] == "").all()
    assert not (alias_table(plan, max_order=2).set_index("effect")["aliases"][list("abcdefg")] == "").any()


def test_runs_that_stand_are_untouched(unit_factors):
    plan = make_plan(unit_factors(3), design="full")
    for how in ("foldover", "centre", "axial", "optimal"):
        larger = augment_plan(plan, how=how, starts=3)
        assert larger.runs.iloc[:8].equals(plan.runs)
        assert larger.runs["run_id"].iloc[8] == "R09"
        assert larger.runs["print_order"].tolist() == list(range(1, larger.n_runs + 1))
        assert set(larger.runs["block"].iloc[8:]) == {2}
        assert larger.about["augmented"] == [f"{how} ({larger.n_runs - 8} runs)"]
    same_day = augment_plan(plan, how="centre", new_block=False)
    assert set(same_day.runs["block"]) == {1}


def test_folding_over_one_factor(unit_factors):
    plan = make_plan(unit_factors(3), design="full")
    larger = augment_plan(plan, how="foldover", factor="b")
    x = larger.factors.to_matrix(larger.runs)
    expected = x[:8] * [1, -1, 1]
    assert sorted(map(tuple, x[8:])) == sorted(map(tuple, expected))


def test_labels_fold_over():
    factors = factors_from_dict({"factor": [{"name": "a", "low": 1, "high": 2}, {"name": "m", "levels": ["x", "y"]}]})
    larger = augment_plan(make_plan(factors, design="full"), how="foldover", factor="m")
    assert sorted(larger.runs["m"].iloc[4:]) == ["x", "x", "y", "y"]


def test_axial_points_make_a_central_composite(unit_factors):
    plan = make_plan(unit_factors(3), design="full")
    larger = augment_plan(plan, how="axial", axial="rotatable", runs=6)
    new = larger.factors.to_matrix(larger.runs)[8:]
    alpha = 8**0.25
    star = [tuple(s * alpha * (i == j) for j in range(3)) for i, s in itertools.product(range(3), (-1, 1))]
    assert sorted(tuple(np.round(r, 9) + 0.0) for r in new) == sorted(
        tuple(np.round(r, 9) + 0.0) for r in [*star, *[(0.0, 0.0, 0.0)] * 6]
    )
    assert larger.model == "quadratic"
    assert augment_plan(plan, how="axial").model == "quadratic"


def test_optimal_runs_raise_the_determinant_as_much_as_can_be(unit_factors):
    # 2^2 with three centre points, one more run for the quadratic is not enough; two: compare with all pairs
    # of the nine grid points.
    plan = make_plan(unit_factors(2), design="full", centre_points=3)
    larger = augment_plan(plan, how="optimal", runs=4, model="quadratic", starts=30, new_block=False)
    old = plan.factors.to_matrix(plan.runs)
    grid = np.array(list(itertools.product((-1.0, 0.0, 1.0), repeat=2)))

    def determinant(x):
        f = np.column_stack([np.ones(len(x)), x, x[:, 0] * x[:, 1], x**2])
        return np.linalg.det(f.T @ f)

    best = max(
        determinant(np.vstack([old, grid[list(c)]])) for c in itertools.combinations_with_replacement(range(9), 4)
    )
    assert determinant(larger.factors.to_matrix(larger.runs)) >= best * (1 - 1e-9)


def test_optimal_runs_keep_rules_and_whole_plots(filament_file):
    factors = load_factors(filament_file)
    plan = make_plan(factors, design="d-optimal", model="linear", starts=3)
    larger = augment_plan(plan, how="optimal", model="quadratic", runs=12, whole_plots=4, starts=10)
    new = larger.runs.iloc[plan.n_runs :]
    assert factors.allowed(new).all()
    assert new["whole_plot"].nunique() == 4
    assert new["whole_plot"].min() == plan.runs["whole_plot"].max() + 1
    assert all(len(set(part)) == 1 for _, part in new.groupby("whole_plot")["nozzle"])
    matrix = larger.matrix().to_numpy()
    assert np.linalg.matrix_rank(matrix) == matrix.shape[1]


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"how": "sideways"}, "there is no way 'sideways' to add runs; choose one of foldover, centre"),
        ({"how": "centre", "runs": 0}, "centre points must be from 1 to 100, got 0"),
        ({"how": "axial", "axial": "far"}, "axial must be face-centred, rotatable or a number"),
        ({"how": "optimal", "runs": 1, "model": "quadratic"}, "1 new runs are too few"),
        ({"how": "foldover", "factor": "z"}, "no factor 'z'"),
    ],
)
def test_wrong_wishes_are_explained(unit_factors, options, message):
    with pytest.raises(PlanError, match=message):
        augment_plan(make_plan(unit_factors(3), design="full"), **options)


def test_what_cannot_be_turned_says_so():
    factors = factors_from_dict(
        {
            "factor": [
                {"name": "a", "low": 1, "high": 2},
                {"name": "m", "levels": ["x", "y", "z"]},
                {"name": "n", "kind": "levels", "levels": [1, 2, 4]},
            ]
        }
    )
    plan = make_plan(factors, design="full")
    with pytest.raises(PlanError, match="'m' has 3 labels"):
        augment_plan(plan, how="foldover")
    with pytest.raises(PlanError, match="levels of 'n' do not lie evenly"):
        augment_plan(plan, how="foldover", factor="n")
    with pytest.raises(PlanError, match="'m' has no middle"):
        augment_plan(plan, how="centre")
    with pytest.raises(PlanError, match="'m' has no middle"):
        augment_plan(plan, how="axial")


def test_named_runs_are_added_as_they_stand(tmp_path, monkeypatch, capsys):
    """What 'fit next' recommends joins the plan under its own ids, from a table that a spreadsheet saved too."""
    monkeypatch.chdir(tmp_path)
    factors = factors_from_dict(
        {
            "factor": [
                {"name": "layer_height", "unit": "mm", "low": 0.04, "high": 0.12},
                {"name": "nozzle", "kind": "levels", "levels": [0.15, 0.25, 0.4], "hard_to_change": True},
            ],
            "constraint": [{"rule": "layer_height <= 0.75 * nozzle"}],
        }
    )
    plan = make_plan(factors, design="i-optimal", runs=9, starts=5)
    save_plan(plan, tmp_path / "plan")
    (tmp_path / "next.csv").write_text(
        "run_id;layer_height;nozzle;expected;why\nN10;0,05;0,25;0,9;best\nN11;0,06;0,25;0,9;next\nN12;0,05;0,15;;\n",
        encoding="utf-8",
    )
    words = ["plan", "augment", "plan", "--how", "given", "--table", "next.csv"]
    assert main([*words, "--same-block", "--out", "more"]) == 0
    more = load_plan(tmp_path / "more")
    pd.testing.assert_frame_equal(more.runs.iloc[:9], plan.runs, check_dtype=False)
    new = more.runs.iloc[9:]
    assert new["run_id"].tolist() == ["N10", "N11", "N12"]
    assert new["layer_height"].tolist() == [0.05, 0.06, 0.05]
    assert (new["whole_plot"] - plan.runs["whole_plot"].max()).tolist() == [1, 1, 2]
    assert set(new["block"]) == {1}
    capsys.readouterr()
    assert main(["plan", "augment", "more", *words[3:], "--out", "again"]) == 1
    assert "the plan has a run N10 already" in capsys.readouterr().err
    (tmp_path / "next.csv").write_text("layer_height,nozzle\n0.12,0.15\n", encoding="utf-8")
    assert main([*words, "--out", "again"]) == 1
    assert "breaks a rule of the plan (layer_height = 0.12, nozzle = 0.15)" in capsys.readouterr().err
    assert main(["plan", "augment", "plan", "--how", "given", "--out", "again"]) == 1
    assert "--table FILE" in capsys.readouterr().err
