"""Coloured plastic in JPEG files with colour at half the resolution, and with colour at the full one."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from reading_scenes import Scene, make_scene

from sharpset.errors import ReadingError
from sharpset.readings import read_scan

RED, BLACK = (0.45, 0.06, 0.05), (0.03, 0.03, 0.03)
RED_ON_GREEN = (0.45, 0.05, 0.04), (0.03, 0.24, 0.04)
"""Both of about the same brightness as it is stored."""


@pytest.fixture(scope="module")
def scene() -> Scene:
    return make_scene(seed=11, plate=0.9, background=0.1, noise=0.004, blur_px=1.1, linear=True)


def _save(scene: Scene, path: Path, *, plate: tuple[float, ...], ground: tuple[float, ...], subsampling: int) -> Path:
    share = (scene.pixels[..., None] / 255 - 0.1) / 0.8
    light = np.clip(np.array(ground) + share * (np.array(plate) - ground), 0, 1)
    stored = np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 1e-9) ** (1 / 2.4) - 0.055)
    picture = Image.fromarray(np.round(stored * 255).astype(np.uint8))
    picture.save(path, quality=92, subsampling=subsampling, dpi=(1200, 1200))
    return path


@pytest.mark.parametrize("subsampling", [0, 2])
def test_red_plastic_is_read_alike_whatever_the_resolution_of_colour(
    scene: Scene, tmp_path: Path, subsampling: int
) -> None:
    path = _save(scene, tmp_path / "red.jpg", plate=RED, ground=BLACK, subsampling=subsampling)
    table = read_scan(path, piece=scene.piece).pieces[0].table
    found = table.merge(scene.truth[["feature_id", "true_mm"]], on="feature_id")
    found = found[(found["formed"] == "yes") & found["true_mm"].notna() & found["measured_mm"].notna()]
    off = 1000 * (found["measured_mm"] - found["true_mm"])
    growth = off * np.where(found["kind"] == "bar", -1, 1)
    assert len(found) > 70
    # Blurred after it was encoded, the red channel makes openings 5 um too wide; eight bits and JPEG leave less than 1.
    assert abs(growth.mean()) < 1.5
    assert (off.abs() <= 1000 * found["U95_mm"]).mean() > 0.95


def test_a_piece_that_only_its_colour_tells_from_its_ground_is_refused(scene: Scene, tmp_path: Path) -> None:
    plate, ground = RED_ON_GREEN
    path = _save(scene, tmp_path / "green.jpg", plate=plate, ground=ground, subsampling=2)
    with pytest.raises(ReadingError, match=r"colour more than in brightness.*TIFF or PNG"):
        read_scan(path, piece=scene.piece)
