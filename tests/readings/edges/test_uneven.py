"""Strips that are narrower over a part of their length, drawn from the blurred step in closed form."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from scipy.special import ndtr

from sharpset.readings.edges.blur import EdgeSpread
from sharpset.readings.edges.profiles import robust_profiles
from sharpset.readings.edges.sampling import Samples, Strip
from sharpset.readings.edges.spread import select_samples
from sharpset.readings.edges.strips import Priors, StripFits, fit_strips
from sharpset.readings.edges.uneven import uneven_strips, with_uneven

STEP_MM, LENGTH_MM, WIDTH_MM, SIGMA_MM, NOISE = 0.04, 2.4, 0.3, 0.04, 0.02
N_STRIPS, ROOM_MM = 12, 0.4
SPREAD = EdgeSpread(sigma_x_mm=SIGMA_MM, sigma_y_mm=SIGMA_MM)

Along = Callable[[np.ndarray], np.ndarray]


def _even(t: np.ndarray) -> np.ndarray:
    return np.full_like(t, WIDTH_MM)


def _tapered(t: np.ndarray) -> np.ndarray:
    return WIDTH_MM * (1 + 0.3 * t / LENGTH_MM)


def _narrow_end(t: np.ndarray) -> np.ndarray:
    return WIDTH_MM * (1 - 0.6 * np.clip((t / LENGTH_MM - 0.3) / 0.02, 0, 1))


def _closed_part(t: np.ndarray) -> np.ndarray:
    return WIDTH_MM * (np.abs(t / LENGTH_MM - 0.1) > 0.08)


def _drawn(width: Along, *, veil: float = 0.0, lean_deg: float = 1.2, aside: float = 0.0) -> Samples:
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
        keep = (np.abs(t) <= LENGTH_MM / 2) & (np.abs(d) <= WIDTH_MM / 2 + ROOM_MM)
        t, d = t[keep], d[keep]
        half = width(t) / 2
        away = d - aside * (WIDTH_MM - 2 * half)
        solid = 1 - ndtr((away + half) / SIGMA_MM) + ndtr((away - half) / SIGMA_MM)
        solid[(np.abs(t) < 0.25) & (d > -0.05)] += veil * (1 - solid[(np.abs(t) < 0.25) & (d > -0.05)])
        parts.append((np.full(len(t), i), d, t, solid + rng.normal(0, NOISE, len(t))))
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
        half_length_mm=np.full(N_STRIPS, LENGTH_MM / 2),
        pixel_mm=STEP_MM,
        pixel_area_mm2=STEP_MM**2,
    )


def _read(samples: Samples) -> tuple[StripFits, StripFits]:
    """Return the fits of the mean profiles, and those after strips were looked at along their length."""
    profiles = robust_profiles(samples)
    fits = fit_strips(samples, profiles, SPREAD, Priors(contrast=0.005))
    found = uneven_strips(samples, fits, profiles.noise, whole=np.ones(N_STRIPS, dtype=bool))
    if found is None:
        return fits, fits
    rest = select_samples(samples.only(np.flatnonzero(found.rest)), found.chosen)
    return fits, with_uneven(fits, found, fit_strips(rest, robust_profiles(rest), SPREAD, Priors(contrast=0.005)))


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


def test_what_departs_more_on_one_edge_may_be_a_mark():
    first, second = _read(_drawn(_narrow_end, aside=0.2))
    np.testing.assert_array_equal(second.width_mm, first.width_mm)


def test_a_closed_part_is_no_width():
    first, second = _read(_drawn(_closed_part))
    np.testing.assert_array_equal(second.width_mm, first.width_mm)
