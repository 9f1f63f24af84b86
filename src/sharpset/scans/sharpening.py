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
from sharpset.scans.frame import N_MODULES
from sharpset.scans.markers import MarkerSighting
from sharpset.scans.scan import Scan

__all__ = ["Sharpening", "measure_sharpening", "without_sharpening"]

FloatArray = NDArray[np.float64]

_BINS_PER_PX = 4
_MOST_REACH_PX, _LEAST_REACH_PX = 14.0, 5.0
_SHARE_OF_MODULE = 0.6
"""How far from a side is looked at, of a module's width: halos of the marker's inner modules reach towards it."""
_FEWEST_SIDES = 12
_GRID_PER_PX = 10
_MOST_AMOUNT = 4.0
_LEAST_AMOUNT = 0.08
"""Amount below which halos are as faint as those of lenses and demosaicing; the readings allow for these."""
_LEAST_GAIN = 0.7
"""What sharpening must leave of the misfit (root mean square) of an edge that was not sharpened."""
_WORST_FIT = 0.02
"""Misfit of the mean edge (root mean square, share of the contrast) beyond which nothing is undone: halos that were
limited, or made in another way, are not what is modelled."""
_CLIPPED, _MOST_CLIPPED, _BRIGHTEST, _LEAST_CONTRAST = 0.985, 0.02, 0.96, 0.2
"""Stored values from which halos count as cut off, the share of such pixels from which a distance is left out, and what
paper may be at most."""
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
    edge = _mean_edge(scan, sighting)
    if edge is None:
        return None
    _, without = _fit(_Model(edge, scan.curve), edge, None)
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


@dataclass(frozen=True, kw_only=True, slots=True)
class _MeanEdge:
    """Stored values across the markers' sides, 0 dark and 1 bright, and the levels they stand for.

    Weights are 0 where halos are cut off.
    """

    place_px: FloatArray
    value: FloatArray
    weight: FloatArray
    dark: float
    bright: float


def _mean_edge(scan: Scan, sighting: MarkerSighting) -> _MeanEdge | None:
    if len(sighting.ids) == 0:
        return None
    module_px = float(np.median(np.linalg.norm(np.diff(sighting.corners_px, axis=1), axis=2))) / N_MODULES
    reach = min(_SHARE_OF_MODULE * module_px, _MOST_REACH_PX)
    if reach < _LEAST_REACH_PX:
        return None
    n_bins = 2 * math.floor(reach * _BINS_PER_PX)
    total, count, clipped = np.zeros((3, n_bins))
    levels = []
    for corners in sighting.corners_px:
        for k in range(4):
            side = _side(scan, corners[k], corners[(k + 1) % 4], reach)
            if side is None:
                continue
            place, value, dark, bright = side
            at = np.floor(place * _BINS_PER_PX + n_bins / 2).astype(np.intp)
            inside = (at >= 0) & (at < n_bins)
            total += np.bincount(at[inside], value[inside], n_bins)
            count += np.bincount(at[inside], minlength=n_bins)
            cut = value * (bright - dark) + dark > _CLIPPED
            clipped += np.bincount(at[inside & cut], minlength=n_bins)
            levels.append((dark, bright))
    if len(levels) < _FEWEST_SIDES or (count == 0).any():
        return None
    dark, bright = np.median(levels, axis=0)
    middle = (np.arange(n_bins) + 0.5) / _BINS_PER_PX - n_bins / 2 / _BINS_PER_PX
    return _MeanEdge(
        place_px=middle,
        value=total / count,
        weight=np.sqrt(count) * (clipped < _MOST_CLIPPED * count),
        dark=float(dark),
        bright=float(bright),
    )


def _side(
    scan: Scan, start: FloatArray, end: FloatArray, reach: float
) -> tuple[FloatArray, FloatArray, float, float] | None:
    """Distances of the pixels beside a side from it, outwards, their values from 0 to 1, and the levels of both sides.

    None where the paper itself is at the end of the scale.
    """
    length = float(np.linalg.norm(end - start))
    along = (end - start) / length
    outward = np.array([along[1], -along[0]])
    low = np.floor(np.minimum(start, end) - reach).astype(int)
    high = np.ceil(np.maximum(start, end) + reach).astype(int) + 1
    if (low < 0).any() or high[0] > scan.n_columns or high[1] > scan.n_rows:
        return None
    part = scan.pixels[low[1] : high[1], low[0] : high[0]].astype(float) / scan.full_scale
    grey = part if part.ndim == 2 else part[..., :3] @ np.array([0.299, 0.587, 0.114])
    columns, rows = np.meshgrid(np.arange(low[0], high[0]), np.arange(low[1], high[1]))
    offset = np.stack((columns - start[0], rows - start[1]), axis=-1)
    place, run = offset @ outward, offset @ along
    # Corners are left out as far as halos reach round them.
    keep = (np.abs(place) < reach) & (run > reach / 2 + 1) & (run < length - reach / 2 - 1)
    place, grey = place[keep], grey[keep]
    far = 0.8 * reach
    if not (place < -far).any() or not (place > far).any():
        return None
    dark, bright = float(np.median(grey[place < -far])), float(np.median(grey[place > far]))
    if bright - dark < _LEAST_CONTRAST or bright > _BRIGHTEST:
        return None
    return place, (grey - dark) / (bright - dark), dark, bright


def _fit(model: _Model, edge: _MeanEdge, start: tuple[float, float] | None) -> tuple[FloatArray, float]:
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

    def __init__(self, edge: _MeanEdge, curve: TransferCurve, *, in_light: bool = False) -> None:
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
        dark, bright = np.interp(_unbent(levels, bend), self._stored, self._light)
        light = dark + (bright - dark) * ndtr((self._x - shift) / math.exp(log_blur))
        light = uniform_filter1d(light, _GRID_PER_PX, mode="nearest")

        def sharpened(value: FloatArray) -> FloatArray:
            if len(values) == _PLAIN:
                return value
            amount, radius = (math.exp(value) for value in values[_PLAIN:])
            soft = gaussian_filter1d(value, radius * _GRID_PER_PX, mode="nearest")
            return np.asarray(value + amount * (value - soft))

        if self._in_light:
            stored = _bent(np.interp(sharpened(light), self._light, self._stored), bend)
        else:
            stored = sharpened(_bent(np.interp(light, self._light, self._stored), bend))
        share = (stored - self._dark) / (self._bright - self._dark)
        return np.asarray(lower + (upper - lower) * np.interp(self._places, self._x, share))


def _bent(stored: FloatArray, bend: float) -> FloatArray:
    """Tones steepened in the middle by half of `bend`, by a cubic that keeps 0, one half and 1."""
    return np.asarray(stored + bend * stored * (1 - stored) * (2 * stored - 1))


def _unbent(stored: FloatArray, bend: float) -> FloatArray:
    grid = np.linspace(0.0, 1.0, 513)
    return np.asarray(np.interp(stored, _bent(grid, bend), grid))
