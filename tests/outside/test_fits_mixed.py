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
