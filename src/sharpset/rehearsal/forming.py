"""How one print forms the features of a piece, each with its own chance and scatter."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
import shapely
from shapely import affinity
from shapely.geometry import Polygon, box

from sharpset.errors import RehearsalError
from sharpset.pieces import Piece, feature_shape
from sharpset.rehearsal.behaviour import Behaviour
from sharpset.rehearsal.edges import Roughness, Strip, make_strip, rough_circle, rough_ring
from sharpset.rehearsal.printed import TRUTH_COLUMNS, PrintedPiece, across_scale, shrink_matrix

__all__ = ["form_piece"]

_ROOT_MM = 0.4
"""How far a bar is drawn on into the solid beside its window."""
_KINDS = ("slot", "bar", "hole", "square")


@dataclass(frozen=True, kw_only=True, slots=True)
class _Drawn:
    """One row of the piece's table of features."""

    feature_id: str
    kind: str
    nominal_mm: float
    length_mm: float
    x_mm: float
    y_mm: float
    angle_deg: float


def _drawn(piece: Piece) -> list[_Drawn]:
    names = ("nominal_mm", "length_mm", "x_mm", "y_mm", "angle_deg")
    return [
        _Drawn(feature_id=str(row["feature_id"]), kind=str(row["kind"]), **{name: float(row[name]) for name in names})
        for row in piece.features.to_dict("records")
    ]


@dataclass(kw_only=True)
class _Formed:
    """What became of one feature, in the piece frame before shrinkage."""

    x_mm: float
    y_mm: float
    width_mm: float
    present_share: float
    roughness_mm: float
    shapes: list[Polygon]
    seams: list[Polygon]
    chance: float
    strip: Strip | None = None
    to_piece: tuple[float, ...] = ()

    def polygons(self) -> list[Polygon]:
        """Return its openings, or for a bar its solid parts."""
        if self.strip is None:
            return self.shapes
        return [affinity.affine_transform(part, list(self.to_piece)) for part in self.strip.polygons().geoms]

    @property
    def formed(self) -> str:
        if self.present_share >= 0.9:
            return "yes"
        return "no" if self.present_share <= 0.1 else "partly"


def form_piece(
    piece: Piece, behaviour: Behaviour, *, printer: str, settings: Mapping[str, float], seed: int, shapes: bool = True
) -> PrintedPiece:
    """Form every feature of a piece.

    Parameters
    ----------
    piece : Piece
    behaviour : Behaviour
        Of this very print.
    printer : str
    settings : mapping of str to float
    seed : int
    shapes : bool
        Whether to draw the silhouette.

    Returns
    -------
    PrintedPiece

    Raises
    ------
    RehearsalError
        If the piece has a kind of feature that the rehearsal cannot print.
    """
    strange = sorted(set(piece.features["kind"]) - set(_KINDS))
    if strange:
        raise RehearsalError(
            f"{piece.piece_id}: the rehearsal cannot print a feature of kind {strange[0]!r}; "
            f"it prints {', '.join(_KINDS)}."
        )
    formed: dict[str, _Formed] = {}
    for k, row in enumerate(_drawn(piece)):
        rng = np.random.default_rng([seed, 2, k])
        form = {"slot": _form_strip, "bar": _form_strip, "hole": _form_hole, "square": _form_square}[row.kind]
        formed[row.feature_id] = form(row, behaviour, rng)
    shell, voids = _silhouette(piece, behaviour, formed, seed) if shapes else (Polygon(), [])
    matrix = shrink_matrix(piece, behaviour)
    flat = [*matrix[:, :2].ravel(), *matrix[:, 2]]
    return PrintedPiece(
        piece=piece,
        printer=printer,
        settings=dict(settings),
        seed=seed,
        behaviour=behaviour,
        truth=_truth(piece, formed, matrix),
        whole={
            "growth_outline_mm": behaviour.growth_outline_mm,
            "growth_slot_mm": behaviour.growth_slot_mm,
            "scale_x": behaviour.scale_x,
            "scale_y": behaviour.scale_y,
            "skew": behaviour.skew,
            "corner_radius_mm": behaviour.corner_radius_mm,
        },
        strips={name: f.strip for name, f in formed.items() if f.strip is not None},
        shell=affinity.affine_transform(shell, flat),
        voids=tuple(affinity.affine_transform(void, flat) for void in voids),
        seams=tuple(affinity.affine_transform(s, flat) for f in formed.values() for s in f.seams) if shapes else (),
    )


