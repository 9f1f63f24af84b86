"""What a prediction holds: growth near the brief's sizes, the right scale, no rungs; and how often it comes true."""

from __future__ import annotations

import json

import numpy as np
import pandas as pd
import pytest
from scipy.stats import norm
from workshop import FACTORS, Workshop

from sharpset.brief import Brief
from sharpset.errors import FitError
from sharpset.fits import fit_plan, fit_response, judge_confirmation, load_prediction, space_of, write_prediction
from sharpset.fits.scales import least_scatter, unseen_bend
from sharpset.plans import factors_from_dict, make_plan


@pytest.fixture(scope="module")
def plan():
    return make_plan(
        factors_from_dict(FACTORS), design="central-composite", axial="face-centred", centre_points=3, seed=2
    )


@pytest.fixture(scope="module")
def fit(plan):
    brief = Brief.model_validate(
        {
            "name": "davit heads",
            "process": "filament",
            "smallest_mm": {"bar": 0.2, "slot": 0.2, "hole": 0.28},
            "tolerance_mm": {"width": 0.03, "edge_roughness": 0.015},
        }
    )
    return fit_plan(plan, readings=Workshop().readings(plan.runs, seed=4), brief=brief)


def test_growth_near_the_brief_is_predicted_kept_and_judged(fit, tmp_path):
    prediction = load_prediction(write_prediction(fit).save(tmp_path / "p.json"))
    assert prediction.near_mm == {"bar": 0.2, "slot": 0.2, "hole": 0.28}
    again = Workshop().readings(pd.DataFrame([{"run_id": "C1", **prediction.settings}]), seed=50)
    judged = judge_confirmation(prediction, readings=again)
    assert {"growth_bar_mm", "growth_bar_at_brief_mm"} <= set(judged.table["response"])


def test_prints_of_the_experiment_itself_confirm_nothing(fit, tmp_path):
    prediction = load_prediction(write_prediction(fit).save(tmp_path / "p.json"))
    own = str(fit.runs["run_id"].iloc[0])
    again = Workshop().readings(pd.DataFrame([{"run_id": own, **prediction.settings}]), seed=50)
    with pytest.raises(FitError, match=f"^{own}: printed for the experiment that the prediction was made from"):
        judge_confirmation(prediction, readings=again)


def test_old_predictions_still_load(fit, tmp_path):
    path = write_prediction(fit).save(tmp_path / "p.json")
    document = json.loads(path.read_text(encoding="utf-8"))
    del document["near_mm"], document["fitted_runs"]
    path.write_text(json.dumps(document), encoding="utf-8")
    assert load_prediction(path).near_mm == {}


def test_rungs_of_ladders_are_told_size_by_size(fit):
    prediction = write_prediction(fit)
    assert not prediction.expected["response"].str.startswith("smallest_").any()
    assert set(prediction.forms["kind"]) == {"bar", "slot", "hole"}


def test_relative_scatter_is_predicted_on_the_scale_where_it_is_even(plan):
    """A response whose scatter is 5 % of it: predicted for small values, the interval is small."""
    rng = np.random.default_rng(3)
    x = plan.coded.loc[plan.runs["run_id"]].to_numpy(dtype=float)
    y = np.exp(1.2 * x[:, 0] + 0.8 * x[:, 1] + 0.05 * rng.standard_normal(len(x)))
    results = pd.DataFrame({"run_id": plan.runs["run_id"], "weight_g": y})
    fit = fit_plan(plan, results=results)
    at = {"layer_height": 0.048, "speed": 24.0, "fan": 60.0}  # -0.8, -0.8, 0 in coded units
    row = write_prediction(fit, settings=at).expected.iloc[0]
    truth = np.exp(-0.8 * 2.0)
    assert row["low"] < truth < row["high"]
    # By hand: on 18 - 10 degrees of freedom about 2.3 times 5 % times what the model adds, some 15 % to either side.
    assert (row["high"] - row["low"]) / truth < 0.5
    plain = fit.responses["weight_g"].predict(pd.DataFrame([at])).iloc[0]
    assert plain["high"] - plain["low"] > 2 * (row["high"] - row["low"])


