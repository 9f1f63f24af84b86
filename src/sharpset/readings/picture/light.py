"""Plate and background light over a piece: smooth maps that turn pixel values into 'share solid'."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.ops import unary_union

from sharpset.errors import ReadingError
from sharpset.pieces import Piece
from sharpset.readings.advice import advice_for
from sharpset.readings.picture.bleed import Bleed
from sharpset.readings.picture.end_of_scale import TrueMeans, ends_of
from sharpset.readings.picture.medians import median
from sharpset.readings.picture.spill import Spill
from sharpset.readings.picture.wall_image import WallImage
from sharpset.scans import LocatedPiece, Pose, Scan

__all__ = ["LightMap", "PieceLight", "light_of", "means_of_nine", "pixels_at", "sample_points"]

FloatArray = NDArray[np.float64]
_CLEAR_MM = 0.33
_STEP_MM = 0.4
_MOST_SQUARES = 2500
_MAP_SETTLED = 1e-7
"""Of full light."""
_WINSORIZED = 0.8238
"""Standard deviation of a normal variable whose outer tenths are moved to its quantiles of 10 and 90 %: by hand,
sqrt(0.8 - 2 z phi(z) + 0.2 z^2) with z = 1.2816."""


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class LightMap:
    """A polynomial surface over the picture: linear light of plate or of background.

    Attributes
    ----------
    coefficients : ndarray of float
    centre_px, span_px : ndarray of float, shape (2,)
        Columns and rows are shifted and scaled by these before the powers are taken.
    order : int
    """

    coefficients: FloatArray
    centre_px: FloatArray
    span_px: FloatArray
    order: int

    def __call__(self, columns: FloatArray, rows: FloatArray) -> FloatArray:
        """Return the light at (column, row) positions."""
        x, y = self._scaled(columns, rows)
        return np.asarray(np.polynomial.polynomial.polyval2d(x, y, self._table()))

    def on_grid(self, columns: FloatArray, rows: FloatArray) -> FloatArray:
        """Return the light where columns and rows cross, shape (n_rows, n_columns)."""
        x, y = self._scaled(columns, rows)
        powers = np.polynomial.polynomial.polyvander
        return np.asarray(powers(y, self.order) @ self._table().T @ powers(x, self.order).T)

    def _scaled(self, columns: FloatArray, rows: FloatArray) -> tuple[FloatArray, FloatArray]:
        return (columns - self.centre_px[0]) / self.span_px[0], (rows - self.centre_px[1]) / self.span_px[1]

    def _table(self) -> FloatArray:
        table = np.zeros((self.order + 1, self.order + 1))
        for value, (i, j) in zip(self.coefficients, _powers(self.order), strict=True):
            table[i, j] = value
        return table


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class PieceLight:
    """What is known of the light around one piece.

    Attributes
    ----------
    stored : ndarray
        The piece and a margin as stored, a view into the scan; only the pixels that are asked for are decoded.
    decode : callable
        Turns stored values into linear light, those at the end of the scale into what they stand for (`end_of_scale`).
    origin : (column, row) of ``stored[0, 0]`` in the scan
    plate, background : LightMap
    noise : float
        Standard deviation of one pixel of the plate, in linear light, print texture included; at least what stored
        values round away.
    quantum : float
        Step between two stored values where the plate is, in linear light.
    contrast : float
        Plate minus background in the middle of the piece (negative for a dark plate), linear light.
    clipped : float
        Share of the plate's or the background's samples that sit at the end of the scale, the larger of the two.
    noise_inflation : float
        Standard deviation of a mean of 5 x 5 plate pixels over that of independent ones, at least 1.
    bleed : Bleed, optional
        Light that bleeds to one side of edges, which the share solid is freed of.
    spill : Spill, optional
        What a wide blur carries over from other edges, which the pixels of each feature are freed of.
    steps : ndarray of float
        Steps to which a JPEG file rounds cosines (see `Scan`), as shares of the contrast of stored values.
    true_means : TrueMeans, optional
        What means of the share solid are freed of where noise reaches beyond the scale.
    walls : WallImage, optional
        Walls that a camera sees beside edges, which the share solid is freed of.
    """

    stored: NDArray[Any]
    decode: Callable[[NDArray[Any]], NDArray[np.float32]]
    origin: tuple[int, int]
    plate: LightMap
    background: LightMap
    noise: float
    quantum: float = 0.0
    contrast: float
    clipped: float
    noise_inflation: float
    bleed: Bleed | None = None
    spill: Spill | None = None
    steps: FloatArray = field(default_factory=lambda: np.zeros(0))
    true_means: TrueMeans | None = None
    walls: WallImage | None = None

    @property
    def contrast_to_noise(self) -> float:
        """Contrast over noise of one pixel."""
        return abs(self.contrast) / max(self.noise, 1e-9)

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns of the piece and its margin."""
        return int(self.stored.shape[0]), int(self.stored.shape[1])

    def ground_share(self, pose: Pose, piece: Piece) -> float:
        """Return the light of the ground over the contrast amid the piece; infinite where the ground is the lighter."""
        if self.contrast < 0:
            return float("inf")
        middle = pose.to_pixels([[piece.width_mm / 2, piece.height_mm / 2]])[0]
        return max(float(self.background(*middle)), 0.0) / self.contrast

    def solid_share(self, columns: NDArray[np.intp], rows: NDArray[np.intp]) -> FloatArray:
        """Return normalised light at whole pixels: 1 on the plate, 0 on the background."""
        light = self.decode(self.stored[rows - self.origin[1], columns - self.origin[0]]).astype(float)
        x, y = columns.astype(float), rows.astype(float)
        dark, bright = self.background(x, y), self.plate(x, y)
        return self._freed(np.asarray((light - dark) / (bright - dark)), x, y)

    def solid_grid(
        self, columns: NDArray[np.intp], rows: NDArray[np.intp], kept: NDArray[np.intp] | None = None
    ) -> FloatArray:
        """Return the same where neighbouring columns and neighbouring rows cross.

        Of all crossings, shape (n_rows, n_columns), or of those whose numbers (counted along rows) are `kept`.
        """
        top, left = int(rows[0]) - self.origin[1], int(columns[0]) - self.origin[0]
        light = self.decode(self.stored[top : top + len(rows), left : left + len(columns)])
        x, y = columns.astype(float), rows.astype(float)
        dark = self.background.on_grid(x, y)
        seen = np.asarray((light - dark) / (self.plate.on_grid(x, y) - dark))
        if kept is None:
            return self._freed(seen, x, y[:, None])
        if self.bleed is None and self.walls is None:
            return seen.take(kept)
        row, column = np.divmod(kept, len(x))
        return self._freed(seen.take(kept), x.take(column), y.take(row))

    def _freed(self, seen: FloatArray, columns: FloatArray, rows: FloatArray) -> FloatArray:
        columns, rows = columns - self.origin[0], rows - self.origin[1]
        if self.walls is not None:
            seen = self.walls.without(seen, columns, rows)
        return seen if self.bleed is None else self.bleed.without(seen, columns, rows)


