"""Mixed models against published restricted maximum likelihood."""

from __future__ import annotations

import numpy as np
import pytest
from fits_published import fit_published, published

from sharpset.fits import fit_mixed
from sharpset.fits.mixed import group_labels


def test_dyestuff():
    # Davies & Goldsmith 1972; lme4's papers print REML sd 42.00 / 49.51, mean 1527.5, REML criterion 319.6543,
    # ML sd 37.26 / 49.51 (from memory, reproduced in R).
    table = published("davies_dyestuff")
    y = table["Yield"].to_numpy(dtype=float)
    groups = {"Batch": group_labels(table, "Batch")}
    reml = fit_mixed(np.ones((30, 1)), y, groups=groups)
    assert reml.standard_deviations["Batch"] == pytest.approx(42.000595, rel=1e-5)
    assert reml.standard_deviations["Residual"] == pytest.approx(49.5101, rel=1e-6)
    assert reml.coef[0] == pytest.approx(1527.5, abs=1e-9)
    assert -2 * reml.log_likelihood == pytest.approx(319.6543, abs=5e-5)
    # Balanced one-way layout: the mean's degrees of freedom are the batches less one.
    assert reml.df(np.ones(1)) == pytest.approx(5.0, abs=1e-4)
    ml = fit_mixed(np.ones((30, 1)), y, groups=groups, reml=False)
    assert ml.standard_deviations["Batch"] == pytest.approx(37.260345, rel=1e-5)
    assert ml.standard_deviations["Residual"] == pytest.approx(49.5101, rel=1e-6)


def test_yates_oats():
    # Yates 1935; Pinheiro & Bates, Mixed-Effects Models in S and S-PLUS: sd 14.645, 10.473, 12.750; F nitro 41.05 on
    # 3 and 51, F variety 1.49 on 2 and 10 (from memory, reproduced in nlme).
    table = published("yates_oats_splitplot")
    nitro = np.eye(4)[np.unique(table["nitro"], return_inverse=True)[1]]
    variety = np.eye(3)[np.unique(table["Variety"], return_inverse=True)[1]]
    x = np.column_stack([np.ones(72), nitro[:, :3] - nitro[:, 3:], variety[:, :2] - variety[:, 2:]])
    groups = {"Block": group_labels(table, "Block"), "Block:Variety": group_labels(table, "Block:Variety")}
    found = fit_mixed(x, table["yield"].to_numpy(dtype=float), groups=groups)
    sd = found.standard_deviations
    assert sd["Block"] == pytest.approx(14.64488, rel=5e-5)
    assert sd["Block:Variety"] == pytest.approx(10.47345, rel=5e-5)
    assert sd["Residual"] == pytest.approx(12.74987, rel=5e-5)
    test = found.f_test(np.eye(6)[1:4])
    assert test["F"] == pytest.approx(41.0528, rel=1e-5)
    assert test["df_denominator"] == pytest.approx(51.0, abs=1e-3)
    test = found.f_test(np.eye(6)[4:])
    assert test["F"] == pytest.approx(1.4853, rel=1e-4)
    assert test["df_denominator"] == pytest.approx(10.0, abs=1e-3)


def test_yates_oats_as_a_split_plot_plan(tmp_path):
    """Blocks fixed and whole plots random give the same F tests, the layout being balanced."""
    table = published("yates_oats_splitplot")
    table["nitro"] = "n" + table["nitro"].astype(str)
    fit = fit_published(
        table,
        factors=["Variety", "nitro"],
        responses=["yield"],
        folder=tmp_path,
        block="Block",
        whole_plot="Block:Variety",
        formula="Q('yield') ~ C(block) + Variety + nitro",
    )
    response = fit.responses["yield"]
    assert response.method == "REML"
    anova = response.anova["III"].set_index("term")
    assert anova.loc["nitro", "F"] == pytest.approx(41.0528, rel=1e-4)
    assert anova.loc["nitro", "df_denominator"] == pytest.approx(51.0, abs=0.01)
    assert anova.loc["Variety", "F"] == pytest.approx(1.4853, rel=1e-4)
    assert anova.loc["Variety", "df_denominator"] == pytest.approx(10.0, abs=0.01)
    assert response.mixed.standard_deviations["whole_plot"] == pytest.approx(10.47345, rel=1e-4)
    assert response.mixed.standard_deviations["Residual"] == pytest.approx(12.74987, rel=1e-4)


def test_penicillin_randomised_blocks(tmp_path):
    # Box, Hunter & Hunter 2005 section 4.2: treatments 70 on 3, blends 264 on 4, residual 226 on 12 (from memory; by
    # hand from the table's row and column means).
    table = published("bhh_penicillin_rcb")
    fit = fit_published(table, factors=["treat"], responses=["yield"], folder=tmp_path, block="blend")
    anova = fit.responses["yield"].anova["III"].set_index("term")
    assert anova.loc["treat", "ss"] == pytest.approx(70.0, abs=1e-9)
    assert anova.loc["block", "ss"] == pytest.approx(264.0, abs=1e-9)
    assert anova.loc["Residual", "ss"] == pytest.approx(226.0, abs=1e-9)
    assert anova.loc["Residual", "df"] == 12


