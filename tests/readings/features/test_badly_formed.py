"""Slots closed in part or by something thin, bars that came off or ran together: painted into one picture."""

from __future__ import annotations

import cv2
import numpy as np
import pandas as pd
import pytest
from reading_scenes import Scene, make_scene, write_scene

from sharpset.readings import read_scan

PLATE, BACKGROUND = 0.55, 0.05
HALF_CLOSED = {"slots-90-0.25-1": 0.6, "slots-0-0.315-2": 0.3, "bars-90-0.315-1": 0.7, "bars-0-0.2-1": 0.35}
THIN = {"slots-90-0.315-1": 0.6, "slots-90-0.2-2": 0.45, "slots-0-0.2-1": 0.3, "holes-0.63-2": 0.55}
ASKEW = {"bars-0-0.315-1": 14.0, "bars-90-0.2-1": 25.0}
FILLED = "bars-45-0.2-1"
GROOVED = {"slots-0-0.315-1": 0.5, "slots-45-0.25-2": 0.7}
"""Closed slots that keep a groove over half of their length, which takes such a share of the light."""
ENDS = {"slots-0-0.25-1": (0.09, 0.09), "slots-90-0.16-2": (0.085, 0.085), "bars-0-0.16-2": (0.16, 0.05)}
"""Shares of the length that are closed at both ends: most of them lie where fits do not look."""


def _decoded(pixels: np.ndarray) -> np.ndarray:
    v = pixels / 255
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4)


def _encoded(light: np.ndarray) -> np.ndarray:
    v = np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 1e-9) ** (1 / 2.4) - 0.055)
    return np.round(np.clip(v, 0, 1) * 255).astype(np.uint8)


class _Painter:
    """Light of a scene, changed feature by feature in the feature's own frame."""

    def __init__(self, scene: Scene) -> None:
        self.scene = scene
        self.light = _decoded(scene.pixels)
        self.rng = np.random.default_rng(5)
        rows, columns = np.indices(scene.pixels.shape)
        back = np.linalg.inv(scene.matrix[:, :2])
        self.x, self.y = np.tensordot(back, np.stack((columns - scene.matrix[0, 2], rows - scene.matrix[1, 2])), axes=1)
        self.features = scene.piece.features.set_index("feature_id")

    def near(self, name: str, room_mm: float) -> tuple[np.ndarray, np.ndarray]:
        """Return which pixels are within `room_mm` of a feature, and where they lie along it, 0 to 1."""
        f = self.features.loc[name]
        turn = np.radians(f.angle_deg)
        dx, dy = self.x - f.x_mm, self.y - f.y_mm
        t, d = dx * np.cos(turn) + dy * np.sin(turn), -dx * np.sin(turn) + dy * np.cos(turn)
        inside = (np.abs(d) < f.nominal_mm / 2 + room_mm) & (np.abs(t) < f.length_mm / 2 + min(room_mm, 0.1))
        return inside, t / f.length_mm + 0.5

    def fill(self, where: np.ndarray, light: float) -> None:
        """Paint light with noise."""
        self.light[where] = light + self.rng.normal(0, 0.01, int(where.sum()))

    def turn(self, name: str, angle_deg: float) -> None:
        """Turn a bar about its middle."""
        f = self.features.loc[name]
        centre = self.scene.matrix @ [f.x_mm, f.y_mm, 1]
        shape = self.light.shape[::-1]
        turned = cv2.warpAffine(self.light, cv2.getRotationMatrix2D(centre, angle_deg, 1), shape)
        inside = self.near(name, 0.05)[0].astype(np.float32)
        bar = cv2.warpAffine(inside, cv2.getRotationMatrix2D(centre, angle_deg, 1), shape) > 0.5
        self.fill(self.near(name, 0.12)[0], BACKGROUND)
        self.light[bar] = turned[bar]