def _powers(order: int) -> list[tuple[int, int]]:
    return [(i, j) for i in range(order + 1) for j in range(order + 1 - i)]


def light_of(scan: Scan, located: LocatedPiece, piece: Piece, *, spill: Spill | None = None) -> PieceLight:
    """Measure the light of plate and background around a located piece.

    Parameters
    ----------
    scan : Scan
    located : LocatedPiece
        Its pose need only be good to a few pixels.
    piece : Piece
    spill : Spill, optional
        What share of the other's light is seen where plate and ground are looked at, where the blur is wide.

    Returns
    -------
    PieceLight

    Raises
    ------
    ReadingError
        If the piece lies partly outside the picture, or plate and background look alike.
    """
    stored, origin = _crop(scan, located, piece)
    plate_mm, open_mm = sample_points(piece)
    crop = _Crop(stored=stored, origin=origin, decode=scan.decode)
    on_plate, on_ground = (crop.stored_at(located.pose, points) for points in (plate_mm, open_mm))
    ends = ends_of(on_plate, on_ground, scan.decode, scan.full_scale)
    crop = replace(crop, decode=ends.decoded_with(scan.decode))
    plate_px, plate_light = crop.patches(located.pose, plate_mm)
    open_px, open_light = crop.patches(located.pose, open_mm)
    plate = _fit_map(plate_px, plate_light, order=3)
    background = _fit_map(open_px, open_light, order=2)
    if spill is not None:
        pixel = float(np.mean(scan.pixel_mm))
        solid = spill.share_at(located.pose.to_piece(plate_px), pixel_mm=pixel)
        plate = _fit_map(plate_px, (plate_light - (1 - solid) * background(*plate_px.T)) / solid, order=3)
        solid = spill.share_at(located.pose.to_piece(open_px), pixel_mm=pixel)
        background = _fit_map(open_px, (open_light - solid * plate(*open_px.T)) / (1 - solid), order=2)
    noise, inflation = _noise(crop.squares(located.pose, plate_mm))
    quantum = _quantum(plate, scan.decode, scan.bit_depth)
    middle = located.pose.to_pixels([[piece.width_mm / 2, piece.height_mm / 2]])[0]
    contrast = float(plate(*middle) - background(*middle))
    if abs(contrast) < 0.02 or (contrast > 0) != located.plate_is_bright:
        raise ReadingError(
            f"{scan.path}: plate and background differ by only {abs(contrast):.3f} of full light. "
            f"{advice_for(scan).background}"
        )
    return PieceLight(
        stored=stored,
        decode=crop.decode,
        origin=origin,
        plate=plate,
        background=background,
        # Pixels that are all alike may still hold any light that is stored as their value.
        noise=max(noise, quantum / np.sqrt(12)),
        quantum=quantum,
        contrast=contrast,
        clipped=max(_at_the_end(scan, crop, plate_light), _at_the_end(scan, crop, open_light)),
        noise_inflation=inflation,
        spill=spill,
        steps=_steps(scan, float(plate(*middle)), float(background(*middle))),
        true_means=ends.true_means(float(plate(*middle)), float(background(*middle))),
    )


