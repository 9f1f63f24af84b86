"""Response surfaces against algebra and against statsmodels."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from hypothesis import given, settings
from hypothesis import strategies as st
from statsmodels.stats.anova import anova_lm

from sharpset.errors import FitError
from sharpset.fits import fit_response, fit_responses, space_of

NAMES = ["height", "speed", "resin"]


@pytest.fixture(scope="module")
def printed():
    """An unbalanced plan: two numbers in natural units, one category, replicated corners."""
    rng = np.random.default_rng(11)
    runs = pd.DataFrame(
        {
            "run_id": [f"R{i}" for i in range(30)],
            "height": rng.choice([0.05, 0.08, 0.12], 30),
            "speed": rng.choice([20.0, 40.0, 60.0], 30),
            "resin": rng.choice(["grey", "clear", "tough"], 30),
        }
    )
    offset = runs["resin"].map({"grey": 0.0, "clear": 0.4, "tough": -0.2})
    runs["y"] = 3 + 20 * runs["height"] - 0.02 * runs["speed"] + offset + 0.1 * rng.standard_normal(30)
    return runs


@pytest.mark.parametrize(
    "formula",
    ["y ~ resin + height * speed", "y ~ C(resin) * speed", "y ~ np.log(height) + speed"],
)
def test_natural_terms_and_anova_agree_with_statsmodels(printed, formula):
    fit = fit_response(printed, "y", space=space_of(printed[["height", "speed", "resin"]]), formula=formula)
    contrast = formula.replace("C(resin)", "resin").replace("resin", "C(resin, Sum)")
    other = smf.ols(contrast, printed).fit()
    np.testing.assert_allclose(fit.data["fitted"], other.fittedvalues, rtol=1e-9)
    np.testing.assert_allclose(sorted(fit.terms_natural["estimate"]), sorted(other.params), rtol=1e-7)
    np.testing.assert_allclose(sorted(fit.terms_natural["se"]), sorted(other.bse), rtol=1e-7)
    assert fit.residual_sd == pytest.approx(np.sqrt(other.scale), rel=1e-10)
    assert fit.r2_adjusted == pytest.approx(other.rsquared_adj, rel=1e-10)
    for kind, typ in (("I", 1), ("II", 2)):
        mine = fit.anova[kind].set_index("term")["ss"].drop("Total")
        theirs = anova_lm(other, typ=typ)["sum_sq"]
        np.testing.assert_allclose(sorted(mine), sorted(theirs), rtol=1e-6)


def test_type_three_is_each_coded_term_last(printed):
    """With effect coding a type III F of one column is the square of its t."""
    fit = fit_response(
        printed, "y", space=space_of(printed[["height", "speed", "resin"]]), formula="y ~ height * speed"
    )
    t = fit.terms.set_index("term")["t"]
    f = fit.anova["III"].set_index("term")["F"]
    for term in ("height", "speed", "height:speed"):
        assert f[term] == pytest.approx(t[term] ** 2, rel=1e-9)


def test_prediction_interval_by_the_textbook(printed):
    fit = fit_response(
        printed, "y", space=space_of(printed[["height", "speed", "resin"]]), formula="y ~ height + speed"
    )
    other = smf.ols("y ~ height + speed", printed).fit()
    at = pd.DataFrame({"height": [0.07], "speed": [33.0]})
    frame = other.get_prediction(at).summary_frame(alpha=0.05)
    mine = fit.predict(at).iloc[0]
    assert mine["predicted"] == pytest.approx(frame["mean"].iloc[0], rel=1e-10)
    assert [mine["low"], mine["high"]] == pytest.approx(
        frame[["obs_ci_lower", "obs_ci_upper"]].iloc[0].tolist(), rel=1e-9
    )
    assert mine["u_mean"] == pytest.approx(frame["mean_se"].iloc[0], rel=1e-9)


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10_000), st.floats(0.01, 100), st.floats(-50, 50))
def test_coded_and_natural_tables_are_the_same_surface(seed, scale, shift):
    """b_coded of a slope is b_natural times half the span, whatever the unit."""
    rng = np.random.default_rng(seed)
    runs = pd.DataFrame({"a": shift + scale * rng.uniform(-1, 1, 12), "b": rng.uniform(0, 1, 12)})
    runs["y"] = rng.standard_normal(12)
    fit = fit_response(runs, "y", space=space_of(runs[["a", "b"]]), formula="y ~ a + b")
    half = np.ptp(runs["a"]) / 2
    assert fit.terms["estimate"][1] == pytest.approx(fit.terms_natural["estimate"][1] * half, rel=1e-7, abs=1e-9)
    assert fit.terms["t"][1] == pytest.approx(fit.terms_natural["t"][1], rel=1e-6, abs=1e-8)


def test_pure_error_by_hand():
    runs = pd.DataFrame({"a": [-1, -1, 0, 0, 1, 1], "y": [1.0, 3.0, 10.0, 12.0, 3.0, 5.0]})
    fit = fit_response(runs, "y", space=space_of(runs[["a"]]), formula="y ~ a")
    table = fit.lack_of_fit.set_index("term")
    assert table.loc["Pure error", "ss"] == pytest.approx(6.0)  # three pairs two apart
    assert table.loc["Pure error", "df"] == 3
    # Means 2, 11, 4 about their line 17/3 - 1, 17/3, 17/3 + 1, twice each.
    line = np.array([17 / 3 - 1, 17 / 3, 17 / 3 + 1])
    assert table.loc["Lack of fit", "ss"] == pytest.approx(2 * np.sum((np.array([2, 11, 4]) - line) ** 2))


def test_weights_recover_known_uncertainties():
    """With exact weights the estimate is the textbook weighted mean difference."""
    runs = pd.DataFrame({"a": [-1.0] * 4 + [1.0] * 4, "y": [1.0, 1.2, 0.9, 5.0, 2.0, 2.1, 1.9, 6.0]})
    runs["u_y"] = [0.1, 0.1, 0.1, 4.0, 0.1, 0.1, 0.1, 4.0]
    fit = fit_response(runs, "y", space=space_of(runs[["a"]]), formula="y ~ a", uncertainty="u_y")
    assert fit.method == "WLS"
    plain = fit_response(runs, "y", space=space_of(runs[["a"]]), formula="y ~ a")
    # The wild values have next to no say: the mean is near 1.5, not 2.5.
    assert fit.terms["estimate"][0] == pytest.approx(1.5, abs=0.05)
    assert plain.terms["estimate"][0] == pytest.approx(2.5125, abs=1e-9)


def test_no_intercept_is_fitted_as_written():
    """NIST StRD NoInt1 (x 60..70, y 130..140): slope 2.07438016528926 (certified value from memory)."""
    runs = pd.DataFrame({"x": np.arange(60.0, 71), "y": np.arange(130.0, 141)})
    fit = fit_response(runs, "y", space=space_of(runs[["x"]]), formula="y ~ 0 + x")
    assert fit.units == "natural"
    assert fit.terms_natural["estimate"].tolist() == pytest.approx([2.07438016528926], rel=1e-12)
    assert fit.terms.empty


def test_log_factor_is_coded_on_its_scale():
    from sharpset.plans import factors_from_dict

    factors = factors_from_dict(
        {"factor": [{"name": "exposure", "unit": "s", "kind": "continuous", "low": 1.0, "high": 4.0, "scale": "log"}]}
    )

    class Plan:
        pass

    plan = Plan()
    plan.factors = factors
    plan.runs = runs = pd.DataFrame({"exposure": [1.0, 2.0, 4.0, 1.0, 2.0, 4.0]})
    runs["y"] = 5 + 3 * np.log2(runs["exposure"])
    runs.loc[0, "y"] += 1e-6
    fit = fit_response(runs, "y", space=space_of(plan))
    assert "log(exposure)" in fit.formula
    assert fit.terms.set_index("term")["estimate"]["exposure"] == pytest.approx(3.0, abs=1e-5)


def test_power_transformation_predicts_in_the_response_unit():
    rng = np.random.default_rng(3)
    runs = pd.DataFrame({"a": np.tile([-1.0, 0.0, 1.0], 6)})
    runs["y"] = np.exp(2 + 0.5 * runs["a"] + 0.01 * rng.standard_normal(18))
    fit = fit_response(runs, "y", space=space_of(runs[["a"]]), power=0.0, formula="y ~ a")
    got = fit.predict(pd.DataFrame({"a": [1.0]})).iloc[0]
    assert got["predicted"] == pytest.approx(np.exp(2.5), rel=0.02)  # four standard errors of the noise
    assert got["low"] < got["predicted"] < got["high"]


def test_aliased_terms_are_dropped_and_said():
    runs = pd.DataFrame({"a": [-1, 1, -1, 1], "b": [-1, -1, 1, 1]})
    runs["c"] = runs["a"] * runs["b"]
    runs["y"] = [1.0, 2.0, 4.0, 8.0]
    fit = fit_response(runs, "y", space=space_of(runs[["a", "b", "c"]]))
    assert fit.terms["term"].tolist() == ["Intercept", "a", "b", "c"]
    assert any("a:b = c" in r for r in fit.remarks)
    asked = fit_response(runs, "y", space=space_of(runs[["a", "b", "c"]]), formula="y ~ a + b + a:b")
    assert asked.terms["term"].tolist() == ["Intercept", "a", "b", "a:b"]
    both = fit_response(runs, "y", space=space_of(runs[["a", "b", "c"]]), formula="y ~ a + c + b:a")
    assert any("a:b" in r or "b:a" in r for r in both.remarks)


def test_selection_keeps_hierarchy():
    """Only the interaction acts; its parents stay with it."""
    rng = np.random.default_rng(5)
    runs = pd.DataFrame(rng.uniform(-1, 1, (40, 3)), columns=list("abc"))
    runs["y"] = 4 * runs["a"] * runs["b"] + 0.1 * rng.standard_normal(40)
    fit = fit_response(runs, "y", space=space_of(runs[["a", "b", "c"]]))
    assert {"a", "b", "a:b"} <= set(fit.reduced.terms["term"])


class TestErrors:
    runs = pd.DataFrame({"run_id": list("pqrstu"), "a": [-1, 1, -1, 1, 0, 0], "b": [-1, -1, 1, 1, 0, 0]})
    y = (1.0, 2.0, 4.0, 8.0, 3.0, 3.5)

    def fit(self, y=y, **options):
        return fit_responses(self.runs, pd.DataFrame({"run_id": list("pqrstu"), "y": y}), **options)

    def test_constant_response(self):
        with pytest.raises(FitError, match="y is 2 in all 6 runs"):
            self.fit(y=[2.0] * 6)

    def test_too_few_runs_for_the_formula(self):
        with pytest.raises(FitError, match=r"asks for 8 terms and 6 runs"):
            self.fit(formula="a*b*I(a**2)")

    def test_unknown_factor_lists_the_choices(self):
        with pytest.raises(FitError, match=r"'zeal'.*Choose from.*a, b"):
            self.fit(formula="y ~ a + zeal")

    def test_unknown_response_lists_the_choices(self):
        with pytest.raises(FitError, match=r"'gloss'.*Choose from y"):
            self.fit(response="gloss")

    def test_unreadable_formula(self):
        with pytest.raises(FitError, match="cannot be read"):
            self.fit(formula="y ~ a + ")

    def test_word_among_numbers(self):
        with pytest.raises(FitError, match="'about 3'"):
            self.fit(y=[1.0, 2.0, 4.0, 8.0, 3.0, "about 3"])

    def test_no_shared_run(self):
        with pytest.raises(FitError, match=r"share no run.*p, q.*X1"):
            fit_responses(self.runs, pd.DataFrame({"run_id": ["X1", "X2"], "y": [1.0, 2.0]}))

    def test_too_few_values(self):
        with pytest.raises(FitError, match="2 of 6 runs have a value"):
            self.fit(y=[1.0, 2.0, None, None, None, None])

    def test_formula_cannot_run_code(self):
        with pytest.raises(FitError, match="cannot be computed"):
            self.fit(formula="y ~ __import__('os').getcwd()")


def test_columns_named_like_keywords_can_be_fitted():
    runs = pd.DataFrame({"a": [-1.0, 1, -1, 1, 0, 0], "yield": [1.0, 2, 1.2, 2.2, 1.5, 1.6]})
    for formula in ("yield ~ a", "log(yield) ~ a", "a"):
        fit = fit_response(runs, "yield", space=space_of(runs[["a"]]), formula=formula)
        wanted = np.log(runs["yield"]) if "log" in formula else runs["yield"]
        assert fit.terms["estimate"][1] == pytest.approx(np.polyfit(runs["a"], wanted, 1)[0])


def test_replicated_factorial_gets_all_its_interactions():
    corners = pd.DataFrame([(a, b, c) for a in (-1, 1) for b in (-1, 1) for c in (-1, 1)] * 2, columns=list("abc"))
    corners["y"] = corners.prod(axis=1) + np.arange(16) % 3
    fit = fit_response(corners, "y", space=space_of(corners[list("abc")]))
    assert "a:b:c" in set(fit.terms["term"])
    assert fit.df_resid == 8


@pytest.mark.parametrize(("n_plots", "said"), [(4, True), (7, False)])
def test_a_fit_says_when_whole_plots_leave_too_few_degrees_of_freedom(n_plots, said):
    """Two runs a plot and two slopes within them: n_plots - 2 degrees of freedom are left over within plots."""
    rng = np.random.default_rng(4)
    plot = np.repeat(np.arange(n_plots), 2)
    runs = pd.DataFrame({"run_id": [f"R{i}" for i in range(2 * n_plots)], "whole_plot": plot + 1, "block": 1})
    runs[["speed", "fan"]] = rng.uniform(-1, 1, (2 * n_plots, 2))
    runs["y"] = runs["speed"] + rng.standard_normal(n_plots)[plot] + 0.1 * rng.standard_normal(2 * n_plots)
    space = space_of(runs[["speed", "fan"]])
    fit = fit_response(runs, response="y", space=space, formula="y ~ speed + fan", groups=("whole_plot",))
    assert fit.mixed is not None
    assert any(f"{n_plots - 2} degrees of freedom within each whole plot" in r for r in fit.remarks) is said
