"""Every valid request gives a sound piece, every other one a refusal with its numbers."""

from __future__ import annotations

import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import STRtree
from shapely.geometry import LinearRing

from sharpset.brief import Brief
from sharpset.errors import PieceError
from sharpset.pieces import FEATURE_COLUMNS, Piece, make_stencil, stencil_from_brief
from sharpset.pieces.solid import solid_of

# Thinnest web that the layout may leave between two openings, and thinnest border (mm).
SMALLEST_WEB_MM = {"filament": 1.0, "resin": 0.8}
SMALLEST_BORDER_MM = 1.2
ROUNDING_MM = 2e-6  # table and description are rounded to 1e-6 mm, once for each of two shapes


def openings_too_close(piece: Piece) -> list[str]:
    """Return the pairs of openings that lie closer than the web, gaps of one window of bars left out.

    Every bar must stand between two gaps that lie its own width apart; gaps joined by bars make one
    window.
    """
    voids = piece.void_shapes()
    centres = np.array([void.centroid.coords[0] for void in voids])
    near = [pair for pair in STRtree(voids).query(voids, predicate="dwithin", distance=10.0).T if pair[0] < pair[1]]
    distances = np.array([voids[first].distance(voids[second]) for first, second in near])
    middles = np.array([(centres[first] + centres[second]) / 2 for first, second in near])
    window = list(range(len(voids)))
    for bar in piece.features.query("kind == 'bar'").itertuples():
        beside = np.abs(distances - bar.nominal_mm) < ROUNDING_MM
        reach = np.where(beside, np.hypot(middles[:, 0] - bar.x_mm, middles[:, 1] - bar.y_mm), np.inf)
        first, second = near[int(reach.argmin())]
        # The gaps beside a bar are equally wide, so their middle is the bar's own.
        assert reach.min() < 1e-5, bar.feature_id
        window = [window[first] if label == window[second] else label for label in window]
    return [
        f"openings at {centres[first]} and {centres[second]}: {distance:.6f} mm"
        for (first, second), distance in zip(near, distances, strict=True)
        if distance < SMALLEST_WEB_MM[piece.process] - ROUNDING_MM and window[first] != window[second]
    ]


@given(
    process=st.sampled_from(["filament", "resin"]),
    bar=st.floats(0.02, 3.0),
    slot=st.floats(0.02, 3.0),
    hole=st.floats(0.02, 3.0),
    one_size=st.booleans(),
    size_mm=st.one_of(st.none(), st.floats(15.0, 250.0)),
    repeats=st.integers(2, 3),
    series=st.sampled_from(["R10", "R20"]),
)
@settings(max_examples=40, deadline=None)
def test_every_request_is_sound_or_refused_with_numbers(process, bar, slot, hole, one_size, size_mm, repeats, series):
    wanted = bar if one_size else {"bar": bar, "slot": slot, "hole": hole}
    try:
        piece = make_stencil(
            process=process, smallest_mm=wanted, size_mm=size_mm, repeats=repeats, series=series, run_id="R12"
        )
    except PieceError as error:
        needed = re.search(r"needs a square of about (\d+) mm", str(error))
        assert needed, str(error)
        if size_mm is not None:
            assert float(needed[1]) > size_mm - 1
        return
    side = size_mm if size_mm is not None else 200.0
    assert piece.width_mm <= side
    assert piece.height_mm <= side

    assert tuple(piece.features.columns) == FEATURE_COLUMNS
    assert piece.features["feature_id"].is_unique
    assert not piece.features.drop(columns=["feature_id", "kind", "group"]).isna().any(axis=None)

    border = LinearRing(piece.outline.exterior.coords)
    for void in piece.void_shapes():
        assert piece.outline.contains(void)
        assert void.distance(border) >= SMALLEST_BORDER_MM - ROUNDING_MM
    assert openings_too_close(piece) == []

    solid = solid_of(piece)
    assert solid.is_watertight
    assert solid.is_winding_consistent
    assert solid.body_count == 1
    flat_area = piece.outline.area - sum(void.area for void in piece.void_shapes())
    assert solid.volume == pytest.approx(flat_area * piece.thickness_mm, rel=1e-6)
    np.testing.assert_allclose(
        solid.bounds, [[0, 0, 0], [piece.width_mm, piece.height_mm, piece.thickness_mm]], atol=1e-9
    )