def _silhouette(
    piece: Piece, behaviour: Behaviour, formed: Mapping[str, _Formed], seed: int
) -> tuple[Polygon, list[Polygon]]:
    """Return the outer border and all openings, before shrinkage."""
    voids = [shape for row, f in zip(_drawn(piece), formed.values(), strict=True)
             if row.kind != "bar" for shape in f.polygons()]  # fmt: skip
    voids += _windows(piece, behaviour, formed, np.random.default_rng([seed, 3]))
    rng = np.random.default_rng([seed, 4])
    cell = behaviour.mean_width_mm("hole", piece.code.cell_diameter_mm)
    voids += [
        rough_circle(x, y, cell, roughness=_roughness(behaviour, 45.0), rng=rng) for x, y in piece.code.open_cells_mm()
    ]
    shell = rough_ring(
        piece.outline,
        growth_mm=behaviour.growth_outline_mm,
        corner_radius_mm=behaviour.corner_radius_mm,
        roughness=_roughness(behaviour, 0.0),
        rng=np.random.default_rng([seed, 5]),
    )
    return shell, voids


def _roughness(b: Behaviour, angle_deg: float) -> Roughness:
    slant = math.sin(2 * math.radians(angle_deg)) ** 2
    share = b.ripple_on_axes + (1 - b.ripple_on_axes) * slant
    return Roughness(
        sd_mm=b.roughness_mm, correlation_mm=b.correlation_mm, ripple_mm=b.ripple_mm * share, pitch_mm=b.ripple_pitch_mm
    )


def _fate(row: _Drawn, b: Behaviour, rng: np.random.Generator) -> tuple[str, float]:
    """Draw whether a feature forms: yes, partly or no, and the chance it had."""
    chance = b.chance_formed(row.kind, row.nominal_mm, angle_deg=row.angle_deg)
    flaw = b.flaw_chance_of(row.kind, row.nominal_mm, angle_deg=row.angle_deg)
    luck, second = rng.uniform(size=2)
    if luck < chance:
        return ("partly" if second < flaw else "yes"), chance
    # Near the limit a failure is often half a success.
    return ("partly" if second < 0.9 * chance else "no"), chance


def _snapped(lower: float, upper: float, b: Behaviour) -> tuple[float, float]:
    """Move two borders towards the pixel grid."""
    if b.pixel_mm <= 0:
        return lower, upper
    return tuple(e + b.pixel_snap * (round(e / b.pixel_mm) * b.pixel_mm - e) for e in (lower, upper))  # type: ignore[return-value]


def _gone(fate: str, length_mm: float, rng: np.random.Generator) -> list[tuple[float, float]]:
    """Return the stretches that are closed or broken away."""
    if fate == "yes":
        return []
    if fate == "no":
        return [(-length_mm, length_mm)]
    total = rng.uniform(0.25, 0.75) * 0.8 * length_mm
    n = int(rng.integers(1, 4))
    parts = rng.dirichlet(np.full(n, 4.0)) * total
    slack = 0.8 * length_mm - total
    gaps = rng.dirichlet(np.ones(n + 1)) * slack
    start, out = -0.4 * length_mm, []
    for part, gap in zip(parts, gaps[:-1], strict=True):
        out.append((start + gap, start + gap + part))
        start += gap + part
    return out


