"""The state of the plate on the glass: glare, dust, flatness (blur that changes over it), sharpening halos."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray

from sharpset.pieces import Piece
from sharpset.readings.edges.faces import EVEN
from sharpset.readings.edges.spread import without_pixels
from sharpset.readings.edges.strips import LOOSE, fit_strips
from sharpset.readings.features.piece_samples import PieceSamples
from sharpset.readings.features.slant import loss_of
from sharpset.readings.picture.light import PieceLight, means_of_nine, sample_points
from sharpset.scans import Pose, Viewing

__all__ = [
    "Backing",
    "Flatness",
    "Overshoot",
    "PlateMarks",
    "measure_backing",
    "measure_flatness",
    "measure_overshoot",
    "measure_plate",
]

FloatArray = NDArray[np.float64]
_OFF, _OFF_SPREADS = 0.12, 6.0
_CROWD, _CROWD_END = 0.3, 0.3853
"""Share of the points that crowd, and the standard deviations within which a normal distribution has so many."""
_BACKING_OFF, _CLOSED, _AROUND = 0.10, 0.8, 12
"""Walls light or shade the ground beside them alike in openings of about the same width."""
_NEIGHBOURS = 4
"""Openings around one that is off, none of which is off where it is closed."""
_NEAR_MM = 0.6
_REACH_MM = 0.45
_WIDE_PX, _CLEAR = 7.0, 3.5
"""Pixels and blurs from which on a strip tells its own blur; more blurs would leave out the blurred part of a piece."""
_MOST_STRIPS = 64
_FEWEST_STRIPS = 8
_APART, _TURNS = 4.0, 4
"""From how many spreads of an edge on the wall beside it shows as a band of its own (two steps are told apart then), so
that a strip's fit takes in the band or leaves it: such strips tell no blur. And how often the spread itself is found
anew without walls."""
_BY_MASK, _SHOWS_DARKER = 0.15, 0.05
"""Share of what a mask takes on the dark side that is seen at least, and light of the ground from which on it is."""
_WALLS, _U_WALLS = 0.7, 0.3
"""Of the breadth that walls half as bright as the face add, what is expected, and its standard uncertainty: darker and
brighter ones add less."""
_FAR, _STEP, _FLAT_FROM = 6.0, 0.25, 4.5


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class PlateMarks:
    """What lies on the plate besides print and openings.

    Attributes
    ----------
    glare_mm : ndarray of float, shape (n, 2)
        Points of the plate (piece frame) inside patches that shine.
    glare_share, dust_share : float
        Shares of the plate's points that shine, and that are otherwise lighter or darker than the plate.
    """

    glare_mm: FloatArray
    glare_share: float
    dust_share: float

    def touches(self, piece: Piece) -> NDArray[np.bool_]:
        """Return which features of a piece have glare within reach of their edges."""
        if len(self.glare_mm) == 0:
            return np.zeros(len(piece.features), dtype=bool)
        points = shapely.MultiPoint(self.glare_mm)
        return np.array([shape.distance(points) < _REACH_MM for shape in piece.feature_shapes()])


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Backing:
    """What lies behind the piece, where it departs from a smooth map.

    Attributes
    ----------
    open_mm : ndarray of float, shape (n, 2)
        Points well inside wide openings, piece frame.
    off : ndarray of bool, shape (n,)
        Those whose light is neither that of most openings, or of their own, nor that of the plate (not formed).
    """

    open_mm: FloatArray
    off: NDArray[np.bool_]

    @property
    def share(self) -> float:
        """Share of the points that are off."""
        return float(self.off.mean()) if len(self.off) else 0.0

    def touches(self, piece: Piece) -> NDArray[np.bool_]:
        """Return which features of a piece have more such points around them than others."""
        if not self.off.any():
            return np.zeros(len(piece.features), dtype=bool)
        from scipy.spatial import cKDTree

        tree = cKDTree(self.open_mm)
        places = piece.features[["x_mm", "y_mm"]].to_numpy(float)
        _, near = tree.query(places, k=min(_AROUND, len(self.open_mm)))
        return np.asarray(self.off[near].reshape(len(places), -1).mean(axis=1) > 0.5)


def measure_backing(light: PieceLight, pose: Pose, piece: Piece) -> Backing:
    """Compare the light in wide openings with the smooth map of the background.

    Parameters
    ----------
    light, pose, piece : as read

    Notes
    -----
    A card that ends under the piece, or a pattern on it, is no smooth map: what narrow openings show is then unknown.
    Medians of whole openings are compared, as walls shade or light their rims. One opening that is off among others
    that are not is closed by something thin, which is no matter of what lies behind.
    """
    _, points = sample_points(piece)
    points, mean = means_of_nine(light, pose, points)
    which, opening = shapely.STRtree(piece.void_shapes()).query(shapely.points(points), predicate="within")
    points, mean = points[which], mean[which]
    limit = max(_BACKING_OFF, 5 * light.noise / 3 / max(abs(light.contrast), 1e-6))
    numbers, index = np.unique(opening, return_inverse=True)
    level = np.array([np.median(mean[index == k]) for k in range(len(numbers))])
    usual = float(np.median(level)) if len(level) else 0.0
    off = (np.abs(level - usual) > limit) & (level < _CLOSED)
    if off.any():
        middle = np.array([points[index == k].mean(axis=0) for k in range(len(numbers))])
        off &= ~_alone(middle, off)
    patterned = (np.abs(mean - level[index]) > 2 * limit) & (mean < _CLOSED)
    return Backing(open_mm=points, off=off[index] | patterned)


def _alone(middle: FloatArray, off: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return which openings that are off have others on all sides and no other such among those around them.

    A card that ends under the piece may show in one opening only, but in one of the outermost.
    """
    from scipy.spatial import ConvexHull, cKDTree

    if len(off) <= _NEIGHBOURS or np.linalg.matrix_rank(middle - middle[0]) < 2:
        return np.zeros(len(off), dtype=bool)
    _, near = cKDTree(middle).query(middle, k=_NEIGHBOURS + 1)
    within = np.ones(len(off), dtype=bool)
    within[ConvexHull(middle).vertices] = False
    return np.asarray(off & within & (off[near].sum(axis=1) == 1))


