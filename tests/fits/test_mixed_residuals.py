"""Residuals of fits with whole plots: single runs and whole groups that lie off."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm

from sharpset.fits import fit_mixed, fit_response, space_of
from sharpset.fits.algebra import solve_least_squares
from sharpset.fits.diagnostics import influence
from sharpset.fits.mixed_residuals import mixed_residuals
from sharpset.plots import draw_residuals

N_PLOTS, N_EACH = 8, 4


def whole_plots(*, between: float, seed: int = 5) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    plot = np.repeat(np.arange(N_PLOTS), N_EACH)
    bed = np.where(np.arange(N_PLOTS) % 2, 60.0, 40.0)[plot]
    speed = np.tile([20.0, 40.0, 20.0, 40.0], N_PLOTS)
    own = between * rng.standard_normal(N_PLOTS)
    y = 5 + 0.02 * bed + 0.05 * speed + own[plot] + 0.1 * rng.standard_normal(len(plot))
    runs = pd.DataFrame({"bed": bed, "speed": speed, "y": y, "whole_plot": plot + 1})
    return runs.assign(run_id=[f"R{i:02d}" for i in range(1, len(runs) + 1)])


def fitted(runs: pd.DataFrame):
    space = space_of(runs[["bed", "speed"]])
    return fit_response(runs, response="y", space=space, formula="y ~ bed + speed", groups=("whole_plot",))


def parts(runs: pd.DataFrame):
    x = np.column_stack((np.ones(len(runs)), runs["bed"], runs["speed"]))
    return x, runs["y"].to_numpy(), {"whole_plot": runs["whole_plot"].to_numpy() - 1}


def test_without_scatter_of_groups_residuals_are_those_of_least_squares():
    x, y, groups = parts(whole_plots(between=0.0))
    mixed = fit_mixed(x, y, groups=groups)
    none = replace(mixed, variances=np.array([0.0, solve_least_squares(x, y).rss / (len(y) - 3)]))
    found = mixed_residuals(none, x, y, groups=groups).runs
    plain = solve_least_squares(x, y)
    usual = influence(plain.residuals, plain.leverage, rss=plain.rss, n_terms=3)
    np.testing.assert_allclose(found["studentised"], usual["studentised"], rtol=1e-8)
    np.testing.assert_allclose(found["cook"], usual["cook"], rtol=1e-8)
    np.testing.assert_allclose(found["leverage"], plain.leverage, rtol=1e-8)


def test_a_studentised_residual_is_the_t_of_a_column_that_marks_the_run():
    """By statsmodels' generalised least squares with the same ratio of variances."""
    x, y, groups = parts(whole_plots(between=0.4))
    mixed = fit_mixed(x, y, groups=groups)
    found = mixed_residuals(mixed, x, y, groups=groups)
    same = groups["whole_plot"][:, None] == groups["whole_plot"][None, :]
    spread = np.eye(len(y)) + mixed.variances[0] / mixed.variances[1] * same
    for row in (0, 13, 30):
        marked = sm.GLS(y, np.column_stack((x, np.arange(len(y)) == row)), sigma=spread).fit()
        assert found.runs["studentised"][row] == pytest.approx(marked.tvalues[-1], rel=1e-6)
        moved = marked.params[:-1] - mixed.coef
        gram = x.T @ np.linalg.inv(spread) @ x
        assert found.runs["cook"][row] == pytest.approx(moved @ gram @ moved / (3 * mixed.variances[1]), rel=1e-5)


def test_a_group_is_judged_as_its_mean_among_the_means_of_a_balanced_plan():
    runs = whole_plots(between=0.4)
    x, y, groups = parts(runs)
    found = mixed_residuals(fit_mixed(x, y, groups=groups), x, y, groups=groups).groups
    means = runs.groupby("whole_plot")[["bed", "y"]].mean()
    plain = sm.OLS(means["y"].to_numpy(), sm.add_constant(means["bed"].to_numpy())).fit()
    np.testing.assert_allclose(found["studentised"], plain.get_influence().resid_studentized_external, rtol=1e-6)
    assert set(found["df"]) == {N_PLOTS - 3}


def test_a_run_that_is_off_is_found_among_whole_plots_that_scatter_more():
    runs = whole_plots(between=0.4)
    assert fitted(runs).diagnostics == ("The residuals show nothing odd.",)
    runs.loc[9, "y"] += 0.8
    found = fitted(runs).diagnostics
    assert any(said.startswith("Run R10 is an outlier") for said in found)
    assert not any("whole plot" in said.lower() for said in found)


def test_a_whole_plot_that_is_off_is_named_and_none_of_its_runs():
    runs = whole_plots(between=0.05)
    runs.loc[runs["whole_plot"] == 3, "y"] += 0.8
    fit = fitted(runs)
    found = fit.diagnostics
    assert any(said.startswith("Whole plot 3 lies off the model as a whole") for said in found)
    assert not any("is an outlier" in said for said in found)
    assert abs(fit.data["within"]).max() < 0.3 < abs(fit.data["residual"]).max()


def test_the_figure_shows_what_is_left_within_whole_plots():
    runs = whole_plots(between=0.4)
    fit = fitted(runs)
    by_fit = draw_residuals(fit, runs).axes[0]
    drawn = np.asarray(by_fit.collections[0].get_offsets())[:, 1]
    np.testing.assert_allclose(drawn, fit.data["within"])
    assert by_fit.get_ylabel() == "residual within whole plots"
