"""Probability of detection against published formulas and sets."""

from __future__ import annotations

import numpy as np
import pytest
from fits_published import published

from sharpset.fits import firth_logistic, fit_hit_miss, lower_chance


def test_menarche_logit():
    # Milicer & Szczotka 1966 (MASS menarche); coefficients printed in MASS's help, sizes by dose.p (computed in R).
    # Identical mathematics to hit/miss of MIL-HDBK-1823A: a_p = (logit p - b0) / b1 and its delta-method error.
    table = published("pod_menarche")
    found = fit_hit_miss(
        table["Age"].to_numpy(), table["Menarche"].to_numpy(), table["Total"].to_numpy(), log_size=False
    )
    np.testing.assert_allclose(found.coef, [-21.226394905, 1.631968348], rtol=1e-7)
    np.testing.assert_allclose(np.sqrt(np.diag(found.covariance)), [0.770684664, 0.058953081], rtol=1e-5)
    assert found.covariance[0, 1] == pytest.approx(-0.045281754, rel=1e-5)
    assert found.a50 == pytest.approx(13.00662168, rel=1e-8)
    assert found.se_a50 == pytest.approx(0.03866582, rel=1e-5)
    assert found.a90 == pytest.approx(14.35298638, rel=1e-8)
    assert found.se_a90 == pytest.approx(0.06149764, rel=1e-5)
    assert found.a90_95_wald == pytest.approx(14.454140986, rel=1e-6)
    # With thousands of subjects the likelihood is all but parabolic: both bounds within a tenth of a standard error.
    assert found.a90_95 == pytest.approx(found.a90_95_wald, abs=0.1 * found.se_a90)


def test_menarche_probit():
    table = published("pod_menarche")
    found = fit_hit_miss(
        table["Age"].to_numpy(), table["Menarche"].to_numpy(), table["Total"].to_numpy(), link="probit", log_size=False
    )
    np.testing.assert_allclose(found.coef, [-11.8189417312, 0.9078230677], rtol=1e-6)
    # a90 = (1.281552 - b0) / b1 (MIL-HDBK-1823A, probit)
    assert found.a90 == pytest.approx((1.2815515655 + 11.8189417312) / 0.9078230677, rel=1e-6)


@pytest.mark.parametrize(("hits", "trials"), [(29, 29), (45, 46), (59, 61)])
def test_smallest_proofs_of_ninety_with_ninety_five(hits, trials):
    # MIL-HDBK-1823A: 29 of 29, then 45 of 46 and 59 of 61 (the last two from memory).
    assert lower_chance(hits, trials) >= 0.9
    assert lower_chance(hits - 1, trials - 1) < 0.9


def test_twenty_nine_of_twenty_nine():
    assert lower_chance(29, 29) == pytest.approx(0.05 ** (1 / 29), rel=1e-12)  # .90186
    assert lower_chance(28, 28) == pytest.approx(0.8985, abs=5e-5)


def test_likelihood_ratio_bound_meets_its_definition():
    """At a90/95 the profile deviance is 2.706 (one-sided 95 %), checked by a grid of slopes."""
    size = np.repeat(np.geomspace(0.1, 1.0, 10), 6)
    hits = np.repeat([0, 0, 1, 2, 2, 4, 5, 5, 6, 6], 6) > np.tile(np.arange(6), 10)
    found = fit_hit_miss(size, hits.astype(float))
    x = np.log(size)

    def deviance(b0, b1):
        p = 1 / (1 + np.exp(-(b0 + b1 * x)))
        return -2 * np.sum(np.where(hits, np.log(p), np.log1p(-p)))

    slopes = np.linspace(0.2, 12, 40001)
    held = min(deviance(np.log(9) - b * np.log(found.a90_95), b) for b in slopes)
    assert held - deviance(*found.coef) == pytest.approx(2.7055, abs=1e-4)
    assert found.a90_95 > found.a90


def test_firth_on_separated_data():
    size = np.array([0.10, 0.15, 0.20, 0.25, 0.30, 0.35, 0.40, 0.45])
    hits = (size > 0.27).astype(float)
    coef, _ = firth_logistic(np.column_stack([np.ones(8), size]), hits, np.ones(8))
    # By its own definition: the modified score is zero (Firth 1993, equation 3.3 for logistic regression).
    x = np.column_stack([np.ones(8), size])
    p = 1 / (1 + np.exp(-x @ coef))
    w = p * (1 - p)
    hat = np.diag(np.sqrt(w)[:, None] * x @ np.linalg.inv((x * w[:, None]).T @ x) @ (x.T * np.sqrt(w)))
    score = x.T @ (hits - p + hat * (0.5 - p))
    np.testing.assert_allclose(score, 0.0, atol=1e-8)
    assert -coef[0] / coef[1] == pytest.approx(0.275, abs=1e-6)  # symmetric data: half way between


def test_separated_hits_give_no_number():
    size = np.array([0.1, 0.15, 0.2, 0.25, 0.3, 0.35])
    found = fit_hit_miss(size, (size > 0.22).astype(float))
    assert found.status == "separated"
    assert np.isnan(found.a90)
    assert np.isnan(found.a90_95)
    assert "0.2" in found.statement
    assert "0.25" in found.statement