def measure_plate(light: PieceLight, pose: Pose, piece: Piece) -> PlateMarks:
    """Look for glare and dust between the features.

    Parameters
    ----------
    light, pose, piece : as read

    Returns
    -------
    PlateMarks

    Notes
    -----
    Means of 3 x 3 pixels at points 0.4 mm apart are compared with the smooth map of the plate's light. A point is off
    where it differs by 12 % of the contrast and by six spreads of all points. Bright points that are off together with
    two or more neighbours (0.6 mm) are glare; the rest is dust, fibres, scratches.

    Much dust pulls the map itself and widens the spread of all points: where light crowds beside the map, points are
    compared with that.
    """
    points, _ = sample_points(piece)
    points, mean = means_of_nine(light, pose, points)
    excess = (mean - 1) * np.sign(light.contrast)
    middle, spread = _crowd(excess)
    if abs(middle) > spread:
        excess = excess - middle
    else:
        spread = 1.4826 * float(np.median(np.abs(excess - np.median(excess))))
    limit = max(_OFF, _OFF_SPREADS * spread)
    off, bright = np.abs(excess) > limit, excess > limit
    glare = np.zeros(len(points), dtype=bool)
    if bright.any():
        from scipy.spatial import cKDTree

        tree = cKDTree(points[bright])
        together = np.array([len(found) >= 3 for found in tree.query_ball_point(points[bright], _NEAR_MM)])
        glare[np.flatnonzero(bright)[together]] = True
    return PlateMarks(glare_mm=points[glare], glare_share=float(glare.mean()), dust_share=float((off & ~glare).mean()))


def _crowd(values: FloatArray) -> tuple[float, float]:
    """Return where most values lie, and their standard deviation there.

    By the shortest interval that holds three tenths of them: of a normal distribution it lies within 0.385 standard
    deviations.
    """
    ordered = np.sort(values)
    n = max(int(_CROWD * len(ordered)), 1)
    first = int(np.argmin(ordered[n:] - ordered[:-n]))
    low, high = float(ordered[first]), float(ordered[first + n])
    return (low + high) / 2, (high - low) / (2 * _CROWD_END)


@dataclass(frozen=True, kw_only=True, slots=True)
class Flatness:
    """How the blur changes over the piece; NaN where too few wide features tell it.

    Attributes
    ----------
    lowest_mm, highest_mm : float
        Edge spread (standard deviation) where it is smallest and largest.
    ratio : float
        Highest over lowest.
    u_ratio : float
        Its standard uncertainty.
    """

    lowest_mm: float
    highest_mm: float
    ratio: float
    u_ratio: float

    @property
    def uneven(self) -> bool:
        """Whether the blur clearly changes over the piece."""
        return self.ratio - 1 > 3 * self.u_ratio

    def summary(self) -> str:
        """Return the flatness in one line."""
        if not np.isfinite(self.ratio):
            return "flatness: too few wide features to tell"
        return (
            f"blur between {1000 * self.lowest_mm:.1f} and {1000 * self.highest_mm:.1f} um over the piece "
            f"(ratio {self.ratio:.2f} +- {1.96 * self.u_ratio:.2f})"
        )


