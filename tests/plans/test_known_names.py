from __future__ import annotations

import pandas as pd
import pytest

from sharpset.plans.known_names import with_known_names


def test_columns_that_name_their_unit_become_those_a_brief_asks_for():
    table = pd.DataFrame(
        {
            "run_id": ["R1"],
            "Print time [min]": [90.0],
            "edge roughness / um": [12.0],
            "print time": [1.0],
            "load N": [3.0],
        }
    )
    found = with_known_names(table)
    # 90 minutes, 12 micrometres; a time without a unit stays what it is.
    assert found["print_time_h"].tolist() == [1.5]
    assert found["edge_roughness_mm"].tolist() == pytest.approx([0.012])
    assert {"print time", "load N"} <= set(found.columns)


def test_a_column_of_that_name_is_never_replaced():
    table = pd.DataFrame({"run_id": ["R1"], "print_time_h": [2.0], "print time (min)": [90.0]})
    pd.testing.assert_frame_equal(with_known_names(table), table)
