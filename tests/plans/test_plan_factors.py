"""Factors: reading the file, coding, errors that name file, factor, key and value."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sharpset.errors import PlanError
from sharpset.plans import Factor, factors_from_dict, load_factors


def test_load_factors_reads_every_key(filament_file):
    factors = load_factors(filament_file)
    assert factors.names == ("layer_height", "speed", "fan", "nozzle")
    assert factors["layer_height"].unit == "mm"
    assert (factors["speed"].low, factors["speed"].high) == (10.0, 40.0)
    assert factors["nozzle"].levels == (0.15, 0.25, 0.40)
    assert [f.name for f in factors.hard] == ["nozzle"]
    assert factors.constraints[0].rule == "layer_height <= 0.3 * nozzle"
    assert factors_from_dict(factors.to_dict()).to_dict() == factors.to_dict()


def test_coding_by_hand():
    factors = factors_from_dict(
        {
            "factor": [
                {"name": "height", "low": 0.03, "high": 0.10},
                {"name": "nozzle", "kind": "levels", "levels": [0.40, 0.15, 0.25]},
                {"name": "exposure", "low": 1.0, "high": 4.0, "scale": "log"},
                {"name": "resin", "levels": ["grey", "clear"]},
            ]
        }
    )
    runs = pd.DataFrame(
        {"height": [0.03, 0.065, 0.1], "nozzle": [0.15, 0.25, 0.4], "exposure": [1.0, 2.0, 4.0], "resin": ["grey"] * 3}
    )
    coded = factors.code(runs)
    assert coded["height"].tolist() == [-1.0, 0.0, 1.0]
    assert coded["nozzle"].tolist() == [-1.0, -0.2, 1.0]
    assert coded["exposure"].tolist() == [-1.0, 0.0, 1.0]
    assert coded["resin"].tolist() == ["grey"] * 3
    pd.testing.assert_frame_equal(factors.decode(coded), runs, check_dtype=False)


@given(
    low=st.floats(-1e4, 1e4),
    width=st.floats(1e-3, 1e4),
    coded=st.floats(-2, 2),
)
def test_decoding_undoes_coding(low, width, coded):
    factor = Factor(name="x", low=low, high=low + width)
    natural = float(factor.decode(coded))
    # Natural settings are rounded to 12 significant digits of the larger limit.
    assert natural == pytest.approx(low + width * (coded + 1) / 2, abs=1e-11 * (abs(low) + width))
    assert float(factor.code(natural)) == pytest.approx(coded, abs=1e-10 * (abs(low) + width) / width + 1e-10)


@pytest.mark.parametrize(
    ("entry", "message"),
    [
        ({"name": "speed", "low": 40, "high": 10}, r"factor 'speed': key 'low' \(40\) must be below key 'high' \(10\)"),
        ({"name": "speed", "low": "slow", "high": 10}, r"factor 'speed': key 'low' must be a number, got 'slow'"),
        ({"name": "speed", "high": 10}, r"factor 'speed': key 'low' is missing"),
        ({"name": "speed", "low": math.inf, "high": 10}, r"factor 'speed': key 'low' must be a number, got inf"),
        ({"name": "speed", "low": True, "high": 10}, r"key 'low' must be a number, got True"),
        ({"name": "speed", "low": 1, "high": 2, "hi": 3}, r"factor 'speed': unknown key 'hi'; known keys are name"),
        (
            {"name": "speed", "kind": "wobbly"},
            r"key 'kind' must be one of continuous, levels, categorical, got 'wobbly'",
        ),
        ({"name": "two words", "low": 1, "high": 2}, r"factor 'two words': key 'name' must be letters"),
        ({"name": "block", "low": 1, "high": 2}, r"factor 'block': key 'name' may not be one of run_id"),
        ({"name": "class", "low": 1, "high": 2}, r"factor 'class'"),
        ({"low": 1, "high": 2}, r"factor number 1: key 'name' must be a text, got None"),
        ({"name": "n", "kind": "levels", "levels": [0.1, "b"]}, r"factor 'n': key 'levels' must be a number, got 'b'"),
        ({"name": "n", "kind": "levels", "levels": [0.1]}, r"factor 'n': key 'levels' needs at least two"),
        ({"name": "n", "kind": "levels", "levels": 3}, r"factor 'n': key 'levels' must be a list, got 3"),
        ({"name": "n", "kind": "categorical", "levels": ["a", "a"]}, r"needs at least two different labels"),
        ({"name": "n", "low": 0, "high": 2, "scale": "log"}, r"factor 'n': key 'low' must be above 0"),
        ({"name": "n", "low": 0, "high": 2, "scale": "cubic"}, r"key 'scale' must be 'linear' or 'log', got 'cubic'"),
        (
            {"name": "n", "low": 0, "high": 2, "hard_to_change": "yes"},
            r"'hard_to_change' must be true or false, got 'yes'",
        ),
        ({"name": "n", "low": 0, "high": 2, "levels": [1, 2], "kind": "continuous"}, r"key 'levels' needs kind"),
    ],
)
def test_a_faulty_factor_is_named_with_key_and_value(entry, message):
    with pytest.raises(PlanError, match=message):
        factors_from_dict({"factor": [entry]}, source="factors.toml")


def test_faulty_files_are_refused(tmp_path):
    with pytest.raises(PlanError, match="cannot be read"):
        load_factors(tmp_path / "missing.toml")
    path = tmp_path / "factors.toml"
    for content, message in [
        ("[[factor]\n", "not a TOML file"),
        ("", "no factor is given"),
        ("[factor]\nname = 'a'\n", r"\[\[factor\]\] with double brackets"),
        ("[[factors]]\nname = 'a'\n", "unknown table 'factors'"),
        ("[[factor]]\nname='a'\nlow=1\nhigh=2\n[[factor]]\nname='a'\nlow=1\nhigh=2\n", "'a' stands there twice"),
        (
            "[[factor]]\nname='a'\nlow=1\nhigh=2\n[[constraint]]\nrule='a > 5'\n",
            "no settings within the factors' limits",
        ),
        ("[[factor]]\nname='a'\nlow=1\nhigh=2\n[[constraint]]\nrules='a > 1'\n", "unknown key 'rules'"),
        ("[[factor]]\nname='m'\nlevels=['x','y']\n[[constraint]]\nrule='m > 1'\n", "categorical"),
    ]:
        path.write_text(content, encoding="utf-8")
        with pytest.raises(PlanError, match=message) as caught:
            load_factors(path)
        assert str(path) in str(caught.value) or "categorical" in message
    path.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(PlanError, match="not a TOML file"):
        load_factors(path)


def test_categorical_labels_may_be_coded_numbers():
    factors = factors_from_dict({"factor": [{"name": "grit", "kind": "categorical", "low": -1, "high": 1}]})
    assert factors["grit"].levels == ("-1", "1")


def test_sample_keeps_rules_and_fills_the_region(filament_file):
    factors = load_factors(filament_file)
    matrix = factors.sample(4096)
    settings = factors.from_matrix(matrix)
    assert (settings["layer_height"] <= 0.3 * settings["nozzle"] + 1e-12).all()
    # By hand: heights reach 0.03..0.10; the rule cuts at .045, .075 and .10 (not at all), so a share of
    # (15 + 45 + 70) / 210 stays; 0.01 is five binomial standard deviations of an even random draw.
    assert len(matrix) / 4096 == pytest.approx(130 / 210, abs=0.01)
    assert set(np.unique(settings["nozzle"])) == {0.15, 0.25, 0.40}


def test_factors_show_themselves(filament_file):
    factors = load_factors(filament_file)
    assert "nozzle: 0.15, 0.25, 0.4 mm (hard to change)" in factors.summary()
    assert list(factors.to_frame()["name"]) == list(factors.names)
    assert "<table" in factors._repr_html_()


def test_what_is_usually_finer_is_kept_and_checked():
    entry = {"name": "layer_height", "low": 0.03, "high": 0.10, "finer": "low"}
    factors = factors_from_dict({"factor": [entry, {"name": "speed", "low": 10, "high": 40}]})
    assert [f.finer for f in factors] == ["low", ""]
    assert factors_from_dict(factors.to_dict()).to_dict() == factors.to_dict()
    assert "finer" not in factors.to_dict()["factor"][1]
    assert factors.to_frame()["finer"].tolist() == ["low", ""]
    with pytest.raises(PlanError, match=r"key 'finer' must be 'low', 'middle' or 'high'.* got 'thin'"):
        factors_from_dict({"factor": [entry | {"finer": "thin"}]})
    with pytest.raises(PlanError, match="'resin': key 'finer' is for numbers"):
        factors_from_dict({"factor": [{"name": "resin", "levels": ["grey", "clear"], "finer": "low"}]})
