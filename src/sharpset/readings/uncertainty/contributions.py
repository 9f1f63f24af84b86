"""What the uncertainty of every reading is made of: one row for each feature and line of its budget.

Each line is a standard uncertainty in mm with a sign. Lines that a scan or a scanner shares move all of
its readings at once, each by its own amount and in its own direction (the sign): a transfer curve that
is off makes slots wider and bars narrower. That is why differences need the sign. They also say how unsure the
shared error itself is, and what of it was taken off: two scans of one scanner are off by the same error, however
well each of them tells it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtr

from sharpset.readings.edges.strips import WidthParts
from sharpset.readings.features.fitting import FeatureFits
from sharpset.readings.features.slant import Loss, Slant
from sharpset.readings.picture.median_filter import Filtered
from sharpset.readings.placing.registration import PlaceData
from sharpset.readings.shade.shading import diameter_effect, width_effect
from sharpset.readings.uncertainty.travel import Travel
from sharpset.scans import PixelSize, Pose, Scan

__all__ = [
    "CONTRIBUTION_COLUMNS",
    "LINES",
    "U_PHOTOGRAPHED",
    "U_SHARPENED",
    "U_STRETCHED",
    "U_TRANSFER",
    "U_UNDECLARED",
    "Unsure",
    "contributions",
    "totals",
    "u_of_curve",
]

FloatArray = NDArray[np.float64]
CONTRIBUTION_COLUMNS = ("feature_id", "line", "u_mm", "shared", "sign", "u_error", "taken")
"""``u_error`` is the standard uncertainty of a shared error in its own unit (mm by which edges shift, or relative), and
``taken`` what of that error sizes were corrected for; both are empty in lines that are not shared."""
LINES = {
    "noise": "noise of the pixels and the texture that neighbours share",
    "misfit": "residuals beyond the noise: rough edges, dirt",
    "roughness": "parts of the length that were not sampled",
    "contrast": "contrast and level borrowed from the scan",
    "blur": "edge spread borrowed from the scan",
    "transfer": "how stored values stand for light",
    "shadow x": "a lamp on one side along columns",
    "shadow y": "a lamp on one side along rows",
    "edge": "place of the edge in its spread, shade, glow or sharpening on one side of it",
    "walls": "walls that are lit, or dark, beside all edges alike",
    "shape": "shape of the edge spread, where that of the scan's own edges is not described",
    "slant": "walls of a thick plate seen at a slant, in photographs",
    "filter": "filters against specks or noise, and for colours a camera lacks, which make small sizes look smaller",
    "pose": "direction of the feature",
    "scale x": "scale along columns",
    "scale y": "scale along rows",
    "carriage": "uneven travel of the carriage",
}
"""Lines of a budget and what they stand for."""
U_TRANSFER = 0.1 / 2.2 / np.sqrt(3)
"""Of a transfer exponent, relative: within 0.1 of 2.2 after decoding (common practice, no source)."""
U_STRETCHED = 0.2
"""The same of a picture whose levels were stretched or brightened after it was scanned: levels stretched by a third and
exponents of 0.8 and 1.25 moved edges as such an error does."""
U_SHARPENED = 0.1
"""The same of a picture that a mask sharpened as it was stored: masks of 0.7 and 1 pixel that edges hardly show moved
sizes of rendered scans by 2 to 6 um, exponents off by a tenth move them by as much."""
U_UNDECLARED = 0.5
"""The same of a file whose edges suit neither sRGB nor linear light, whose exponents differ by a factor of two."""
U_PHOTOGRAPHED = 0.12
"""The same of a camera's JPEG file, whose tones a camera bends to please: curves that steepen the middle by a fifth to
a third moved edges of rendered photographs as exponents off by 0.03 to 0.06 do, curves that roll off highlights and so
lift middle tones by a third of a stop as 0.14 (stops: common practice, no source)."""
_FILTER_PX = 1.5
"""Reach of a camera's filters against noise, and over the colours that its pixels lack: those of 3 x 3 pixels."""
_U_EDGE_PX, _U_AGAIN_PX = 0.02, 0.01
"""What a pair of edges may be off by for reasons that no single scan shows (pixels, standard uncertainty), and the part
of it that the next scan of the same scanner does not repeat. In pairs of rendered scans that was a half of this; focus
and the place on the glass come on top."""
_U_SHAPE = 0.75
"""Relative standard uncertainty of what is taken off as the shape of the scan's own edges: fits take a part of what an
edge's spread does not describe for blur and contrast. On rendered scans sizes were off by 1.1 to 2.2 times as much."""
_SAME_MM, _APART_MM, _FEWEST_PAIRS, _CLIPPED = 0.12, (0.4, 1.6), 20, 16.0
_K95 = 1.96
_HALVINGS = 50
_PERIOD_MM = 10.0
"""Period of the carriage's uneven travel, the shorter of the two that are usual (common practice, no source)."""


