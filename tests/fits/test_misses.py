"""Misses of responses that share a print's luck."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.stats import binom, multivariate_normal

from sharpset.fits import fit_plan, judge_confirmation, load_prediction, write_prediction
from sharpset.fits.misses import chance_of_misses, residual_correlation
from sharpset.plans import factors_from_dict, make_plan

OTHERS = ("sag_mm", "lean_mm", "string_mm")
FACTORS = {"factor": [{"name": "speed_mm_s", "low": 20, "high": 60}, {"name": "layer_mm", "low": 0.05, "high": 0.15}]}


def test_without_correlation_misses_are_binomial():
    for k in (1, 2, 3):
        assert chance_of_misses(k, np.eye(6), 0.95) == pytest.approx(binom.sf(k - 1, 6, 0.05), abs=0.003)


def test_two_misses_are_as_likely_as_the_bivariate_normal_has_it():
    low, both = -1.959964, multivariate_normal(cov=[[1, 0.8], [0.8, 1]])
    # Both beyond on the same side, and on opposite sides, by symmetry.
    same, opposite = both.cdf([low, low]), multivariate_normal(cov=[[1, -0.8], [-0.8, 1]]).cdf([low, low])
    wanted = 2 * (same + opposite)
    assert chance_of_misses(2, np.array([[1, 0.8], [0.8, 1.0]]), 0.95) == pytest.approx(wanted, abs=0.002)
    assert chance_of_misses(2, np.ones((2, 2)), 0.95) == pytest.approx(0.05, abs=0.003)


def test_responses_that_say_the_same_do_not_refute_a_print_twice(tmp_path):
    plan = make_plan(factors_from_dict(FACTORS), design="central-composite", centre_points=5, replicates=2, seed=3)
    rng = np.random.default_rng(5)
    luck = rng.normal(0, 1, len(plan.runs))
    table = plan.runs[["run_id"]].assign(
        gap_mm=0.3 + 0.01 * luck, wall_mm=0.5 - 0.02 * luck + rng.normal(0, 1e-3, len(luck)),
        **{name: 0.4 + rng.normal(0, 0.01, len(luck)) for name in OTHERS},
    )  # fmt: skip
    fit = fit_plan(plan, results=table)
    together = residual_correlation([fit.on_its_scale(n) for n in ("gap_mm", "wall_mm", "sag_mm")])
    assert together.loc["gap_mm", "wall_mm"] < -0.98
    assert abs(together.loc["gap_mm", "sag_mm"]) < 0.6
    middle = {"speed_mm_s": 40.0, "layer_mm": 0.1}
    prediction = load_prediction(write_prediction(fit, settings=middle).save(tmp_path / "p.json"))
    high = prediction.expected.set_index("response")["high"]
    low = prediction.expected.set_index("response")["low"]
    unlucky = pd.DataFrame(
        [{"run_id": "C1", "gap_mm": high["gap_mm"] + 1e-3, "wall_mm": low["wall_mm"] - 1e-3}]
    ).assign(**dict.fromkeys(OTHERS, 0.4))
    # One piece of bad luck, seen twice; two misses of five that know nothing of each other have a chance of 2.3 %.
    assert judge_confirmation(prediction, results=unlucky).confirmed
    worse = unlucky.assign(sag_mm=high["sag_mm"] + 1e-3)
    assert not judge_confirmation(prediction, results=worse).confirmed
