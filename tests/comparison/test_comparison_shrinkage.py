from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sharpset.comparison import Stage, measure_scale, plan_scale_chain
from sharpset.comparison.shrinkage import read_stages
from sharpset.errors import ComparisonError


@settings(max_examples=50, deadline=None)
@given(st.lists(st.floats(-5, 10), min_size=1, max_size=5), st.floats(0.1, 100))
def test_casting_the_planned_master_gives_the_target(shrinkages, target):
    chain = plan_scale_chain(
        [Stage(name=f"s{i}", shrinkage_percent=s) for i, s in enumerate(shrinkages)], targets_mm=[target]
    )
    size = chain.targets["master_mm"].iloc[0]
    for s in shrinkages:
        size *= 1 - s / 100
    assert size == pytest.approx(target, rel=1e-12)


def test_uncertainty_against_simulation():
    stages = [
        Stage(name="mould", shrinkage_percent=3.5, U95_percent=0.4),
        Stage(name="metal", shrinkage_percent=0.5, U95_percent=0.1),
    ]
    chain = plan_scale_chain(stages)
    rng = np.random.default_rng(1)
    draws = [1 - rng.normal(s.shrinkage_percent, s.U95_percent / 1.96, 200_000) / 100 for s in stages]
    # First order is exact to a few parts in a thousand here.
    assert chain.U95_factor == pytest.approx(1.96 * np.std(1 / (draws[0] * draws[1])), rel=0.01)


def test_unknown_uncertainty_and_odd_shrinkage_are_remarked():
    chain = plan_scale_chain(
        [Stage(name="wax", shrinkage_percent=20.0, U95_percent=1.0), Stage(name="m", shrinkage_percent=1.0)]
    )
    assert "wax: 20 % is more than" in chain.remarks[0]
    assert "m: no uncertainty given" in chain.remarks[1]
    assert any("Molten metal" in c for c in chain.cautions)


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda: Stage(name="m", shrinkage_percent=104.0), "between -50 and"),
        (lambda: Stage(name="m", shrinkage_percent=1.0, U95_percent=-1), "half-width"),
        (lambda: plan_scale_chain([]), "no stages"),
        (lambda: plan_scale_chain([Stage(name="m", shrinkage_percent=1)], targets_mm=[0]), "above 0 mm"),
        (lambda: read_stages(pd.DataFrame({"stage": ["m"]})), "shrinkage_percent is missing"),
        (lambda: read_stages(pd.DataFrame({"stage": ["m"], "shrinkage_percent": ["3.5 %"]})), "not a number"),
    ],
)
def test_bad_stages_are_refused(call, says):
    with pytest.raises(ComparisonError, match=says):
        call()


def test_stages_from_a_table():
    table = pd.DataFrame({"stage": ["m", "c"], "shrinkage_percent": [3.5, 0.5], "U95_percent": [0.2, np.nan]})
    stages = read_stages(table)
    assert [s.U95_percent for s in stages] == [0.2, 0.0]


def moved(scale_x, scale_y, *, turn_deg=0.0, noise=0.0, seed=1):
    """Positions of a grid of features before and after a change of scale, a shift and a small turn."""
    rng = np.random.default_rng(seed)
    x, y = (g.ravel() for g in np.meshgrid(np.linspace(3, 57, 7), np.linspace(3, 37, 5)))
    before = pd.DataFrame(
        {"feature_id": [f"f{i}" for i in range(35)], "x_mm": x, "y_mm": y, "x_dev_mm": 0.0, "y_dev_mm": 0.0}
    )
    t = np.deg2rad(turn_deg)
    u, v = scale_x * x, scale_y * y
    after = before.assign(
        x_dev_mm=np.cos(t) * u - np.sin(t) * v + 0.4 - x + rng.normal(0, noise, 35),
        y_dev_mm=np.sin(t) * u + np.cos(t) * v - 0.2 - y + rng.normal(0, noise, 35),
    )
    return before, after


def test_scale_is_measured_whatever_the_turn():
    found = measure_scale(*moved(0.965, 0.970, turn_deg=2.0))
    assert (found.scale_x, found.scale_y) == pytest.approx((0.965, 0.970), abs=1e-9)
    assert found.shrinkage_percent == pytest.approx(3.25)
    assert found.n == 35


def test_scale_interval_covers():
    hits = [
        abs(found.scale_x - 0.97) < found.U95_x
        for found in (measure_scale(*moved(0.97, 0.97, noise=0.01, seed=s)) for s in range(200))
    ]
    assert np.mean(hits) > 0.95 - 4 * 0.0154


def test_a_common_scale_error_is_added():
    plain = measure_scale(*moved(0.97, 0.97, noise=0.01))
    more = measure_scale(*moved(0.97, 0.97, noise=0.01), scale_U95=0.001)
    assert more.U95_x == pytest.approx(np.hypot(plain.U95_x, 0.001))
    assert more.stage("mould").shrinkage_percent == pytest.approx(3.0, abs=0.1)


def test_scale_needs_positions_and_features():
    before, after = moved(0.97, 0.97)
    with pytest.raises(ComparisonError, match="x_dev_mm missing"):
        measure_scale(before.drop(columns="x_dev_mm"), after)
    with pytest.raises(ComparisonError, match="only 3 features"):
        measure_scale(before.iloc[:3], after)
    with pytest.raises(ComparisonError, match="on one line"):
        measure_scale(before[before["y_mm"] == 3.0], after)


def test_results_show_themselves():
    chain = plan_scale_chain([Stage(name="m", shrinkage_percent=3.5, U95_percent=0.2)], targets_mm=[10.0])
    assert "103.63 %" in chain.summary()
    assert "<table" in chain._repr_html_()
    found = measure_scale(*moved(0.97, 0.98))
    assert "shrinkage x 3.000" in found.summary()
    assert len(found.to_frame()) == 2
