"""What a verdict may be wrong about, weighed by marginal likelihood: noise, films over a feature, marks in its place.

A slot or hole that something thin closes lets through a part of the light. Openings of about its size tell how large it
should be and what contrast it should show, and how far both scatter; under a film both are less by one factor that
may be anything. Where the blur joins its edges, light that is missing over its width and light that is dimmed look
alike, and the chances say so.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import betainc, gammaln

from sharpset.readings.edges.open_steps import OPEN_FROM
from sharpset.readings.edges.strips import StripFits
from sharpset.readings.holes.discs import DiscFit

__all__ = [
    "ALIKE",
    "FILMED",
    "FILMED_IN_PART",
    "HOLE_FORMED_FROM",
    "LEAST_SCATTER_MM",
    "LEVEL_OFF",
    "THIN_BARS",
    "Opening",
    "among_open",
    "film_chances",
    "hole_chances",
    "hole_openings",
    "log_student",
    "mark_chances",
    "middle_of",
    "share_chances",
    "strip_openings",
]

FloatArray = NDArray[np.float64]
HOLE_FORMED_FROM = 0.10
"""Share of its nominal area from which on a hole is open."""
FILMED, FILMED_IN_PART, THIN_BARS = 0.02, 0.005, 0.001
"""Chances, before anything is seen, that something thin closes an opening, that it closes a part of one unseen, and
that a bar lets light through."""
_MARKED = 0.05
"""Chance that a foreign mark that lets light through lies where a hole did not form."""
ALIKE, _FEWEST = 0.3, 3
"""Logarithm of sizes that openings are compared within, and how many they must be."""
_TAILS = 5.0
"""Degrees of freedom of Student's t for how features scatter: a few differ by far more than most."""
LEAST_SCATTER_MM, _LEAST_SCATTER = 0.0015, 0.02
"""Of sizes and contrasts of openings alike, those beside walls and in the open among them (some per cent)."""
_LET_THROUGH = np.linspace(0.02, 0.97, 39)
"""Shares of an opening's contrast that may be left under a film, all as likely."""
_DIAMETERS = 400
LEVEL_OFF = 0.15
"""Share of the contrast by which light beside a feature may stray from the plate's or the ground's; levels further off
are neither."""
_TELLING = 0.1
"""Standard uncertainty of a contrast below which it is a measure for others'."""
_DIMMED, _NEAREST, _BY_SIZE = 0.75, 5, 0.15
"""Contrast over that of the next wider openings below which one is no measure for others; how many of those are looked
at; by what contrasts may differ between sizes a factor of e apart (taken, no source)."""
_PLACES = np.pi * 0.15**2
"""Area (mm2) about a hole's place in which marks would be taken for it."""


def share_chances(share: FloatArray, u_share: FloatArray, *, low: float, high: float) -> FloatArray:
    """Return the chances that a share lies below `low`, between, and from `high` on, shape (3, n).

    Parameters
    ----------
    share, u_share : ndarray of float, shape (n,)
        Mean and standard deviation; between nought and one shares are taken for beta-distributed.
    low, high : float
    """
    mean = np.clip(share, 1e-3, 1 - 1e-3)
    variance = np.minimum(np.maximum(u_share, 1e-3) ** 2, 0.98 * mean * (1 - mean))
    counts = mean * (1 - mean) / variance - 1
    below, above = (
        betainc(mean * counts, (1 - mean) * counts, low),
        betainc((1 - mean) * counts, mean * counts, 1 - high),
    )
    return np.asarray(np.stack((below, np.maximum(1 - below - above, 0.0), above)))


def hole_chances(open_share: FloatArray, u_open_share: FloatArray, *, low: float, high: float) -> FloatArray:
    """Return the chances that the open share of holes lies below `low`, between, and from `high` on, shape (3, n).

    Parameters
    ----------
    open_share, u_open_share : ndarray of float, shape (n,)
    low, high : float

    Notes
    -----
    Before they are seen half of the holes are closed, and diameters of the others anything up to a fifth more than
    drawn, or than was found: that a hole is open but hardly is less likely than that noise makes a closed one look so.
    """
    u = np.maximum(u_open_share, 1e-3)
    diameters = (
        (np.arange(_DIAMETERS) + 0.5) / _DIAMETERS * np.maximum(1.2, 2 * np.sqrt(np.maximum(open_share, 0.0)))[:, None]
    )
    shares = diameters**2
    z = (open_share[:, None] - np.column_stack((np.zeros(len(u)), shares))) / u[:, None]
    likely = np.exp(-0.5 * (z**2 - np.min(z**2, axis=1, keepdims=True)))
    likely[:, 1:] /= _DIAMETERS
    total = likely.sum(axis=1)
    below = (likely[:, 0] + np.where(shares < low, likely[:, 1:], 0.0).sum(axis=1)) / total
    above = np.where(shares >= high, likely[:, 1:], 0.0).sum(axis=1) / total
    return np.asarray(np.stack((below, np.maximum(1 - below - above, 0.0), above)))


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Opening:
    """What openings of one kind show; every array has one entry an opening.

    Attributes
    ----------
    size_mm, u_size_mm, nominal_mm : ndarray of float
        Fitted with the scan's contrast, with the uncertainty by noise and misfit alone; drawn.
    by_contrast : ndarray of float
        By which power of the contrast the fitted size would change: 1 (holes: a half) where only their product is
        seen, 0 of wide openings.
    contrast, u_contrast : ndarray of float
        By the opening's own data, from the plate's light as the maps say it to what shows through; NaN where they tell
        none.
    whole : ndarray of bool
        Those that others are compared with.
    """

    size_mm: FloatArray
    u_size_mm: FloatArray
    nominal_mm: FloatArray
    by_contrast: FloatArray
    contrast: FloatArray
    u_contrast: FloatArray
    whole: NDArray[np.bool_]

    def some(self, chosen: NDArray[np.intp]) -> Opening:
        """Return some of them."""
        return Opening(**{name: getattr(self, name)[chosen] for name in self.__dataclass_fields__})


