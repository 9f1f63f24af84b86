"""Sharpening by the camera (an unsharp mask), found on the edges of the frame's markers and undone.

Cameras and telephones add to every value a multiple of its difference from a blurred copy: halos beside edges then pass
for light. Most do so to stored values, some to light; which, how much and how widely the halos of markers' edges tell.
An unsharp mask takes no detail away: undone it lowers noise.

References
----------
R. C. Gonzalez and R. E. Woods, Digital Image Processing, 3rd ed. 2008, section 3.6.3 (unsharp masking).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sharpset.scans.encoding import TransferCurve
from sharpset.scans.marker_edges import MeanEdge, marker_edge
from sharpset.scans.markers import MarkerSighting
from sharpset.scans.scan import Scan
from sharpset.scans.tones import bent, unbent

__all__ = ["Sharpening", "measure_sharpening", "without_sharpening"]

FloatArray = NDArray[np.float64]

_GRID_PER_PX = 10
_MOST_AMOUNT = 4.0
_LEAST_AMOUNT = 0.08
"""Amount below which halos are as faint as those of lenses and demosaicing; the readings allow for these."""
_LEAST_GAIN = 0.7
"""What sharpening must leave of the misfit (root mean square) of an edge that was not sharpened."""
_PLAIN_FIT = 5e-4
"""Misfit of an edge that was not sharpened below which there is nothing to look for: halos of the least amount leave
more."""
_WORST_FIT = 0.02
"""Misfit of the mean edge (root mean square, share of the contrast) beyond which nothing is undone: halos that were
limited, or made in another way, are not what is modelled."""
_ENOUGH = 1e-3
_STARTS = ((0.4, 1.0), (1.2, 1.6), (0.6, 3.0))
_N_TONES = 1025
_PLAIN = 5
"""Parameters of an edge that was not sharpened: place, blur, bend of the tones, and what its levels are off."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Sharpening:
    """An unsharp mask: values plus `amount` times their difference from a blurred copy.

    Attributes
    ----------
    amount : float
    radius_px : float
        Standard deviation of the blur of that copy.
    in_light : bool
        Whether values are those of light, not as stored.
    misfit : float
        What it leaves of the mean edge of the markers, root mean square, as a share of the contrast.
    misfit_without : float
        The same with no sharpening in the model.
    """

    amount: float
    radius_px: float
    in_light: bool = False
    misfit: float
    misfit_without: float

    @property
    def is_sure(self) -> bool:
        """Whether the picture was sharpened, and in this way."""
        return (
            self.amount > _LEAST_AMOUNT and self.misfit < _WORST_FIT and self.misfit < _LEAST_GAIN * self.misfit_without
        )

    def summary(self) -> str:
        """One line for people."""
        return (
            f"the camera sharpened the picture (amount {self.amount:.1f}, radius {self.radius_px:.1f} px), which was "
            "undone. Better switch it off"
        )


def measure_sharpening(scan: Scan, sighting: MarkerSighting) -> Sharpening | None:
    """Fit a blurred, then sharpened edge to the mean edge of all markers.

    Parameters
    ----------
    scan : Scan
    sighting : MarkerSighting
        Markers with their corners in this picture.

    Returns
    -------
    Sharpening or None
        None where too few sides of markers can be used.

    Notes
    -----
    Least squares on the mean of all sides in stored values, brought to the same levels. Free are the place of the edge,
    the blur (normal, in light), an S-shaped bend of the tones, amount and radius of the mask.
    """
    edge = marker_edge(scan, sighting)
    if edge is None:
        return None
    _, without = _fit(_Model(edge, scan.curve), edge, None)
    if without < _PLAIN_FIT:
        return Sharpening(amount=0.0, radius_px=1.0, misfit=without, misfit_without=without)
    found = []
    for in_light in (False, True):
        model = _Model(edge, scan.curve, in_light=in_light)
        for start in _STARTS:
            values, misfit = _fit(model, edge, start)
            amount, radius = (math.exp(value) for value in values[_PLAIN:])
            found.append(
                Sharpening(amount=amount, radius_px=radius, in_light=in_light, misfit=misfit, misfit_without=without)
            )
    return min(found, key=lambda one: one.misfit)