def _steps(scan: Scan, plate: float, background: float) -> FloatArray:
    """Return a JPEG file's steps as shares of the contrast of stored values."""
    if not scan.steps:
        return np.zeros(0)
    values = np.arange(2**scan.bit_depth)
    high, low = np.interp([plate, background], scan.curve.decode(values / values[-1]), values)
    return np.asarray(np.array(scan.steps) / max(abs(high - low), 1.0))


def _crop(scan: Scan, located: LocatedPiece, piece: Piece) -> tuple[NDArray[Any], tuple[int, int]]:
    corners = located.pose.to_pixels(np.asarray(piece.outline.exterior.coords))
    margin = 1.0 / min(scan.pixel_mm)
    low, high = corners.min(axis=0), corners.max(axis=0)
    if np.any(low < -1.5) or high[0] > scan.n_columns + 0.5 or high[1] > scan.n_rows + 0.5:
        raise ReadingError(f"{scan.path}: the piece reaches beyond the edge of the picture. {advice_for(scan).whole}")
    left, top = (int(max(0, v)) for v in np.floor(low - margin))
    right = int(min(scan.n_columns, np.ceil(high[0] + margin) + 1))
    bottom = int(min(scan.n_rows, np.ceil(high[1] + margin) + 1))
    return scan.channel(located.channel)[top:bottom, left:right], (left, top)


