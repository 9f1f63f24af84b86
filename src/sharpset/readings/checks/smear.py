"""Pictures in which piece and sensor moved: blur along a line, and double images."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sharpset.readings.edges.blur import EdgeSpread, edge_profile
from sharpset.readings.edges.profiles import LEAST_NOISE, Profiles
from sharpset.readings.edges.sampling import Samples
from sharpset.readings.edges.spread import without_pixels
from sharpset.readings.edges.strips import LOOSE, StripFits, fit_strips
from sharpset.readings.features.piece_samples import PieceSamples

__all__ = ["Smear", "measure_smear"]

FloatArray = NDArray[np.float64]
_WIDE_PX, _CLEAR, _APART, _MOST_STRIPS = 7.0, 2.5, 3.5, 64
"""Pixels and blurs from which on a strip tells its own blur, and blurs from which on its edges are apart: where blur
along one direction is wide, there are few such strips across it."""
_FEWEST, _DIRECTIONS = 2, 3
"""Strips of a direction, and directions, from which on the blur of all directions is told."""
_SAME_DEG = 10.0
_SPREADS = 5.0
_REACH, _STEP = 14.0, 0.25
"""Blurs on either side of an edge that are looked at, in steps of so many."""
_ASKEW, _LONG = 0.1, 1.8
_MOST_ASKEW, _MOST_LONG = 0.35, 0.55
"""Of the smallest wanted detail. Rendered pictures of four scenes, moved evenly along a line. At a slant sizes were off
by 1 um at 0.34 and 0.36 of it, all within intervals, but by 6 um at 0.38 and 0.48 and 19 at 0.63, with 77 to 92 %
within, as the blur is taken to lie along columns and rows. Along those they were off by 1 to 2 um up to 0.47, all
within, and by 2 to 6 um from 0.62 on, 91 to 100 %."""
_SOME_GHOST, _MOST_GHOST, _MOST_STEPPED = 0.006, 0.025, 0.015
"""Of the contrast. Second images of 5 % showed 0.012 to 0.019 and moved sizes by 0.4 to 2 um, those of 15 % 0.038 and
more and moved them by 1 to 7, 74 to 100 % within intervals."""
_DOUBLED = 1.5
"""Two images of the same strength that lie far enough apart to be told from one widen the blur by more than that;
steps on edges of one direction that are no broader than others are roughness of the print."""
_MOST_STATED = 9.9
_BESIDE, _WINDOW, _WITHIN = 1.0, 4, 3.0
"""Blurs from which on something lies beside an edge, over how many steps it must, and within which an edge is."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Smear:
    """What moved while a picture was taken leaves of its edges.

    Attributes
    ----------
    ratio, u_ratio : float
        Blur (standard deviation) along the direction in which it is widest over that across it, and its standard
        uncertainty; 1 where too few edges tell it.
    askew, u_askew : float
        Covariance of the blur's parts along columns and rows over the sum of their variances, 0.5 at most, and its
        standard uncertainty: what a blur that is stated along columns and rows leaves out.
    highest_mm : float
        The widest blur.
    direction_deg : float
        Of the widest blur, from the columns' direction, clockwise as seen in the picture, 0 to 180.
    ghost : float
        Light that edges lack on one side and have on the other alike, whichever way they face, as a share of the
        contrast, less three times its standard uncertainty: a second, fainter image beside the first.
    stepped : float
        How far edges of the direction in which they suit their blur least depart from it, the same on both sides, as a
        share of the contrast (root mean square within three blurs), less that of the direction in which they suit it
        best: 0.01 by an even motion several times the blur, 0.03 to 0.06 by two images of the same strength.
    """

    ratio: float = 1.0
    u_ratio: float = 0.0
    askew: float = 0.0
    u_askew: float = 0.0
    highest_mm: float = 0.0
    direction_deg: float = 0.0
    ghost: float = 0.0
    stepped: float = 0.0

    @property
    def is_askew(self) -> bool:
        """Whether the blur clearly lies along neither columns nor rows."""
        return self.askew - 3 * self.u_askew > _ASKEW

    @property
    def is_along_a_line(self) -> bool:
        """Whether the blur is clearly wider along one direction than a lens and a carriage make it."""
        return self.is_askew or self.ratio - 3 * self.u_ratio > _LONG

    def blurred(self) -> str:
        """Return how the blur lies, in words."""
        return (
            f"edges are blurred along a line at {self.direction_deg:.0f} degrees to the rows, by "
            f"{1000 * self.highest_mm:.0f} um (standard deviation) and {min(self.ratio, _MOST_STATED):.1f} times as "
            "much as across it"
        )

    def fault(self, wanted_mm: float) -> str:
        """Return what forbids a reading of details of a size, in words; empty where nothing does."""
        if self.ghost > _MOST_GHOST:
            return f"edges show twice, the second time with {self.ghost:.0%} of their contrast or more"
        if self.stepped > _MOST_STEPPED and self.ratio - 3 * self.u_ratio > _DOUBLED:
            return f"edges rise in steps along one direction (by {self.stepped:.1%} of their contrast off their blur)"
        most = _MOST_ASKEW if self.is_askew else _MOST_LONG
        return self.blurred() if self.is_along_a_line and self.highest_mm > most * wanted_mm else ""

    def remark(self) -> str:
        """Return what is worth a remark though it stops no reading; empty where nothing is."""
        if self.ghost > _SOME_GHOST:
            return f"edges show twice, the second time with {self.ghost:.1%} of their contrast or more"
        return self.blurred() if self.is_along_a_line else ""


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Edges:
    """Wide strips with their profiles and fits."""

    samples: Samples
    profiles: Profiles
    fits: StripFits
    spread: EdgeSpread
    noise_inflation: float

    def some(self, chosen: NDArray[np.intp]) -> _Edges:
        return replace(
            self,
            samples=without_pixels(self.samples, chosen),
            profiles=self.profiles.some(chosen),
            fits=self.fits.some(chosen),
        )