# REML standard deviations of lme4's documents (Bates, Maechler, Bolker & Walker 2015, J. Stat. Softw. 67(1), and the
# package's help pages), from memory; recomputed in R by the collectors of the check values. Printed to four digits.


def test_penicillin_crossed_plates_and_samples():
    table = published("davies_penicillin")
    groups = {name: group_labels(table, name) for name in ("plate", "sample")}
    found = fit_mixed(np.ones((144, 1)), table["diameter"].to_numpy(dtype=float), groups=groups)
    sd = found.standard_deviations
    assert sd["plate"] == pytest.approx(0.8467, abs=6e-5)
    assert sd["sample"] == pytest.approx(1.9316, abs=6e-5)
    assert sd["Residual"] == pytest.approx(0.5499, abs=6e-5)
    assert found.coef[0] == pytest.approx(22.9722, abs=6e-5)
    # Standard error of the mean: .8086 (printed).
    assert np.sqrt(found.covariance[0, 0]) == pytest.approx(0.8086, abs=6e-5)


def test_pastes_casks_nested_in_batches():
    table = published("davies_pastes")
    groups = {name: group_labels(table, name) for name in ("batch", "batch:cask")}
    found = fit_mixed(np.ones((60, 1)), table["strength"].to_numpy(dtype=float), groups=groups)
    sd = found.standard_deviations
    assert sd["batch:cask"] == pytest.approx(2.9041, abs=6e-5)
    assert sd["batch"] == pytest.approx(1.2874, abs=6e-5)
    assert sd["Residual"] == pytest.approx(0.8234, abs=6e-5)
    # Balanced: the mean is the plain one, on the batches' 9 degrees of freedom.
    assert found.coef[0] == pytest.approx(table["strength"].mean(), abs=1e-10)
    assert found.df(np.ones(1)) == pytest.approx(9.0, abs=1e-3)


def test_cake_whole_plots_of_replicate_and_recipe():
    # angle ~ recipe * temperature (a category) with mixes random; balanced, so by the classical split-plot analysis of
    # Cochran & Cox sd of mixes and residual follow from mean squares too (below, by hand).
    table = published("cochran_cox_cake")
    recipe = np.eye(3)[np.unique(table["recipe"], return_inverse=True)[1]]
    heat = np.eye(6)[np.unique(table["temperature"], return_inverse=True)[1]]
    recipe, heat = recipe[:, :2] - recipe[:, 2:], heat[:, :5] - heat[:, 5:]
    both = np.column_stack([recipe[:, [i]] * heat for i in range(2)])
    x = np.column_stack([np.ones(270), recipe, heat, both])
    y = table["angle"].to_numpy(dtype=float)
    found = fit_mixed(x, y, groups={"mix": group_labels(table, "recipe:replicate")})
    sd = found.standard_deviations
    assert sd["mix"] == pytest.approx(6.468, abs=6e-4)
    assert sd["Residual"] == pytest.approx(4.524, abs=6e-4)
    cells = table.groupby(["recipe", "temperature"])["angle"].transform("mean")
    recipes = table.groupby("recipe")["angle"].transform("mean")
    mixes = table.groupby(["recipe", "replicate"])["angle"].transform("mean")
    ms_mix = float(((mixes - recipes) ** 2).sum()) / 42
    ms_rest = float(((table["angle"] - cells - mixes + recipes) ** 2).sum()) / 210
    assert sd["Residual"] ** 2 == pytest.approx(ms_rest, rel=1e-7)
    assert sd["mix"] ** 2 == pytest.approx((ms_mix - ms_rest) / 6, rel=1e-6)
    test = found.f_test(np.eye(18)[1:3])
    assert test["df_denominator"] == pytest.approx(42.0, abs=1e-3)
    assert found.f_test(np.eye(18)[3:8])["df_denominator"] == pytest.approx(210.0, abs=1e-3)


def test_corrosion_as_a_split_plot_plan(tmp_path):
    # Box, Hunter & Hunter 2005, ch. 9, from memory: mean squares 26519/2 heats, 14440/3 between heats of one
    # temperature, 4289/3, 3270/6 and 1121/9 give F 2.75, 11.48 and 4.38.
    table = published("box_corrosion_splitplot")
    table["temp"] = "t" + table["temp"].astype(str)
    fit = fit_published(
        table,
        factors=["temp", "coating"],
        responses=["corrosion"],
        folder=tmp_path,
        whole_plot="heat",
        formula="temp + coating + temp:coating",
    ).responses["corrosion"]
    anova = fit.anova["III"].set_index("term")
    assert anova["F"][["temp", "coating", "temp:coating"]].tolist() == pytest.approx([2.75, 11.48, 4.38], abs=0.006)
    assert anova["df_denominator"].tolist() == pytest.approx([3, 9, 9], abs=1e-5)
    # The residual mean square is 124.5; that of heats, 4813, holds it once and the variance of heats four times.
    sd = fit.mixed.standard_deviations
    assert sd["Residual"] ** 2 == pytest.approx(124.5, abs=0.1)
    assert 4 * sd["whole_plot"] ** 2 + sd["Residual"] ** 2 == pytest.approx(4813, abs=3)
    assert "print-to-print sd 11.2, 34.2 between whole plots" in fit.summary()
