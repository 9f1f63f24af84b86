"""Look at one feature: its pixels, the profile that was fitted, the model, and the budget of its size."""

from __future__ import annotations

import html
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sharpset.errors import ReadingError
from sharpset.pieces import Piece
from sharpset.readings.edges.blur import EdgeSpread, edge_profile
from sharpset.readings.features.fitting import FeatureFits, read_features
from sharpset.readings.features.wide_blur import without_spill
from sharpset.readings.holes.disc_model import seen_disc
from sharpset.readings.holes.discs import DiscFit
from sharpset.readings.picture.in_view import part_in_view
from sharpset.readings.picture.light import PieceLight
from sharpset.readings.placing.true_places import local_scale
from sharpset.readings.preparing import decoded_and_scaled, prepare_piece
from sharpset.readings.reader import read_scan
from sharpset.readings.results import PieceReading, ScanReading
from sharpset.readings.uncertainty.feature_budget import FeatureBudget
from sharpset.scans import Pose, locate_pieces, open_scan
from sharpset.scans.locate import Mirror

__all__ = ["FeatureView", "look_at"]

FloatArray = NDArray[np.float64]
_MARGIN_MM = 0.45
_RING_STEPS_PER_PIXEL = 2


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class FeatureView:
    """One feature as it was read.

    Attributes
    ----------
    scan_id, run_id, feature_id, kind, formed, flags : str
    nominal_mm, measured_mm : float
    picture : ndarray of float, shape (rows, columns)
        Share solid around the feature: 1 on the plate, 0 on the background; native pixels.
    left_px, top_px : int
        Column and row of its first pixel in the scan.
    nominal_px, fitted_px : ndarray of float, shape (n, 2)
        Outlines (column, row); the fitted one is empty where nothing was measured.
    profile : pandas.DataFrame
        ``distance_mm, solid, n_pixels, model, residual``: across a slot or bar from its nominal middle (of a square
        across its first pair of sides), from the fitted centre of a hole outwards. Distances on the glass.
    budget : FeatureBudget or None
        None where nothing was measured.
    """

    scan_id: str
    run_id: str
    feature_id: str
    kind: str
    formed: str
    flags: str
    nominal_mm: float
    measured_mm: float
    picture: FloatArray
    left_px: int
    top_px: int
    nominal_px: FloatArray
    fitted_px: FloatArray
    profile: pd.DataFrame
    budget: FeatureBudget | None

    def summary(self) -> str:
        """Return the feature in one line."""
        size = f"{self.measured_mm:.4f} mm" if np.isfinite(self.measured_mm) else "no size"
        half = f" +- {self.budget.U95_mm:.4f}" if self.budget is not None else ""
        return f"{self.feature_id} ({self.kind} {self.nominal_mm:g} mm): formed {self.formed}, {size}{half}"

    def to_frame(self) -> pd.DataFrame:
        """Return the profile."""
        return self.profile

    def _repr_html_(self) -> str:
        return f"<p>{html.escape(self.summary())}</p>"


def look_at(
    path: Path | str,
    *,
    piece: Piece,
    feature_id: str,
    dpi: float | None = None,
    mirror: Mirror = "auto",
    encoding: str = "auto",
    reading: ScanReading | None = None,
) -> list[FeatureView]:
    """Read a scan and return what was seen of one feature.

    Parameters
    ----------
    path : path of the scan
    piece : Piece
    feature_id : str
    dpi, mirror, encoding : as in `read_scan`
    reading : ScanReading, optional
        What was read from this scan; without it, it is read here.

    Returns
    -------
    list of FeatureView
        One for each copy of the piece in the scan that is seen there.

    Raises
    ------
    ReadingError
        If the piece has no such feature, or the scan cannot be read.
    """
    names = piece.features["feature_id"].tolist()
    if feature_id not in names:
        raise ReadingError(
            f"feature {feature_id!r} is not on piece {piece.piece_id}. "
            f"Its features are {', '.join(names[:3])} and so on."
        )
    if reading is None:
        reading = read_scan(path, piece=piece, dpi=dpi, mirror=mirror, encoding=encoding)
    scan = open_scan(path, dpi=dpi, encoding=encoding)
    views = []
    every = locate_pieces(scan, piece, mirror=mirror)
    for located in every:
        found = _nearest(reading.pieces, located.pose, piece)
        if found is None:
            continue
        local = None if reading.scale is None else local_scale(reading.scale, located, piece)
        true_scan, placed = decoded_and_scaled(scan, located, piece, local)
        others = [other for other in every if other is not located]
        seen = part_in_view(true_scan, placed, piece, others).piece
        seen_names = seen.features["feature_id"].tolist()
        if feature_id not in seen_names:
            continue
        ready = prepare_piece(true_scan, placed, seen)
        light, strips = without_spill(ready.scan, ready.light, ready.located, seen, ready.strips)
        fits = read_features(light, ready.located.pose, seen, strips)
        views.append(_view(found, fits, light, ready.located.pose, seen, seen_names.index(feature_id)))
    return views


def _nearest(pieces: tuple[PieceReading, ...], pose: Pose, piece: Piece) -> PieceReading | None:
    middle = np.array([[piece.width_mm / 2, piece.height_mm / 2]])
    away = [float(np.hypot(*(one.pose.to_pixels(middle) - pose.to_pixels(middle))[0])) for one in pieces]
    best = int(np.argmin(away))
    return pieces[best] if away[best] < 20.0 else None


