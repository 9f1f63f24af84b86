"""Holes whose blur is not that of the scan's straight edges, drawn from closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from edge_pictures import hole

from sharpset.readings.edges.blur import EdgeSpread
from sharpset.readings.edges.strips import Priors
from sharpset.readings.holes.discs import Disc, DiscFit, OwnBlur, fit_discs
from sharpset.readings.picture.light import LightMap, PieceLight
from sharpset.scans import Pose
from sharpset.scans.scan import PixelSize

PIXEL, SIGMA, CNR, ROOM = 0.02, 1.0, 50.0, 61
SIZES = np.array([3.0, 3.0, 4.0, 4.0, 6.0, 6.0, 9.0, 9.0, 14.0, 14.0, 20.0, 20.0])


def _even(value: float) -> LightMap:
    return LightMap(coefficients=np.array([value]), centre_px=np.zeros(2), span_px=np.ones(2), order=0)


def _read(diameters: np.ndarray, seed: int, *, blur: float, own_blur: OwnBlur | None) -> list[DiscFit]:
    """Draw holes in a row and read them with a blur that is `blur` times theirs."""
    rng = np.random.default_rng(seed)
    picture, discs = np.ones((ROOM, ROOM * len(diameters))), []
    for i, diameter in enumerate(diameters):
        x, y = ROOM * (i + 0.5) + rng.uniform(-0.5, 0.5), ROOM / 2 + rng.uniform(-0.5, 0.5)
        hole(picture, centre=(x, y), diameter=diameter, sigma=SIGMA, height=-1.0)
        place = (ROOM * (i + 0.5) * PIXEL, ROOM / 2 * PIXEL)
        discs.append(Disc(name=f"h{i}", diameter_mm=diameter * PIXEL, x_mm=place[0], y_mm=place[1], reach_mm=0.3))
    picture += rng.normal(0, 1 / CNR, picture.shape)
    light = PieceLight(
        stored=picture,
        decode=lambda values: values,
        origin=(0, 0),
        plate=_even(1.0),
        background=_even(0.0),
        noise=1 / CNR,
        contrast=1.0,
        clipped=0.0,
        noise_inflation=1.0,
    )
    pose = Pose(matrix=np.array([[1 / PIXEL, 0, 0], [0, 1 / PIXEL, 0]]), pixel_mm=PixelSize(PIXEL, PIXEL))
    sigma = blur * PIXEL * np.hypot(SIGMA, np.sqrt(1 / 12))
    spread = EdgeSpread(sigma_x_mm=sigma, sigma_y_mm=sigma)
    return fit_discs(light, pose, discs, spread, Priors(contrast=0.003), clean=True, own_blur=own_blur)


@pytest.mark.parametrize("blur", [0.9, 1.12])
def test_holes_tell_a_blur_that_is_not_that_of_straight_edges(blur):
    """With a blur 10 to 12 % off holes of 3 and 4 px read 0.1 px too large or small, three times what noise does."""
    off, kept = [], []
    for seed in range(4):
        for own, into in ((OwnBlur(contrast=0.01), off), (None, kept)):
            fits = _read(SIZES, seed, blur=blur, own_blur=own)
            into.append([f.diameter_mm / PIXEL for f in fits] - SIZES)
    small = np.s_[:, :4]
    # Sixteen small holes: their mean scatters by 1.6 / (50 sqrt(16)) = 0.008 px, the blur's own error adds as much.
    assert abs(np.mean(np.array(off)[small])) < 0.03
    assert abs(np.mean(np.array(kept)[small])) > 0.05


def test_the_shared_blur_is_as_sure_as_it_says():
    fits = [_read(SIZES, seed, blur=1.0, own_blur=OwnBlur(contrast=0.01)) for seed in range(6)]
    assert all(0.01 <= f.u_blur < 0.03 for one in fits for f in one)
    # Twelve holes at a contrast over noise of 50 leave the blur to 1 %; seven of few holes leave it to the strips.
    few = _read(SIZES[:7], 0, blur=1.0, own_blur=OwnBlur(contrast=0.01))
    assert all(np.isnan(f.u_blur) for f in few)