def _form_strip(row: _Drawn, b: Behaviour, rng: np.random.Generator) -> _Formed:
    kind, nominal, length = row.kind, row.nominal_mm, row.length_mm
    angle = row.angle_deg
    fate, chance = _fate(row, b, rng)
    x = row.x_mm + rng.normal(0, b.place_scatter_mm)
    y = row.y_mm + rng.normal(0, b.place_scatter_mm)
    width = max(b.mean_width_mm(kind, nominal) + rng.normal(0, b.width_scatter_mm), 0.02)
    shift = 0.0
    if angle % 90 == 0:
        across = y if angle % 180 == 0 else -x
        low, high = _snapped(across - width / 2, across + width / 2, b)
        width, shift = max(high - low, 0.02), (low + high) / 2 - across
    strip = make_strip(
        nominal_length_mm=length,
        length_mm=length + 2 * _ROOT_MM if kind == "bar" else max(length - 2 * b.growth_slot_mm, 0.2 * length),
        width_mm=width,
        shift_mm=shift,
        corner_radius_mm=0.0 if kind == "bar" else b.corner_radius_mm,
        roughness=_roughness(b, angle),
        rng=rng,
        gone=_gone(fate, length, rng),
    )
    turn = math.radians(angle)
    cos, sin = math.cos(turn), math.sin(turn)
    flat = [cos, -sin, sin, cos, x, y]
    centre = strip.centre_mm()
    present = strip.present_share()
    seams = []
    if kind == "slot" and present < 0.9:
        groove = box(-length / 2, -0.02, length / 2, 0.02)
        seams.append(affinity.affine_transform(groove, flat))
    lost = present <= 0.1
    return _Formed(
        x_mm=math.nan if lost else x - sin * centre,
        y_mm=math.nan if lost else y + cos * centre,
        width_mm=math.nan if lost else strip.width_mm(),
        present_share=present,
        roughness_mm=math.nan if lost else strip.edge_roughness_mm(),
        shapes=[],
        seams=seams,
        chance=chance,
        strip=strip,
        to_piece=tuple(flat),
    )


def _form_hole(row: _Drawn, b: Behaviour, rng: np.random.Generator) -> _Formed:
    nominal = row.nominal_mm
    fate, chance = _fate(row, b, rng)
    x = row.x_mm + rng.normal(0, b.place_scatter_mm)
    y = row.y_mm + rng.normal(0, b.place_scatter_mm)
    diameter = max(b.mean_width_mm("hole", nominal) + rng.normal(0, b.width_scatter_mm), 0.03)
    rough = _roughness(b, 45.0)
    hole = rough_circle(x, y, diameter, roughness=rough, rng=rng)
    if fate == "yes":
        radius = np.hypot(*(shapely.get_coordinates(hole)[:-1] - (x, y)).T)
        return _Formed(
            x_mm=x, y_mm=y, width_mm=diameter, present_share=1.0, roughness_mm=float(radius.std()),
            shapes=[hole], seams=[], chance=chance,
        )  # fmt: skip
    dimple = hole.buffer(-0.2 * diameter)
    seams = [dimple] if dimple.geom_type == "Polygon" and not dimple.is_empty else []
    if fate == "no":
        return _Formed(
            x_mm=math.nan, y_mm=math.nan, width_mm=math.nan, present_share=0.0, roughness_mm=math.nan,
            shapes=[], seams=seams, chance=chance,
        )  # fmt: skip
    # A flap of material covers part of a hole that formed partly.
    turn = rng.uniform(0, 360)
    edge = rng.uniform(-0.25, 0.25) * diameter
    flap = affinity.translate(affinity.rotate(box(edge, -nominal, 2 * nominal, nominal), turn, origin=(0, 0)), x, y)
    left = hole.difference(flap)
    parts = [p for p in shapely.get_parts(left) if p.geom_type == "Polygon"]
    return _Formed(
        x_mm=float(left.centroid.x), y_mm=float(left.centroid.y), width_mm=2 * math.sqrt(left.area / math.pi),
        present_share=left.area / hole.area, roughness_mm=math.nan, shapes=parts, seams=[], chance=chance,
    )  # fmt: skip


