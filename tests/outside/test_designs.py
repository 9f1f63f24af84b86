"""Designs against published tables and worked examples.

Sources stand beside each check; the data files in data/ carry theirs in the first line.
"""

from __future__ import annotations

import itertools
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from sharpset.plans import (
    alias_table,
    factors_from_dict,
    import_plan,
    make_plan,
    practice_remarks,
)
from sharpset.plans.fractions import (
    LETTERS,
    find_fraction,
    fraction_by_resolution,
    fraction_from_generators,
    word_length_pattern,
)

DATA = Path(__file__).parent / "data"


def factors(k: int, prefix: str = "x", **keys: object):
    return factors_from_dict(
        {"factor": [{"name": f"{prefix}{i}", "low": -1, "high": 1, **keys} for i in range(1, k + 1)]}
    )


def coded(plan):
    return plan.factors.to_matrix(plan.runs)


# Source: NIST/SEMATECH e-Handbook of Statistical Methods, section 5.3.3.6.1, table 3.23, "Determining alpha for
# rotatability" (seen): factorial portion and scaled value of alpha, three decimals.
@pytest.mark.parametrize(
    ("k", "resolution", "alpha"),
    [(2, 3, 1.414), (3, 4, 1.682), (4, 5, 2.000), (5, 5, 2.000), (5, 6, 2.378), (6, 6, 2.378), (6, 7, 2.828)],
)
def test_axial_distances_of_rotatable_designs(k, resolution, alpha):
    plan = make_plan(factors(k), design="central-composite", axial="rotatable", resolution=resolution)
    assert plan.about["axial_distance"] == pytest.approx(alpha, abs=5e-4)
    assert np.abs(coded(plan)).max() == pytest.approx(alpha, abs=5e-4)


# Source: NIST/SEMATECH e-Handbook, 5.3.3.6.3, tables 3.24 to 3.27 (seen): three factors, central composite
# circumscribed, inscribed and faced 20 runs with 6 centre points; Box-Behnken 15 runs with 3 centre points.
@pytest.mark.parametrize(
    ("options", "runs", "centres", "largest"),
    [
        ({"design": "central-composite", "axial": "rotatable"}, 20, 6, 1.682),
        ({"design": "central-composite", "axial": "inscribed"}, 20, 6, 1.0),
        ({"design": "central-composite", "axial": "face-centred"}, 20, 6, 1.0),
        ({"design": "box-behnken"}, 15, 3, 1.0),
    ],
)
def test_run_counts_of_response_surface_designs(options, runs, centres, largest):
    x = coded(make_plan(factors(3), **options))
    assert len(x) == runs
    assert int((x == 0).all(axis=1).sum()) == centres
    assert np.abs(x).max() == pytest.approx(largest, abs=5e-4)


# Source: the same section, table of the inscribed design from 10 to 20 (seen; its run 7 is misprinted as
# 12,12,18): the cube lies at 12 and 18 (15 +- 5/1.682 = 12.03, 17.97, printed rounded).
def test_inscribed_design_in_natural_units():
    ten_to_twenty = factors_from_dict({"factor": [{"name": f"x{i}", "low": 10, "high": 20} for i in (1, 2, 3)]})
    plan = make_plan(ten_to_twenty, design="central-composite", axial="inscribed")
    assert sorted({round(v) for v in plan.runs["x1"]}) == [10, 12, 15, 18, 20]


# Source: Box & Hunter 1957 as used by Derringer & Suich 1980, J. Qual. Technol. 12(4):214-219 (axial points
# +-1.633): three factors in three orthogonal blocks with two centre points in each.
def test_axial_distance_of_orthogonal_blocks():
    plan = make_plan(factors(3), design="central-composite", axial="orthogonal", blocks=3)
    assert plan.about["axial_distance"] == pytest.approx(1.633, abs=5e-4)
    assert plan.runs["block"].value_counts().to_dict() == {1: 6, 2: 6, 3: 8}


def catalogue() -> pd.DataFrame:
    return pd.read_csv(DATA / "frac_factorial_minimum_aberration.csv", comment="#")


CATALOGUE = catalogue()


# Source: minimum-aberration 2^(k-p) designs of Chen, Sun & Wu 1993, Int. Stat. Rev. 61:131-145, as shipped in
# the R package FrF2 (see the data file). Integers, so exact.
@pytest.mark.parametrize("row", list(CATALOGUE.itertuples()), ids=lambda r: f"{r.k}-{r.p}")
def test_published_fractions_by_our_words(row):
    fraction = fraction_from_generators(LETTERS[: row.k], row.generators)
    assert fraction.n_runs == row.runs
    # Counted one by one from the runs, and by the weights of the runs.
    words = word_length_pattern(fraction.matrix)
    assert words == fraction.word_lengths
    assert fraction.resolution == row.resolution
    printed = [int(n) for n in row.wordlengths_3_to_8.split()]
    assert [*words[2:8], *[0] * (6 - len(words[2:8]))] == printed


