"""Put the fits of a piece's features together: measured places, and the table of readings."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sharpset.pieces import Piece
from sharpset.readings.features.fitting import FeatureFits
from sharpset.readings.placing.registration import PlaceData
from sharpset.readings.uncertainty.contributions import Unsure, contributions, totals
from sharpset.scans import Pose, RigidFit, fit_rigid

__all__ = ["Assembled", "assemble", "bent_places", "places_of", "square_of"]

FloatArray = NDArray[np.float64]
_DIRTY = 0.08


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Assembled:
    """The table of one piece's features.

    Attributes
    ----------
    table : pandas.DataFrame
        The columns of a table of readings, but for those that name scan, piece and run.
    stretch : ndarray of float, shape (n_features,)
        Length on the glass of a nominal millimetre across each feature.
    contributions : pandas.DataFrame
        The lines of every measured feature's uncertainty; see `contributions`.
    """

    table: pd.DataFrame
    stretch: FloatArray
    contributions: pd.DataFrame


def places_of(fits: FeatureFits, piece: Piece, pose: Pose) -> PlaceData:
    """Return the measured places of the formed features along their measured directions.

    Parameters
    ----------
    fits : FeatureFits
    piece : Piece
    pose : Pose
        The one with which the features were fitted.
    """
    centres = piece.features[["x_mm", "y_mm"]].to_numpy(float)
    glass = pose.to_pixels(centres) * np.array(pose.pixel_mm)
    strip = np.flatnonzero(fits.strip_verdicts.is_formed)
    rows, normals = fits.strips.rows[strip], fits.strips.samples.normal[strip]
    disc = np.flatnonzero(fits.disc_verdicts.is_formed)
    disc_rows = fits.disc_rows[disc]
    shifts = np.array([[fits.discs[i].shift_x_mm, fits.discs[i].shift_y_mm] for i in disc]).reshape(-1, 2)
    axes = np.eye(2)
    along = [np.tile(axes[k], (len(disc), 1)) for k in (0, 1)]
    return PlaceData(
        points_mm=np.vstack((centres[rows], centres[disc_rows], centres[disc_rows])),
        directions=np.vstack((normals, *along)),
        glass_mm=np.concatenate(
            (
                np.sum(glass[rows] * normals, axis=1) + fits.strip_fits.centre_mm[strip],
                *(glass[disc_rows, k] + shifts[:, k] for k in (0, 1)),
            )
        ),
    )


def bent_places(fits: FeatureFits) -> NDArray[np.bool_]:
    """Return which entries of `places_of` are those of strips that lean or bow."""
    strip = np.flatnonzero(fits.strip_verdicts.is_formed)
    n_discs = int(fits.disc_verdicts.is_formed.sum())
    return np.concatenate((np.isin(strip, fits.leaning), np.zeros(2 * n_discs, dtype=bool)))


def square_of(fits: FeatureFits, piece: Piece) -> tuple[FloatArray, FloatArray] | None:
    """Return width and shift of the square artefact along the piece's x and y, where it formed."""
    kinds = piece.features["kind"].to_numpy()
    index = [i for i, row in enumerate(fits.strips.rows) if kinds[row] == "square"][:2]
    if len(index) < 2 or any(fits.strip_verdicts.formed[i] != "yes" for i in index):
        return None
    # The first strip runs along y and the second along x: their normals are the piece's -x and +y.
    signs = np.array([-1.0, 1.0])
    return fits.strip_fits.width_mm[index], fits.strip_fits.centre_mm[index] * signs


class _Columns:
    """The columns of the table while it is being filled."""

    def __init__(self, features: pd.DataFrame, stretch: float) -> None:
        n = len(features)
        self.points = features[["x_mm", "y_mm"]].to_numpy(float)
        self.formed = ["no"] * n
        self.flags: list[list[str]] = [[] for _ in range(n)]
        self.stretch = np.full(n, stretch)
        blank = np.full(n, np.nan)
        self.measured, self.roughness = blank.copy(), blank.copy()
        self.confidence, self.share, self.x_dev, self.y_dev = (blank.copy() for _ in range(4))

    def part(self, fits: FeatureFits) -> FloatArray:
        """Return the share of each feature's length by which its size is told, 1 where the fit knows of it."""
        partly = np.array([word == "partly" for word in self.formed]) & np.isfinite(self.share)
        partly[fits.strips.rows[fits.by_part]] = False
        return np.where(partly, np.maximum(self.share, 0.1), 1.0)


