"""Solids: the silhouette extruded, written as STL and 3MF."""

from __future__ import annotations

import zipfile
from pathlib import Path
from xml.sax.saxutils import escape, quoteattr

import numpy as np
import trimesh
from manifold3d import CrossSection, FillRule, Manifold
from numpy.typing import NDArray

from sharpset.errors import PieceError
from sharpset.pieces.model import Piece

__all__ = ["solid_of", "write_3mf", "write_stl"]

_CORE = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
_OWN = "urn:sharpset:piece"
_CONTENT_TYPES = (
    '<?xml version="1.0" encoding="UTF-8"?>\n'
    '<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types">'
    '<Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
    '<Default Extension="model" ContentType="application/vnd.ms-package.3dmanufacturing-3dmodel+xml"/></Types>'
)
_RELATIONS = (
    '<?xml version="1.0" encoding="UTF-8"?>\n'
    '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">'
    '<Relationship Id="r0" Target="/3D/3dmodel.model" '
    'Type="http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"/></Relationships>'
)


def solid_of(piece: Piece) -> trimesh.Trimesh:
    """Return the piece as a closed mesh in mm, its underside at z = 0.

    Raises
    ------
    PieceError
        If the mesh is not watertight (which a valid layout never gives).
    """
    shape = piece.silhouette()
    rings = [np.asarray(shape.exterior.coords[:-1]), *(np.asarray(ring.coords[:-1]) for ring in shape.interiors)]
    section = CrossSection([ring.tolist() for ring in rings], FillRule.EvenOdd)
    mesh = Manifold.extrude(section, piece.thickness_mm).to_mesh64()
    solid = trimesh.Trimesh(np.asarray(mesh.vert_properties)[:, :3], np.asarray(mesh.tri_verts), process=False)
    if not solid.is_watertight:
        raise PieceError(f"{piece.piece_id}: the solid is not watertight; openings touch each other")
    return solid


def write_stl(solid: trimesh.Trimesh, path: Path) -> None:
    """Write a binary STL (mm)."""
    path.write_bytes(solid.export(file_type="stl"))


def _numbers(values: NDArray[np.floating]) -> list[list[str]]:
    return [[f"{value:.6f}".rstrip("0").rstrip(".") for value in row] for row in values]


def write_3mf(solid: trimesh.Trimesh, path: Path, *, metadata: dict[str, str]) -> None:
    """Write a 3MF package (unit millimetre); the same solid always gives the same bytes.

    References
    ----------
    3MF Core Specification 1.3, sections 3 (document) and 4 (object resources).
    """
    vertices = "".join(f'<vertex x="{x}" y="{y}" z="{z}"/>' for x, y, z in _numbers(np.asarray(solid.vertices)))
    triangles = "".join(f'<triangle v1="{a}" v2="{b}" v3="{c}"/>' for a, b, c in solid.faces.tolist())
    notes = "".join(f"<metadata name={quoteattr(name)}>{escape(text)}</metadata>" for name, text in metadata.items())
    model = (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        f'<model unit="millimeter" xml:lang="en-US" xmlns="{_CORE}" xmlns:s="{_OWN}">{notes}<resources>'
        f'<object id="1" type="model"><mesh><vertices>{vertices}</vertices><triangles>{triangles}</triangles></mesh>'
        '</object></resources><build><item objectid="1"/></build></model>'
    )
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as package:
        for name, text in (
            ("[Content_Types].xml", _CONTENT_TYPES),
            ("_rels/.rels", _RELATIONS),
            ("3D/3dmodel.model", model),
        ):
            entry = zipfile.ZipInfo(name, date_time=(1980, 1, 1, 0, 0, 0))
            entry.compress_type = zipfile.ZIP_DEFLATED
            package.writestr(entry, text)
