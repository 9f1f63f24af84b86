"""The mean power spectrum of rough edges, and the fit of an autocovariance, noise and a ripple to it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import gammainccinv

__all__ = ["SpectrumFit", "fit_spectrum"]

FloatArray = NDArray[np.float64]
_CHANCE = 0.001
_NEIGHBOURS = 1.5
"""Neighbouring frequencies of a Hann-windowed spectrum are not independent: variances grow by about this."""
_LEAST_TRANSFER = 0.1
_MOST_STEPS, _AT_REST = 60, 1e-6
"""Half a deviance that a last step may still gain; a standard error is one half."""
_NEAR, _FAR = 3, 7
"""Frequencies this far from a ripple are its neighbours: a Hann window spreads it over two on either side."""


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class SpectrumFit:
    """What a mean spectrum says; see `sharpset.readings.edge_quality.roughness.EdgeRoughness`."""

    sd_mm: float
    u_sd_mm: float
    correlation_mm: float
    u_correlation_mm: float
    noise_mm: float
    shape: str
    peak_period_mm: float
    u_peak_period_mm: float
    peak_amplitude_mm: float
    table: pd.DataFrame


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Model:
    """Expected periodogram of windowed tracks, exact for their finite length.

    Frequencies are in cycles per step. The autocovariance of the edge is smoothed by the blur along it,
    multiplied with the autocorrelation of the window, and transformed.
    """

    n: int
    frequency: FloatArray
    """Of the densities that `blurred` turns into expected power."""
    blurred: FloatArray
    white: FloatArray
    """Expected power of white noise of variance 1."""

    @classmethod
    def of(cls, lagged_window: FloatArray, transfer: FloatArray, n: int) -> _Model:
        """Return the model of tracks of `n` steps; it is linear in the density, so that one matrix says it all."""
        n_fine = 2 * (len(transfer) - 1)
        frequency: FloatArray = np.fft.rfftfreq(n_fine).astype(float)
        # A density at one frequency is a cosine of the lag, and so is what the power at a frequency takes of each lag.
        lag = np.arange(n)
        cosines = np.cos(2 * np.pi * frequency[:, None] * lag)
        both_sides = np.where((frequency == 0) | (frequency == 0.5), 1.0, 2.0) / n_fine
        noise = np.zeros((1, n))
        noise[0, 0] = 1.0
        seen = np.vstack(((both_sides * transfer**2)[:, None] * cosines, noise)) * lagged_window
        taken = np.where(lag == 0, 1.0, 2.0) * np.cos(2 * np.pi * np.fft.rfftfreq(n)[:, None] * lag)
        power = seen @ taken.T / lagged_window[0]
        return cls(n=n, frequency=frequency, blurred=power[:-1].T.copy(), white=power[-1])

    def expected(self, p: FloatArray, shape: str) -> FloatArray:
        """Return the expected periodogram for the logarithms of deviation, correlation length and noise."""
        return np.asarray(self.blurred @ self._density(p, shape)[0] + np.exp(2 * p[2]) * self.white)

    def rates(self, p: FloatArray, shape: str) -> FloatArray:
        """Return how it changes with each of them, shape (3, n_frequencies)."""
        density, by_length = self._density(p, shape)
        edge, longer = np.stack((density, by_length)) @ self.blurred.T
        return np.stack((2 * edge, longer, 2 * np.exp(2 * p[2]) * self.white))

    def _density(self, p: FloatArray, shape: str) -> tuple[FloatArray, FloatArray]:
        """Return the edge's power density, and its derivative by the logarithm of the correlation length."""
        sd, length = np.exp(p[:2])
        turn = (np.pi * self.frequency * length) ** 2
        if shape == "exponential":
            density = sd**2 * 2 * length / (1 + 4 * turn)
            return density, density * (1 - 4 * turn) / (1 + 4 * turn)
        density = sd**2 * np.sqrt(np.pi) * length * np.exp(-turn)
        return density, density * (1 - 2 * turn)


_Smooth = tuple[FloatArray, Callable[[FloatArray], float], float, str]


