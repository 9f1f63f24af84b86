"""The scan's own spatial frequency response, from slanted straight edges of the piece.

References
----------
ISO 12233:2017, Photography - Electronic still picture imaging - Resolution and spatial frequency responses: the
slanted-edge method (edge-based SFR), in its own words here: pixels beside a slightly slanted edge are sorted by
their distance from it into bins of a quarter pixel, the edge spread function is differentiated, windowed and
transformed, and the response of the bins and of the derivative is divided out.
"""

from __future__ import annotations

import html
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from scipy.special import stdtrit

from sharpset.pieces import Piece
from sharpset.readings.picture.light import PieceLight
from sharpset.readings.quantity import Quantity
from sharpset.scans import Pose

__all__ = ["EdgeResponse", "FrequencyResponse", "measure_frequency_response", "slanted_edge_response"]

FloatArray = NDArray[np.float64]
_OVERSAMPLING = 4
_LEAST_SLANT_DEG, _MOST_SLANT_DEG = 1.5, 43.0
_LEAST_LENGTH_MM = 2.0
_END_MM = 0.6
_REACH_MM = 0.42
_MOST_EDGES = 6
_N_BLOCKS = 4
_PART_PX = 100_000
_MUCH = 0.15
"""Share of a box from which on light is quicker worked out for all of it than pixel by pixel (measured)."""
_FEWEST_EDGES = 3
_U_METHOD = 0.01
"""Relative standard uncertainty that edges share: a transfer exponent off by a fortieth, shade on one side, a halo that
reaches beyond the window (rendered scans with all of these)."""
_SHARED_ROUNDING = 0.5
"""Share of what JPEG rounds away that blocks share: small cosines are all lost, larger ones rounded either way. On
rendered scans responses were off by 0.1 to 0.6 of the standard deviation of one rounding."""


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class EdgeResponse:
    """Response across one edge.

    Attributes
    ----------
    frequency : ndarray of float, shape (n,)
        Cycles per pixel along the edge's normal.
    response : ndarray of float, shape (n,)
        Modulation, 1 at zero.
    distance : ndarray of float, shape (m,)
        Pixels from the edge, towards the plate.
    spread : ndarray of float, shape (m,)
        Edge spread function, 0 background, 1 plate.
    """

    frequency: FloatArray
    response: FloatArray
    distance: FloatArray
    spread: FloatArray

    def falls_to(self, level: float) -> float:
        """Return the lowest frequency (cycles per pixel) at which the response is down to `level`, NaN if nowhere."""
        below = np.flatnonzero(self.response < level)
        if len(below) == 0 or below[0] == 0:
            return float("nan")
        k = int(below[0])
        high, low = self.response[k - 1], self.response[k]
        step = self.frequency[k] - self.frequency[k - 1]
        return float(self.frequency[k - 1] + step * (high - level) / (high - low))


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class FrequencyResponse:
    """Spatial frequency response of a scan along columns (x) and rows (y) of the picture.

    Attributes
    ----------
    mtf50_x, mtf50_y, mtf10_x, mtf10_y : Quantity
        Frequency at which the response has fallen to 50 and 10 %, cycles per mm; NaN where no edge lies the right way.
    curves : pandas.DataFrame
        direction ('x' or 'y'), frequency_per_mm, frequency_per_px, response (mean over the edges), n_edges.
    """

    mtf50_x: Quantity
    mtf50_y: Quantity
    mtf10_x: Quantity
    mtf10_y: Quantity
    curves: pd.DataFrame

    def quantities(self) -> dict[str, Quantity]:
        """Return the four frequencies by name."""
        return {q.name: q for q in (self.mtf50_x, self.mtf50_y, self.mtf10_x, self.mtf10_y)}

    def summary(self) -> str:
        """Return the response in one line."""
        parts = []
        for axis, fifty, ten in (("x", self.mtf50_x, self.mtf10_x), ("y", self.mtf50_y, self.mtf10_y)):
            if np.isfinite(fifty.value):
                parts.append(f"along {axis} 50 % at {fifty.value:.3g}, 10 % at {ten.value:.3g} cycles/mm")
        return "frequency response: " + ("; ".join(parts) or "no slanted edge on this scan is usable")

    def to_frame(self) -> pd.DataFrame:
        """Return the curves."""
        return self.curves

    def _repr_html_(self) -> str:
        return html.escape(self.summary())


