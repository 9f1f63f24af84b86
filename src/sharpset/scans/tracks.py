"""Find rows of graduations of a known pitch on a thumbnail of a scan, along either axis.

A row of graduations is a wave of known length. The thumbnail is multiplied by that wave (quadrature
demodulation) and averaged over some ten pitches: where the wave takes a good share of the local
variation, graduations may lie. The phase then tells the turn, the place and the number of each.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from sharpset.scans.references import ScaleReference
from sharpset.scans.scan import Scan

__all__ = ["Thumbnail", "Track", "find_tracks", "thumbnail_for"]

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex64]

_STEPS_PER_PITCH = 6.0
_ACROSS_MM = 0.4
_WINDOW_PERIODS, _WINDOW_SQUARES = 8, 4
_LEAST_SHARE = 0.22
"""Of the local variation that the wave must take; lines a fifth of their pitch wide give 0.4 and more."""
_LEAST_AMPLITUDE = 0.004
_LEAST_PERIODS, _LEAST_SQUARES = 10, 4
_MOST_TURN = math.tan(math.radians(10.0))
_MOST_TRACKS = 6
_PHASE_SLACK = 0.13


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Thumbnail:
    """A small picture as stored; row r of it lies at native row (r + 0.5) * factor - 0.5."""

    stored: NDArray[Any]
    decode: Callable[[NDArray[Any]], NDArray[np.float32]]
    factor: int
    step_mm: tuple[float, float]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Track:
    """A row of graduations, roughly: good to a tenth of a pitch.

    Attributes
    ----------
    axis : int
        0 along the columns' direction (x), 1 along the rows' (y).
    along_px : ndarray of float, shape (n,)
        Native pixel position of each graduation along the axis, at the middle of the track.
    across_px : ndarray of float, shape (n,)
        Native pixel position across.
    wave : ndarray of float, shape (2,)
        Graduations per native pixel along and across the axis.
    height_px : float
        Across the axis, how many native pixels show the graduations.
    rising : ndarray of bool, shape (n,), optional
        Of edges of squares, whether light rises along the axis; None for lines.
    """

    axis: int
    along_px: FloatArray
    across_px: FloatArray
    wave: FloatArray
    height_px: float
    rising: NDArray[np.bool_] | None = None


def thumbnail_for(scan: Scan, reference: ScaleReference, *, channel: int | None) -> Thumbnail:
    """The thumbnail on which graduations of a reference can be seen: about six pixels a pitch."""
    # Rows of squares are half a period high and must be told apart too.
    step_mm = reference.pitch_mm / _STEPS_PER_PITCH
    factor = max(1, min(int(step_mm / max(scan.pixel_mm)), scan.n_rows, scan.n_columns))
    stored = scan.reduced(factor, channel)
    return Thumbnail(
        stored=stored, decode=scan.decode, factor=factor, step_mm=(factor * scan.pixel_mm.x, factor * scan.pixel_mm.y)
    )


def find_tracks(
    thumbnail: Thumbnail, reference: ScaleReference, *, axis: int, exclude_px: Sequence[FloatArray] = ()
) -> list[Track]:
    """Look for rows of graduations along one axis.

    Parameters
    ----------
    thumbnail : Thumbnail
    reference : ScaleReference
    axis : {0, 1}
        0 along x, 1 along y.
    exclude_px : sequence of ndarray, shape (n, 2)
        Outlines (native column, row) of what is not looked at: the pieces.

    Returns
    -------
    list of Track
        Longest first; whether they are graduations is for the fit on native pixels to say.
    """
    field = _demodulate(thumbnail, reference, axis, exclude_px)
    found: list[Track] = []
    for part in field.parts():
        found += _tracks_of(field, part, several=field.squares)
        if len(found) >= 4 * _MOST_TRACKS:
            break
    return sorted(found, key=lambda track: -len(track.along_px))[:_MOST_TRACKS]


def _period_mm(reference: ScaleReference) -> float:
    return reference.pitch_mm * (2.0 if reference.kind == "checkerboard" else 1.0)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Field:
    """The demodulated picture; axis 1 of the arrays runs along the graduations, axis 0 in cells across."""

    z: ComplexArray
    mask: NDArray[np.uint8]
    axis: int
    period: float  # in steps along
    cell: int  # steps across in one cell
    factor: int
    ratio: float  # step along over step across, mm
    squares: bool

    @property
    def window(self) -> int:
        """Periods over which the wave is averaged."""
        return _WINDOW_SQUARES if self.squares else _WINDOW_PERIODS

    @property
    def shortest(self) -> float:
        """Steps that a row must be long."""
        return (_LEAST_SQUARES if self.squares else _LEAST_PERIODS) * self.period

    def parts(self) -> Iterator[NDArray[np.bool_]]:
        """Connected parts that are long enough, strongest first."""
        n, labels, stats, _ = cv2.connectedComponentsWithStats(self.mask, connectivity=8)
        long = [k for k in range(1, n) if stats[k, cv2.CC_STAT_WIDTH] >= self.shortest]
        strength = np.bincount(labels.ravel(), np.abs(self.z).ravel(), n)
        for k in sorted(long, key=lambda k: -strength[k])[: 2 * _MOST_TRACKS]:
            yield labels == k


def _demodulate(thumbnail: Thumbnail, reference: ScaleReference, axis: int, exclude_px: Sequence[FloatArray]) -> _Field:
    squares = reference.kind == "checkerboard"
    period_mm = _period_mm(reference)
    stored = thumbnail.stored if axis == 0 else thumbnail.stored.T
    along_mm, across_mm = thumbnail.step_mm if axis == 0 else thumbnail.step_mm[::-1]
    period = period_mm / along_mm
    cell = (
        max(1, round(min(_ACROSS_MM, reference.pitch_mm / 4) / across_mm))
        if squares
        else max(1, round(_ACROSS_MM / across_mm))
    )
    n_cells, n_steps = max(1, stored.shape[0] // cell), stored.shape[1]
    cells = cv2.resize(np.ascontiguousarray(stored[: n_cells * cell]), (n_steps, n_cells), interpolation=cv2.INTER_AREA)
    band = thumbnail.decode(cells)
    one = max(3, round(period) | 1)
    band = band - cv2.blur(band, (one, 1))
    window = (_WINDOW_SQUARES if squares else _WINDOW_PERIODS) * period
    turn = 2.0 * np.pi / period * np.arange(n_steps)
    # Two boxes make a triangle: no side lobes that would smear a strong edge along the row.
    half = (max(3, round(window / 2) | 1), 1)
    z = np.empty((n_cells, n_steps), np.complex64)
    z.real = cv2.blur(cv2.blur(band * np.cos(turn).astype(np.float32), half), half)
    z.imag = cv2.blur(cv2.blur(-band * np.sin(turn).astype(np.float32), half), half)
    power = cv2.blur(cv2.blur(band * band, half), half)
    share = 2.0 * np.abs(z) ** 2 / np.maximum(power, 1e-9)
    mask = ((share > _LEAST_SHARE) & (np.abs(z) > _LEAST_AMPLITUDE)).astype(np.uint8)
    scale = np.array([thumbnail.factor, thumbnail.factor * cell], dtype=float)
    for outline in exclude_px:
        points = (outline if axis == 0 else outline[:, ::-1]) / scale
        cv2.fillPoly(mask, [np.round(points).astype(np.int32)], 0)
    return _Field(
        z=z,
        mask=mask,
        axis=axis,
        period=period,
        cell=cell,
        factor=thumbnail.factor,
        ratio=along_mm / across_mm,
        squares=squares,
    )


def _tracks_of(field: _Field, part: NDArray[np.bool_], *, several: bool) -> list[Track]:
    rows, columns = np.nonzero(part)
    top, bottom, left, right = rows.min(), rows.max() + 1, columns.min(), columns.max() + 1
    z = np.where(part[top:bottom, left:right], field.z[top:bottom, left:right], np.complex64(0))
    # Radians per step and per cell, on top of the nominal wave. Rows of squares alternate in sign: squares have none.
    signless = np.asarray(z * z / np.maximum(np.abs(z), 1e-9), np.complex64) if several else z
    along, across = (part / (2.0 if several else 1.0) for part in _phase_gradient(signless, round(field.period)))
    wave_along = 2.0 * np.pi / field.period + along
    tilt = across / field.cell / wave_along
    if abs(tilt * field.ratio) > _MOST_TURN:
        return []
    steps, cells = np.arange(z.shape[1]), np.arange(z.shape[0])
    flat = z * np.exp(-1j * (along * steps[None, :] + across * cells[:, None]))
    # The row runs along the wave as it lies in mm; this is its slope in cells per step.
    line = tilt * field.ratio**2 / field.cell
    lane = np.round(cells[:, None] - line * (steps[None, :] - steps.mean())).astype(int)
    first = lane.min()
    total = np.zeros(lane.max() - first + 1, complex)
    np.add.at(total, lane - first, flat)
    tracks = []
    for low, high in _lanes(total, several=several):
        inside = (lane - first >= low) & (lane - first <= high)
        row = _Row(
            inside=inside,
            centre=first + _middle(total, low, high),
            line=line,
            along=along,
            across=across,
            n_lanes=high - low + 1,
        )
        track = _number(field, z, row, origin=(left, top))
        if track is not None:
            tracks.append(track)
    return tracks


def _phase_gradient(z: ComplexArray, period: int) -> tuple[float, float]:
    """Mean change of phase per step along and per cell across, by products at rising distances."""
    along = 0.0
    for lag in (max(1, period // 2), 2 * period, 6 * period):
        if lag >= z.shape[1]:
            break
        product = np.sum(z[:, lag:] * np.conj(z[:, :-lag]))
        along += float(np.angle(product * np.exp(-1j * along * lag))) / lag
    if z.shape[0] < 2:
        return along, 0.0
    across = 0.0
    for lag in (1, 2, 4):
        if lag >= z.shape[0] or (lag > 1 and z.shape[0] < 2 * lag):
            break
        product = np.sum(z[lag:] * np.conj(z[:-lag]))
        if lag > 1 and abs(product) < 0.5 * np.sum(np.abs(z[lag:]) * np.abs(z[:-lag])):
            break
        across += float(np.angle(product * np.exp(-1j * across * lag))) / lag
    return along, across


def _middle(total: NDArray[np.complex128], low: int, high: int) -> float:
    """Middle of a range of lanes, by what each takes part, and its neighbours too."""
    lanes = np.arange(max(0, low - 1), min(len(total), high + 2))
    along = np.real(total[lanes] * np.conj(total[low : high + 1].sum()))
    weight = np.clip(along, 0.0, None)
    return float(np.sum(weight * lanes) / weight.sum())


def _lanes(total: NDArray[np.complex128], *, several: bool) -> list[tuple[int, int]]:
    """Ranges of lanes whose phases agree, strongest first; one unless several are wanted."""
    left = np.abs(total)
    strongest = float(left.max())
    found: list[tuple[int, int]] = []
    while left.max() > 0.5 * strongest and len(found) < (_MOST_TRACKS if several else 1):
        peak = int(np.argmax(left))
        agrees = (left > 0.5 * left[peak]) & (np.abs(np.angle(total * np.conj(total[peak]))) < 2 * np.pi * _PHASE_SLACK)
        low = high = peak
        while low > 0 and agrees[low - 1]:
            low -= 1
        while high + 1 < len(total) and agrees[high + 1]:
            high += 1
        found.append((low, high))
        left[max(0, low - 1) : high + 2] = 0.0
    return found


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Row:
    """A row of graduations in one part of the field: which cells, its middle cell, its slope, its phase's gradient."""

    inside: NDArray[np.bool_]
    centre: float
    line: float
    along: float
    across: float
    n_lanes: int


