"""The slanted-edge method against the closed-form modulation transfer of a Gaussian blur and a square pixel.

Closed forms (algebra): a Gaussian of standard deviation s has MTF exp(-2 pi^2 s^2 f^2); a square pixel crossed by an
edge that leans by a has sinc(f cos a) sinc(f sin a). For small lean their product falls to one half at
0.32309, 0.24711, 0.17996 and 0.12267 cycles per pixel for s = 0.5, 0.7, 1.0 and 1.5 px.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.special import ndtr

from sharpset.readings.edge_quality.frequency_response import slanted_edge_response

MTF50 = {0.5: 0.32309, 0.7: 0.24711, 1.0: 0.17996, 1.5: 0.12267}


def _closed_form(f, sigma, lean):
    box = np.sinc(f * np.cos(lean)) * np.sinc(f * np.sin(lean))
    return np.exp(-2 * (np.pi * sigma * f) ** 2) * box


def _edge(sigma: float, lean_deg: float, *, rows: int = 150, half: int = 24) -> tuple[np.ndarray, np.ndarray]:
    """Return distances and light of a leaning blurred edge, averaged over pixels by a 16-point Gauss rule."""
    lean = np.radians(lean_deg)
    nodes, weights = np.polynomial.legendre.leggauss(16)
    row, column = np.indices((rows, 2 * half + 1))
    light = np.zeros(row.shape)
    for u, a in zip(nodes / 2, weights / 2, strict=True):
        for v, b in zip(nodes / 2, weights / 2, strict=True):
            distance = (column + u - half) * np.cos(lean) + (row + v - rows / 2) * np.sin(lean)
            light += a * b * ndtr(distance / sigma)
    distance = (column - half) * np.cos(lean) + (row - rows / 2) * np.sin(lean)
    return distance.ravel(), light.ravel()


@pytest.mark.parametrize("sigma", sorted(MTF50))
@pytest.mark.parametrize("lean_deg", [5.0, 12.0])
def test_slanted_edge_gives_the_closed_form(sigma, lean_deg):
    distance, light = _edge(sigma, lean_deg)
    keep = np.abs(distance) < 15
    found = slanted_edge_response(distance[keep], light[keep])
    lean = np.radians(lean_deg)
    for level in (0.5, 0.1):
        truth = brentq(lambda f, level=level: _closed_form(f, sigma, lean) - level, 1e-3, 0.99)
        # The window of the method widens the response by about a per cent; two are allowed.
        assert found.falls_to(level) == pytest.approx(truth, rel=0.02)
    if lean_deg == 5.0:
        assert found.falls_to(0.5) == pytest.approx(MTF50[sigma], rel=0.02)
    low = found.frequency < 0.5
    np.testing.assert_allclose(found.response[low], _closed_form(found.frequency[low], sigma, lean), atol=0.02)