@pytest.mark.parametrize("row", list(CATALOGUE.itertuples()), ids=lambda r: f"{r.k}-{r.p}")
def test_our_choice_of_fraction_has_minimum_aberration(row):
    ours = find_fraction(row.k, row.k - row.p)
    printed = [int(n) for n in row.wordlengths_3_to_8.split()]
    assert [*ours.word_lengths[2:8], *[0] * (6 - len(ours.word_lengths[2:8]))] == printed
    assert ours.resolution == row.resolution


# The same catalogue: the smallest run size of each resolution; agrees with NIST table 3.17 (seen) for k <= 11.
@pytest.mark.parametrize(
    ("k", "resolution", "runs"),
    [
        (k, resolution, int(fitting["runs"].min()))
        for k, known in CATALOGUE.groupby("k")
        for resolution in (3, 4, 5)
        if len(fitting := known[known["resolution"] >= resolution])
    ],
)
def test_smallest_fraction_of_a_resolution(k, resolution, runs):
    assert fraction_by_resolution(int(k), resolution).n_runs == runs


# Clear two-factor interactions (those mixed up with no main effect and no other two-factor interaction) of
# the printed generators, counted from our alias chains.
@pytest.mark.parametrize("row", list(CATALOGUE[CATALOGUE["runs"] <= 64].itertuples()), ids=lambda r: f"{r.k}-{r.p}")
def test_clear_interactions_by_our_alias_chains(row):
    from sharpset.plans.aliases import effect_chains

    fraction = fraction_from_generators(LETTERS[: row.k], row.generators)
    table = effect_chains(fraction.matrix, LETTERS[: row.k], max_order=2)
    alone = table[(table["n_aliases"] == 0) & table["effect"].str.contains(":")]
    assert len(alone) == row.clear_2fi


# Source: NIST/SEMATECH e-Handbook, table 3.18 (seen), twelve-run Plackett-Burman. Trap: the copy that was read
# prints row 12 as all minus, which is not orthogonal; corrected to + - + + + - - - + - - in the data file.
def test_plackett_burman_twelve_runs():
    printed = pd.read_csv(DATA / "nist_pb12.csv", comment="#").to_numpy(dtype=float)
    assert np.array_equal(printed.T @ printed, 12 * np.eye(11))
    spoilt = printed.copy()
    spoilt[11] = -1
    gram = spoilt.T @ spoilt
    assert np.abs(gram - np.diag(np.diag(gram))).max() == 2
    ours = coded(make_plan(factors(11), design="plackett-burman"))
    assert np.array_equal(ours.T @ ours, 12 * np.eye(11))
    for x in (printed, ours):
        # Every product of two columns is mixed up by a third with each of the nine others, not with its own.
        for i, j in itertools.combinations(range(11), 2):
            shares = x.T @ (x[:, i] * x[:, j]) / 12
            assert np.abs(shares[[i, j]]).max() < 1e-12
            assert np.delete(np.abs(shares), [i, j]) == pytest.approx(np.full(9, 1 / 3))


# Source: Jones & Nachtsheim 2011, J. Qual. Technol. 43(1):1-15 (designs as made by the R package daewr, see the
# data files). Properties only: rows may come in any order and columns with any sign.
@pytest.mark.parametrize("k", [4, 5, 6, 7, 8])
def test_definitive_screening_properties(k):
    printed = pd.read_csv(DATA / f"dsd_k{k}_jones_nachtsheim.csv", comment="#").to_numpy(dtype=float)
    ours = coded(make_plan(factors(k), design="definitive"))
    for x in (printed, ours):
        # Foldover pairs and one centre run; every factor has three levels.
        rows = sorted(map(tuple, x + 0.0))
        assert rows == sorted(map(tuple, -x + 0.0))
        assert int((x == 0).all(axis=1).sum()) == 1
        # Main effects are orthogonal to all squares and two-factor interactions.
        second = np.array([x[:, i] * x[:, j] for i in range(k) for j in range(i, k)])
        assert np.abs(second @ x).max() == 0
    # 2k + 1 runs for an even number of factors, as published; for an odd one a column of the next is dropped.
    assert len(ours) == 2 * (k + k % 2) + 1
    if k % 2 == 0:
        assert len(printed) == len(ours)
        for x in (printed, ours):
            assert np.array_equal(x.T @ x, (2 * k - 2) * np.eye(k))
            squares = x**2
            r = np.corrcoef(squares.T)[np.triu_indices(k, 1)]
            # Jones & Nachtsheim: 1/3 - 1/(k - 1), .1333 for six factors.
            assert r == pytest.approx(np.full(len(r), 1 / 3 - 1 / (k - 1)))


