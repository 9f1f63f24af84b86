"""Parts of a scan that are unlike the rest: rows that were displaced or moved, places with another blur or contrast."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from sharpset.pieces import Piece
from sharpset.readings.edges.spread import select_samples, without_pixels
from sharpset.readings.edges.strips import LOOSE, fit_strips
from sharpset.readings.features.fitting import FeatureFits
from sharpset.readings.placing.registration import Registration
from sharpset.scans import Pose

__all__ = ["BENT", "BLURRED", "FAINTER", "Unlike", "find_unlike"]

FloatArray = NDArray[np.float64]
BooleanArray = NDArray[np.bool_]
BENT, BLURRED, FAINTER = "rows displaced", "blurred otherwise here", "uneven light"
_WIDE_PX, _CLEAR, _MOST_STRIPS = 7.0, 3.5, 96
_OUT, _OUT_OF_MOST, _LEAST_OUT_PX, _LEAST_OUT_MM = 8.0, 2.5, 0.5, 0.02
"""Spreads of single places, and times what nine of ten are off, from which on a place is off, and the least pixels and
millimetres: walls of rough prints lie off by 0.02 mm."""
_MOST_OF = 0.6
"""Share of the places in such rows that are off the same way at least."""
_TOGETHER_MM, _BESIDE_MM = 1.5, 0.4
"""How near another place lies that is off the same way, and how far beside both nothing is read."""
_NEAR, _WITHIN_MM, _ROWS_MM, _FEWEST = 4, 4.0, 1.5, 3
"""Strips around a feature, within what distance, and in its rows (columns) that tell the blur there."""
_FACING = 0.65
"""Of a normal along an axis: motion blurs edges that face along it only."""
_N_TURNS, _CUT = 10, 3.0
_FOLLOWED, _LEAST_CONTRAST = 0.9, 0.6
_SURE, _OFF = 5.0, 0.2
"""Standard uncertainties and share by which blur must differ; contrast by a fifth of that."""
_OF_INTERVAL = 0.5
"""Share of its interval by which what differs moves a size, from which on it is refused."""


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Unlike:
    """Which features of a piece lie where the scan is unlike the rest.

    Attributes
    ----------
    reasons : tuple of str
        For each feature of the piece; empty where it is as elsewhere.
    """

    reasons: tuple[str, ...]

    def remarks(self) -> tuple[str, ...]:
        """Say how many there are; nothing where there are none."""
        words = {
            BENT: "lie in rows or columns that are displaced against the others (the carriage stuck)",
            BLURRED: "lie where edges are blurred otherwise than elsewhere (motion, a corner that lifts off, a smear)",
            FAINTER: "lie where wide features have another contrast than elsewhere (a smear on the glass, a shadow)",
        }
        counts = {word: self.reasons.count(word) for word in words}
        return tuple(f"{n} features {words[word]} and are refused" for word, n in counts.items() if n)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Wide:
    """Wide strips: where they lie (mm on the glass and on the piece) and by how much they differ from the usual."""

    glass_mm: FloatArray
    places_mm: FloatArray
    normal: FloatArray
    blur: FloatArray
    contrast: FloatArray


def find_unlike(
    fits: FeatureFits,
    piece: Piece,
    pose: Pose,
    registration: Registration,
    u95_mm: FloatArray,
    *,
    by_carriage: bool = True,
) -> Unlike:
    """Look for parts of a scan that are unlike the rest.

    Parameters
    ----------
    fits : FeatureFits
    piece : Piece
    pose : Pose
        The one with which the features were fitted.
    registration : Registration
        The pose through all features, and how far single ones lie from it.
    u95_mm : ndarray of float, shape (n_features,)
        Half-widths of intervals as they are without this.
    by_carriage : bool
        Whether rows may be displaced; walls that a camera sees move places of single features.

    Notes
    -----
    A carriage that sticks and catches up displaces the rows between: places of several features there are off the
    same way, by far more than single ones scatter. A piece that moves for a moment blurs some rows; a corner that lifts
    off and a smear on the glass blur a place, and veil it. Wide strips show blur and contrast of their own: those in
    the same rows or columns, and those around a feature, are compared with all. What they differ by counts for as much
    as it moves a size.
    """
    n = len(piece.features)
    reasons = np.full(n, "", dtype=object)
    if by_carriage:
        reasons[_displaced(fits, piece, pose, registration)] = BENT
    wide = _wide_strips(fits, pose)
    if wide is not None:
        per_blur, per_contrast = _effects(fits, n)
        blur, contrast = _around(wide, piece, pose)
        # What a hole's rim has more or less of blur is in part taken for marks on it, which no derivative tells.
        holes = (piece.features["kind"] == "hole").to_numpy() & (np.abs(blur) > _OFF)
        most = _OF_INTERVAL * np.nan_to_num(u95_mm, nan=np.inf)
        blurred = (np.abs(per_blur * blur) > most) | holes
        _name(reasons, blurred, BLURRED)
        _name(reasons, np.abs(per_contrast * contrast) > most, FAINTER)
    return Unlike(reasons=tuple(str(word) for word in reasons))


def _name(reasons: NDArray[np.object_], chosen: BooleanArray, word: str) -> None:
    reasons[chosen & (reasons == "")] = word


def _effects(fits: FeatureFits, n: int) -> tuple[FloatArray, FloatArray]:
    """Return by how much sizes move for a relative change of blur and for one of contrast, mm, shape (n_features,)."""
    per_blur, per_contrast = np.zeros(n), np.zeros(n)
    parts = fits.strip_fits.parts
    per_blur[fits.strips.rows], per_contrast[fits.strips.rows] = parts.per_blur_mm, parts.per_contrast_mm
    for row, disc in zip(fits.disc_rows, fits.discs, strict=True):
        per_blur[row], per_contrast[row] = disc.parts.per_blur_mm[0], disc.parts.per_contrast_mm[0]
    return np.nan_to_num(per_blur), np.nan_to_num(per_contrast)


def _displaced(fits: FeatureFits, piece: Piece, pose: Pose, registration: Registration) -> BooleanArray:
    """Return which features lie in rows or columns where several places are off across them."""
    formed = fits.strip_verdicts.is_formed
    pixel = np.array(pose.pixel_mm)
    places = piece.features[["x_mm", "y_mm"]].to_numpy(float)
    glass, expected = pose.to_pixels(places) * pixel, registration.pose.to_pixels(places) * pixel
    away = glass - expected
    discs = [k for k, word in enumerate(fits.disc_verdicts.formed) if word != "no"]
    disc_rows = fits.disc_rows[discs]
    shifts = np.array([[fits.discs[k].shift_x_mm, fits.discs[k].shift_y_mm] for k in discs]).reshape(-1, 2)
    shapes = [pose.to_pixels(np.asarray(shape.exterior.coords)) * pixel for shape in piece.feature_shapes()]
    found = np.zeros(len(places), dtype=bool)
    for axis in (0, 1):
        normal = fits.strips.samples.normal[:, axis]
        told = np.flatnonzero(formed & (np.abs(normal) > _FACING))
        of_strips = fits.strip_fits.centre_mm[told] + np.sum(
            away[fits.strips.rows[told]] * fits.strips.samples.normal[told], axis=1
        )
        rows = np.concatenate((fits.strips.rows[told], disc_rows)).astype(np.intp)
        off = np.concatenate((of_strips / normal[told], shifts[:, axis] + away[disc_rows, axis]))
        if len(off) < 2:
            continue
        most = _OUT_OF_MOST * float(np.quantile(np.abs(off), 0.9))
        limit = max(_OUT * registration.spread_mm, most, _LEAST_OUT_PX * pixel[axis], _LEAST_OUT_MM)
        low = np.array([shape[:, axis].min() for shape in shapes])
        high = np.array([shape[:, axis].max() for shape in shapes])
        out = np.flatnonzero(np.abs(off) > limit)
        for i, j in combinations(out, 2):
            first, last = max(low[rows[i]], low[rows[j]]), min(high[rows[i]], high[rows[j]])
            if rows[i] == rows[j] or off[i] * off[j] < 0 or first - last > _TOGETHER_MM:
                continue
            first, last = min(first, last), max(first, last)
            # The rows beside are displaced by less.
            there = (high[rows] > first) & (low[rows] < last)
            alike = there & (np.abs(off) > limit / 2) & (off * off[i] > 0)
            # Prints bow single features; a carriage takes all that lie there with it.
            if alike.sum() < _MOST_OF * there.sum():
                continue
            beside = (high[rows] > first - _TOGETHER_MM) & (low[rows] < last + _TOGETHER_MM) & (off * off[i] > 0)
            several = len(np.unique(rows[beside & (np.abs(off) > limit)])) > 2
            if several or min(abs(off[i]), abs(off[j])) > 2 * limit:
                found |= (high > first - _BESIDE_MM) & (low < last + _BESIDE_MM)
                found[rows[beside & (np.abs(off) > limit / 2)]] = True
    return found


def _wide_strips(fits: FeatureFits, pose: Pose) -> _Wide | None:
    strips = fits.strips
    width = np.array([strip.width_mm for strip in strips.samples.strips])
    formed = fits.strip_verdicts.is_formed
    least = max(_WIDE_PX * strips.samples.pixel_mm, _CLEAR * strips.spread.mean_sigma_mm)
    wide = np.flatnonzero((width > least) & formed)
    if len(wide) > _MOST_STRIPS:
        wide = wide[np.linspace(0, len(wide) - 1, _MOST_STRIPS).astype(int)]
    if len(wide) < 2 * _FEWEST:
        return None
    samples = without_pixels(strips.samples, wide)
    own = fit_strips(samples, strips.profiles.some(wide), strips.spread, LOOSE)
    # What such a fit cannot follow tells no blur: it stays within a factor of e of the one that it begins with.
    told = np.abs(np.log(own.sigma_mm / strips.spread.sigma_mm(samples.normal))) < _FOLLOWED
    told &= (own.contrast > _LEAST_CONTRAST) & (own.contrast < 2 - _LEAST_CONTRAST)
    if told.sum() < 2 * _FEWEST:
        return None
    samples, own = select_samples(samples, np.flatnonzero(told)), own.some(np.flatnonzero(told))
    blur = np.log(own.sigma_mm / strips.spread.sigma_mm(samples.normal))
    contrast = own.contrast.copy()
    for kind in (False, True):
        alike = samples.is_bar == kind
        if alike.any():
            contrast[alike] -= np.median(contrast[alike])
    places = np.array([[strip.x_mm, strip.y_mm] for strip in samples.strips])
    return _Wide(
        glass_mm=pose.to_pixels(places) * np.array(pose.pixel_mm),
        places_mm=places,
        normal=samples.normal,
        blur=blur - _by_direction(blur, samples.normal),
        contrast=contrast,
    )


def _by_direction(blur: FloatArray, normal: FloatArray) -> FloatArray:
    """Return what direction makes of the blur of most strips: astigmatic lenses blur edges by it, wherever they lie."""
    design = np.column_stack((np.ones(len(blur)), normal[:, 0] ** 2 - normal[:, 1] ** 2, normal[:, 0] * normal[:, 1]))
    weight = np.ones(len(blur))
    found: FloatArray = np.zeros(3)
    for _ in range(_N_TURNS):
        weighed = design.T * weight
        found = np.asarray(np.linalg.solve(weighed @ design + 1e-3 * np.eye(3), weighed @ blur), dtype=float)
        away = np.abs(blur - design @ found)
        scale = max(1.4826 * float(np.median(away)), 1e-3)
        weight = np.clip(1 - (away / (_CUT * scale)) ** 2, 0.0, None) ** 2
    return np.asarray(design @ found)


def _around(wide: _Wide, piece: Piece, pose: Pose) -> tuple[FloatArray, FloatArray]:
    """Return by how much blur (logarithm) and contrast surely differ at features from the usual; 0 where unsure."""
    places = piece.features[["x_mm", "y_mm"]].to_numpy(float)
    glass = pose.to_pixels(places) * np.array(pose.pixel_mm)
    scatter = [max(1.4826 * float(np.median(np.abs(values))), 1e-3) for values in (wide.blur, wide.contrast)]
    away = np.hypot(*(places[:, None] - wide.places_mm[None]).transpose(2, 0, 1))
    near = np.argsort(away, axis=1)[:, :_NEAR]
    distance = np.take_along_axis(away, near, axis=1)
    blur, contrast = np.zeros(len(places)), np.zeros(len(places))
    for k in range(len(places)):
        groups = [near[k][distance[k] < _WITHIN_MM]]
        in_rows = [
            np.flatnonzero((np.abs(wide.glass_mm[:, axis] - glass[k, axis]) < _ROWS_MM) & facing)
            for axis in (0, 1)
            for facing in (np.abs(wide.normal[:, 0]) > _FACING, np.abs(wide.normal[:, 1]) > _FACING)
        ]
        for group, values, spread, least, out in (
            (groups[0], wide.blur, scatter[0], _OFF, blur),
            *((group, wide.blur, scatter[0], _OFF, blur) for group in in_rows),
            (groups[0], wide.contrast, scatter[1], _OFF / 5, contrast),
        ):
            if len(group) < _FEWEST - 1:
                continue
            # Of two the one that differs less counts: one strip alone may be dirty.
            some = np.sort(values[group])
            middle = float(np.median(some)) if len(some) > 2 else float(min(some, key=abs)) * (some[0] * some[1] > 0)
            sure = abs(middle) > max(least, _SURE * 1.25 * spread / np.sqrt(len(group)))
            if sure and abs(middle) > abs(out[k]):
                out[k] = middle
    return blur, contrast
