"""Slots that lean and bow, drawn from the blurred step in closed form."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from scipy.special import ndtr

from sharpset.readings.edges.blur import EdgeSpread
from sharpset.readings.edges.leaning import laid_straight
from sharpset.readings.edges.profiles import robust_profiles
from sharpset.readings.edges.sampling import Samples, Strip
from sharpset.readings.edges.strips import Priors, fit_strips

STEP_MM, LENGTH_MM, SIGMA_MM, NOISE, ROOM_MM = 0.02, 2.4, 0.035, 0.03, 0.4
N_STRIPS = 10
SPREAD = EdgeSpread(sigma_x_mm=SIGMA_MM, sigma_y_mm=SIGMA_MM)

Along = Callable[[np.ndarray], np.ndarray]


def _drawn(midline: Along, width_mm: float, *, solid: bool = False, closed_from: float = np.inf) -> Samples:
    rng = np.random.default_rng(8)
    cos, sin = np.cos(np.radians(21.0)), np.sin(np.radians(21.0))
    parts, strips = [], []
    for i in range(N_STRIPS):
        x, y = np.meshgrid(np.arange(-80, 81) * STEP_MM, np.arange(-80, 81) * STEP_MM)
        x, y = (axis.ravel() + rng.uniform(0, STEP_MM) for axis in (x, y))
        t, d = x * cos + y * sin, -x * sin + y * cos
        keep = (np.abs(t) <= LENGTH_MM / 2) & (np.abs(d) <= width_mm / 2 + ROOM_MM)
        t, d = t[keep], d[keep]
        away = d - midline(t)
        inside = ndtr((away + width_mm / 2) / SIGMA_MM) - ndtr((away - width_mm / 2) / SIGMA_MM)
        inside[t > closed_from] = 0.0
        light = inside if solid else 1 - inside
        parts.append((np.full(len(t), i), d, t, light + rng.normal(0, NOISE, len(t))))
        place = {"x_mm": 0.0, "y_mm": 0.0, "angle_deg": 0.0, "reach_mm": ROOM_MM}
        strips.append(Strip(name=f"strip-{i}", solid=solid, width_mm=width_mm, length_mm=LENGTH_MM + 0.6, **place))
    owner, d, t, light = (np.concatenate(column) for column in zip(*parts, strict=True))
    return Samples(
        strips=tuple(strips),
        owner=owner,
        d_mm=d,
        t_mm=t,
        solid=light,
        normal=np.tile([0.0, 1.0], (N_STRIPS, 1)),
        length_scale=np.ones(N_STRIPS),
        half_length_mm=np.full(N_STRIPS, LENGTH_MM / 2),
        pixel_mm=STEP_MM,
        pixel_area_mm2=STEP_MM**2,
    )


def _leaning(t: np.ndarray) -> np.ndarray:
    return 0.01 + 0.055 * t / LENGTH_MM * 2


def _bowed(t: np.ndarray) -> np.ndarray:
    return 0.08 * (1 - (2 * t / LENGTH_MM) ** 2)


def _wavy(t: np.ndarray) -> np.ndarray:
    return 0.05 * np.sin(2.4 * np.pi * t / LENGTH_MM + 0.7)


@pytest.mark.parametrize("midline", [_leaning, _bowed, _wavy])
@pytest.mark.parametrize("solid", [False, True], ids=["slot", "bar"])
def test_narrow_strips_that_lean_are_as_dark_as_straight_ones(midline, solid):
    samples = _drawn(midline, 0.08, solid=solid)
    straight, leaning = laid_straight(samples, SPREAD)
    assert len(leaning) == N_STRIPS
    free = Priors(contrast=1.0, blur=0.05)
    before, after = (fit_strips(some, robust_profiles(some), SPREAD, free) for some in (samples, straight))
    # Such strips were taken for ones under something thin: a slot needs half of the contrast at least.
    assert np.median(before.contrast) < 0.88
    assert np.median(after.contrast) == pytest.approx(1.0, abs=0.12)
    middle = np.mean(midline(np.linspace(-LENGTH_MM / 2, LENGTH_MM / 2, 2001)))
    assert np.median(after.centre_mm) == pytest.approx(middle, abs=0.001)


@pytest.mark.parametrize(
    ("midline", "closed_from"),
    [
        (np.zeros_like, np.inf),
        # Less than a third of the blur.
        (lambda t: 0.006 * t / LENGTH_MM * 2, np.inf),
        # Askew: no slot that leans.
        (lambda t: 0.25 * t / LENGTH_MM * 2, np.inf),
        # Half of it is closed.
        (_leaning, 0.0),
    ],
    ids=["straight", "little", "askew", "half closed"],
)
def test_other_strips_are_left_alone(midline, closed_from):
    samples = _drawn(midline, 0.15, closed_from=closed_from)
    straight, leaning = laid_straight(samples, SPREAD)
    assert len(leaning) == 0
    assert straight is samples


@pytest.mark.parametrize("place_mm", [-0.35, 0.0])
def test_a_mark_beside_an_edge_makes_no_strip_lean(place_mm):
    samples = _drawn(np.zeros_like, 0.3)
    mark = 0.9 * np.exp(-0.5 * (((samples.t_mm - place_mm) / 0.25) ** 2 + ((samples.d_mm - 0.1) / 0.1) ** 2))
    dirty = replace(samples, solid=samples.solid + mark * (1 - samples.solid))
    straight, leaning = laid_straight(dirty, SPREAD)
    assert len(leaning) == 0
    assert straight is dirty