def measure_flatness(strips: PieceSamples, piece: Piece, pose: Pose, viewing: Viewing | None = None) -> Flatness:
    """Fit a smooth surface to the blur of the wide strips.

    Parameters
    ----------
    strips : PieceSamples
    piece : Piece
    pose : Pose
    viewing : Viewing or None
        From where photographs were taken that the picture was made of.

    Returns
    -------
    Flatness
        Roughness of the printed edges is part of the blur; it does not change over a piece as a rule.

    Notes
    -----
    The logarithm of each strip's own blur over the scan's is fitted with a plane, a bowl and a difference between the
    directions of the glass (1, x, y, x^2 + y^2, cos of twice the direction) by iteratively reweighted least squares;
    the extremes of plane and bowl over the strips' places are stated. Walls that a lens sees at a slant make edges
    broader, the more the further from its foot: known from where it stood but for how bright they are, and taken out.
    Strips whose walls show as bands of their own are left out.
    """
    nothing = Flatness(lowest_mm=np.nan, highest_mm=np.nan, ratio=np.nan, u_ratio=np.nan)
    width = np.array([strip.width_mm for strip in strips.samples.strips])
    wide = np.flatnonzero(width > max(_WIDE_PX * strips.samples.pixel_mm, _CLEAR * strips.spread.mean_sigma_mm))
    if len(wide) > _MOST_STRIPS:
        wide = wide[np.linspace(0, len(wide) - 1, _MOST_STRIPS).astype(int)]
    if len(wide) < _FEWEST_STRIPS:
        return nothing
    samples = without_pixels(strips.samples, wide)
    # Edges sharp in one place and blurred in another make a mean edge like one with a halo: judged without any.
    fits = fit_strips(samples, strips.profiles.some(wide), replace(strips.spread, halo=0.0), LOOSE)
    clear = (fits.contrast > 0.7) & (fits.contrast < 1.3) & (fits.width_mm > _CLEAR * fits.sigma_mm)
    if clear.sum() < _FEWEST_STRIPS:
        return nothing
    mean = strips.spread.mean_sigma_mm
    logs = np.log(fits.sigma_mm / mean)[clear]
    size = np.array([piece.width_mm, piece.height_mm]) / 2
    places = np.array([[strip.x_mm, strip.y_mm] for strip in samples.strips])[clear]
    x, y = ((places - size) / size.max()).T
    across = samples.normal[clear, 0] ** 2 - samples.normal[clear, 1] ** 2
    breadth = _breadth_of_walls(places, samples.normal[clear], piece, pose, viewing)
    plain, base_mm = np.column_stack((np.ones_like(x), x, y, x**2 + y**2, across)), np.full(len(x), mean)
    for _ in range(1 if viewing is None else _TURNS):
        near = breadth < _APART * base_mm
        if near.sum() < _FEWEST_STRIPS:
            return nothing
        design = np.column_stack((plain, _broadened_by_walls(breadth, base_mm)))[near]
        solution, normal, scale = _fitted(design, logs[near])
        smooth = plain[:, :4] @ solution[:4]
        base_mm = mean * np.exp(np.clip(smooth, smooth[near].min(), smooth[near].max()))
    # What differs between the two directions of the glass is no matter of flatness, nor are walls.
    design[:, 4:] = 0.0
    surface = design @ solution
    low, high = int(np.argmin(surface)), int(np.argmax(surface))
    step = design[high] - design[low]
    covariance = np.linalg.inv(normal) * scale**2
    ratio = float(np.exp(surface[high] - surface[low]))
    return Flatness(
        lowest_mm=float(mean * np.exp(surface[low])),
        highest_mm=float(mean * np.exp(surface[high])),
        ratio=ratio,
        u_ratio=float(ratio * np.sqrt(max(step @ covariance @ step, 0.0))),
    )


def _fitted(design: FloatArray, logs: FloatArray) -> tuple[FloatArray, FloatArray, float]:
    """Robust least squares with what is known of walls: solution, normal matrix, standard deviation of a strip."""
    known, scale = 1e-6 * np.eye(design.shape[1]), 0.1
    weights = np.ones(len(logs))
    for _ in range(8):
        known[-1, -1] = (scale / _U_WALLS) ** 2
        weighted = (design * weights[:, None]).T
        normal = weighted @ design + known
        solution = np.linalg.solve(normal, weighted @ logs + _WALLS * known[-1])
        away = logs - design @ solution
        scale = max(1.4826 * float(np.median(np.abs(away))), 1e-3)
        weights = np.clip(1 - (away / (5 * scale)) ** 2, 0, None) ** 2
    return solution, normal, scale


def _breadth_of_walls(
    places_mm: FloatArray, normals: FloatArray, piece: Piece, pose: Pose, viewing: Viewing | None
) -> FloatArray:
    """How broad the walls of strips show in a photograph, mm, shape (n_strips,)."""
    if viewing is None:
        return np.zeros(len(places_mm))
    points = (pose.to_pixels(places_mm) + 0.5) * np.array(pose.pixel_mm)
    return np.asarray(loss_of(points, normals, viewing, thickness_mm=piece.thickness_mm).width_mm)