@lru_cache(maxsize=8)
def sample_points(piece: Piece) -> tuple[FloatArray, FloatArray]:
    """Return points that are surely plate and surely open, mm in the piece frame."""
    grid = np.stack(
        np.meshgrid(np.arange(_STEP_MM, piece.width_mm, _STEP_MM), np.arange(_STEP_MM, piece.height_mm, _STEP_MM)),
        axis=-1,
    ).reshape(-1, 2)
    # Bars may be missing, and which cells of the code are open is another matter in each print: keep clear of both.
    cells = unary_union(piece.code_cells())
    voids = unary_union(piece.void_shapes()).difference(cells)
    bars = piece.features[piece.features["kind"] == "bar"]
    shapes = piece.feature_shapes()
    bar_shapes = (shapes[i] for i in bars.index)
    uncertain = shapely.MultiPolygon([*_parts(voids), *_parts(cells), *bar_shapes]).buffer(_CLEAR_MM)
    inside = piece.outline.buffer(-2 * _CLEAR_MM)
    shapely.prepare([inside, uncertain])
    x, y = grid.T
    plate = grid[shapely.contains_xy(inside, x, y) & ~shapely.intersects_xy(uncertain, x, y)]
    wide = voids.buffer(-_CLEAR_MM)
    opened = [np.asarray(shapely.get_coordinates(shapely.segmentize(part.exterior, 0.3))) for part in _parts(wide)]
    inner = [np.array([[part.centroid.x, part.centroid.y]]) for part in _parts(wide)]
    return plate, np.vstack([*opened, *inner])


