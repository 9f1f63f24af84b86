"""Faces with grooves along edges, as lines of filament leave them: light there says little of the level at an edge."""

from __future__ import annotations

import numpy as np
import pytest
from edge_pictures import hole
from scipy.special import ndtr

from sharpset.readings.edges.blur import EdgeSpread
from sharpset.readings.edges.faces import EVEN, Beside, Faces, faces_of
from sharpset.readings.edges.profiles import Profiles
from sharpset.readings.edges.sampling import Samples, Strip
from sharpset.readings.edges.strips import LOOSE, StripFits, fit_strips
from sharpset.readings.holes.discs import Disc, fit_discs
from sharpset.readings.picture.light import LightMap, PieceLight
from sharpset.scans import PixelSize, Pose

SIGMA, PIXEL, NOISE = 0.042, 0.042, 0.03
WIDTHS = np.linspace(0.4, 0.6, 12)
GROOVE_MM, HALF_MM, DEPTH = 0.42, 0.025, 0.25


def _groove(away: np.ndarray) -> np.ndarray:
    """Return what a groove, blurred as everything, takes of a plate's light at distances from an edge."""
    return DEPTH * (ndtr((away - GROOVE_MM + HALF_MM) / SIGMA) - ndtr((away - GROOVE_MM - HALF_MM) / SIGMA))


def _fits(rng: np.random.Generator, *, grooves: bool, marks: int = 0, faces: Faces | None = None) -> StripFits:
    """Fit slots; beside the first of them lie marks that take a third of the light from 0.2 mm on."""
    across = np.linspace(-0.7, 0.7, 101)
    solid = []
    for k, width in enumerate(WIDTHS):
        away = np.abs(across) - width / 2
        light = ndtr(away / SIGMA) - (_groove(away) if grooves else 0.0)
        light -= 0.3 * (away > 0.2) * (k < marks)
        solid.append(np.where(away < 0.42, light + rng.normal(0, NOISE / np.sqrt(60), len(across)), 0.0))
    n = len(WIDTHS)
    samples = Samples(
        strips=tuple(
            Strip(name="s", solid=False, width_mm=w, length_mm=3.0, x_mm=0, y_mm=0, angle_deg=0, reach_mm=0.42)
            for w in WIDTHS
        ),
        owner=np.arange(n),
        d_mm=np.zeros(n),
        t_mm=np.zeros(n),
        solid=np.zeros(n),
        normal=np.tile([0.0, 1.0], (n, 1)),
        length_scale=np.ones(n),
        half_length_mm=np.full(n, 1.2),
        pixel_mm=PIXEL,
        pixel_area_mm2=PIXEL**2,
    )
    profiles = Profiles(
        d_mm=np.tile(across, (n, 1)),
        solid=np.array(solid),
        n_pixels=np.where(np.abs(across) < WIDTHS[:, None] / 2 + 0.42, 60.0, 0.0),
        noise=np.full(n, NOISE),
        dirty=np.zeros(n),
    )
    return fit_strips(samples, profiles, EdgeSpread(sigma_x_mm=SIGMA, sigma_y_mm=SIGMA), LOOSE, faces=faces)


def test_grooves_beside_edges_do_not_move_them():
    off = {
        how: np.median(_fits(np.random.default_rng(1), grooves=True, faces=how).width_mm - WIDTHS)
        for how in (EVEN, None)
    }
    # The lower level of the whole neighbourhood pulls both edges inwards, by a twentieth of the blur together.
    assert off[EVEN] < -0.0015
    assert abs(off[None]) < 0.0004


def test_even_faces_and_marks_beside_few_edges_change_nothing():
    for marks in (0, 3):
        fits = _fits(np.random.default_rng(2), grooves=False, marks=marks)
        assert fits.faces.are_even
        plain = _fits(np.random.default_rng(2), grooves=False, marks=marks, faces=EVEN)
        np.testing.assert_array_equal(fits.width_mm, plain.width_mm)


def test_variance_is_that_of_the_plate_from_where_it_begins():
    rng = np.random.default_rng(3)
    distance = np.tile(np.linspace(0.0, 9.95, 200), 40)
    group = np.repeat(np.arange(40), 200)
    residual = rng.normal(0, 0.01, len(distance))
    # Every second group is plate, 0.1 darker or brighter from six blurs on.
    residual += np.where((group % 2 == 0) & (distance > 6.0), np.where(group % 4 == 0, 0.1, -0.1), 0.0)
    beside = Beside(
        group=group,
        of_plate=np.arange(40) % 2 == 0,
        distance=distance,
        residual=residual,
        weight=np.full(len(distance), 1e4),
    )
    faces = faces_of(beside)
    assert not faces.ground.any()
    # Steps of half a blur from two blurs on: eight of them lie nearer than six. The median square of such values is
    # their square itself, over 0.455 as if they were normal.
    assert not faces.plate[:8].any()
    assert faces.plate[8:] == pytest.approx(0.01 / 0.455, rel=0.15)
    share = faces.shares(beside)
    assert np.all(share[(distance < 6.0) | (group % 2 == 1)] == 1.0)
    assert np.all(share[(distance > 6.0) & (group % 2 == 0)] < 0.01)


def test_holes_heed_what_strips_tell_of_faces():
    pixel, sigma, room = 0.02, 1.2, 61
    blur = pixel * float(np.hypot(sigma, np.sqrt(1 / 12)))
    diameters = np.repeat([10.0, 12.0, 14.0, 16.0], 3)
    picture, discs = np.ones((room, room * len(diameters))), []
    rows, columns = np.mgrid[: picture.shape[0], : picture.shape[1]]
    for i, diameter in enumerate(diameters):
        x, y = room * (i + 0.5), room / 2
        hole(picture, centre=(x, y), diameter=diameter, sigma=sigma, height=-1.0)
        away = np.hypot(columns - x, rows - y) - diameter / 2
        picture -= 0.15 * ndtr((away - 9) / sigma) * (np.abs(columns - x) <= room / 2)
        discs.append(Disc(name=f"h{i}", diameter_mm=diameter * pixel, x_mm=x * pixel, y_mm=y * pixel, reach_mm=0.3))
    picture += np.random.default_rng(4).normal(0, 0.01, picture.shape)
    light = PieceLight(
        stored=picture,
        decode=lambda values: values,
        origin=(0, 0),
        plate=LightMap(coefficients=np.array([1.0]), centre_px=np.zeros(2), span_px=np.ones(2), order=0),
        background=LightMap(coefficients=np.array([0.0]), centre_px=np.zeros(2), span_px=np.ones(2), order=0),
        noise=0.01,
        contrast=1.0,
        clipped=0.0,
        noise_inflation=1.0,
    )
    pose = Pose(matrix=np.array([[1 / pixel, 0, 0], [0, 1 / pixel, 0]]), pixel_mm=PixelSize(pixel, pixel))
    # Dimmer from nine pixels on, which is 7.3 blurs.
    steps = 2.0 + 0.5 * np.arange(20)
    told = Faces(plate=np.where(steps > 5.5, 0.15**2, 0.0), ground=np.zeros(20))
    off = {}
    for faces in (EVEN, told):
        fits = fit_discs(light, pose, discs, EdgeSpread(sigma_x_mm=blur, sigma_y_mm=blur), faces=faces)
        off[faces] = np.array([fit.diameter_mm for fit in fits]) - diameters * pixel
        assert max(fit.dirty for fit in fits) < 0.2
    # What is dim further out makes the neighbourhood's level too low, by which holes look small.
    assert np.mean(off[EVEN]) < -0.01
    assert np.all(np.abs(off[told]) < 0.002)
