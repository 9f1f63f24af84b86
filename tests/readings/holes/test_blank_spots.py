"""Closed holes in a grainy plate: a dark grain is no hole."""

from __future__ import annotations

import cv2
import numpy as np
import pandas as pd
import pytest
import shapely
from reading_scenes import Scene, make_scene, write_scene

from sharpset.pieces import make_stencil
from sharpset.readings import read_scan
from sharpset.readings.holes.blank_spots import plain_places

PLATE, BACKGROUND = 0.55, 0.05
CLOSED_TO_MM, OPEN_TO_MM = 0.125, 0.16
GRAIN, GRAIN_PX = 0.06, 4.0


@pytest.fixture(scope="module")
def table(tmp_path_factory) -> pd.DataFrame:
    scene = make_scene(seed=11, plate=PLATE, background=BACKGROUND, angle_deg=1.0)
    rng = np.random.default_rng(12)
    light = (scene.pixels / 255.0 + 0.055) ** 2.4 / 1.055**2.4
    rows, columns = np.indices(light.shape)
    holes = scene.piece.features.query("kind == 'hole'")
    for r in holes[(holes.nominal_mm <= CLOSED_TO_MM)].itertuples():
        x, y = scene.matrix @ [r.x_mm, r.y_mm, 1]
        near = np.hypot(columns - x, rows - y) < 8
        light[near] = PLATE + rng.normal(0, 0.01, int(near.sum()))
    grain = cv2.GaussianBlur(rng.normal(0, 1, light.shape), (0, 0), GRAIN_PX)
    solid = np.clip((light - BACKGROUND) / (PLATE - BACKGROUND), 0, 1)
    light += GRAIN * PLATE * solid * grain / grain.std()
    pixels = np.round(255 * np.clip(1.055 * light ** (1 / 2.4) - 0.055, 0, 1)).astype(np.uint8)
    path = write_scene(
        Scene(pixels=pixels, truth=scene.truth, piece=scene.piece, matrix=scene.matrix),
        tmp_path_factory.mktemp("grain") / "scan.png",
    )
    found = read_scan(path, piece=scene.piece).pieces[0].table.merge(scene.truth[["feature_id", "true_mm"]])
    return found[found.feature_id.str.startswith("holes") & (found.nominal_mm <= OPEN_TO_MM)]


def test_a_dark_grain_where_a_hole_is_closed_is_no_hole(table):
    closed = table[table.nominal_mm <= CLOSED_TO_MM]
    assert len(closed) >= 8
    assert (closed.formed == "no").all()


def test_open_holes_of_that_size_are_still_formed(table):
    opened = table[(table.nominal_mm > CLOSED_TO_MM) & table.true_mm.notna()]
    assert len(opened) >= 3
    assert (opened.formed == "yes").all()


def test_plain_places_lie_clear_of_every_opening_and_of_the_border():
    piece = make_stencil(process="resin")
    places = shapely.points(plain_places(piece))
    assert 12 <= len(places) <= 32
    assert shapely.distance(piece.outline.exterior, places).min() > 0.4
    assert min(shapely.distance(void, places).min() for void in piece.void_shapes()) > 0.4
