"""A dark piece on ruled paper: lines that run across the place of a missing bar are no part of it."""

from __future__ import annotations

import numpy as np
from reading_scenes import make_scene, write_scene
from scipy.ndimage import gaussian_filter

from sharpset.pieces import make_stencil
from sharpset.readings import read_scan

DPI, PLATE, PAPER, LINE = 600, 0.06, 0.6, 0.38


def _ruled(scene, *, pitch_mm: float, breadth_mm: float) -> np.ndarray:
    """Return stored values with level lines on the ground of a scene, darker where the plate does not lie on them."""
    stored = scene.pixels / 255.0
    light = np.where(stored <= 0.04045, stored / 12.92, ((stored + 0.055) / 1.055) ** 2.4)
    share = np.clip((light - PLATE) / (PAPER - PLATE), 0, 1)
    row_mm = np.arange(len(light)) * 25.4 / DPI
    line = gaussian_filter((row_mm % pitch_mm < breadth_mm).astype(float), 1.0)[:, None]
    light = light - (PAPER - LINE) * line * share
    return np.round(255 * np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)).astype(
        np.uint8
    )


def test_lines_of_the_paper_are_no_part_of_missing_bars(tmp_path):
    piece = make_stencil(process="resin")
    bars, said = 0, []
    for seed, turn in ((3, 33.0), (5, 44.0)):
        scene = make_scene(
            piece=piece, dpi=DPI, angle_deg=turn, plate=PLATE, background=PAPER, noise=0.012, blur_px=1.0, seed=seed
        )
        path = write_scene(scene, tmp_path / f"s{seed}.png", dpi=DPI)
        ruled = type(scene)(
            pixels=_ruled(scene, pitch_mm=7.0, breadth_mm=0.25), truth=scene.truth, piece=piece, matrix=scene.matrix
        )
        path = write_scene(ruled, path, dpi=DPI)
        table = read_scan(path, piece=piece).pieces[0].table.set_index("feature_id")
        gone = scene.truth[(scene.truth["kind"] == "bar") & scene.truth["true_mm"].isna()]["feature_id"]
        told = table.loc[gone]
        bars += len(told)
        said += told[(told["formed"] != "no") & ~told["flags"].str.contains("refused")].index.tolist()
        there = table.drop(index=gone)
        there = there[there["kind"] == "bar"]
        assert (there["formed"] == "yes").mean() > 0.9
    assert bars >= 8
    assert said == []