def _number(field: _Field, z: ComplexArray, row: _Row, *, origin: tuple[int, int]) -> Track | None:
    """Follow the phase along the middle of a row and say where each graduation lies."""
    steps, cells = np.arange(z.shape[1]), np.arange(z.shape[0])[:, None]
    on_line = row.centre + row.line * (steps - steps.mean())
    summed = np.where(row.inside, z * np.exp(-1j * row.across * (cells - on_line[None, :])), 0).sum(axis=0)
    strength = np.abs(summed)
    clear = strength > 0.3 * np.median(strength[strength > 0])
    if clear.sum() < field.shortest:
        return None
    slope = row.along + row.across * row.line
    left_over = np.unwrap(np.angle(summed[clear] * np.exp(-1j * slope * steps[clear])))
    # The window hides the ends of a row: graduations are looked for somewhat beyond them.
    reach = round(0.6 * field.window * field.period)
    all_steps = np.arange(max(-origin[0], -reach), min(z.shape[1] + reach, field.z.shape[1] - origin[0]))
    nominal = 2.0 * np.pi / field.period
    phase = (nominal + slope) * all_steps + nominal * origin[0] + np.interp(all_steps, steps[clear], left_over)
    # Lines lie where the wave peaks, edges of squares where it passes through zero.
    apart, first = (np.pi, np.pi / 2) if field.squares else (2 * np.pi, 0.0)
    numbers = np.arange(math.ceil((phase[0] - first) / apart), math.floor((phase[-1] - first) / apart) + 1)
    where = np.interp(apart * numbers + first, phase, all_steps)
    cell_of = row.centre + row.line * (where - steps.mean()) + origin[1]
    return Track(
        axis=field.axis,
        along_px=(where + origin[0] + 0.5) * field.factor - 0.5,
        across_px=(cell_of + 0.5) * field.cell * field.factor - 0.5,
        wave=np.array([nominal + row.along, row.across / field.cell]) / apart / field.factor,
        height_px=row.n_lanes * field.cell * field.factor,
        rising=numbers % 2 == 1 if field.squares else None,
    )
