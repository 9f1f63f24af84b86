"""Linear regression and ANOVA of NIST/ITL StRD, to the stated digits, through the fit path.

Source: NIST/ITL Statistical Reference Datasets, https://www.itl.nist.gov/div898/strd/ (certified to 15 digits).
"""

from __future__ import annotations

import numpy as np
import pytest
from fits_published import certified, fit_published, published


def log_relative_error(got, wanted):
    got, wanted = np.asarray(got, dtype=float), np.asarray(wanted, dtype=float)
    return float(np.min(-np.log10(np.maximum(np.abs(got - wanted) / np.abs(wanted), 1e-16))))


POWERS = "x + I(x**2) + I(x**3) + I(x**4) + I(x**5)"
REGRESSIONS = [
    # (set, formula, digits of coefficients, digits of standard errors)
    ("norris", "y ~ x", 12, 12),
    ("longley", "y ~ x1 + x2 + x3 + x4 + x5 + x6", 9, 9),
    ("wampler1", f"y ~ {POWERS}", 7, None),
    ("wampler2", f"y ~ {POWERS}", 7, None),
    ("wampler3", f"y ~ {POWERS}", 7, 7),
    ("wampler4", f"y ~ {POWERS}", 7, 7),
    ("wampler5", f"y ~ {POWERS}", 6, 7),
]


@pytest.mark.parametrize(("name", "formula", "digits", "se_digits"), REGRESSIONS)
def test_strd_regression(name, formula, digits, se_digits, tmp_path):
    table = published(f"nist_strd_{name}")
    factors = [c for c in table.columns if c != "y"]
    fit = fit_published(table, factors=factors, responses=["y"], folder=tmp_path, formula=formula)
    response = fit.responses["y"]
    wanted = certified("lls", name)
    assert log_relative_error(response.terms_natural["estimate"], wanted["b"]) >= digits
    if se_digits is not None:
        assert log_relative_error(response.terms_natural["se"], wanted["se"]) >= se_digits
    else:
        # Exact polynomials: the certified residual is zero.
        assert response.residual_sd < 1e-9 * np.abs(table["y"]).max()
    if "resid_sd" in wanted:
        assert log_relative_error(response.residual_sd, wanted["resid_sd"]) >= digits
        assert log_relative_error(response.r2, wanted["r2"]) >= digits
    # A line in coded units is the same line: the printed natural slope times half the span.
    if name == "norris":
        half = (table["x"].max() - table["x"].min()) / 2
        assert log_relative_error(response.terms["estimate"].iloc[1], wanted["b"][1] * half) >= 12


ANOVAS = [
    ("sirstv", "SiRstv", 12),
    ("atmwtag", "AtmWtAg", 8),
    ("smls01", "SmLs01", 12),
    ("smls04", "SmLs04", 7),
    ("smls07", "SmLs07", 2),
]


@pytest.mark.parametrize(("file", "name", "digits"), ANOVAS)
def test_strd_anova(file, name, digits, tmp_path):
    table = published(f"nist_strd_{file}")
    table["group"] = "g" + table["group"].astype(str)
    fit = fit_published(table, factors=["group"], responses=["y"], folder=tmp_path, formula="y ~ C(group)")
    response = fit.responses["y"]
    anova = response.anova["I"].set_index("term")
    wanted = certified("anova", name)
    assert anova.loc["group", "df"] == wanted["df_between"]
    assert anova.loc["Residual", "df"] == wanted["df_within"]
    assert log_relative_error(anova.loc["group", "F"], wanted["F"]) >= digits
    assert log_relative_error(anova.loc["group", "ss"], wanted["ss_between"]) >= digits
    assert log_relative_error(anova.loc["Residual", "ss"], wanted["ss_within"]) >= digits
    assert log_relative_error(response.residual_sd, wanted["resid_sd"]) >= digits