def assemble(
    fits: FeatureFits,
    piece: Piece,
    pose: Pose,
    registered: Pose,
    *,
    unsure: Unsure,
) -> Assembled:
    """Return the table of readings of one piece.

    Parameters
    ----------
    fits : FeatureFits
    piece : Piece
    pose : Pose
        The one with which the features were fitted.
    registered : Pose
        The one through all features; places are stated against the rigid piece closest to it, so
        that they hold the printer's errors of scale and squareness.
    unsure : Unsure
        What else than its pixels the scan is unsure of.
    """
    features = piece.features.reset_index(drop=True)
    columns = _Columns(features, float(np.sqrt(registered.scale_x * registered.scale_y)))
    rigid = fit_rigid(registered, columns.points)
    _fill_strips(columns, fits, pose, rigid)
    _fill_discs(columns, fits, pose, rigid)
    gone = np.array([word == "no" for word in columns.formed])
    measured = np.where(gone, np.nan, columns.measured)
    names = features["feature_id"].tolist()
    lines = contributions(fits, names, places_of(fits, piece, pose), registered, unsure, columns.part(fits))
    lines = lines[lines["feature_id"].isin(features.loc[~gone & np.isfinite(measured), "feature_id"])]
    u = totals(lines, names)
    private, common = u["u_private_mm"].to_numpy(float), u["u_common_mm"].to_numpy(float)
    table = features[["feature_id", "kind", "nominal_mm", "angle_deg", "x_mm", "y_mm", "length_mm", "group"]].assign(
        formed=columns.formed,
        measured_mm=measured,
        u_private_mm=private,
        u_common_mm=common,
        U95_mm=1.96 * np.hypot(private, common),
        deviation_mm=measured - features["nominal_mm"].to_numpy(float),
        x_dev_mm=columns.x_dev,
        y_dev_mm=columns.y_dev,
        edge_roughness_mm=columns.roughness,
        confidence=columns.confidence,
        share=columns.share,
        flags=[";".join(words) for words in columns.flags],
    )
    return Assembled(table=table, stretch=columns.stretch, contributions=lines.reset_index(drop=True))


def _fill_strips(columns: _Columns, fits: FeatureFits, pose: Pose, rigid: RigidFit) -> None:
    for row in np.unique(fits.strips.rows):
        index = np.flatnonzero(fits.strips.rows == row)
        words = {fits.strip_verdicts.formed[i] for i in index}
        columns.formed[row] = words.pop() if len(words) == 1 else "partly"
        columns.confidence[row] = fits.strip_verdicts.confidence[index].min()
        columns.share[row] = fits.lengthwise.share[index].mean()
        columns.stretch[row] = fits.strips.samples.length_scale[index].mean()
        columns.flags[row] += _strip_flags(fits, index, columns.formed[row])
        if columns.formed[row] == "no":
            continue
        _fill_width(columns, fits, row, index)
        columns.roughness[row] = fits.lengthwise.roughness_mm[index].mean()
        _fill_place(columns, fits, pose, rigid, row, index)


def _strip_flags(fits: FeatureFits, index: NDArray[np.intp], formed: str) -> list[str]:
    flags = []
    if fits.strip_verdicts.faint[index].any():
        flags.append("faint")
    if fits.strips.profiles.dirty[index].max() > _DIRTY:
        flags.append("dirty")
    if formed != "no" and (fits.strip_fits.width_mm[index] < 4 * fits.strip_fits.sigma_mm[index]).any():
        flags.append("contrast borrowed")
    if formed == "partly" and not any(fits.strip_verdicts.doubts[i] for i in index):
        flags.append("width of the formed part")
    if formed != "no" and fits.part_or_mark[index].any():
        flags.append("part or mark")
    return flags


def _fill_width(columns: _Columns, fits: FeatureFits, row: int, index: NDArray[np.intp]) -> None:
    """Fill in the width; of a slot that is open in part, that of its open part (`formed_parts`)."""
    columns.measured[row] = fits.strip_fits.width_mm[index].mean()


def _fill_place(
    columns: _Columns, fits: FeatureFits, pose: Pose, rigid: RigidFit, row: int, index: NDArray[np.intp]
) -> None:
    """Fill in the deviation of place across a strip; along it there is nothing to measure."""
    point = columns.points[[row]]
    glass = pose.to_pixels(point) * np.array(pose.pixel_mm)
    for i in index:
        moved = glass + fits.strip_fits.centre_mm[i] * fits.strips.samples.normal[i]
        angle = np.radians(fits.strips.samples.strips[i].angle_deg)
        across = np.array([-np.sin(angle), np.cos(angle)])
        part = float(rigid.deviations_mm(point, moved)[0] @ across) * across
        if abs(across[0]) > 1e-9:
            columns.x_dev[row] = part[0]
        if abs(across[1]) > 1e-9:
            columns.y_dev[row] = part[1]


def _fill_discs(columns: _Columns, fits: FeatureFits, pose: Pose, rigid: RigidFit) -> None:
    small = 4 * fits.strips.spread.mean_sigma_mm
    for k, row in enumerate(fits.disc_rows):
        disc = fits.discs[k]
        columns.formed[row] = fits.disc_verdicts.formed[k]
        columns.confidence[row] = fits.disc_verdicts.confidence[k]
        columns.share[row] = disc.open_share
        columns.flags[row] += ["foreign mark"] * bool(fits.disc_verdicts.faint[k])
        if columns.formed[row] == "no":
            continue
        columns.measured[row] = disc.diameter_mm
        columns.roughness[row] = disc.roundness_mm
        columns.flags[row] += ["dirty"] * (disc.dirty > _DIRTY) + ["contrast borrowed"] * (disc.diameter_mm < small)
        point = columns.points[[row]]
        glass = pose.to_pixels(point) * np.array(pose.pixel_mm) + np.array([disc.shift_x_mm, disc.shift_y_mm])
        columns.x_dev[row], columns.y_dev[row] = rigid.deviations_mm(point, glass)[0]
