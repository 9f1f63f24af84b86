"""Sharpening and smoothing by the camera, found on the edges of the frame's markers and undone.

Cameras and telephones add to every value a multiple of its difference from a blurred copy (an unsharp mask): halos
beside edges then pass for light. Most do so to stored values, some to light; which, how much and how widely the
markers' edges tell. A mask takes no detail away: undone it lowers noise.

Filters against noise do the reverse: beside edges of a contrast that is much above their threshold they leave a part of
that difference out, in stored values, so that in light the bright side is dimmed more than the dark one is lit. Paper
is dim beside ink too, as light spreads in it: that is in the model, with the lengths that paper may have.

References
----------
R. C. Gonzalez and R. E. Woods, Digital Image Processing, 3rd ed. 2008, section 3.6.3 (unsharp masking).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sharpset.scans.encoding import TransferCurve
from sharpset.scans.marker_edges import MeanEdge, marker_edge
from sharpset.scans.markers import MarkerSighting
from sharpset.scans.scan import Scan
from sharpset.scans.tones import SPREADS_MM, printed, unbent

__all__ = ["Sharpening", "measure_sharpening", "without_sharpening"]

FloatArray = NDArray[np.float64]

_GRID_PER_PX = 8
_LITTLE = 0.08
"""Amount below which halos are as faint as those of lenses and demosaicing; the readings allow for these."""
_MOST = 3.5
"""Amount from which on a mask only makes up for a blur that differs over the frame or is far from normal."""
_WIDEST_PX = 3.5
"""Radius from which on halos are those of local tone mapping, which is no mask (sharpening by cameras: 0.5 to 3 px)."""
_MOST_SMOOTHED = 0.3
"""Share of the difference from which on filters are no mask: they leave out what is below a threshold, and that is not
small against the contrast then. Undone as a mask edges would overshoot."""
_SURE = 20.0
"""By how much a mask must lower the misfit (twice the logarithm of the likelihood) for its two or three parameters."""
_CHANCE, _INDEPENDENT = 1e-3, 16
"""Misfit that demosaicing and lenses leave, and how many values of the mean edge count: those half a blur apart."""
_WORST_FIT = 0.02
"""Misfit of the mean edge (root mean square, share of the contrast) beyond which nothing is undone: halos that were
limited, or made in another way, are not what is modelled."""
_U_EXPONENT, _U_BEND = 0.3, 0.3
"""Standard uncertainties beforehand of what cameras do to tones, as in `tones`."""
_ENOUGH = 1e-3
_STARTS, _SMOOTHING = ((0.4, 1.0), (1.2, 1.6)), ((-0.25, 2.5),)
_N_TONES = 1025
_ROWS_AT_ONCE = 512
_GREY = np.array([[0.299, 0.587, 0.114]], dtype=np.float32)
"""What red, green and blue give to brightness (ITU-R BT.601), as cameras' files hold it."""
_FIRST = (0.0, 0.0, 0.0, 0.0, 0.0, 1.0)
_PLAIN = len(_FIRST)
"""Parameters of an edge that was not filtered: place, blur, exponent and bend of the tones, what its levels are off."""
_PLAIN_LOW, _PLAIN_HIGH = (-1.5, math.log(0.2), -0.9, -0.9, -0.1, 0.9), (1.5, math.log(5.0), 0.9, 0.9, 0.1, 1.1)
_SHARPENING = (0.0, math.log(0.5)), (math.log1p(4.0), math.log(6.0))
_SMOOTHED = (math.log1p(-0.4), math.log(1.5)), (0.0, math.log(6.0))
"""Limits of log(1 + amount) and of the logarithm of the radius: smoothing that is as narrow as blur is blur to the eye,
and undoing much of it would raise noise. Light that spreads in paper, dimming it beside ink, resembles it: it must be
clearly likelier than any sharpening."""
_EXACT = 1e-4
"""Where fits stop: their likelihoods are compared, and a change by less than one says nothing."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Sharpening:
    """A mask: values plus `amount` times their difference from a blurred copy.

    Attributes
    ----------
    amount : float
        Negative where the picture was smoothed.
    radius_px : float
        Standard deviation of the blur of that copy.
    in_light : bool
        Whether values are those of light, not as stored.
    misfit : float
        What it leaves of the mean edge of the markers, root mean square, as a share of the contrast.
    gain : float
        By how much it lowers twice the negative logarithm of the likelihood.
    """

    amount: float
    radius_px: float
    in_light: bool = False
    misfit: float
    gain: float

    @property
    def is_sure(self) -> bool:
        """Whether the picture was filtered, and in this way."""
        sharpened = self.amount > _LITTLE and self.radius_px < _WIDEST_PX
        within = sharpened or -_MOST_SMOOTHED < self.amount < -_LITTLE
        return within and self.misfit < _WORST_FIT and self.gain > _SURE

    def summary(self) -> str:
        """One line for people."""
        done, undone = ("sharpened", "") if self.amount > 0 else ("smoothed", " as far as wide edges tell it")
        return (
            f"the camera {done} the picture (amount {abs(self.amount):.1f}, radius {self.radius_px:.1f} px), which was "
            f"undone{undone}. Better switch it off"
        )


def measure_sharpening(scan: Scan, sighting: MarkerSighting, *, module_mm: float) -> Sharpening | None:
    """Fit a blurred, then sharpened or smoothed edge to the mean edge of all markers.

    Parameters
    ----------
    scan : Scan
    sighting : MarkerSighting
        Markers with their corners in this picture.
    module_mm : float
        Printed width of a marker's module.

    Returns
    -------
    Sharpening or None
        None where too few sides of markers can be used.

    Notes
    -----
    Least squares on the mean of all sides in stored values, brought to the same levels, with normal beliefs about
    exponent and bend of the tones. Free are the place of the edge, the blur (normal, in light), amount and radius of
    the mask. Light spreads in paper by one of several lengths, each with and without a mask.
    """
    edge = marker_edge(scan, sighting)
    if edge is None:
        return None
    per_px = module_mm / edge.module_px
    spreads_px = [spread_mm / per_px for spread_mm in SPREADS_MM]
    models = [_Model(edge, scan.curve, spread) for spread in spreads_px]
    plain = min((_fit(model, edge, np.array(_FIRST)) for model in models), key=lambda fit: fit.cost)
    if plain.cost < _SURE:
        return Sharpening(amount=0.0, radius_px=1.0, misfit=plain.misfit, gain=0.0)
    sharpest = _best(edge, scan, spreads_px, plain, in_light=False)
    sharpest = max(sharpest, _best(edge, scan, spreads_px, plain, in_light=True), key=lambda one: one.gain)
    smoothest = _best(edge, scan, spreads_px, plain, is_smoothing=True)
    return smoothest if smoothest.is_sure and smoothest.gain > sharpest.gain + _SURE else sharpest


def _best(
    edge: MeanEdge,
    scan: Scan,
    spreads_px: list[float],
    plain: _Fit,
    *,
    in_light: bool = False,
    is_smoothing: bool = False,
) -> Sharpening:
    """The likeliest mask of one kind, over all lengths by which light may spread in paper."""
    found = Sharpening(amount=0.0, radius_px=1.0, misfit=plain.misfit, gain=0.0)
    for amount, radius in _SMOOTHING if is_smoothing else _STARTS:
        start = np.array([*_FIRST, math.log1p(amount), math.log(radius)])
        for spread in spreads_px:
            model = _Model(edge, scan.curve, spread, in_light=in_light)
            fit = _fit(model, edge, start, is_smoothing=is_smoothing)
            # Neighbouring lengths have neighbouring answers.
            start, gain = fit.values, plain.cost - fit.cost
            told, wide = _mask(fit.values)
            if gain > found.gain and told < _MOST:
                found = Sharpening(amount=told, radius_px=wide, in_light=in_light, misfit=fit.misfit, gain=gain)
    return found


def without_sharpening(scan: Scan, sharpening: Sharpening) -> Scan:
    """Return the picture as it was before a mask.

    Parameters
    ----------
    scan : Scan
    sharpening : Sharpening

    Returns
    -------
    Scan
        Grey or RGB in 16 bits, encoded as before. Colours are changed alike, as cameras sharpen brightness.
    """
    pixels = scan.pixels
    amount = sharpening.amount
    steps = max(math.ceil(math.log(_ENOUGH) / math.log(abs(amount) / (1.0 + amount))), 1)
    reach = steps * math.ceil(4.0 * sharpening.radius_px + 1.0)
    tones = np.linspace(0.0, 1.0, _N_TONES)
    light = scan.curve.decode(tones)
    values = np.empty(pixels.shape, dtype=np.uint16)
    # Band by band, with all that a band's values come from: 48 megapixels as numbers of 4 bytes took 3 GB at once.
    for top in range(0, len(pixels), _ROWS_AT_ONCE):
        bottom = min(top + _ROWS_AT_ONCE, len(pixels))
        first = max(top - reach, 0)
        stored = pixels[first : bottom + reach].astype(np.float32)
        stored /= np.float32(scan.full_scale)
        own = slice(top - first, bottom - first)
        change = _change(stored, sharpening, steps, tones, light)[own]
        mended = stored[own] + (change if stored.ndim == 2 else change[..., None])
        np.clip(mended, 0.0, 1.0, out=mended)
        mended *= np.float32(65535.0)
        values[top:bottom] = np.rint(mended, out=mended)
    return replace(scan, stored=values, orientation=1, bit_depth=16)


def _change(
    stored: NDArray[np.float32], sharpening: Sharpening, steps: int, tones: FloatArray, light: FloatArray
) -> NDArray[np.float32]:
    """What a mask took away from every brightness: that before it less that after it."""
    import cv2

    grey = stored if stored.ndim == 2 else cv2.transform(stored[..., :3], _GREY)
    seen = np.interp(grey, tones, light).astype(np.float32) if sharpening.in_light else grey
    share = sharpening.amount / (1.0 + sharpening.amount)
    before = seen
    for _ in range(steps):
        soft = cv2.GaussianBlur(before, (0, 0), sharpening.radius_px, borderType=cv2.BORDER_REPLICATE)
        before = cv2.addWeighted(seen, 1.0 - share, soft, share, 0.0)
    if sharpening.in_light:
        before = np.interp(before, light, tones).astype(np.float32)
    return np.asarray(before - grey, dtype=np.float32)


class _Fit(NamedTuple):
    """Parameters, the misfit they leave, and twice the negative logarithm of their likelihood."""

    values: FloatArray
    misfit: float
    cost: float


def _mask(values: FloatArray) -> tuple[float, float]:
    """Amount and radius."""
    return math.exp(values[_PLAIN]) - 1.0, math.exp(values[_PLAIN + 1])


def _fit(model: _Model, edge: MeanEdge, start: FloatArray, *, is_smoothing: bool = False) -> _Fit:
    """Fit an edge, and amount and radius of a mask if they are among the parameters to start from."""
    from scipy.optimize import least_squares

    n = len(edge.value)
    weight = edge.weight / edge.weight.mean()
    each = _CHANCE * math.sqrt(n / _INDEPENDENT)

    def off(values: FloatArray) -> FloatArray:
        beliefs = values[2:4] / np.array([_U_EXPONENT, _U_BEND])
        return np.concatenate(((model(values) - edge.value) * weight / each, beliefs))

    mask = _SMOOTHED if is_smoothing else _SHARPENING
    bounds = [np.array([*ends, *end][: len(start)]) for ends, end in zip((_PLAIN_LOW, _PLAIN_HIGH), mask, strict=True)]
    result = least_squares(
        off, np.clip(start, *bounds), bounds=bounds, x_scale=0.2, max_nfev=60, ftol=_EXACT, xtol=_EXACT, gtol=_EXACT
    )
    misfit = float(np.sqrt(np.mean((result.fun[:n] * each) ** 2)))
    return _Fit(np.asarray(result.x), misfit, 2.0 * float(result.cost))


class _Model:
    """Stored values, 0 to 1, across a printed edge blurred in light, by pixels too, then encoded, bent and filtered."""

    def __init__(self, edge: MeanEdge, curve: TransferCurve, spread_px: float, *, in_light: bool = False) -> None:
        self._places, self._levels = edge.place_px, np.array([edge.dark, edge.bright])
        self._stored = np.linspace(0.0, 1.0, _N_TONES)
        self._curve, self._spread_px, self._in_light = curve, spread_px, in_light
        half = math.ceil((float(np.abs(edge.place_px).max()) + 12.0) * _GRID_PER_PX)
        self._x = np.arange(-half, half + 1) / _GRID_PER_PX

    def __call__(self, values: FloatArray) -> FloatArray:
        from scipy.ndimage import gaussian_filter1d, uniform_filter1d

        shift, log_blur, log_exponent, bend, lower, upper = values[:_PLAIN]
        decoded = self._curve.decode(unbent(self._stored, bend)) ** math.exp(log_exponent)
        dark, bright = np.interp(self._levels, self._stored, decoded)
        sharp = printed(self._x, math.sqrt(max(dark, 0.0) / bright), self._spread_px)
        blurred = gaussian_filter1d(sharp, math.exp(log_blur) * _GRID_PER_PX, mode="nearest")
        light = dark + (bright - dark) * uniform_filter1d(blurred, _GRID_PER_PX, mode="nearest")

        def masked(value: FloatArray) -> FloatArray:
            if len(values) == _PLAIN:
                return value
            amount, radius = _mask(values)
            soft = gaussian_filter1d(value, radius * _GRID_PER_PX, mode="nearest")
            return np.asarray(value + amount * (value - soft))

        if self._in_light:
            stored = np.interp(masked(light), decoded, self._stored)
        else:
            stored = masked(np.interp(light, decoded, self._stored))
        share = (stored - self._levels[0]) / (self._levels[1] - self._levels[0])
        return np.asarray(lower + (upper - lower) * np.interp(self._places, self._x + shift, share))
