"""Openings of a thick plate seen at a slant: how much of them its walls hide, and how much of that counts as plate.

A lens at height h over the face of a plate of thickness t sees the lower edge of a wall at distance r from its foot
moved towards the foot by r t / (h + t). Where the wall looks like the face (a dark plate on light card) an opening
therefore looks narrower, a bar wider, by the part of that across it; where the wall looks like the ground (a light
plate on a black card) the upper edges are seen and nothing is lost. How much of it counts, between 0 and 1, is told by
the piece itself: by how sizes differ within each row of features, where the loss differs and the printer does not.
Walls that face a lamp count for more than those that turn away from it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from sharpset.pieces import Piece
from sharpset.readings.shade.shading import seen_at_slant
from sharpset.readings.shade.wall_bands import edge_beside_band
from sharpset.scans import Pose, Viewing

if TYPE_CHECKING:
    from sharpset.readings.features.fitting import FeatureFits

__all__ = ["HIDDEN", "Loss", "Slant", "WallLight", "hole_seen", "hole_true", "loss_of", "wall_light", "without_slant"]

FloatArray = NDArray[np.float64]
HIDDEN = "hidden at a slant"
_PRIOR, _U_PRIOR = 0.5, 1 / np.sqrt(12)
"""Of the share that counts, before the picture is looked at: anything between 0 and 1."""
_U_LAMP = 0.25
"""By how much walls may differ from that mean towards a lamp: a wall in full light looks like the face, one turned away
from it about half as light (Lambert's law, a lamp as bright as the room)."""
_U_FACTOR = 1.5
"""By how much the scatter within rows understates the error: sizes of neighbours go together."""
_U_FLOOR = 0.02
_U_TAKEN, _U_TAKEN_SHARE, _LEFT, _U_LEFT = 0.03, 0.1, 0.6, 0.25
"""Of the loss, once walls were taken off the picture: what their light differs by from opening to opening. What did not
form as a whole was left: deep walls have between a fifth and all of the light at their upper edge, which was measured.
"""
_U_THICKNESS_MM = 0.05
"""Standard uncertainty of a printed plate's thickness (common practice, no source)."""
_U_BAND = 0.3
"""Of the loss where walls are half as bright as the face, as a share of it: a broad band of light has no edge."""
_NARROW, _BROAD = 2.0, 4.0
"""Breadths of bands in blurs from which on, and up to which, that comes in: a narrow band moves an edge as any light
does, whatever lies where in it."""
_STEP = 0.01
_WIDE_BLUR_MM = 10.0
_U_LENS = 0.1
"""What remains of a hole has corners and is no circle: rendered photographs erred by up to a tenth of the loss."""
_MOST_OF_SIZE = 0.25
"""Share of an opening (of a hole's area) that may be hidden before nothing can be said of one that is not seen."""
_APART_MM = 0.05
"""Distance of double edges that a blur of usual photographs still makes one."""
_SHADED_BLURS = 2.0
"""Blur widths of shade beside an edge that move it; what is wider changes the level around it."""
_COUNTS = 0.1
"""From what part on a photograph counts for that."""
_BESIDE_MM = 0.2
_LEAST_ROOM = 0.25
"""Width beside a bar that has to be left, mm: the gaps of a stencil are about twice as wide."""
_N_DIRECTIONS = 72
_ANGLE = 2 * np.pi * np.arange(_N_DIRECTIONS) / _N_DIRECTIONS
_TOWARDS = np.column_stack((np.cos(_ANGLE), np.sin(_ANGLE)))
_WORTH_SAYING_MM = 0.003


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Loss:
    """What walls hide where they look like the face, mm; one entry a strip or hole.

    Attributes
    ----------
    width_mm : ndarray of float, shape (n,)
        By how much openings look narrower and bars wider; of a hole the mean over directions of its diameter's loss.
    shift_mm : ndarray of float, shape (n,) or (n, 2)
        By how much centres look moved along the normal; of holes along columns and rows.
    moved_mm : ndarray of float, shape (n_views, n, 2)
        How far lower edges are seen from the upper ones, per photograph.
    parts : ndarray of float, shape (n_views, n)
        How much each photograph counts in its middle.
    anywhere : ndarray of float, shape (n_views, n)
        The most that it counts anywhere over the feature.
    facing : ndarray of float, shape (n, 2)
        Where the walls that are seen face, unit vectors along columns and rows; 0 where none is seen.
    blur_mm : ndarray of float, shape (n,)
        Standard deviation of the edge spread with which each was fitted; much broader than the loss until it is known.
    normals : ndarray of float, shape (n, 2), or None
        Of strips.
    taken : ndarray of bool, shape (n,), or None
        Whose walls were taken off the picture, so that only what is unsure of them is left.
    """

    width_mm: FloatArray
    shift_mm: FloatArray
    moved_mm: FloatArray
    parts: FloatArray
    anywhere: FloatArray
    facing: FloatArray
    blur_mm: FloatArray
    normals: FloatArray | None = None
    taken: NDArray[np.bool_] | None = None

    @property
    def breadth_mm(self) -> FloatArray:
        """How broad the band is that a wall shows: round holes that across the band, where most of it lies."""
        return self.width_mm if self.normals is not None else self.width_mm * np.pi**2 / 8

    def seen_as_plate(self, share: FloatArray) -> FloatArray:
        """Return how much of the loss an edge is moved by, relative, where walls are so bright, shape (n,)."""
        breadth = np.maximum(self.breadth_mm, 1e-9)
        return edge_beside_band(breadth, share, self.blur_mm) / breadth


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class WallLight:
    """How much of what walls hide counts as plate, by where they face: a + b x + c y.

    Attributes
    ----------
    coefficients : ndarray of float, shape (3,)
    covariance : ndarray of float, shape (3, 3)
    """

    coefficients: FloatArray
    covariance: FloatArray

    def share(self, facing: FloatArray) -> FloatArray:
        """Return the share of walls that face along unit vectors, between 0 and 1, shape (n,)."""
        return np.clip(_terms(facing) @ self.coefficients, 0.0, 1.0)

    def u_share(self, facing: FloatArray) -> FloatArray:
        """Return its standard uncertainty, shape (n,)."""
        terms = _terms(facing)
        return np.asarray(np.hypot(np.sqrt(np.einsum("ni,ij,nj->n", terms, self.covariance, terms)), _U_FLOOR))


def _terms(facing: FloatArray) -> FloatArray:
    return np.column_stack((np.ones(len(facing)), facing))


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Slant:
    """How the slant of view was taken off the features of a piece.

    Attributes
    ----------
    walls : WallLight
    strips, holes : Loss
    thickness_mm : float
        Of the piece.
    u_height : float
        Of the viewpoints, relative.
    """

    walls: WallLight
    strips: Loss
    holes: Loss
    thickness_mm: float
    u_height: float

    def u_common_mm(self, loss: Loss) -> FloatArray:
        """Return the standard uncertainty that features share (share that counts, thickness, viewpoint)."""
        share, u = self.walls.share(loss.facing), self.walls.u_share(loss.facing)
        low, seen, high = (loss.seen_as_plate(np.clip(share + k * u, 0.0, 1.0)) for k in (-1, 0, 1))
        of_share = np.maximum(high - seen, seen - low)
        return np.asarray(
            loss.width_mm * np.hypot(of_share, seen * np.hypot(_U_THICKNESS_MM / self.thickness_mm, self.u_height))
        )

    def u_private_mm(self, loss: Loss) -> FloatArray:
        """Return that of each feature for itself: walls neither like the face nor like the ground, holes no circles."""
        share = self.walls.share(loss.facing)
        if loss.taken is not None:
            return np.asarray(loss.width_mm * np.hypot(_U_TAKEN, np.where(loss.taken, _U_TAKEN_SHARE, _U_LEFT) * share))
        seen = loss.seen_as_plate(share)
        breadth = np.maximum(loss.breadth_mm, 1e-9)
        even = edge_beside_band(breadth, share, loss.blur_mm, fading=1.0) / breadth
        broad = np.clip((breadth / loss.blur_mm - _NARROW) / (_BROAD - _NARROW), 0.0, 1.0)
        band = np.maximum(np.abs(share - even), broad * _U_BAND * np.sqrt(share * (1 - share)))
        return np.asarray(loss.width_mm * np.hypot(band, _U_LENS * seen if loss.normals is None else 0.0))

    def _most(self, loss: Loss) -> FloatArray:
        return np.minimum(self.walls.share(loss.facing) + 2 * self.walls.u_share(loss.facing), 1.0)

    def hides(self, nominal_mm: FloatArray, fits: FeatureFits) -> NDArray[np.bool_]:
        """Whether so much may be hidden of a feature that nothing can be said of it, shape (n_features,).

        An opening that is seen in spite of it is read; of one that is not seen nobody knows whether it formed. Bars
        need the gaps beside them. What two photographs from different sides show in part has double edges.
        """
        hidden = np.zeros(len(nominal_mm), dtype=bool)
        rows, discs = fits.strips.rows, fits.disc_rows
        solid = fits.strips.samples.is_bar
        lost = self._most(self.strips) * self.strips.width_mm
        lost_slot = _unseen(fits.strip_verdicts.formed) & (lost > _MOST_OF_SIZE * nominal_mm[rows])
        np.logical_or.at(hidden, rows, np.where(solid, lost > _LEAST_ROOM, lost_slot) | self._doubled(self.strips))
        size = nominal_mm[discs]
        seen = hole_seen(size, self._most(self.holes)[:, None] * self.holes.moved_mm, self.holes.parts)
        left = (seen / size) ** 2
        hidden[discs] |= _unseen(fits.disc_verdicts.formed) & (1 - left > _MOST_OF_SIZE)
        hidden[discs] |= self._doubled(self.holes)
        return hidden

    def _doubled(self, loss: Loss) -> NDArray[np.bool_]:
        """Return whether several photographs count that show lower edges at different places."""
        counts = loss.anywhere > _COUNTS
        moved = (
            loss.moved_mm if loss.normals is None else np.einsum("vnk,nk->vn", loss.moved_mm, loss.normals)[..., None]
        )
        high, low = (np.where(counts[..., None], moved, end) for end in (-np.inf, np.inf))
        apart = np.linalg.norm(high.max(axis=0) - low.min(axis=0), axis=1)
        return np.asarray(self._most(loss) * apart > _APART_MM)

    def summary(self) -> str:
        """Return the slant in one line; empty where it moves no size by more than 3 um."""
        width = np.concatenate((self.strips.width_mm, self.holes.width_mm))
        if not len(width):
            return ""
        losses = (self.strips, self.holes)
        taken_mm = np.concatenate(
            [loss.width_mm * loss.seen_as_plate(self.walls.share(loss.facing)) for loss in losses]
        )
        half_mm = 1.96 * np.concatenate([self.u_common_mm(loss) for loss in losses])
        if (taken_mm + half_mm).max() < _WORTH_SAYING_MM:
            return ""
        at = int(np.argmax(taken_mm + half_mm))
        taken, half = 1000 * taken_mm[at], 1000 * half_mm[at]
        hidden = f"hide up to {taken:.0f} +- {half:.0f} um of openings, which was put back"
        if taken < half:
            hidden = f"may hide up to {min(taken + half, 1000 * width[at]):.0f} um of openings, which intervals hold"
        return f"seen at a slant, walls {hidden}. Photograph from further away, the piece in the middle"


def _unseen(verdicts: list[str]) -> NDArray[np.bool_]:
    return np.array([word != "yes" for word in verdicts], dtype=bool)


def loss_of(points_mm: FloatArray, normals: FloatArray, viewing: Viewing, *, thickness_mm: float) -> Loss:
    """Return what walls across given normals hide.

    Parameters
    ----------
    points_mm : ndarray of float, shape (n, 2)
        Places on the face, x along columns and y along rows from the picture's upper-left corner.
    normals : ndarray of float, shape (n, 2)
        Unit vectors across the strips, in the same axes.
    viewing : Viewing
    thickness_mm : float
        Of the plate.

    Notes
    -----
    Photographs that were put together count as their pixels do there.
    """
    moved, parts = _moved(points_mm, viewing, thickness_mm), viewing.shares(points_mm)
    across = np.einsum("vnk,nk->vn", moved, normals)
    upper, lower = (np.sum(parts * np.maximum(side, 0.0), axis=0) for side in (across, -across))
    return Loss(
        width_mm=upper + lower,
        shift_mm=(lower - upper) / 2,
        moved_mm=moved,
        parts=parts,
        anywhere=parts,
        facing=np.sign(lower - upper)[:, None] * normals,
        blur_mm=np.full(len(points_mm), _WIDE_BLUR_MM),
        normals=normals,
    )


def _moved(points_mm: FloatArray, viewing: Viewing, thickness_mm: float) -> FloatArray:
    """Return how far nearer to the lens's foot lower edges are seen, pointing away from it, shape (n_views, n, 2)."""
    eyes = np.array(viewing.points, dtype=float)
    share = thickness_mm / (eyes[:, 2] + thickness_mm)
    return np.asarray((points_mm[None] - eyes[:, None, :2]) * share[:, None, None])


def _loss_of_holes(points_mm: FloatArray, viewing: Viewing, thickness_mm: float) -> Loss:
    moved, parts = _moved(points_mm, viewing, thickness_mm), viewing.shares(points_mm)
    edge = _blend(np.maximum(moved @ _TOWARDS.T, 0.0), parts)
    shift = -2 * edge @ _TOWARDS / _N_DIRECTIONS
    facing = -np.einsum("vn,vnk->nk", parts, moved)
    facing /= np.maximum(np.linalg.norm(facing, axis=1, keepdims=True), 1e-12)
    return Loss(
        width_mm=2 * edge.mean(axis=1),
        shift_mm=shift,
        moved_mm=moved,
        parts=parts,
        anywhere=parts,
        facing=facing,
        blur_mm=np.full(len(points_mm), _WIDE_BLUR_MM),
    )


def _blend(values: FloatArray, parts: FloatArray) -> FloatArray:
    """Return values of all views, shape (n_views, n, m), put together as their pixels are."""
    return np.asarray(np.einsum("vn,vnm->nm", parts, values))


def _most_parts(points_mm: FloatArray, spans: tuple[FloatArray, FloatArray], viewing: Viewing) -> FloatArray:
    """Return the most that each photograph counts in the middle and at the corners of a region, shape (n_views, n)."""
    corners = [points_mm + i * spans[0] + j * spans[1] for i, j in ((0, 0), (1, 1), (1, -1), (-1, 1), (-1, -1))]
    return np.asarray(np.max([viewing.shares(corner) for corner in corners], axis=0))


def hole_seen(diameter_mm: FloatArray, moved_mm: FloatArray, parts: FloatArray) -> FloatArray:
    """Return the diameter of the circle that is as large as what is seen through round holes.

    Parameters
    ----------
    diameter_mm : ndarray of float, shape (n,)
    moved_mm : ndarray of float, shape (n_views, n, 2)
        How far the lower edge is seen from the upper one; what two equal circles have in common is seen.
    parts : ndarray of float, shape (n_views, n)
        How much each photograph counts.
    """
    radius = diameter_mm[:, None] / 2
    first = _blend(np.maximum(moved_mm @ _TOWARDS.T, 0.0), parts)
    middle = -2 * first @ _TOWARDS / _N_DIRECTIONS
    own = _reach(-middle, radius)
    views = np.stack([np.minimum(own, _reach(-one - middle, radius)) for one in moved_mm])
    return np.asarray(2 * np.sqrt(np.mean(_blend(views, parts) ** 2, axis=1)))


def _reach(centre: FloatArray, radius: FloatArray) -> FloatArray:
    """Return how far circles about given centres reach from the origin, shape (n, n_directions); 0 where outside."""
    along = centre @ _TOWARDS.T
    under = radius**2 - (np.sum(centre**2, axis=1)[:, None] - along**2)
    return np.asarray(np.maximum(along + np.sqrt(np.maximum(under, 0.0)), 0.0) * (under > 0))


def hole_true(seen_mm: FloatArray, moved_mm: FloatArray, parts: FloatArray) -> FloatArray:
    """Return the diameters of which `hole_seen` gives those that are seen, by bisection."""
    low = np.array(seen_mm, dtype=float)
    high = low + 2 * np.linalg.norm(moved_mm, axis=2).max(axis=0)
    for _ in range(30):
        middle = (low + high) / 2
        small = hole_seen(middle, moved_mm, parts) < seen_mm
        low, high = np.where(small, middle, low), np.where(small, high, middle)
    return np.asarray((low + high) / 2)


def wall_light(
    excess_mm: FloatArray,
    loss_mm: FloatArray,
    facing: FloatArray,
    rows: NDArray[np.intp],
    blur_mm: FloatArray,
) -> WallLight:
    """Return which share of the hidden width counts as plate.

    Parameters
    ----------
    excess_mm : ndarray of float, shape (n,)
        By how much openings are narrower, bars wider, than they were drawn.
    loss_mm : ndarray of float, shape (n,)
    facing : ndarray of float, shape (n, 2)
        Where the walls that are seen face.
    rows : ndarray of int, shape (n,)
        Row of features that each belongs to: one kind in one direction, which the printer makes alike.
    blur_mm : ndarray of float, shape (n,)
        Of the edges.

    Notes
    -----
    Least squares within rows with Tukey's biweight and, as one more observation, that it may be anything from 0 to 1.
    """
    robust = np.ones(len(loss_mm))
    prior = np.diag([_U_PRIOR, _U_LAMP, _U_LAMP]) ** 2
    mean = np.array([_PRIOR, 0.0, 0.0])
    terms = _terms(facing)
    found, precision = mean, np.linalg.inv(prior)
    for _ in range(10):
        share = np.clip(terms @ found, 0.0, 1.0)
        place = edge_beside_band(loss_mm, share, blur_mm)
        low, high = np.maximum(share - _STEP, 0.0), np.minimum(share + _STEP, 1.0)
        slope = edge_beside_band(loss_mm, high, blur_mm) - edge_beside_band(loss_mm, low, blur_mm)
        slope /= high - low
        x = np.column_stack([_within(column, robust, rows) for column in (slope[:, None] * terms).T])
        y = _within(excess_mm - place + slope * share, robust, rows)
        n_free = max(robust.sum() - len(np.unique(rows)) - len(mean), 1.0)
        normal = (x * robust[:, None]).T @ x
        own = np.linalg.lstsq(normal, (x * robust[:, None]).T @ y, rcond=1e-9)[0]
        variance = max(float(np.sum(robust * (y - x @ own) ** 2)) / n_free, 1e-10) * _U_FACTOR**2
        precision = normal / variance + np.linalg.inv(prior)
        found = np.linalg.solve(precision, normal @ own / variance + np.linalg.solve(prior, mean))
        left = y - x @ found
        scale = max(1.4826 * float(np.median(np.abs(left))), 1e-6) if len(left) else 1.0
        robust = np.clip(1 - (left / (5 * scale)) ** 2, 0, None) ** 2
    return WallLight(coefficients=found, covariance=np.linalg.inv(precision))


def _within(values: FloatArray, weight: FloatArray, rows: NDArray[np.intp]) -> FloatArray:
    """Return values less their row's mean."""
    n = int(rows.max(initial=0)) + 1
    mean = np.bincount(rows, weight * values, n) / np.maximum(np.bincount(rows, weight, n), 1e-12)
    return np.asarray(values - mean[rows])


def without_slant(
    fits: FeatureFits,
    piece: Piece,
    pose: Pose,
    viewing: Viewing | None,
    *,
    ground_share: float = np.inf,
    taken: WallLight | None = None,
) -> FeatureFits:
    """Return the fits with what walls hide put back to sizes and places.

    Parameters
    ----------
    fits : FeatureFits
    piece : Piece
    pose : Pose
        The one with which the features were fitted.
    viewing : Viewing or None
        From where the picture was taken; with None, the fits are returned as they are.
    ground_share : float
        Light of the ground over the contrast where the ground is the darker one: all that shade can take away there.
    taken : WallLight, optional
        Light of the walls that were taken off the picture (`seen_walls`): what did not form as a whole was not.
    """
    if viewing is None:
        return fits
    points = (pose.to_pixels(piece.features[["x_mm", "y_mm"]].to_numpy(float)) + 0.5) * np.array(pose.pixel_mm)
    samples, thickness = fits.strips.samples, piece.thickness_mm
    strips = loss_of(points[fits.strips.rows], samples.normal, viewing, thickness_mm=thickness)
    holes = _loss_of_holes(points[fits.disc_rows], viewing, thickness)
    solid = samples.is_bar
    nominal = np.array([strip.width_mm for strip in samples.strips]) * samples.length_scale
    along = np.column_stack((samples.normal[:, 1], -samples.normal[:, 0])) * samples.half_length_mm[:, None]
    across = samples.normal * (nominal / 2 + _BESIDE_MM)[:, None]
    strips = replace(strips, anywhere=_most_parts(points[fits.strips.rows], (along, across), viewing))
    reach = piece.features["nominal_mm"].to_numpy(float)[fits.disc_rows, None] / 2 + _BESIDE_MM
    holes = replace(holes, anywhere=_most_parts(points[fits.disc_rows], (reach * [1, 0], reach * [0, 1]), viewing))
    spread = fits.strips.spread
    strips = replace(strips, blur_mm=spread.sigma_mm(samples.normal))
    holes = replace(holes, blur_mm=np.full(len(holes.width_mm), spread.mean_sigma_mm))
    excess = np.where(solid, 1.0, -1.0) * (fits.strip_fits.width_mm - nominal)
    told = ~_unseen(fits.strip_verdicts.formed) & (strips.width_mm < 0.6 * nominal)
    turn = np.round(np.array([strip.angle_deg for strip in samples.strips]) / 15).astype(int)
    rows = np.unique(np.column_stack((solid, turn)), axis=0, return_inverse=True)[1].ravel()
    if taken is None:
        walls = wall_light(excess[told], strips.width_mm[told], strips.facing[told], rows[told], strips.blur_mm[told])
    else:
        walls = taken
    share = strips.seen_as_plate(walls.share(strips.facing))
    through = holes.seen_as_plate(walls.share(holes.facing))[:, None]
    if taken is not None:
        whole, through_whole = fits.strip_verdicts.is_formed, fits.disc_verdicts.is_formed
        strips, holes = replace(strips, taken=whole), replace(holes, taken=through_whole)
        share = np.where(whole, 0.0, _LEFT * share)
        through = np.where(through_whole, 0.0, _LEFT * through[:, 0])[:, None]
    back = share * strips.width_mm
    size = np.array([disc.diameter_mm for disc in fits.discs])
    true = np.where(size > 0, hole_true(size, through * holes.moved_mm, holes.parts), 0.0)
    discs = [
        replace(
            disc,
            diameter_mm=float(diameter),
            shift_x_mm=disc.shift_x_mm - float(shift[0]),
            shift_y_mm=disc.shift_y_mm - float(shift[1]),
        )
        for disc, diameter, shift in zip(fits.discs, true, through * holes.shift_mm, strict=True)
    ]
    return replace(
        fits,
        strip_fits=replace(
            fits.strip_fits,
            width_mm=np.maximum(fits.strip_fits.width_mm + np.where(solid, -back, back), 0.0),
            centre_mm=fits.strip_fits.centre_mm - share * strips.shift_mm,
        ),
        discs=discs,
        shade=seen_at_slant(fits.shade, _SHADED_BLURS * ground_share * fits.strips.spread.mean_sigma_mm),
        slant=Slant(walls=walls, strips=strips, holes=holes, thickness_mm=thickness, u_height=viewing.u_height),
    )