def measure_smear(strips: PieceSamples) -> Smear:
    """Compare the blur of wide strips' edges by direction, and edges that face opposite ways.

    Parameters
    ----------
    strips : PieceSamples

    Returns
    -------
    Smear

    Notes
    -----
    A lens out of focus blurs all directions alike, a carriage along the columns or rows. A piece or a camera that
    moves blurs along a line of any direction. The variance of the blur across an edge of normal n is n C n for a
    covariance C of the line spread in the picture, which edges of three directions tell.

    A second image, displaced by d, takes light from the plate beside each edge that faces against d and adds as much
    to the ground beside each that faces along d. Shade and lit walls change the ground only, a wrong curve and
    sharpening change edges that face opposite ways alike: none of them does both.
    """
    width = np.array([strip.width_mm for strip in strips.samples.strips])
    wide = np.flatnonzero(width > max(_WIDE_PX * strips.samples.pixel_mm, _CLEAR * strips.spread.mean_sigma_mm))
    if len(wide) > _MOST_STRIPS:
        wide = wide[np.linspace(0, len(wide) - 1, _MOST_STRIPS).astype(int)]
    if len(wide) == 0:
        return Smear(**_as_stated(strips.spread))
    samples, profiles = without_pixels(strips.samples, wide), strips.profiles.some(wide)
    fits = fit_strips(samples, profiles, strips.spread, LOOSE)
    clear = (fits.contrast > 0.7) & (fits.contrast < 1.3) & (fits.width_mm > _CLEAR * fits.sigma_mm)
    edges = _Edges(
        samples=samples, profiles=profiles, fits=fits, spread=strips.spread, noise_inflation=strips.noise_inflation
    ).some(np.flatnonzero(clear))
    n_directions = len(_told(edges))
    blur = _by_direction(edges) if n_directions >= _DIRECTIONS else _as_stated(strips.spread)
    apart = edges.some(np.flatnonzero(edges.fits.width_mm > _APART * edges.fits.sigma_mm))
    seen = [_beside(apart.some(group)) for group in _told(apart)]
    stepped = [within for _, within in seen] or [0.0]
    return Smear(ghost=max((ghost for ghost, _ in seen), default=0.0), stepped=max(stepped) - min(stepped), **blur)


def _told(edges: _Edges) -> list[NDArray[np.intp]]:
    """Return the directions that enough strips tell."""
    return [group for group in _directions(edges.samples.normal) if len(group) >= _FEWEST]


def _as_stated(spread: EdgeSpread) -> dict[str, float]:
    """Return the blur along columns and rows, where too few directions tell more."""
    sigma = (spread.sigma_x_mm, spread.sigma_y_mm)
    ratio = max(sigma) / min(sigma)
    return {
        "ratio": ratio,
        "u_ratio": ratio * spread.u_evident,
        "highest_mm": max(sigma),
        "direction_deg": 0.0 if sigma[0] > sigma[1] else 90.0,
    }


def _by_direction(edges: _Edges) -> dict[str, float]:
    """Fit the covariance of the line spread to the blur of wide strips."""
    variance = edges.fits.sigma_mm**2
    x, y = edges.samples.normal.T
    design = np.column_stack((x**2, y**2, 2 * x * y)) / variance[:, None]
    weights, scale = np.ones(len(variance)), 0.1
    least = 1e-9 * np.eye(3) / np.median(variance) ** 2
    for _ in range(10):
        weighted = (design * weights[:, None]).T
        parts = np.linalg.solve(weighted @ design + least, weighted.sum(axis=1))
        away = 1 - design @ parts
        scale = max(1.4826 * float(np.median(np.abs(away))), 1e-3)
        weights = np.clip(1 - (away / (_SPREADS * scale)) ** 2, 0, None) ** 2
    covariance = np.linalg.inv(weighted @ design + least) * scale**2
    values, vectors = np.linalg.eigh(np.array([[parts[0], parts[2]], [parts[2], parts[1]]]))
    values = np.maximum(values, 1e-2 * values[1])
    ratio, both = float(np.sqrt(values[1] / values[0])), float(values.sum())
    # The derivatives of a variance along (cos, sin) by the three parts.
    low, high = (np.array([v[0] ** 2, v[1] ** 2, 2 * v[0] * v[1]]) for v in vectors.T)
    step = high / values[1] - low / values[0]
    return {
        "ratio": ratio,
        "u_ratio": 0.5 * ratio * float(np.sqrt(step @ covariance @ step)),
        "askew": abs(float(parts[2])) / both,
        "u_askew": float(np.sqrt(covariance[2, 2])) / both,
        "highest_mm": float(np.sqrt(values[1])),
        "direction_deg": float(np.degrees(np.arctan2(vectors[1, 1], vectors[0, 1])) % 180),
    }


