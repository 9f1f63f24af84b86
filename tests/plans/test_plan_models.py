"""The language of models and the matrices made from it."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sharpset.errors import PlanError
from sharpset.plans import Term, expand_model, factors_from_dict, make_basis, missing_margins, model_matrix

FACTORS = factors_from_dict(
    {
        "factor": [
            {"name": "a", "low": 0, "high": 10},
            {"name": "b", "low": -1, "high": 1},
            {"name": "n", "kind": "levels", "levels": [1, 2]},
            {"name": "m", "levels": ["x", "y", "z"]},
        ]
    }
)


def names(model, factors=FACTORS):
    return [t.name for t in expand_model(factors, model)]


def test_named_models():
    assert names("linear") == ["Intercept", "a", "b", "n", "m"]
    assert names("interactions") == [*names("linear"), "a:b", "a:n", "a:m", "b:n", "b:m", "n:m"]
    # No square of two levels or of labels.
    assert names("quadratic") == [*names("interactions"), "a^2", "b^2"]


@pytest.mark.parametrize(
    ("formula", "expected"),
    [
        ("a", ["a"]),
        ("width_mm ~ a + b", ["a", "b"]),
        ("1 + b + a", ["b", "a"]),
        ("b:a", ["a:b"]),
        ("a*b", ["a", "b", "a:b"]),
        ("a*b*n", ["a", "b", "n", "a:b", "a:n", "b:n", "a:b:n"]),
        ("(a + b + n)^2", ["a", "b", "n", "a:b", "a:n", "b:n"]),
        ("(a+b+n)**2 - a:n", ["a", "b", "n", "a:b", "b:n"]),
        ("a + a^2 + I(b**2) + b", ["a", "b", "a^2", "b^2"]),
        ("a^2:b", ["a^2:b"]),
        ("linear + a:b + a", ["a", "b", "n", "m", "a:b"]),
        ("quadratic - m - a:m - b:m - n:m", ["a", "b", "n", "a:b", "a:n", "b:n", "a^2", "b^2"]),
        ("(a + b):n", ["a:n", "b:n"]),
        ("a^3", ["a^3"]),
    ],
)
def test_formulas(formula, expected):
    assert names(formula) == ["Intercept", *expected]


def test_a_list_of_terms_is_a_model():
    assert names(["b", "a:b", Term((("a", 2),))]) == ["Intercept", "b", "a:b", "a^2"]


@pytest.mark.parametrize(
    ("formula", "message"),
    [
        ("a + speed", "unknown factor 'speed'; factors|names the unknown factor 'speed'"),
        ("m^2", "m has labels"),
        ("n^2", "n has 2 levels"),
        ("a - 1", "constant"),
        ("a + 2", "number 2"),
        ("a:a", r"write a\^2"),
        ("a +", "ends too early"),
        ("(a + b", "open bracket"),
        ("a b", "cannot be read at 'b'"),
        ("a ^ b", "power 'b'"),
        ("a & b", "unexpected character '&'"),
        ("", "is empty"),
        ("a - a", "no term"),
        ("(a:b + n)^2", "more than main effects"),
        ("(" * 50 + "a" + ")" * 50, "too many brackets"),
    ],
)
def test_faulty_formulas_are_explained(formula, message):
    with pytest.raises(PlanError, match=message):
        expand_model(FACTORS, formula)


@given(st.text(alphabet="ab nm:*+-^()12~I", max_size=25))
def test_any_text_is_read_or_refused_in_words(text):
    try:
        terms = expand_model(FACTORS, text)
    except PlanError:
        return
    assert terms[0] == Term() and len(set(terms)) == len(terms)


def test_missing_margins():
    terms = expand_model(FACTORS, "a:b:n + a^2 + b")
    assert [t.name for t in missing_margins(terms)] == ["a", "n", "a:b", "a:n", "b:n"]
    assert missing_margins(expand_model(FACTORS, "quadratic")) == []


def test_model_matrix_by_hand():
    runs = pd.DataFrame(
        {"a": [0.0, 5.0, 7.5], "b": [-1.0, 0.5, 1.0], "n": [1, 2, 2], "m": ["x", "y", "z"], "other": [9, 9, 9]},
        index=["R01", "R02", "R03"],
    )
    matrix = model_matrix(FACTORS, runs, "a + m + a:b + a^2 + a:m")
    expected = pd.DataFrame(
        {
            "Intercept": [1.0, 1, 1],
            "a": [-1, 0, 0.5],
            "m[y]": [-1.0, 1, 0],
            "m[z]": [-1.0, 0, 1],
            "a:b": [1.0, 0, 0.5],
            "a:m[y]": [1.0, 0, 0],
            "a:m[z]": [1.0, 0, 0.5],
            "a^2": [1, 0, 0.25],
        },
        index=["R01", "R02", "R03"],
    )
    pd.testing.assert_frame_equal(matrix, expected)


def test_two_labels_are_minus_and_plus_one():
    factors = factors_from_dict({"factor": [{"name": "grit", "levels": ["fine", "coarse"]}]})
    matrix = model_matrix(factors, pd.DataFrame({"grit": ["fine", "coarse"]}), "linear")
    assert matrix["grit[coarse]"].tolist() == [-1.0, 1.0]


def test_effect_coding_agrees_with_patsy():
    patsy = pytest.importorskip("patsy")
    runs = pd.DataFrame({"a": [0, 3, 6, 10, 2, 8.0], "b": 0.0, "n": 1, "m": ["x", "y", "z", "x", "y", "z"]})
    ours = model_matrix(FACTORS, runs, "m + a:m + a").to_numpy()
    # Sum coding of patsy leaves out the last level; with the levels turned round the first.
    frame = runs.assign(ca=(runs["a"] - 5) / 5)
    theirs = patsy.dmatrix("C(m, Sum, levels=['y', 'z', 'x']) * ca", frame)
    # The same columns in another order.
    assert sorted(map(tuple, ours.T.round(9))) == sorted(map(tuple, np.asarray(theirs).T.round(9)))


def test_moments_by_hand():
    basis = make_basis(FACTORS, "a + m + a:b + a^2 + n")
    w = pd.DataFrame(basis.moments(), index=basis.columns, columns=basis.columns)
    assert w.loc["Intercept", "Intercept"] == pytest.approx(1)
    assert w.loc["a", "a"] == pytest.approx(1 / 3)
    assert w.loc["Intercept", "a^2"] == pytest.approx(1 / 3)
    assert w.loc["a^2", "a^2"] == pytest.approx(1 / 5)
    assert w.loc["a:b", "a:b"] == pytest.approx(1 / 9)
    assert w.loc["m[y]", "m[y]"] == pytest.approx(2 / 3)
    assert w.loc["m[y]", "m[z]"] == pytest.approx(1 / 3)
    assert w.loc["n", "n"] == pytest.approx(1)
    assert w.loc["a", "m[y]"] == pytest.approx(0)


def test_moments_under_a_rule_are_those_of_the_allowed_region():
    factors = factors_from_dict(
        {
            "factor": [{"name": "a", "low": -1, "high": 1}, {"name": "b", "low": -1, "high": 1}],
            "constraint": [{"rule": "a + b <= 0"}],
        }
    )
    w = make_basis(factors, "linear").moments()
    # Triangle with corners (-1,-1), (1,-1), (-1,1): centroid -1/3, mean square 1/3; 0.01 is far above the
    # error of 8192 quasi-random points.
    assert w[0, 1] == pytest.approx(-1 / 3, abs=0.01)
    assert w[1, 1] == pytest.approx(1 / 3, abs=0.01)