def strip_openings(
    fits: StripFits, own: StripFits, nominal_mm: FloatArray, *, is_bar: NDArray[np.bool_], whole: NDArray[np.bool_]
) -> Opening:
    """Return what strips show of size and contrast; `own` are fits each with its own contrast."""
    width = np.maximum(fits.width_mm, 1e-4)
    return Opening(
        size_mm=fits.width_mm,
        u_size_mm=np.hypot(fits.parts.noise_mm, fits.parts.misfit_mm),
        nominal_mm=nominal_mm,
        by_contrast=np.minimum(np.abs(fits.parts.per_contrast_mm) / width, 1.0),
        contrast=own.contrast + np.where(is_bar, 0.0, _below_plate(own.level)),
        u_contrast=own.u_contrast,
        whole=whole & (fits.width_mm > OPEN_FROM * nominal_mm),
    )


def hole_openings(fitted: Sequence[DiscFit], nominal_mm: FloatArray) -> Opening:
    """Return what holes show of size and contrast, as they are judged by."""
    parts = [f.parts for f in fitted]
    diameter = np.array([f.diameter_mm for f in fitted])
    per_contrast = np.array([float(one.per_contrast_mm[0]) for one in parts])
    return Opening(
        size_mm=diameter,
        u_size_mm=np.array([float(np.hypot(one.noise_mm[0], one.misfit_mm[0])) for one in parts]),
        nominal_mm=nominal_mm,
        by_contrast=np.minimum(np.abs(per_contrast) / np.maximum(diameter, 1e-4), 1.0),
        contrast=np.array([f.own_contrast for f in fitted]) + _below_plate(np.array([f.level for f in fitted])),
        u_contrast=np.array([f.u_own_contrast for f in fitted]),
        whole=np.array([f.open_share for f in fitted]) >= HOLE_FORMED_FROM,
    )


def _below_plate(level: FloatArray) -> FloatArray:
    """Return how far the plate around openings lies below its maps; what shows through them does not fall with it."""
    return np.clip(1 - level, -LEVEL_OFF, LEVEL_OFF)


def among_open(openings: Opening) -> Opening:
    """Return openings of which others are compared only with those that are not clearly dimmer than wider ones.

    Parameters
    ----------
    openings : Opening
        Slots or holes. Thin bars may be dimmer than wide ones by what they are made of.

    Notes
    -----
    Where half of the openings of a size are filmed their median is a film's. What shows through an opening changes by
    little from one size to the next, so openings are gone through from the widest on, of one size the brightest first.
    """
    o = openings
    whole = o.whole.copy()
    joined: list[int] = []
    for i in np.lexsort((-np.nan_to_num(o.contrast), -o.nominal_mm)):
        if not (whole[i] and o.u_contrast[i] < _TELLING):
            continue
        nearest = joined[-_NEAREST:]
        if len(nearest) >= _FEWEST and o.contrast[i] + 3 * o.u_contrast[i] < _DIMMED * np.median(o.contrast[nearest]):
            whole[i] = False
        else:
            joined.append(int(i))
    return replace(o, whole=whole)


def film_chances(openings: Opening, *, before: float = FILMED) -> FloatArray:
    """Return the chance that something thin lies over each opening.

    Parameters
    ----------
    openings : Opening
    before : float
        That chance before anything is seen.

    Notes
    -----
    Size and contrast of open ones follow Student's t about the median of those alike; filmed ones the same about that
    median times what the film leaves, averaged over all that this may be. Where too few are alike the contrast of the
    next wider ones tells, the less the wider they are.
    """
    o, n = openings, len(openings.size_mm)
    chance = np.full(n, before)
    size, log_nominal = np.maximum(o.size_mm, 1e-4), np.log(o.nominal_mm)
    for i in range(n):
        alike = o.whole & (np.abs(log_nominal - log_nominal[i]) < ALIKE)
        alike[i] = False
        less = np.concatenate(([1.0], _LET_THROUGH))
        if alike.sum() < _FEWEST:
            likely = _beside_wider(o, i, less)
            if likely is not None:
                chance[i] = _chance(likely, before)
            continue
        grown, scatter = middle_of((size - o.nominal_mm)[alike], LEAST_SCATTER_MM)
        expected = max(float(o.nominal_mm[i] + grown), 0.2 * float(o.nominal_mm[i]))
        spread = np.hypot(scatter, o.u_size_mm[i])
        likely = log_student(size[i], expected * less ** o.by_contrast[i], spread)
        known = alike & (o.u_contrast < _TELLING)
        if np.isfinite(o.u_contrast[i]) and known.sum() >= _FEWEST:
            usual, scatter = middle_of(o.contrast[known], _LEAST_SCATTER)
            likely = likely + log_student(o.contrast[i], usual * less, np.hypot(scatter, o.u_contrast[i]))
        elif (beside := _beside_wider(o, i, less)) is not None:
            likely = likely + beside
        chance[i] = _chance(likely, before)
    return chance