def _broadened_by_walls(breadth_mm: FloatArray, sigma_mm: FloatArray) -> FloatArray:
    """By how much walls half as bright as the face make strips' blur broader, logarithm, shape (n_strips,).

    A band of breadth b at one of two edges, of share s of the contrast, adds s (1 - s) b^2 / 2 to their mean variance.
    """
    return np.asarray(0.5 * np.log1p((breadth_mm / sigma_mm) ** 2 / 8))


@dataclass(frozen=True, kw_only=True, slots=True)
class Overshoot:
    """How far the mean edge runs beyond the light of plate and of background, as shares of the contrast."""

    plate: float
    background: float

    @property
    def largest(self) -> float:
        """The larger of the two."""
        return max(self.plate, self.background)

    @property
    def lopsided(self) -> float:
        """Their difference: sharpening in linear light does the same to both sides of an edge."""
        return abs(self.plate - self.background)

    def by_a_mask(self, plate: float, background: float) -> bool:
        """Return whether a mask that sharpened may have made it of a plate and a background of such linear light.

        What a mask adds to stored values on the bright side it takes from the dark one, where a step of stored values
        is less light: by the power 0.55 of the ratio for a gamma of 2.2, not at all in linear light. On a dark ground
        that is cut off at black.
        """
        if not plate > background > _SHOWS_DARKER:
            return True
        taken = min((background / plate) ** 0.55 * self.plate, background / (plate - background))
        return bool(self.background >= _BY_MASK * taken)


def measure_overshoot(strips: PieceSamples) -> Overshoot:
    """Measure the mean edge of the wide strips.

    Parameters
    ----------
    strips : PieceSamples

    Returns
    -------
    Overshoot
        Of medians over strips, in steps of a quarter of the blur, less three times their standard uncertainty.
    """
    samples, profiles, spread = strips.samples, strips.profiles, strips.spread
    chosen = np.flatnonzero(np.array([s.width_mm for s in samples.strips]) > 7 * spread.mean_sigma_mm)
    samples, profiles = without_pixels(samples, chosen), profiles.some(chosen)
    if len(chosen) < 4:
        return Overshoot(plate=0.0, background=0.0)
    fits = fit_strips(samples, profiles, spread, LOOSE, faces=EVEN)
    solid = samples.is_bar
    sign = np.where(solid, 1.0, -1.0)[:, None]
    away = np.abs(profiles.d_mm - fits.centre_mm[:, None])
    inwards = sign * (fits.width_mm[:, None] / 2 - away) / spread.mean_sigma_mm
    n_bins = 2 * round(_FAR / _STEP)
    bins = np.floor((inwards + _FAR) / _STEP).astype(np.intp)
    inside = (bins >= 0) & (bins < n_bins) & (profiles.n_pixels > 0)
    cell = np.arange(len(chosen))[:, None] * n_bins + np.clip(bins, 0, n_bins - 1)
    shape = (len(chosen), n_bins)
    weight = np.bincount(cell[inside], profiles.n_pixels[inside], shape[0] * n_bins).reshape(shape)
    total = np.bincount(cell[inside], (profiles.n_pixels * profiles.solid)[inside], shape[0] * n_bins).reshape(shape)
    clear = (fits.contrast > 0.7) & (fits.contrast < 1.3)
    each = np.where((weight > 0) & clear[:, None], total / np.maximum(weight, 1e-9), np.nan)
    known = np.isfinite(each).sum(axis=0) >= max(3, 0.3 * clear.sum())
    place = (np.arange(n_bins) + 0.5) * _STEP - _FAR
    if known.sum() < n_bins // 2 or not all(known[side * place > _FLAT_FROM].any() for side in (-1, 1)):
        return Overshoot(plate=0.0, background=0.0)
    filled = np.where(known, each, 0.0)
    edge = np.where(known, np.nanmedian(filled, axis=0), np.nan)
    # The median of n normal values scatters by 1.25 / sqrt(n) of one.
    scatter = 1.4826 * np.nanmedian(np.abs(filled - np.nanmedian(filled, axis=0)), axis=0)
    doubt = 3 * 1.25 * scatter / np.sqrt(np.maximum(np.isfinite(each).sum(axis=0), 1))
    # Where very rough edges reach far into the plate, its level nearby is too low; the scan's maps say 0 and 1.
    low = min(float(np.nanmedian(edge[place < -_FLAT_FROM])), 0.0)
    high = max(float(np.nanmedian(edge[place > _FLAT_FROM])), 1.0)
    edge = (edge - low) / (high - low)
    return Overshoot(
        plate=float(max(np.nanmax((edge - 1 - doubt)[place > 0]), 0.0)),
        background=float(max(np.nanmax((-edge - doubt)[place < 0]), 0.0)),
    )