def means_of_nine(light: PieceLight, pose: Pose, points: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return means of 3 x 3 pixels.

    Parameters
    ----------
    light : PieceLight
    pose : Pose
    points : ndarray of float, shape (n, 2)
        mm in the piece frame.

    Returns
    -------
    points : ndarray of float, shape (m, 2)
        Those inside the crop.
    share : ndarray of float, shape (m,)
        Mean share solid there.
    """
    where = np.round(pose.to_pixels(points)).astype(np.intp)
    n_rows, n_columns = light.shape
    low = np.array(light.origin) + 1
    high = np.array(light.origin) + np.array([n_columns, n_rows]) - 2
    inside = np.all((where >= low) & (where <= high), axis=1)
    points, where = points[inside], where[inside]
    total = np.zeros(len(points))
    for dx in (-1, 0, 1):
        for dy in (-1, 0, 1):
            total += light.solid_share(where[:, 0] + dx, where[:, 1] + dy)
    return points, total / 9


def pixels_at(pixels: NDArray[Any], pose: Pose, points_mm: FloatArray) -> NDArray[Any]:
    """Return the pixels nearest to points of the piece frame, of a whole picture; points outside it are left out."""
    columns, rows = np.round(pose.to_pixels(points_mm)).astype(np.intp).T
    inside = (rows >= 0) & (rows < pixels.shape[0]) & (columns >= 0) & (columns < pixels.shape[1])
    return np.asarray(pixels[rows[inside], columns[inside]])


def _parts(shape: shapely.Geometry) -> list[shapely.Polygon]:
    return [part for part in shapely.get_parts(shape) if part.geom_type == "Polygon" and not part.is_empty]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Crop:
    """Stored pixels around a piece, decoded where they are asked for."""

    stored: NDArray[Any]
    origin: tuple[int, int]
    decode: Callable[[NDArray[Any]], NDArray[np.float32]]

    def patches(self, pose: Pose, points_mm: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return (column, row) and the mean light of a 3 x 3 patch at each point inside the crop."""
        where = pose.to_pixels(points_mm)
        squares, inside = self._squares(where, 1)
        return where[inside], squares.mean(axis=(1, 2), dtype=float)

    def stored_at(self, pose: Pose, points_mm: FloatArray) -> NDArray[Any]:
        """Return the stored values of 3 x 3 pixels about each point, shape (n, 3, 3)."""
        return replace(self, decode=lambda stored: stored)._squares(pose.to_pixels(points_mm), 1)[0]

    def squares(self, pose: Pose, points_mm: FloatArray) -> NDArray[np.float32]:
        """Return the light of 15 x 15 pixels about a few thousand of the points, shape (n, 15, 15)."""
        step = max(1, len(points_mm) // _MOST_SQUARES)
        return self._squares(pose.to_pixels(points_mm[::step]), 7)[0]

    def _squares(self, where: FloatArray, reach: int) -> tuple[NDArray[np.float32], NDArray[np.bool_]]:
        column, row = (np.round(where).astype(int) - np.array(self.origin)).T
        n_rows, n_columns = self.stored.shape
        inside = (column >= reach) & (row >= reach) & (column < n_columns - reach) & (row < n_rows - reach)
        span = np.arange(-reach, reach + 1)
        rows, columns = row[inside, None, None] + span[:, None], column[inside, None, None] + span[None, :]
        return self.decode(self.stored[rows, columns]), inside


def _fit_map(where: FloatArray, light: FloatArray, *, order: int) -> LightMap:
    """Fit a polynomial surface with Tukey's biweight, so that dust and misprints do not pull it."""
    centre = where.mean(axis=0)
    span = np.maximum(np.ptp(where, axis=0) / 2, 1.0)
    x, y = ((where - centre) / span).T
    design = np.column_stack([x**i * y**j for i, j in _powers(order)])
    weights = np.ones(len(light))
    start = np.abs(light - np.median(light))
    weights[start > 6 * np.median(start) + 1e-6] = 0.0
    before = np.full(design.shape[1], np.inf)
    for _ in range(12):
        # Coordinates run from -1 to 1, so that the normal equations are well conditioned.
        weighted = (design * weights[:, None]).T
        solution = np.linalg.solve(weighted @ design + 1e-12 * np.eye(design.shape[1]), weighted @ light)
        if np.abs(solution - before).max() < _MAP_SETTLED:
            break
        before, residual = solution, light - design @ solution
        scale = 1.4826 * median(np.abs(residual[weights > 0])) + 1e-9
        weights = np.clip(1 - (residual / (5 * scale)) ** 2, 0, None) ** 2
    return LightMap(coefficients=solution, centre_px=centre, span_px=span, order=order)


def _noise(squares: NDArray[np.float32]) -> tuple[float, float]:
    """Return the noise of one pixel, and how much wider means scatter than independent pixels would make them.

    Noise is the robust spread of single plate pixels about their 7 x 7 neighbourhood; the second value compares means
    of 5 x 5 pixels with single ones, both against their 15 x 15 neighbourhood.
    """
    if len(squares) == 0:
        return 0.0, 1.0
    near = squares[:, 6:9, 6:9] - squares[:, 4:11, 4:11].mean(axis=(1, 2), keepdims=True)
    noise = _inner_spread(near) / np.sqrt(1 - 1 / 49)
    wide = squares.mean(axis=(1, 2))
    block = squares[:, 5:10, 5:10].mean(axis=(1, 2)) - wide
    single = squares[:, 6:9, 6:9] - wide[:, None, None]
    # The two means share pixels: independent noise leaves sqrt(1/25 - 1/225) of one pixel's spread.
    share = _inner_spread(block) / max(_inner_spread(single) * np.sqrt(1 / 25 - 1 / 225), 1e-12)
    return noise, float(np.clip(share, 1.0, 5.0))


def _inner_spread(values: NDArray[np.float32]) -> float:
    """Return the standard deviation by the inner four fifths of values, as though they were normal.

    A median deviation jumps from step to step where the noise is finer than what a pixel can store; a mean does not.
    """
    low, high = np.quantile(values, [0.1, 0.9])
    inner = np.clip(values, low, high)
    return float(inner.std()) / _WINSORIZED


def _quantum(plate: LightMap, decode: Callable[[NDArray[Any]], NDArray[np.float32]], n_bits: int) -> float:
    """Return the step between two stored values where the plate is, in linear light."""
    if n_bits > 16:
        return 0.0
    levels = np.asarray(decode(np.arange(2**n_bits)))
    at = int(np.clip(np.argmin(np.abs(levels - float(plate(*plate.centre_px)))), 1, len(levels) - 2))
    return float(levels[at + 1] - levels[at - 1]) / 2


def _at_the_end(scan: Scan, crop: _Crop, light: FloatArray) -> float:
    low, high = (float(v) for v in crop.decode(np.array([0, scan.full_scale]).astype(scan.pixels.dtype)))
    return float(np.mean((light <= low + 1e-6) | (light >= high - 1e-6)))
