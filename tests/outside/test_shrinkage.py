"""Shrinkage chains and mould materials against facts of the trade.

Trade figures are common practice without a source unless the data file's column ``source`` names one; the column
``seen`` says whether a figure was read (S), is from memory (M) or derived (D).
"""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from sharpset.comparison import Stage, plan_scale_chain
from sharpset.comparison.shrinkage import usual_shrinkage_percent

DATA = Path(__file__).parent / "data" / "mould_and_material_facts.csv"


@pytest.fixture(scope="module")
def facts():
    return pd.read_csv(DATA, comment="#").set_index("item")


def test_shrinkages_multiply():
    # Common practice, no source: .035 and .005 give 1 / (.965 * .995) = 1.04147, not the sum 1.040.
    chain = plan_scale_chain(
        [Stage(name="mould", shrinkage_percent=3.5), Stage(name="casting", shrinkage_percent=0.5)], targets_mm=[100.0]
    )
    assert chain.factor == pytest.approx(1.04147, abs=1e-5)
    assert round(chain.factor, 4) == 1.0415
    assert chain.targets["master_mm"].iloc[0] == pytest.approx(100 / (0.965 * 0.995), rel=1e-12)


def test_usual_shrinkages_lie_within_the_trade_ranges(facts):
    usual = usual_shrinkage_percent()
    pairs = {
        "addition-cure room-temperature silicone mould": "platinum (addition) cure RTV silicone linear shrinkage",
        "condensation-cure room-temperature silicone mould": "tin (condensation) cure RTV silicone linear shrinkage",
        "heat-cured silicone mould": "heat-cured silicone mould linear shrinkage",
        "vulcanised organic rubber mould": "jewellery mould compounds quoted linear shrinkage",
        "tin-base white metal casting": "tin-base white metal solid contraction 240 to 20 degC",
        "polyurethane resin casting": "polyurethane casting resin linear shrinkage",
    }
    assert set(pairs) == set(usual)
    for ours, theirs in pairs.items():
        assert facts.loc[theirs, "unit"] == "percent"
        assert usual[ours] == (facts.loc[theirs, "low"], facts.loc[theirs, "high"])


def test_heat_cured_silicone_agrees_with_its_expansion(facts):
    # 250e-6 to 300e-6 per K over about 130 K of cooling (derived): 3.25 to 3.9 %, the upper half of the quoted range.
    low, high = facts.loc["heat-cured silicone mould linear shrinkage", ["low", "high"]]
    assert low <= 100 * 250e-6 * 130 <= 100 * 300e-6 * 130 <= high


def test_common_materials_soften_before_a_vulcaniser(facts):
    # Why a hot-cure check is needed at all: glass transitions lie below the vulcanising temperatures.
    press = facts.loc["centrifugal rubber mould vulcanising temperature", "low"].min()
    for item in ("ABS glass transition", "PLA glass transition"):
        assert facts.loc[item, "high"] < press


def test_a_whole_allowance_stays_within_the_trade_range(facts):
    # A mould of 4 %, wax and metal of a few percent: the trade allows 8 to 12 % in all for cast jewellery.
    low, high = facts.loc["jewellery wax-master total allowance (mould+wax+metal+finish)", ["low", "high"]]
    stages = [Stage(name=n, shrinkage_percent=s) for n, s in (("mould", 4.0), ("wax", 3.0), ("metal", 2.0))]
    assert low <= 100 * (plan_scale_chain(stages).factor - 1) <= high
