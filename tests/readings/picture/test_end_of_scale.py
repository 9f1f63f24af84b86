"""Noise that reaches beyond the scale: means of pixels that were drawn, and closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from reading_scenes import make_scene, write_scene

from sharpset.readings import read_scan
from sharpset.readings.picture import light
from sharpset.readings.picture.end_of_scale import Ends, ends_of
from sharpset.scans.encoding import LINEAR

TOP = 65535
N = 200_000


@pytest.fixture
def rng() -> np.random.Generator:
    return np.random.default_rng(20)


def _decode(stored: np.ndarray) -> np.ndarray:
    return np.take(LINEAR.table(16), stored)


def _stored(light: float, noise: float, rng: np.random.Generator, n: int = N) -> np.ndarray:
    return np.round(np.clip(rng.normal(light, noise, n), 0, 1) * TOP).astype(np.uint16)


def test_a_ground_as_dark_as_can_be_is_told_by_its_upper_half(rng):
    ends = ends_of(_stored(0.8, 0.02, rng), _stored(0.0, 0.02, rng), _decode, TOP)
    (cut,) = ends.cuts
    assert cut.noise == pytest.approx(0.02, rel=0.02)
    # Mean of the lower half of a normal variable about nought (closed form): sqrt(2 / pi) standard deviations below.
    assert cut.mean == pytest.approx(-0.02 * np.sqrt(2 / np.pi), rel=0.02)


@pytest.mark.parametrize("white", [False, True])
@pytest.mark.parametrize("level", [-0.3, 0.5, 1.5])
def test_means_of_pixels_are_freed_of_what_the_end_of_the_scale_does(rng, level, white):
    noise = 0.03
    ground, plate = (1 - level * noise, 0.3) if white else (level * noise, 0.7)
    ends = ends_of(_stored(plate, 0.02, rng), _stored(ground, noise, rng), _decode, TOP)
    decode, means = ends.decoded_with(_decode), ends.true_means(plate, ground)
    for share in (0.0, 0.03, 0.06, 0.1, 0.4):
        stored = _stored(ground + share * (plate - ground), noise, rng)
        raw, seen = ((one(stored).mean() - ground) / (plate - ground) for one in (_decode, decode))
        # Five standard errors, and what the level itself is known to.
        within = 5 * noise / np.sqrt(N) / abs(plate - ground) + 0.0005
        assert means.of(np.array([seen]))[0] == pytest.approx(share, abs=within)
        if share == 0.0 and level < 1:
            assert abs(raw) > 5 * within


def test_dust_and_openings_that_did_not_form_do_not_pass_for_noise(rng):
    plate, noise = 0.7, 0.01
    ground = _stored(0.008, noise, rng)
    ground[: N // 10] = _stored(plate, 0.02, rng, N // 10)
    ground[-N // 50 :] = _stored(0.25, 0.02, rng, N // 50)
    (cut,) = ends_of(_stored(plate, 0.02, rng), ground, _decode, TOP).cuts
    assert cut.noise == pytest.approx(noise, rel=0.06)


def test_pixels_within_the_scale_are_decoded_as_ever(rng):
    ends = ends_of(_stored(0.7, 0.02, rng), _stored(0.1, 0.02, rng), _decode, TOP)
    assert ends.decoded_with(_decode) is _decode
    assert ends.true_means(0.7, 0.1) is None
    # What is nearly all cut off tells nothing.
    assert ends_of(_stored(0.7, 0.02, rng), _stored(-0.03, 0.02, rng), _decode, TOP) == Ends()


@pytest.mark.parametrize("linear", [False, True])
def test_sizes_beside_a_ground_whose_noise_is_cut_off(tmp_path, monkeypatch, linear):
    scene = make_scene(plate=0.55, background=0.004, noise=0.03, seed=4, linear=linear)
    path = write_scene(scene, tmp_path / "a.png")

    def error_um() -> np.ndarray:
        (piece,) = read_scan(path, piece=scene.piece, encoding="linear" if linear else "sRGB").pieces
        both = piece.table.merge(scene.truth[["feature_id", "true_mm"]], on="feature_id")
        both = both[(both["formed"] == "yes") & both["true_mm"].notna()]
        assert np.mean((both["measured_mm"] - both["true_mm"]).abs() <= both["U95_mm"]) > 0.93
        sign = np.where(both["kind"] == "bar", 1.0, -1.0)
        return 1000 * sign * (both["measured_mm"] - both["true_mm"]).to_numpy()

    freed = error_um()
    monkeypatch.setattr(light, "ends_of", lambda *_: Ends())
    plain = error_um()
    # A ground that looks too bright by 0.7 of the noise makes solids look too large, all alike.
    assert abs(freed.mean()) < 0.25 < 0.5 < abs(plain.mean())
    assert np.sqrt(np.mean(freed**2)) < 0.7 * np.sqrt(np.mean(plain**2))
