"""The stencil: a flat plate with graded slots, bars and holes through it, read as a silhouette."""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Any, Literal

import pandas as pd
from shapely.geometry import Polygon, box

from sharpset.errors import PieceError
from sharpset.pieces.code import CODE_BITS, RunCode, encode_run_id
from sharpset.pieces.ladder import size_ladder
from sharpset.pieces.layout import Block, Spot, bar_block, hole_block, pack, slot_block
from sharpset.pieces.model import FEATURE_COLUMNS, Mark, Piece, ScaleLine

if TYPE_CHECKING:
    from sharpset.brief import Brief

__all__ = ["SMALLEST_MM", "make_stencil", "stencil_from_brief"]

Process = Literal["filament", "resin"]
ANGLES_DEG = (0.0, 45.0, 90.0)
SIZES_MM = (30, 35, 40, 45, 50, 55, 60, 70, 80, 90, 100, 120, 140, 160, 200)
"""Plate sizes that are tried when none is asked for."""
SMALLEST_MM = {
    "filament": {"bar": 0.25, "slot": 0.20, "hole": 0.40},
    "resin": {"bar": 0.15, "slot": 0.15, "hole": 0.25},
}
"""Smallest wanted sizes when neither a brief nor --smallest names them."""
_LIMITS_MM = (0.02, 3.0)


@dataclass(frozen=True, kw_only=True, slots=True)
class _Trade:
    """Distances that a process needs (common practice, no source)."""

    thickness_mm: float
    web_mm: float
    gap_mm: float
    cell_pitch_mm: float
    cell_diameter_mm: float
    mark_diameter_mm: float
    border_mm: float


_TRADE = {
    "filament": _Trade(
        thickness_mm=1.2,
        web_mm=1.1,
        gap_mm=0.9,
        cell_pitch_mm=2.4,
        cell_diameter_mm=1.4,
        mark_diameter_mm=2.0,
        border_mm=1.2,
    ),
    "resin": _Trade(
        thickness_mm=1.0,
        web_mm=1.0,
        gap_mm=0.8,
        cell_pitch_mm=1.8,
        cell_diameter_mm=1.0,
        mark_diameter_mm=1.6,
        border_mm=1.2,
    ),
}


def stencil_from_brief(brief: Brief, *, size_mm: float | None = None, run_id: str = "R01") -> Piece:
    """Return the stencil whose ladders stand around the smallest sizes of a brief.

    See `make_stencil`. Kinds that a brief does not name take the process's usual smallest size.
    """
    wanted = {
        **SMALLEST_MM[brief.process],
        **{k: v for k, v in brief.smallest_mm.items() if k in ("bar", "slot", "hole")},
    }
    return make_stencil(process=brief.process, smallest_mm=wanted, size_mm=size_mm, run_id=run_id)


def make_stencil(
    *,
    process: Process = "filament",
    smallest_mm: float | Mapping[str, float] | None = None,
    size_mm: float | None = None,
    run_id: str = "R01",
    repeats: int = 2,
    series: str = "R10",
) -> Piece:
    """Lay out a stencil.

    Parameters
    ----------
    process : {'filament', 'resin'}
    smallest_mm : float or mapping of kind to float, optional
        Smallest sizes that must form, mm; one number serves bars, slots and holes.
    size_mm : float, optional
        Side of the square the piece must fit in, mm. Without it the smallest of a list of sizes
        that holds the piece is taken.
    run_id : str
        Run that the code on the piece names.
    repeats : int
        How often each slot and bar size stands in each direction (holes: twice as often).
    series : {'R10', 'R20'}
        Preferred numbers for the ladders.

    Returns
    -------
    Piece
        Slots, bars and holes in graded sizes, four below and four above the wanted size (three
        each where the plate would not hold more), slots and bars at 0, 45 and 90 degrees.

    Raises
    ------
    PieceError
        If a size is out of range or the piece cannot fit; the text gives the numbers.
    """
    wanted = _wanted_sizes(process, smallest_mm)
    if size_mm is not None and not (math.isfinite(size_mm) and 10 <= size_mm <= 1000):
        raise PieceError(f"plate size {size_mm:g} mm: a side of 10 to 1000 mm is needed")
    if repeats < 2:
        raise PieceError(f"repeats {repeats}: every size stands at least twice, so that scatter can be told from size")
    bits = encode_run_id(run_id)
    needed = 0.0
    for n_steps in (4, 3):
        ladders = {
            kind: size_ladder(size, n_below=n_steps, n_above=n_steps, series=series) for kind, size in wanted.items()
        }
        for side in (size_mm,) if size_mm else SIZES_MM:
            plate = _set_out(process, ladders, side_mm=float(side), repeats=repeats)
            if plate is not None and plate.height_mm <= side:
                request = {
                    "smallest_mm": wanted,
                    "ladders_mm": ladders,
                    "repeats": repeats,
                    "series": series,
                    "plate_mm": float(side),
                }
                return _piece(process, plate, bits, run_id, request)
        needed = _needed_side_mm(process, ladders, repeats=repeats)
    got = f"{size_mm:g} mm" if size_mm else f"{SIZES_MM[-1]} mm, the largest that is tried,"
    sizes = ", ".join(f"{kind} {size:g} mm" for kind, size in wanted.items())
    raise PieceError(
        f"a stencil for {sizes} needs a square of about {needed:.0f} mm; the plate of {got} cannot hold it. "
        "Ask for a larger --size, or for smaller smallest sizes (larger ones make longer ladders)."
    )


