"""Models of what forms: truth recovered, bounds honest, nothing invented."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from sharpset.errors import FitError
from sharpset.fits import fit_formed, formed_curve, formed_limit, space_of
from sharpset.fits.ladder import Ladder, ladder_criterion, probability, quantile

SIZES = 0.1 * 10 ** (np.arange(12) / 20)


def ladder_counts(runs, ln_limit, *, s, copies=3, seed=0):
    rng = np.random.default_rng(seed)
    rows = []
    for run, limit in zip(runs["run_id"], ln_limit, strict=True):
        chance = 1 / (1 + np.exp(-(np.log(SIZES) - limit) / s))
        for size, p in zip(SIZES, chance, strict=True):
            rows.append(
                {"run_id": run, "kind": "bar", "nominal_mm": size, "n": copies, "n_formed": rng.binomial(copies, p)}
            )
    return pd.DataFrame(rows)


def plan(n, seed=0):
    runs = pd.DataFrame(np.random.default_rng(seed).uniform(-1, 1, (n, 2)), columns=["a", "b"])
    runs.insert(0, "run_id", [str(i) for i in range(n)])
    return runs


def test_probability_is_the_mean_over_prints():
    rng = np.random.default_rng(1)
    z = rng.standard_normal(400_000)
    for d in (-0.1, 0.0, 0.15):
        expected = np.mean(1 / (1 + np.exp(-(d - 0.1 * z) / 0.05)))
        # Standard error of this many draws is below .0008.
        assert probability(np.array(d), 0.05, 0.1) == pytest.approx(expected, abs=0.003)


def test_quantile_inverts_probability():
    for s, sd in ((0.02, 0.2), (0.1, 0.01), (0.05, 0.05)):
        q = quantile(0.9, s, sd)
        assert probability(np.array(q), s, sd) == pytest.approx(0.9, abs=1e-9)
    # Without a print effect it is the logit: ln 9 times the scale.
    assert quantile(0.9, 0.1, 1e-6) == pytest.approx(0.1 * np.log(9), rel=1e-6)


@pytest.mark.parametrize("firth", [False, True])
def test_gradient_matches_differences(firth):
    runs = plan(8)
    counts = ladder_counts(runs, np.log(0.18) + 0.2 * runs["a"], s=0.06)
    ladder = Ladder.from_counts(counts, runs)
    x = np.column_stack([np.ones(8), runs["a"]])
    plain = ladder_criterion(ladder, x, firth=firth)
    theta = np.array([np.log(0.19), 0.15, np.log(0.07), np.log(0.05)])
    held = plain.held(np.array([1.0, 0.3]), np.log(0.22), 0.9)
    for criterion, start in ((plain, theta), (held, theta[1:])):
        _, gradient = criterion.value(start)
        for k in range(len(start)):
            up, down = start.copy(), start.copy()
            up[k] += 1e-5
            down[k] -= 1e-5
            numeric = (criterion.value(up)[0] - criterion.value(down)[0]) / 2e-5
            assert gradient[k] == pytest.approx(numeric, rel=2e-3, abs=2e-3)  # Firth's part is itself a difference


def test_truth_is_recovered_with_many_prints():
    runs = plan(150, seed=2)
    truth = np.log(0.18) + 0.25 * runs["a"] - 0.1 * runs["b"] + 0.08 * np.random.default_rng(3).standard_normal(150)
    fit = fit_formed(
        ladder_counts(runs, truth, s=0.05), runs, kind="bar", space=space_of(runs[["a", "b"]]), formula="a + b"
    )
    table = fit.to_frame()
    for value, row in zip([np.log(0.18), 0.25, -0.1], table.itertuples(), strict=True):
        assert abs(row.estimate - value) < 4 * row.se
    assert fit.print_sd == pytest.approx(0.08, rel=0.3)
    assert fit.s == pytest.approx(0.05, rel=0.3)


def test_formula_of_a_category():
    runs = plan(24)
    runs["resin"] = np.tile(["grey", "clear"], 12)
    limit = np.log(0.17) + np.where(runs["resin"] == "grey", 0.2, -0.2)
    fit = fit_formed(ladder_counts(runs, limit, s=0.05), runs, kind="bar", space=space_of(runs[["a", "resin"]]))
    grey = formed_limit(fit, pd.DataFrame({"a": [0.0], "resin": ["grey"]}))
    clear = formed_limit(fit, pd.DataFrame({"a": [0.0], "resin": ["clear"]}))
    # The categories' limits differ by a factor exp(.4).
    assert grey.a50_mm / clear.a50_mm == pytest.approx(np.exp(0.4), rel=0.1)


@pytest.mark.slow
def test_limit_covers_as_it_says():
    """The a90/95 is at or above the true a90 in about 95 of 100 experiments of 16 prints."""
    at = pd.DataFrame({"a": [0.3], "b": [0.2]})
    true = np.log(0.2) + 0.25 * 0.3 - 0.15 * 0.2 + quantile(0.9, 0.05, 0.08)
    hits = 0
    for seed in range(25):
        runs = plan(16, seed=seed)
        rng = np.random.default_rng(1000 + seed)
        ln_limit = np.log(0.2) + 0.25 * runs["a"] - 0.15 * runs["b"] + 0.08 * rng.standard_normal(16)
        fit = fit_formed(
            ladder_counts(runs, ln_limit, s=0.05, seed=seed), runs, kind="bar", space=space_of(runs[["a", "b"]])
        )
        hits += np.log(formed_limit(fit, at).a90_95_mm) >= true
    # 25 trials at .95: 24 expected, standard deviation 1.1; fewer than 20 in about one of a thousand series.
    assert hits >= 20


class TestNothingInvented:
    def fit(self, pattern, n_prints=6):
        runs = plan(n_prints)
        rows = [
            {"run_id": r, "kind": "slot", "nominal_mm": size, "n": 2, "n_formed": hit}
            for r in runs["run_id"]
            for size, hit in pattern.items()
        ]
        return fit_formed(pd.DataFrame(rows), runs, kind="slot", space=space_of(runs[["a", "b"]]))

    at = pd.DataFrame({"a": [0.0], "b": [0.0]})

    def test_all_formed(self):
        fit = self.fit({0.15: 2, 0.2: 2, 0.3: 2})
        limit = formed_limit(fit, self.at)
        assert fit.status == "all_formed"
        assert "below 0.15 mm" in limit.statement
        assert np.isnan(limit.a90_mm)
        assert limit.a90_95_mm == np.inf  # six prints are no proof of 90/95
        assert np.isnan(fit.chance(0.1, self.at)[0])  # smaller than anything tried

    def test_all_formed_in_twenty_nine_prints_is_a_proof(self):
        limit = formed_limit(self.fit({0.15: 2, 0.2: 2}, n_prints=29), self.at)
        assert limit.a90_95_mm == 0.15

    def test_none_formed(self):
        fit = self.fit({0.15: 0, 0.2: 0})
        assert fit.status == "none_formed"
        assert "above 0.2 mm" in fit.statement

    def test_cleanly_cut_in_every_print(self):
        fit = self.fit({0.1: 0, 0.15: 0, 0.2: 2, 0.3: 2})
        assert fit.status == "separated"
        assert "between" in fit.statement
        assert "0.2 mm" in fit.statement
        assert "0.15 mm" in fit.statement
        assert fit.chance(0.25, self.at)[0] == pytest.approx(6.5 / 7)
        assert fit.chance(0.12, self.at)[0] == pytest.approx(0.5 / 7)
        assert formed_curve(fit, self.at)["size_mm"].max() == pytest.approx(0.3)

    def test_settings_that_separate_completely(self):
        """Above a = 0 all form from .15, below it only from .25: estimates stay finite and say so."""
        runs = plan(10, seed=4)
        rows = [
            {
                "run_id": r,
                "kind": "hole",
                "nominal_mm": s,
                "n": 3,
                "n_formed": 3 if s >= (0.15 if a > 0 else 0.25) else 0,
            }
            for r, a in zip(runs["run_id"], runs["a"], strict=True)
            for s in (0.1, 0.12, 0.15, 0.18, 0.21, 0.25, 0.3)
        ]
        fit = fit_formed(pd.DataFrame(rows), runs, kind="hole", space=space_of(runs[["a", "b"]]))
        assert np.isfinite(fit.coef).all()
        low = formed_limit(fit, pd.DataFrame({"a": [0.9], "b": [0.0]}))
        high = formed_limit(fit, pd.DataFrame({"a": [-0.9], "b": [0.0]}))
        assert low.a90_mm < high.a90_mm
        assert low.a90_95_mm > low.a90_mm

    def test_one_print_says_that_scatter_is_unknown(self):
        runs = plan(1)
        rows = [
            {"run_id": "0", "kind": "bar", "nominal_mm": s, "n": 6, "n_formed": k}
            for s, k in zip((0.1, 0.15, 0.2, 0.25), (0, 2, 5, 6), strict=True)
        ]
        fit = fit_formed(pd.DataFrame(rows), runs, kind="bar", space=space_of(runs[["a", "b"]]))
        assert any("one print only" in r for r in fit.remarks)

    def test_unknown_kind_lists_what_was_read(self):
        runs = plan(4)
        counts = ladder_counts(runs, [np.log(0.2)] * 4, s=0.05)
        with pytest.raises(FitError, match=r"'post'.*bar"):
            fit_formed(counts, runs, kind="post", space=space_of(runs[["a", "b"]]))
