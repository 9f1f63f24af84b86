"""A test piece and its folder: ``piece.json`` and ``features.csv``."""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import pandas as pd
import shapely
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from sharpset.errors import PieceError
from sharpset.pieces.code import RunCode
from sharpset.pieces.geometry import circle, feature_shape

__all__ = ["FEATURE_COLUMNS", "FORMAT_VERSION", "Mark", "Piece", "ScaleLine", "load_piece"]

FORMAT_VERSION = 1
FEATURE_COLUMNS = (
    *("feature_id", "kind", "nominal_mm", "length_mm", "x_mm", "y_mm", "angle_deg"),
    *("base_mm", "height_mm", "group"),
)


_KEPT = 8
"""Pieces whose outlines are kept at hand."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Mark:
    """A round hole by which the piece is found on the glass; (x, y) is its centre in the piece frame."""

    name: str
    x_mm: float
    y_mm: float
    diameter_mm: float


@dataclass(frozen=True, kw_only=True, slots=True)
class ScaleLine:
    """Two features whose centres give the scale along one axis of the piece frame."""

    axis: str
    from_feature: str
    to_feature: str
    nominal_mm: float


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Piece:
    """A test piece: a flat plate whose features all go through it.

    Two pieces are equal where they are the same object, so that what is worked out for a piece can be kept.

    Attributes
    ----------
    piece_id : str
        Names the geometry; all prints of one piece share it.
    kind : str
        'stencil'.
    process : {'filament', 'resin'}
    run_id : str
        The run that the code on this piece names.
    width_mm, height_mm, thickness_mm : float
        Extent along x, y and z.
    outline : shapely.Polygon
        Outer border in the piece frame (origin lower left, seen from above).
    openings : tuple of shapely.Polygon
        Openings that are no features themselves: gaps beside bars, the slanted window.
    features : pandas.DataFrame
        Columns `FEATURE_COLUMNS`; lengths mm, angles degrees.
    code : RunCode
    marks : tuple of Mark
    scale_lines : tuple of ScaleLine
    parameters : dict
        What the piece was made from.
    """

    piece_id: str
    kind: str
    process: str
    run_id: str
    width_mm: float
    height_mm: float
    thickness_mm: float
    outline: Polygon
    openings: tuple[Polygon, ...]
    features: pd.DataFrame
    code: RunCode
    marks: tuple[Mark, ...]
    scale_lines: tuple[ScaleLine, ...]
    parameters: dict[str, Any]
    version: int = FORMAT_VERSION

    def feature_shapes(self) -> list[Polygon]:
        """Return the nominal outline of every feature, in the order of the table."""
        return list(_feature_shapes(self))

    def void_shapes(self) -> list[Polygon]:
        """Return every opening of the nominal piece, one polygon each, none overlapping another."""
        kinds = self.features["kind"]
        voids = [shape for shape, kind in zip(self.feature_shapes(), kinds, strict=True) if kind != "bar"]
        cells = [circle(x, y, self.code.cell_diameter_mm) for x, y in self.code.open_cells_mm()]
        return [*voids, *self.openings, *cells]

    def code_cells(self) -> list[Polygon]:
        """Return every cell of the run code; which ones are open differs from print to print."""
        return [circle(x, y, self.code.cell_diameter_mm) for x, y in self.code.cells_mm]

    def silhouette(self) -> BaseGeometry:
        """Return what is solid, as seen from above."""
        holes = [list(void.exterior.coords) for void in self.void_shapes()]
        return Polygon(self.outline.exterior.coords, holes)

    def summary(self) -> str:
        """Return the piece in one line."""
        counts = self.features["kind"].value_counts()
        what = ", ".join(f"{counts[kind]} {kind}s" for kind in ("slot", "bar", "hole") if kind in counts)
        size = f"{self.width_mm:g} x {self.height_mm:g} x {self.thickness_mm:g} mm"
        return f"{self.piece_id}, run {self.run_id}: {size}, {what}"

    def to_json(self) -> dict[str, Any]:
        """Return everything but the feature table as plain values."""
        return {
            "id": self.piece_id,
            "kind": self.kind,
            "version": self.version,
            "units": "mm",
            "process": self.process,
            "run_id": self.run_id,
            "size_mm": [self.width_mm, self.height_mm],
            "thickness_mm": self.thickness_mm,
            "outline_mm": _points(self.outline),
            "openings_mm": [_points(opening) for opening in self.openings],
            "marks": [
                {"name": m.name, "x_mm": m.x_mm, "y_mm": m.y_mm, "diameter_mm": m.diameter_mm} for m in self.marks
            ],
            "code": {
                "run_id": self.code.run_id,
                "bits": "".join(str(bit) for bit in self.code.bits),
                "cell_diameter_mm": self.code.cell_diameter_mm,
                "cells_mm": [list(cell) for cell in self.code.cells_mm],
            },
            "scale_lines": [
                {"axis": s.axis, "from": s.from_feature, "to": s.to_feature, "nominal_mm": s.nominal_mm}
                for s in self.scale_lines
            ],
            "parameters": self.parameters,
        }


def _points(polygon: Polygon) -> list[list[float]]:
    return [[round(float(x), 6), round(float(y), 6)] for x, y in list(polygon.exterior.coords)[:-1]]


def load_piece(folder: Path | str) -> Piece:
    """Open a piece folder.

    Parameters
    ----------
    folder : path of a folder with ``piece.json`` and ``features.csv``

    Returns
    -------
    Piece

    Raises
    ------
    PieceError
        If a file is missing, damaged, newer than this version, or lacks a column.
    """
    folder = Path(folder)
    path = folder / "piece.json"
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise PieceError(
            f"{folder}: no piece folder ({path.name} cannot be read). 'sharpset piece stencil --out DIR' makes one."
        ) from error
    except ValueError as error:
        raise PieceError(f"{path}: damaged ({error}). Make the piece again with 'sharpset piece'.") from error
    features = _load_features(folder / "features.csv")
    try:
        return _from_json(data, features)
    except PieceError as error:
        raise PieceError(f"{path}: {error}") from error
    except (KeyError, TypeError, ValueError, shapely.errors.ShapelyError) as error:
        raise PieceError(
            f"{path}: not a piece description ({error!r} is missing or wrong). Make it again with 'sharpset piece'."
        ) from error


def _load_features(path: Path) -> pd.DataFrame:
    try:
        table = pd.read_csv(path, dtype={"feature_id": str, "kind": str, "group": str})
    except OSError as error:
        raise PieceError(f"{path}: cannot be read. A piece folder needs features.csv beside piece.json.") from error
    except ValueError as error:
        raise PieceError(f"{path}: not a table ({error}). Make the piece again with 'sharpset piece'.") from error
    missing = [name for name in FEATURE_COLUMNS if name not in table.columns]
    if missing:
        raise PieceError(f"{path}: column {missing[0]} is missing. Columns are {', '.join(FEATURE_COLUMNS)}.")
    numbers = table[["nominal_mm", "length_mm", "x_mm", "y_mm", "angle_deg"]].apply(pd.to_numeric, errors="coerce")
    if numbers.isna().any(axis=None):
        row = int(numbers.isna().any(axis=1).to_numpy().argmax())
        raise PieceError(f"{path}: row {row + 2} has a cell that is no number. Make the piece again.")
    if table["feature_id"].duplicated().any():
        name = table.loc[table["feature_id"].duplicated(), "feature_id"].iloc[0]
        raise PieceError(f"{path}: feature_id {name} stands twice. Each feature needs a name of its own.")
    return table


def _from_json(data: dict[str, Any], features: pd.DataFrame) -> Piece:
    if data["version"] > FORMAT_VERSION:
        raise PieceError(
            f"made by a newer sharpset (format {data['version']}, known to {FORMAT_VERSION}). Update sharpset."
        )
    if data["units"] != "mm":
        raise PieceError(f"units are {data['units']!r}; only mm is known")
    code = data["code"]
    return Piece(
        piece_id=data["id"],
        kind=data["kind"],
        version=data["version"],
        process=data["process"],
        run_id=data["run_id"],
        width_mm=data["size_mm"][0],
        height_mm=data["size_mm"][1],
        thickness_mm=data["thickness_mm"],
        outline=Polygon(data["outline_mm"]),
        openings=tuple(Polygon(points) for points in data["openings_mm"]),
        features=features,
        code=RunCode(
            run_id=code["run_id"],
            bits=tuple(int(bit) for bit in code["bits"]),
            cells_mm=tuple((float(x), float(y)) for x, y in code["cells_mm"]),
            cell_diameter_mm=code["cell_diameter_mm"],
        ),
        marks=tuple(Mark(**mark) for mark in data["marks"]),
        scale_lines=tuple(
            ScaleLine(axis=s["axis"], from_feature=s["from"], to_feature=s["to"], nominal_mm=s["nominal_mm"])
            for s in data["scale_lines"]
        ),
        parameters=data["parameters"],
    )


@lru_cache(maxsize=_KEPT)
def _feature_shapes(piece: Piece) -> tuple[Polygon, ...]:
    return tuple(
        feature_shape(
            row.kind,
            nominal_mm=row.nominal_mm,
            length_mm=row.length_mm,
            x_mm=row.x_mm,
            y_mm=row.y_mm,
            angle_deg=row.angle_deg,
        )
        for row in piece.features.itertuples()
    )