def u_of_curve(known: float, others: Sequence[tuple[float, float]], *, taken_off: float = 0.0) -> float:
    """Return the relative standard uncertainty of the exponent of a curve that may be another one.

    Parameters
    ----------
    known : float
        Of a curve that is the right one.
    others : sequence of (float, float)
        By what relative error of the exponent sizes are off if another curve is right, and its chance. What is left of
        1 is the chance of an error around 0.
    taken_off : float
        What sizes were corrected by already.

    Notes
    -----
    The error is one of several, each with the same scatter: what 95 % of it stay below, over 1.96. Its standard
    deviation would give intervals that miss all of the others at chances of a tenth.
    """
    off = np.array([error for error, _ in others])
    chance = np.array([chance for _, chance in others])
    if not np.any((chance > 0) & (off != 0)):
        return known
    off = np.append(off, 0.0) - taken_off
    chance = np.append(chance, max(1.0 - chance.sum(), 0.0))

    def beyond(half: float) -> float:
        return float(np.sum(chance * (ndtr((half - off) / known) - ndtr((-half - off) / known)))) - 0.95

    low, high = 0.0, float(np.abs(off).max()) + 3 * known
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        low, high = (low, middle) if beyond(middle) > 0 else (middle, high)
    return high / _K95


@dataclass(frozen=True, kw_only=True, slots=True)
class Unsure:
    """What else than its pixels a scan is unsure of.

    Attributes
    ----------
    scale_x, scale_y : float
        Relative standard uncertainty of the scale along columns and rows.
    transfer : float
        Relative standard uncertainty of the transfer exponent.
    exponent : float
        The exponent by which sizes were worked out, as a logarithm.
    pixel_x, pixel_y : float
        The size of pixels by which they were, over that which the file states, as logarithms.
    travels : tuple of Travel
        Along columns and along rows; empty where nothing is known of either.
    """

    scale_x: float
    scale_y: float
    transfer: float = U_TRANSFER
    exponent: float = 0.0
    pixel_x: float = 0.0
    pixel_y: float = 0.0
    travels: tuple[Travel, ...] = ()

    @classmethod
    def of(cls, scan: Scan, stated: PixelSize, u_scale: tuple[float, float], u_transfer: float, off: float) -> Unsure:
        """Return what a scan is unsure of whose file states pixels of another size and whose exponent was off."""
        return cls(
            scale_x=u_scale[0],
            scale_y=u_scale[1],
            transfer=u_transfer,
            exponent=float(np.log(scan.curve.exponent)) + off,
            pixel_x=float(np.log(scan.pixel_mm.x / stated.x)),
            pixel_y=float(np.log(scan.pixel_mm.y / stated.y)),
        )


def contributions(
    fits: FeatureFits, feature_ids: list[str], places: PlaceData, registered: Pose, unsure: Unsure, share: FloatArray
) -> pd.DataFrame:
    """Return the lines of every feature's budget.

    Parameters
    ----------
    fits : FeatureFits
    feature_ids : list of str
        Names of the rows of the piece's table of features.
    places : PlaceData
        Where the features were found.
    registered : Pose
        The pose through all features.
    unsure : Unsure
    share : ndarray of float, shape (n_features,)
        Share of a feature's length that its mean size stands for, 1 but for partly formed ones.

    Returns
    -------
    pandas.DataFrame
        Columns `CONTRIBUTION_COLUMNS`; ``shared`` is 'no', 'scan' or 'scanner', ``sign`` 1 or -1.
    """
    wander = replace(_carriage(places, registered), travels=unsure.travels)
    rows = [*_of_strips(fits, unsure, wander, share), *_of_discs(fits, registered, unsure, wander)]
    table = pd.DataFrame(rows, columns=["row", "line", "effect", "shared", "u_error", "taken"])
    names = np.array(feature_ids, dtype=object)
    return pd.DataFrame(
        {
            "feature_id": names[table["row"]],
            "line": table["line"],
            "u_mm": table["effect"].abs(),
            "shared": table["shared"],
            "sign": np.where(table["effect"] < 0, -1, 1),
            "u_error": table["u_error"],
            "taken": table["taken"],
        }
    )


