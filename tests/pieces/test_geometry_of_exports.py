"""The exported solids measured anew: sliced at half thickness, every feature's width against the table.

The route shares nothing with the code that made them: other readers open the files, the section is
a heap of straight segments, and widths are chords counted along a line.
"""

from __future__ import annotations

import math
from pathlib import Path

import lib3mf
import numpy as np
import pandas as pd
import pytest
import trimesh

from sharpset.pieces import load_piece, make_stencil, write_piece

TOLERANCE_MM = 0.001


def read_3mf_model(path: Path):
    """Return the model of a 3MF file, read by the 3MF Consortium's library in strict mode."""
    model = lib3mf.get_wrapper().CreateModel()
    reader = model.QueryReader("3mf")
    reader.SetStrictModeActive(True)
    reader.ReadFromFile(str(path))
    return model, reader.GetWarningCount()


def read_mesh(path: Path) -> trimesh.Trimesh:
    """Return the mesh of an STL or 3MF file in mm."""
    if path.suffix == ".stl":
        return trimesh.load(path)
    model, _ = read_3mf_model(path)
    meshes = model.GetMeshObjects()
    meshes.MoveNext()
    mesh = meshes.GetCurrentMeshObject()
    vertices = [list(vertex.Coordinates) for vertex in mesh.GetVertices()]
    faces = [list(triangle.Indices) for triangle in mesh.GetTriangleIndices()]
    return trimesh.Trimesh(vertices, faces)


def section_segments(mesh, z_mm):
    """Return the straight segments where a horizontal plane cuts the mesh, shape (n, 2, 2)."""
    segments = trimesh.intersections.mesh_plane(mesh, [0, 0, 1], [0, 0, z_mm])
    return np.asarray(segments)[:, :, :2]


def crossings(segments, centre, direction_deg):
    """Return where the section crosses a line through `centre`, as signed distances along it (mm)."""
    turn = math.radians(direction_deg)
    along = np.array([math.cos(turn), math.sin(turn)])
    across = np.array([-along[1], along[0]])
    relative = segments - np.asarray(centre)
    height = relative @ across
    first, second = height[:, 0], height[:, 1]
    hit = (first > 0) != (second > 0)
    share = first[hit] / (first[hit] - second[hit])
    distance = relative[hit] @ along
    return np.sort(distance[:, 0] + share * (distance[:, 1] - distance[:, 0]))


def chord(segments, centre, direction_deg):
    """Return the length of the stretch around `centre` and whether it is solid."""
    places = crossings(segments, centre, direction_deg)
    before, after = places[places < 0], places[places > 0]
    assert len(before) and len(after)
    return after[0] - before[-1], len(before) % 2 == 1


REQUESTS = [
    ("filament", {"smallest_mm": {"bar": 0.25, "slot": 0.20, "hole": 0.40}}),
    ("filament", {"smallest_mm": 0.6, "series": "R20"}),
    ("resin", {}),
    ("resin", {"smallest_mm": 0.05}),
]


@pytest.fixture(scope="module", params=range(len(REQUESTS)), ids=lambda k: f"{REQUESTS[k][0]}-{k}")
def folder(request, tmp_path_factory):
    process, wanted = REQUESTS[request.param]
    return write_piece(
        make_stencil(process=process, run_id="R05", **wanted),
        tmp_path_factory.mktemp("piece"),
        preview=False,
    )


@pytest.mark.parametrize("name", ["piece.stl", "piece.3mf"])
def test_widths_in_the_file_agree_with_the_table(folder, name):
    mesh = read_mesh(folder / name)
    assert mesh.is_watertight
    table = pd.read_csv(folder / "features.csv")
    height = table["height_mm"].iloc[0]
    # Off the exact middle: no vertex lies in the plane, and every wall is upright.
    segments = section_segments(mesh, height * 0.437)
    assert len(table) > 100
    for row in table.itertuples():
        centre = (row.x_mm, row.y_mm)
        across = [row.angle_deg + 90.0] if row.kind in ("slot", "bar") else [90.0, 0.0]
        if row.kind == "hole":
            across += [17.0, 45.0, 121.0]
        for direction in across:
            width, solid = chord(segments, centre, direction)
            assert width == pytest.approx(row.nominal_mm, abs=TOLERANCE_MM), (row.feature_id, direction)
            assert solid == (row.kind == "bar"), row.feature_id
        if row.kind in ("slot", "bar"):
            length, _ = chord(segments, centre, row.angle_deg)
            if row.kind == "slot":
                assert length == pytest.approx(row.length_mm, abs=TOLERANCE_MM), row.feature_id
            else:
                # A bar runs on into the plate at both ends.
                assert length >= row.length_mm - TOLERANCE_MM, row.feature_id


def test_features_are_centred_where_the_table_says(folder):
    mesh = read_mesh(folder / "piece.stl")
    segments = section_segments(mesh, pd.read_csv(folder / "features.csv")["height_mm"].iloc[0] * 0.437)
    for row in pd.read_csv(folder / "features.csv").itertuples():
        places = crossings(segments, (row.x_mm, row.y_mm), row.angle_deg + 90.0)
        middle = (places[places > 0][0] + places[places < 0][-1]) / 2
        assert middle == pytest.approx(0.0, abs=TOLERANCE_MM), row.feature_id


def test_strict_reader_takes_the_3mf_without_a_warning(folder):
    model, n_warnings = read_3mf_model(folder / "piece.3mf")
    assert n_warnings == 0
    assert model.GetUnit() == lib3mf.ModelUnit.MilliMeter
    meshes = model.GetMeshObjects()
    assert meshes.MoveNext()
    mesh = meshes.GetCurrentMeshObject()
    assert mesh.IsManifoldAndOriented()
    assert not meshes.MoveNext()
    group = model.GetMetaDataGroup()
    notes = {}
    for index in range(group.GetMetaDataCount()):
        entry = group.GetMetaData(index)
        notes[entry.GetName()] = entry.GetValue()
    piece = load_piece(folder)
    assert notes["run"] == "R05"
    assert notes["piece"] == piece.piece_id


def test_run_code_is_in_the_solid(folder):
    piece = load_piece(folder)
    mesh = read_mesh(folder / "piece.stl")
    segments = section_segments(mesh, piece.thickness_mm * 0.437)
    seen = []
    for cell in piece.code.cells_mm:
        width, solid = chord(segments, cell, 33.0)
        seen.append(0 if solid else 1)
        if not solid:
            assert width == pytest.approx(piece.code.cell_diameter_mm, abs=TOLERANCE_MM)
    assert tuple(seen) == piece.code.bits


def test_same_request_gives_the_same_bytes(tmp_path):
    for name in ("a", "b"):
        write_piece(make_stencil(process="resin", run_id="R02"), tmp_path / name)
    for path in sorted((tmp_path / "a").iterdir()):
        assert path.read_bytes() == (tmp_path / "b" / path.name).read_bytes(), path.name
