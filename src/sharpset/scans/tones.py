"""What a camera did to tones, told by the edges of the frame's markers.

Cameras bend tones to please: middle tones are lifted or pressed, the curve steepened. Decoded as sRGB, edges then do
not lie where half of the light is. Printed edges are flat: no wall shades them or shines beside them, and a lens blurs
them alike on both sides. Stored values that rise otherwise than they fell tell the curve, as far as light that spreads
in the paper does not look the same: it dims the paper beside ink.

References
----------
J. A. C. Yule and W. J. Nielsen, The penetration of light into paper and its effect on halftone reproduction, TAGA
Proceedings 3 (1951) 65-76: light enters the paper, spreads and passes the ink twice. J. S. Arney and others, J. Imaging
Sci. Technol. 47 (2003), for how far it spreads.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sharpset.scans.encoding import TransferCurve
from sharpset.scans.marker_edges import MeanEdge

__all__ = ["SPREADS_MM", "U_TONES", "Tones", "bent", "measure_tones", "printed", "unbent"]

FloatArray = NDArray[np.float64]

U_TONES = 0.22
"""Relative standard uncertainty of a camera's exponent beforehand: half a stop at middle grey (common practice, no
source)."""
_U_PROCESSED = 0.3
"""The same of pictures that were sharpened or smoothed too, whose cameras do more to please: two thirds of a stop."""
_U_BEND = 0.3
"""The same of the S-shaped bend: curves that steepen the middle by a sixth (common practice, no source)."""
_LEAST_U = 0.1
"""What exponents are at least unsure of: on rendered photographs of three makes they were off by 0.06."""
_BLACK, _U_INK, _ODD_INK = 0.065, 0.2, 0.45
"""Light of black ink over that of paper as a camera sees it: densities of 1.0 to 1.5 and a hundredth or two of stray
light (common practice, no source); how unsure the exponent is that it asks for, which is that of densities of 0.8 to
1.8 at two standard uncertainties. Where that is further off than shadows that a camera bent, tones differ from place to
place or haze lies over all: ink then says nothing, and exponents are as unsure as that."""
SPREADS_MM = (0.0, 0.015, 0.03, 0.045, 0.06, 0.09)
"""How far light spreads in paper, e-folding, all thought alike likely: half of the contrast is lost at 0.1 to 0.5 mm a
period (from memory), which is 2 pi times as much; 0 for ink on something opaque."""
_INDEPENDENT = 12
"""Values of the mean edge that count: those half a blur apart within four blurs on either side. Demosaicing, filters
and a blur that is not quite normal leave misfits that resemble each other over such a length."""
_LEAST_MISFIT, _LEAST_SHARPENED, _WORST_MISFIT = 2e-3, 5e-3, 0.01
"""Misfits of the mean edge, root mean square, as shares of the contrast: less is chance, as demosaicing and filters
shape edges by so much; less is chance where sharpening or smoothing was undone nearly right; beyond it the edge is not
what is modelled."""
_GRID_PER_PX = 10
_N_TONES = 1025
_START = (0.0, 0.0, 0.0, 0.0, 0.0, 1.0)
_LOW, _HIGH = (-3.0, -1.6, -0.9, -0.9, -0.1, 0.9), (3.0, 1.6, 0.9, 0.9, 0.1, 1.1)
_WORTH_SAYING = 0.1


@dataclass(frozen=True, kw_only=True, slots=True)
class Tones:
    """How a camera's tones differ from the curve that its file is said to have.

    Attributes
    ----------
    exponent : float
        Light is what that curve decodes to the power of this.
    u_exponent : float
        Relative standard uncertainty of the exponent.
    is_odd : bool
        Whether ink is too bright or too dark against paper for any curve that a camera is likely to have.
    """

    exponent: float = 1.0
    u_exponent: float = U_TONES
    is_odd: bool = False

    def curve(self, before: TransferCurve) -> TransferCurve:
        """The curve that decodes a file of this camera, in place of the one it is said to have."""
        stored = np.linspace(0.0, 1.0, _N_TONES)
        light = before.decode(stored) ** self.exponent
        return TransferCurve(name="curve", samples=tuple(float(value) for value in light))

    @property
    def is_worth_saying(self) -> bool:
        """Whether tones were found bent."""
        return self.is_odd or abs(self.exponent - 1.0) > _WORTH_SAYING

    def summary(self, encoding: str) -> str:
        """One line for people; `encoding` is what the file is said to be."""
        if self.is_odd:
            return (
                "the frame's ink looks too bright or too dark against its paper: the camera bends tones from place to "
                "place, or haze lies over the picture. Sizes are as unsure as that. Switch HDR and scene modes off"
            )
        done = "lifted" if self.exponent > 1.0 else "pressed"
        return (
            f"the camera {done} middle tones: the frame's edges ask for an exponent {self.exponent:.2f} times that of "
            f"{encoding} (standard uncertainty {self.u_exponent:.2f}), which was allowed for"
        )


def bent(stored: FloatArray, bend: float) -> FloatArray:
    """Tones steepened in the middle by half of `bend`, by a cubic that keeps 0, one half and 1."""
    return np.asarray(stored + bend * stored * (1 - stored) * (2 * stored - 1))


def unbent(stored: FloatArray, bend: float) -> FloatArray:
    """Tones as they were before `bent`."""
    grid = np.linspace(0.0, 1.0, 513)
    return np.asarray(np.interp(stored, bent(grid, bend), grid))


def measure_tones(
    edge: MeanEdge | None,
    curve: TransferCurve,
    *,
    module_mm: float,
    was_sharpened: bool = False,
    from_above: bool = False,
) -> Tones:
    """Fit the exponent of a camera's tones to the mean edge of all markers.

    Parameters
    ----------
    edge : MeanEdge or None
        None where markers show none.
    curve : TransferCurve
        What the file is said to be encoded with.
    module_mm : float
        Printed width of a marker's module.
    was_sharpened : bool
        Whether sharpening or smoothing was undone before: what is left of halos looks like bent tones.
    from_above : bool
        Whether light comes from above, not through the card: about how dark ink looks is known then.

    Returns
    -------
    Tones
        With what was believed beforehand where the edge does not tell.

    Notes
    -----
    Least squares on stored values with normal beliefs about exponent and an S-shaped bend; free are the edge's place,
    its blur and its levels. Where light comes from above, how dark ink looks is one more observation of the exponent:
    what demosaicing and filters against noise do to edges resembles one. Light spreads in paper by an exponential of
    several lengths, whose answers are averaged by how likely each is (its misfit against the least). The bend hardly
    moves edges, and filters against noise look like
    it: it is fitted so that it does not pass for an exponent, and not handed on.
    """
    u_tones = _U_PROCESSED if was_sharpened else U_TONES
    if edge is None:
        return Tones(u_exponent=u_tones)
    asked = _asked_by_ink(edge, curve) if from_above else 0.0
    is_odd = abs(asked) > _ODD_INK
    least_u = abs(asked) if is_odd else _LEAST_U
    ink = _Ink(asked, _U_INK) if from_above and not is_odd else _NO_INK
    per_px = module_mm / edge.module_px
    floor = _LEAST_SHARPENED if was_sharpened else _LEAST_MISFIT
    models = [_Model(edge, curve, spread_mm / per_px) for spread_mm in SPREADS_MM]
    fits = [_fit(model, edge, np.array(_START), floor, u_tones, ink) for model in models]
    least = max(min(fit.misfit for fit in fits), floor)
    if least > _WORST_MISFIT:
        return Tones(u_exponent=max(u_tones, least_u), is_odd=is_odd)
    fits = [_fit(model, edge, fit.values, least, u_tones, ink) for model, fit in zip(models, fits, strict=True)]
    weight = np.exp(-0.5 * (np.array([fit.cost for fit in fits]) - min(fit.cost for fit in fits)))
    weight /= weight.sum()
    logs = np.array([fit.values[2] for fit in fits])
    log = float(weight @ logs)
    variance = float(weight @ (np.array([fit.u_log for fit in fits]) ** 2 + (logs - log) ** 2))
    return Tones(exponent=math.exp(log), u_exponent=max(math.sqrt(variance), least_u), is_odd=is_odd)


def _asked_by_ink(edge: MeanEdge, curve: TransferCurve) -> float:
    """Logarithm of the exponent by which ink would be as dark against paper as ink is."""
    dark, bright = curve.decode(np.array([edge.dark, edge.bright]))
    return math.log(math.log(_BLACK) / math.log(min(max(dark / bright, 1e-4), 0.9)))


class _Ink(NamedTuple):
    """Logarithm of the exponent that ink's darkness asks for, and its standard uncertainty."""

    log_exponent: float
    u: float