def fit_spectrum(shift_mm: FloatArray, *, step_mm: float, sigma_mm: float, noise_mm: float) -> SpectrumFit:
    """Fit the mean power spectrum of edges by Whittle's likelihood.

    Parameters
    ----------
    shift_mm : ndarray of float, shape (n_edges, n_steps)
        Displacements without gaps and without their straight line.
    step_mm : float
    sigma_mm : float
        Blur along the edge, standard deviation.
    noise_mm : float
        Standard deviation of a step's displacement that pixel noise explains; a start value.

    Returns
    -------
    SpectrumFit

    References
    ----------
    P. Whittle (1953), Estimation and information in stationary time series, Arkiv for Matematik 2, 423-434.
    """
    n_edges, n = shift_mm.shape
    window = np.hanning(n + 2)[1:-1]
    power = np.mean(np.abs(np.fft.rfft(shift_mm * window, axis=1)) ** 2, axis=0) / np.sum(window**2)
    lagged = np.correlate(window, window, "full")[n - 1 :]
    f_fine = np.fft.rfftfreq(max(1024, 1 << int(np.ceil(np.log2(4 * n)))))
    # Steps one pixel long average over a pixel; the blur is a Gaussian along the edge as across it.
    transfer = np.exp(-2 * (np.pi * f_fine * sigma_mm / step_mm) ** 2)
    model = _Model.of(lagged, transfer, n)
    f = np.fft.rfftfreq(n)
    used = (f > 1.5 / n) & (f < 0.5)
    # Where blur leaves less than a tenth of an edge's power, pixels beat with edges that lean, and feign ripples.
    shown = used & (np.exp(-4 * (np.pi * f * sigma_mm / step_mm) ** 2) > _LEAST_TRANSFER)
    best = min(
        (_fit(power, model, used, noise_mm, shape, n_edges) for shape in ("gaussian", "exponential")),
        key=lambda found: found[2],
    )
    peak = _peak(power, model.expected(best[0], best[3]), shown, n_edges)
    if peak is not None:
        apart = used & (np.abs(np.arange(len(f)) - peak) > 2)
        best = min(
            (_fit(power, model, apart, noise_mm, shape, n_edges) for shape in ("gaussian", "exponential")),
            key=lambda found: found[2],
        )
        peak = _peak(power, model.expected(best[0], best[3]), shown, n_edges)
    return _result(power, model, best, peak, step_mm=step_mm, sigma_mm=sigma_mm, n_edges=n_edges, window=window)


