"""Rough borders: correlated noise, strips with two rough edges, rough rings."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import MultiPolygon, Polygon

__all__ = ["STEP_MM", "Roughness", "Strip", "make_strip", "rough_circle", "rough_ring"]

Floats = NDArray[np.float64]

STEP_MM = 0.010
"""Distance between points along a rough border."""


@lru_cache(maxsize=64)
def _taps(sigma: float) -> Floats:
    """Return a Gaussian kernel that leaves white noise its variance."""
    x = np.arange(-math.ceil(4 * sigma), math.ceil(4 * sigma) + 1)
    kernel = np.exp(-0.5 * (x / sigma) ** 2)
    return np.asarray(kernel / np.sqrt(np.sum(kernel**2)), dtype=np.float64)


@dataclass(frozen=True, kw_only=True, slots=True)
class Roughness:
    """How one edge wanders about its line.

    Attributes
    ----------
    sd_mm : float
        Standard deviation of the random part.
    correlation_mm : float
        Lag at which its autocorrelation has fallen to about exp(-1/2).
    ripple_mm, pitch_mm : float
        Amplitude and pitch of the periodic part.
    """

    sd_mm: float
    correlation_mm: float
    ripple_mm: float = 0.0
    pitch_mm: float = 1.0

    def draw(self, n: int, rng: np.random.Generator, *, step_mm: float, closed: bool = False) -> Floats:
        """Return displacements of one edge at equal steps.

        Parameters
        ----------
        n : int
        rng : numpy.random.Generator
        step_mm : float
        closed : bool
            Whether the last point lies beside the first.

        Returns
        -------
        ndarray of float, shape (n,)
            Mean zero over many draws. Nine tenths of the variance have the stated correlation
            length, one tenth a third of it, as printed edges are rougher close up than a Gaussian
            correlation allows.
        """
        out = np.zeros(n)
        for share, length in ((0.9, self.correlation_mm), (0.1, self.correlation_mm / 3)):
            taps = _taps(round(max(length / math.sqrt(2) / step_mm, 0.05), 3))
            pad = len(taps) // 2
            white = rng.standard_normal(n if closed else n + 2 * pad)
            white = np.pad(white, pad, mode="wrap") if closed else white
            out += math.sqrt(share) * self.sd_mm * np.convolve(white, taps, mode="valid")
        phase = rng.uniform(0, 2 * math.pi)
        if self.ripple_mm > 0 and self.pitch_mm > 2 * step_mm:
            turns = n * step_mm / self.pitch_mm
            turns = round(turns) if closed else turns
            out += self.ripple_mm * np.sin(2 * math.pi * turns * np.arange(n) / n + phase)
        return out


@dataclass(frozen=True, kw_only=True)
class Strip:
    """A printed slot or bar in its own frame: s along it, v across it, both from its centre.

    Attributes
    ----------
    s_mm, upper_mm, lower_mm : ndarray of float, shape (n,)
        Edges as functions of s. Where the strip is closed (slot) or missing (bar) both are equal.
    length_mm : float
        Nominal length.
    """

    s_mm: Floats
    upper_mm: Floats
    lower_mm: Floats
    length_mm: float

    def _within(self, share: float) -> NDArray[np.bool_]:
        inside: NDArray[np.bool_] = np.abs(self.s_mm) <= share * self.length_mm / 2 + 1e-12
        return inside

    def width_mm(self, *, share: float = 0.8) -> float:
        """Return the mean width over the middle part of the nominal length, where it is there at all.

        Parameters
        ----------
        share : float
            Part of the nominal length that counts; 0.8 leaves a tenth off at each end.

        Returns
        -------
        float
            NaN where nothing is there.
        """
        width = (self.upper_mm - self.lower_mm)[self._within(share)]
        width = width[width > 0]
        return float(width.mean()) if len(width) else math.nan

    def present_share(self, *, share: float = 0.8) -> float:
        """Return which part of the middle length is open (slot) or solid (bar), 0 to 1."""
        width = (self.upper_mm - self.lower_mm)[self._within(share)]
        return float(np.mean(width > 0))

    def centre_mm(self, *, share: float = 0.8) -> float:
        """Return the mean v of the middle line, NaN where nothing is there."""
        inside = self._within(share) & (self.upper_mm > self.lower_mm)
        return float(np.mean((self.upper_mm + self.lower_mm)[inside]) / 2) if inside.any() else math.nan

    def edge_roughness_mm(self, *, share: float = 0.8) -> float:
        """Return the standard deviation of the edges about straight lines (root mean square of both)."""
        inside = self._within(share) & (self.upper_mm > self.lower_mm)
        if inside.sum() < 10:
            return math.nan
        s = self.s_mm[inside] - self.s_mm[inside].mean()
        edges = np.vstack((self.upper_mm[inside], self.lower_mm[inside]))
        edges -= edges.mean(axis=1, keepdims=True)
        edges -= (edges @ s / (s @ s))[:, None] * s
        return math.sqrt(float(np.mean(edges**2)))

    def polygons(self) -> MultiPolygon:
        """Return the parts that are there, in the strip's own frame."""
        there = np.concatenate(([False], self.upper_mm > self.lower_mm, [False]))
        starts = np.flatnonzero(there[1:] & ~there[:-1])
        stops = np.flatnonzero(~there[1:] & there[:-1])
        parts = []
        for first, stop in zip(starts, stops, strict=True):
            if stop - first < 2:
                continue
            run = slice(first, stop)
            ring = np.concatenate(
                (
                    np.column_stack((self.s_mm[run], self.lower_mm[run])),
                    np.column_stack((self.s_mm[run], self.upper_mm[run]))[::-1],
                )
            )
            parts.append(Polygon(ring))
        return MultiPolygon(parts)


