"""Sub-pixel positions of graduations, fitted to native pixels in linear light.

Every line is the same blurred line, every edge the same blurred edge: width and blur are found once
on all of them folded together, then each one's place, height and background on its own pixels by
iterated, robustly weighted least squares.
"""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sharpset.scans.scan import Scan
from sharpset.scans.tracks import Track

__all__ = ["Graduations", "fit_graduations"]

FloatArray = NDArray[np.float64]

_MOST_ROWS, _MOST_HEIGHT_MM = 20, 1.6
_SQUARE_SHARE = 0.4
_AT_ONCE = 64
_N_STEPS = 7
_WINDOW, _WINDOW_MM, _WINDOW_PX = 0.45, 0.45, 9.0
_FEW, _N_SHARPER = 40, 5
_BINS = 48
_RATIOS = (0.5, 1.8)
_MOST_DIRTY = 0.3
_MOST_SHIFT = 0.2
_REACH = 0.2
_OUT_OF_LINE = 0.04


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Graduations:
    """Graduations of one track.

    Attributes
    ----------
    number : ndarray of int, shape (n,)
        Consecutive along the track; a missing graduation leaves a gap.
    along_px, across_px : ndarray of float, shape (n,)
        Native pixel positions.
    u_px : ndarray of float, shape (n,)
        Standard uncertainty along the axis from noise.
    good : ndarray of bool, shape (n,)
        Whether it is there, and clean.
    wave : ndarray of float, shape (2,)
        Graduations per native pixel along and across the axis.
    u_turn : float
        Standard uncertainty of the turn, radians, from the scatter of the graduations.
    rising : ndarray of bool or None
        As in `Track`.
    n_in_pitch : int
        Lines (or edges) seen within one pitch; 1 where the pitch is right.
    """

    number: NDArray[np.int_]
    along_px: FloatArray
    across_px: FloatArray
    u_px: FloatArray
    good: NDArray[np.bool_]
    wave: FloatArray
    u_turn: float
    rising: NDArray[np.bool_] | None
    n_in_pitch: int


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Shape:
    """The folded profile of one graduation, lengths in pitches; `centre` from where the wave peaks."""

    centre: float
    width: float
    blur: float
    n_in_pitch: int
    squares: bool

    def __call__(self, t: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return the blurred line or edge and its slope at distances t from its middle."""
        from scipy.special import ndtr

        if self.squares:
            return ndtr(t / self.blur) - 0.5, _bell(t / self.blur) / self.blur
        left, right = (t + self.width / 2) / self.blur, (t - self.width / 2) / self.blur
        return ndtr(left) - ndtr(right), (_bell(left) - _bell(right)) / self.blur

    def changes(self, t: FloatArray) -> FloatArray:
        """Return what a blur larger by a share, and a width larger by a pitch, add; shape (*t.shape, 1 or 2)."""
        if self.squares:
            u = t / self.blur
            return np.asarray(-u * _bell(u))[..., None]
        left, right = (t + self.width / 2) / self.blur, (t - self.width / 2) / self.blur
        blur = right * _bell(right) - left * _bell(left)
        return np.stack([blur, (_bell(left) + _bell(right)) / (2 * self.blur)], axis=-1)


def _bell(u: FloatArray) -> FloatArray:
    return np.asarray(np.exp(-0.5 * u * u) / np.sqrt(2 * np.pi))


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Pixels:
    """Native pixels round some graduations, shape (n, rows * columns)."""

    t: FloatArray  # pitches from the expected place; what lies beyond `reach` is not fitted
    d: FloatArray  # native pixels across from it
    light: FloatArray
    reach: float


def fit_graduations(scan: Scan, track: Track, *, channel: int | None) -> Graduations | None:
    """Fit every graduation of a track on native pixels.

    Parameters
    ----------
    scan : Scan
    track : Track
    channel : int or None

    Returns
    -------
    Graduations or None
        None where the folded profile shows no line or edge at all.
    """
    inside = _inside(scan, track)
    if inside.sum() < 5:
        return None
    profiles = _profiles(scan, track, inside, channel)
    shape = _folded(profiles, squares=track.rising is not None)
    if shape is None:
        return None
    # The wave tells the places to a tenth of a pitch: each is moved, and the fold made sharp, before the fit proper.
    start = _aligned(profiles, shape)
    shape = _folded(profiles, squares=track.rising is not None, shift=start)
    if shape is None:
        return None
    index = np.flatnonzero(inside)
    moved = track.along_px.copy()
    moved[index] += (start + shape.centre) / track.wave[0]
    there = _inside(scan, replace(track, along_px=moved))
    there &= inside
    fitted = replace(track, along_px=moved)
    shape = _sharpened(scan, fitted, there, channel, shape)
    parts = [
        _fit(pixels, shape, _signs(track, chosen))
        for chosen, pixels in _batches(scan, fitted, there, channel, close=True)
    ]
    shift, u, height, tilt, dirty, noise = (np.concatenate([part[k] for part in parts]) for k in range(6))
    index = np.flatnonzero(there)
    typical = float(np.median(height[np.abs(height) > 0.3 * np.quantile(np.abs(height), 0.9)]))
    relative = height / typical
    good = (relative > _RATIOS[0]) & (relative < _RATIOS[1]) & (dirty < _MOST_DIRTY)
    good &= (np.abs(shift) < _MOST_SHIFT) & (noise < 4.0 * np.median(noise) + 0.02 * abs(typical))
    along = moved[index] + shift / track.wave[0]
    good &= _in_line((along - track.along_px[index]) * track.wave[0], good)
    if good.sum() < 5:
        return None
    wave, u_turn = _turned(track, tilt[good])
    return Graduations(
        number=index,
        along_px=along,
        across_px=track.across_px[index],
        u_px=u / track.wave[0],
        good=good,
        wave=wave,
        u_turn=u_turn,
        rising=None if track.rising is None else track.rising[index],
        n_in_pitch=shape.n_in_pitch,
    )


def _in_line(away: FloatArray, good: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Whether each lies where its neighbours lie, against the wave; in pitches."""
    from scipy.ndimage import median_filter

    places = np.flatnonzero(good)
    if len(places) < 3:
        return good
    usual = median_filter(away[places], size=min(9, len(places) | 1), mode="mirror")
    scatter = 1.4826 * float(np.median(np.abs(away[places] - usual)))
    return np.asarray(np.abs(away - np.interp(np.arange(len(away)), places, usual)) < max(6.0 * scatter, _OUT_OF_LINE))


def _turned(track: Track, tilt: FloatArray) -> tuple[FloatArray, float]:
    """The wave with its part across the axis set right by the graduations' own tilts (pitches per pixel)."""
    middle = float(np.median(tilt))
    spread = 1.4826 * float(np.median(np.abs(tilt - middle)))
    # A shift that rises across the track means that the phase falls there.
    wave = track.wave - np.array([0.0, middle])
    return wave, spread / np.sqrt(len(tilt)) / track.wave[0]


def _signs(track: Track, index: NDArray[np.intp]) -> FloatArray:
    return np.ones(len(index)) if track.rising is None else np.where(track.rising[index], 1.0, -1.0)


def _size(scan: Scan, track: Track, *, close: bool = False) -> tuple[int, NDArray[np.int_]]:
    """Half the window along, and the rows (native pixels from the middle) that are looked at."""
    half = int(np.ceil((_close(scan, track) if close else 0.5) / track.wave[0])) + int(close)
    across_mm = scan.pixel_mm.y if track.axis == 0 else scan.pixel_mm.x
    most = _MOST_HEIGHT_MM / across_mm
    if track.rising is not None:
        # Well within one row of squares: the next one's edges run the other way.
        most = min(most, _SQUARE_SHARE / track.wave[0])
    height = int(np.clip(0.7 * track.height_px, 3, most))
    step = max(1, -(-height // _MOST_ROWS))
    return half, np.arange(-(height // 2), height // 2 + 1, step)


def _close(scan: Scan, track: Track) -> float:
    """Half the window of the fit proper, in pitches: what lies far from a line or an edge says nothing about it."""
    pixel_mm = scan.pixel_mm[track.axis]
    return min(_WINDOW, max(_WINDOW_MM / pixel_mm, _WINDOW_PX) * float(track.wave[0]))


def _inside(scan: Scan, track: Track) -> NDArray[np.bool_]:
    n_across, n_along = (scan.n_rows, scan.n_columns) if track.axis == 0 else (scan.n_columns, scan.n_rows)
    half, rows = _size(scan, track)
    return np.asarray(
        (track.along_px > half + 1)
        & (track.along_px < n_along - half - 2)
        & (track.across_px > -rows[0] + 1)
        & (track.across_px < n_across - rows[-1] - 2)
    )


def _batches(
    scan: Scan, track: Track, inside: NDArray[np.bool_], channel: int | None, *, close: bool = False
) -> Iterator[tuple[NDArray[np.intp], _Pixels]]:
    view = scan.channel(channel)
    view = view if track.axis == 0 else view.T
    half, rows = _size(scan, track, close=close)
    columns = np.arange(-half, half + 1)
    index = np.flatnonzero(inside)
    for start in range(0, len(index), _AT_ONCE):
        chosen = index[start : start + _AT_ONCE]
        base_column = np.round(track.along_px[chosen]).astype(int)
        base_row = np.round(track.across_px[chosen]).astype(int)
        light = scan.decode(
            view[base_row[:, None, None] + rows[None, :, None], base_column[:, None, None] + columns[None, None, :]]
        )
        dx = (base_column - track.along_px[chosen])[:, None, None] + columns[None, None, :]
        dy = (base_row - track.across_px[chosen])[:, None, None] + rows[None, :, None]
        t = track.wave[0] * dx + track.wave[1] * dy
        size = (len(chosen), -1)
        yield (
            chosen,
            _Pixels(
                t=t.reshape(size),
                d=np.broadcast_to(dy, t.shape).reshape(size),
                light=light.astype(float).reshape(size),
                reach=_close(scan, track),
            ),
        )


def _profiles(scan: Scan, track: Track, inside: NDArray[np.bool_], channel: int | None) -> FloatArray:
    """Mean light along each graduation's window, all turned to rise alike; shape (n, `_BINS`)."""
    profiles = []
    for index, pixels in _batches(scan, track, inside, channel):
        sign = _signs(track, index)
        cell = np.floor((pixels.t + 0.5) * _BINS).astype(int)
        for k in range(len(cell)):
            use = (cell[k] >= 0) & (cell[k] < _BINS)
            count = np.bincount(cell[k][use], minlength=_BINS)
            total = np.bincount(cell[k][use], pixels.light[k][use], _BINS)
            seen = np.flatnonzero(count)
            profile = np.interp(np.arange(_BINS), seen, total[seen] / count[seen])
            profiles.append(sign[k] * (profile - np.median(profile)))
    return np.array(profiles)


def _folded(profiles: FloatArray, *, squares: bool, shift: FloatArray | None = None) -> _Shape | None:
    """Fold all graduations into one, each moved by its shift, and fit its shape."""
    contrast = np.ptp(profiles, axis=1)
    # Where the row has ended there is no graduation: what shows less than half the usual contrast stays out.
    clear = np.flatnonzero(contrast > 0.5 * np.median(contrast))
    if shift is not None:
        bins = np.arange(_BINS)
        rows = [np.interp(bins + shift[k] * _BINS, bins, profiles[k], left=np.nan, right=np.nan) for k in clear]
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", RuntimeWarning)
            folded = np.nanmedian(rows, axis=0)
    else:
        folded = np.median(profiles[clear], axis=0)
    seen = np.isfinite(folded)
    t = ((np.arange(_BINS) + 0.5) / _BINS - 0.5)[seen]
    return _edge_shape(t, folded[seen]) if squares else _line_shape(t, folded[seen])


def _aligned(profiles: FloatArray, shape: _Shape) -> FloatArray:
    """Find by how many pitches each profile is off the folded one, to a quarter of a bin: best match over shifts."""
    t = (np.arange(_BINS) + 0.5) / _BINS - 0.5
    shifts = np.arange(-_REACH, _REACH + 1e-9, 0.25 / _BINS)
    wide = replace(shape, blur=max(shape.blur, 0.5 / _BINS))
    away = t[None, :] - shape.centre - shifts[:, None]
    templates = wide(away if shape.squares else (away + 0.5) % 1.0 - 0.5)[0]
    templates = templates - templates.mean(axis=1, keepdims=True)
    templates /= np.sqrt(np.sum(templates**2, axis=1, keepdims=True))
    # The sign of the usual graduation: dark lines stand below their ground.
    usual = np.median(profiles, axis=0)
    sign = np.sign(float(np.max(templates @ usual) + np.min(templates @ usual)))
    return np.asarray(shifts[np.argmax(sign * (profiles @ templates.T), axis=1)])


def _edge_shape(t: FloatArray, profile: FloatArray) -> _Shape | None:
    from scipy.optimize import least_squares

    height = float(np.ptp(profile))
    if height < 0.01:
        return None

    def misfit(p: FloatArray) -> FloatArray:
        base, _ = _Shape(centre=0.0, width=0.0, blur=p[1], n_in_pitch=1, squares=True)(t - p[0])
        return np.asarray(p[2] + p[3] * base - profile)

    lower, upper = [-0.3, 0.002, -2.0, 0.2 * height], [0.3, 0.3, 2.0, 3.0 * height]
    fit = least_squares(misfit, [0.0, 0.03, float(profile.mean()), height], bounds=(lower, upper), loss="soft_l1")
    above = _smooth(profile) > (profile.max() + profile.min()) / 2.0
    n_edges = int(np.sum(above[1:] != above[:-1]))
    if profile[-1] < profile[0] or fit.x[3] < 0.5 * height:
        return None
    return _Shape(centre=float(fit.x[0]), width=0.0, blur=float(fit.x[1]), n_in_pitch=max(n_edges, 1), squares=True)


def _line_shape(t: FloatArray, profile: FloatArray) -> _Shape | None:
    from scipy.optimize import least_squares

    middle = float(np.median(profile))
    dark = middle - profile.min() > profile.max() - middle
    upright = (middle - profile) if dark else (profile - middle)
    height = float(upright.max())
    if height < 0.01:
        return None
    n_lines = _count_lines(upright > 0.45 * height)
    start = float(t[np.argmax(_smooth(upright))])
    width = float(np.mean(upright > 0.5 * height))

    def misfit(p: FloatArray) -> FloatArray:
        shape = _Shape(centre=0.0, width=p[1], blur=p[2], n_in_pitch=1, squares=False)
        wrapped = (t - p[0] + 0.5) % 1.0 - 0.5
        return np.asarray(p[3] + p[4] * shape(wrapped)[0] - upright)

    lower = [start - 0.25, 0.01, 0.005, -2.0, 0.3 * height]
    upper = [start + 0.25, 0.7, 0.3, 2.0, 10.0 * height]
    guess = [start, min(max(width, 0.02), 0.6), 0.06, float(np.median(upright)), 1.2 * height]
    fit = least_squares(misfit, guess, bounds=(lower, upper), loss="soft_l1", f_scale=0.05 * height)
    return _Shape(
        centre=float(fit.x[0]), width=float(fit.x[1]), blur=float(fit.x[2]), n_in_pitch=n_lines, squares=False
    )


def _smooth(profile: FloatArray) -> FloatArray:
    padded = np.concatenate([profile[-1:], profile, profile[:1]])
    return np.asarray((padded[:-2] + padded[1:-1] + padded[2:]) / 3.0)


def _count_lines(above: NDArray[np.bool_]) -> int:
    """Separate stretches round the circle of one pitch."""
    return int(np.sum(above & ~np.roll(above, 1)))


def _sharpened(scan: Scan, track: Track, there: NDArray[np.bool_], channel: int | None, shape: _Shape) -> _Shape:
    """Take out of the blur (and the width of lines) what folding in coarse steps has added, on native pixels."""
    places = np.flatnonzero(there)
    some = np.zeros_like(there)
    some[places[:: max(1, len(places) // _FEW)]] = True
    batches = list(_batches(scan, track, some, channel, close=True))
    for _ in range(_N_SHARPER):
        found = np.concatenate([_misshapen(pixels, shape, _signs(track, index)) for index, pixels in batches])
        found = found[np.isfinite(found).all(axis=1)]
        if len(found) < 5:
            return shape
        step = np.clip(np.median(found, axis=0), -0.5, 0.5)
        shape = replace(shape, blur=float(np.clip(shape.blur * np.exp(step[0]), 0.1 * track.wave[0], 0.4)))
        if not shape.squares:
            shape = replace(shape, width=float(np.clip(shape.width + np.clip(step[1], -0.1, 0.1), 0.01, 0.7)))
        if abs(step[0]) < 0.02:
            break
    return shape


def _misshapen(pixels: _Pixels, shape: _Shape, sign: FloatArray) -> FloatArray:
    """By how much blur (a share) and width (pitches) of each graduation differ from the common shape's."""
    shift, _, height, tilt, dirty, _ = _fit(pixels, shape, sign)
    t = pixels.t - shift[:, None] - tilt[:, None] * pixels.d
    base, slope = shape(t)
    design = np.concatenate([np.stack([np.ones_like(t), t, base, slope], axis=-1), shape.changes(t)], axis=-1)
    weighted = (design * (np.abs(t) < pixels.reach)[..., None]).swapaxes(1, 2)
    normal = weighted @ design
    index = np.arange(design.shape[-1])
    normal[:, index, index] = normal[:, index, index] * (1.0 + 1e-9) + 1e-9
    solution = np.linalg.solve(normal, weighted @ pixels.light[..., None])[..., 0]
    usual = np.abs(height) > 0.5 * np.median(np.abs(height))
    with np.errstate(divide="ignore", invalid="ignore"):
        found = solution[:, 4:] / solution[:, 2:3]
    return np.asarray(np.where((usual & (dirty < _MOST_DIRTY))[:, None], found, np.nan))


def _fit(pixels: _Pixels, shape: _Shape, sign: FloatArray) -> list[FloatArray]:
    """Fit one batch; shift (pitches), its uncertainty, height, tilt (pitches per pixel), share of dirt, noise."""
    n = len(pixels.light)
    shift, tilt, weight = np.zeros(n), np.zeros(n), np.ones_like(pixels.light)
    span = np.abs(pixels.d).max() or 1.0
    for step in range(_N_STEPS):
        t = pixels.t - shift[:, None] - tilt[:, None] * pixels.d
        near = np.abs(t) < pixels.reach
        base, slope = shape(t)
        base, slope = sign[:, None] * base, sign[:, None] * slope
        design = np.stack([np.ones_like(t), t, pixels.d / span, base, -slope, -slope * pixels.d / span], axis=-1)
        w = weight * near
        weighted = (design * w[..., None]).swapaxes(1, 2)
        normal = weighted @ design
        index = np.arange(6)
        normal[:, index, index] *= 1.0 + 1e-9
        normal[:, index, index] += 1e-9
        solution = np.linalg.solve(normal, weighted @ pixels.light[..., None])[..., 0]
        residual = pixels.light - (design @ solution[..., None])[..., 0]
        height = np.where(np.abs(solution[:, 3]) > 1e-6, solution[:, 3], 1e-6)
        shift = np.clip(shift + np.clip(solution[:, 4] / height, -0.08, 0.08), -0.4, 0.4)
        tilt = np.clip(tilt + np.clip(solution[:, 5] / height / span, -0.1 / span, 0.1 / span), -0.4 / span, 0.4 / span)
        scale = np.maximum(1.4826 * np.median(np.abs(residual), axis=1), 1e-3)
        # On a flank a small shift makes a large residual, which is no dirt; less so as the fit comes in.
        flank = np.abs(slope) / np.max(np.abs(slope), axis=1, keepdims=True)
        allowed = scale[:, None] + np.abs(height)[:, None] * (0.25 if step < _N_STEPS // 2 else 0.04 * flank)
        weight = np.clip(1.0 - (residual / (5.0 * allowed)) ** 2, 0.0, None) ** 2
    inverse = np.linalg.inv(normal)
    noise = np.sqrt(np.sum(w * residual**2, axis=1) / np.maximum(w.sum(axis=1) - 6.0, 1.0))
    u = noise * np.sqrt(np.maximum(inverse[:, 4, 4], 0.0)) / np.abs(height)
    dirty = 1.0 - np.sum((weight > 0.3) & near, axis=1) / np.maximum(near.sum(axis=1), 1)
    return [shift, u, solution[:, 3], tilt, dirty, noise]
