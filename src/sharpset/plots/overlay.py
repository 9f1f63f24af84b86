"""A scan with what was found on it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection, PolyCollection
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from numpy.typing import ArrayLike, NDArray
from shapely.geometry import Polygon

from sharpset.errors import ReportError
from sharpset.plots.style import FORMED_COLOURS, INK, REFUSED_COLOUR, new_figure, plain, styled
from sharpset.readings.results import count_found, is_refused

if TYPE_CHECKING:
    from sharpset.pieces import Piece

__all__ = ["CutOut", "corners_of", "cut_out", "draw_scan_overlay", "found_states", "outlines_of"]

_LONGEST_PX = 1500
_MARGIN_MM = 2.0
_LADDERS = ("slot", "bar", "hole")
_CLOSE_UP_ASPECT = 1.75


class _Pose(Protocol):
    def to_pixels(self, points_mm: ArrayLike) -> NDArray[np.float64]:
        """Return (column, row) of points of the piece frame."""


class _Found(Protocol):
    """What the figure needs of a reading of one piece."""

    @property
    def table(self) -> pd.DataFrame: ...
    @property
    def pose(self) -> Any: ...


def draw_scan_overlay(picture: NDArray[Any], reading: _Found, piece: Piece, *, title: str = "") -> Figure:
    """Draw a scanned piece with the nominal outline of every feature in the colour of what was found.

    Parameters
    ----------
    picture : ndarray, shape (rows, columns) or (rows, columns, 3)
        The upright scan as stored or as light; shown as it is, dark to bright.
    reading : PieceReading
        ``pose`` (piece frame to column, row) and ``table`` with ``feature_id``, ``formed`` and ``flags``.
    piece : Piece
    title : str

    Returns
    -------
    Figure
        The whole piece, and one close-up each of slots, bars and holes at the size where they stop
        forming, with the measured size beside each. What was refused has a cross through it and counts apart.

    Raises
    ------
    ReportError
        If the readings are of another piece.
    """
    table = reading.table.set_index("feature_id")
    outlines = outlines_of(table, reading.pose, piece)
    shapes = dict(zip(piece.features["feature_id"], piece.feature_shapes(), strict=True))
    corners, px_per_mm = corners_of(reading.pose, piece)
    with styled():
        figure = new_figure(11.0, 6.6)
        axes: dict[str, Axes] = figure.subplot_mosaic(
            [["all", "slot"], ["all", "bar"], ["all", "hole"]], width_ratios=[2.1, 1.0]
        )
        _show(axes["all"], picture, corners, margin_px=_MARGIN_MM * px_per_mm)
        _outline(axes["all"], outlines, found_states(table), linewidth=1.0)
        axes["all"].set_title(title or f"{piece.piece_id}, run {getattr(reading, 'run_id', piece.run_id)}")
        for kind in _LADDERS:
            _close_up(axes[kind], kind, picture, shapes, table, reading.pose)
        figure.legend(handles=_key(table), loc="outside lower left", ncols=4)
    return figure


def corners_of(pose: _Pose, piece: Piece) -> tuple[NDArray[np.float64], float]:
    """Return (column, row) of a piece's outline and how many pixels a millimetre is."""
    corners = pose.to_pixels(np.asarray(piece.outline.exterior.coords))
    return corners, float(np.hypot(*(corners[1] - corners[0]))) / max(piece.height_mm, 1e-9)


def outlines_of(table: pd.DataFrame, pose: _Pose, piece: Piece) -> dict[str, NDArray[np.float64]]:
    """Return the drawn outline of every feature that was read, (column, row), by feature.

    Raises
    ------
    ReportError
        If the readings are of another piece.
    """
    shapes = dict(zip(piece.features["feature_id"], piece.feature_shapes(), strict=True))
    unknown = [name for name in table.index if name not in shapes]
    if unknown:
        raise ReportError(
            f"feature {unknown[0]} was read, but {piece.piece_id} has none. Draw it with the piece that was read."
        )
    return {name: pose.to_pixels(np.asarray(shapes[name].exterior.coords)) for name in table.index}


def found_states(table: pd.DataFrame) -> pd.Series[Any]:
    """Return what was found of each feature: its state, or that it was refused."""
    return table["formed"].mask(is_refused(table), "refused")