_NO_INK = _Ink(0.0, math.inf)


@dataclass(frozen=True, kw_only=True, slots=True)
class _Fit:
    """Place, logarithms of blur and exponent, bend, levels; misfit; twice the negative log-likelihood."""

    values: FloatArray
    misfit: float
    cost: float
    u_log: float


def _fit(model: _Model, edge: MeanEdge, start: FloatArray, misfit: float, u_tones: float, ink: _Ink) -> _Fit:
    from scipy.optimize import least_squares

    n = len(edge.value)
    weight = edge.weight / edge.weight.mean()
    each = misfit * math.sqrt(n / _INDEPENDENT)

    def off(values: FloatArray) -> FloatArray:
        beliefs = np.array([values[2] / u_tones, values[3] / _U_BEND, (values[2] - ink.log_exponent) / ink.u])
        return np.concatenate(((model(values) - edge.value) * weight / each, beliefs))

    result = least_squares(off, start, bounds=(_LOW, _HIGH), x_scale=0.2, max_nfev=40)
    covariance = np.linalg.pinv(result.jac.T @ result.jac)
    return _Fit(
        values=np.asarray(result.x),
        misfit=float(np.sqrt(np.mean((result.fun[:n] * each) ** 2))),
        cost=float(np.sum(result.fun**2)),
        u_log=math.sqrt(float(covariance[2, 2])),
    )


