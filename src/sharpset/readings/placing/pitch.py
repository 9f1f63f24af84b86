"""Pitch of a row of equal bars: line-pair targets, gratings, graduations of a rule."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from sharpset.errors import ReadingError

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["PitchReading", "measure_pitch"]

FloatArray = NDArray[np.float64]

_FEWEST_SAMPLES_PER_PITCH = 2.5
_LEAST_SHARE_OF_RANGE = 0.04  # a bar's crest above its valleys; less cannot be told from shading
_EVEN_SHARE = (0.45, 0.55)
_LEAST_EXPLAINED = 0.8  # of the variance about a straight line; rows of crests in plain noise reach about half


@dataclass(frozen=True, kw_only=True, slots=True)
class PitchReading:
    """A row of equal bars, as fitted by `measure_pitch`.

    Attributes
    ----------
    pitch_mm, u_pitch_mm : float
        Distance from bar to bar and its standard uncertainty from scatter about the fit; the scale's own uncertainty
        comes on top.
    width_mm : float
        Width of a bar.
    blur_mm : float
        Standard deviation of the edge spread.
    n_bars : int
    contrast : float
        Bar minus ground, in the profile's unit; negative for dark bars.
    flags : tuple of str
        ``"bloomed"`` where bars are wider than 0.55 of the pitch, ``"starved"`` where they are narrower than 0.45,
        ``"merged"`` where blur leaves their width undetermined.
    """

    pitch_mm: float
    u_pitch_mm: float
    width_mm: float
    blur_mm: float
    n_bars: int
    contrast: float
    flags: tuple[str, ...] = ()

    @property
    def share(self) -> float:
        """Width over pitch; 0.5 on a line-pair target."""
        return self.width_mm / self.pitch_mm

    def summary(self) -> str:
        """One line for people."""
        flags = f", {', '.join(self.flags)}" if self.flags else ""
        return (
            f"{self.n_bars} bars, pitch {self.pitch_mm:.5g} mm (u {self.u_pitch_mm:.2g} mm), width over pitch "
            f"{self.share:.2f}{flags}"
        )

    def to_frame(self) -> pd.DataFrame:
        """The reading as one row of a table."""
        import pandas as pd

        row = {
            "n_bars": self.n_bars,
            "pitch_mm": self.pitch_mm,
            "u_pitch_mm": self.u_pitch_mm,
            "width_mm": self.width_mm,
            "blur_mm": self.blur_mm,
            "contrast": self.contrast,
            "flags": ";".join(self.flags),
        }
        return pd.DataFrame([row])

    def _repr_html_(self) -> str:
        return f"<p>{self.summary()}</p>"


def measure_pitch(
    profile: FloatArray, *, step_mm: float, n_bars: int | None = None, where: str = "profile"
) -> PitchReading:
    """Fit a row of equal, equally spaced, blurred bars to a profile across them.

    Parameters
    ----------
    profile : ndarray of float, shape (n,)
        Linear light along a line across the bars, best the mean of several lines; ground on both sides.
    step_mm : float
        Distance between samples.
    n_bars : int or None
        How many bars there are, two or more; None counts crests.
    where : str
        What to call the profile in a message.

    Returns
    -------
    PitchReading

    Raises
    ------
    ReadingError
        If fewer than two bars stand out, the bars are too fine for the samples, or the fit fails.

    Notes
    -----
    All bars share width, blur and contrast on a straight-line ground. What widens all bars alike (bloom, gamma, a wrong
    threshold) leaves the pitch alone: it rests on the distances between their middles. Where blur exceeds about half a
    width only contrast times width is determined and the reading says ``"merged"``; the pitch still holds.
    """
    light = np.asarray(profile, dtype=float)
    if light.ndim != 1 or light.size < 8 or not np.isfinite(light).all():
        raise ReadingError(f"{where}: needed are eight numbers or more along a line, got shape {light.shape}.")
    if not (math.isfinite(step_mm) and step_mm > 0):
        raise ReadingError(f"{where}: a step of {step_mm:g} mm is none. Give the pixel size in mm.")
    sign = _polarity(light)
    crests = _crests(sign * light)
    wanted = len(crests) if n_bars is None else n_bars
    if wanted < 2 or len(crests) < 2:
        raise ReadingError(f"{where}: {len(crests)} bars stand out, two are needed. Take a line across all bars.")
    if n_bars is not None and len(crests) != n_bars:
        raise ReadingError(f"{where}: {len(crests)} bars stand out, expected {n_bars}. Take a line across just these.")
    pitch_px = float(crests[-1] - crests[0]) / (len(crests) - 1)
    if pitch_px < _FEWEST_SAMPLES_PER_PITCH:
        raise ReadingError(
            f"{where}: bars every {pitch_px:.1f} pixels are too fine, {_FEWEST_SAMPLES_PER_PITCH} are needed. "
            "Scan at a higher resolution."
        )
    return _fit(light, sign, (crests[0] + crests[-1]) / 2.0, pitch_px, wanted, step_mm, where)


def _polarity(light: FloatArray) -> float:
    """1 for light bars on a dark ground, -1 for dark bars: the ends of the profile are ground."""
    n_end = max(2, light.size // 12)
    ground = np.median(np.concatenate([light[:n_end], light[-n_end:]]))
    return 1.0 if light.max() - ground >= ground - light.min() else -1.0


def _crests(light: FloatArray) -> FloatArray:
    """Places of the bars' middles, from crests of the profile or, on flat tops, the middle of the top."""
    from scipy.ndimage import gaussian_filter1d
    from scipy.signal import find_peaks

    smooth = gaussian_filter1d(light, 0.6)
    span = float(smooth.max() - smooth.min())
    # Ripple on a flat top is no bar: what counts must rise a share of the range above the valleys at its sides.
    peaks, _ = find_peaks(smooth, prominence=_LEAST_SHARE_OF_RANGE * span, height=smooth.min() + 0.35 * span)
    borders = [0, *(int(a + np.argmin(smooth[a:b])) for a, b in itertools.pairwise(peaks)), smooth.size - 1]
    return np.array(
        [_middle_of_top(smooth, int(peak), borders[i], borders[i + 1]) for i, peak in enumerate(peaks)], dtype=float
    )


