"""Values of fewer bits than they are stored in, floats without a word, and pictures of few values."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import tifffile
from reading_scenes import Scene, make_scene

from sharpset.errors import ReadingError
from sharpset.readings import read_scan
from sharpset.readings.looking import look_at


@pytest.fixture(scope="module")
def scene() -> Scene:
    """One scene at 600 dpi in sRGB, made once."""
    return make_scene(dpi=600, noise=0.002)


def _written(values: np.ndarray, path: Path) -> Path:
    tifffile.imwrite(path, values, resolution=(600, 600), resolutionunit="inch")
    return path


def _off_mm(scene: Scene, path: Path, encoding: str = "auto") -> tuple[float, float]:
    """Root mean square of the errors of wide slots and bars, and the share of them within their intervals."""
    table = read_scan(path, piece=scene.piece, encoding=encoding).pieces[0].table
    both = table.merge(scene.truth[["feature_id", "true_mm"]], on="feature_id")
    both = both[both["kind"].isin(("slot", "bar")) & (both["true_mm"] >= 0.15) & both["measured_mm"].notna()]
    error = both["measured_mm"] - both["true_mm"]
    assert len(both) > 30
    return float(np.sqrt((error**2).mean())), float((error.abs() <= both["U95_mm"]).mean())


@pytest.mark.parametrize("n_bits", [12, 14])
def test_values_of_fewer_bits_in_files_of_16_are_read_as_such(scene, tmp_path, n_bits):
    values = np.round(scene.pixels / 255 * (2**n_bits - 1)).astype(np.uint16)
    rms, held = _off_mm(scene, _written(values, tmp_path / "few_bits.tif"))
    assert rms < 0.002
    assert held > 0.95


def test_values_of_12_bits_are_read_as_such_in_noise_that_hides_the_curve(tmp_path):
    noisy = make_scene(dpi=600, noise=0.01)
    values = np.round(noisy.pixels / 255 * (2**12 - 1)).astype(np.uint16)
    path = _written(values, tmp_path / "noisy.tif")
    reading = read_scan(path, piece=noisy.piece).pieces[0]
    assert reading.table["U95_mm"].median() < 0.01
    rms, held = _off_mm(noisy, path)
    assert rms < 0.002
    assert held > 0.95


def test_a_look_decodes_values_of_fewer_bits_as_the_reading_does(scene, tmp_path):
    values = np.round(scene.pixels / 255 * (2**12 - 1)).astype(np.uint16)
    path = _written(values, tmp_path / "few_bits.tif")
    reading = read_scan(path, piece=scene.piece)
    table = reading.pieces[0].table
    widest = table[(table["kind"] == "slot") & (table["formed"] == "yes")].sort_values("nominal_mm").iloc[-1]
    (view,) = look_at(path, piece=scene.piece, feature_id=widest["feature_id"], reading=reading)
    place, open_share = view.profile["distance_mm"].to_numpy(), 1 - view.profile["model"].to_numpy()
    middle = len(place) // 2
    left = np.interp(0.5, open_share[:middle], place[:middle])
    right = np.interp(-0.5, -open_share[middle:], place[middle:])
    assert abs((right - left) - widest["measured_mm"]) < 0.002


def test_a_dark_picture_of_16_bits_is_not_taken_for_one_of_14(scene, tmp_path):
    light = np.where(scene.pixels <= 10, scene.pixels / 255 / 12.92, ((scene.pixels / 255 + 0.055) / 1.055) ** 2.4)
    dark = 0.085 * light
    stored = np.where(dark <= 0.0031308, 12.92 * dark, 1.055 * dark ** (1 / 2.4) - 0.055)
    values = np.round(stored * 65535).astype(np.uint16)
    assert 2**12 < values.max() < 2**14
    rms, held = _off_mm(scene, _written(values, tmp_path / "dark.tif"))
    assert rms < 0.002
    assert held > 0.95


def test_floats_that_hold_no_linear_light_are_told_by_their_edges(scene, tmp_path):
    path = _written((scene.pixels / 255).astype(np.float32), tmp_path / "float.tif")
    rms, held = _off_mm(scene, path)
    assert rms < 0.002
    assert held > 0.95
    # What they would be read as: 30 um off.
    assert _off_mm(scene, path, "linear")[0] > 0.01


def test_a_palette_of_many_grey_values_is_no_filter_against_specks(scene, tmp_path):
    rounded = (scene.pixels // 4 * 4 + 2).astype(np.uint8)
    reading = read_scan(_written(rounded, tmp_path / "palette.tif"), piece=scene.piece).pieces[0]
    assert any("few different values" in remark for remark in reading.remarks)
    assert not any("specks" in remark for remark in reading.remarks)


@pytest.mark.parametrize("step", [40, 128])
def test_a_picture_of_very_few_values_is_refused(scene, tmp_path, step):
    rounded = (scene.pixels // step * step).astype(np.uint8)
    with pytest.raises(ReadingError, match=r"different values lead from ground to plate .*without a palette"):
        read_scan(_written(rounded, tmp_path / "few.tif"), piece=scene.piece)
