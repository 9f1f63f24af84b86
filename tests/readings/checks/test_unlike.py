"""Faults that hit a part of a scan: what lies there is refused, the rest is kept, and a plain scan loses nothing."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pandas as pd
import pytest
from reading_scenes import Scene, make_scene, write_scene

from sharpset.readings import read_scan
from sharpset.readings.results import PieceReading

DPI = 600


@pytest.fixture(scope="module")
def scene() -> Scene:
    """One ordinary scene, made once."""
    return make_scene(dpi=DPI, blur_px=0.9, angle_deg=4.0, seed=52, noise=0.006)


def _read(scene: Scene, pixels: np.ndarray, tmp_path) -> tuple[PieceReading, pd.DataFrame]:
    path = write_scene(replace(scene, pixels=pixels), tmp_path / "a.png", dpi=DPI)
    (one,) = read_scan(path, piece=scene.piece).pieces
    both = one.table.merge(scene.truth[["feature_id", "true_mm"]], on="feature_id")
    return one, both.assign(off_mm=(both["measured_mm"] - both["true_mm"]).abs())


def _refused(table: pd.DataFrame, word: str) -> np.ndarray:
    return table["flags"].str.contains(f"refused: {word}", regex=False).to_numpy()


def _rows_of(scene: Scene) -> np.ndarray:
    points = scene.piece.features[["x_mm", "y_mm"]].to_numpy()
    return (points @ scene.matrix[:, :2].T + scene.matrix[:, 2])[:, 1]


def test_a_plain_scan_loses_nothing(scene, tmp_path):
    one, table = _read(scene, scene.pixels, tmp_path)
    assert not any(_refused(table, word).any() for word in ("rows displaced", "blurred otherwise here"))
    assert not any("and are refused" in remark for remark in one.remarks)


def test_rows_where_the_carriage_stuck_are_refused_and_the_rest_is_kept(scene, tmp_path):
    # It stands for eight rows in the middle of the slots along the rows and makes up for them over the next forty.
    n, stuck, after = len(scene.pixels), 6, 60
    along = ((scene.piece.features["kind"] == "slot") & (scene.piece.features["angle_deg"] == 0)).to_numpy()
    rows, first = np.arange(n, dtype=float), int(np.median(_rows_of(scene)[along])) - 20
    lag = np.where(
        rows < first, 0, np.minimum(rows - first, stuck) - np.clip(stuck * (rows - first - stuck) / after, 0, stuck)
    )
    source = rows - lag
    low = np.clip(np.floor(source).astype(int), 0, n - 2)
    part = (source - low)[:, None]
    pixels = np.round(scene.pixels[low] * (1 - part) + scene.pixels[low + 1] * part).astype(np.uint8)
    one, table = _read(scene, pixels, tmp_path)
    there = (_rows_of(scene) > first + 2) & (_rows_of(scene) < first + after / 2)
    bent = _refused(table, "rows displaced")
    assert there.sum() >= 3
    assert table.loc[there, "measured_mm"].isna().all()
    assert table.loc[bent, "measured_mm"].isna().all()
    assert any("displaced against the others" in remark for remark in one.remarks)
    kept = table["measured_mm"].notna() & table["true_mm"].notna()
    assert kept.mean() > 0.5
    assert (table["off_mm"] <= table["U95_mm"])[kept].mean() > 0.97
    assert not (table["formed"] == "no")[bent].any()


def test_a_smear_on_the_glass_costs_the_narrow_features_under_it(scene, tmp_path):
    # Over some of the slots at a slant, blurred by another two pixels: the widest of them show it.
    features = scene.piece.features
    slots = features[(features["kind"] == "slot") & (features["angle_deg"] == 45) & (features["nominal_mm"] > 0.19)]
    places = slots[["x_mm", "y_mm"]].to_numpy() @ scene.matrix[:, :2].T + scene.matrix[:, 2]
    low, high = places.min(axis=0) - 60, places.max(axis=0) + 60
    share = np.zeros(scene.pixels.shape)
    share[int(low[1]) : int(high[1]), int(low[0]) : int(high[0])] = 1
    share = cv2.GaussianBlur(share, (0, 0), 10)
    stored = scene.pixels / 255
    light = np.where(stored <= 0.04045, stored / 12.92, ((stored + 0.055) / 1.055) ** 2.4)
    light = light * (1 - share) + share * cv2.GaussianBlur(light, (0, 0), 1.2)
    pixels = 255 * np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    _, table = _read(scene, np.round(pixels).astype(np.uint8), tmp_path)
    kept = table["measured_mm"].notna() & table["true_mm"].notna()
    # Strips and small holes there are refused; without that one in eight of what is kept was outside its interval.
    strips = kept & table["kind"].isin(("slot", "bar"))
    assert strips.mean() > 0.3
    assert (table["off_mm"] <= table["U95_mm"])[strips].all()
    assert _refused(table, "blurred otherwise here").sum() >= 4