def test_intervals_hold_as_often_as_they_say(plan):
    """Sixty experiments whose truth is quadratic, 100 further prints each: 95 % inside."""
    shop, space = Workshop(), space_of(plan)
    mean = np.array([shop.growth_mm(x) for x in plan.coded.loc[plan.runs["run_id"]].to_numpy(dtype=float)])
    at = pd.DataFrame([{"layer_height": 0.07, "speed": 35.0, "fan": 70.0}])
    truth = shop.growth_mm(np.array([-0.25, -0.25, 0.25]))
    inside = []
    for seed in range(60):
        rng = np.random.default_rng(seed)
        runs = plan.runs.assign(y=mean + 0.004 * rng.standard_normal(len(mean)))
        row = fit_response(runs, "y", space=space, detail=False).predict(at).iloc[0]
        prints = truth + 0.004 * rng.standard_normal(100)
        inside.append(np.mean((prints > row["low"]) & (prints < row["high"])))
    # One fit's own coverage scatters by about 6 %, so the mean of sixty by 0.8 %: three of these.
    assert np.mean(inside) == pytest.approx(0.95, abs=0.025)


def test_growth_is_never_predicted_on_another_scale(plan):
    """All growths happen to be positive and rise steeply; still they are differences, and scatter alike everywhere."""
    rng = np.random.default_rng(5)
    x = plan.coded.loc[plan.runs["run_id"]].to_numpy(dtype=float)
    y = np.exp(1.2 * x[:, 0] + 0.8 * x[:, 1] + 0.05 * rng.standard_normal(len(x)))
    at = {"layer_height": 0.048, "speed": 24.0, "fan": 60.0}
    results = pd.DataFrame({"run_id": plan.runs["run_id"], "growth_bar_mm": y})
    fit = fit_plan(plan, results=results)
    row = write_prediction(fit, settings=at).expected.iloc[0]
    plain = fit.responses["growth_bar_mm"].predict(pd.DataFrame([at])).iloc[0]
    assert (row["low"], row["high"]) == pytest.approx((plain["low"], plain["high"]))


def test_a_print_scatters_at_least_as_its_reading_does(plan):
    """Prints that lie on a plane to a nanometre by chance, read to 2 um each."""
    x = plan.coded.loc[plan.runs["run_id"]].to_numpy(dtype=float)
    rng = np.random.default_rng(6)
    y = 0.02 * x[:, 0] + 1e-6 * rng.standard_normal(len(x))
    results = pd.DataFrame({"run_id": plan.runs["run_id"], "growth_bar_mm": y, "u_growth_bar_mm": 0.002})
    fit = fit_plan(plan, results=results)
    at = {"layer_height": 0.08, "speed": 40.0, "fan": 60.0}
    row = write_prediction(fit, settings=at).expected.iloc[0]
    # 18 prints, 10 terms of the quadratic, 8 degrees of freedom (7 with one more centre point): t from 2.3 to 2.4.
    assert 2 * 2.2 * 0.002 < row["high"] - row["low"] < 2 * 2.6 * 0.002
    mean_of_four = write_prediction(fit, settings=at, n_prints=4).expected.iloc[0]
    assert mean_of_four["high"] - mean_of_four["low"] == pytest.approx((row["high"] - row["low"]) / 2, rel=0.01)


def test_what_does_not_scatter_misses_by_what_it_misses_prints_left_out(plan):
    """A time without any scatter under a model that does not follow it exactly: all misses are the model's."""
    x = plan.coded.loc[plan.runs["run_id"]].to_numpy(dtype=float)
    hours = 1.0 / (1.6 + x[:, 0]) + 0.3 * x[:, 1]
    runs = plan.runs.assign(print_time_h=hours)
    response = fit_response(runs, "print_time_h", space=space_of(plan), formula="layer_height + speed + fan")
    matrix = np.column_stack([np.ones(len(x)), x])
    left_out = []
    for k in range(len(x)):
        others = np.delete(np.arange(len(x)), k)
        coef = np.linalg.lstsq(matrix[others], hours[others], rcond=None)[0]
        left_out.append(hours[k] - matrix[k] @ coef)
    assert least_scatter(response, runs) == pytest.approx(np.sqrt(np.mean(np.square(left_out))))
    noisy = runs.assign(print_time_h=hours + 0.5 * np.random.default_rng(1).standard_normal(len(x)))
    plain = fit_response(noisy, "print_time_h", space=space_of(plan), formula="layer_height + speed + fan")
    assert least_scatter(plain, noisy) == 0.0
    assert least_scatter(plain, noisy.assign(u_print_time_h=0.02)) == pytest.approx(0.02)


