"""What four to six prints support: data made by hand, and noise that must not show effects too often."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from sharpset.fits import fit_plan, fit_responses
from sharpset.fits.defaults import choose_model
from sharpset.fits.few import rounding_variance, select_from_few
from sharpset.fits.space import space_of

LINE = pd.DataFrame({"speed": [10.0, 20.0, 30.0, 40.0]})
SQUARE = pd.DataFrame({"speed": [10.0, 20.0, 10.0, 20.0], "heat": [1.0, 1.0, 3.0, 3.0]})
PLANS = {
    "line of 4": LINE,
    "line of 5": pd.DataFrame({"speed": [10.0, 20.0, 30.0, 40.0, 50.0]}),
    "2x2": SQUARE,
    "2x2 and centre": pd.concat([SQUARE, pd.DataFrame({"speed": [15.0], "heat": [2.0]})], ignore_index=True),
    "three levels twice": pd.DataFrame({"speed": [10.0, 20.0, 30.0] * 2}),
    "half of 2x2x2 and centres": pd.DataFrame(
        {"a": [-1.0, 1, -1, 1, 0, 0], "b": [-1.0, -1, 1, 1, 0, 0], "c": [1.0, -1, -1, 1, 0, 0]}
    ),
}


def numbered(plan):
    return plan.assign(run_id=[f"R{i + 1}" for i in range(len(plan))])


def predicting(plan, y):
    runs = numbered(plan)
    fit = fit_responses(runs, pd.DataFrame({"run_id": runs["run_id"], "y": y}))["y"]
    return {t.label for t in fit.predictor.model.terms if t.order}


def choice_of(plan, y, **words):
    runs = numbered(plan)
    choice = choose_model(space_of(runs), runs)
    return select_from_few(choice.model, runs, np.asarray(y, dtype=float), candidates=choice.candidates, **words)


@pytest.mark.parametrize(
    ("plan", "y", "wanted"),
    [
        # R2 of the line 0.998 and more; Akaike's corrected criterion is infinite for every model with an effect.
        (LINE, [1.02, 2.11, 2.93, 4.05], {"speed"}),
        (PLANS["line of 5"], [1.02, 2.11, 2.93, 4.05, 5.02], {"speed"}),
        (PLANS["line of 5"], [5.01, 2.02, 1.0, 1.98, 4.99], {"speed", "I(speed ** 2)"}),
        (SQUARE, [1.0, 1.023, 3.004, 3.011], {"heat"}),
        (PLANS["2x2 and centre"], [1.003, 3.001, 5.002, 7.004, 3.998], {"speed", "heat"}),
        # An effect that explains three quarters is what noise gives in such a plan as well.
        (LINE, [1.0, 3.1, 2.2, 3.4], set()),
        (SQUARE, [1.1, 2.3, 1.9, 4.4], set()),
    ],
)
def test_what_a_handful_of_prints_supports(plan, y, wanted):
    assert predicting(plan, y) == wanted


def test_one_model_is_judged_by_the_plain_test_of_two_means():
    plan = pd.DataFrame({"glue": ["x", "y", "x", "y", "x", "y"]})
    y = np.array([1.3, 2.2, 1.1, 2.9, 1.9, 2.4])
    found = choice_of(plan, y)
    plain = stats.ttest_ind(y[::2], y[1::2]).pvalue
    # 8000 draws: the standard error of a share of 3 % is 0.002.
    assert found.n_models == 1 and found.p == pytest.approx(plain, abs=0.006)
    # The share that is needed is that of t = 2.776 (5 %, 4 df): 7.709 / 11.709 = 0.658.
    assert found.least_r2 == pytest.approx(0.658, abs=0.02)


@pytest.mark.parametrize("name", PLANS)
def test_noise_shows_an_effect_in_about_one_of_twenty(name):
    rng = np.random.default_rng(29)
    plan = PLANS[name]
    shown = sum(len(choice_of(plan, rng.standard_normal(len(plan))).terms) > 1 for _ in range(300))
    # 5 % promised: more than 28 of 300 has a chance of 0.1 %; none at all would mean that nothing can be found.
    assert 2 <= shown <= 28


def test_rounding_is_no_evidence():
    # Three prints typed to whole numbers lie on a line by chance often enough.
    assert (
        choice_of(PLANS["three levels twice"].head(3), [1, 2, 3], rounding=1 / 12).terms
        == choice_of(PLANS["three levels twice"].head(3), [1.0, 2.9, 2.0]).terms
    )
    assert rounding_variance(np.array([0.1, 0.4, 2.0])) == pytest.approx(0.01 / 12)
    assert rounding_variance(np.array([100.0, 300.0])) == pytest.approx(1e4 / 12)
    assert rounding_variance(np.array([0.1234567, 0.2])) == 0.0


def test_the_summary_says_what_so_few_prints_support():
    runs = numbered(LINE)
    text = fit_plan(runs, results=pd.DataFrame({"run_id": runs["run_id"], "y": [1.02, 2.11, 2.93, 4.05]})).summary()
    assert "4 prints support little" in text and "speed passed (p 0.00" in text
    text = fit_plan(runs, results=pd.DataFrame({"run_id": runs["run_id"], "y": [1.0, 3.1, 2.2, 3.4]})).summary()
    assert "none is clear, so the mean of the prints predicts" in text


def test_blocks_stay_and_count():
    plan = pd.DataFrame({"speed": [10.0, 20.0, 10.0, 20.0], "block": [1, 1, 2, 2]})
    assert predicting(plan, [1.11, 2.2, 1.51, 2.62]) == {"block", "speed"}
