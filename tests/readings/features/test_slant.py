"""Openings of a thick plate seen at a slant: geometry by hand and by shapely, and a whole picture with exact areas."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pandas as pd
import pytest
import shapely
from faulty_scenes import covered_share
from scipy.ndimage import gaussian_filter1d
from scipy.optimize import minimize_scalar
from scipy.special import ndtr
from shapely import affinity
from shapely.geometry import Point
from shapely.ops import unary_union

from sharpset.errors import ReadingError
from sharpset.pieces import Piece, make_stencil
from sharpset.readings import read_scan
from sharpset.readings.features.slant import hole_seen, hole_true, loss_of, wall_light
from sharpset.readings.results import ScanReading
from sharpset.readings.shade.wall_bands import edge_beside_band
from sharpset.scans import Viewing, Viewpoint, open_scan, scan_from_pixels
from sharpset.scans.encoding import LINEAR
from sharpset.scans.photo import RectifiedPhoto
from sharpset.scans.scale_note import ScaleNote, read_note, write_note
from sharpset.scans.scan import PixelSize

THICK_MM = 1.2
PIXEL_MM = 0.03


def seen_from(*points: tuple[float, float, float]) -> Viewing:
    return Viewing(points=tuple(Viewpoint(*point) for point in points), face_mm=THICK_MM)


def test_loss_by_hand() -> None:
    # 118.8 mm over the face of a plate 1.2 mm thick: a hundredth of the distance from the foot.
    view = seen_from((10.0, 5.0, 118.8))
    points = np.array([[30.0, 5.0], [30.0, 5.0], [0.0, 5.0]])
    normals = np.array([[1.0, 0.0], [0.0, 1.0], [1.0, 0.0]])
    loss = loss_of(points, normals, view, thickness_mm=THICK_MM)
    assert loss.width_mm == pytest.approx([0.2, 0.0, 0.1])
    # What is hidden is hidden on the side away from the foot, so that the middle moves towards it.
    assert loss.shift_mm == pytest.approx([-0.1, 0.0, 0.05])


def test_of_several_photographs_the_one_straight_above_counts() -> None:
    view = seen_from((0.0, 0.0, 118.8), (40.0, 0.0, 118.8))
    points = np.array([[10.0, 0.0], [20.0, 0.0], [40.0, 0.0]])
    loss = loss_of(points, np.tile([1.0, 0.0], (3, 1)), view, thickness_mm=THICK_MM)
    # A hundredth of 10 mm from the nearer foot; in the middle both count and hide one side each; under a lens nothing.
    assert loss.width_mm == pytest.approx([0.1, 0.2, 0.0], abs=1e-4)
    assert loss.shift_mm == pytest.approx([-0.05, 0.0, 0.0], abs=1e-4)


@pytest.mark.parametrize("moved", [[(0.1, 0.05)], [(0.2, 0.0), (-0.1, 0.15), (0.05, -0.2)]])
def test_hole_is_as_large_as_what_circles_have_in_common(moved: list[tuple[float, float]]) -> None:
    diameter = 0.8
    circle = Point(0, 0).buffer(diameter / 2, quad_segs=256)
    # The last photograph alone counts: the others are from further off.
    x, y = moved[-1]
    area = circle.intersection(affinity.translate(circle, -x, -y)).area
    parts = np.array([[0.0]] * (len(moved) - 1) + [[1.0]])
    # Seventy-two directions leave a thousandth of a diameter.
    seen = hole_seen(np.array([diameter]), np.array(moved)[:, None], parts)
    assert seen == pytest.approx([2 * np.sqrt(area / np.pi)], abs=1e-3)
    assert hole_true(seen, np.array(moved)[:, None], parts) == pytest.approx([diameter], abs=1e-6)


@pytest.mark.parametrize(("breadth", "share"), [(0.02, 0.4), (0.1, 0.2), (0.1, 0.7), (0.12, 0.3), (0.1, 1.0)])
def test_edge_beside_a_band_is_where_one_step_fits_best(breadth: float, share: float) -> None:
    blur = 0.04
    x = np.arange(-0.6, 0.8, 0.0005)
    # Light along the wall falls evenly to a quarter, but no wall is lighter than the face; blurred by sums.
    top = min(2 * share / 1.25, 1.0)
    wall = np.where(x < 0, 0.0, top + (2 * share - 2 * top) * x / breadth)
    sharp = np.where(x < 0, 1.0, np.where(x < breadth, wall, 0.0))
    seen = gaussian_filter1d(sharp, blur / 0.0005)
    found = minimize_scalar(
        lambda d: float(np.sum((seen - ndtr((d - x) / blur)) ** 2)), bounds=(-0.01, breadth + 0.01), method="bounded"
    )
    place = edge_beside_band(np.array([breadth]), np.array([share]), np.array([blur]))
    assert place == pytest.approx([found.x], abs=5e-4)
    # A narrow band moves the edge by its mean light.
    if breadth < blur:
        assert place == pytest.approx([share * breadth], rel=0.02)


@pytest.mark.parametrize(("share", "lamp"), [(0.0, 0.0), (0.4, 0.0), (1.0, 0.0), (0.5, 0.3)])
def test_light_of_walls_is_told_by_the_differences_within_rows(share: float, lamp: float) -> None:
    towards = np.radians([0.0, 45.0, 90.0])
    facing = np.repeat(np.column_stack((np.cos(towards), np.sin(towards))), 24, axis=0)
    true = share + lamp * facing[:, 0]  # a lamp along +x
    held = []
    for seed in range(60):
        rng = np.random.default_rng(seed)
        rows = np.repeat(np.arange(6), 12)
        loss = np.tile(np.linspace(0.02, 0.14, 12), 6) + rng.uniform(0, 0.05, 6)[rows]
        excess = rng.normal(0, 0.02, 6)[rows] + true * loss + rng.normal(0, 0.004, len(rows))
        walls = wall_light(excess, loss, facing, rows, np.full(len(rows), 1.0))  # a blur that hides the bands
        assert ((walls.share(facing) >= 0) & (walls.share(facing) <= 1)).all()
        assert walls.u_share(facing).max() < 0.08
        held.append(np.mean(np.abs(walls.share(facing) - true) <= 1.96 * walls.u_share(facing)))
    assert np.mean(held) >= 0.95


def test_nothing_told_leaves_everything_possible() -> None:
    none = np.zeros(0)
    walls = wall_light(none, none, np.zeros((0, 2)), np.zeros(0, dtype=np.intp), none)
    assert walls.share(np.array([[1.0, 0.0]])) == pytest.approx([0.5])
    # Anything from 0 to 1, and a quarter more or less towards a lamp.
    assert walls.u_share(np.array([[1.0, 0.0]])) == pytest.approx([np.hypot(1 / np.sqrt(12), 0.25)], rel=0.01)


def test_note_keeps_the_viewpoints_and_notes_without_them_are_still_read() -> None:
    note = ScaleNote(pixel_mm=0.03, u_scale=0.001, viewing=seen_from((10.0, 20.0, 200.0)))
    assert read_note(write_note(note)) == note
    plain = ScaleNote(pixel_mm=0.03, u_scale=0.001)
    assert read_note(write_note(plain)) == plain
    assert read_note('{"kind": "sharpset scale", "pixel_mm": 0.03, "u_scale": 0.001, "viewpoints_mm": [[1]]}') is None


@pytest.fixture(scope="module")
def piece() -> Piece:
    return make_stencil(process="filament")


def _picture(
    piece: Piece,
    viewing: Viewing,
    path: Path,
    *,
    counts: float,
    lit: float = 1.0,
    noted: Viewing | None = None,
    soft_px: float = 0.0,
    plate: float = 0.1,
    beside: float = 0.8,
    moved_px: int = 1,
) -> Path:
    """Write the piece as its nominal shape is seen: `counts` tells how much walls look like the face, `lit` how much of
    the light of the ground beside it the ground under it has, `noted` from where the file says that it was taken,
    `soft_px` how far the right-hand side is out of focus, `plate` and `beside` the light of face and ground,
    `moved_px` over how many pixels the camera moved along the rows.
    """
    (eye,) = viewing.points
    share = THICK_MM / (eye.height_mm + THICK_MM)
    margin = 4.0
    # The picture's rows go down, the piece's y up.
    origin = np.array([margin, margin + piece.height_mm])

    def through(void: shapely.Geometry) -> shapely.Geometry:
        at = np.array(void.centroid.coords[0]) * [1, -1] + origin
        x, y = share * (at - [eye.x_mm, eye.y_mm]) * [1, -1]
        return void.intersection(affinity.translate(void, -x, -y))

    solid = piece.outline.difference(unary_union([through(void) for void in piece.void_shapes()]))
    shape = [int(np.ceil((size + 2 * margin) / PIXEL_MM)) for size in (piece.height_mm, piece.width_mm)]
    face = piece.outline.difference(unary_union(piece.void_shapes()))
    cover, plain = (covered_share(one, np.diag([1, -1]) / PIXEL_MM, origin / PIXEL_MM, shape) for one in (solid, face))
    cover = counts * cover + (1 - counts) * plain
    under = covered_share(piece.outline, np.diag([1, -1]) / PIXEL_MM, origin / PIXEL_MM, shape)
    ground = plate + (beside - plate) * (1 - (1 - lit) * under)
    light = cv2.GaussianBlur(ground + (plate - ground) * cover.astype(float), (0, 0), 0.9)
    if soft_px > 0:
        ramp = np.linspace(0, 1, light.shape[1])
        light = (1 - ramp) * light + ramp * cv2.GaussianBlur(light, (0, 0), soft_px)
    light = cv2.blur(light, (moved_px, 1))
    light += np.random.default_rng(1).normal(0, 0.004, light.shape)
    pixels = np.round(np.clip(light, 0, 1) * 65535).astype(np.uint16)
    scan = scan_from_pixels(
        pixels, pixel_mm=PixelSize(PIXEL_MM, PIXEL_MM), encoding=LINEAR, scale_source="frame", u_scale=5e-4,
        viewing=noted or viewing,
    )  # fmt: skip
    photo = RectifiedPhoto(
        scan=scan, camera=None, n_markers=(28,), residual_rms_mm=0.0, residual_max_mm=0.0,  # type: ignore[arg-type]
        thickness_mm=viewing.face_mm, u_scale=5e-4,
    )  # fmt: skip
    return photo.write(path)


def _errors(reading: ScanReading) -> pd.DataFrame:
    table = reading.to_frame()
    table = table[table["measured_mm"].notna() & table["kind"].isin(["slot", "hole", "bar"])]
    return table.assign(error=table["measured_mm"] - table["nominal_mm"])


EYE = (16.0, 35.0, 220.0)


@pytest.fixture(scope="module")
def dark(piece: Piece, tmp_path_factory: pytest.TempPathFactory) -> ScanReading:
    path = _picture(piece, seen_from(EYE), tmp_path_factory.mktemp("slant") / "dark.tif", counts=True)
    assert open_scan(path).viewing == seen_from(EYE)
    return read_scan(path, piece=piece)


def test_hidden_widths_are_put_back(dark: ScanReading, piece: Piece) -> None:
    slant = dark.pieces[0]
    assert any("seen at a slant" in remark for remark in slant.remarks)
    table = _errors(dark)
    strips = table[table["kind"] != "hole"]
    # Up to 0.16 mm are hidden; 30 um pixels blurred by 0.9 of them are read to a few micrometres.
    assert strips["error"].abs().median() < 0.003
    assert (strips["error"].abs() <= strips["U95_mm"]).mean() > 0.94
    holes = table[(table["kind"] == "hole") & (table["group"] == "holes")]
    assert holes["error"].abs().median() < 0.008
    assert (holes["error"].abs() <= holes["U95_mm"]).mean() > 0.9
    budget = slant.contributions
    assert (budget["line"] == "slant").any()


def test_openings_that_no_light_reaches_are_refused(piece: Piece, tmp_path: Path) -> None:
    path = _picture(piece, seen_from(EYE), tmp_path / "unlit.tif", counts=True, lit=0.6)
    with pytest.raises(ReadingError, match=r"show (59|60|61)% of the light of the card .* Light the card from below"):
        read_scan(path, piece=piece)


def test_what_is_hidden_is_not_said_to_be_closed(dark: ScanReading) -> None:
    table = dark.to_frame()
    # Everything was drawn open; what cannot be seen must not be called 'no'.
    assert not ((table["formed"] == "no") & (table["nominal_mm"] > 2 * PIXEL_MM)).any()
    assert table["flags"].str.contains("hidden at a slant").any()


def test_what_two_photographs_show_in_part_is_refused(dark: ScanReading, piece: Piece, tmp_path: Path) -> None:
    # The seam of two photographs from 20 mm apart runs at 26 mm of the picture, 22 mm of the piece.
    both = seen_from(EYE, (36.0, 35.0, 220.0))
    reading = read_scan(_picture(piece, seen_from(EYE), tmp_path / "two.tif", counts=True, noted=both), piece=piece)
    table, alone = (r.to_frame().merge(piece.features[["feature_id", "x_mm", "length_mm"]]) for r in (reading, dark))
    hidden, before = (t["flags"].str.contains("hidden at a slant") for t in (table, alone))
    far = (table["x_mm"] - 22).abs() > 3
    # Walls across x stand 0.11 mm apart in the two; their strips are half a millimetre wide or less.
    on_seam = ((table["x_mm"] - 22).abs() < 0.3) & (table["angle_deg"] == 90) & table["kind"].isin(["slot", "bar"])
    assert on_seam.any()
    assert hidden[on_seam].all()
    assert not (hidden & ~before)[far & (table["x_mm"] < 22)].any()


def test_walls_that_look_like_the_ground_hide_nothing(piece: Piece, tmp_path: Path) -> None:
    reading = read_scan(_picture(piece, seen_from(EYE), tmp_path / "light.tif", counts=False), piece=piece)
    table = _errors(reading)
    assert table["error"].abs().median() < 0.003
    assert (table["error"].abs() <= table["U95_mm"]).mean() > 0.94


def test_another_height_of_the_face_is_remarked_and_widens(dark: ScanReading, piece: Piece, tmp_path: Path) -> None:
    low = replace(seen_from(EYE), face_mm=0.0)
    reading = read_scan(_picture(piece, low, tmp_path / "low.tif", counts=True), piece=piece)
    assert any("made true for a face 0 mm above the card" in remark for remark in reading.pieces[0].remarks)
    wide, true = (r.to_frame().set_index("feature_id")["U95_mm"].loc["round-1"] for r in (reading, dark))
    # 1.2 mm over 220 mm is 0.55 %, of 5 mm 0.027 mm, over the root of three.
    assert wide > np.hypot(true, 1.9 * 0.027 / np.sqrt(3)) * 0.98


def test_walls_seen_at_a_slant_are_no_blur_but_a_piece_out_of_focus_is(piece: Piece, tmp_path: Path) -> None:
    # Walls half as bright as the face: none below the lens, 0.3 mm at the far side.
    near = seen_from((8.0, 12.0, 150.0))
    sharp = read_scan(_picture(piece, near, tmp_path / "near.tif", counts=0.5), piece=piece)
    assert not any("out of focus" in remark for remark in sharp.pieces[0].remarks)
    # Darker ones show as bands of their own where they are broad, which strips' own blur takes in or leaves.
    darker = read_scan(_picture(piece, near, tmp_path / "darker.tif", counts=0.3), piece=piece)
    assert not any("out of focus" in remark for remark in darker.pieces[0].remarks)
    with pytest.raises(ReadingError, match="out of focus"):
        read_scan(_picture(piece, near, tmp_path / "soft.tif", counts=0.5, soft_px=3.0), piece=piece)


def test_walls_of_a_light_plate_are_measured_and_taken_off(piece: Piece, tmp_path: Path) -> None:
    # Walls up to 0.22 mm broad that show 0.3 of the contrast. By sizes alone holes came out 14 um off (rms) and slots
    # 6.5, and twelve features fewer were read.
    path = _picture(piece, seen_from((6.0, 38.0, 200.0)), tmp_path / "walls.tif", counts=0.3, plate=0.65, beside=0.05)
    table = _errors(read_scan(path, piece=piece))
    assert (table["error"].abs() <= table["U95_mm"]).mean() > 0.97
    assert len(table) > 135
    for kind, most in (("slot", 0.004), ("bar", 0.003), ("hole", 0.007)):
        assert np.sqrt((table.loc[table["kind"] == kind, "error"] ** 2).mean()) < most


def test_a_camera_that_moved_is_told_once_walls_are_taken_off(piece: Piece, tmp_path: Path) -> None:
    # Five pixels of motion are 1.4 of a standard deviation, beside 0.9 of blur: 1.9 times as broad along the rows.
    eye, light = seen_from((10.0, 38.0, 200.0)), {"counts": 0.3, "plate": 0.65, "beside": 0.05}
    moved = _picture(piece, eye, tmp_path / "moved.tif", moved_px=5, **light)
    with pytest.raises(ReadingError, match=r"blurred along a line .* camera or piece moved"):
        read_scan(moved, piece=piece)


def test_focus_is_judged_once_walls_are_taken_off(piece: Piece, tmp_path: Path) -> None:
    # Sharp, from nearly straight above the middle: walls that grow to 0.3 mm outwards had passed for a blur that does.
    eye, light = seen_from((26.0, 25.0, 90.0)), {"counts": 0.35, "plate": 0.65, "beside": 0.05}
    reading = read_scan(_picture(piece, eye, tmp_path / "near.tif", **light), piece=piece)
    assert not any("out of focus" in remark for remark in reading.pieces[0].remarks)
    with pytest.raises(ReadingError, match="out of focus"):
        read_scan(_picture(piece, eye, tmp_path / "soft.tif", soft_px=3.5, **light), piece=piece)
