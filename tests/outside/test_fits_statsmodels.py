"""Our least squares beside statsmodels: the same answers on plans, more digits on the hard NIST sets.

Certified values: NIST/ITL Statistical Reference Datasets, https://www.itl.nist.gov/div898/strd/.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from fits_published import certified, fit_published, published

from sharpset.errors import FitError
from sharpset.fits import fit_response, space_of
from sharpset.fits.algebra import solve_least_squares

RELATIVE = 1e-10
"""Coded columns are nearly orthogonal, so double precision leaves twelve digits or more; 1e-10 leaves room."""


def quadratic_plan(seed=3):
    rng = np.random.default_rng(seed)
    runs = pd.DataFrame(
        rng.uniform(-1, 1, (24, 3)) * [0.03, 20, 40] + [0.07, 40, 60], columns=["height", "speed", "fan"]
    )
    runs["run_id"] = [f"R{i:02d}" for i in range(24)]
    runs["resin"] = rng.choice(["grey", "clear"], 24)
    runs["y"] = 0.02 + 0.1 * runs["height"] + 1e-4 * runs["speed"] + 0.003 * rng.standard_normal(24)
    runs["u_y"] = rng.uniform(0.0005, 0.01, 24)
    return runs


@pytest.mark.parametrize("uncertainty", [None, "u_y"])
def test_a_fitted_surface_is_that_of_statsmodels(uncertainty):
    runs = quadratic_plan()
    space = space_of(runs[["height", "speed", "fan", "resin"]])
    fit = fit_response(runs, "y", space=space, uncertainty=uncertainty)
    assert fit.method == ("OLS" if uncertainty is None else "WLS")
    other = fit.to_statsmodels()
    scale = np.abs(other.params).max()
    np.testing.assert_allclose(fit.terms["estimate"], other.params, rtol=RELATIVE, atol=RELATIVE * scale)
    np.testing.assert_allclose(fit.terms["se"], other.bse, rtol=RELATIVE)
    np.testing.assert_allclose(fit.terms[["low", "high"]], other.conf_int(), rtol=1e-9, atol=RELATIVE * scale)
    np.testing.assert_allclose(fit.data["fitted"], other.fittedvalues, rtol=RELATIVE)
    hat = np.linalg.qr(other.model.wexog)[0]
    np.testing.assert_allclose(fit.data["leverage"], np.sum(hat**2, axis=1), rtol=1e-9)
    assert fit.residual_sd == pytest.approx(np.sqrt(other.scale), rel=RELATIVE)
    assert fit.r2 == pytest.approx(other.rsquared, rel=1e-9)
    got = fit.predict(runs.iloc[:5])
    frame = other.get_prediction(fit.matrix(runs.iloc[:5])).summary_frame()
    np.testing.assert_allclose(got["predicted"], frame["mean"], rtol=RELATIVE)
    if uncertainty is None:
        np.testing.assert_allclose(got[["low", "high"]], frame[["obs_ci_lower", "obs_ci_upper"]], rtol=1e-8)


def test_published_composite_agrees_with_statsmodels(tmp_path):
    table = published("myers_chemreact_ccd_blocked")
    block = next(c for c in table.columns if c.lower() == "block")
    response = table.columns[-1]
    factors = [c for c in table.columns if c not in (block, response)][:2]
    fit = fit_published(table, factors=factors, responses=[response], folder=tmp_path, block=block).responses[response]
    other = fit.to_statsmodels()
    np.testing.assert_allclose(fit.terms["estimate"], other.params, rtol=1e-9, atol=1e-9)
    np.testing.assert_allclose(fit.terms["p"], other.pvalues, rtol=1e-7)


def test_random_groups_have_no_counterpart():
    runs = quadratic_plan()
    runs["whole_plot"] = np.repeat(np.arange(6), 4)
    fit = fit_response(
        runs, "y", space=space_of(runs[["height", "speed"]]), formula="y ~ height + speed", groups=("whole_plot",)
    )
    with pytest.raises(FitError, match="random groups"):
        fit.to_statsmodels()


def digits(got, wanted):
    wanted = np.asarray(wanted, dtype=float)
    return float(np.min(-np.log10(np.maximum(np.abs(np.asarray(got) - wanted) / np.abs(wanted), 1e-16))))


def test_refined_qr_keeps_digits_that_plain_least_squares_loses():
    """Wampler 5, raw powers up to the fifth: why fits do not run on statsmodels' own solver."""
    table, wanted = published("nist_strd_wampler5"), certified("lls", "wampler5")
    x = np.column_stack([table["x"].to_numpy(dtype=float) ** k for k in range(6)])
    y = table["y"].to_numpy(dtype=float)
    scale = 2.0 ** np.round(np.log2(np.linalg.norm(x, axis=0)))
    plain = digits(sm.OLS(y, x / scale).fit(method="qr").params / scale, wanted["b"])
    own = digits(solve_least_squares(x, y).coef, wanted["b"])
    # Six digits are asked for; statsmodels gave 5.8 and the refined solution 9.2 when this was written.
    assert own >= 8
    assert own > plain + 1