def _wanted_sizes(process: str, smallest_mm: float | Mapping[str, float] | None) -> dict[str, float]:
    if process not in _TRADE:
        raise PieceError(f"process {process!r} is unknown; processes are {', '.join(_TRADE)}")
    if smallest_mm is None:
        wanted = dict(SMALLEST_MM[process])
    elif isinstance(smallest_mm, Mapping):
        wanted = {kind: float(smallest_mm.get(kind, SMALLEST_MM[process][kind])) for kind in ("bar", "slot", "hole")}
    else:
        wanted = dict.fromkeys(("bar", "slot", "hole"), float(smallest_mm))
    for kind, size in wanted.items():
        if not (math.isfinite(size) and _LIMITS_MM[0] <= size <= _LIMITS_MM[1]):
            raise PieceError(
                f"smallest {kind} {size:g} mm: the stencil is made for details of "
                f"{_LIMITS_MM[0]:g} to {_LIMITS_MM[1]:g} mm"
            )
    return wanted


@dataclass(frozen=True, kw_only=True, slots=True)
class _Plate:
    """A finished layout on the plate."""

    width_mm: float
    height_mm: float
    spots: tuple[Spot, ...]
    openings: tuple[Polygon, ...]
    marks: tuple[Mark, ...]
    cells_mm: tuple[tuple[float, float], ...]


def _blocks(trade: _Trade, ladders: Mapping[str, Sequence[float]], repeats: int) -> list[Block]:
    longest = max(3.0, 3.0 * max(max(ladders["slot"]), max(ladders["bar"])))
    gap = max(trade.gap_mm, max(ladders["bar"]))
    blocks = []
    for angle in ANGLES_DEG:
        for _ in range(repeats):
            blocks.append(slot_block(ladders["slot"], length_mm=longest, web_mm=trade.web_mm, angle_deg=angle))
            blocks.append(bar_block(ladders["bar"], length_mm=longest, gap_mm=gap, angle_deg=angle))
    blocks += [hole_block(ladders["hole"], web_mm=trade.web_mm) for _ in range(2 * repeats)]
    return [*blocks, *_artefact_blocks()]


def _artefact_blocks(side_mm: float = 5.0) -> list[Block]:
    """Return the round and the square artefact and the window with the slanted edge."""
    half = side_mm / 2
    common = {"nominal_mm": side_mm, "length_mm": side_mm, "x_mm": half, "y_mm": half, "angle_deg": 0.0}
    # Five degrees from the grid: the phase of the edge then runs through every fraction of a pixel
    # (ISO 12233:2017, 6.2, slanted edge).
    lean = side_mm * math.tan(math.radians(5.0))
    window = Polygon([(0.0, 0.0), (side_mm - lean, 0.0), (side_mm, side_mm), (lean, side_mm)])
    return [
        Block(name="round", width_mm=side_mm, height_mm=side_mm, spots=(Spot(kind="hole", group="round", **common),)),
        Block(
            name="square", width_mm=side_mm, height_mm=side_mm, spots=(Spot(kind="square", group="square", **common),)
        ),
        Block(name="slanted-edge", width_mm=side_mm, height_mm=side_mm, openings=(window,)),
    ]