def _key(table: pd.DataFrame) -> list[Line2D]:
    """Return the lines of the legend with the number of features of each; refused ones only where there are any."""
    counts = count_found(table)
    words = {"yes": "formed", "partly": "partly formed", "no": "not formed"}
    handles = [
        Line2D([], [], color=FORMED_COLOURS[state], linewidth=2, label=f"{word} ({counts[state]})")
        for state, word in words.items()
    ]
    if counts["refused"]:
        label = f"refused, cannot be read ({counts['refused']})"
        handles.append(Line2D([], [], color=REFUSED_COLOUR, linewidth=1.2, marker="x", label=label))
    return handles


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class CutOut:
    """A part of a picture, 0 dark to 1 bright, averaged over blocks of ``step`` pixels; ``corner`` and ``end`` are the
    (column, row) where it begins and ends.
    """

    shown: NDArray[np.float64]
    corner: NDArray[np.float64]
    end: NDArray[np.float64]
    step: int


def cut_out(picture: NDArray[Any], points: NDArray[np.float64], *, margin_px: float, longest_px: int) -> CutOut:
    """Return the part of the picture around some points, thinned where it is longer than wanted."""
    n_rows, n_columns = picture.shape[:2]
    low = np.maximum(np.floor(points.min(axis=0) - margin_px), 0).astype(int)
    high = np.minimum(np.ceil(points.max(axis=0) + margin_px), [n_columns, n_rows]).astype(int)
    if (high <= low).any():
        raise ReportError("the piece lies outside the picture; draw it with the scan that was read")
    part = np.asarray(picture[low[1] : high[1], low[0] : high[0]])
    # Blocks of pixels are averaged, not skipped: thin slots would come and go with the step.
    step = max(1, int(np.ceil(max(part.shape[:2]) / longest_px)))
    shown = np.clip(_averaged(part, step) / _white(picture), 0, 1)
    return CutOut(shown=shown, corner=low - 0.5, end=high - 0.5, step=step)


def _show(axes: Axes, picture: NDArray[Any], points: NDArray[np.float64], *, margin_px: float) -> None:
    """Show the part of the picture around some points, thinned where it is larger than the figure."""
    part = cut_out(picture, points, margin_px=margin_px, longest_px=_LONGEST_PX)
    low, step = part.corner, part.step
    rows, columns = (n * step for n in part.shown.shape[:2])
    look = "nearest" if step == 1 else "antialiased"
    box = (low[0], low[0] + columns, low[1] + rows, low[1])
    axes.imshow(part.shown, extent=box, cmap="gray", vmin=0, vmax=1, interpolation=look)
    axes.set_xlim(low[0], part.end[0])
    axes.set_ylim(part.end[1], low[1])
    plain(axes)