def slanted_edge_response(
    distance: FloatArray, light: FloatArray, *, bin_px: float = 1 / _OVERSAMPLING
) -> EdgeResponse:
    """Return the response across an edge from pixels and their distances from it.

    Parameters
    ----------
    distance : ndarray of float, shape (n,)
        Pixels from the edge along its normal, positive on the bright side.
    light : ndarray of float, shape (n,)
        Linear light.
    bin_px : float
        Width of the bins of the edge spread function.

    Returns
    -------
    EdgeResponse
        Up to one cycle per pixel. What noise adds at high frequencies is not taken off.
    """
    reach = float(np.floor(min(-distance.min(), distance.max()) / bin_px))
    n = int(2 * reach)
    place = np.floor(distance / bin_px + reach).astype(int)
    inside = (place >= 0) & (place < n)
    count = np.bincount(place[inside], minlength=n)
    total = np.bincount(place[inside], light[inside], n)
    middle = (np.arange(n) + 0.5 - reach) * bin_px
    filled = count > 0
    # The mean place of a bin's pixels, not its middle, is where their mean light belongs.
    mean_place = np.bincount(place[inside], distance[inside], n)[filled] / count[filled]
    spread = np.interp(middle, mean_place, total[filled] / count[filled])
    tail = max(n // 12, 2)
    low, high = float(np.mean(spread[:tail])), float(np.mean(spread[-tail:]))
    spread = (spread - low) / (high - low)
    line = np.zeros(n)
    line[1:-1] = (spread[2:] - spread[:-2]) / 2
    centre = float(np.sum(np.arange(n) * np.maximum(line, 0)) / np.sum(np.maximum(line, 0)))
    # Tapered over its outer half only: a Hamming window over all of it would narrow a wide line by some per cent.
    away = np.abs(np.arange(n) - centre) / (n / 2)
    line *= np.where(away < 0.5, 1.0, np.where(away < 1, 0.5 - 0.5 * np.cos(2 * np.pi * away), 0.0))
    padded = 4 * n
    frequency = np.fft.rfftfreq(padded, bin_px)
    response = np.abs(np.fft.rfft(line, padded))
    # A central difference over two bins and the bins' own width.
    own = np.sinc(2 * frequency * bin_px) * np.sinc(frequency * bin_px)
    wanted = frequency <= 1.0
    corrected = response[wanted] / response[0] / np.maximum(own[wanted], 0.1)
    return EdgeResponse(
        frequency=np.asarray(frequency[wanted], dtype=np.float64),
        response=corrected,
        distance=np.asarray(middle, dtype=np.float64),
        spread=spread,
    )


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Edge:
    """A straight edge on the glass, mm: where it begins, its direction, length, and its normal into the plate."""

    start: FloatArray
    along: FloatArray
    inwards: FloatArray
    length: float

    @property
    def direction(self) -> str:
        """The picture's axis that the response belongs to."""
        return "x" if abs(self.inwards[0]) > abs(self.inwards[1]) else "y"

    @property
    def slant_deg(self) -> float:
        """Angle between the edge and the nearest axis of the picture."""
        return float(np.degrees(np.arctan2(*np.sort(np.abs(self.along)))))


def measure_frequency_response(light: PieceLight, pose: Pose, piece: Piece) -> FrequencyResponse:
    """Measure the response on the slanted window of the piece and on other long straight edges.

    Parameters
    ----------
    light : PieceLight
    pose : Pose
    piece : Piece

    Returns
    -------
    FrequencyResponse
        Roughness of the printed edge counts as blur of the scan: what is stated is a lower bound of the scanner's own
        response. So does shade beside it and what JPEG takes from fine detail: on files of a quality below 80 the 10 %
        frequency came out 10 to 15 % low. Intervals cover the scatter between edges, 1 % for what edges share, and
        what a JPEG file's own tables may have rounded away.
    """
    edges = [edge for edge in _edges(pose, piece) if _LEAST_SLANT_DEG <= edge.slant_deg <= _MOST_SLANT_DEG]
    pixel = float(np.mean(pose.pixel_mm))
    curves, found = [], {}
    for axis in ("x", "y"):
        mine = sorted((e for e in edges if e.direction == axis), key=lambda e: (e.slant_deg > 15, -e.length))
        by_edge = [_blocks(light, pose, edge) for edge in mine[:_MOST_EDGES]]
        responses = [response for blocks in by_edge for response in blocks]
        for level in (50, 10):
            values = [np.array([r.falls_to(level / 100) for r in blocks]) / pixel for blocks in by_edge]
            typical = float(np.median(every)) * pixel if len(every := _finite(values)) else np.nan
            rounded = _u_rounded(light.steps, typical, level / 100)
            found[f"mtf{level}_{axis}"] = _quantity(f"mtf{level}_{axis}", values, rounded)
        if responses:
            grid = np.arange(0.0, 1.0001, 0.02)
            mean = np.mean([np.interp(grid, r.frequency, r.response) for r in responses], axis=0)
            curves.append(
                pd.DataFrame(
                    {
                        "direction": axis,
                        "frequency_per_mm": grid / pixel,
                        "frequency_per_px": grid,
                        "response": mean,
                        "n_edges": min(len(mine), _MOST_EDGES),
                    }
                )
            )
    columns = ["direction", "frequency_per_mm", "frequency_per_px", "response", "n_edges"]
    return FrequencyResponse(
        mtf50_x=found["mtf50_x"],
        mtf50_y=found["mtf50_y"],
        mtf10_x=found["mtf10_x"],
        mtf10_y=found["mtf10_y"],
        curves=pd.concat(curves, ignore_index=True) if curves else pd.DataFrame(columns=columns),
    )


def _u_rounded(steps: FloatArray, frequency: float, level: float) -> float:
    """Return the relative standard uncertainty of a frequency by what JPEG rounds away.

    An edge of contrast 1 has cosines of M / (2 sin(pi f)) at f cycles per pixel where the response is M; rounding to
    steps s is off by s / sqrt(12). A normal blur's response falls by 2 M ln(1 / M) per relative change of frequency.
    """
    if len(steps) == 0:
        return 0.0
    step = float(np.interp(16 * frequency, np.arange(len(steps)), steps))
    response = _SHARED_ROUNDING * step / np.sqrt(12) * 2 * np.sin(np.pi * min(frequency, 0.5))
    return float(response / (2 * level * np.log(1 / level)))


def _finite(values: list[FloatArray]) -> FloatArray:
    every = np.concatenate([*values, np.zeros(0)])
    return np.asarray(every[np.isfinite(every)])


def _quantity(name: str, values: list[FloatArray], u_rounded: float = 0.0) -> Quantity:
    """Return the median of all parts of edges, with the scatter between edges (parts of one share what befell it)."""
    known = [each[np.isfinite(each)] for each in values]
    known = [each for each in known if len(each)]
    every = _finite(values)
    if len(every) < 2:
        return Quantity(name=name, unit="cycles/mm", value=np.nan, U95=np.nan, n=len(every))
    middle = float(np.median(every))
    groups = np.array([np.mean(each) for each in known]) if len(known) >= _FEWEST_EDGES else every
    scatter = float(stdtrit(len(groups) - 1, 0.975) * np.std(groups, ddof=1) / np.sqrt(len(groups)))
    half = float(np.hypot(scatter, 1.96 * np.hypot(_U_METHOD, u_rounded) * middle))
    return Quantity(name=name, unit="cycles/mm", value=middle, U95=half, n=len(every))


def _edges(pose: Pose, piece: Piece) -> list[_Edge]:
    """Return the long straight sides of openings that are no features, and of the outline, on the glass."""
    pixel = np.array(pose.pixel_mm)
    found = []
    for side in _free_sides(piece):
        start, stop, centre = pose.to_pixels(np.array([side.start, side.stop, side.centre])) * pixel
        length = float(np.hypot(*(stop - start)))
        if length < _LEAST_LENGTH_MM:
            continue
        along = (stop - start) / length
        inwards = np.array([-along[1], along[0]])
        if (inwards @ (centre - (start + stop) / 2) > 0) != side.plate_inside:
            inwards = -inwards
        found.append(_Edge(start=start, along=along, inwards=inwards, length=length))
    return found


@dataclass(frozen=True, kw_only=True, slots=True)
class _Side:
    """A straight side of an opening or of the outline, with the opening's centre; mm in the piece frame."""

    start: tuple[float, float]
    stop: tuple[float, float]
    centre: tuple[float, float]
    plate_inside: bool


@lru_cache(maxsize=8)
def _free_sides(piece: Piece) -> tuple[_Side, ...]:
    """Return the sides within whose reach no feature and no other opening stands."""
    found = []
    others = np.array([*piece.feature_shapes(), *piece.openings])
    for polygon, plate_inside in [*((opening, False) for opening in piece.openings), (piece.outline, True)]:
        corners = [(float(x), float(y)) for x, y in polygon.exterior.coords]
        (centre,) = ((float(x), float(y)) for x, y in polygon.centroid.coords)
        rest = others[[other is not polygon for other in others]]
        for a, b in pairwise(corners):
            if np.hypot(b[0] - a[0], b[1] - a[1]) < 0.9 * _LEAST_LENGTH_MM:
                continue
            zone = shapely.LineString([a, b]).buffer(_REACH_MM + 0.1, cap_style="flat")
            if not shapely.intersects(zone, rest).any():
                found.append(_Side(start=a, stop=b, centre=centre, plate_inside=plate_inside))
    return tuple(found)


def _blocks(light: PieceLight, pose: Pose, edge: _Edge) -> list[EdgeResponse]:
    """Return the responses of the parts of one edge, each long enough to run through all fractions of a pixel."""
    pixel = np.array(pose.pixel_mm)
    columns, rows = _box(light, pixel, edge, 0.0, edge.length)
    # Boxes around the parts of a slanted edge hold less than the box around all of it.
    limits = np.linspace(0.0, edge.length, 1 + len(columns) * len(rows) // _PART_PX + 1)
    parts = [_pixels(light, pixel, edge, a, b) for a, b in pairwise(limits)]
    along, across, solid = (np.concatenate(values) for values in zip(*parts, strict=True))
    if len(along) < 200:
        return []
    step = float(pixel.mean())
    period = step / np.tan(np.radians(max(edge.slant_deg, _LEAST_SLANT_DEG)))
    n_blocks = int(np.clip((edge.length - 2 * _END_MM) / max(period, 0.5), 1, _N_BLOCKS))
    edges = np.linspace(_END_MM, edge.length - _END_MM, n_blocks + 1)
    responses = []
    for a, b in pairwise(edges):
        here = (along >= a) & (along < b)
        place = _straight(along[here], across[here], solid[here], step)
        if place is not None:
            responses.append(slanted_edge_response(place / step, solid[here]))
    return responses


def _box(
    light: PieceLight, pixel: FloatArray, edge: _Edge, begin: float, end: float
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return the columns and rows around a part of an edge."""
    ends = (edge.start + np.multiply.outer([begin, end], edge.along)) / pixel
    low = np.floor(ends.min(axis=0) - _REACH_MM / pixel).astype(int)
    high = np.ceil(ends.max(axis=0) + _REACH_MM / pixel).astype(int)
    n_rows, n_columns = light.shape
    low = np.maximum(low, light.origin)
    high = np.minimum(high, [light.origin[0] + n_columns - 1, light.origin[1] + n_rows - 1])
    return np.arange(low[0], high[0] + 1), np.arange(low[1], high[1] + 1)


def _pixels(
    light: PieceLight, pixel: FloatArray, edge: _Edge, begin: float, end: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the pixels beside a part of an edge: their places along and across it, and their share solid."""
    columns, rows = _box(light, pixel, edge, begin, end)
    x, y = columns * pixel[0] - edge.start[0], (rows * pixel[1] - edge.start[1])[:, None]
    along, across = (x * direction[0] + y * direction[1] for direction in (edge.along, edge.inwards))
    keep = (along > max(begin, _END_MM)) & (along <= end) & (along < edge.length - _END_MM)
    keep &= np.abs(across) < _REACH_MM
    kept = np.flatnonzero(keep)
    along, across = along.take(kept), across.take(kept)
    if len(kept) == 0:
        return along, across, np.zeros(0)
    if len(kept) > _MUCH * keep.size:
        return along, across, light.solid_grid(columns, rows, kept)
    # The edge of a turned piece is a small part of the box around it.
    row, column = np.divmod(kept, len(columns))
    return along, across, light.solid_share(columns.take(column), rows.take(row))


def _straight(along: FloatArray, across: FloatArray, solid: FloatArray, step: float) -> FloatArray | None:
    """Return distances from the straight line fitted to the edge, None where there is no clear edge."""
    line = np.zeros(2)
    if len(along) == 0:  # outside the picture
        return None
    middle = float(along.mean())
    for width in (10.0, 5.0, 3.0):
        away = across - line[0] - line[1] * (along - middle)
        near = np.abs(away) < width * step
        if not near.any():
            return None
        # Light missing or in excess beside the line moves it: of a symmetric edge half lies above one half.
        column = np.floor((along - along.min()) / step).astype(int)
        area = np.bincount(column[near], (0.5 - solid)[near])
        count = np.bincount(column[near])
        full = count > 0.7 * np.median(count[count > 0])
        if full.sum() < 8:
            return None
        shift = area[full] / count[full] * 2 * width * step
        where = along.min() + (np.flatnonzero(full) + 0.5) * step - middle
        slope, offset = np.polyfit(where, shift, 1)
        line += [offset, slope]
    away = across - line[0] - line[1] * (along - middle)
    far = np.abs(away) > 0.6 * _REACH_MM
    bright, dark = solid[far & (away > 0)], solid[far & (away < 0)]
    if len(bright) < 20 or len(dark) < 20 or np.median(bright) - np.median(dark) < 0.7 or abs(line[0]) > 0.3:
        return None
    return np.asarray(away)
