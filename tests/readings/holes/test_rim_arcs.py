"""Rims of which arcs lie under marks, as sectors tell of them; truths are what the sectors were made of."""

from __future__ import annotations

import numpy as np
import pytest

from sharpset.readings.edges.blur import EdgeSpread
from sharpset.readings.holes.disc_fit import DiscProblem, DiscState
from sharpset.readings.holes.disc_model import Patches, blurred_disc
from sharpset.readings.holes.rim_arcs import weigh_arcs

PIXEL, BLUR, RADIUS, NOISE = 0.02, 0.02, 0.2, 0.02
N_HOLES = 8


def _fits(
    rng: np.random.Generator, *, oval_mm: float = 0.0, bitten_mm: float = 0.0, marked: float = 0.2
) -> tuple[DiscProblem, DiscState]:
    """Draw holes; the first is out of round, and a mark reaches over its right side, a third of it unnoticed.

    The radius that its fit is said to have ended with is too large by what a circle through all that is seen makes of
    the unnoticed part.
    """
    half = 0.36
    axis = np.arange(-half, half + PIXEL / 2, PIXEL)
    x, y = (one.ravel() for one in np.meshgrid(axis, axis))
    row, column = (one.ravel() for one in np.indices((len(axis), len(axis))))
    angle = np.arctan2(y, x)
    solids, marks = [], []
    for i in range(N_HOLES):
        radius = RADIUS + (oval_mm * np.cos(2 * angle) if i == 0 else 0.0)
        hidden = (np.abs(angle) < marked * np.pi) & (i == 0)
        bitten = (np.abs(angle - 1.3 * marked * np.pi) < 0.3 * marked * np.pi) & (i == 0)
        radius = radius + np.where(hidden | bitten, bitten_mm, 0.0)
        solids.append(1 - blurred_disc(np.hypot(x, y), radius, BLUR) + rng.normal(0, NOISE, len(x)))
        marks.append(hidden & (np.hypot(x, y) > RADIUS - 2 * BLUR))
    every = [np.full(N_HOLES, np.inf), 0.5 * PIXEL]
    patches = Patches.joined([x] * N_HOLES, [y] * N_HOLES, solids, [column] * N_HOLES, [row] * N_HOLES, *every)
    order = np.concatenate([one[np.argsort(_place(patches, i))] for i, one in enumerate(marks)])
    problem = DiscProblem(
        patches=patches,
        sigma_mm=BLUR,
        spread=EdgeSpread(sigma_x_mm=BLUR, sigma_y_mm=BLUR),
        noise=NOISE,
        precision=np.array([0.002**-2, 0.002**-2, 0.0, 0.01**-2, 0.01**-2]),
        mean=np.array([0.0, 0.0, 0.0, 1.0, 1.0]),
        reach_mm=np.full(N_HOLES, 0.3),
        pixel_mm=PIXEL,
    )
    p = np.tile([0.0, 0.0, RADIUS, 1.0, 1.0], (N_HOLES, 1))
    weight = np.where(order, 0.0, NOISE**-2)
    return problem, DiscState(p=p, weight=weight, noise=np.full(N_HOLES, NOISE), marks=order)


def _place(patches: Patches, hole: int) -> np.ndarray:
    """Return where each of a hole's pixels, as they were drawn, lies among its sorted ones."""
    one = patches.slices()[hole]
    drawn = patches.row[one] * (patches.column[one].max() + 1) + patches.column[one]
    return np.argsort(drawn)


def test_holes_without_marks_stay_as_they_are():
    problem, found = _fits(np.random.default_rng(1))
    clean = DiscState(p=found.p, weight=found.weight, noise=found.noise, marks=np.zeros_like(found.marks))
    arcs = weigh_arcs(problem, clean)
    assert np.array_equal(arcs.p, found.p)
    assert not arcs.u_radius_mm.any()
    assert not weigh_arcs(problem, found).u_radius_mm[1:].any()


def test_an_arc_beside_a_mark_that_stands_out_is_told_from_the_rim():
    """A third of what a mark bites off was not noticed; the fit of all that shows had ended a tenth of a pixel off."""
    problem, found = _fits(np.random.default_rng(2), bitten_mm=0.6 * PIXEL)
    found.p[0, 2] += 0.1 * PIXEL
    arcs = weigh_arcs(problem, found)
    assert abs(arcs.p[0, 2] - RADIUS) < 0.04 * PIXEL
    assert arcs.u_radius_mm[0] > 0.04 * PIXEL


@pytest.mark.parametrize("oval_px", [0.0, 0.3])
def test_what_marks_hide_of_a_rim_is_unsure_as_far_as_rims_are_out_of_round(oval_px):
    """Of an oval a mark hides three tenths at one end: a circle through the rest is too small, and knows it."""
    z, sure = [], []
    for seed in range(8):
        problem, found = _fits(np.random.default_rng(seed), oval_mm=oval_px * PIXEL, marked=0.3)
        arcs = weigh_arcs(problem, found)
        z.append((arcs.p[0, 2] - RADIUS) / arcs.u_radius_mm[0])
        sure.append(arcs.u_radius_mm[0])
    # Eight of one kind: the root mean square of such a ratio stays below 1.4 with 95 %.
    assert np.sqrt(np.mean(np.square(z))) < 1.4
    # A round rim that shows for seven tenths is known nearly as well as noise allows: 0.008 pixels for all of it
    # (2.12 / 2 sqrt(s / D) of the noise), three times as much without an arc of three tenths whose place is free.
    if oval_px == 0:
        assert max(sure) < 6 * 0.008 * PIXEL