@pytest.fixture(scope="module")
def table(tmp_path_factory) -> pd.DataFrame:
    scene = make_scene(seed=4, plate=PLATE, background=BACKGROUND, angle_deg=2.0)
    paint = _Painter(scene)
    for name, closed in HALF_CLOSED.items():
        near, along = paint.near(name, 0.12)
        paint.fill(near & (along < closed), PLATE if name.startswith("slots") else BACKGROUND)
    for name, (first, last) in ENDS.items():
        near, along = paint.near(name, 0.12)
        closed = (along < first) | (along > 1 - last)
        paint.fill(near & closed, PLATE if name.startswith("slots") else BACKGROUND)
    for name, lets_through in THIN.items():
        near, _ = paint.near(name, 0.2)
        # What is seen through something thin is a share of what would be seen, blur and all.
        paint.light[near] = PLATE - lets_through * (PLATE - paint.light[near])
    for name, dark in GROOVED.items():
        paint.fill(paint.near(name, 0.12)[0], PLATE)
        near, along = paint.near(name, -0.04)
        paint.fill(near & (along > 0.3) & (along < 0.8), PLATE - dark * (PLATE - BACKGROUND))
    for name, angle in ASKEW.items():
        paint.turn(name, angle)
    paint.fill(paint.near(FILLED, 0.9)[0], PLATE)
    picture = Scene(pixels=_encoded(paint.light), truth=scene.truth, piece=scene.piece, matrix=scene.matrix)
    path = write_scene(picture, tmp_path_factory.mktemp("bad") / "scan.png")
    found = read_scan(path, piece=scene.piece).pieces[0].table.set_index("feature_id")
    return found.join(scene.truth.set_index("feature_id")["true_mm"])


@pytest.mark.parametrize("name", HALF_CLOSED)
def test_the_formed_part_of_a_half_closed_feature_has_its_own_width(table, name):
    row = table.loc[name]
    assert np.isfinite(row.true_mm)
    assert row.formed == "partly"
    # Painted ends are sharp and 0.3 mm at both ends are not looked at: the share is good to a few steps.
    left_out = 0.3 / row.length_mm
    assert row.share == pytest.approx((1 - HALF_CLOSED[name] - left_out) / (1 - 2 * left_out), abs=0.05)
    assert abs(row.measured_mm - row.true_mm) <= row.U95_mm
    # Whole strips of this scene are told to 5 to 8 micrometres; where a part ends nothing is told over half a width.
    assert row.U95_mm < 0.008 + 0.15 * row.true_mm


@pytest.mark.parametrize("name", ENDS)
def test_a_feature_that_is_closed_at_its_ends_is_not_called_formed(table, name):
    row = table.loc[name]
    assert np.isfinite(row.true_mm)
    assert row.formed == "partly"
    # The last tenth of a millimetre, where ends may be round, is taken to be as the last step that is seen.
    assert row.share == pytest.approx(1 - sum(ENDS[name]), abs=0.05)


@pytest.mark.parametrize("name", GROOVED)
def test_a_groove_over_a_part_of_a_closed_slot_is_no_formed_part(table, name):
    row = table.loc[name]
    assert row.formed != "yes"
    assert np.isnan(row.measured_mm)
    assert "refused: dim" in row["flags"]


@pytest.mark.parametrize("name", THIN)
def test_what_is_closed_by_something_thin_is_never_formed(table, name):
    row = table.loc[name]
    assert row.formed != "yes"
    assert np.isnan(row.measured_mm)
    assert row.formed == "no" or "refused: dim" in row["flags"]


@pytest.mark.parametrize("name", ASKEW)
def test_bars_that_lie_askew_are_not_formed(table, name):
    row = table.loc[name]
    assert row.formed != "yes"
    assert row.formed == "no" or "refused: askew" in row["flags"] or row.share < 0.9


def test_a_bar_in_a_filled_window_is_missing(table):
    assert table.loc[FILLED, "formed"] == "no"


def test_the_other_features_of_such_a_picture_hold(table):
    bad = {*HALF_CLOSED, *ENDS, *THIN, *ASKEW, FILLED}
    rest = table[~table.index.isin(bad) & table["true_mm"].notna() & (table["group"] != "bars-45")]
    formed = rest[rest["formed"] == "yes"]
    assert len(formed) > 0.95 * len(rest)
    # 95 % are due; three binomial spreads of a hundred features below it.
    assert ((formed["measured_mm"] - formed["true_mm"]).abs() <= formed["U95_mm"]).mean() > 0.89
