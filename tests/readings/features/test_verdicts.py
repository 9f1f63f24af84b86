"""Chances of verdicts: shares of a length, films and marks, on features drawn by what is weighed."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import beta, norm

from sharpset.readings.edges.open_steps import follow_openness
from sharpset.readings.features.formed import judge_strips
from sharpset.readings.features.weighing import (
    Opening,
    among_open,
    film_chances,
    hole_chances,
    mark_chances,
    share_chances,
)

NOMINAL, N_STEPS = 0.2, 110


def _chain(rng: np.random.Generator, n: int, noise: float, width: float = 0.15) -> tuple[np.ndarray, np.ndarray]:
    """Return widths in steps of strips that are closed somewhere, and where they are open."""
    is_open = np.ones((n, N_STEPS), dtype=bool)
    for row in is_open:
        first, last = np.sort(rng.integers(0, N_STEPS + 1, 2))
        row[first:last] = False
    return is_open * width + rng.normal(0, noise, is_open.shape), is_open


@pytest.mark.parametrize("noise", [0.02, 0.1, 0.2])
def test_shares_are_within_what_the_noise_leaves_unsure(noise):
    width, is_open = _chain(np.random.default_rng(1), 150, noise)
    seen, size = np.ones(width.shape, dtype=bool), np.full(150, NOMINAL)
    found = follow_openness(width, seen, nominal_mm=size, noise_mm=np.full(150, noise))
    z = (found.share - is_open.mean(axis=1)) / np.hypot(found.u_share, 1 / N_STEPS)
    # Closed places are drawn of any length; short ones are expected less than they occur, and noise hides some.
    assert abs(z.mean()) < 0.4
    assert z.std() < 1.5
    assert (np.abs(z) < 3).mean() > 0.95
    assert np.median(found.u_share) < 0.15
    sure = np.abs(found.chance - 0.5) > 0.49
    assert np.mean((found.chance > 0.5)[sure] == is_open[sure]) > 0.985


def test_a_narrow_slot_in_noise_is_neither_surely_closed_nor_open():
    rng = np.random.default_rng(2)
    width = rng.normal(0.03, 0.6, (1, N_STEPS))
    seen = np.ones(width.shape, dtype=bool)
    found = follow_openness(width, seen, nominal_mm=np.array([NOMINAL]), noise_mm=np.array([0.6]))
    assert found.u_share[0] > 0.15


def test_steps_that_were_not_seen_change_nothing():
    width, _ = _chain(np.random.default_rng(3), 20, 0.05)
    size = np.full(20, NOMINAL)
    seen = np.ones((20, N_STEPS + 15), dtype=bool)
    seen[:, N_STEPS:] = False
    padded = np.hstack((width, np.full((20, 15), 7.0)))
    whole, part = (
        follow_openness(w, s, nominal_mm=size, noise_mm=np.full(20, 0.05))
        for w, s in ((width, seen[:, :N_STEPS]), (padded, seen))
    )
    assert part.share == pytest.approx(whole.share)
    assert part.u_share == pytest.approx(whole.u_share)


def test_chances_of_shares_are_those_of_the_beta_distribution_with_their_mean_and_deviation():
    low, between, high = share_chances(np.array([0.85, 0.5, 1.0]), np.array([0.05, 0.1, 0.01]), low=0.1, high=0.9)
    a, b = 0.85 * (0.85 * 0.15 / 0.0025 - 1), 0.15 * (0.85 * 0.15 / 0.0025 - 1)
    assert beta(a, b).std() == pytest.approx(0.05)
    assert high[0] == pytest.approx(beta.sf(0.9, a, b))
    assert low + between + high == pytest.approx(1.0)
    assert between[1] > 0.9999
    assert high[2] > 0.99


def test_a_hole_that_noise_may_have_made_is_hardly_ever_an_open_one():
    """A tenth of the area two standard uncertainties off: few open holes are so small."""
    low, _, high = hole_chances(np.array([0.03, 0.0, 0.6]), np.array([0.05, 0.05, 0.05]), low=0.03, high=0.1)
    assert low[0] > 0.8
    assert high[0] > norm.sf(3)
    assert low[1] > low[0]
    assert high[2] > 0.9999


def _slots(rng: np.random.Generator, n: int, by_contrast: float, u_contrast: float) -> tuple[Opening, np.ndarray]:
    """Return slots of one size, a fiftieth of them under films that leave anything, and which ones."""
    filmed = rng.random(n) < 0.02
    left = np.where(filmed, rng.uniform(0, 1, n), 1.0)
    size = (NOMINAL - 0.05 + 0.005 * rng.standard_t(5, n)) * left**by_contrast
    contrast = left + np.hypot(0.02, u_contrast) * rng.standard_t(5, n)
    return (
        Opening(
            size_mm=size,
            u_size_mm=np.full(n, 0.001),
            nominal_mm=np.full(n, NOMINAL),
            by_contrast=np.full(n, by_contrast),
            contrast=contrast,
            u_contrast=np.full(n, u_contrast),
            whole=np.ones(n, dtype=bool),
        ),
        filmed,
    )


@pytest.mark.parametrize(("by_contrast", "u_contrast"), [(0.0, 0.01), (1.0, 0.09), (1.0, np.inf)])
def test_chances_of_films_are_as_often_right_as_they_say(by_contrast, u_contrast):
    rng, chance, filmed = np.random.default_rng(4), [], []
    for _ in range(60):
        openings, which = _slots(rng, 40, by_contrast, 0.09 if np.isinf(u_contrast) else u_contrast)
        if np.isinf(u_contrast):
            openings = Opening(
                **{name: getattr(openings, name) for name in openings.__dataclass_fields__}
                | {"contrast": np.full(40, np.nan), "u_contrast": np.full(40, np.nan)}
            )
        chance.append(film_chances(openings))
        filmed.append(which)
    p, true = np.concatenate(chance), np.concatenate(filmed)
    for low, high in ((0.0, 0.003), (0.003, 0.1), (0.1, 0.9), (0.9, 1.0)):
        inside = (p >= low) & (p <= high)
        said, expected = true[inside].sum(), p[inside].sum()
        # Three standard deviations of a Poisson number; medians of forty slots are not exact.
        assert abs(said - expected) < 3 * np.sqrt(max(expected, 1.0)) + 0.15 * expected + 1


LADDER = np.repeat([0.16, 0.2, 0.25, 0.315, 0.4, 0.5], 6)


def _ladder(contrast):
    n = len(LADDER)
    return Opening(
        size_mm=LADDER - 0.02 + 0.002 * np.cos(5.0 * np.arange(n)),
        u_size_mm=np.full(n, 0.0005),
        nominal_mm=LADDER,
        by_contrast=np.full(n, 0.02),
        contrast=contrast + 0.004 * np.cos(7.0 * np.arange(n)),
        u_contrast=np.full(n, 0.003),
        whole=np.ones(n, dtype=bool),
    )


@pytest.mark.parametrize(("n_dim", "least"), [(1, 0.9), (3, 0.9), (4, 0.9), (5, 0.2), (6, 0.2)])
def test_dim_slots_are_not_called_open_however_many_of_about_their_size_are_dim(n_dim, least):
    # Where hardly one is left to compare with, wider ones make them unsure (from 0.1 on).
    dim = np.concatenate([np.flatnonzero(size == LADDER)[:n_dim] for size in (0.16, 0.2, 0.25)])
    contrast = np.ones(len(LADDER))
    contrast[dim] = np.tile(np.linspace(0.41, 0.58, n_dim), 3)
    chance = film_chances(among_open(_ladder(contrast)))
    assert chance[dim].min() > least
    assert np.delete(chance, dim).max() < 0.05


def test_slots_through_which_less_shows_the_narrower_they_are_are_open():
    # A tenth less from size to size, as beside walls that shade the ground.
    chance = film_chances(among_open(_ladder((LADDER / 0.5) ** 0.45)))
    assert chance.max() < 0.05


def test_a_spot_far_from_where_all_holes_lie_is_a_mark_though_as_large_as_a_hole():
    rng, n = np.random.default_rng(5), 24
    shift = rng.normal(0, 0.008, (n, 2))
    size = np.full(n, 0.12) + rng.normal(0, 0.004, n)
    shift[3] += (0.1, 0.06)
    chance = mark_chances(
        size_mm=size,
        nominal_mm=np.full(n, 0.125),
        shift_mm=shift,
        u_shift_mm=np.full(n, 0.001),
        whole=np.ones(n, dtype=bool),
    )
    assert chance[3] > 0.5
    assert np.delete(chance, 3).max() < 0.01


def test_a_dim_slot_beside_open_ones_is_none_and_one_a_little_dim_is_unsure_as_long_as_they_scatter():
    n = 12
    contrast = 1 + 0.03 * np.array([-1.2, 0.4, 1.1, -0.3, 0.2, -0.8, 0.9, -0.1, 0.6, -0.5, 0.0, 0.0])
    contrast[10:] = 0.6, 0.86
    openings = Opening(
        size_mm=np.full(n, 0.15),
        u_size_mm=np.full(n, 0.001),
        nominal_mm=np.full(n, NOMINAL),
        by_contrast=np.zeros(n),
        contrast=contrast,
        u_contrast=np.full(n, 0.005),
        whole=np.ones(n, dtype=bool),
    )
    found = judge_strips(
        share=np.ones(n),
        u_share=np.full(n, 0.01),
        width_mm=np.full(n, 0.15),
        u_width_mm=np.full(n, 0.002),
        nominal_mm=np.full(n, NOMINAL),
        blur_mm=np.full(n, 0.02),
        openings=openings,
        astray_mm=np.zeros(n),
        solid=np.zeros(n, dtype=bool),
        pixel_mm=0.02,
    )
    assert found.doubts[10:] == ["dim", "unsure"]
    assert found.formed[:10] == ["yes"] * 10
    assert np.all(found.confidence[:10] > 0.97)
    assert np.all(found.confidence[:10] < 1.0)
