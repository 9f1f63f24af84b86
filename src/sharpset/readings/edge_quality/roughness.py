"""Line-edge roughness: how edges of slots and bars wander along their length, by standard deviation and spectrum.

An edge's displacement is measured in steps of one pixel along it. Blur along the edge has smoothed what is measured,
and noise has been added; both are part of the model that is fitted to the mean power spectrum of all edges.
"""

from __future__ import annotations

import html
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sharpset.readings.edge_quality.roughness_spectrum import SpectrumFit, fit_spectrum
from sharpset.readings.edges.blur import EdgeSpread, blurred_edge
from sharpset.readings.edges.sampling import Samples
from sharpset.readings.edges.strips import StripFits
from sharpset.readings.quantity import Quantity

__all__ = ["EdgeRoughness", "EdgeTracks", "measure_roughness", "track_edges"]

FloatArray = NDArray[np.float64]
_FEWEST_STEPS = 48
_UNSURE = 0.15
"""Relative standard uncertainty from which the fitted standard deviation is an extrapolation."""
_TURNS = 3
_APART = 4.0
_NAME_WITHIN = 0.03
_MOST_STRIPS = 40


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class EdgeTracks:
    """Displacements of edges along their length.

    Attributes
    ----------
    feature_ids : list of str
        A name an edge; both edges of a feature carry its name.
    shift_mm : ndarray of float, shape (n_edges, n_steps)
        Displacement outwards (away from the feature's middle) from the edge's mean place, mm on the glass; NaN where it
        is not known.
    noise_mm : ndarray of float, shape (n_edges,)
        Standard deviation that pixel noise gives a single step.
    step_mm : float
    sigma_mm : float
        Blur along the edges (standard deviation), which smooths the displacements.
    """

    feature_ids: list[str]
    shift_mm: FloatArray
    noise_mm: FloatArray
    step_mm: float
    sigma_mm: float


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class EdgeRoughness:
    """Roughness of a piece's long edges.

    Attributes
    ----------
    sd_mm, U95_sd_mm : float
        Standard deviation of the edges without a ripple, the noise's share taken off and the blur's smoothing undone.
    correlation_mm, U95_correlation_mm : float
        Distance at which the autocovariance has fallen to 1/e; NaN where the edges wander less than can be told.
    shape : str
        'exponential' or 'gaussian', whichever autocovariance describes the spectrum better.
    peak_period_mm, U95_peak_period_mm, peak_amplitude_mm : float
        Of a ripple that stands out of the spectrum, NaN where none does.
    peak_name : str
        What the period agrees with ('layer height', 'pixel pitch'), else ``'period 0.12 mm'``, empty without a peak.
    n_edges : int
    spectrum : pandas.DataFrame
        frequency_per_mm, period_mm, measured_mm3 (one-sided power spectral density as measured), model_mm3 (fitted,
        blur and noise included), edge_mm3 (of the edge itself; NaN where blur leaves too little of it).
    edges : pandas.DataFrame
        feature_id, sd_mm (noise removed, smoothing by blur not undone), a row an edge.
    """

    sd_mm: float
    U95_sd_mm: float
    correlation_mm: float
    U95_correlation_mm: float
    shape: str
    peak_period_mm: float
    U95_peak_period_mm: float
    peak_amplitude_mm: float
    peak_name: str
    n_edges: int
    spectrum: pd.DataFrame
    edges: pd.DataFrame

    def summary(self) -> str:
        """Return the roughness in one line."""
        if not np.isfinite(self.sd_mm):
            return "edge roughness: too few long edges on this scan to tell"
        text = f"edge roughness {1000 * self.sd_mm:.1f} +- {1000 * self.U95_sd_mm:.1g} um (standard deviation)"
        if np.isfinite(self.correlation_mm):
            text += f", correlation length {self.correlation_mm:.3f} +- {self.U95_correlation_mm:.2g} mm"
        if self.peak_name:
            text += f"; ripple of {1000 * self.peak_amplitude_mm:.1f} um, {self.peak_name}"
        return text + f" (n = {self.n_edges} edges)"

    def to_frame(self) -> pd.DataFrame:
        """Return the spectrum."""
        return self.spectrum

    def quantities(self) -> dict[str, Quantity]:
        """Return the roughness as quantities of the piece."""
        rows = (
            ("roughness_sd_mm", self.sd_mm, self.U95_sd_mm),
            ("roughness_correlation_mm", self.correlation_mm, self.U95_correlation_mm),
            ("roughness_peak_period_mm", self.peak_period_mm, self.U95_peak_period_mm),
        )
        return {name: Quantity(name=name, unit="mm", value=v, U95=u, n=self.n_edges) for name, v, u in rows}

    def _repr_html_(self) -> str:
        return html.escape(self.summary())