def totals(table: pd.DataFrame, feature_ids: list[str]) -> pd.DataFrame:
    """Return ``u_private_mm`` and ``u_common_mm`` of every feature, NaN where a feature has no lines."""
    row = pd.Index(feature_ids).get_indexer(table["feature_id"])
    known = row >= 0
    cell = 2 * row[known] + (table["shared"] != "no").to_numpy()[known]
    shape = (len(feature_ids), 2)
    squares = np.bincount(cell, table["u_mm"].to_numpy(float)[known] ** 2, 2 * len(feature_ids)).reshape(shape)
    seen = np.bincount(cell, minlength=2 * len(feature_ids)).reshape(shape) > 0
    values = np.where(seen, np.sqrt(squares), np.nan)
    return pd.DataFrame(values, columns=["u_private_mm", "u_common_mm"], index=pd.Index(feature_ids, name="feature_id"))


@dataclass(frozen=True, kw_only=True, slots=True)
class _Wander:
    """Uneven travel: root mean square of the places' error along one axis of the glass (0 columns, 1 rows).

    ``scatter_mm`` is that of all places about the pose, the printer's own errors included. ``slope`` is how fast the
    error changes along the axis, root mean square, as far as neighbouring features show it, and ``travels`` what edges
    at a slant show of either axis.
    """

    axis: int
    rms_mm: float
    scatter_mm: float
    slope: float = 0.0
    travels: tuple[Travel, ...] = ()

    def of_width(self, width: FloatArray, across: FloatArray) -> FloatArray:
        """Return the root mean square error of widths across normals of the components `across`, shape (n, 2)."""
        squares = np.zeros(len(width))
        for axis in (0, 1):
            by_places = self._by_places(width, across[:, axis]) if axis == self.axis else np.zeros(len(width))
            by_edges = self.travels[axis].of_width(width, across[:, axis]) if self.travels else 0.0
            squares += np.maximum(by_places, by_edges) ** 2
        return np.sqrt(squares)

    def of_diameter(self, diameter: FloatArray) -> FloatArray:
        """Return the root mean square error of the mean diameter: each axis counts by a half."""
        each = [self.of_width(diameter, np.tile(np.eye(2)[axis], (len(diameter), 1))) for axis in (0, 1)]
        return np.asarray(np.hypot(*each) / 2)

    def _by_places(self, width: FloatArray, along: FloatArray) -> FloatArray:
        phase = np.minimum(np.pi * width * np.abs(along) / _PERIOD_MM, np.pi / 2)
        by_period = 2 * self.rms_mm * np.abs(along) * np.sin(phase)
        return np.asarray(np.maximum(by_period, self.slope * width * along**2))


def _carriage(places: PlaceData, registered: Pose) -> _Wander:
    """Judge the carriage by how much more places scatter along one axis of the glass than along the other."""
    nominal = registered.to_pixels(places.points_mm) * np.array(registered.pixel_mm)
    residual = places.glass_mm - np.sum(nominal * places.directions, axis=1)
    spread = []
    for axis in (0, 1):
        part = residual[np.abs(places.directions[:, axis]) > 0.9]
        spread.append(1.4826 * float(np.median(np.abs(part - np.median(part)))) if len(part) >= 8 else np.nan)
    scatter = 1.4826 * float(np.median(np.abs(residual)))
    if not np.all(np.isfinite(spread)):
        return _Wander(axis=1, rms_mm=0.0, scatter_mm=scatter)
    axis = int(np.argmax(spread))
    along = np.abs(places.directions[:, axis]) > 0.9
    away = residual[along] * np.sign(places.directions[along, axis])
    return _Wander(
        axis=axis,
        rms_mm=float(np.sqrt(spread[axis] ** 2 - spread[1 - axis] ** 2)),
        scatter_mm=scatter,
        slope=_slope(nominal[along, axis], away),
    )


def _slope(place_mm: FloatArray, away_mm: FloatArray) -> float:
    """Return how fast errors of places change along an axis, root mean square, beyond what features scatter themselves.

    Features that lie at the same place along the axis tell the latter; those a millimetre apart tell both together.
    """
    first, second = np.triu_indices(len(place_mm), 1)
    apart = np.abs(place_mm[second] - place_mm[first])
    square = (away_mm[second] - away_mm[first]) ** 2
    same, near = square[apart < _SAME_MM], (apart > _APART_MM[0]) & (apart < _APART_MM[1])
    if min(len(same), int(near.sum())) < _FEWEST_PAIRS:
        return 0.0
    own, both = _clipped_mean(same), _clipped_mean(square[near])
    # Pairs share features: a difference below a half of either is no sure one.
    return float(np.sqrt((both - own) / np.mean(apart[near] ** 2))) if both > 1.5 * own else 0.0