@pytest.mark.parametrize("process", ["filament", "resin"])
def test_ladders_stand_around_the_wanted_sizes_in_every_direction(process):
    wanted = {"bar": 0.25, "slot": 0.20, "hole": 0.40}
    features = make_stencil(process=process, smallest_mm=wanted).features
    for kind in ("bar", "slot"):
        for angle in (0.0, 45.0, 90.0):
            chosen = features[(features["group"] == f"{kind}s-{angle:.0f}")]
            counts = chosen["nominal_mm"].value_counts()
            assert (counts == 2).all()
            assert wanted[kind] in counts.index
            assert (counts.index < wanted[kind]).sum() == 4
            assert (counts.index > wanted[kind]).sum() == 4
            assert (chosen["angle_deg"] == angle).all()
    holes = features[features["group"] == "holes"]["nominal_mm"].value_counts()
    assert (holes == 4).all()
    assert (holes.index < 0.40).sum() == 4
    assert (holes.index > 0.40).sum() == 4


def test_marks_tell_every_turn_and_the_mirror_image_apart():
    piece = make_stencil()
    points = np.array([[m.x_mm, m.y_mm] for m in piece.marks])
    centre = np.array([piece.width_mm, piece.height_mm]) / 2
    own = {tuple(np.round(p, 3)) for p in points - centre}
    poses = [
        np.array([[c, -s], [s, c]]) @ np.diag([m, 1]) for c, s in ((1, 0), (0, 1), (-1, 0), (0, -1)) for m in (1, -1)
    ]
    same = [pose for pose in poses if {tuple(np.round(pose @ p, 3)) for p in points - centre} == own]
    assert len(same) == 1


def test_scale_lines_name_features_that_far_apart():
    piece = make_stencil(process="resin")
    table = piece.features.set_index("feature_id")
    assert {line.axis for line in piece.scale_lines} == {"x", "y"}
    for line in piece.scale_lines:
        first, second = table.loc[line.from_feature], table.loc[line.to_feature]
        assert second[f"{line.axis}_mm"] - first[f"{line.axis}_mm"] == pytest.approx(line.nominal_mm, abs=ROUNDING_MM)
        extent = piece.width_mm if line.axis == "x" else piece.height_mm
        assert line.nominal_mm > 0.7 * extent


def test_piece_id_names_the_geometry_and_not_the_run():
    assert make_stencil(run_id="R01").piece_id == make_stencil(run_id="R02").piece_id
    assert make_stencil().piece_id != make_stencil(smallest_mm=0.3).piece_id


def test_pieces_of_two_runs_differ_in_their_code_only():
    first, second = make_stencil(run_id="R01"), make_stencil(run_id="R02")
    assert first.features.equals(second.features)
    assert first.code.cells_mm == second.code.cells_mm
    assert first.code.bits != second.code.bits


def test_brief_sizes_go_into_the_ladders():
    brief = Brief(name="davits", process="resin", smallest_mm={"bar": 0.12, "post": 0.3})
    piece = stencil_from_brief(brief)
    assert 0.12 in piece.features.query("group == 'bars-0'")["nominal_mm"].to_numpy()
    assert piece.parameters["smallest_mm"] == {"bar": 0.12, "slot": 0.15, "hole": 0.25}


@pytest.mark.parametrize(
    ("request_", "words"),
    [
        ({"process": "laser"}, ("'laser'", "filament, resin")),
        ({"smallest_mm": 0.0}, ("0 mm", "0.02 to 3 mm")),
        ({"smallest_mm": float("nan")}, ("nan mm", "0.02 to 3 mm")),
        ({"smallest_mm": 5.0}, ("5 mm", "0.02 to 3 mm")),
        ({"size_mm": 5.0}, ("5 mm", "10 to 1000 mm")),
        ({"size_mm": float("inf")}, ("inf mm", "10 to 1000 mm")),
        ({"size_mm": 20.0}, ("20 mm", "--size")),
        ({"repeats": 1}, ("repeats 1", "twice")),
        ({"series": "R7"}, ("'R7'", "R10, R20")),
        ({"run_id": " "}, ("' '", "R07")),
        ({"run_id": "x" * 61}, ("1 to 60",)),
    ],
)
def test_requests_that_cannot_be_met_are_refused_in_words(request_, words):
    with pytest.raises(PieceError) as caught:
        make_stencil(**request_)
    for word in words:
        assert word in str(caught.value)


def test_the_needed_size_in_a_refusal_does_hold_the_piece():
    with pytest.raises(PieceError) as caught:
        make_stencil(smallest_mm=0.3, size_mm=25.0)
    needed = re.search(r"about (\d+) mm", str(caught.value))
    assert needed
    assert make_stencil(smallest_mm=0.3, size_mm=float(needed[1])).width_mm <= float(needed[1])