def track_edges(
    samples: Samples, fits: StripFits, spread: EdgeSpread, noise: FloatArray, *, usable: NDArray[np.bool_]
) -> EdgeTracks:
    """Follow single edges of slots and bars step by step.

    Parameters
    ----------
    samples : Samples
        As sampled, not straightened.
    fits : StripFits
    spread : EdgeSpread
    noise : ndarray of float, shape (n_strips,)
        Standard deviation of one pixel (share solid).
    usable : ndarray of bool, shape (n_strips,)
        Strips that formed over their whole length.

    Returns
    -------
    EdgeTracks
        Of strips whose edges stand at least four blurs apart.

    Notes
    -----
    A step's displacement is that which makes the residual orthogonal to the slope of the blurred edge (weighted
    least squares for one parameter), by three Newton steps; a step that moves by more than two blurs is left out.
    """
    chosen = usable & (fits.width_mm > _APART * fits.sigma_mm)
    step = samples.pixel_mm
    n_steps = int(np.floor(2 * samples.half_length_mm.max() / step))
    column = np.floor((samples.t_mm + samples.half_length_mm[samples.owner]) / step).astype(np.intp)
    inside = chosen[samples.owner] & (column < n_steps)
    names: list[str] = []
    shifts: list[FloatArray] = []
    noises: list[float] = []
    order = np.flatnonzero(inside)
    ends = np.searchsorted(samples.owner.take(order), np.arange(len(samples.strips) + 1))
    for i in _spread_out(np.flatnonzero(chosen), _MOST_STRIPS):
        here = order[ends[i] : ends[i + 1]]
        for side in (-1.0, 1.0):
            track, u = _track(samples, fits, spread, int(i), here, column[here], side, float(noise[i]), n_steps)
            if np.isfinite(track).sum() >= _FEWEST_STEPS:
                names.append(samples.strips[i].name)
                shifts.append(track)
                noises.append(u)
    sigma = float(np.median(fits.sigma_mm[chosen])) if chosen.any() else spread.mean_sigma_mm
    return EdgeTracks(
        feature_ids=names,
        shift_mm=np.array(shifts).reshape(len(names), n_steps),
        noise_mm=np.array(noises),
        step_mm=step,
        sigma_mm=sigma,
    )


def _spread_out(indices: NDArray[np.intp], most: int) -> NDArray[np.intp]:
    """Return at most so many of the indices, evenly taken."""
    if len(indices) <= most:
        return indices
    return np.asarray(indices[np.linspace(0, len(indices) - 1, most).astype(int)])


def _track(
    samples: Samples,
    fits: StripFits,
    spread: EdgeSpread,
    strip: int,
    here: NDArray[np.intp],
    column: NDArray[np.intp],
    side: float,
    noise: float,
    n_steps: int,
) -> tuple[FloatArray, float]:
    """Return the displacement of one edge outwards in every step, and the noise of a step."""
    sigma, width = float(fits.sigma_mm[strip]), float(fits.width_mm[strip])
    kind = spread.shape
    height = float(fits.contrast[strip]) * (1.0 if samples.strips[strip].solid else -1.0)
    d = samples.d_mm[here]
    outwards = side * (d - fits.centre_mm[strip]) - width / 2
    near = np.flatnonzero(np.abs(outwards) < min(3.5 * sigma, width / 2))
    outwards, column = outwards.take(near), column.take(near)
    level = fits.level[strip] + fits.slope_per_mm[strip] * d.take(near)
    seen = samples.solid.take(here.take(near)) - level
    shift = np.zeros(n_steps)
    power = shift.copy()
    for _ in range(_TURNS):
        step, line = blurred_edge((shift[column] - outwards) / sigma, kind)
        residual = seen - height * step
        slope = height / sigma * line
        power = np.asarray(np.bincount(column, slope**2, n_steps), dtype=np.float64)
        moved = np.bincount(column, slope * residual, n_steps)
        shift = shift + np.where(power > 0, moved / np.where(power > 0, power, 1.0), 0.0)
        shift = np.clip(shift, -2.5 * sigma, 2.5 * sigma)
    typical = float(np.median(power[power > 0])) if np.any(power > 0) else np.inf
    known = (power > 0.5 * typical) & (np.abs(shift) < 2 * sigma)
    middle = np.median(shift[known]) if known.any() else 0.0
    spread_mm = 1.4826 * np.median(np.abs(shift[known] - middle)) if known.any() else 0.0
    # What lies five spreads away is dust on the edge, not the edge.
    known &= np.abs(shift - middle) <= 5 * spread_mm + 1e-9
    return np.where(known, shift, np.nan), noise / np.sqrt(typical)