def without_sharpening(scan: Scan, sharpening: Sharpening) -> Scan:
    """Return the picture as it was before an unsharp mask.

    Parameters
    ----------
    scan : Scan
    sharpening : Sharpening

    Returns
    -------
    Scan
        Grey or RGB in 16 bits, encoded as before. Colours are changed alike, as cameras sharpen brightness.
    """
    import cv2

    pixels = scan.pixels
    stored = pixels.astype(np.float32) / np.float32(scan.full_scale)
    grey = stored if stored.ndim == 2 else np.ascontiguousarray(stored[..., :3] @ np.array([0.299, 0.587, 0.114], "f4"))
    amount = sharpening.amount
    tones = np.linspace(0.0, 1.0, _N_TONES)
    light = scan.curve.decode(tones)
    seen = np.interp(grey, tones, light).astype(np.float32) if sharpening.in_light else grey
    steps = math.ceil(math.log(_ENOUGH) / math.log(amount / (1.0 + amount)))
    before = seen
    for _ in range(max(steps, 1)):
        soft = cv2.GaussianBlur(before, (0, 0), sharpening.radius_px, borderType=cv2.BORDER_REPLICATE)
        before = (seen + np.float32(amount) * soft) / np.float32(1.0 + amount)
    if sharpening.in_light:
        before = np.interp(before, light, tones).astype(np.float32)
    change = before - grey
    mended = stored + (change if stored.ndim == 2 else change[..., None])
    values = np.round(np.clip(mended, 0.0, 1.0) * 65535.0).astype(np.uint16)
    return replace(scan, stored=values, orientation=1, bit_depth=16)


def _fit(model: _Model, edge: MeanEdge, start: tuple[float, float] | None) -> tuple[FloatArray, float]:
    """Fit an edge and, from a start, amount and radius of the mask; returns them and the misfit."""
    from scipy.optimize import least_squares

    first = [0.0, 0.0, 0.0, 0.0, 1.0]
    low, high = [-1.5, math.log(0.2), -1.5, -0.1, 0.9], [1.5, math.log(5.0), 1.5, 0.1, 1.1]
    if start is not None:
        first += [math.log(start[0]), math.log(start[1])]
        low += [math.log(0.01), math.log(0.5)]
        high += [math.log(_MOST_AMOUNT), math.log(6.0)]
    weight = edge.weight / edge.weight.mean()
    result = least_squares(
        lambda values: (model(values) - edge.value) * weight, first, bounds=(low, high), x_scale=0.2, max_nfev=60
    )
    return np.asarray(result.x), float(np.sqrt(np.mean(result.fun**2)))


class _Model:
    """Stored values, 0 to 1, across an edge blurred in light, by pixels too, then encoded, bent and sharpened."""

    def __init__(self, edge: MeanEdge, curve: TransferCurve, *, in_light: bool = False) -> None:
        self._places = edge.place_px
        self._stored = np.linspace(0.0, 1.0, _N_TONES)
        self._light = curve.decode(self._stored)
        self._dark, self._bright = edge.dark, edge.bright
        self._in_light = in_light
        reach = float(np.abs(edge.place_px).max()) + 12.0
        self._x = np.arange(-reach, reach, 1.0 / _GRID_PER_PX)

    def __call__(self, values: FloatArray) -> FloatArray:
        from scipy.ndimage import gaussian_filter1d, uniform_filter1d
        from scipy.special import ndtr

        shift, log_blur, bend, lower, upper = values[:_PLAIN]
        levels = np.array([self._dark, self._bright])
        dark, bright = np.interp(unbent(levels, bend), self._stored, self._light)
        light = dark + (bright - dark) * ndtr((self._x - shift) / math.exp(log_blur))
        light = uniform_filter1d(light, _GRID_PER_PX, mode="nearest")

        def sharpened(value: FloatArray) -> FloatArray:
            if len(values) == _PLAIN:
                return value
            amount, radius = (math.exp(value) for value in values[_PLAIN:])
            soft = gaussian_filter1d(value, radius * _GRID_PER_PX, mode="nearest")
            return np.asarray(value + amount * (value - soft))

        if self._in_light:
            stored = bent(np.interp(sharpened(light), self._light, self._stored), bend)
        else:
            stored = sharpened(bent(np.interp(light, self._light, self._stored), bend))
        share = (stored - self._dark) / (self._bright - self._dark)
        return np.asarray(lower + (upper - lower) * np.interp(self._places, self._x, share))
