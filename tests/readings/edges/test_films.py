"""Films over a part of a slot's length, on slots' middles written out from closed forms."""

from __future__ import annotations

import numpy as np
import pytest

from sharpset.readings.edges.films import filmed

N_STRIPS, N_STEPS, N_WIDE = 40, 110, 3
NOISE = 0.06


def _middles(rng: np.random.Generator, along: np.ndarray, dust: int = 0) -> np.ndarray:
    """Return which steps are found of strips whose middles show `along` (1 where nothing lies), and as much dust."""
    effect = np.broadcast_to(along, (N_STRIPS, N_STEPS)).copy()
    for row in effect:
        for start in rng.integers(0, N_STEPS - 6, dust):
            row[start : start + 6] -= rng.uniform(0.1, 0.8)
    pixels = np.repeat(effect[:, :, None], N_WIDE, axis=2) + rng.normal(0, NOISE, (N_STRIPS, N_STEPS, N_WIDE))
    cell = np.repeat(np.arange(N_STRIPS * N_STEPS), N_WIDE)
    return filmed(pixels.ravel(), cell, (N_STRIPS, N_STEPS), asked=np.ones(N_STRIPS, dtype=bool))


@pytest.mark.parametrize(("share", "least"), [(0.1, 0.5), (0.15, 0.97), (0.5, 1.0)])
@pytest.mark.parametrize("part", [(0, 30), (40, 95)])
def test_films_that_take_a_tenth_of_the_light_or_more_are_found_where_they_lie(share, least, part):
    along = np.ones(N_STEPS)
    along[part[0] : part[1]] -= share
    found = _middles(np.random.default_rng(1), along, dust=1)
    told = found.any(axis=1)
    assert told.mean() >= least
    # Blocks are a twelfth of the length long.
    length = found[told].sum(axis=1)
    assert np.all(np.abs(length - (part[1] - part[0])) <= 2 * N_STEPS / 12)
    assert np.median(found[told][:, part[0] : part[1]].mean(axis=1)) > 0.8


@pytest.mark.parametrize("dust", [0, 2])
@pytest.mark.parametrize(
    "along",
    [
        np.ones(N_STEPS),
        # Uneven ground: steadily brighter along the slot, and to both ends.
        1 - np.linspace(0, 0.2, N_STEPS),
        1 - 0.05 * np.linspace(-1, 1, N_STEPS) ** 2,
        # The print's own texture, a period of a few blocks, less than a film is looked for.
        1 + 0.02 * np.sin(np.arange(N_STEPS) / 8),
    ],
    ids=["even", "steady", "bent", "rippled"],
)
def test_dust_and_uneven_ground_are_no_films(along, dust):
    assert not _middles(np.random.default_rng(2), along, dust).any()


def test_what_is_not_asked_for_and_too_short_strips_are_left_alone():
    along = np.ones(N_STEPS)
    along[:40] = 0.5
    pixels = np.tile(along, 2)
    cell = np.arange(2 * N_STEPS)
    found = filmed(pixels, cell, (2, N_STEPS), asked=np.array([True, False]))
    assert found[0, :36].all() and not found[1].any()
    assert not filmed(along[30:50], np.arange(20), (1, 20), asked=np.array([True])).any()


@pytest.mark.parametrize(("crossed", "found"), [("all", True), ("midst free", False), ("strings", False)])
def test_a_film_dims_all_of_a_slots_middle(crossed, found):
    rng = np.random.default_rng(4)
    n_wide = 9
    effect = np.ones((N_STRIPS, N_STEPS, n_wide))
    part = effect[:, 40:80]
    if crossed == "all":
        part -= 0.2
    elif crossed == "midst free":
        # A slot that is narrower there: its walls stand in the outer thirds.
        part[:, :, :3] -= 0.3
        part[:, :, 6:] -= 0.3
    else:
        # Strings at a slant: every step holds some, every line along the slot is free for the most part.
        for step in range(40):
            part[:, step, [step % 9, (step + 4) % 9]] -= 0.9
    pixels = effect + rng.normal(0, NOISE, effect.shape)
    cell = np.repeat(np.arange(N_STRIPS * N_STEPS), n_wide)
    across = np.tile(np.arange(n_wide, dtype=float), N_STRIPS * N_STEPS)
    asked = np.ones(N_STRIPS, dtype=bool)
    told = filmed(pixels.ravel(), cell, (N_STRIPS, N_STEPS), asked=asked, across_px=across)
    assert told.any(axis=1).mean() == pytest.approx(1.0 if found else 0.0, abs=0.03)
    # Without a look across all three look alike.
    assert filmed(pixels.ravel(), cell, (N_STRIPS, N_STEPS), asked=asked).any(axis=1).mean() > 0.9