def _fit(
    power: FloatArray, model: _Model, used: NDArray[np.bool_], noise_mm: float, shape: str, n_edges: int
) -> _Smooth:
    """Return parameters, half the deviance as a function of them, that of these, and the shape."""
    floor = float(np.median(np.sqrt(power[-len(power) // 8 :])))
    noise = float(np.clip(floor, 0.3 * noise_mm, 3 * noise_mm))
    total = float(np.sqrt(max(float(np.mean(power[used])) - noise**2, 0.05 * noise**2)))

    def deviance(p: FloatArray) -> float:
        expected = np.maximum(model.expected(p, shape)[used], 1e-30)
        # The noise that the pixels explain is known to some tens of per cent.
        prior = 0.5 * ((p[2] - np.log(noise_mm)) / 0.5) ** 2 + 0.5 * ((p[1] - np.log(6.0)) / 2.0) ** 2
        return float(n_edges * np.sum(np.log(expected) + power[used] / expected) / _NEIGHBOURS + prior)

    def equations(p: FloatArray) -> tuple[FloatArray, FloatArray]:
        expected = np.maximum(model.expected(p, shape)[used], 1e-30)
        rates = model.rates(p, shape)[:, used] / expected
        precision = np.array([0.0, 2.0**-2, 0.5**-2])
        away = p - np.array([0.0, np.log(6.0), np.log(noise_mm)])
        return (
            n_edges / _NEIGHBOURS * (rates @ rates.T) + np.diag(precision),
            n_edges / _NEIGHBOURS * (rates @ (power[used] / expected - 1)) - precision * away,
        )

    start = np.array([np.log(total), np.log(6.0), np.log(noise)])
    trials = [_lowest(deviance, equations, start + np.array([0.0, shift, 0.0])) for shift in (-0.7, 0.9)]
    found, value = min(trials, key=lambda trial: trial[1])
    return found, deviance, value, shape


def _lowest(
    deviance: Callable[[FloatArray], float],
    equations: Callable[[FloatArray], tuple[FloatArray, FloatArray]],
    p: FloatArray,
) -> tuple[FloatArray, float]:
    """Return the parameters of the lowest deviance, and it, by Fisher's scoring, damped after Marquardt."""
    value, damping = deviance(p), 1e-3
    information, pull = equations(p)
    for _ in range(_MOST_STEPS):
        step = np.linalg.solve(information + np.diag(damping * np.diag(information) + 1e-9), pull)
        trial = p + np.clip(step, -1.0, 1.0)
        new = deviance(trial)
        if new > value:
            damping *= 8
            if damping > 1e8:
                break
            continue
        gained, p, value, damping = value - new, trial, new, damping / 5
        if gained < _AT_REST:
            break
        information, pull = equations(p)
    return p, value


def _covariance(deviance: Callable[[FloatArray], float], p: FloatArray) -> FloatArray:
    """Return the inverse of the second derivatives by finite differences."""
    h = 0.02
    size = len(p)
    second = np.empty((size, size))
    steps = np.eye(size) * h
    for i in range(size):
        for j in range(size):
            second[i, j] = (
                deviance(p + steps[i] + steps[j])
                - deviance(p + steps[i] - steps[j])
                - deviance(p - steps[i] + steps[j])
                + deviance(p - steps[i] - steps[j])
            ) / (4 * h * h)
    values, vectors = np.linalg.eigh((second + second.T) / 2)
    return np.asarray((vectors / np.maximum(values, 1e-2)) @ vectors.T)


def _peak(power: FloatArray, expected: FloatArray, used: NDArray[np.bool_], n_edges: int) -> int | None:
    """Return the index of a frequency that stands out of the smooth spectrum, if one does.

    No real edge follows the fitted autocovariance exactly, and the mean of many edges shows every misfit. A ripple
    therefore has to stand out of its neighbours on both sides as well.
    """
    ratio = np.where(used, power / np.maximum(expected, 1e-30), np.nan)
    limit = float(gammainccinv(n_edges, _CHANCE / max(int(used.sum()), 1))) / n_edges
    above = np.zeros(len(ratio))
    for k in np.flatnonzero(used):
        sides = [ratio[max(k - _FAR, 0) : max(k - _NEAR + 1, 0)], ratio[k + _NEAR : k + _FAR + 1]]
        sides = [side[np.isfinite(side)] for side in sides]
        if min(len(side) for side in sides) >= 2:
            above[k] = ratio[k] / max(1.0, *(float(side.max()) for side in sides))
    where = int(np.argmax(above))
    return where if above[where] > limit else None


def _result(
    power: FloatArray,
    model: _Model,
    best: _Smooth,
    peak: int | None,
    *,
    step_mm: float,
    sigma_mm: float,
    n_edges: int,
    window: FloatArray,
) -> SpectrumFit:
    p, deviance, _, shape = best
    covariance = _covariance(deviance, p)
    sd, length = float(np.exp(p[0])), float(np.exp(p[1]))
    deviation = np.sqrt(np.diag(covariance))
    f = np.fft.rfftfreq(model.n)
    expected = model.expected(p, shape)
    noise = float(np.exp(2 * p[2]))
    transfer = np.exp(-4 * (np.pi * f * sigma_mm / step_mm) ** 2)
    own = np.where(transfer > _LEAST_TRANSFER, (power - noise) / np.maximum(transfer, _LEAST_TRANSFER), np.nan)
    with np.errstate(divide="ignore"):
        period = step_mm / f
    table = pd.DataFrame(
        {
            "frequency_per_mm": f / step_mm,
            "period_mm": period,
            "measured_mm3": 2 * power * step_mm,
            "model_mm3": 2 * expected * step_mm,
            "edge_mm3": 2 * own * step_mm,
        }
    ).iloc[1:]
    ripple = _ripple(power, expected, peak, transfer, n_edges, window) if peak is not None else None
    return SpectrumFit(
        sd_mm=sd,
        u_sd_mm=sd * float(deviation[0]),
        correlation_mm=length * step_mm,
        u_correlation_mm=length * step_mm * float(deviation[1]),
        noise_mm=float(np.exp(p[2])),
        shape=shape,
        peak_period_mm=step_mm / ripple.frequency if ripple else np.nan,
        u_peak_period_mm=step_mm / ripple.frequency**2 * ripple.u_frequency if ripple else np.nan,
        peak_amplitude_mm=ripple.amplitude if ripple else np.nan,
        table=table.reset_index(drop=True),
    )


@dataclass(frozen=True, kw_only=True, slots=True)
class _Ripple:
    """Frequency in cycles per step."""

    frequency: float
    u_frequency: float
    amplitude: float


def _ripple(
    power: FloatArray, expected: FloatArray, peak: int, transfer: FloatArray, n_edges: int, window: FloatArray
) -> _Ripple:
    """Return a ripple's frequency by the parabola through the logarithms of its three highest values."""
    n = len(window)
    k = int(np.clip(peak, 1, len(power) - 2))
    left, middle, right = np.log(power[k - 1 : k + 2])
    bend = left - 2 * middle + right
    shift = float(np.clip(0.5 * (left - right) / bend, -0.5, 0.5)) if bend < 0 else 0.0
    frequency = (k + shift) / n
    # Amplitude from the excess in the three values, which hold nearly all of a Hann-windowed line's power.
    excess = float(np.sum(np.maximum(power[k - 1 : k + 2] - expected[k - 1 : k + 2], 0.0)))
    share = np.abs(np.fft.rfft(window * np.cos(2 * np.pi * frequency * np.arange(n)))) ** 2 / np.sum(window**2)
    amplitude = float(np.sqrt(excess / max(float(share[k - 1 : k + 2].sum()), 1e-12) / max(transfer[k], 1e-3)))
    # Bound for one line in noise of density `expected` (Rife & Boorstyn 1974), all edges together; the window
    # leaves about three eighths of the data's weight.
    seen = amplitude**2 * transfer[k]
    u = np.sqrt(24 * expected[k] / (seen * n_edges * (0.6 * n) ** 3)) / (2 * np.pi)
    return _Ripple(frequency=frequency, u_frequency=float(u), amplitude=amplitude)
