"""Pictures that were brightened or darkened after they were scanned, and the powers that their edges tell."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from reading_scenes import Scene, make_scene, write_scene

from sharpset.readings import read_scan


@pytest.fixture(scope="module")
def plain() -> Scene:
    """A piece on a dark ground, in sRGB."""
    return make_scene(seed=5, plate=0.55, background=0.04, noise=0.006)


def _retouched(scene: Scene, power: float, path: Path) -> Path:
    """Write a scene whose stored values were raised to a power and rounded again."""
    return write_scene(replace(scene, pixels=np.round(255 * (scene.pixels / 255.0) ** power).astype(np.uint8)), path)


def _off_by(scene: Scene, path: Path, encoding: str = "auto") -> tuple[float, float, tuple[str, ...]]:
    """Return the median error of openings in mm, the share of sizes within their intervals, and the remarks."""
    piece = read_scan(path, piece=scene.piece, encoding=encoding).pieces[0]
    joined = piece.table.merge(scene.truth[["feature_id", "true_mm"]], on="feature_id")
    joined = joined[joined["measured_mm"].notna() & joined["true_mm"].notna()]
    error = joined["measured_mm"] - joined["true_mm"]
    held = float((error.abs() <= joined["U95_mm"]).mean())
    return float(error[joined["kind"] != "bar"].median()), held, piece.remarks


@pytest.mark.parametrize("power", [0.66, 0.45, 1.5])
def test_brightened_and_darkened_pictures_are_read_by_the_power_that_their_edges_tell(
    tmp_path: Path, plain: Scene, power: float
) -> None:
    path = _retouched(plain, power, tmp_path / "retouched.png")
    off_mm, held, remarks = _off_by(plain, path)
    as_srgb_mm, _, _ = _off_by(plain, path, "sRGB")
    assert abs(as_srgb_mm) > 0.007
    assert abs(off_mm) < 0.7 * abs(as_srgb_mm)
    assert held > 0.95
    (said,) = (remark for remark in remarks if "another curve" in remark)
    low, high = (float(number) for number in said.rsplit("(", 1)[1].strip(")").split(" to "))
    assert low <= 2.2 / power <= high


def test_a_picture_that_was_only_scanned_is_not_called_retouched(tmp_path: Path, plain: Scene) -> None:
    off_mm, held, remarks = _off_by(plain, write_scene(plain, tmp_path / "plain.png"))
    assert abs(off_mm) < 0.0015
    assert held > 0.95
    assert not any("another curve" in remark for remark in remarks)


def test_a_curve_that_steepens_the_middle_is_taken_for_no_power(tmp_path: Path, plain: Scene) -> None:
    share = plain.pixels / 255.0
    steeper = np.round(255 * (share - 0.08 * np.sin(2 * np.pi * share))).astype(np.uint8)
    path = write_scene(replace(plain, pixels=steeper), tmp_path / "steeper.png")
    _, held, remarks = _off_by(plain, path)
    assert held > 0.9
    assert not any("another curve" in remark for remark in remarks)
    assert any("levels were stretched" in remark for remark in remarks)
