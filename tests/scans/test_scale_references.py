"""Files that describe references: what they may say, and what they are told when they may not."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from sharpset.errors import ScanError
from sharpset.scans import load_reference

CALIB = Path(__file__).resolve().parents[2] / "calib"


@pytest.mark.parametrize("name", ["rule_half_mm", "glass_scale_1mm", "checkerboard_2mm"])
def test_examples_can_be_read(name):
    reference = load_reference(CALIB / f"{name}.toml")
    assert reference.u_length(40.0) > 0
    assert reference.name in reference.summary()


def test_uncertainty_of_a_length_is_that_of_the_gum(tmp_path):
    path = tmp_path / "r.toml"
    path.write_text(
        'kind = "rule"\npitch_mm = 0.5\ntolerance_mm = 0.02\nu_relative = 1e-4\n'
        "expansion_per_k = 1e-5\nused_at_c = 26\n",
        encoding="utf-8",
    )
    reference = load_reference(path)
    # JCGM 100, 4.3.7: a half-width a of a rectangular distribution has the standard uncertainty a / sqrt 3.
    by_hand = math.sqrt((0.02 / math.sqrt(3) / 50) ** 2 + 1e-8 + (0.6e-5) ** 2)
    assert reference.u_length(50.0) == pytest.approx(by_hand)
    assert reference.pitch_now_mm == pytest.approx(0.5 * (1 + 6e-5), abs=1e-15)
    assert reference.name == "r"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("pitch_mm = 0.5\ntolerance_mm = 0.01", "kind is missing"),
        ('kind = "rule"\ntolerance_mm = 0.01', "pitch_mm is missing"),
        (
            'kind = "coin"\npitch_mm = 1\ntolerance_mm = 0.01',
            "'coin' is not known. Use rule, glass-scale",
        ),
        ('kind = "rule"\npitch_mm = 0.01\ntolerance_mm = 0.01', "pitch_mm is 0.01, must be 0.1 to 20"),
        ('kind = "rule"\npitch_mm = "half"\ntolerance_mm = 0.01', "pitch_mm is 'half', must be a number"),
        ('kind = "rule"\npitch_mm = nan\ntolerance_mm = 0.01', "must be a number"),
        ('kind = "rule"\npitch_mm = 0.5', "says nothing about its own error"),
        ('kind = "rule"\npitch_mm = 0.5\ntolerance_mm = 0', "says nothing about its own error"),
        ('kind = "rule"\npitch_mm = 0.5\ntolerance = 0.01', "key 'tolerance' is not known"),
        ('kind = "rule"\npitch_mm = 0.5\ntolerance_mm = 0.01\ncount = 2.5', "count is 2.5, must be a whole number"),
        ("kind = rule", "is no TOML file"),
    ],
)
def test_a_faulty_file_says_what_is_wrong(tmp_path, text, words):
    path = tmp_path / "r.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(ScanError) as fault:
        load_reference(path)
    assert str(fault.value).startswith(str(path))
    assert words in str(fault.value)


def test_a_missing_file_is_named(tmp_path):
    with pytest.raises(ScanError, match="cannot be read"):
        load_reference(tmp_path / "none.toml")
