"""Take a scanner's known errors out of what was fitted: each feature's place and size as they are on the glass."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from sharpset.pieces import Piece
from sharpset.readings.features.fitting import FeatureFits
from sharpset.readings.shade.shading import diameter_effect, width_effect
from sharpset.scans import LocalScale, LocatedPiece, Pose, Scan, ScanScale

__all__ = [
    "as_edges_are",
    "at_true_places",
    "local_scale",
    "outline_px",
    "with_exponent",
    "with_scale",
    "without_shade",
]

FloatArray = NDArray[np.float64]
_MOST_SHADE = 0.5
"""Largest share of a size that is taken off as shade: a band cannot take more light than a narrow solid has."""
_MOST_SHAPE = 0.25
"""Largest share of the blur, and of a size, that is taken off as the edges' own shape: it is a small correction."""


def outline_px(located: LocatedPiece, piece: Piece, *, margin_mm: float = 0.0) -> FloatArray:
    """Return the corners (column, row) of a located piece, with a margin."""
    m, w, h = margin_mm, piece.width_mm, piece.height_mm
    return located.pose.to_pixels([[-m, -m], [w + m, -m], [w + m, h + m], [-m, h + m]])


def local_scale(scale: ScanScale, located: LocatedPiece, piece: Piece) -> LocalScale:
    """Return the scale of the part of a scan in which a piece lies."""
    corners = outline_px(located, piece)
    return scale.over(corners.min(axis=0).tolist(), corners.max(axis=0).tolist())


def with_scale(scan: Scan, located: LocatedPiece, local: LocalScale) -> tuple[Scan, LocatedPiece]:
    """Return a scan and a located piece with the pixel size that holds there."""
    pose = Pose(matrix=located.pose.matrix, pixel_mm=local.pixel_mm)
    return replace(scan, pixel_mm=local.pixel_mm), replace(located, pose=pose)


def at_true_places(fits: FeatureFits, piece: Piece, pose: Pose, local: LocalScale) -> FeatureFits:
    """Return the fits with places and sizes corrected for what the scale bends over the piece.

    Parameters
    ----------
    fits : FeatureFits
        Fitted with the straight part of the scale, that is, with ``local.pixel_mm``.
    piece : Piece
    pose : Pose
        The one with which the features were fitted.
    local : LocalScale
    """
    if local.is_straight:
        return fits
    places = pose.to_pixels(piece.features[["x_mm", "y_mm"]].to_numpy(float))
    pixel = np.array(pose.pixel_mm)
    normal, strips = fits.strips.samples.normal, fits.strip_fits
    at = places[fits.strips.rows] + strips.centre_mm[:, None] * normal / pixel
    bent = np.sum(local.bend_mm(at) * normal, axis=1)
    wider = np.sum(local.stretch(at) * normal**2, axis=1)
    moved = replace(strips, centre_mm=strips.centre_mm + bent, width_mm=strips.width_mm * (1.0 + wider))
    discs = []
    for row, disc in zip(fits.disc_rows, fits.discs, strict=True):
        here = places[[row]] + np.array([[disc.shift_x_mm, disc.shift_y_mm]]) / pixel
        shift, stretch = local.bend_mm(here)[0], float(local.stretch(here).mean())
        discs.append(
            replace(
                disc,
                shift_x_mm=disc.shift_x_mm + float(shift[0]),
                shift_y_mm=disc.shift_y_mm + float(shift[1]),
                diameter_mm=disc.diameter_mm * (1.0 + stretch),
            )
        )
    return replace(fits, strip_fits=moved, discs=discs)


def as_edges_are(fits: FeatureFits) -> FeatureFits:
    """Return the fits with sizes corrected for what the edge spread does not describe of the scan's own edges.

    Parameters
    ----------
    fits : FeatureFits

    Notes
    -----
    A wide strip tells its edges' places whatever their shape. Where two edges lie within each other's blur, as those of
    narrow strips do, the part that is not described moves them by what both leave together.
    """
    strips = fits.strip_fits
    most = _MOST_SHAPE * np.minimum(strips.width_mm, strips.sigma_mm)
    width = strips.width_mm - np.clip(strips.parts.shape_mm, -most, most)
    discs = []
    for disc in fits.discs:
        limit = _MOST_SHAPE * min(disc.diameter_mm, fits.strips.spread.mean_sigma_mm)
        off = float(np.clip(disc.parts.shape_mm[0], -limit, limit))
        discs.append(replace(disc, diameter_mm=disc.diameter_mm - off))
    return replace(fits, strip_fits=replace(strips, width_mm=width), discs=discs)


def with_exponent(fits: FeatureFits, off: float) -> FeatureFits:
    """Return the fits with sizes corrected for a relative error of the exponent with which the picture was decoded."""
    if off == 0.0:
        return fits
    strips = fits.strip_fits
    discs = [
        replace(disc, diameter_mm=disc.diameter_mm - off * float(disc.parts.per_transfer_mm[0])) for disc in fits.discs
    ]
    width = strips.width_mm - off * strips.parts.per_transfer_mm
    return replace(fits, strip_fits=replace(strips, width_mm=width), discs=discs)


def without_shade(fits: FeatureFits) -> FeatureFits:
    """Return the fits with sizes corrected for shade beside walls, where the scan shows it clearly.

    Parameters
    ----------
    fits : FeatureFits

    Notes
    -----
    Places stay: shade moves every feature of a piece by the same amount, which its registration takes up.
    """
    shift = np.array([fits.shade.taken_mm(axis) for axis in (0, 1)])
    alike = fits.shade.taken_all_mm
    if not shift.any() and alike == 0.0:
        return fits
    samples, width = fits.strips.samples, fits.strip_fits.width_mm
    opening = np.where(samples.is_bar, -1.0, 1.0)
    wider = opening * (width_effect(samples.normal, fits.shade.turn_deg) @ shift + 2 * alike)
    discs = []
    for disc in fits.discs:
        most = _MOST_SHADE * disc.diameter_mm
        wide = float(shift.sum()) * diameter_effect() + 2 * alike
        discs.append(replace(disc, diameter_mm=disc.diameter_mm - min(wide, most)))
    return replace(
        fits,
        strip_fits=replace(fits.strip_fits, width_mm=width - np.minimum(wider, _MOST_SHADE * width)),
        discs=discs,
    )
