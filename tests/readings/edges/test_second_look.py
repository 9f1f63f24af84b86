"""Rough and dirty strips drawn from closed forms, whose true mean width is known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from edge_pictures import add_dust, strip

from sharpset.readings.edges.blur import EdgeSpread
from sharpset.readings.edges.dust import find_dust
from sharpset.readings.edges.profiles import robust_profiles
from sharpset.readings.edges.sampling import Samples, Strip
from sharpset.readings.edges.second_look import improved, look_again
from sharpset.readings.edges.strips import Priors, StripFits, fit_strips

STEP_MM, HALF, N_STRIPS = 0.02, 18, 30
WIDTH_PX, SIGMA_PX, READ_PX = 10.0, 1.0, 112


def _drawn(*, rough: float, dust: bool, cnr: float, seed: int) -> tuple[Samples, np.ndarray]:
    """Return slots of 10 px with their true mean widths (px) over the length that is read."""
    rng = np.random.default_rng(seed)
    parts, strips, true = [], [], []
    for i in range(N_STRIPS):
        picture = np.ones((READ_PX + 40, 2 * HALF + 1))
        lean = rng.uniform(1, 3)
        centre = (HALF + rng.uniform(-0.5, 0.5), (picture.shape[0] - 1) / 2)
        true.append(
            strip(
                picture,
                centre=centre,
                width=WIDTH_PX,
                length=200.0,
                lean_deg=lean,
                sigma=SIGMA_PX,
                height=-1.0,
                sampled=READ_PX,
                rough=(rough, 6.0),
                rng=rng,
            )
        )
        if dust:
            add_dust(picture, np.array([(0, 0, 2 * HALF, picture.shape[0])]), rng)
        picture += rng.normal(0, 1 / cnr, picture.shape)
        rows, columns = (a.ravel() for a in np.indices(picture.shape))
        cos, sin = np.cos(np.radians(lean)), np.sin(np.radians(lean))
        x, y = columns - centre[0], rows - centre[1]
        d, t = x * cos + y * sin, -x * sin + y * cos
        keep = (np.abs(t) <= READ_PX / 2) & (np.abs(d) <= HALF - 6)
        parts.append((np.full(keep.sum(), i), d[keep], t[keep], picture.ravel()[keep]))
        strips.append(
            Strip(
                name=f"slot-{i}",
                solid=False,
                width_mm=WIDTH_PX * STEP_MM,
                length_mm=READ_PX * STEP_MM,
                x_mm=0.0,
                y_mm=0.0,
                angle_deg=90.0,
                reach_mm=(HALF - 6 - WIDTH_PX / 2) * STEP_MM,
            )
        )
    owner, d, t, solid = (np.concatenate(column) for column in zip(*parts, strict=True))
    samples = Samples(
        strips=tuple(strips),
        owner=owner,
        d_mm=d * STEP_MM,
        t_mm=t * STEP_MM,
        solid=solid,
        normal=np.tile([1.0, 0.0], (N_STRIPS, 1)),
        length_scale=np.ones(N_STRIPS),
        half_length_mm=np.full(N_STRIPS, READ_PX * STEP_MM / 2),
        pixel_mm=STEP_MM,
        pixel_area_mm2=STEP_MM**2,
    )
    return samples, np.array(true)


def _both(samples: Samples) -> tuple[StripFits, StripFits | None]:
    blur = float(np.hypot(SIGMA_PX, np.sqrt(1 / 12))) * STEP_MM
    spread = EdgeSpread(sigma_x_mm=blur, sigma_y_mm=blur)
    profiles = robust_profiles(samples)
    priors = Priors(contrast=0.005)
    first = fit_strips(samples, profiles, spread, priors)
    second = look_again(samples, first, spread, profiles.noise, whole=np.ones(N_STRIPS, dtype=bool))
    if second is None:
        return first, None
    return first, improved(first, second, fit_strips(second.samples, second.profiles, second.spread, priors))


def _bound_px(cnr: float) -> float:
    """Return the bound for a wide slot with free centre, level and slope: 3.33 / (CNR sqrt(rows)) for a blur of 1 px.

    From the numeric table of the exact pixel-integrated model (window of width + 8 blurs + 4 px).
    """
    return 3.33 / cnr / np.sqrt(READ_PX)


def _rms_px(fits: StripFits, true: np.ndarray) -> float:
    return float(np.sqrt(np.mean((fits.width_mm / STEP_MM - true) ** 2)))


def test_clean_strips_are_left_alone():
    samples, true = _drawn(rough=0.0, dust=False, cnr=30, seed=1)
    first, second = _both(samples)
    assert second is None or np.sum(second.width_mm != first.width_mm) <= 2
    # 30 strips: a ratio of 1 scatters by 1 / sqrt(60) = 13 %; three of these.
    assert _rms_px(first, true) < 1.4 * _bound_px(30)


@pytest.mark.parametrize(
    ("rough", "dust", "cnr", "times"),
    [(0.3, False, 120, 1.9), (0.0, True, 60, 1.9), (0.3, True, 30, 2.6)],
    ids=["rough", "dusty", "both"],
)
def test_rough_and_dirty_strips_come_close_to_the_bound(rough, dust, cnr, times):
    samples, true = _drawn(rough=rough, dust=dust, cnr=cnr, seed=2)
    first, second = _both(samples)
    assert second is not None
    # The bound knows no dust, and none of what dust hides of a wandering edge.
    assert _rms_px(second, true) < times * _bound_px(cnr)
    assert _rms_px(second, true) < 0.8 * _rms_px(first, true)
    # Means of 30 errors scatter by rms / sqrt(30) = 0.18 rms: three of these.
    bias = np.mean(second.width_mm / STEP_MM - true)
    assert abs(bias) < 0.55 * _rms_px(second, true)


def test_dust_is_found_where_it_lies_and_nowhere_else():
    samples, _ = _drawn(rough=0.0, dust=False, cnr=30, seed=3)
    noise = np.full(N_STRIPS, 1 / 30)
    residual = np.random.default_rng(4).normal(0, 1 / 30, len(samples.solid))
    # Of 120,000 pixels by chance 1 in 2 million is beyond five spreads; patches are no more frequent.
    assert find_dust(samples, residual, noise).mean() < 1e-3
    spot = (samples.owner == 5) & (np.hypot(samples.d_mm - 0.05, samples.t_mm) < 3 * STEP_MM)
    residual[spot] += 0.15
    found = find_dust(samples, residual, noise)
    assert found[spot].mean() > 0.9
    assert found[samples.owner != 5].mean() < 1e-3


def test_a_half_closed_slot_is_not_taken_for_a_dirty_one():
    samples, _ = _drawn(rough=0.0, dust=False, cnr=30, seed=5)
    closed = (samples.t_mm > 0) & (np.abs(samples.d_mm) < WIDTH_PX / 2 * STEP_MM)
    residual = np.where(closed, 1.0, 0.0) + np.random.default_rng(6).normal(0, 1 / 30, len(samples.solid))
    assert find_dust(samples, residual, np.full(N_STRIPS, 1 / 30))[closed].mean() < 0.01


def test_priors_weigh_by_what_the_fit_leaves_where_noise_is_understated():
    samples, _ = _drawn(rough=0.3, dust=False, cnr=30, seed=6)
    profiles = robust_profiles(samples)
    blur = float(np.hypot(SIGMA_PX, np.sqrt(1 / 12))) * STEP_MM
    spread = EdgeSpread(sigma_x_mm=blur, sigma_y_mm=blur)
    told, quiet = (
        fit_strips(samples, replace(profiles, noise=profiles.noise / by), spread, Priors(contrast=0.005, blur=0.01))
        for by in (1, 20)
    )
    # Rough edges smear these profiles by a tenth of the blur, which the priors' 0.5 and 1 % must not be overruled by
    # only because noise is said to be little.
    assert np.all(np.abs(quiet.width_mm - told.width_mm) < 0.05 * told.u_width_mm)
    assert np.all(np.abs(quiet.contrast - told.contrast) < 0.001)
