"""Walls of openings that a camera sees at a slant: drawn, their light measured, and taken off the picture.

A lens at height h over the face of a plate of thickness t sees, beyond the upper edge of an opening, the wall under it:
what lies at depth z lies further from the lens's foot by the factor 1 + z / h than where it is seen. A wall's light is
that of an evenly lit room as far as the opening lets it in, a share 1 - z / sqrt(z^2 + w^2) for long openings of width
w, and that of other walls, which is taken for the same all over; both differ by where the wall faces. How much of each
there is shows beside the far edges of wide slots and nowhere beside the near ones.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.affinity import rotate, translate
from shapely.geometry import box

from sharpset.pieces import Piece
from sharpset.readings.edges.blur import EdgeSpread, normal_cdf
from sharpset.readings.features.piece_samples import PieceSamples, sample_piece
from sharpset.readings.features.slant import WallLight
from sharpset.readings.picture.light import PieceLight
from sharpset.readings.picture.wall_image import WallImage
from sharpset.scans import Pose, Viewing

if TYPE_CHECKING:
    from sharpset.readings.features.fitting import FeatureFits

__all__ = ["WallsSeen", "see_walls"]

FloatArray = NDArray[np.float64]
Image = NDArray[np.float32]
_CELL_MM, _MOST_FINER, _PAINTED = 0.018, 4, 3
"""Cells, and how much finer openings are painted."""
_N_DEPTHS = 6
_N_ROUNDS = 2
"""The second measures walls by the blur that is left without them."""
_ROWS_AT_ONCE = 128
_GRADIENT_CELLS = 1.5
_CLEAR_BLURS, _MOST_STRIPS, _FEWEST_STRIPS = 6.0, 40, 6
_REACH_BLURS = 4.0
_N_STEPS = 8
_MEAN = np.array([0.3, 0.0, 0.0, 0.15, 0.0, 0.0])
_SD = np.array([0.3, 0.25, 0.25, 0.2, 0.25, 0.25])
"""Light of walls over the contrast beforehand: by the room and by other walls, each the same all round and by the
direction in which a wall faces (columns, rows)."""
_U_FACTOR = 5.0
"""By how much spreads of pixels understate what walls are unsure by: pixels go together, and no wall is as drawn."""
_U_BLUR, _MOST_BLUR, _MOST_STEP = 0.3, 0.7, 0.05
_FIRST_SPREAD, _HUBER = 0.01, 3.0


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class WallsSeen:
    """Walls as a picture shows them.

    Attributes
    ----------
    light : PieceLight
    strips : PieceSamples
        Both without walls.
    share : WallLight
        Light of walls over the contrast, at the upper edge of wide openings.
    """

    light: PieceLight
    strips: PieceSamples
    share: WallLight


def see_walls(
    fits: FeatureFits, light: PieceLight, pose: Pose, everywhere: Pose, piece: Piece, viewing: Viewing
) -> WallsSeen | None:
    """Measure the walls that a picture shows.

    Parameters
    ----------
    fits : FeatureFits
        True sizes and places, as far as known.
    light : PieceLight
        Walls are measured as it shows them, whatever was taken off before.
    pose : Pose
        The one with which the features were fitted.
    everywhere : Pose
        The one through all features.
    piece : Piece
    viewing : Viewing

    Returns
    -------
    WallsSeen or None
        None where too few wide slots show any.
    """
    drawn = _parts(_drawn(fits, light, pose, everywhere, piece), light, pose, piece, viewing)
    walls = None
    strips = fits.strips
    for _ in range(_N_ROUNDS):
        parts = _blurred(drawn, strips.spread, np.array(pose.pixel_mm))
        found = _measured(replace(fits, strips=strips), light, pose, piece, parts)
        if found is None:
            return None
        values, covariance = found
        image = WallImage(share=np.tensordot(values.astype(np.float32), parts, axes=1))
        light = replace(light, walls=image)
        strips = sample_piece(light, pose, piece)
        both = np.hstack((np.eye(3), np.eye(3)))
        share = WallLight(coefficients=both @ values, covariance=both @ covariance @ both.T)
        walls = WallsSeen(light=light, strips=strips, share=share)
    return walls


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Scene:
    """How open fine cells are, where edges face there, and how wide the opening at each pixel is, mm."""

    opened: Image
    facing: Image
    width_mm: Image
    finer: int


def _drawn(fits: FeatureFits, light: PieceLight, pose: Pose, everywhere: Pose, piece: Piece) -> _Scene:
    """Paint the piece as it was found; what did not form, or in part only, as plate (openings) or not at all (bars)."""
    pixel_mm = float(np.mean(pose.pixel_mm))
    finer = int(np.clip(np.ceil(pixel_mm / _CELL_MM), 1, _MOST_FINER))
    n_rows, n_columns = light.shape
    by = finer * _PAINTED
    painted = np.full((n_rows * by, n_columns * by), 255, dtype=np.uint8)
    widths = np.full((n_rows, n_columns), 5.0, dtype=np.float32)
    kept = pixel_mm / by / 2  # polygons are painted half a cell too wide on every side

    def paint(shape: shapely.Geometry, where: Pose, value: int, shift_px: FloatArray | float = 0.0) -> None:
        for part in shapely.get_parts(shape.buffer(-kept, join_style="mitre")):
            if part.is_empty:
                continue
            corners = where.to_pixels(np.asarray(part.exterior.coords)) + shift_px - np.array(light.origin)
            fine = (corners + 0.5) * by - 0.5
            cv2.fillPoly(painted, [np.round(fine * 16).astype(np.int32)], value, shift=4)

    def widen(shape: shapely.Geometry, width_mm: float) -> None:
        corners = everywhere.to_pixels(np.asarray(shape.buffer(0.3).exterior.coords)) - np.array(light.origin)
        cv2.fillPoly(widths, [np.round(corners).astype(np.int32)], width_mm)

    shapes, kinds = piece.feature_shapes(), piece.features["kind"].tolist()
    nominal, samples = piece.features["nominal_mm"].to_numpy(float), fits.strips.samples
    formed = fits.strip_verdicts.is_formed
    ratio = fits.strip_fits.width_mm / samples.length_scale
    grown = np.where(samples.is_bar, 1.0, -1.0) * (ratio - nominal[fits.strips.rows])
    growth = float(np.median(grown[formed])) / 2 if formed.any() else 0.0
    paint(piece.outline.buffer(growth, join_style="mitre"), everywhere, 0)
    for one in piece.openings:
        widen(one, float(shapely.minimum_rotated_rectangle(one).length) / 2 - _longest(one))
        paint(one.buffer(-growth, join_style="mitre"), everywhere, 255)
    pixel = np.array(pose.pixel_mm)
    features = piece.features
    for i, row in enumerate(fits.strips.rows):
        kind = kinds[row]
        if kind == "square":
            continue
        x, y, angle, length = (float(features[name].iloc[row]) for name in ("x_mm", "y_mm", "angle_deg", "length_mm"))
        shift = fits.strip_fits.centre_mm[i] * samples.normal[i] / pixel

        def strip(width: float, long: float, at: tuple[float, float, float] = (x, y, angle)) -> shapely.Geometry:
            flat = box(-long / 2, -width / 2, long / 2, width / 2)
            return translate(rotate(flat, at[2], origin=(0, 0)), at[0], at[1])

        if kind == "bar":
            paint(strip(nominal[row] + 0.1, length - 2 * growth), everywhere, 255)
        if formed[i]:
            solid = kind == "bar"
            if not solid:
                widen(shapes[row], nominal[row])
            paint(strip(ratio[i], length + (0.3 if solid else -2 * growth)), pose, 0 if solid else 255, shift)
    stretch = (everywhere.scale_x + everywhere.scale_y) / 2
    for row, disc, is_formed in zip(fits.disc_rows, fits.discs, fits.disc_verdicts.is_formed, strict=True):
        if is_formed and disc.diameter_mm > 0:
            wider = (disc.diameter_mm / stretch - nominal[row]) / 2
            widen(shapes[row], nominal[row])
            paint(shapes[row].buffer(wider), pose, 255, np.array([disc.shift_x_mm, disc.shift_y_mm]) / pixel)
    for shape, kind in zip(shapes, kinds, strict=True):
        if kind == "square":
            paint(shape.buffer(-growth, join_style="mitre"), everywhere, 255)
    size = (n_columns * finer, n_rows * finer)
    opened = cv2.resize(painted, size, interpolation=cv2.INTER_AREA).astype(np.float32) / np.float32(255)
    smooth = cv2.GaussianBlur(opened, (0, 0), _GRADIENT_CELLS)
    facing = np.stack([cv2.Scharr(smooth, cv2.CV_32F, 1 - axis, axis) for axis in (0, 1)])
    facing /= np.hypot(*facing) + np.float32(1e-3)
    return _Scene(opened=opened, facing=facing, width_mm=widths, finer=finer)


def _longest(shape: shapely.Geometry) -> float:
    corners = np.asarray(shapely.minimum_rotated_rectangle(shape).exterior.coords)
    return float(np.hypot(*np.diff(corners[:3], axis=0).T).max())


def _parts(scene: _Scene, light: PieceLight, pose: Pose, piece: Piece, viewing: Viewing) -> Image:
    """Return the picture of walls lit by the room and of walls lit by each other, shape (6, n_rows, n_columns).

    Each lit alike all round, and by the columns' and rows' part of where they face.
    """
    n_rows, n_columns = light.shape
    f, thickness = scene.finer, piece.thickness_mm
    pixel = np.array(pose.pixel_mm)
    found = np.zeros((6, n_rows, n_columns), dtype=np.float32)
    eyes = np.array(viewing.points, dtype=float)
    columns = (np.arange(n_columns * f) + 0.5) / f - 0.5 + light.origin[0]
    x = (columns + 0.5) * pixel[0]
    depths = np.linspace(0.0, thickness, _N_DEPTHS + 1)
    for top in range(0, n_rows, _ROWS_AT_ONCE):
        stop = min(top + _ROWS_AT_ONCE, n_rows)
        y = ((np.arange(top * f, stop * f) + 0.5) / f + light.origin[1]) * pixel[1]
        middle = np.stack(np.meshgrid(x[f // 2 :: f], y[f // 2 :: f]), axis=-1)
        counts = viewing.shares(middle.reshape(-1, 2)).reshape(len(eyes), *middle.shape[:2]).astype(np.float32)
        own = (slice(top * f, stop * f), slice(None))
        width = scene.width_mm[top:stop]
        for eye, count in zip(eyes, counts, strict=True):
            seen = scene.opened[own]
            for above, depth in pairwise(depths):
                at = _places(x, y, eye, depth, pixel, light.origin, f)
                deeper = np.minimum(seen, cv2.remap(scene.opened, *at, cv2.INTER_LINEAR, borderValue=1.0))
                wall = seen - deeper
                seen = deeper
                if not wall.any():
                    continue
                at = _places(x, y, eye, (above + depth) / 2, pixel, light.origin, f)
                faces = [cv2.remap(one, *at, cv2.INTER_LINEAR, borderValue=0.0) for one in scene.facing]
                z = (above + depth) / 2
                room = (1 - z / np.hypot(z, width)) * count
                for k, share in enumerate((wall, wall * faces[0], wall * faces[1])):
                    coarse = share.reshape(stop - top, f, n_columns, f).mean(axis=(1, 3))
                    found[k, top:stop] += coarse * room
                    found[3 + k, top:stop] += coarse * count
    return found


def _places(
    x: FloatArray, y: FloatArray, eye: FloatArray, depth: float, pixel: FloatArray, origin: tuple[int, int], f: int
) -> tuple[Image, Image]:
    """Return where in the fine cells that lies which is seen at x, y and lies so deep."""
    grown = 1 + depth / eye[2]
    column = ((eye[0] + (x - eye[0]) * grown) / pixel[0] - origin[0]) * f - 0.5
    row = ((eye[1] + (y - eye[1]) * grown) / pixel[1] - origin[1]) * f - 0.5
    columns, rows = np.meshgrid(column.astype(np.float32), row.astype(np.float32))
    return columns, rows


def _blurred(images: Image, spread: EdgeSpread, pixel: FloatArray) -> Image:
    def by(factor: float) -> Image:
        sigma = [
            float(np.sqrt(max((factor * s / p) ** 2 - 1 / 12, 1e-4)))
            for s, p in zip((spread.sigma_x_mm, spread.sigma_y_mm), pixel, strict=True)
        ]
        blurred = (cv2.GaussianBlur(one, (0, 0), sigma[0], sigmaY=sigma[1]) for one in images)
        return np.stack([np.asarray(one, dtype=np.float32) for one in blurred])

    core = by(1.0)
    return core if spread.halo == 0 else np.asarray((1 - spread.halo) * core + spread.halo * by(spread.halo_ratio))


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Slot:
    """Pixels of a wide slot: place across it, share solid, and what walls of each kind show there, shape (n, 6)."""

    d_mm: FloatArray
    solid: FloatArray
    walls: FloatArray
    sigma_mm: float
    edges_mm: tuple[float, float]


def _measured(
    fits: FeatureFits, light: PieceLight, pose: Pose, piece: Piece, parts: Image
) -> tuple[FloatArray, FloatArray] | None:
    """Return the light of walls, and its covariance; None where too few wide slots formed."""
    samples = fits.strips.samples
    nominal = np.array([strip.width_mm for strip in samples.strips])
    is_slot = (piece.features["kind"] == "slot").to_numpy()[fits.strips.rows]
    clear = nominal > _CLEAR_BLURS * fits.strips.spread.sigma_mm(samples.normal)
    wide = np.flatnonzero(fits.strip_verdicts.is_formed & is_slot & clear)
    if len(wide) > _MOST_STRIPS:
        wide = wide[np.linspace(0, len(wide) - 1, _MOST_STRIPS).astype(int)]
    if len(wide) < _FEWEST_STRIPS:
        return None
    slices = samples.slices()
    return _fitted([_slot(fits, int(i), slices[i], light, pose, parts) for i in wide])


def _slot(fits: FeatureFits, i: int, pixels: slice, light: PieceLight, pose: Pose, parts: Image) -> _Slot:
    samples, strip = fits.strips.samples, fits.strips.samples.strips[i]
    normal, turn = samples.normal[i], np.radians(strip.angle_deg)
    along = pose.linear_mm @ [np.cos(turn), np.sin(turn)]
    along /= np.hypot(*along)
    sigma = float(fits.strips.spread.sigma_mm(normal)[0])
    half = strip.width_mm * samples.length_scale[i] / 2
    d, t = samples.d_mm[pixels], samples.t_mm[pixels]
    near = np.abs(d) < half + _REACH_BLURS * sigma
    d, t = d[near], t[near]
    where = pose.to_pixels([[strip.x_mm, strip.y_mm]]) + (np.outer(d, normal) + np.outer(t, along)) / pose.pixel_mm
    column, row = (np.round(where).astype(np.intp) - np.array(light.origin)).T
    taken = 0.0 if light.walls is None else light.walls.share[row, column]
    centre, width = float(fits.strip_fits.centre_mm[i]), float(fits.strip_fits.width_mm[i])
    return _Slot(
        d_mm=d,
        solid=samples.solid[pixels][near] + taken,
        walls=parts[:, row, column].T.astype(float),
        sigma_mm=sigma,
        edges_mm=(centre - width / 2, centre + width / 2),
    )


def _fitted(slots: list[_Slot]) -> tuple[FloatArray, FloatArray]:
    """Least squares over all pixels by Gauss and Newton's steps, softened beyond three spreads (Huber).

    Each slot has its own two edges, plate and ground, which are solved for apart; walls and the blur are shared.
    """
    own = np.array([(*slot.edges_mm, 1.0, 0.0) for slot in slots])
    values, blur, spread = _MEAN.copy(), 0.0, _FIRST_SPREAD
    known = np.append(1 / _SD**2, 1 / _U_BLUR**2)
    covariance = np.diag(_SD**2)
    for _ in range(_N_STEPS):
        normal, right = np.diag(known), known * np.append(_MEAN - values, -blur)
        solved, away = [], []
        for slot, (low, high, plate, ground) in zip(slots, own, strict=True):
            sigma = slot.sigma_mm * np.exp(blur)
            a, b = (slot.d_mm - low) / sigma, (slot.d_mm - high) / sigma
            steep_a, steep_b = (np.exp(-0.5 * z**2) / np.sqrt(2 * np.pi) for z in (a, b))
            opened, fall = normal_cdf(a) - normal_cdf(b), ground - plate
            off = slot.solid - (plate + fall * opened + slot.walls @ values)
            weight = np.minimum(1.0, _HUBER * spread / np.maximum(np.abs(off), 1e-9))[:, None]
            apart = np.column_stack((-fall * steep_a / sigma, fall * steep_b / sigma, 1 - opened, opened))
            shared = np.column_stack((slot.walls, fall * (steep_b * b - steep_a * a)))
            weighed = (apart * weight).T
            both = np.column_stack((weighed @ shared, weighed @ off))
            share = np.linalg.solve(weighed @ apart + 1e-9 * np.eye(4), both)
            variance = (_U_FACTOR * spread) ** 2
            normal = normal + ((shared * weight).T @ shared - both[:, :-1].T @ share[:, :-1]) / variance
            right = right + ((shared * weight).T @ off - both[:, :-1].T @ share[:, -1]) / variance
            solved.append(share)
            away.append(off)
        step = np.linalg.solve(normal, right)
        values, blur = values + step[:-1], float(np.clip(blur + step[-1], -_MOST_BLUR, _MOST_BLUR))
        own += np.clip([one[:, -1] - one[:, :-1] @ step for one in solved], -_MOST_STEP, _MOST_STEP)
        spread = max(1.4826 * float(np.median(np.abs(np.concatenate(away)))), 1e-3)
        covariance = np.linalg.inv(normal)[:-1, :-1]
    return values, covariance