def _averaged(part: NDArray[Any], step: int) -> NDArray[Any]:
    if step == 1:
        return part
    rows, columns = (n // step * step for n in part.shape[:2])
    blocks = part[:rows, :columns].reshape(rows // step, step, columns // step, step, *part.shape[2:])
    return np.asarray(blocks.mean(axis=(1, 3), dtype=np.float32).astype(part.dtype))


def _outline(axes: Axes, outlines: dict[str, NDArray[np.float64]], formed: pd.Series[Any], *, linewidth: float) -> None:
    for state, colour in FORMED_COLOURS.items():
        chosen = [outlines[name] for name in formed.index[formed == state]]
        axes.add_collection(
            PolyCollection(chosen, facecolors="none", edgecolors=colour, linewidths=linewidth), autolim=False
        )
    refused = [outlines[name] for name in formed.index[formed == "refused"]]
    if refused:
        strokes = [*refused, *_crosses(refused)]
        axes.add_collection(LineCollection(strokes, colors=REFUSED_COLOUR, linewidths=linewidth), autolim=False)


def _crosses(outlines: list[NDArray[np.float64]]) -> list[NDArray[np.float64]]:
    """Return two strokes through the middle of each outline, long enough to be seen on small features too."""
    sizes = [float(np.ptp(outline, axis=0).max()) for outline in outlines]
    strokes = []
    for outline, size in zip(outlines, sizes, strict=True):
        reach = max(size, max(sizes) / 2) / 5
        middle = (outline.min(axis=0) + outline.max(axis=0)) / 2
        strokes += [middle + reach * np.array([[-1, -1], [1, 1]]), middle + reach * np.array([[-1, 1], [1, -1]])]
    return strokes


def _close_up(
    axes: Axes, kind: str, picture: NDArray[Any], shapes: dict[str, Polygon], table: pd.DataFrame, pose: _Pose
) -> None:
    """Show the features of one ladder around the size at which they stop forming, set out from left to right."""
    names = _transition(table[(table["kind"] == kind) & table["group"].str.startswith(f"{kind}s")])
    axes.set_title(f"{kind}s: drawn, measured / mm")
    plain(axes)
    if not names:
        axes.text(0.5, 0.5, "none on this piece", ha="center", transform=axes.transAxes)
        return
    centres = np.array([shapes[name].centroid.coords[0] for name in names])
    along = centres[-1] - centres[0]
    along = along / np.hypot(*along) if np.hypot(*along) > 0 else np.array([1.0, 0.0])
    frame = np.array([along, [-along[1], along[0]]])
    middle = centres.mean(axis=0)
    half = np.array([1.0, 1.0 / _CLOSE_UP_ASPECT]) * max(
        np.hypot(*(centres[-1] - centres[0])) / 2 + 0.7,
        _CLOSE_UP_ASPECT * (_tallest_mm(shapes, names, frame, middle) + 0.95),
    )
    shown = _resampled(picture, pose, middle=middle, frame=frame, half_mm=half)
    axes.imshow(shown, extent=(-half[0], half[0], -half[1], half[1]), cmap="gray", vmin=0, vmax=1)
    outlines = {name: (np.asarray(shapes[name].exterior.coords) - middle) @ frame.T for name in names}
    _outline(axes, outlines, found_states(table.loc[names]), linewidth=1.2)
    refused = dict(zip(names, is_refused(table.loc[names]), strict=True))
    for name in names:
        row = table.loc[name]
        size = "–" if pd.isna(row["measured_mm"]) else f"{row['measured_mm']:.3f}"
        size = "refused" if refused[name] else size
        axes.annotate(
            f"{row['nominal_mm']:g}\n{size}",
            (outlines[name][:, 0].mean(), outlines[name][:, 1].max()),
            xytext=(0, 4),
            textcoords="offset points",
            ha="center",
            va="bottom",
            fontsize=6.5,
            color=INK,
            bbox={"boxstyle": "square,pad=0.15", "facecolor": "white", "edgecolor": "none", "alpha": 0.8},
        )


def _tallest_mm(
    shapes: dict[str, Polygon], names: list[str], frame: NDArray[np.float64], middle: NDArray[np.float64]
) -> float:
    """Return how far features reach across the ladder from its middle line."""
    return max(float(np.abs((np.asarray(shapes[name].exterior.coords) - middle) @ frame[1]).max()) for name in names)


def _resampled(
    picture: NDArray[Any],
    pose: _Pose,
    *,
    middle: NDArray[np.float64],
    frame: NDArray[np.float64],
    half_mm: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Return a part of the picture turned so that the ladder runs from left to right (for the eye only)."""
    import cv2

    corners = (
        middle + np.array([[-half_mm[0], half_mm[1]], [half_mm[0], half_mm[1]], [-half_mm[0], -half_mm[1]]]) @ frame
    )
    upper_left, upper_right, lower_left = pose.to_pixels(corners)
    # Two samples per pixel of the scan, but not more than the figure can show.
    columns = int(min(900, max(2, 2 * np.hypot(*(upper_right - upper_left)))))
    rows = max(2, int(columns * half_mm[1] / half_mm[0]))
    matrix = np.column_stack(((upper_right - upper_left) / columns, (lower_left - upper_left) / rows, upper_left))
    part = cv2.warpAffine(
        picture, matrix, (columns, rows), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_REPLICATE
    )
    return np.clip(np.asarray(part, dtype=float) / _white(picture), 0, 1)


def _white(picture: NDArray[Any]) -> float:
    """Return the value that is shown as white."""
    return float(np.iinfo(picture.dtype).max) if picture.dtype.kind == "u" else max(1.0, float(picture.max(initial=1)))


def _transition(ladder: pd.DataFrame, *, n_shown: int = 4) -> list[str]:
    """Return neighbouring features of one ladder, the last ones that failed and the first that formed."""
    if ladder.empty:
        return []
    group = ladder["group"].iloc[0]
    repeat = ladder[ladder["group"] == group]
    suffix = repeat.index.str.rpartition("-").get_level_values(2)
    repeat = repeat[suffix == suffix[0]].sort_values("nominal_mm")
    formed = (found_states(repeat) == "yes").to_numpy()
    cut = int(np.argmin([formed[:k].sum() + (~formed[k:]).sum() for k in range(len(formed) + 1)]))
    first = int(np.clip(cut - n_shown // 2, 0, max(0, len(repeat) - n_shown)))
    return list(repeat.index[first : first + n_shown])