def measure_roughness(tracks: EdgeTracks, *, known_mm: Mapping[str, float] | None = None) -> EdgeRoughness:
    """Measure standard deviation, correlation length, spectrum and ripple of edges.

    Parameters
    ----------
    tracks : EdgeTracks
    known_mm : mapping of str to float, optional
        Lengths that a ripple may come from, such as ``{'layer height': 0.05, 'pixel pitch': 0.035}``, mm.

    Returns
    -------
    EdgeRoughness
        Uncertainties cover the finite length of the edges and noise. They leave out the scale of the scan.

    Notes
    -----
    A ripple counts where the mean spectrum exceeds the fitted smooth one with a chance below 0.001 over all
    frequencies together. Wandering slower than the length of the edges cannot be told from an edge that leans.
    """
    if len(tracks.feature_ids) < 2:
        return _nothing(len(tracks.feature_ids))
    filled = _filled(tracks.shift_mm)
    fit = fit_spectrum(
        filled, step_mm=tracks.step_mm, sigma_mm=tracks.sigma_mm, noise_mm=float(np.sqrt(np.mean(tracks.noise_mm**2)))
    )
    spread = np.nanvar(tracks.shift_mm, axis=1, ddof=2) - tracks.noise_mm**2
    edges = pd.DataFrame({"feature_id": tracks.feature_ids, "sd_mm": np.sqrt(np.maximum(spread, 0.0))})
    # Edges that wander less than can be told have no correlation length either.
    seen = fit.sd_mm > 1.96 * fit.u_sd_mm and fit.correlation_mm > 1.96 * fit.u_correlation_mm
    sd, u_sd = fit.sd_mm, fit.u_sd_mm
    own = edges["sd_mm"].to_numpy(dtype=float)
    typical = float(np.sqrt(np.mean(own**2)))
    if u_sd > _UNSURE * sd and sd > 2 * typical > 2 * fit.noise_mm:
        # Wandering much shorter than the blur, or longer than the edges, is an extrapolation; what the edges
        # themselves show is not.
        sd, u_sd = typical, float(np.std(own, ddof=1) / np.sqrt(len(own)))
        seen = False
    return EdgeRoughness(
        sd_mm=sd,
        U95_sd_mm=1.96 * u_sd,
        correlation_mm=fit.correlation_mm if seen else np.nan,
        U95_correlation_mm=1.96 * fit.u_correlation_mm if seen else np.nan,
        shape=fit.shape,
        peak_period_mm=fit.peak_period_mm,
        U95_peak_period_mm=1.96 * fit.u_peak_period_mm,
        peak_amplitude_mm=fit.peak_amplitude_mm,
        peak_name=_peak_name(fit, known_mm or {}),
        n_edges=len(edges),
        spectrum=fit.table,
        edges=edges,
    )


def _filled(shift_mm: FloatArray) -> FloatArray:
    """Return the tracks with their gaps bridged and a straight line taken off each."""
    n = shift_mm.shape[1]
    place = np.arange(n, dtype=float)
    out = np.empty_like(shift_mm)
    for i, row in enumerate(shift_mm):
        known = np.isfinite(row)
        line = np.polyfit(place[known], row[known], 1)
        out[i] = np.interp(place, place[known], row[known] - np.polyval(line, place[known]))
    return out


def _peak_name(fit: SpectrumFit, known_mm: Mapping[str, float]) -> str:
    if not np.isfinite(fit.peak_period_mm):
        return ""
    for name, length in known_mm.items():
        # Edges at 45 degrees cross a square raster once in root two of its pitch.
        for factor, how in ((1.0, ""), (np.sqrt(2.0), " across its diagonal")):
            away = abs(fit.peak_period_mm - factor * length)
            if away <= 1.96 * fit.u_peak_period_mm + _NAME_WITHIN * factor * length:
                return f"{name} ({length:g} mm){how}"
    return f"period {fit.peak_period_mm:.3g} mm"


def _nothing(n_edges: int) -> EdgeRoughness:
    nan = float("nan")
    columns = ["frequency_per_mm", "period_mm", "measured_mm3", "model_mm3", "edge_mm3"]
    return EdgeRoughness(
        sd_mm=nan,
        U95_sd_mm=nan,
        correlation_mm=nan,
        U95_correlation_mm=nan,
        shape="",
        peak_period_mm=nan,
        U95_peak_period_mm=nan,
        peak_amplitude_mm=nan,
        peak_name="",
        n_edges=n_edges,
        spectrum=pd.DataFrame(columns=columns, dtype=float),
        edges=pd.DataFrame({"feature_id": pd.Series(dtype=str), "sd_mm": pd.Series(dtype=float)}),
    )