def _middle_of_top(light: FloatArray, peak: int, left: int, right: int) -> float:
    """Middle between the places where a crest falls half-way to the higher of the valleys beside it."""
    level = 0.5 * (light[peak] + max(light[left], light[right]))
    below_left = np.flatnonzero(light[left:peak] < level)
    below_right = np.flatnonzero(light[peak : right + 1] < level)
    start = left + below_left[-1] + 1 if below_left.size else left
    stop = peak + below_right[0] - 1 if below_right.size else right
    return 0.5 * float(start + stop)


def _fit(
    light: FloatArray, sign: float, middle_px: float, pitch_px: float, n_bars: int, step_mm: float, where: str
) -> PitchReading:
    from scipy.optimize import least_squares

    x = np.arange(light.size, dtype=float)
    low, high = float(light.min()), float(light.max())
    ground, contrast = (low, high - low) if sign > 0 else (high, low - high)
    start = np.array([middle_px, pitch_px, 0.5 * pitch_px, 0.25 * pitch_px, ground, 0.0, contrast])
    span = abs(contrast)
    bounds = (
        [0.0, 0.7 * pitch_px, 0.1 * pitch_px, 0.1, -np.inf, -np.inf, -np.inf],
        [float(light.size), 1.4 * pitch_px, 0.95 * pitch_px, 2.0 * pitch_px, np.inf, np.inf, np.inf],
    )
    scales = np.array([pitch_px, pitch_px, pitch_px, pitch_px, span, span / light.size, span])
    result = least_squares(
        lambda values: _bars(x, values, n_bars) - light, start, bounds=bounds, x_scale=scales, max_nfev=400
    )
    degrees = light.size - start.size
    variance = 2.0 * result.cost / max(degrees, 1)
    covariance = variance * np.linalg.pinv(result.jac.T @ result.jac)
    values = result.x
    plain = light - np.polyval(np.polyfit(x, light, 1), x)
    if degrees < 1 or not result.success or 2.0 * result.cost > (1.0 - _LEAST_EXPLAINED) * float(plain @ plain):
        raise ReadingError(
            f"{where}: no row of {n_bars} equal bars explains the profile. Take a line across just these."
        )
    u_pitch_px = math.sqrt(max(float(covariance[1, 1]), 0.0))
    if u_pitch_px > 0.1 * values[1]:
        raise ReadingError(f"{where}: blur hides where the bars are. Scan sharper or at a higher resolution.")
    share = values[2] / values[1]
    merged = values[3] > 0.5 * min(values[2], values[1] - values[2])
    flags = ["bloomed"] if share > _EVEN_SHARE[1] else ["starved"] if share < _EVEN_SHARE[0] and not merged else []
    return PitchReading(
        pitch_mm=float(values[1]) * step_mm,
        u_pitch_mm=u_pitch_px * step_mm,
        width_mm=float(values[2]) * step_mm,
        blur_mm=float(values[3]) * step_mm,
        n_bars=n_bars,
        contrast=float(values[6]),
        flags=(*flags, *(("merged",) if merged else ())),
    )


def _bars(x: FloatArray, values: FloatArray, n_bars: int) -> FloatArray:
    """The model: pixel samples of blurred bars on a straight-line ground."""
    from scipy.special import ndtr

    middle, pitch, width, blur, ground, slope, contrast = values
    centres = middle + (np.arange(n_bars) - (n_bars - 1) / 2.0) * pitch
    left = ndtr((x[:, None] - centres + width / 2.0) / blur)
    right = ndtr((x[:, None] - centres - width / 2.0) / blur)
    return np.asarray(ground + slope * (x - middle) + contrast * (left - right).sum(axis=1))
