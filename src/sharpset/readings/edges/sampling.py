"""Pixels around straight features, in each feature's own frame: across (d) and along (t) it, in mm on the glass."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from sharpset.readings.picture.end_of_scale import TrueMeans
from sharpset.readings.picture.light import PieceLight
from sharpset.scans import Pose

__all__ = ["INNER_MM", "Samples", "Strip", "sample_strips"]

FloatArray = NDArray[np.float64]
INNER_MM = 0.45
"""How far inside a very wide opening its pixels are still looked at."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Strip:
    """A slot or bar to be read.

    Attributes
    ----------
    name : str
    solid : bool
        True for a bar, False for a slot.
    width_mm, length_mm : float
        Nominal.
    x_mm, y_mm, angle_deg : float
        Nominal centre and direction in the piece frame.
    reach_mm : float
        How far beyond each nominal edge the neighbourhood is the feature's own.
    """

    name: str
    solid: bool
    width_mm: float
    length_mm: float
    x_mm: float
    y_mm: float
    angle_deg: float
    reach_mm: float


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Samples:
    """Pixels of many strips in flat arrays.

    Attributes
    ----------
    strips : tuple of Strip
    owner : ndarray of int, shape (n,)
        Index of the strip that each pixel belongs to, in rising order.
    d_mm, t_mm : ndarray of float, shape (n,)
        Position across and along the strip, from its nominal centre.
    solid : ndarray of float, shape (n,)
        Share solid: 1 on the plate, 0 on the background.
    normal : ndarray of float, shape (n_strips, 2)
        Unit normal on the glass (column, row) along which d rises.
    length_scale : ndarray of float, shape (n_strips,)
        Length on the glass of a nominal millimetre across the strip.
    half_length_mm : ndarray of float, shape (n_strips,)
        Half the length that is sampled; the ends are left out.
    pixel_mm : float
        Mean pixel pitch.
    pixel_area_mm2 : float
    true_means : TrueMeans, optional
        What means of the share solid are freed of.
    """

    strips: tuple[Strip, ...]
    owner: NDArray[np.intp]
    d_mm: FloatArray
    t_mm: FloatArray
    solid: FloatArray
    normal: FloatArray
    length_scale: FloatArray
    half_length_mm: FloatArray
    pixel_mm: float
    pixel_area_mm2: float
    true_means: TrueMeans | None = None

    def slices(self) -> list[slice]:
        """Return where each strip's pixels are."""
        ends = np.searchsorted(self.owner, np.arange(len(self.strips) + 1))
        return [slice(int(a), int(b)) for a, b in pairwise(ends)]

    def only(self, pixels: NDArray[np.intp]) -> Samples:
        """Return all strips with some of their pixels, whose indices rise."""
        return replace(
            self,
            owner=self.owner.take(pixels),
            d_mm=self.d_mm.take(pixels),
            t_mm=self.t_mm.take(pixels),
            solid=self.solid.take(pixels),
        )

    def pixels_of(self, chosen: NDArray[np.intp]) -> NDArray[np.bool_]:
        """Return which pixels are those of some strips."""
        found, slices = np.zeros(len(self.owner), dtype=bool), self.slices()
        for i in chosen:
            found[slices[i]] = True
        return found

    @property
    def is_bar(self) -> NDArray[np.bool_]:
        """Which strips were drawn solid, shape (n_strips,); the others are openings."""
        return np.array([strip.solid for strip in self.strips], dtype=bool)


def sample_strips(light: PieceLight, pose: Pose, strips: Sequence[Strip], *, end_mm: float) -> Samples:
    """Collect the native pixels around each strip.

    Parameters
    ----------
    light : PieceLight
    pose : Pose
    strips : sequence of Strip
    end_mm : float
        Length left out at each end, where corners are rounded.

    Returns
    -------
    Samples
    """
    pixel = np.array(pose.pixel_mm)
    n = len(strips)
    normal, along_scale = np.empty((n, 2)), np.empty(n)
    half = np.empty(n)
    parts = []
    for i, strip in enumerate(strips):
        turn = np.radians(strip.angle_deg)
        direction = pose.linear_mm @ [np.cos(turn), np.sin(turn)]
        stretch = float(np.hypot(*direction))
        u = direction / stretch
        across = pose.linear_mm @ [-np.sin(turn), np.cos(turn)]
        v = np.array([-u[1], u[0]])
        v = v if v @ across >= 0 else -v
        normal[i], along_scale[i] = v, float(across @ v)
        half[i] = max(strip.length_mm * stretch / 2 - end_mm, 0.25 * strip.length_mm * stretch)
        reach = strip.width_mm * along_scale[i] / 2 + strip.reach_mm
        centre = pose.to_pixels([[strip.x_mm, strip.y_mm]])[0]
        columns, rows = _box(light, centre, (np.abs(u) * half[i] + np.abs(v) * reach) / pixel)
        dx, dy = (columns - centre[0]) * pixel[0], ((rows - centre[1]) * pixel[1])[:, None]
        d, t = dx * v[0] + dy * v[1], dx * u[0] + dy * u[1]
        # The middle of a very wide opening says nothing about its edges.
        inner = strip.width_mm * along_scale[i] / 2 - INNER_MM
        away = np.abs(d)
        keep = away <= reach
        keep &= np.abs(t) <= half[i]
        if inner > 0:
            keep &= away >= inner
        # Several times as fast as picking by truth values.
        kept = np.flatnonzero(keep)
        d, t = d.take(kept), t.take(kept)
        solid = light.solid_grid(columns, rows, kept) if len(d) else np.zeros(0)
        if light.spill is not None:
            solid -= light.spill.beside_strip(
                _as_drawn(strip, d / along_scale[i], t / stretch),
                centre_mm=(strip.x_mm, strip.y_mm),
                angle_deg=strip.angle_deg,
                width_mm=strip.width_mm,
                length_mm=strip.length_mm,
                solid=strip.solid,
            )
        parts.append((np.full(len(d), i), d, t, solid))
    owner, d, t, solid = (np.concatenate(column) for column in zip(*parts, strict=True))
    return Samples(
        strips=tuple(strips),
        owner=owner,
        d_mm=d,
        t_mm=t,
        solid=solid,
        normal=normal,
        length_scale=along_scale,
        half_length_mm=half,
        pixel_mm=float(pixel.mean()),
        pixel_area_mm2=float(pixel.prod()),
        true_means=light.true_means,
    )


def _as_drawn(strip: Strip, d: FloatArray, t: FloatArray) -> FloatArray:
    """Return places across and along a strip in the piece frame, shape (n, 2)."""
    turn = np.radians(strip.angle_deg)
    x, y = t * np.cos(turn) - d * np.sin(turn), t * np.sin(turn) + d * np.cos(turn)
    return np.column_stack((strip.x_mm + x, strip.y_mm + y))


def _box(light: PieceLight, centre: FloatArray, extent: FloatArray) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return the columns and the rows of a box of pixels about a centre (column, row), cut to the crop."""
    n_rows, n_columns = light.shape
    left, top = light.origin
    low = np.maximum(np.floor(centre - extent).astype(int), [left, top])
    high = np.minimum(np.ceil(centre + extent).astype(int), [left + n_columns - 1, top + n_rows - 1])
    return np.arange(low[0], high[0] + 1), np.arange(low[1], high[1] + 1)