def _view(
    reading: PieceReading, fits: FeatureFits, light: PieceLight, pose: Pose, piece: Piece, row: int
) -> FeatureView:
    drawn = piece.features.iloc[row]
    read = reading.table[reading.table["feature_id"] == drawn["feature_id"]].iloc[0]
    measured = float(read["measured_mm"])
    outline = np.asarray(piece.feature_shapes()[row].exterior.coords)
    nominal_px = pose.to_pixels(outline)
    columns, rows = _box(light, pose, nominal_px)
    picture = light.solid_share(columns.ravel(), rows.ravel()).reshape(columns.shape)
    profile, fitted = _fitted(fits, light, pose, piece, row, (columns, rows))
    return FeatureView(
        scan_id=reading.scan_id,
        run_id=reading.run_id,
        feature_id=str(drawn["feature_id"]),
        kind=str(drawn["kind"]),
        formed=str(read["formed"]),
        flags=str(read["flags"]),
        nominal_mm=float(drawn["nominal_mm"]),
        measured_mm=measured,
        picture=picture,
        left_px=int(columns[0, 0]),
        top_px=int(rows[0, 0]),
        nominal_px=nominal_px,
        fitted_px=fitted if np.isfinite(measured) else np.empty((0, 2)),
        profile=profile,
        budget=reading.budget(str(drawn["feature_id"])) if np.isfinite(measured) else None,
    )


def _box(light: PieceLight, pose: Pose, outline_px: FloatArray) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    margin = _MARGIN_MM / np.array(pose.pixel_mm)
    n_rows, n_columns = light.shape
    low = np.maximum(np.floor(outline_px.min(axis=0) - margin).astype(int), light.origin)
    last = [light.origin[0] + n_columns - 1, light.origin[1] + n_rows - 1]
    high = np.minimum(np.ceil(outline_px.max(axis=0) + margin).astype(int), last)
    columns, rows = np.meshgrid(np.arange(low[0], high[0] + 1), np.arange(low[1], high[1] + 1))
    return columns, rows


def _fitted(
    fits: FeatureFits,
    light: PieceLight,
    pose: Pose,
    piece: Piece,
    row: int,
    pixels: tuple[NDArray[np.intp], NDArray[np.intp]],
) -> tuple[pd.DataFrame, FloatArray]:
    """Return the profile with its model, and the fitted outline in the picture."""
    drawn = piece.features.iloc[row]
    pixel = np.array(pose.pixel_mm)
    centre = pose.to_pixels([[float(drawn["x_mm"]), float(drawn["y_mm"])]])[0]
    strips = np.flatnonzero(fits.strips.rows == row)
    if len(strips):
        i = int(strips[0])
        normal = fits.strips.samples.normal[i]
        half = fits.strip_fits.width_mm[i] / 2
        along = np.array([normal[1], -normal[0]])
        reach = fits.strips.samples.half_length_mm[i]
        sides = [fits.strip_fits.centre_mm[i] - half, fits.strip_fits.centre_mm[i] + half]
        corners = [(sides[0], -reach), (sides[1], -reach), (sides[1], reach), (sides[0], reach), (sides[0], -reach)]
        outline = centre + np.array([d * normal + t * along for d, t in corners]) / pixel
        return _strip_profile(fits, i), outline
    disc = fits.discs[int(np.flatnonzero(fits.disc_rows == row)[0])]
    middle = centre + np.array([disc.shift_x_mm, disc.shift_y_mm]) / pixel
    angle = np.linspace(0, 2 * np.pi, 121)
    outline = middle + disc.diameter_mm / 2 * np.column_stack((np.cos(angle), np.sin(angle))) / pixel
    distance = np.hypot((pixels[0] - middle[0]) * pixel[0], (pixels[1] - middle[1]) * pixel[1]).ravel()
    solid = light.solid_share(pixels[0].ravel(), pixels[1].ravel())
    return _ring_profile(distance, solid, disc, fits.strips.spread, float(pixel.mean())), outline


def _strip_profile(fits: FeatureFits, i: int) -> pd.DataFrame:
    profiles, fit, spread = fits.strips.profiles, fits.strip_fits, fits.strips.spread
    filled = profiles.n_pixels[i] > 0
    d = profiles.d_mm[i][filled]
    kind = spread.shape
    left, right = d - fit.centre_mm[i] + fit.width_mm[i] / 2, d - fit.centre_mm[i] - fit.width_mm[i] / 2
    span = edge_profile(left, fit.sigma_mm[i], kind) - edge_profile(right, fit.sigma_mm[i], kind)
    sign = 1.0 if fits.strips.samples.strips[i].solid else -1.0
    model = fit.level[i] + fit.slope_per_mm[i] * d + sign * fit.contrast[i] * span
    return _profile(d, profiles.solid[i][filled], profiles.n_pixels[i][filled], model)


def _ring_profile(
    distance: FloatArray, solid: FloatArray, disc: DiscFit, spread: EdgeSpread, pixel_mm: float
) -> pd.DataFrame:
    step = pixel_mm / _RING_STEPS_PER_PIXEL
    ring = np.floor(distance / step).astype(int)
    near = distance <= disc.diameter_mm / 2 + _MARGIN_MM
    ring, distance, solid = ring[near], distance[near], solid[near]
    count = np.bincount(ring)
    filled = np.flatnonzero(count)
    mean = np.array([np.median(solid[ring == k]) for k in filled])
    place = np.bincount(ring, distance)[filled] / count[filled]
    radius, sigma = disc.diameter_mm / 2, spread.mean_sigma_mm
    light = seen_disc(place, radius, sigma, spread.shape)
    return _profile(place, mean, count[filled].astype(float), disc.level - disc.contrast * light)


def _profile(distance: FloatArray, solid: FloatArray, n_pixels: FloatArray, model: FloatArray) -> pd.DataFrame:
    return pd.DataFrame(
        {"distance_mm": distance, "solid": solid, "n_pixels": n_pixels, "model": model, "residual": solid - model}
    ).sort_values("distance_mm", ignore_index=True)
