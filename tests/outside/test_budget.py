"""Uncertainty budgets against the worked examples of the GUM and of its supplement on Monte Carlo.

Inputs and results of H.1 and H.2 are those of JCGM 100:2008, annex H; those of the supplement are JCGM 101:2008,
clause 9 (inputs of 9.3 from memory, its printed results reproduced with independent draws).
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from sharpset.readings.uncertainty.budget import Input, expanded, monte_carlo, propagate, propagate_jointly

DATA = Path(__file__).parent / "data"


def _end_gauge(*, standard, d0, d1, d2, expansion, d_expansion, mean_temperature, cyclic, d_temperature):
    temperature = mean_temperature + cyclic
    return standard + d0 + d1 + d2 - standard * (d_expansion * temperature + expansion * d_temperature)


END_GAUGE = [
    Input(name="standard", estimate=50_000_623, u=25, dof=18),
    Input(name="d0", estimate=215, u=5.8, dof=24),
    Input(name="d1", estimate=0, u=3.9, dof=5),
    Input(name="d2", estimate=0, u=6.7, dof=8),
    Input(name="expansion", estimate=11.5e-6, u=2e-6 / np.sqrt(3)),
    Input(name="d_expansion", estimate=0, u=1e-6 / np.sqrt(3), dof=50),
    Input(name="mean_temperature", estimate=-0.1, u=0.2),
    Input(name="cyclic", estimate=0, u=0.5 / np.sqrt(2)),
    Input(name="d_temperature", estimate=0, u=0.05 / np.sqrt(3), dof=2),
]


def test_end_gauge_of_gum_h1():
    budget = propagate(_end_gauge, END_GAUGE, name="length", unit="nm")
    assert budget.estimate == pytest.approx(50_000_838, abs=0.5)
    # Table H.1 and H.1.6: components 25, 5.8, 3.9, 6.7, 0, 2.9, 0, 0, 16.6 nm; u_c = 32 nm; 16 degrees of freedom.
    np.testing.assert_allclose(np.abs(budget.contributions), [25, 5.8, 3.9, 6.7, 0, 2.887, 0, 0, 16.6], atol=0.05)
    assert budget.u == pytest.approx(31.66, abs=0.05)
    assert int(budget.dof) == 16
    # H.1.6 prints 93 nm from the rounded u_c of 32 nm and t99(16) = 2.92.
    assert expanded(32, budget.dof, coverage=0.99) == pytest.approx(93, abs=0.6)
    assert budget.expanded(0.99) == pytest.approx(92.5, abs=0.3)
    assert budget.to_frame()["share"].sum() == pytest.approx(1.0)


def test_end_gauge_of_gum_h1_to_second_order():
    # H.1.7: the neglected terms, 11.7 and 1.7 nm, raise u_c from 32 to 34 nm.
    assert propagate(_end_gauge, END_GAUGE, second_order=True).u == pytest.approx(34, abs=0.5)


def test_resistance_and_reactance_of_gum_h2():
    table = pd.read_csv(DATA / "gum_h2_impedance.csv", comment="#")
    values = [table["V_volt"], table["I_milliamp"] / 1000, table["phi_rad"]]
    names = ["v", "i", "phi"]
    inputs = [
        Input(name=name, estimate=x.mean(), u=x.std(ddof=1) / np.sqrt(len(x)), dof=len(x) - 1)
        for name, x in zip(names, values, strict=True)
    ]
    r = np.corrcoef(values)
    correlation = {("v", "i"): r[0, 1], ("v", "phi"): r[0, 2], ("i", "phi"): r[1, 2]}
    models = {
        "R": lambda v, i, phi: v / i * np.cos(phi),
        "X": lambda v, i, phi: v / i * np.sin(phi),
        "Z": lambda v, i, phi: v / i,
    }
    # Table H.4: 127.732, 219.847, 254.260 ohm; u 0.071, 0.295, 0.236 ohm (0.2956 unrounded).
    for name, estimate, u in (("R", 127.732, 0.071), ("X", 219.847, 0.2956), ("Z", 254.260, 0.236)):
        budget = propagate(models[name], inputs, correlation=correlation)
        assert budget.estimate == pytest.approx(estimate, abs=6e-4)
        assert budget.u == pytest.approx(u, abs=6e-4)
    covariance = propagate_jointly(models, inputs, correlation=correlation)
    spread = np.sqrt(np.diag(covariance))
    found = covariance / np.outer(spread, spread)
    for a, b, expected in (("R", "X", -0.588), ("R", "Z", -0.485), ("X", "Z", 0.993)):
        assert found.loc[a, b] == pytest.approx(expected, abs=6e-4)
    # Table H.4 with the correlations left out gives 0.195 ohm for R.
    assert propagate(models["R"], inputs).u == pytest.approx(0.195, abs=6e-4)


def _rectangular(half_width):
    return lambda rng, n: rng.uniform(-half_width, half_width, n)


@pytest.mark.parametrize(
    ("draws", "u", "half"),
    [
        ([lambda rng, n: rng.normal(0, 1, n)] * 4, 2.0, 3.92),
        ([_rectangular(np.sqrt(3))] * 4, 2.0, 3.88),
        ([_rectangular(np.sqrt(3))] * 3 + [_rectangular(10 * np.sqrt(3))], 10.1, 17.0),
    ],
    ids=["normal", "rectangular", "one ten times wider"],
)
def test_additive_models_of_jcgm_101_9_2(draws, u, half):
    found = monte_carlo(lambda **x: sum(x.values()), {f"x{k}": draw for k, draw in enumerate(draws)}, n=400_000)
    # 400 000 draws give the ends of the interval to about 0.3 % of u.
    assert found.u == pytest.approx(u, rel=0.006)
    low, high = found.interval()
    assert -low == pytest.approx(half, rel=0.01)
    assert high == pytest.approx(half, rel=0.01)


def _weight(*, reference, excess, air, weight_density, reference_density):
    return (reference + excess) * (1 + (air - 1.2) * (1 / weight_density - 1 / reference_density)) - 100_000


def test_mass_calibration_of_jcgm_101_9_3():
    found = monte_carlo(
        _weight,
        {
            "reference": lambda rng, n: rng.normal(100_000, 0.050, n),
            "excess": lambda rng, n: rng.normal(1.234, 0.020, n),
            "air": lambda rng, n: rng.uniform(1.10, 1.30, n),
            "weight_density": lambda rng, n: rng.uniform(7000, 9000, n),
            "reference_density": lambda rng, n: rng.uniform(7950, 8050, n),
        },
        n=1_000_000,
    )
    assert found.mean == pytest.approx(1.2340, abs=0.001)
    assert found.u == pytest.approx(0.0754, abs=0.0005)
    # The shortest interval's ends wander by about 0.002 mg at a million draws.
    np.testing.assert_allclose(found.interval(shortest=True), [1.0834, 1.3825], atol=0.004)
    inputs = [
        Input(name="reference", estimate=100_000, u=0.050),
        Input(name="excess", estimate=1.234, u=0.020),
        Input(name="air", estimate=1.2, u=0.1 / np.sqrt(3)),
        Input(name="weight_density", estimate=8000, u=1000 / np.sqrt(3)),
        Input(name="reference_density", estimate=8000, u=50 / np.sqrt(3)),
    ]
    first = propagate(_weight, inputs)
    assert first.u == pytest.approx(0.0539, abs=5e-5)
    np.testing.assert_allclose(
        [first.estimate - first.expanded(), first.estimate + first.expanded()], [1.1285, 1.3395], atol=2e-4
    )
    assert propagate(_weight, inputs, second_order=True).u == pytest.approx(0.0750, abs=1e-3)


def test_comparison_loss_of_jcgm_101_9_4():
    def loss(*, x1, x2):
        return x1**2 + x2**2

    inputs = [Input(name="x1", estimate=0.0, u=0.005), Input(name="x2", estimate=0.0, u=0.005)]
    # The first-order law says nothing at zero; the distribution does: mean 50e-6, 95 % up to 150e-6.
    assert propagate(loss, inputs).u == pytest.approx(0.0, abs=1e-12)
    found = monte_carlo(loss, {name: lambda rng, n: rng.normal(0, 0.005, n) for name in ("x1", "x2")})
    assert found.mean == pytest.approx(50e-6, rel=0.01)
    np.testing.assert_allclose(found.interval(shortest=True), [0, 150e-6], atol=1.5e-6)
    moved = propagate(loss, [Input(name="x1", estimate=0.010, u=0.005), inputs[1]])
    np.testing.assert_allclose(
        [moved.estimate - moved.expanded(), moved.estimate + moved.expanded()], [-96e-6, 296e-6], atol=1e-6
    )