def _set_out(process: str, ladders: Mapping[str, Sequence[float]], *, side_mm: float, repeats: int) -> _Plate | None:
    """Lay everything out on a plate of the given width; None where a block or a band is too wide."""
    trade = _TRADE[process]
    inner = side_mm - 2 * trade.border_mm
    packed = pack(_blocks(trade, ladders, repeats), width_mm=inner, gap_mm=trade.web_mm)
    if packed is None:
        return None
    blocks, body_height = packed
    band = _band(trade, side_mm)
    if band is None:
        return None
    cells, bottom_height = band
    top_height = 3.0
    body_low = trade.border_mm + bottom_height + trade.web_mm
    top_low = body_low + body_height + trade.web_mm
    height = math.ceil((top_low + top_height + trade.border_mm) * 2) / 2
    placed = [block.moved(trade.border_mm, body_low) for block in blocks]
    marks = _marks(trade, side_mm, height)
    spots = [spot for block in placed for spot in block.spots]
    spots += [
        Spot(
            kind="hole",
            nominal_mm=m.diameter_mm,
            length_mm=m.diameter_mm,
            x_mm=m.x_mm,
            y_mm=m.y_mm,
            angle_deg=0.0,
            group="marks",
        )
        for m in marks
    ]
    spots += _scale_spots(trade, side_mm, height)
    return _Plate(
        width_mm=side_mm,
        height_mm=height,
        spots=tuple(spots),
        openings=tuple(opening for block in placed for opening in block.openings),
        marks=marks,
        cells_mm=cells,
    )


def _mark_inset_mm(trade: _Trade) -> float:
    return trade.border_mm + trade.mark_diameter_mm / 2


def _band(trade: _Trade, side_mm: float) -> tuple[tuple[tuple[float, float], ...], float] | None:
    """Return the code cells in the bottom band and the band's height; None where they do not fit."""
    left = _scale_y_x_mm(trade) + 1.5 + trade.web_mm
    right = side_mm - _mark_inset_mm(trade) - trade.mark_diameter_mm / 2 - trade.web_mm
    pitch = trade.cell_pitch_mm
    for n_rows in (2, 3, 4):
        n_columns = CODE_BITS // n_rows
        if left + n_columns * pitch - (pitch - trade.cell_diameter_mm) <= right:
            x0 = left + trade.cell_diameter_mm / 2
            y0 = trade.border_mm + trade.cell_diameter_mm / 2
            cells = tuple(
                (round(x0 + column * pitch, 6), round(y0 + (n_rows - 1 - row) * pitch, 6))
                for row in range(n_rows)
                for column in range(n_columns)
            )
            return cells, max(3.0, (n_rows - 1) * pitch + trade.cell_diameter_mm)
    return None


def _marks(trade: _Trade, width_mm: float, height_mm: float) -> tuple[Mark, ...]:
    """Return five round marks: one in each corner and a second one beside the lower-left one."""
    d, inset = trade.mark_diameter_mm, _mark_inset_mm(trade)
    places = {
        "lower-left": (inset, inset),
        "lower-left-2": (inset + d + trade.web_mm, inset),
        "lower-right": (width_mm - inset, inset),
        "upper-left": (inset, height_mm - inset),
        "upper-right": (width_mm - inset, height_mm - inset),
    }
    return tuple(Mark(name=name, x_mm=round(x, 6), y_mm=round(y, 6), diameter_mm=d) for name, (x, y) in places.items())


def mark_places() -> tuple[tuple[float, float, float], ...]:
    """Return how the round marks of stencils lie, whatever the size of the plate.

    Returns
    -------
    tuple of (float, float, float)
        For each process: distance of the corners' marks from the two sides, their diameter, and how far the fifth one
        is from that in its corner, mm.
    """
    return tuple((_mark_inset_mm(t), t.mark_diameter_mm, t.mark_diameter_mm + t.web_mm) for t in _TRADE.values())


