"""Fractions, words and aliases."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sharpset.errors import PlanError
from sharpset.plans import alias_matrix, alias_table, factors_from_dict, make_plan
from sharpset.plans.aliases import effect_chains
from sharpset.plans.fractions import (
    find_fraction,
    fraction_by_resolution,
    fraction_from_generators,
    word_length_pattern,
)


@settings(max_examples=25, deadline=None)
@given(k=st.integers(3, 9), q=st.integers(2, 6))
def test_word_lengths_from_weights_equal_those_counted_one_by_one(k, q):
    if not 2**q > k or q > k:
        return
    fraction = find_fraction(k, q)
    # Two routes: MacWilliams identity on the runs' weights; products of columns that are constant.
    assert fraction.word_lengths == word_length_pattern(fraction.matrix)
    x = fraction.matrix
    assert np.array_equal(x.T @ x, 2**q * np.eye(k))


def test_resolution_asks_for_the_smallest_fraction():
    # Box, Hunter & Hunter 2005, table 6.22: 5 factors: 8 runs III, 16 runs V; 7: 8 III, 16 IV, 64 VII.
    for k, resolution, runs in [
        (5, 3, 8),
        (5, 4, 16),
        (5, 5, 16),
        (7, 3, 8),
        (7, 4, 16),
        (7, 7, 64),
        (8, 4, 16),
        (6, 6, 32),
    ]:
        assert fraction_by_resolution(k, resolution).n_runs == runs


def test_generators_are_written_in_handbook_letters():
    fraction = fraction_from_generators(list("abcde"), "D=AB; E=-AC")
    assert fraction.generators == ("D=AB", "E=-AC")
    assert fraction.resolution == 3
    # Words by hand: ABD, ACE (negative), BCDE.
    assert fraction.word_lengths == (0, 0, 2, 1, 0)


def test_alias_chains_by_hand():
    # 2^(4-1), D = ABC.
    x = np.array([[a, b, c, a * b * c] for a, b, c in itertools.product((-1.0, 1.0), repeat=3)])
    table = effect_chains(x, "ABCD").set_index("effect")["aliases"].to_dict()
    assert table == {
        "Intercept": "A:B:C:D", "A": "B:C:D", "B": "A:C:D", "C": "A:B:D", "D": "A:B:C",
        "A:B": "C:D", "A:C": "B:D", "A:D": "B:C",
    }  # fmt: skip


def test_aliases_carry_their_sign():
    x = np.array([[a, b, -a * b] for a, b in itertools.product((-1.0, 1.0), repeat=2)])
    table = effect_chains(x, "ABC").set_index("effect")["aliases"].to_dict()
    assert table == {"Intercept": "-A:B:C", "A": "-B:C", "B": "-A:C", "C": "-A:B"}


def test_alias_table_of_a_plan_leaves_out_centre_points_and_reads_labels():
    factors = factors_from_dict(
        {"factor": [*[{"name": n, "low": 2, "high": 4} for n in "abc"], {"name": "m", "levels": ["x", "y"]}]}
    )
    plan = make_plan(factors, design="fractional", resolution=4, centre_points=2)
    table = alias_table(plan, max_order=2).set_index("effect")["aliases"]
    assert table["a:b"] == "c:m"
    assert table["m"] == ""


def test_alias_table_refuses_more_than_two_settings(unit_factors):
    with pytest.raises(PlanError, match="takes 3 settings"):
        alias_table(make_plan(unit_factors(3), design="box-behnken"))


def test_alias_matrix_of_plackett_burman(unit_factors):
    # Every main effect of the 12-run design shares a third of each interaction of two other factors.
    matrix = alias_matrix(make_plan(unit_factors(5), design="plackett-burman"), "linear", "interactions")
    for effect in "abcde":
        for interaction in matrix.columns:
            share = abs(matrix.loc[effect, interaction])
            assert share == pytest.approx(0 if effect in interaction.split(":") else 1 / 3)


def test_alias_matrix_predicts_the_bias(unit_factors):
    plan = make_plan(unit_factors(4), design="definitive")
    bias = alias_matrix(plan, "linear", "quadratic")
    rng = np.random.default_rng(1)
    x1 = plan.matrix("linear").to_numpy()
    x2 = plan.matrix("quadratic")[list(bias.columns)].to_numpy()
    truth, left_out = rng.normal(size=x1.shape[1]), rng.normal(size=x2.shape[1])
    fitted = np.linalg.lstsq(x1, x1 @ truth + x2 @ left_out, rcond=None)[0]
    assert fitted == pytest.approx(truth + bias.to_numpy() @ left_out, abs=1e-10)
