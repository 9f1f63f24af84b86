"""Roughness of edges that were made rough on purpose: drawn from closed forms, or generated as displacements."""

from __future__ import annotations

import numpy as np
import pytest
from edge_pictures import rough_edge, strip

from sharpset.readings.edge_quality.roughness import EdgeTracks, measure_roughness, track_edges
from sharpset.readings.edges.blur import EdgeSpread
from sharpset.readings.edges.lengthwise import follow_strips
from sharpset.readings.edges.profiles import noise_share, robust_profiles
from sharpset.readings.edges.sampling import Samples, Strip
from sharpset.readings.edges.strips import fit_strips

STEP_MM = 0.02
N_STEPS = 120


def _tracks(rng, *, sd, length, shape="gaussian", noise=0.1, sigma=1.0, ripple=0.0, period=7.3, n_edges=60):
    """Return edges with a given autocovariance, made in the frequency domain; lengths in steps."""
    n = 8192
    f = np.fft.rfftfreq(n)
    if shape == "gaussian":
        density = sd**2 * np.sqrt(np.pi) * length * np.exp(-((np.pi * f * length) ** 2))
    else:
        density = sd**2 * 2 * length / (1 + (2 * np.pi * f * length) ** 2)
    blur = np.exp(-2 * (np.pi * f * sigma) ** 2)
    shifts = []
    for _ in range(n_edges):
        white = (rng.normal(size=len(f)) + 1j * rng.normal(size=len(f))) * np.sqrt(density * n / 2)
        edge = np.fft.irfft(white * blur, n)[:N_STEPS]
        wave = ripple * np.exp(-2 * (np.pi * sigma / period) ** 2)
        edge += wave * np.cos(2 * np.pi * np.arange(N_STEPS) / period + rng.uniform(0, 2 * np.pi))
        shifts.append(edge + rng.normal(0, noise, N_STEPS))
    return EdgeTracks(
        feature_ids=[f"slot-{i}" for i in range(n_edges)],
        shift_mm=np.array(shifts) * STEP_MM,
        noise_mm=np.full(n_edges, noise * STEP_MM),
        step_mm=STEP_MM,
        sigma_mm=sigma * STEP_MM,
    )


@pytest.mark.parametrize(
    ("sd", "length", "shape"),
    [(0.4, 6.0, "gaussian"), (0.4, 15.0, "gaussian"), (0.4, 6.0, "exponential"), (0.25, 3.0, "gaussian")],
)
def test_roughness_of_generated_edges(sd, length, shape):
    rough = measure_roughness(_tracks(np.random.default_rng(2), sd=sd, length=length, shape=shape))
    assert rough.shape == shape
    # 60 edges of 120 steps hold 60 * 120 / (sqrt(2 pi) * length) independent places: some 100 to 1,000, so the standard
    # deviation is known to 2 to 7 %. Intervals are widened by a half so that the one draw cannot fail by bad luck.
    assert abs(rough.sd_mm / STEP_MM - sd) < 1.5 * rough.U95_sd_mm / STEP_MM
    assert rough.U95_sd_mm < 0.2 * rough.sd_mm
    assert abs(rough.correlation_mm / STEP_MM - length) < 1.5 * rough.U95_correlation_mm / STEP_MM
    assert rough.U95_correlation_mm < 0.35 * rough.correlation_mm
    assert rough.peak_name == ""


def test_intervals_of_roughness_hold_the_truth():
    rng = np.random.default_rng(3)
    found = [measure_roughness(_tracks(rng, sd=0.3, length=5.0, n_edges=20)) for _ in range(30)]
    sd = np.array([abs(r.sd_mm / STEP_MM - 0.3) <= r.U95_sd_mm / STEP_MM for r in found])
    length = np.array([abs(r.correlation_mm / STEP_MM - 5.0) <= r.U95_correlation_mm / STEP_MM for r in found])
    # Of 30 intervals of 95 %, 25 or more hold the truth with a chance of 98 %.
    assert sd.sum() >= 25
    assert length.sum() >= 25


