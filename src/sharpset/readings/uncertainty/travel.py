"""Uneven travel that the edges of slanted strips show: rows (or columns) that lie where they should not.

An edge at a slant crosses many rows. Where the carriage runs ahead or lags behind, the edge bends, and so do all other
edges in the same rows, by as much. Roughness of the print does not do that, so that the mean product of how far two
different strips bend between two rows is the mean square of what the carriage did between them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sharpset.readings.edges.lengthwise import centre_tracks
from sharpset.readings.features.fitting import FeatureFits
from sharpset.scans import LocalScale, Pose

__all__ = ["Travel", "measure_travel"]

FloatArray = NDArray[np.float64]
_STEP_MM = 0.1
_LAGS = 15
_SLANTED, _ALONG = 0.4, 0.25
"""Components of a strip's normal and of its direction from which on it is slanted, and up to which it is not."""
_FEWEST_STRIPS, _FEWEST_PRODUCTS = 6, 60
_SURE = 4.0
"""Standard uncertainties above which a mean square is no chance."""
_CLIP = 4.0


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Travel:
    """How far places along one axis of the glass are off against each other, root mean square.

    Attributes
    ----------
    lag_mm, off_mm : ndarray of float, shape (n,)
        Distance between two places along the axis, and by how much it is off; empty where too few edges tell it.
    """

    lag_mm: FloatArray
    off_mm: FloatArray

    def of_width(self, width: FloatArray, along: FloatArray) -> FloatArray:
        """Return the root mean square error of widths across normals with the component `along` the axis."""
        if not len(self.lag_mm):
            return np.zeros(len(width))
        across = np.abs(along) * width
        lag, off = np.append(0.0, self.lag_mm), np.append(0.0, self.off_mm)
        return np.asarray(np.interp(across, lag, off) * np.abs(along))


_NOTHING = Travel(lag_mm=np.zeros(0), off_mm=np.zeros(0))


def measure_travel(fits: FeatureFits, pose: Pose, local: LocalScale) -> tuple[Travel, Travel]:
    """Measure uneven travel along the axes of the glass by the edges of slanted strips.

    Parameters
    ----------
    fits : FeatureFits
    pose : Pose
    local : LocalScale
        What a reference tells of uneven travel is known already.

    Returns
    -------
    along_columns, along_rows : Travel
        Of one axis only, as a carriage has one: where strips stand as far apart as its ripples, the other seems to
        have a part of it too.
    """
    both = [_along(fits, pose, local, axis) for axis in (0, 1)]
    n = min(len(one.lag_mm) for one in both)
    if n:
        weaker = int(np.argmin([np.mean(one.off_mm[:n] ** 2) for one in both]))
        both[weaker] = _NOTHING
    return both[0], both[1]


def _along(fits: FeatureFits, pose: Pose, local: LocalScale, axis: int) -> Travel:
    """Return what slanted strips show of one axis: 0 along columns, 1 along rows."""
    samples = fits.strips.samples
    formed = fits.strip_verdicts.is_formed
    turn = np.radians([strip.angle_deg for strip in samples.strips])
    direction = np.column_stack((np.cos(turn), np.sin(turn))) @ pose.linear_mm.T
    direction /= np.hypot(*direction.T)[:, None]
    runs, faces = direction[:, axis], samples.normal[:, axis]
    slanted = formed & (np.abs(runs) > _SLANTED) & (np.abs(faces) > _SLANTED)
    # Rows may also lie beside each other; edges that run along the axis show that alone.
    straight = formed & (np.abs(faces) < _ALONG)
    if slanted.sum() < _FEWEST_STRIPS:
        return _NOTHING
    shift_mm, t_mm = centre_tracks(samples, fits.strip_fits, fits.strips.spread)
    middle = np.array([[strip.x_mm, strip.y_mm] for strip in samples.strips])
    pixel = np.array(pose.pixel_mm)
    at = pose.to_pixels(middle)[:, None, :] + t_mm[..., None] * direction[:, None, :] / pixel
    at_mm = at[..., axis] * pixel[axis]
    if not local.is_straight:
        bent = local.bend_mm(at.reshape(-1, 2)).reshape(at.shape)
        shift_mm = shift_mm + np.sum(bent * samples.normal[:, None, :], axis=-1)
    square, u_square = _structure(_on_rows(shift_mm[slanted], at_mm[slanted]))
    beside, u_beside = _structure(_on_rows(shift_mm[straight], at_mm[straight]))
    beside, u_beside = np.where(np.isfinite(beside), beside, 0.0), np.where(np.isfinite(u_beside), u_beside, 0.0)
    face2 = float(np.mean(faces[slanted] ** 2))
    own = (square - (1 - face2) * beside) / face2
    u_own = np.hypot(u_square, (1 - face2) * u_beside) / face2
    known = np.isfinite(own)
    if not np.any(known & (own > _SURE * u_own)):
        return _NOTHING
    lag = np.asarray(_STEP_MM * np.arange(1, _LAGS + 1)[known], dtype=np.float64)
    # Periodic travel has lags without an error, but its period is not known that well.
    off = np.maximum.accumulate(np.where(own > _SURE * u_own, own, 0.0)[known])
    return Travel(lag_mm=lag, off_mm=np.sqrt(off))


def _on_rows(shift_mm: FloatArray, at_mm: FloatArray) -> FloatArray:
    """Return displacements of strips (rows of the table) averaged over places of the axis (columns), NaN elsewhere."""
    known = np.isfinite(shift_mm)
    if not known.any():
        return np.full((len(shift_mm), 1), np.nan)
    cell = np.floor((at_mm - at_mm[known].min()) / _STEP_MM).astype(np.intp)
    n = int(cell[known].max()) + 1
    flat = (np.arange(len(shift_mm))[:, None] * n + cell)[known]
    size = len(shift_mm) * n
    count = np.bincount(flat, minlength=size)
    total = np.bincount(flat, shift_mm[known], size)
    # Cells at a strip's ends hold fewer steps.
    enough = count > 0.5 * np.median(count[count > 0])
    return np.where(enough, total / np.maximum(count, 1), np.nan).reshape(len(shift_mm), n)


def _structure(table: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the mean product of two strips' changes over each lag, and its standard uncertainty; NaN of too few."""
    square, u_square = np.full(_LAGS, np.nan), np.full(_LAGS, np.nan)
    for k in range(1, min(_LAGS + 1, table.shape[1])):
        change = table[:, k:] - table[:, :-k]
        seen = np.isfinite(change)
        if not seen.any():
            continue
        scale = 1.4826 * float(np.median(np.abs(change[seen])))
        change = np.where(seen & (np.abs(change) < _CLIP * max(scale, 1e-6)), change, 0.0)
        seen &= change != 0
        count = seen.sum(axis=0)
        products, pairs = change.sum(axis=0) ** 2 - (change**2).sum(axis=0), count * (count - 1)
        if pairs.sum() < _FEWEST_PRODUCTS:
            continue
        own = float((change[seen] ** 2).mean())
        square[k - 1] = products.sum() / pairs.sum()
        # Changes over a lag that overlap are one; so many products of two random changes are left.
        u_square[k - 1] = own * np.sqrt(2 * max(1, k // 2) / pairs.sum())
    return square, u_square
