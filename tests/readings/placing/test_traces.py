"""Gaps in the values of a picture, on smooth ramps with noise that were stretched or not."""

from __future__ import annotations

import numpy as np
import pytest

from sharpset.readings.placing.traces import count_gaps, count_spikes, fills_scale, is_stretched, share_of_values


def _picture(seed: int = 1) -> np.ndarray:
    """Two noisy levels and a ramp between them, as dark and bright sides with their edges are."""
    rng = np.random.default_rng(seed)
    light = np.concatenate([np.full(60000, 40.0), np.linspace(40, 200, 20000), np.full(60000, 200.0)])
    return np.round(light + rng.normal(0, 1.5, light.size)).astype(np.uint8).reshape(1000, -1)


def test_a_picture_as_it_was_scanned_has_no_gaps():
    assert not any(count_gaps(_picture(seed)) for seed in range(20))


def test_noise_of_less_than_a_step_is_no_gap():
    rng = np.random.default_rng(3)
    light = np.concatenate([np.full(60000, 40.2), np.linspace(40, 200, 20000), np.full(60000, 199.9)])
    assert count_gaps(np.round(light + rng.normal(0, 0.15, light.size)).astype(np.uint8)) == 0


@pytest.mark.parametrize(
    ("low", "high", "exponent"), [(0.1, 0.85, 1.0), (0.0, 1.0, 0.8), (0.0, 1.0, 1.25), (0.12, 0.82, 1.0)]
)
def test_stretched_and_brightened_values_leave_gaps(low, high, exponent):
    share = np.clip((_picture() / 255.0 - low) / (high - low), 0, 1) ** exponent
    stretched = np.round(255 * share).astype(np.uint8)
    assert is_stretched(stretched)
    # Missing values are those that the curve jumps over: as many as the range grew by, but for the levels' thin tails.
    used = np.unique(stretched)
    grown = np.ptp(used.astype(int)) + 1 - len(used)
    assert 0.5 * grown <= count_gaps(stretched) <= grown


def test_pressed_together_values_leave_no_gaps_and_other_types_tell_nothing():
    assert count_gaps(np.round(0.8 * _picture()).astype(np.uint8)) == 0
    assert count_gaps(_picture().astype(np.uint16)) == 0
    assert count_gaps(np.zeros((4, 4), np.uint8)) == 0


def test_pressed_together_values_are_spikes():
    picture = np.repeat(_picture(), 4, axis=1)
    assert count_spikes(picture) <= 2
    # A range of 160 values made a tenth smaller presses one in ten into its neighbour.
    assert 8 <= count_spikes(np.round(0.9 * picture).astype(np.uint8)) <= 18
    assert is_stretched(np.round(0.9 * picture).astype(np.uint8))


@pytest.mark.parametrize("step", [5, 16, 36])
def test_few_levels_are_told(step):
    picture = _picture()
    assert share_of_values(picture) == pytest.approx(1.0, abs=0.05)
    rounded = (picture // step * step).astype(np.uint8)
    # One value in so many is left.
    assert share_of_values(rounded) == pytest.approx(1 / step, abs=0.05)
    assert is_stretched(rounded)


@pytest.mark.parametrize(("kind", "top"), [(np.uint8, 255), (np.uint16, 65535)])
def test_levels_that_were_stretched_before_rounding_heap_up_at_both_ends(kind, top):
    light = _picture() / 255.0
    low, high = np.quantile(light, (0.01, 0.99))
    heaped = np.round(top * np.clip((light - low) / (high - low), 0, 1)).astype(kind)
    assert fills_scale(heaped)
    # A dark card that is cut off at nothing, or highlights alone, are no stretch.
    assert not fills_scale(np.maximum(heaped, 1))
    assert not fills_scale(np.minimum(heaped, top - 1))
    assert not fills_scale(np.round(top * light).astype(kind))
    # Disturbed pixels (salt and pepper) stand at both ends alone: no level reaches there.
    specked = np.round(top * (0.15 + 0.7 * light)).astype(kind)
    rng = np.random.default_rng(5)
    specked[rng.random(specked.shape) < 0.003] = 0
    specked[rng.random(specked.shape) < 0.003] = top
    assert not fills_scale(specked)