def make_strip(
    *,
    nominal_length_mm: float,
    length_mm: float,
    width_mm: float,
    shift_mm: float,
    corner_radius_mm: float,
    roughness: Roughness,
    rng: np.random.Generator,
    gone: list[tuple[float, float]] | None = None,
    step_mm: float = STEP_MM,
) -> Strip:
    """Draw one printed strip.

    Parameters
    ----------
    nominal_length_mm, length_mm : float
        As drawn, and as printed between the far ends.
    width_mm, shift_mm : float
        Mean width, and place of the middle line across the strip.
    corner_radius_mm : float
        Rounding of the ends; at most half the width. 0 for a strip that runs into solid material.
    roughness : Roughness
        Of each edge.
    rng : numpy.random.Generator
    gone : list of (from_mm, to_mm), optional
        Stretches along s that are closed or broken away.
    step_mm : float

    Returns
    -------
    Strip
        Also closed wherever its two rough edges meet.
    """
    n = max(24, math.ceil(length_mm / step_mm))
    s = np.linspace(-length_mm / 2, length_mm / 2, n + 1)
    upper = width_mm / 2 + roughness.draw(n + 1, rng, step_mm=length_mm / n)
    lower = -width_mm / 2 + roughness.draw(n + 1, rng, step_mm=length_mm / n)
    radius = min(corner_radius_mm, width_mm / 2, length_mm / 2)
    if radius > 0:
        into = np.clip(radius - (length_mm / 2 - np.abs(s)), 0.0, radius)
        inset = np.where(into > 0, radius - np.sqrt(np.maximum(radius**2 - into**2, 0.0)), 0.0)
        upper, lower = upper - inset, lower + inset
    middle = (upper + lower) / 2
    half = np.maximum((upper - lower) / 2, 0.0)
    for start, stop in gone or ():
        half[(s >= start) & (s <= stop)] = 0.0
    return Strip(
        s_mm=s, upper_mm=shift_mm + middle + half, lower_mm=shift_mm + middle - half, length_mm=nominal_length_mm
    )


def rough_circle(
    x_mm: float, y_mm: float, diameter_mm: float, *, roughness: Roughness, rng: np.random.Generator
) -> Polygon:
    """Return a printed round opening: mean radius and centre as asked, slightly oval, rough."""
    n = max(48, math.ceil(math.pi * diameter_mm / STEP_MM))
    angle = 2 * math.pi * np.arange(n) / n
    step = math.pi * diameter_mm / n
    noise = roughness.draw(n, rng, step_mm=step, closed=True)
    # Without its first harmonic the noise leaves the centre of the least-squares circle where it was asked for.
    for wave in (np.cos(angle), np.sin(angle)):
        noise -= 2 * np.mean(noise * wave) * wave
    oval = rng.normal(0, 0.3 * roughness.sd_mm) * np.cos(2 * (angle - rng.uniform(0, math.pi)))
    radius = np.maximum(diameter_mm / 2 + noise + oval - noise.mean(), 0.15 * diameter_mm)
    radius *= diameter_mm / 2 / radius.mean()
    return Polygon(np.column_stack((x_mm + radius * np.cos(angle), y_mm + radius * np.sin(angle))))


def rough_ring(
    shape: Polygon,
    *,
    growth_mm: float,
    corner_radius_mm: float,
    roughness: Roughness,
    rng: np.random.Generator,
    step_mm: float = STEP_MM,
) -> Polygon:
    """Return a printed outer border: grown (negative: shrunk), corners rounded, rough.

    Parameters
    ----------
    shape : shapely.Polygon
        Its openings are left out.
    growth_mm : float
        Per side.
    corner_radius_mm : float
        Of corners that point out and of corners that point in.
    roughness : Roughness
    rng : numpy.random.Generator
    step_mm : float

    Returns
    -------
    shapely.Polygon
    """
    grown = Polygon(shape.exterior).buffer(growth_mm, join_style="mitre", mitre_limit=10)
    r = corner_radius_mm
    if r > 0:
        rounded = grown.buffer(-r, quad_segs=24).buffer(2 * r, quad_segs=24).buffer(-r, quad_segs=24)
        if rounded.geom_type == "Polygon" and not rounded.is_empty:
            grown = rounded
    ring = shapely.orient_polygons(Polygon(grown.exterior)).exterior
    n = max(64, math.ceil(ring.length / step_mm))
    corners = shapely.get_coordinates(ring)
    reached = np.concatenate(([0.0], np.cumsum(np.hypot(*np.diff(corners, axis=0).T))))
    along = np.arange(n) * reached[-1] / n
    points = np.column_stack([np.interp(along, reached, corners[:, axis]) for axis in (0, 1)])
    # Normals from points a few steps apart, so that a corner of the polygon does not fold the ring.
    ahead, behind = np.roll(points, -2, axis=0), np.roll(points, 2, axis=0)
    tangent = ahead - behind
    tangent /= np.maximum(np.hypot(tangent[:, 0], tangent[:, 1]), 1e-12)[:, None]
    normal = np.column_stack((tangent[:, 1], -tangent[:, 0]))
    noise = roughness.draw(n, rng, step_mm=ring.length / n, closed=True)
    return Polygon(points + noise[:, None] * normal)
