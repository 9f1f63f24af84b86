"""Numbers on cards: no more digits than a setting or an interval supports."""

from __future__ import annotations

import pytest

from sharpset.record.wording import in_words, interval_text, plain_name, setting_text


@pytest.mark.parametrize(
    ("name", "value", "unit", "text"),
    [
        ("fan", 77.76228964328766, "%", "78 %"),
        ("layer_height", 0.04738580875098706, "mm", "0.047 mm"),
        ("speed", 50.553601454012096, "mm/s", "50.6 mm/s"),
        ("layer_height_mm", 0.04738580875098706, "", "0.047"),  # the name says the unit already
        ("layer_height", 0.0425, "mm", "0.0425 mm"),  # typed, so it stays
        ("pressure_advance", 0.01234567891, "", "0.01235"),  # no unit known: four digits
        ("offset", 0.000123456789, "mm", "0.0001235 mm"),  # never rounded to nothing
        ("passes", 3, "", "3"),
        ("infill", "lines", "", "lines"),
        ("draft_shield", True, "", "yes"),
    ],
)
def test_settings(name: str, value: object, unit: str, text: str) -> None:
    assert setting_text(name, value, unit=unit) == text


@pytest.mark.parametrize(
    ("row", "text"),
    [
        # half-widths 0.0059 and 0.37: two digits of them are 4 and 2 decimals
        ({"predicted": 0.0103035, "low": 0.0044214, "high": 0.0161855}, "0.0103 mm (0.0044 to 0.0162)"),
        ({"predicted": 1.021595, "low": 0.6550195, "high": 1.3881712}, "1.02 mm (0.66 to 1.39)"),
        ({"predicted": 1234.5, "low": 1034.5, "high": 1434.5}, "1234 mm (1034 to 1434)"),
        ({"predicted": 0.123456}, "0.123 mm"),
        ({"predicted": 0.5, "low": 0.5, "high": 0.5}, "0.5 mm"),
    ],
)
def test_intervals(row: dict[str, float], text: str) -> None:
    assert interval_text(row, unit="mm") == text


def test_names_with_units() -> None:
    assert plain_name("edge_roughness_mm") == ("edge roughness", "mm")
    assert plain_name("lift_speed_mm_s") == ("lift speed", "mm/s")
    assert plain_name("scale_x") == ("scale x", "")


def test_words_of_tables() -> None:
    assert in_words({"predicted": 0.5, "low": 0.4, "high": 0.6}) == "0.50 (0.40 to 0.60)"
    assert in_words({"a": 1.5, "b": [True, "x"]}) == "a 1.5, b yes, x"