def test_noise_alone_is_no_roughness():
    rough = measure_roughness(_tracks(np.random.default_rng(4), sd=1e-6, length=6.0, noise=0.2))
    # A tenth of the noise of a step is what 7,200 steps leave at the least frequencies that count.
    assert rough.sd_mm / STEP_MM < 0.03
    assert np.isnan(rough.correlation_mm)
    assert rough.peak_name == ""


def test_a_ripple_is_found_named_and_measured():
    tracks = _tracks(np.random.default_rng(5), sd=0.3, length=8.0, ripple=0.15, period=7.3)
    rough = measure_roughness(tracks, known_mm={"layer height": 0.05, "pixel pitch": 7.3 * STEP_MM})
    assert rough.peak_name == "pixel pitch (0.146 mm)"
    assert abs(rough.peak_period_mm - 7.3 * STEP_MM) < 2 * rough.U95_peak_period_mm
    assert rough.U95_peak_period_mm < 0.01 * rough.peak_period_mm
    # The noise under the line adds some per cent to its amplitude.
    assert rough.peak_amplitude_mm == pytest.approx(0.15 * STEP_MM, rel=0.1)
    assert rough.sd_mm / STEP_MM == pytest.approx(0.3, rel=0.15)
    assert measure_roughness(tracks).peak_name == "period 0.146 mm"
    # An edge at 45 degrees crosses a raster of pitch p once in p root 2.
    diagonal = measure_roughness(tracks, known_mm={"pixel pitch": 0.1032})
    assert diagonal.peak_name == "pixel pitch (0.1032 mm) across its diagonal"


def test_too_few_edges_say_so():
    rough = measure_roughness(_tracks(np.random.default_rng(1), sd=0.3, length=6.0, n_edges=1))
    assert np.isnan(rough.sd_mm)
    assert "too few" in rough.summary()
    assert rough.spectrum.empty


def _drawn(rng, *, sd, length, sigma, cnr, n_strips=24, ripple=0.0, period=8.0):
    """Return samples of slots drawn with rough edges: their pixels taken straight from the picture."""
    half, tall, wide = 15, 160, 10.0
    parts, strips = [], []
    for i in range(n_strips):
        picture = np.ones((tall, 2 * half + 1))
        n_sub = (tall + 2 * int(6 * sigma + 3)) * 4 + 400
        place = np.arange(n_sub) / 4
        edges = tuple(
            rough_edge(n_sub, rng, sd=sd, correlation=length)
            + ripple * np.cos(2 * np.pi * place / period + rng.uniform(0, 2 * np.pi))
            for _ in range(2)
        )
        centre = (half + rng.uniform(-0.5, 0.5), tall / 2)
        # The stack decides how many sub-rows it needs; what is left over is dropped.
        rows = int(np.ceil(tall / 2 + 80 + 6 * sigma + 2)) - int(np.floor(tall / 2 - 80 - 6 * sigma - 2)) + 1
        edges = tuple(edge[: rows * 4] for edge in edges)
        strip(picture, centre=centre, width=wide, length=160.0, lean_deg=0.0, sigma=sigma, height=-1.0, edges=edges)
        picture += rng.normal(0, 1 / cnr, picture.shape)
        row, column = (a.ravel() for a in np.indices(picture.shape))
        t = row - (tall - 1) / 2
        inside = np.abs(t) < 60
        d = (column - half).astype(float)
        parts.append((np.full(inside.sum(), i), d[inside], t[inside], picture.ravel()[inside]))
        strips.append(
            Strip(
                name=f"slot-{i}",
                solid=False,
                width_mm=wide * STEP_MM,
                length_mm=160 * STEP_MM,
                x_mm=0.0,
                y_mm=0.0,
                angle_deg=90.0,
                reach_mm=(half - wide / 2) * STEP_MM,
            )
        )
    owner, d, t, solid = (np.concatenate(column) for column in zip(*parts, strict=True))
    return Samples(
        strips=tuple(strips),
        owner=owner,
        d_mm=d * STEP_MM,
        t_mm=t * STEP_MM,
        solid=solid,
        normal=np.tile([1.0, 0.0], (n_strips, 1)),
        length_scale=np.ones(n_strips),
        half_length_mm=np.full(n_strips, 60 * STEP_MM),
        pixel_mm=STEP_MM,
        pixel_area_mm2=STEP_MM**2,
    )


