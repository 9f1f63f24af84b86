from __future__ import annotations

import math

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sharpset.comparison import budget_details
from sharpset.errors import ComparisonError

DETAILS = pd.DataFrame(
    [("davit stay", "bar", 6.0), ("pawl gap", "slot", 12.0), ("hawse hole", "hole", 24.0), ("plate", "rib", 3.0)],
    columns=["name", "kind", "full_size_mm"],
)


def test_budget_by_hand():
    found = budget_details(
        DETAILS, limits_mm={"bar": 0.301, "slot": 0.5, "hole": 0.4}, scale=24, growth_mm={"bar": 0.02}
    )
    table = found.details.set_index("name")
    assert table["forms"].to_dict() == {"davit stay": "no", "pawl gap": "yes", "hawse hole": "yes", "plate": "unknown"}
    # 6 mm at 1:24 is 0.25 mm. Drawn 0.25 - 0.02 = 0.23 mm it would not form; drawn at the limit 0.301, rounded up to
    # 0.31 mm, it comes out 0.31 + 0.02 = 0.33 mm, 7.92 mm at full size, 1.32 times as much.
    stay = table.loc["davit stay"]
    assert stay["model_mm"] == pytest.approx(0.25)
    assert stay["thicken_to_mm"] == pytest.approx(0.33)
    assert stay["thicken_to_full_size_mm"] == pytest.approx(7.92)
    assert stay["times"] == pytest.approx(1.32)
    assert stay["draw_mm"] == pytest.approx(0.31)
    assert math.isnan(table.loc["pawl gap", "thicken_to_mm"])
    assert "davit stay (bar) to 0.330 mm" in found.summary()
    assert "1 of a kind without a limit" in found.summary()


def test_the_master_is_larger_than_the_casting():
    found = budget_details(DETAILS.iloc[:1], limits_mm={"bar": 0.26}, scale=24, factor=1.0415)
    row = found.details.iloc[0]
    # 0.25 * 1.0415 = 0.2604 mm on the print: it forms, where the casting's own size would not.
    assert row["master_mm"] == pytest.approx(0.260375)
    assert row["forms"] == "yes"


def test_no_limit_within_the_ladder():
    row = budget_details(DETAILS.iloc[:1], limits_mm={"bar": math.inf}, scale=24).details.iloc[0]
    assert row["forms"] == "no"
    assert math.isnan(row["thicken_to_mm"])


@settings(max_examples=60, deadline=None)
@given(st.floats(0.5, 200), st.floats(0.05, 2), st.floats(1, 200), st.floats(1, 1.1))
def test_what_is_thickened_forms(full, limit, scale, factor):
    table = pd.DataFrame({"name": ["d"], "kind": ["bar"], "full_size_mm": [full]})
    row = budget_details(table, limits_mm={"bar": limit}, scale=scale, factor=factor).details.iloc[0]
    if row["forms"] == "no":
        again = table.assign(full_size_mm=row["thicken_to_full_size_mm"])
        assert (
            budget_details(again, limits_mm={"bar": limit}, scale=scale, factor=factor).details["forms"].iloc[0]
            == "yes"
        )
        assert row["thicken_to_mm"] < limit + 0.0101
    else:
        assert row["master_mm"] >= limit - 1e-9


@pytest.mark.parametrize(
    ("table", "options", "says"),
    [
        (DETAILS.drop(columns="kind"), {}, "lack the column kind"),
        (DETAILS, {"scale": 0.5}, "the scale is 0.5"),
        (DETAILS, {"factor": 0.0}, "must be above 0"),
        (DETAILS, {"limits_mm": {"bar": -1.0}}, "limit of bar"),
        (DETAILS.assign(full_size_mm=-1.0), {}, "davit stay: full_size_mm"),
    ],
)
def test_bad_budgets_are_refused(table, options, says):
    with pytest.raises(ComparisonError, match=says):
        budget_details(table, **({"limits_mm": {"bar": 0.2}, "scale": 24} | options))


def test_result_shows_itself():
    found = budget_details(DETAILS, limits_mm={"bar": 0.3}, scale=24)
    assert "<table" in found._repr_html_()
    assert len(found.to_frame()) == 4