def _chance(likely: FloatArray, before: float) -> float:
    """Return the chance of a film by logarithms of likelihoods without one and with each."""
    ratio = float(np.mean(np.exp(np.minimum(likely[1:] - likely[0], 50.0)))) * before / (1 - before)
    return ratio / (1 + ratio)


def _beside_wider(o: Opening, i: int, less: FloatArray) -> FloatArray | None:
    """Return how likely an opening's contrast is beside the nearest wider ones', None where there are too few."""
    wider = np.flatnonzero(o.whole & (o.nominal_mm > o.nominal_mm[i]) & (o.u_contrast < _TELLING))
    if len(wider) < _FEWEST or not o.u_contrast[i] < _TELLING:
        return None
    nearest = wider[np.argsort(o.nominal_mm[wider], kind="stable")][:_NEAREST]
    usual, scatter = middle_of(o.contrast[nearest], _LEAST_SCATTER)
    away = float(np.log(np.median(o.nominal_mm[nearest]) / o.nominal_mm[i]))
    scale = np.hypot(np.hypot(scatter, _BY_SIZE * away), o.u_contrast[i])
    return log_student(o.contrast[i], usual * less, scale)


def mark_chances(
    *,
    size_mm: FloatArray,
    nominal_mm: FloatArray,
    shift_mm: FloatArray,
    u_shift_mm: FloatArray,
    whole: NDArray[np.bool_],
) -> FloatArray:
    """Return the chance that what lets light through at each hole's place is a foreign mark.

    Parameters
    ----------
    size_mm, nominal_mm : ndarray of float, shape (n,)
        Fitted and drawn diameter.
    shift_mm : ndarray of float, shape (n, 2)
        Of the fitted centre from its nominal place.
    u_shift_mm : ndarray of float, shape (n,)
    whole : ndarray of bool, shape (n,)
        Those that others are compared with.
    """
    n = len(size_mm)
    chance = np.full(n, 0.0)
    if whole.sum() < _FEWEST + 1:
        return chance
    log_nominal = np.log(nominal_mm)
    middle = np.median(shift_mm[whole], axis=0)
    away = np.hypot(*(shift_mm - middle).T)
    # The median of Rayleigh's distribution is 1.18 standard deviations of a coordinate.
    scatter = max(float(np.median(away[whole])) / 1.18, 0.002)
    for i in range(n):
        alike = whole & (np.abs(log_nominal - log_nominal[i]) < ALIKE)
        alike[i] = False
        alike = alike if alike.sum() >= _FEWEST else whole
        grown, wide = middle_of((size_mm - nominal_mm)[alike], LEAST_SCATTER_MM)
        wide = np.hypot(wide, 0.1 * nominal_mm[i])
        by_size = float(log_student(size_mm[i], nominal_mm[i] + grown, wide))
        s2 = scatter**2 + u_shift_mm[i] ** 2
        # Student's t of two dimensions.
        by_place = -np.log(2 * np.pi * s2) - (_TAILS + 2) / 2 * np.log1p(away[i] ** 2 / (_TAILS * s2))
        odds = _MARKED / (1.5 * nominal_mm[i] * _PLACES) * np.exp(-min(by_size + float(by_place), 700.0))
        chance[i] = odds / (1 + odds)
    return chance


def middle_of(values: FloatArray, least: float) -> tuple[float, float]:
    """Return the median and the standard deviation with which one more value scatters about it."""
    middle = float(np.median(values))
    scatter = max(1.4826 * float(np.median(np.abs(values - middle))), least)
    # The median of k normal values scatters by 1.25 / sqrt(k) of one.
    return middle, float(scatter * np.sqrt(1 + 1.25**2 / len(values)))


def log_student(value: FloatArray | float, mean: FloatArray | float, scale: FloatArray | float) -> FloatArray:
    """Return the logarithm of the density of Student's t."""
    z = (value - mean) / scale
    norm = gammaln((_TAILS + 1) / 2) - gammaln(_TAILS / 2) - 0.5 * np.log(_TAILS * np.pi)
    return np.asarray(norm - np.log(scale) - (_TAILS + 1) / 2 * np.log1p(z * z / _TAILS))
