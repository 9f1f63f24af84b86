"""Where pieces lie: any turn, mirrored or not, many in one scan."""

from __future__ import annotations

import numpy as np
import pytest
from reading_scenes import SCALE_X, SCALE_Y, Scene, make_scene, write_scene

from sharpset.pieces import make_stencil
from sharpset.readings import read_scan

DPI = 600


def registration_error_px(scene: Scene, pose) -> np.ndarray:
    """Return the distances between where the pose puts the features and where they were drawn, pixels."""
    points = scene.piece.features[["x_mm", "y_mm"]].to_numpy(float)
    truth = (points * [SCALE_X, SCALE_Y]) @ scene.matrix[:, :2].T + scene.matrix[:, 2]
    return np.hypot(*(pose.to_pixels(points) - truth).T)


@pytest.mark.parametrize(
    ("angle_deg", "mirror"), [(0.0, True), (37.0, False), (143.0, True), (181.3, False), (270.0, True), (311.0, False)]
)
def test_registration_at_any_turn(tmp_path, angle_deg, mirror):
    # Contrast 30 times the noise, blur of 0.8 px: an ordinary scan. Each of 150 features has a place good to some
    # hundredths of a pixel, so that six parameters leave less than 0.02 px; 0.05 is what is asked for.
    scene = make_scene(dpi=DPI, angle_deg=angle_deg, mirror=mirror, blur_px=0.8, noise=0.5 / 30, seed=int(angle_deg))
    (piece,) = read_scan(write_scene(scene, tmp_path / "r.png", dpi=DPI), piece=scene.piece).pieces
    assert piece.pose.mirrored == mirror
    assert np.sqrt(np.mean(registration_error_px(scene, piece.pose) ** 2)) < 0.05


@pytest.mark.slow
def test_twenty_pieces_in_one_scan(tmp_path):
    stencils = [make_stencil(process="resin", run_id=f"R{i + 1:02d}") for i in range(4)]
    drawn = [
        make_scene(piece=piece, dpi=DPI, angle_deg=angle, mirror=i == 3, blur_px=0.7, seed=40 + i).pixels
        for i, (piece, angle) in enumerate(zip(stencils, (2.0, 91.0, 178.0, 33.0), strict=True))
    ]
    side = max(max(picture.shape) for picture in drawn)
    tiles, wanted = [], []
    for k in range(20):
        picture = np.rot90(drawn[k % 4], k // 4)
        pad = [(0, side - n) for n in picture.shape]
        tiles.append(np.pad(picture, pad, mode="edge"))
        wanted.append((f"R{k % 4 + 1:02d}", k % 4 == 3))
    # Twenty places and four codes, in quarter turns of what was drawn.
    whole = np.vstack([np.hstack(tiles[5 * row : 5 * row + 5]) for row in range(4)])
    scene = Scene(pixels=whole, truth=None, piece=stencils[0], matrix=np.eye(2, 3))
    reading = read_scan(write_scene(scene, tmp_path / "twenty.png", dpi=DPI), piece=stencils[0])
    assert len(reading.pieces) == 20
    assert sorted((p.run_id, p.pose.mirrored) for p in reading.pieces) == sorted(wanted)
    for one in reading.pieces:
        assert one.registration_px < 0.1
        middle = one.pose.to_pixels([[stencils[0].width_mm / 2, stencils[0].height_mm / 2]])[0]
        assert 0 < middle[0] < whole.shape[1]
        assert 0 < middle[1] < whole.shape[0]