def _form_square(row: _Drawn, b: Behaviour, rng: np.random.Generator) -> _Formed:
    nominal = row.nominal_mm
    x = row.x_mm + rng.normal(0, b.place_scatter_mm)
    y = row.y_mm + rng.normal(0, b.place_scatter_mm)
    shape = feature_shape("square", nominal_mm=nominal, length_mm=nominal, x_mm=x, y_mm=y, angle_deg=row.angle_deg)
    ring = rough_ring(
        shape,
        growth_mm=-b.growth_outline_mm + rng.normal(0, b.width_scatter_mm) / 2,
        corner_radius_mm=b.corner_radius_mm,
        roughness=_roughness(b, 0.0),
        rng=rng,
    )
    upright = affinity.rotate(ring, -row.angle_deg, origin=(x, y))
    half, far = 0.4 * nominal, 2 * nominal
    bands = (box(x - half, y - far, x + half, y + far), box(x - far, y - half, x + far, y + half))
    width = float(np.mean([upright.intersection(band).area / (2 * half) for band in bands]))
    return _Formed(
        x_mm=x, y_mm=y, width_mm=width, present_share=1.0, roughness_mm=b.roughness_mm, shapes=[ring], seams=[],
        chance=1.0,
    )  # fmt: skip


def _windows(piece: Piece, b: Behaviour, formed: Mapping[str, _Formed], rng: np.random.Generator) -> list[Polygon]:
    """Return the printed openings: windows with their bars taken out, and plain ones."""
    nominal = {
        row.feature_id: feature_shape(
            "bar",
            nominal_mm=row.nominal_mm,
            length_mm=row.length_mm,
            x_mm=row.x_mm,
            y_mm=row.y_mm,
            angle_deg=row.angle_deg,
        )
        for row in _drawn(piece)
        if row.kind == "bar"
    }
    whole = shapely.union_all([*piece.openings, *nominal.values()])
    whole = whole.buffer(1e-4, join_style="mitre").buffer(-1e-4, join_style="mitre")
    bars = shapely.STRtree([nominal[name].centroid for name in nominal]) if nominal else None
    names = list(nominal)
    out: list[Polygon] = []
    for window in shapely.get_parts(whole):
        ring = rough_ring(
            window,
            growth_mm=-b.growth_outline_mm,
            corner_radius_mm=b.corner_radius_mm,
            roughness=_roughness(b, 0.0),
            rng=rng,
        )
        inside = bars.query(window, predicate="contains") if bars is not None else ()
        solids = [shape for k in inside for shape in formed[names[k]].polygons()]
        left = ring.buffer(0).difference(shapely.union_all([s.buffer(0) for s in solids])) if solids else ring
        out += [part for part in shapely.get_parts(left) if part.geom_type == "Polygon" and part.area > 1e-6]
    return out


def _truth(piece: Piece, formed: Mapping[str, _Formed], matrix: np.ndarray) -> pd.DataFrame:
    rows = []
    round_scale = math.sqrt(float(np.linalg.det(matrix[:, :2])))
    for row in _drawn(piece):
        f = formed[row.feature_id]
        strip = row.kind in ("slot", "bar")
        scale = across_scale(matrix, row.angle_deg) if strip else round_scale
        x, y = matrix[:, :2] @ (f.x_mm, f.y_mm) + matrix[:, 2]
        rows.append(
            {
                "run_id": piece.run_id,
                "piece_id": piece.piece_id,
                "feature_id": row.feature_id,
                "kind": row.kind,
                "nominal_mm": row.nominal_mm,
                "angle_deg": row.angle_deg,
                "formed": f.formed,
                "present_share": f.present_share,
                "true_width_mm": f.width_mm * scale,
                "x_mm": x,
                "y_mm": y,
                "x_dev_mm": x - row.x_mm,
                "y_dev_mm": y - row.y_mm,
                "edge_roughness_mm": f.roughness_mm,
                "chance_formed": f.chance,
            }
        )
    return pd.DataFrame(rows, columns=list(TRUTH_COLUMNS))