def _clipped_mean(squares: FloatArray) -> float:
    return float(np.mean(np.minimum(squares, _CLIPPED * np.median(squares))))


class _Line(NamedTuple):
    """A line of strips or discs: its effect in mm, what shares it, and what is known of the error that they share."""

    name: str
    effect: FloatArray
    shared: str = "no"
    u_error: float = np.nan
    taken: float = np.nan


def _common(name: str, per_error: FloatArray, u_error: float, shared: str = "scanner", taken: float = 0.0) -> _Line:
    """Return the line of an error that readings share, from what they change by per unit of it."""
    return _Line(name, per_error * u_error, shared, u_error, taken)


def _lines(
    parts: WidthParts, opening: FloatArray, fits: FeatureFits, unsure: Unsure, pixel_mm: float, *, u_blur: float
) -> list[_Line]:
    """Return the lines that strips and discs have alike; `opening` is 1 for openings and -1 for solids."""
    lent, shade = fits.borrowed, fits.shade
    to_bright = opening * _bright(fits)
    return [
        _Line("noise", parts.noise_mm),
        _Line("misfit", parts.misfit_mm),
        _Line("contrast", np.hypot(parts.per_contrast_mm * lent.contrast_private, parts.levels_mm)),
        _common("contrast", parts.per_contrast_mm, lent.contrast_common, "scan"),
        _Line("blur", parts.per_blur_mm * lent.blur_private),
        _common("blur", parts.per_blur_mm, u_blur, "scan"),
        _common("transfer", parts.per_transfer_mm, unsure.transfer, taken=unsure.exponent),
        # By how much what edges show of their shape moves them is not known, and the same in all scans of a scanner.
        _common("shape", parts.shape_mm, _U_SHAPE),
        # An edge spread of another shape moves all edges alike, towards the bright side or away from it. It is the
        # scanner's: what one scan cannot show the next cannot either.
        _common("edge", to_bright * _edge_mm(pixel_mm, 2 * lent.edge_mm), 1.0),
        _common("edge", to_bright * _U_AGAIN_PX * pixel_mm, 1.0, "scan"),
        # Walls are the piece's and what a lens sees of them the scanner's: two scans of one are off alike.
        _common("walls", 2 * to_bright, shade.u_all_mm, taken=_bright(fits) * shade.taken_all_mm),
    ]


def _edge_mm(pixel_mm: float, seen_mm: float) -> float:
    """Return what edges of another shape make of a size in all scans of a scanner, from what they are seen to do."""
    return float(np.sqrt((_U_EDGE_PX**2 - _U_AGAIN_PX**2) * pixel_mm**2 + seen_mm**2))


def _bright(fits: FeatureFits) -> float:
    """Return the sense in which a shift towards the bright side makes openings wider: -1 where the ground is bright."""
    return 1.0 if fits.shade.plate_is_bright else -1.0


def _of_lamp(fits: FeatureFits, x: FloatArray, y: FloatArray) -> list[_Line]:
    """Return the lines of a lamp on one side from what sizes change by per mm of shift along its x and y."""
    bright = _bright(fits)
    return [
        _common(name, bright * effect, fits.shade.u_shift_mm(axis), taken=bright * fits.shade.taken_mm(axis))
        for axis, (name, effect) in enumerate((("shadow x", x), ("shadow y", y)))
    ]


def _slanted(slant: Slant | None, loss: Loss | None, opening: FloatArray) -> list[_Line]:
    """Return the lines of a view at a slant: what all features of the picture share, and what each has for itself."""
    if slant is None or loss is None:
        return []
    return [
        _common("slant", opening * slant.u_common_mm(loss), 1.0, "scan"),
        _Line("slant", slant.u_private_mm(loss)),
    ]


def _put_back(filtered: Filtered | None, lost_mm: FloatArray | None, size_mm: FloatArray) -> list[_Line]:
    """Return the line of what was put back of sizes that a filter made smaller."""
    if filtered is None or lost_mm is None:
        return []
    return [_common("filter", filtered.loss.u_mm(lost_mm, size_mm), 1.0)]