@pytest.mark.parametrize(("sd", "length", "cnr"), [(0.3, 6.0, 40.0), (0.15, 8.0, 20.0)])
def test_roughness_read_from_drawn_edges(sd, length, cnr):
    rng = np.random.default_rng(7)
    samples = _drawn(rng, sd=sd, length=length, sigma=0.9, cnr=cnr, ripple=0.12, period=8.0)
    blur = float(np.hypot(0.9, np.sqrt(1 / 12))) * STEP_MM
    spread = EdgeSpread(sigma_x_mm=blur, sigma_y_mm=blur)
    profiles = robust_profiles(samples)
    fits = fit_strips(samples, profiles, spread)
    tracks = track_edges(samples, fits, spread, profiles.noise, usable=np.ones(24, dtype=bool))
    assert len(tracks.feature_ids) == 48
    rough = measure_roughness(tracks)
    # The blur across edges holds their roughness, so that what the blur along them took away is overrated by up to
    # some per cent; 48 edges of 120 steps add 5 to 8 %.
    assert rough.sd_mm / STEP_MM == pytest.approx(sd, rel=0.15)
    assert rough.correlation_mm / STEP_MM == pytest.approx(length, rel=0.3)
    assert rough.peak_period_mm / STEP_MM == pytest.approx(8.0, rel=0.02)
    assert rough.peak_amplitude_mm / STEP_MM == pytest.approx(0.12, rel=0.2)


@pytest.mark.parametrize("length", [2.0, 7.0])
def test_ends_left_out_are_as_unsure_as_the_edges_wander_slowly(length):
    """By the autocovariance: means over the ends and over the rest differ, whatever the pixels are."""
    samples = _drawn(np.random.default_rng(9), sd=0.3, length=length, sigma=0.9, cnr=40.0)
    blur = float(np.hypot(0.9, np.sqrt(1 / 12))) * STEP_MM
    spread = EdgeSpread(sigma_x_mm=blur, sigma_y_mm=blur)
    profiles = robust_profiles(samples)
    found = follow_strips(samples, fit_strips(samples, profiles, spread), spread, profiles.noise)
    # Two edges, each with the autocovariance 0.3^2 exp(-(t / length)^2): mean over all 160 steps less that over 120.
    place = np.arange(160.0)
    weight = 1 / 160 - np.where(np.abs(place - 79.5) < 60, 1 / 120, 0.0)
    alike = np.exp(-(((place[:, None] - place) / length) ** 2))
    # The scatter of 24 strips of 6 blocks is known to 6 %, more where neighbours are alike.
    assert np.median(found.u_ends_mm) / STEP_MM == pytest.approx(0.3 * np.sqrt(2 * weight @ alike @ weight), rel=0.25)


def test_white_noise_is_neither_overrated_nor_taken_for_common_noise():
    samples = _drawn(np.random.default_rng(11), sd=0.0, length=6.0, sigma=0.9, cnr=40.0)
    blur = float(np.hypot(0.9, np.sqrt(1 / 12))) * STEP_MM
    spread = EdgeSpread(sigma_x_mm=blur, sigma_y_mm=blur)
    profiles = robust_profiles(samples)
    found = follow_strips(samples, fit_strips(samples, profiles, spread), spread, profiles.noise)
    # Median deviations of some hundred pixels a step, medians of them over 24 strips: a few per cent.
    assert noise_share(profiles) * np.median(profiles.noise) == pytest.approx(1 / 40, rel=0.06)
    # 144 blocks tell a scatter to 6 %.
    assert found.noise_factor / noise_share(profiles) == pytest.approx(1.0, abs=0.2)