def _scale_y_x_mm(trade: _Trade) -> float:
    """Return the x of the two slots that give the scale along y."""
    return _mark_inset_mm(trade) + 1.5 * trade.mark_diameter_mm + 2 * trade.web_mm + 1.5


def _scale_spots(trade: _Trade, width_mm: float, height_mm: float) -> list[Spot]:
    """Return two pairs of wide slots whose centres stand far apart along x and along y."""
    beside = _mark_inset_mm(trade) + trade.mark_diameter_mm / 2 + trade.web_mm + 0.5
    top = height_mm - trade.border_mm - 1.5
    x = _scale_y_x_mm(trade)
    low = trade.border_mm + 0.5
    places = [
        ("scale-x", beside, top, 90.0),
        ("scale-x", width_mm - beside, top, 90.0),
        ("scale-y", x, low, 0.0),
        ("scale-y", x, height_mm - low, 0.0),
    ]
    return [
        Spot(kind="slot", nominal_mm=1.0, length_mm=3.0, x_mm=x, y_mm=y, angle_deg=angle, group=group)
        for group, x, y, angle in places
    ]


def _needed_side_mm(process: str, ladders: Mapping[str, Sequence[float]], *, repeats: int) -> float:
    for side in range(20, 1001):
        plate = _set_out(process, ladders, side_mm=float(side), repeats=repeats)
        if plate is not None and plate.height_mm <= side:
            return float(side)
    return math.inf


def _feature_table(spots: Sequence[Spot], thickness_mm: float) -> pd.DataFrame:
    rows: list[dict[str, Any]] = []
    seen: dict[str, int] = {}
    for spot in spots:
        stem = spot.group if spot.group in ("round", "square") else f"{spot.group}-{spot.nominal_mm:.3g}"
        seen[stem] = seen.get(stem, 0) + 1
        rows.append(
            {
                "feature_id": f"{stem}-{seen[stem]}",
                "kind": spot.kind,
                "nominal_mm": round(spot.nominal_mm, 6),
                "length_mm": round(spot.length_mm, 6),
                "x_mm": round(spot.x_mm, 6),
                "y_mm": round(spot.y_mm, 6),
                "angle_deg": spot.angle_deg,
                "base_mm": 0.0,
                "height_mm": thickness_mm,
                "group": spot.group,
            }
        )
    return pd.DataFrame(rows, columns=list(FEATURE_COLUMNS))


def _scale_lines(features: pd.DataFrame) -> tuple[ScaleLine, ...]:
    lines = []
    for axis in ("x", "y"):
        chosen = features[features["group"] == f"scale-{axis}"].sort_values(f"{axis}_mm")
        for first, second in pairwise(chosen.itertuples()):
            distance = getattr(second, f"{axis}_mm") - getattr(first, f"{axis}_mm")
            lines.append(
                ScaleLine(
                    axis=axis,
                    from_feature=first.feature_id,
                    to_feature=second.feature_id,
                    nominal_mm=round(float(distance), 6),
                )
            )
    return tuple(lines)


def _piece(process: str, plate: _Plate, bits: tuple[int, ...], run_id: str, request: dict[str, Any]) -> Piece:
    trade = _TRADE[process]
    features = _feature_table(plate.spots, trade.thickness_mm)
    shape = json.dumps([process, plate.width_mm, plate.height_mm, features.to_dict("list")], sort_keys=True)
    wanted = request["smallest_mm"]
    return Piece(
        piece_id=f"stencil-{process}-{min(wanted.values()):g}-{hashlib.sha256(shape.encode()).hexdigest()[:6]}",
        kind="stencil",
        process=process,
        run_id=run_id,
        width_mm=plate.width_mm,
        height_mm=plate.height_mm,
        thickness_mm=trade.thickness_mm,
        outline=box(0.0, 0.0, plate.width_mm, plate.height_mm),
        openings=plate.openings,
        features=features,
        code=RunCode(run_id=run_id, bits=bits, cells_mm=plate.cells_mm, cell_diameter_mm=trade.cell_diameter_mm),
        marks=plate.marks,
        scale_lines=_scale_lines(features),
        parameters=request,
    )
