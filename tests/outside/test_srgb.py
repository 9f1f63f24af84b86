"""sRGB to linear light against the published rule and other implementations of it.

Source: IEC 61966-2-1:1999 (and Amendment 1), the inverse transfer function: V <= 0.04045: V / 12.92; above:
((V + 0.055) / 1.055) ** 2.4. The constants are from memory of the standard. W3C CSS Color Module Level 4, section
"sample code", prints the same. The light values below were computed from that rule with decimal arithmetic.
"""

from __future__ import annotations

from decimal import Decimal, getcontext

import numpy as np
import pytest
from skimage.color import rgb2xyz

from sharpset.scans.encoding import SRGB
from sharpset.scans.opening import scan_from_pixels

getcontext().prec = 30


def by_decimal_arithmetic(code: int, top: int) -> float:
    value = Decimal(code) / top
    if value <= Decimal("0.04045"):
        return float(value / Decimal("12.92"))
    return float(((value + Decimal("0.055")) / Decimal("1.055")) ** Decimal("2.4"))


# 8-bit codes and their light, widely printed to these digits (common practice, no source; rechecked by the rule above).
PRINTED = {
    0: 0.0,
    1: 0.000303527,
    10: 0.00303527,
    11: 0.00334654,
    64: 0.0512695,
    128: 0.215861,
    188: 0.502886,
    255: 1.0,
}


@pytest.mark.parametrize(("code", "light"), PRINTED.items())
def test_printed_values(code: int, light: float) -> None:
    scan = scan_from_pixels(np.full((1, 1), code, np.uint8), pixel_mm=0.02)
    # six printed digits
    assert scan.linear(slice(0, 1), slice(0, 1))[0, 0] == pytest.approx(light, rel=3e-6)
    assert by_decimal_arithmetic(code, 255) == pytest.approx(light, rel=3e-6)


def test_every_8_bit_code() -> None:
    wanted = [by_decimal_arithmetic(code, 255) for code in range(256)]
    np.testing.assert_allclose(SRGB.table(8), wanted, rtol=1.2e-7)  # single precision


def test_16_bit_codes() -> None:
    codes = np.arange(0, 65536, 257)
    wanted = [by_decimal_arithmetic(int(code), 65535) for code in codes]
    np.testing.assert_allclose(SRGB.table(16)[codes], wanted, rtol=1.2e-7)


def test_the_two_branches_meet() -> None:
    # The standard's rounded constants leave a step of about 2e-8 of full light where the branches meet.
    below, above = SRGB.decode(np.array([0.04045, 0.04045 + 1e-12]))
    assert abs(above - below) < 1e-7


def test_another_library() -> None:
    # Grey of light Y has CIE Y = Y under the standard's white; the library's matrix is rounded to 6 digits.
    grey = np.repeat(np.arange(256, dtype=np.uint8)[:, None, None], 3, axis=2)
    np.testing.assert_allclose(SRGB.table(8), rgb2xyz(grey)[:, 0, 1], atol=2e-6)
