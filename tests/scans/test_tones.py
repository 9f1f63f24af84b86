"""What a camera did to tones, told by edges of ink on paper whose light is known."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from photo_scene import Scene, render
from scipy.special import erfc, ndtr

from sharpset.scans.encoding import SRGB
from sharpset.scans.frame import PhotoFrame
from sharpset.scans.marker_edges import MeanEdge
from sharpset.scans.photo import rectify_photo
from sharpset.scans.scan import PixelSize, scan_from_pixels
from sharpset.scans.tones import U_TONES, Tones, measure_tones

FloatArray = NDArray[np.float64]
FRAME = PhotoFrame(window_x_mm=60, window_y_mm=42, marker_mm=14)
PLACES = np.arange(-13.875, 14.0, 0.25)
INK, PAPER = 0.05, 0.75
MODULE_PX, MODULE_MM = 30.0, 1.2


def encoded(light: FloatArray) -> FloatArray:
    """By the formula of IEC 61966-2-1."""
    return np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 0.0031308) ** (1 / 2.4) - 0.055)


def edge_of(share: FloatArray, exponent: float) -> MeanEdge:
    """The mean edge of a camera that encodes light to the power of 1 / `exponent`."""
    light = INK + (PAPER - INK) * share
    dark, bright = (float(encoded(np.array(level))) for level in (INK ** (1 / exponent), PAPER ** (1 / exponent)))
    value = (encoded(light ** (1 / exponent)) - dark) / (bright - dark)
    return MeanEdge(
        place_px=PLACES, value=value, weight=np.ones_like(PLACES), dark=dark, bright=bright, module_px=MODULE_PX
    )


def measured(edge: MeanEdge) -> Tones:
    return measure_tones(edge, SRGB, module_mm=MODULE_MM)


def under_paper(x: FloatArray, length: float, blur: float) -> FloatArray:
    """Ink where x < 0 on paper in which light spreads exponentially, blurred: both in closed form, 0 to 1.

    The convolution of exp(-x / length), x > 0, with a normal density.
    """
    t = math.sqrt(INK / PAPER)

    def tail(y: FloatArray) -> FloatArray:
        power = blur**2 / (2 * length**2) - y / length
        return 0.5 * np.exp(power) * erfc((blur / length - y / blur) / math.sqrt(2))

    bright = ndtr(x / blur) - (1 - t) / 2 * tail(x)
    dark = t * (t * ndtr(-x / blur) + (1 - t) / 2 * tail(-x))
    return np.asarray((bright + dark - t * t) / (1 - t * t))


@pytest.mark.parametrize("exponent", [0.8, 1.0, 1.3])
def test_bent_tones_are_found(exponent: float) -> None:
    # Blurs of 0.9 px and a pixel's width; shrunk towards 1 as far as belief beforehand goes, by a fifth.
    found = measured(edge_of(ndtr((PLACES - 0.1) / 0.95), exponent))
    assert math.log(found.exponent) == pytest.approx(math.log(exponent), abs=0.02 + 0.25 * abs(math.log(exponent)))
    assert found.u_exponent < 0.6 * U_TONES
    assert found.curve(SRGB).decode(np.array([1.0])) == pytest.approx(1.0)


@pytest.mark.parametrize("length_mm", [0.02, 0.045, 0.09])
def test_light_that_spreads_in_paper_is_not_taken_for_tones(length_mm: float) -> None:
    share = under_paper(PLACES, length_mm * MODULE_PX / MODULE_MM, 1.1)
    found = measured(edge_of(share, 1.0))
    assert abs(math.log(found.exponent)) < found.u_exponent
    # Read as if paper were opaque, edges that far from even would ask for much more.
    assert found.u_exponent <= U_TONES


def test_without_a_usable_edge_nothing_is_known() -> None:
    assert measure_tones(None, SRGB, module_mm=MODULE_MM) == Tones()
    halo = ndtr(PLACES) + 0.2 * np.exp(-0.5 * (PLACES - 3) ** 2)
    assert measured(edge_of(halo, 1.0)) == Tones()
    assert Tones().u_exponent == U_TONES


def test_ink_that_is_far_too_bright_makes_tones_unsure() -> None:
    # Stored values squeezed into the upper half, as local tone mapping does in dark surroundings.
    plain = edge_of(ndtr(PLACES), 1.0)
    lifted = replace(plain, dark=0.45, bright=0.8)
    assert not measure_tones(plain, SRGB, module_mm=MODULE_MM, from_above=True).is_odd
    found = measure_tones(lifted, SRGB, module_mm=MODULE_MM, from_above=True)
    assert found.is_odd
    assert found.u_exponent > 1.5 * U_TONES
    assert "HDR" in found.summary("sRGB")
    # Under light through the card ink is brighter by itself.
    assert not measure_tones(lifted, SRGB, module_mm=MODULE_MM).is_odd


def test_a_photograph_with_lifted_tones_gives_the_light_of_a_plain_one() -> None:
    stored = render(replace(Scene(), noise=0.002, blur_px=1.1), FRAME) / 255
    lifted = encoded(SRGB.decode(stored) ** (1 / 1.3))
    plain, bent = (
        rectify_photo(
            scan_from_pixels(
                np.round(255 * np.clip(value, 0, 1)).astype(np.uint8),
                pixel_mm=PixelSize(float("nan"), float("nan")),
                scale_source="none",
            ),
            FRAME,
            pixel_mm=0.1,
        )
        for value in (stored, lifted)
    )
    assert any("lifted middle tones" in remark for remark in bent.remarks)
    assert not any("middle tones" in remark for remark in plain.remarks)
    a, b = (one.scan.stored / 65535.0 for one in (plain, bent))
    # Decoded as it says, light of 0.21 would read 0.30.
    middle = (a > 0.15) & (a < 0.3)
    assert np.abs(np.median(b[middle] / a[middle]) - 1) < 0.12
    assert plain.scan.viewing is not None
    assert plain.scan.viewing.u_tones is not None
    assert 0 < plain.scan.viewing.u_tones < U_TONES


def test_dark_ink_speaks_against_an_exponent_that_interpolation_made() -> None:
    # Colours that are interpolated sharply: a halo in light within a pixel or two; nothing was done to tones.
    share = ndtr(PLACES / 0.9)
    sharp = share + 0.4 * (share - ndtr(PLACES / math.hypot(0.9, 1.0)))
    edge = edge_of(sharp, 1.0)
    plain, above = (
        measure_tones(edge, SRGB, module_mm=MODULE_MM, from_above=from_above) for from_above in (False, True)
    )
    assert abs(math.log(above.exponent)) < 0.75 * abs(math.log(plain.exponent))
    assert above.u_exponent < plain.u_exponent