# Same source, six factors: correlation of a square with a two-factor interaction 0 or .4655, of two
# interactions .25 or .5 (from the data file's expected values, recomputed), four decimals.
def test_definitive_screening_second_order_correlations():
    x = coded(make_plan(factors(6), design="definitive"))
    pairs = list(itertools.combinations(range(6), 2))
    products = np.array([x[:, i] * x[:, j] for i, j in pairs])
    squares = (x**2).T
    with_squares = {round(abs(float(np.corrcoef(s, p)[0, 1])), 4) for s in squares for p in products}
    assert with_squares == {0.0, 0.4655}
    among = {round(abs(float(np.corrcoef(p, q)[0, 1])), 4) for p, q in itertools.combinations(products, 2)}
    # Interactions with a factor in common, and without: the two published values.
    assert among <= {0.0, 0.25, 0.5} and {0.25, 0.5} <= among


# Source: NIST/SEMATECH e-Handbook 5.6.2, sonoluminescent light intensity, 2^(7-3) with 5 = 234, 6 = 134, 7 = 123
# (seen). Its half-effects are named 13, 17, 12, 16, 14, 24, 15 and 124; the chains follow from the generators.
def test_sonoluminescence_alias_chains():
    names = [f"x{i}" for i in range(1, 8)]
    plan = import_plan(factors(7), DATA / "nist_sonoluminescence_2pow7-3.csv")
    assert plan.extra_columns == ("y",)
    table = alias_table(plan, max_order=2).set_index("effect")["aliases"].to_dict()
    assert all(table[n] == "" for n in names)
    # Words by hand: 2345, 1346, 1237 and their products 1256, 1457, 2467, 3567.
    chains = {
        "x1:x2": "x3:x7 = x5:x6", "x1:x3": "x2:x7 = x4:x6", "x1:x4": "x3:x6 = x5:x7", "x1:x5": "x2:x6 = x4:x7",
        "x1:x6": "x2:x5 = x3:x4", "x1:x7": "x2:x3 = x4:x5", "x2:x4": "x3:x5 = x6:x7",
    }  # fmt: skip
    assert {k: v for k, v in table.items() if ":" in k} == chains
    complete = alias_table(plan)
    # 128 effects in 16 chains of 8.
    assert len(complete) == 16 and (complete["n_aliases"] == 7).all()
    words = complete.set_index("effect").loc["Intercept", "aliases"].replace("x", "").replace(":", "").split(" = ")
    assert sorted(words) == sorted(["2345", "1346", "1237", "1256", "1457", "2467", "3567"])
    ours = fraction_from_generators(names, "5=234; 6=134; 7=123")
    assert sorted(map(tuple, ours.matrix)) == sorted(map(tuple, coded(plan)))


# Source: the same page's table of half-effects (seen), recomputed here from the imported runs by contrasts. Exact
# decimals, so 1e-9.
def test_sonoluminescence_half_effects():
    plan = import_plan(factors(7), DATA / "nist_sonoluminescence_2pow7-3.csv")
    x, y = coded(plan), plan.runs["y"].to_numpy()
    printed = {
        "": 110.60625, "2": -39.30625, "7": -39.05625, "13": 35.00625, "1": 33.10625, "3": 31.90625, "17": -31.73125,
        "12": -29.78125, "16": -8.16875, "14": -5.24375, "6": -4.51875, "5": 3.74375, "124": 2.91875, "4": 1.85625,
        "24": 0.84375, "15": -0.28125,
    }  # fmt: skip
    for word, value in printed.items():
        column = x[:, [int(c) - 1 for c in word]].prod(axis=1)
        assert float(column @ y / 16) == pytest.approx(value, abs=1e-9)


# Common practice, no source: layer height stays below about three quarters of the nozzle diameter; a fine
# filament set-up is a 0.25 mm nozzle with 0.06 mm layers.
def test_layer_height_against_nozzle_diameter_as_common_practice():
    setup = factors_from_dict(
        {
            "factor": [
                {"name": "layer_height", "unit": "mm", "low": 0.04, "high": 0.24},
                {"name": "nozzle", "unit": "mm", "kind": "levels", "levels": [0.25, 0.4]},
            ]
        }
    )
    fine = pd.DataFrame({"layer_height": [0.06, 0.18], "nozzle": [0.25, 0.25]})
    assert practice_remarks(setup, fine) == []
    coarse = pd.DataFrame({"layer_height": [0.06, 0.20], "nozzle": [0.25, 0.25]})
    remarks = practice_remarks(setup, coarse)
    assert len(remarks) == 1 and "three quarters" in remarks[0] and "0.2 mm with 0.25 mm" in remarks[0]
    plan = make_plan(setup, design="full")
    assert any("three quarters" in r for r in plan.remarks)
    kept = factors_from_dict({**setup.to_dict(), "constraint": [{"rule": "layer_height <= 0.75 * nozzle"}]})
    plan = make_plan(kept, design="d-optimal", model="linear", starts=3)
    assert not any("three quarters" in r for r in plan.remarks)