class _Model:
    """Stored values, 0 to 1, across an edge of ink on paper, blurred in light, by pixels too, then encoded and bent."""

    def __init__(self, edge: MeanEdge, curve: TransferCurve, spread_px: float) -> None:
        self._places, self._levels = edge.place_px, np.array([edge.dark, edge.bright])
        self._stored = np.linspace(0.0, 1.0, _N_TONES)
        self._curve, self._spread_px = curve, spread_px
        half = math.ceil((float(np.abs(edge.place_px).max()) + 12.0) * _GRID_PER_PX)
        self._x = np.arange(-half, half + 1) / _GRID_PER_PX

    def __call__(self, values: FloatArray) -> FloatArray:
        from scipy.ndimage import gaussian_filter1d, uniform_filter1d

        shift, log_blur, log_exponent, bend, lower, upper = values
        decoded = self._curve.decode(unbent(self._stored, bend)) ** math.exp(log_exponent)
        dark, bright = np.interp(self._levels, self._stored, decoded)
        sharp = printed(self._x, math.sqrt(max(dark, 0.0) / bright), self._spread_px)
        blurred = gaussian_filter1d(sharp, math.exp(log_blur) * _GRID_PER_PX, mode="nearest")
        light = dark + (bright - dark) * uniform_filter1d(blurred, _GRID_PER_PX, mode="nearest")
        share = (np.interp(light, decoded, self._stored) - self._levels[0]) / (self._levels[1] - self._levels[0])
        return np.asarray(lower + (upper - lower) * np.interp(self._places, self._x + shift, share))


def printed(x: FloatArray, through: float, spread_px: float) -> FloatArray:
    """Light of paper with ink where x < 0, from 0 to 1: what passes the ink going in, spreads, and passes it again.

    `through` is the share that ink lets through once.
    """
    under = x < 0
    beyond = 0.5 * np.exp(-np.abs(x) / spread_px) if spread_px > 0 else np.zeros_like(x)
    out = np.where(under, through, 1.0)
    spread = np.where(under, through + (1 - through) * beyond, 1 - (1 - through) * beyond)
    light = (out * spread - through**2) / (1 - through**2)
    # The value on the edge itself is the mean of both sides.
    middle = len(x) // 2
    light[middle] = 0.5 * (light[middle - 1] + light[middle + 1])
    return np.asarray(light)