def test_three_levels_cannot_tell_a_kink_from_a_bend(plan):
    """A time that stops falling at the middle speed: the square fits it at every print and misses between them."""
    x = plan.coded.loc[plan.runs["run_id"]].to_numpy(dtype=float)
    names = list(space_of(plan).names)
    hours = np.exp(0.3 * np.abs(x[:, 1]) - 0.3 * x[:, 1])
    runs = plan.runs.assign(print_time_h=hours)
    response = fit_response(runs, "print_time_h", space=space_of(plan), power=0.0)
    place = pd.DataFrame([[0.0, 0.0, 0.0], [0.0, 0.5, 0.0], [0.0, -1.0, 0.0]], columns=names)
    settings = pd.DataFrame({f.name: f.decode(place[f.name]) for f in space_of(plan).factors})
    # The fit is perfect at the prints; between them it is off by 0.3 (0.5 - 0.25).
    assert unseen_bend(response.predictor, settings) == pytest.approx([0.0, 0.075, 0.0], abs=1e-6)
    assert least_scatter(response, runs, settings) == pytest.approx([0.0, 0.075, 0.0], abs=1e-6)
    got = response.predict(settings, least_sd=least_scatter(response, runs, settings)).iloc[1]
    # The truth at coded speed 0.5 is exp(0.15 - 0.15) = 1; the square alone says exp(0.075 - 0.15).
    assert got["predicted"] == pytest.approx(np.exp(-0.075), rel=1e-6) and got["low"] < 1.0 < got["high"]


def test_the_chance_of_being_quick_enough_holds_what_the_model_may_miss(plan):
    """The kink of the test before, with a limit between what the square says and what is true."""
    x = plan.coded.loc[plan.runs["run_id"]].to_numpy(dtype=float)
    hours = np.exp(0.3 * np.abs(x[:, 1]) - 0.3 * x[:, 1])
    fit = fit_plan(plan, results=pd.DataFrame({"run_id": plan.runs["run_id"], "print_time_h": hours}))
    place = pd.DataFrame([[0.0, 0.0, 0.0], [0.0, 0.5, 0.0]], columns=list(fit.space.names))
    settings = pd.DataFrame({f.name: f.decode(place[f.name]) for f in fit.space.factors})
    brief = Brief.model_validate(
        {"name": "davit heads", "process": "filament", "smallest_mm": {"bar": 0.2}, "limits": {"print_time_h": 0.96}}
    )
    chance = fit.forecast(brief).chances(settings).parts["print time"].to_numpy()
    # At a print the time is known, 1 h. Between prints ln(time) is -0.075 and may be off by 0.075.
    assert chance[0] == pytest.approx(0.0, abs=1e-6)
    assert chance[1] == pytest.approx(norm.cdf((np.log(0.96) + 0.075) / 0.075), abs=0.002)


def test_a_misfit_does_not_average_out_over_equal_prints(plan):
    x = plan.coded.loc[plan.runs["run_id"]].to_numpy(dtype=float)
    results = pd.DataFrame(
        {"run_id": plan.runs["run_id"], "print_time_h": 1.0 / (1.6 + x[:, 0]) + 0.3 * np.abs(x[:, 1])}
    )
    fit = fit_plan(plan, results=results)
    at = {f.name: float(f.decode([0.4])[0]) for f in fit.space.factors}
    one, four = (write_prediction(fit, settings=at, n_prints=n).expected.iloc[0] for n in (1, 4))
    assert four["high"] - four["low"] == pytest.approx(one["high"] - one["low"], rel=1e-9)


def test_what_is_expected_of_the_settings_is_what_is_written_down(fit):
    written = write_prediction(fit).expected.set_index("response")
    expected = fit.best.predicted.set_index("response").loc[written.index]
    for name in ("predicted", "low", "high"):
        assert expected[name].to_numpy() == pytest.approx(written[name].to_numpy(), rel=1e-9)
