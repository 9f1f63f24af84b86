"""Strips that are narrower over a part of their length, drawn from the blurred step in closed form."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from scipy.special import ndtr

from sharpset.readings.edges.blur import EdgeSpread
from sharpset.readings.edges.profiles import robust_profiles
from sharpset.readings.edges.sampling import Samples, Strip
from sharpset.readings.edges.strips import Priors, StripFits, fit_strips
from sharpset.readings.edges.uneven import with_uneven

STEP_MM, LENGTH_MM, WIDTH_MM, SIGMA_MM, NOISE = 0.04, 2.4, 0.3, 0.04, 0.02
N_STRIPS, ROOM_MM = 12, 0.4

Along = Callable[[np.ndarray], np.ndarray]


def _even(t: np.ndarray) -> np.ndarray:
    return np.full_like(t, WIDTH_MM)


def _tapered(t: np.ndarray) -> np.ndarray:
    return WIDTH_MM * (1 + 0.3 * t / LENGTH_MM)


def _narrow_end(t: np.ndarray) -> np.ndarray:
    return WIDTH_MM * (1 - 0.6 * np.clip((t / LENGTH_MM - 0.3) / 0.02, 0, 1))


def _necked(t: np.ndarray) -> np.ndarray:
    return WIDTH_MM - 0.18 * np.exp(-((t / 0.1) ** 2))


def _closed_part(t: np.ndarray) -> np.ndarray:
    return WIDTH_MM * (np.abs(t / LENGTH_MM - 0.1) > 0.08)


def _drawn(
    width: Along,
    *,
    veil: float = 0.0,
    lean_deg: float = 1.2,
    aside: float = 0.0,
    sigma_mm: float = SIGMA_MM,
    noise: float = NOISE,
    length_mm: float = LENGTH_MM,
) -> Samples:
    """Return slots of a width that changes along them; `veil` is what dirt over 0.5 mm of one edge adds to the light,
    `aside` how far narrower parts lie beside the rest, as a share of what they are narrower by.

    Rows of pixels lie nearly along the strips, so that steps hold more of them or fewer by long turns.
    """
    rng = np.random.default_rng(3)
    cos, sin = np.cos(np.radians(lean_deg)), np.sin(np.radians(lean_deg))
    parts, strips = [], []
    for i in range(N_STRIPS):
        x, y = np.meshgrid(np.arange(-40, 41) * STEP_MM, np.arange(-20, 21) * STEP_MM)
        x, y = (axis.ravel() + rng.uniform(0, STEP_MM) for axis in (x, y))
        t, d = x * cos + y * sin, -x * sin + y * cos
        keep = (np.abs(t) <= length_mm / 2) & (np.abs(d) <= WIDTH_MM / 2 + ROOM_MM)
        t, d = t[keep], d[keep]
        half = width(t) / 2
        away = d - aside * (WIDTH_MM - 2 * half)
        solid = 1 - ndtr((away + half) / sigma_mm) + ndtr((away - half) / sigma_mm)
        solid[(np.abs(t) < 0.25) & (d > -0.05)] += veil * (1 - solid[(np.abs(t) < 0.25) & (d > -0.05)])
        parts.append((np.full(len(t), i), d, t, solid + rng.normal(0, noise, len(t))))
        strips.append(
            Strip(
                name=f"slot-{i}",
                solid=False,
                width_mm=WIDTH_MM,
                length_mm=LENGTH_MM,
                x_mm=0.0,
                y_mm=0.0,
                angle_deg=0.0,
                reach_mm=ROOM_MM,
            )
        )
    owner, d, t, solid = (np.concatenate(column) for column in zip(*parts, strict=True))
    return Samples(
        strips=tuple(strips),
        owner=owner,
        d_mm=d,
        t_mm=t,
        solid=solid,
        normal=np.tile([0.0, 1.0], (N_STRIPS, 1)),
        length_scale=np.ones(N_STRIPS),
        half_length_mm=np.full(N_STRIPS, length_mm / 2),
        pixel_mm=STEP_MM,
        pixel_area_mm2=STEP_MM**2,
    )


def _read(samples: Samples, sigma_mm: float = SIGMA_MM) -> tuple[StripFits, StripFits]:
    """Return the fits of the mean profiles, and those after strips were looked at along their length."""
    profiles = robust_profiles(samples)
    spread = EdgeSpread(sigma_x_mm=sigma_mm, sigma_y_mm=sigma_mm)
    fits = fit_strips(samples, profiles, spread, Priors(contrast=0.005))

    def fit(part: Samples, _: np.ndarray) -> StripFits:
        return fit_strips(part, robust_profiles(part), spread, Priors(contrast=0.005))

    second, _ = with_uneven(samples, fits, profiles.noise, fit, whole=np.ones(N_STRIPS, dtype=bool))
    return fits, second


def _mean_mm(width: Along) -> float:
    return float(width(np.linspace(-LENGTH_MM / 2, LENGTH_MM / 2, 10_001)).mean())


def test_a_narrower_end_counts_for_its_share_of_the_length():
    first, second = _read(_drawn(_narrow_end))
    true = _mean_mm(_narrow_end)
    # Means along the strip set the narrow end aside: they are as wide as the rest.
    assert np.median(first.width_mm) - true > 0.015
    # Where the narrow part begins is told to a few pixels of 0.04 mm, of 2.4 mm length and 0.18 mm of width.
    assert np.all(np.abs(second.width_mm - true) < 0.006)
    assert abs(np.mean(second.width_mm) - true) < 0.003


@pytest.mark.parametrize("width", [_even, _tapered], ids=["even", "tapered"])
@pytest.mark.parametrize("lean_deg", [0.4, 1.2, 31.0])
def test_even_strips_and_even_tapers_are_left_as_they_were(width, lean_deg):
    first, second = _read(_drawn(width, lean_deg=lean_deg))
    np.testing.assert_array_equal(second.width_mm, first.width_mm)


def test_dirt_over_an_edge_is_no_narrower_part():
    first, second = _read(_drawn(_even, veil=0.5))
    np.testing.assert_array_equal(second.width_mm, first.width_mm)


def test_where_one_edge_moved_the_interval_holds_a_part_and_a_mark():
    first, second = _read(_drawn(_narrow_end, aside=0.5))
    part, mark = _mean_mm(_narrow_end), WIDTH_MM
    half = 1.96 * second.u_width_mm
    # What a mean set aside is unsure; that is less than all of the part in some strips.
    aside = (first.width_mm - part) / (mark - part)
    assert np.all(aside > 0.5)
    assert np.all(second.width_mm < first.width_mm - 0.004)
    assert np.all(second.width_mm - half < part + 0.003)
    assert np.all(second.width_mm + half > first.width_mm)
    assert np.all(half < mark - part)


def test_what_moves_the_middle_further_than_one_edge_can_is_no_part():
    """Where one edge stays in its place the middle moves by half of what the width loses."""
    first, second = _read(_drawn(_narrow_end, aside=0.9))
    np.testing.assert_array_equal(second.width_mm, first.width_mm)


def test_the_more_marks_lie_beside_strips_the_less_is_an_edge_that_moved_a_part():
    clean, dirty = _drawn(_narrow_end, aside=0.5), _drawn(_narrow_end, aside=0.5)
    beside = (np.abs(dirty.t_mm - 0.6) < 0.25) & (dirty.d_mm < -0.3) & (dirty.owner % 2 == 0)
    # As much light over as many steps as the narrow ends take.
    dirty = replace(dirty, solid=np.where(beside, 0.1, dirty.solid))
    first, second = _read(clean)
    first_of_dirty, second_of_dirty = _read(dirty)
    moved, moved_of_dirty = first.width_mm - second.width_mm, first_of_dirty.width_mm - second_of_dirty.width_mm
    assert np.median(moved_of_dirty) < 0.4 * np.median(moved)


def test_a_short_neck_on_both_edges_counts():
    """Both edges of a printed strip move alike; a mark lies on one of them, or in the middle, by chance."""
    first, second = _read(_drawn(_necked))
    true = _mean_mm(_necked)
    assert np.median(first.width_mm) - true > 0.004
    assert abs(np.median(second.width_mm) - true) < 0.0025
    assert np.mean(np.abs(second.width_mm - true) < 1.96 * second.u_width_mm) > 0.9


def test_strips_that_are_narrow_in_the_middle_are_so_for_less_of_a_length_that_goes_on():
    """The ends that were not sampled are as wide as the rest."""
    drawn = _drawn(_necked)
    longer = tuple(replace(strip, length_mm=LENGTH_MM + 0.8) for strip in drawn.strips)
    _, second = _read(drawn)
    _, of_longer = _read(replace(drawn, strips=longer))
    lacks, lacks_longer = WIDTH_MM - second.width_mm, WIDTH_MM - of_longer.width_mm
    np.testing.assert_allclose(np.median(lacks_longer / lacks), LENGTH_MM / (LENGTH_MM + 0.8), atol=0.1)


def test_a_closed_part_is_no_width():
    first, second = _read(_drawn(_closed_part))
    np.testing.assert_array_equal(second.width_mm, first.width_mm)


def test_steps_of_few_rows_at_the_ends_of_a_leaning_strip_are_no_parts():
    """A row that leans leaves the sampled length on one side first; what is left of it says little of the width."""
    drawn = _drawn(_even, lean_deg=3.0, sigma_mm=0.14, noise=0.002, length_mm=LENGTH_MM - 0.4 * STEP_MM)
    first, second = _read(drawn, sigma_mm=0.14)
    np.testing.assert_array_equal(second.width_mm, first.width_mm)