def _filtered(diameter_mm: FloatArray, pixel_mm: float) -> FloatArray:
    """Return the standard uncertainty of holes by filters that keep edges sharp but move curved ones.

    A median over a disc of radius r moves an edge of curvature k by k r^2 / 6 towards its centre: a segment of the area
    k r^3 / 3 is made good by a shift over the width 2 r. Cameras filter by anything from nothing to that.
    """
    moved = _FILTER_PX**2 * pixel_mm**2 / (3 * diameter_mm)
    return np.asarray(np.minimum(2 * moved, diameter_mm / 4) / np.sqrt(3))


_Row = tuple[int, str, float, str, float, float]


def _of_strips(fits: FeatureFits, unsure: Unsure, wander: _Wander, share: FloatArray) -> list[_Row]:
    samples, width = fits.strips.samples, fits.strip_fits.width_mm
    across = samples.normal
    opening = np.where(samples.is_bar, -1.0, 1.0)
    shaded = width_effect(across, fits.shade.turn_deg)
    # The direction of one feature is known from its piece's pose to the scatter of places over its length.
    tilt = wander.scatter_mm / np.maximum(samples.half_length_mm, 0.1)
    lines = [
        *_lines(fits.strip_fits.parts, opening, fits, unsure, samples.pixel_mm, u_blur=fits.borrowed.blur_common),
        _Line("roughness", fits.lengthwise.u_ends_mm),
        *_of_lamp(fits, opening * shaded[:, 0], opening * shaded[:, 1]),
        _Line("pose", width * tilt**2 / 2),
        _common("scale x", width * across[:, 0] ** 2, unsure.scale_x, taken=-unsure.pixel_x),
        _common("scale y", width * across[:, 1] ** 2, unsure.scale_y, taken=-unsure.pixel_y),
        _Line("carriage", wander.of_width(width, across)),
        *_slanted(fits.slant, None if fits.slant is None else fits.slant.strips, opening),
        *_put_back(fits.filtered, None if fits.filtered is None else fits.filtered.strips_mm, width),
    ]
    numbers, index, count = np.unique(fits.strips.rows, return_inverse=True, return_counts=True)
    part = share[numbers]
    rows: list[_Row] = []
    for name, effect, shared, u_error, taken in lines:
        # A square is the mean of two strips: what they share stays, what each has for itself averages.
        whole = np.bincount(index, effect) if shared != "no" else np.sqrt(np.bincount(index, effect**2))
        of_rows = zip(numbers, whole / count / part, strict=True)
        rows += [(int(row), name, float(v), shared, u_error, taken) for row, v in of_rows]
    mean = np.bincount(index, width) / count
    partly = part < 1
    gaps = zip(numbers[partly], 0.1 * mean[partly] / part[partly], strict=True)
    return rows + [(int(row), "roughness", float(v), "no", np.nan, np.nan) for row, v in gaps]


def _of_discs(fits: FeatureFits, registered: Pose, unsure: Unsure, wander: _Wander) -> list[_Row]:
    pixel_mm = float(np.mean(registered.pixel_mm))
    rows: list[_Row] = []
    round_the_edge = np.array([diameter_effect()])
    slanted = _slanted(fits.slant, None if fits.slant is None else fits.slant.holes, np.ones(len(fits.discs)))
    sizes_mm = np.array([disc.diameter_mm for disc in fits.discs])
    put_back = _put_back(fits.filtered, None if fits.filtered is None else fits.filtered.holes_mm, sizes_mm)
    for i, (row, disc) in enumerate(zip(fits.disc_rows, fits.discs, strict=True)):
        size = np.array([disc.diameter_mm])
        u_blur = disc.u_blur if np.isfinite(disc.u_blur) else fits.borrowed.blur_common
        lines = [
            *_lines(disc.parts, np.ones(1), fits, unsure, pixel_mm, u_blur=u_blur),
            *([_common("filter", _filtered(size, pixel_mm), 1.0)] if fits.slant is not None else []),
            *_of_lamp(fits, round_the_edge, round_the_edge),
            _common("scale x", size / 2, unsure.scale_x, taken=-unsure.pixel_x),
            _common("scale y", size / 2, unsure.scale_y, taken=-unsure.pixel_y),
            _Line("carriage", wander.of_diameter(size)),
            *[line._replace(effect=line.effect[[i]]) for line in (*slanted, *put_back)],
        ]
        rows += [(int(row), line.name, float(line.effect[0]), line.shared, line.u_error, line.taken) for line in lines]
    return rows
