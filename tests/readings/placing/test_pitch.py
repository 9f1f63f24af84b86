"""Pitch of bars drawn by brute force: fine steps, blurred by convolution, summed into pixels."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from sharpset.errors import ReadingError
from sharpset.readings.placing.pitch import measure_pitch

FINE = 40


def drawn(
    pitch_px: float,
    *,
    n_bars: int = 3,
    share: float = 0.5,
    blur_px: float = 0.8,
    phase_px: float = 0.3,
    light: tuple[float, float] = (0.1, 0.8),
    noise: float = 0.0,
    seed: int = 0,
) -> NDArray[np.float64]:
    margin = 2.0 * pitch_px
    n_px = int(np.ceil(n_bars * pitch_px + 2 * margin))
    x = (np.arange(n_px * FINE) + 0.5) / FINE - 0.5
    inside = np.zeros_like(x)
    for index in range(n_bars):
        centre = margin + phase_px + (index + 0.5) * pitch_px
        inside[np.abs(x - centre) < share * pitch_px / 2] = 1.0
    fine = light[0] + (light[1] - light[0]) * gaussian_filter1d(inside, blur_px * FINE, mode="nearest")
    profile = fine.reshape(n_px, FINE).mean(axis=1)
    return profile + np.random.default_rng(seed).normal(0, noise, n_px)


@settings(max_examples=60, deadline=None)
@given(
    pitch=st.floats(4.0, 40.0),
    share=st.floats(0.4, 0.7),
    n_bars=st.integers(2, 12),
    phase=st.floats(-1, 1),
    dark=st.booleans(),
)
def test_pitch_of_clean_bars(pitch: float, share: float, n_bars: int, phase: float, dark: bool) -> None:
    profile = drawn(pitch, n_bars=n_bars, share=share, phase_px=phase, light=(0.8, 0.1) if dark else (0.1, 0.8))
    reading = measure_pitch(profile, step_mm=0.02)
    # Edges of the brute-force drawing lie on steps of 1/40 px: half a step over the row at each end.
    assert reading.pitch_mm / 0.02 == pytest.approx(pitch, abs=1.5 / FINE / (n_bars - 1))
    assert reading.n_bars == n_bars
    assert (reading.contrast < 0) == dark


@pytest.mark.parametrize(("share", "flags"), [(0.5, ()), (0.68, ("bloomed",)), (0.35, ("starved",))])
def test_width_and_flags(share: float, flags: tuple[str, ...]) -> None:
    reading = measure_pitch(drawn(16.0, share=share), step_mm=0.01)
    assert reading.share == pytest.approx(share, abs=0.01)
    assert reading.flags == flags
    assert reading.pitch_mm == pytest.approx(0.16, rel=2e-3)


def test_blur_that_merges_bars_is_said_and_leaves_the_pitch() -> None:
    reading = measure_pitch(drawn(6.0, n_bars=5, blur_px=1.6), step_mm=1.0)
    assert "merged" in reading.flags
    assert reading.pitch_mm == pytest.approx(6.0, rel=5e-3)


def test_stated_uncertainty_is_honest() -> None:
    readings = [measure_pitch(drawn(12.0, noise=0.02, seed=seed), step_mm=1.0) for seed in range(60)]
    spread = np.sqrt(np.mean([(reading.pitch_mm - 12.0) ** 2 for reading in readings]))
    stated = np.mean([reading.u_pitch_mm for reading in readings])
    # 60 draws fix a spread to 9 %; the drawing's own steps add 0.012 px to some 0.02.
    assert 0.75 < spread / stated < 1.5


def test_shading_does_not_move_it() -> None:
    profile = drawn(12.0)
    shaded = profile + np.linspace(0.0, 0.1, profile.size)
    assert measure_pitch(shaded, step_mm=1.0).pitch_mm == pytest.approx(12.0, abs=0.03)


def test_number_of_bars_is_checked() -> None:
    with pytest.raises(ReadingError, match="3 bars stand out, expected 4"):
        measure_pitch(drawn(12.0), step_mm=1.0, n_bars=4)


def test_bars_too_fine_are_refused() -> None:
    with pytest.raises(ReadingError, match="too fine"):
        measure_pitch(drawn(2.2, n_bars=8, blur_px=0.3), step_mm=1.0)


def test_noise_is_no_row_of_bars() -> None:
    for seed in range(20):
        with pytest.raises(ReadingError):
            measure_pitch(np.random.default_rng(seed).normal(0.5, 0.02, 60), step_mm=1.0)


@pytest.mark.parametrize(
    "profile", [np.zeros(40), np.full(40, np.nan), np.zeros((5, 5)), np.zeros(3), drawn(30.0, n_bars=1)]
)
def test_profiles_without_bars_are_refused(profile: NDArray[np.float64]) -> None:
    with pytest.raises(ReadingError, match="strip 3"):
        measure_pitch(profile, step_mm=1.0, where="strip 3")


@pytest.mark.parametrize("step", [0.0, -1.0, float("nan")])
def test_impossible_steps_are_refused(step: float) -> None:
    with pytest.raises(ReadingError, match="pixel size"):
        measure_pitch(drawn(12.0), step_mm=step)


def test_what_it_says_of_itself() -> None:
    reading = measure_pitch(drawn(16.0, share=0.68), step_mm=0.01)
    assert "3 bars" in reading.summary()
    assert "bloomed" in reading._repr_html_()
    assert reading.to_frame().loc[0, "pitch_mm"] == pytest.approx(0.16, rel=2e-3)
