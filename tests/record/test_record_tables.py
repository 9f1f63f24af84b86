"""Tables of readings: checked, packed, summed up."""

from __future__ import annotations

import hashlib
import json
import zlib
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from record_samples import readings_table

from sharpset.errors import RecordError
from sharpset.record import tables


def sizes_of(readings: pd.DataFrame) -> list[dict[str, Any]]:
    """Return the summary of a table as the record makes it: checked, packed, unpacked, summed up."""
    return tables.size_rows(tables.unpack_columns(tables.pack_table(tables.check_readings(readings))))


def test_missing_columns_are_filled_and_the_order_is_fixed() -> None:
    table = tables.check_readings(readings_table()[["measured_mm", "formed", "kind", "feature_id", "nominal_mm"]])
    assert tuple(table.columns) == tables.COLUMNS
    assert table["U95_mm"].isna().all()
    assert table["scan_id"].tolist() == [""] * 8


@pytest.mark.parametrize(
    ("column", "value", "words"),
    [
        ("formed", "maybe", "column formed, row 3: 'maybe' is none of yes, no, partly"),
        ("measured_mm", "wide", "column measured_mm, row 3: 'wide' is not a number"),
        ("kind", "", "column kind, row 3: '' must have 1 to 32 characters"),
        ("kind", "x" * 33, f"column kind, row 3: '{'x' * 33}' must have 1 to 32 characters"),
        ("flags", "a\x00b", "column flags holds a character that cannot be kept (NUL)"),
        ("nominal_mm", float("inf"), "column nominal_mm, row 3: inf is not a number"),
    ],
)
def test_cell_that_cannot_be_is_named(column: str, value: Any, words: str) -> None:
    table = readings_table().astype({column: object})
    table.loc[2, column] = value
    with pytest.raises(RecordError) as caught:
        tables.check_readings(table, where="readings.csv")
    assert str(caught.value).startswith(f"readings.csv: {words}")


def test_table_without_rows_or_columns_is_refused() -> None:
    with pytest.raises(RecordError, match="column 'formed' is missing"):
        tables.check_readings(readings_table().drop(columns="formed"))
    with pytest.raises(RecordError, match="the table has no rows"):
        tables.check_readings(readings_table().iloc[:0])
    twice = pd.concat([readings_table(), readings_table()[["kind"]]], axis=1)
    with pytest.raises(RecordError, match="column 'kind' stands there twice"):
        tables.check_readings(twice)


def test_packed_table_is_plain_json_under_zlib() -> None:
    packed = tables.pack_table(tables.check_readings(readings_table()))
    plain = zlib.decompress(packed)
    columns = {column["name"]: column for column in json.loads(plain)["columns"]}
    assert columns["measured_mm"]["values"] == [None, 0.213, 0.209, 0.311, 0.08, 0.17, 0.28, None]
    assert columns["formed"]["type"] == "text"
    assert tables.table_digest(packed) == hashlib.sha256(plain).hexdigest()


@settings(deadline=None, max_examples=40)
@given(
    st.lists(
        st.tuples(
            st.floats(width=64, allow_infinity=False),
            st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\x00"), max_size=8),
            st.integers(-(2**63), 2**63 - 1),
            st.booleans(),
        ),
        min_size=1,
        max_size=6,
    )
)
def test_any_table_unpacks_as_it_was(rows: list[tuple[float, str, int, bool]]) -> None:
    measured, words, counts, truths = (list(column) for column in zip(*rows, strict=True))
    own = {"feature_id": words, "kind": "bar", "nominal_mm": 0.2, "formed": "yes", "measured_mm": measured}
    table = tables.check_readings(pd.DataFrame(own | {"words": words, "count": counts, "truth": truths}))
    back = tables.unpack_table(tables.pack_table(table))
    pd.testing.assert_frame_equal(back, table, check_exact=True)
    # NaN is the empty cell whatever its bits were; every other number comes back bit by bit
    known = ~np.isnan(np.array(measured))
    assert back["measured_mm"].to_numpy()[known].tobytes() == np.array(measured)[known].tobytes()
    assert back["count"].tolist() == counts


def test_sizes_are_summed_up_by_hand() -> None:
    rows = {(r["kind"], r["nominal_mm"]): r for r in sizes_of(readings_table())}
    bars = rows["bar", 0.2]
    assert (bars["n"], bars["n_formed"], bars["n_partly"]) == (2, 2, 0)
    # deviations 0.013 and 0.009: mean 0.011, standard deviation 0.004 / sqrt(2); float64 differences only
    assert bars["mean_deviation_mm"] == pytest.approx(0.011, abs=1e-12)
    assert bars["sd_deviation_mm"] == pytest.approx(0.004 / 2**0.5, abs=1e-12)
    assert rows["bar", 0.3]["sd_deviation_mm"] is None  # one feature has no spread
    assert rows["hole", 0.4]["mean_deviation_mm"] is None
    assert rows["slot", 0.2]["n_partly"] == 1


@settings(deadline=None, max_examples=40)
@given(st.lists(st.tuples(st.integers(1, 9), st.booleans()), min_size=1, max_size=20))
def test_smallest_formed_size_has_no_failure_above_it(features: list[tuple[int, bool]]) -> None:
    table = pd.DataFrame(features, columns=["nominal_mm", "ok"]).assign(kind="bar", feature_id="f", measured_mm=0.1)
    table["formed"] = np.where(table["ok"], "yes", "no")
    smallest = tables.smallest_formed_mm(sizes_of(table))
    # by the definition: the sizes above the largest failure, the least of them
    failed = [size for size, ok in features if not ok]
    above = [size for size, _ in features if size > max(failed, default=0)]
    assert smallest == ({"bar": float(min(above))} if above else {})


def test_refused_readings_are_counted_only_where_older_records_did() -> None:
    table = pd.DataFrame(
        {
            "feature_id": ["a", "b", "c", "d"],
            "kind": "slot",
            "nominal_mm": [0.2, 0.2, 0.3, 0.3],
            "formed": ["yes", "partly", "yes", "partly"],
            "measured_mm": [0.21, None, 0.31, None],
            "flags": ["", "few pixels;refused: glare", "", "refused: dim"],
        }
    )
    columns = tables.unpack_columns(tables.pack_table(tables.check_readings(table)))
    new, older, oldest = (tables.size_rows(columns, refused=counted) for counted in tables.COUNTED)
    assert [row["n"] for row in new] == [1, 2]
    assert [row["n"] for row in older] == [1, 1]
    assert [row["n"] for row in oldest] == [2, 2]
    # A glare beside one of two slots says nothing of what forms; one that is dim is closed in part.
    assert tables.smallest_formed_mm(new) == {}
    assert tables.smallest_formed_mm(older) == {"slot": 0.2}