def _directions(normal: FloatArray) -> list[NDArray[np.intp]]:
    """Group normals that run alike, opposite ones together."""
    angle = np.degrees(np.arctan2(normal[:, 1], normal[:, 0])) % 180
    left, groups = np.arange(len(angle)), []
    while len(left):
        apart = np.abs(angle[left] - angle[left[0]])
        alike = np.minimum(apart, 180 - apart) < _SAME_DEG
        groups.append(left[alike])
        left = left[~alike]
    return groups


def _beside(edges: _Edges) -> tuple[float, float]:
    """Return the ghost beside edges of one direction, and how far they depart from their blur (see `Smear`)."""
    profiles, fits, spread = edges.profiles, edges.fits, edges.spread
    normal = edges.samples.normal
    along = np.where(normal @ normal[0] >= 0, 1.0, -1.0)[:, None]
    d = along * (profiles.d_mm - fits.centre_mm[:, None])
    half, sigma = fits.width_mm[:, None] / 2, fits.sigma_mm[:, None]
    sign = np.where(edges.samples.is_bar, 1.0, -1.0)[:, None]
    kind = spread.shape
    span = edge_profile(d + half, sigma, kind) - edge_profile(d - half, sigma, kind)
    level = fits.level[:, None] + fits.slope_per_mm[:, None] * profiles.d_mm
    residual = profiles.solid - level - sign * fits.contrast[:, None] * span
    variance = (np.maximum(profiles.noise, LEAST_NOISE)[:, None] * edges.noise_inflation) ** 2
    # Edges that rise along the direction and those that fall, the latter turned over: what lies beyond them is plate
    # for the first and ground for the others.
    rising, u_rising = _mean_by_place(profiles, residual, variance, (d + sign * half) / sigma, sign * d < 0)
    falling, u_falling = _mean_by_place(profiles, -residual, variance, (d - sign * half) / sigma, sign * d > 0)
    # What edges that face opposite ways have alike on either side, seen in the picture, less what they have by facing.
    plate, u_plate = (rising + falling[::-1]) / 2, np.hypot(u_rising, u_falling[::-1]) / 2
    ground, u_ground = (falling + rising[::-1]) / 2, np.hypot(u_falling, u_rising[::-1]) / 2
    middle = len(plate) // 2
    beyond = slice(middle + round(_BESIDE / _STEP), None)
    of_plate, of_ground = (
        _mean_of_steps(plate[beyond], u_plate[beyond]),
        _mean_of_steps(ground[beyond], u_ground[beyond]),
    )
    surely = np.minimum(np.abs(of_plate[0]) - 3 * of_plate[1], np.abs(of_ground[0]) - 3 * of_ground[1])
    both = np.where(of_plate[0] * of_ground[0] > 0, surely, 0.0)
    common = (rising + falling) / 2
    odd = ((common - common[::-1]) / 2)[middle : middle + round(_WITHIN / _STEP)]
    departs = float(np.sqrt(np.mean(odd[np.isfinite(odd)] ** 2))) if np.isfinite(odd).any() else 0.0
    return float(np.nan_to_num(both).max(initial=0.0)), departs


def _mean_of_steps(values: FloatArray, u: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return running means over some steps and their standard uncertainties."""
    window = np.ones(_WINDOW) / _WINDOW
    variance = np.convolve(u**2, window, mode="valid") / _WINDOW
    return np.convolve(values, window, mode="valid"), np.sqrt(variance)


def _mean_by_place(
    profiles: Profiles, residual: FloatArray, variance: FloatArray, place: FloatArray, wanted: NDArray[np.bool_]
) -> tuple[FloatArray, FloatArray]:
    """Return mean residuals by the distance from an edge in steps, and their standard uncertainties; NaN where none."""
    n_bins = 2 * round(_REACH / _STEP)
    bins = np.floor((place + _REACH) / _STEP).astype(np.intp)
    used = wanted & (profiles.n_pixels > 0) & (bins >= 0) & (bins < n_bins)
    n, where = profiles.n_pixels[used], bins[used]
    weight = np.bincount(where, n, n_bins)
    safe = np.where(weight > 0, weight, np.nan)
    mean = np.bincount(where, n * residual[used], n_bins) / safe
    return mean, np.sqrt(np.bincount(where, (n * np.broadcast_to(variance, residual.shape)[used]), n_bins)) / safe
