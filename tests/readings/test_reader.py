"""Reading whole pictures whose truth is known by construction."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from PIL import Image
from reading_scenes import GROWTH_MM, SCALE_X, SCALE_Y, Scene, make_scene, write_scene

from sharpset.errors import ReadingError, ScanError
from sharpset.pieces import make_stencil
from sharpset.readings import READING_COLUMNS, load_readings, read_scan, write_readings
from sharpset.readings.features.curve_evidence import BothWays


@pytest.fixture(scope="module")
def scene() -> Scene:
    """One ordinary scene, made once."""
    return make_scene()


def _joined(table: pd.DataFrame, scene: Scene) -> pd.DataFrame:
    return table.merge(scene.truth[["feature_id", "true_mm"]], on="feature_id")


def _check(table: pd.DataFrame, scene: Scene) -> None:
    both = _joined(table, scene)
    missing = both["true_mm"].isna()
    assert not (both["formed"] == "yes")[missing].any()
    wide = ~missing & (both["true_mm"] >= 0.1)
    assert (both["formed"] == "yes")[wide].all()
    strips = both[wide & both["kind"].isin(("slot", "bar"))]
    error = strips["measured_mm"] - strips["true_mm"]
    # 3 um is what the job needs; noise and borrowed contrast leave well below 1 um on such a picture.
    assert np.sqrt((error**2).mean()) < 0.0015
    assert abs(error.mean()) < 0.0006
    inside = (both["measured_mm"] - both["true_mm"]).abs() <= both["U95_mm"]
    assert inside[wide].mean() > 0.93


@pytest.mark.parametrize(
    "how",
    [
        {},
        {"angle_deg": 123.0, "mirror": True, "seed": 2},
        {"angle_deg": 45.0, "plate": 0.1, "background": 0.6, "seed": 3},
        {"angle_deg": 270.0, "blur_px": 1.8, "noise": 0.03, "seed": 4},
        {"angle_deg": 0.0, "linear": True, "plate": 0.8, "blur_px": 1.4, "seed": 5},
    ],
    ids=["plain", "turned-mirrored", "dark-plate", "blurred-noisy", "linear-untagged"],
)
def test_read_scan_measures_what_is_there(tmp_path, how):
    scene = make_scene(**how)
    reading = read_scan(write_scene(scene, tmp_path / "a.png"), piece=scene.piece)
    (piece,) = reading.pieces
    assert list(piece.table.columns) == list(READING_COLUMNS)
    assert piece.run_id == "R01"
    assert piece.pose.mirrored == how.get("mirror", False)
    _check(piece.table, scene)
    corners = np.array([[1.0, 1.0], [scene.piece.width_mm - 1, 1.0], [1.0, scene.piece.height_mm - 1]])
    true_px = (corners * [SCALE_X, SCALE_Y]) @ scene.matrix[:, :2].T + scene.matrix[:, 2]
    # A tenth of a pixel is what is asked of the registration.
    assert np.abs(piece.pose.to_pixels(corners) - true_px).max() < 0.1
    for name in ("growth_solid_mm", "growth_slot_mm", "growth_hole_mm"):
        assert abs(piece.value(name) - GROWTH_MM) < max(piece.quantities[name].U95, 0.0015)
    assert abs(piece.value("scale_x") - SCALE_X) < 1e-4
    assert abs(piece.value("scale_y") - SCALE_Y) < 1e-4


def test_read_scan_reads_a_print_that_lost_its_marks(tmp_path, scene):
    """Four of the marks painted over with plate light: all else reads as before, and nothing is called a mark."""
    pixels = scene.pixels.copy()
    marks = scene.piece.features[scene.piece.features["group"] == "marks"]
    gone = marks.iloc[:4]
    rows, columns = np.indices(pixels.shape)
    for mark in gone.itertuples():
        column, row = scene.matrix @ [mark.x_mm * SCALE_X, mark.y_mm * SCALE_Y, 1]
        near = np.hypot(columns - column, rows - row) < (mark.nominal_mm / 2 + 0.15) * 1200 / 25.4
        ring = np.hypot(columns - column, rows - row) < (mark.nominal_mm / 2 + 0.4) * 1200 / 25.4
        pixels[near] = np.random.default_rng(3).choice(pixels[ring & ~near], int(near.sum()))
    read = read_scan(write_scan_of(pixels, tmp_path / "unmarked.png"), piece=scene.piece).pieces[0]
    assert any("marks of the piece did not form" in remark for remark in read.remarks)
    table = read.table.set_index("feature_id")
    assert (table.loc[gone["feature_id"], "formed"] == "no").all()
    _check(read.table[~read.table["feature_id"].isin(gone["feature_id"])], scene)


def write_scan_of(pixels: np.ndarray, path: Path) -> Path:
    """Write pixels as a picture of 1200 dpi."""
    Image.fromarray(pixels).save(path, dpi=(1200, 1200))
    return path


def test_read_scan_finds_several_pieces(tmp_path):
    one = make_scene(dpi=600, angle_deg=0.0, seed=6, blur_px=0.7)
    other = make_scene(piece=make_stencil(process="resin", run_id="R17"), dpi=600, angle_deg=180.0, seed=7, blur_px=0.7)
    height = max(one.pixels.shape[0], other.pixels.shape[0])
    pads = [np.pad(s.pixels, ((0, height - s.pixels.shape[0]), (0, 0)), mode="edge") for s in (one, other)]
    both = Scene(pixels=np.hstack(pads), truth=one.truth, piece=one.piece, matrix=one.matrix)
    reading = read_scan(write_scene(both, tmp_path / "two.png", dpi=600), piece=one.piece)
    assert [piece.run_id for piece in reading.pieces] == ["R01", "R17"]
    _check(reading.pieces[0].table, one)
    _check(reading.pieces[1].table, other)


def test_read_scan_mirror_no_refuses_a_mirrored_piece(tmp_path):
    scene = make_scene(mirror=True, dpi=600, blur_px=0.7)
    path = write_scene(scene, tmp_path / "m.png", dpi=600)
    with pytest.raises(ScanError, match="mirror"):
        read_scan(path, piece=scene.piece, mirror="no")


def test_read_scan_refuses_a_clipped_picture(tmp_path):
    scene = make_scene(plate=1.4, dpi=600, blur_px=0.7)
    with pytest.raises(ReadingError, match="end of the scale"):
        read_scan(write_scene(scene, tmp_path / "c.png", dpi=600), piece=scene.piece)


def test_read_scan_refuses_a_picture_of_wrong_scale(tmp_path):
    scene = make_scene(dpi=600, blur_px=0.7)
    path = write_scene(scene, tmp_path / "s.png", dpi=600)
    # 4 % off still looks like the piece, but no printer shrinks that much.
    with pytest.raises(ReadingError, match=r"0\.9[56]\d of its drawn size"):
        read_scan(path, piece=scene.piece, dpi=624)
    with pytest.raises(ScanError, match=r"about 600 dpi fits"):
        read_scan(path, piece=scene.piece, dpi=1200)


def test_what_may_as_well_be_nothing_by_its_whole_budget_has_not_formed_for_sure(tmp_path, monkeypatch):
    scene = make_scene(dpi=600, blur_px=0.7)
    monkeypatch.setattr("sharpset.readings.reader.U_TRANSFER", 1.0)
    table = read_scan(write_scene(scene, tmp_path / "u.png", dpi=600), piece=scene.piece).pieces[0].table
    unsure = table["flags"].str.contains("refused: unsure")
    assert unsure.sum() >= 5
    assert not (table.formed[unsure] == "yes").any()
    formed = table[table.formed == "yes"]
    assert (formed.measured_mm >= 5 * formed.U95_mm / 1.97).all()


def test_the_border_of_an_empty_picture_is_no_piece_of_wrong_scale(tmp_path):
    scene = make_scene(dpi=600, blur_px=0.7)
    width, height = scene.piece.width_mm * 1.12, scene.piece.height_mm * 1.12
    rng = np.random.default_rng(4)
    empty = rng.normal(40, 3, (round(height / 25.4 * 600), round(width / 25.4 * 600))).astype(np.uint8)
    path = write_scene(replace(scene, pixels=empty), tmp_path / "empty.png", dpi=600)
    with pytest.raises(ScanError, match="must lie on a plain background"):
        read_scan(path, piece=scene.piece)


def test_read_scan_refuses_too_much_blur(tmp_path):
    scene = make_scene(dpi=600, blur_px=4.0)
    with pytest.raises(ReadingError, match="blur"):
        read_scan(write_scene(scene, tmp_path / "b.png", dpi=600), piece=scene.piece)


def test_read_scan_says_what_it_saw_instead_of_the_piece(tmp_path, scene):
    other = make_stencil(process="filament", smallest_mm=0.5)
    path = write_scene(scene, tmp_path / "o.png")
    with pytest.raises(ScanError, match=r"no piece of .* is there"):
        read_scan(path, piece=other)


def test_written_readings_load_again(tmp_path, scene):
    reading = read_scan(write_scene(scene, tmp_path / "a.png"), piece=scene.piece)
    files = write_readings([reading], tmp_path / "out" / "readings.csv")
    assert [file.name for file in files] == ["readings.csv", "readings.parquet", "readings_pieces.csv"]
    csv, parquet = load_readings(files[0]), load_readings(files[1])
    assert list(csv.columns) == list(parquet.columns) == list(READING_COLUMNS)
    # Six significant digits are written: 1e-5 of a 5 mm feature.
    np.testing.assert_allclose(csv["measured_mm"], parquet["measured_mm"], rtol=1e-5)
    assert csv.loc[csv["formed"] == "no", "measured_mm"].isna().all()


def test_load_readings_names_a_missing_column(tmp_path):
    path = tmp_path / "r.csv"
    path.write_text("run_id,kind\nR01,slot\n", encoding="utf-8")
    with pytest.raises(ReadingError, match="feature_id is missing"):
        load_readings(path)


@pytest.mark.parametrize("quality", [70, 80])
def test_read_scan_never_takes_what_jpeg_lost_for_linear_light(tmp_path, quality):
    scene = make_scene(plate=0.7, noise=0.001, seed=6)
    file = tmp_path / "a.jpg"
    Image.fromarray(scene.pixels).save(file, dpi=(1200, 1200), quality=quality)
    (piece,) = read_scan(file, piece=scene.piece).pieces
    _check(piece.table, scene)
    assert not any("linear" in remark for remark in piece.remarks)


@pytest.mark.parametrize(("left", "bits", "is_linear", "is_doubtful"), [(0.2, 8, True, False), (0.45, 8, False, True)])
def test_read_scan_is_unsure_of_edges_that_suit_neither_curve(
    tmp_path, scene, monkeypatch, left, bits, is_linear, is_doubtful
):
    monkeypatch.setattr("sharpset.readings.prepared.edge_residual", lambda *_: 0.002)
    other = left * 0.002
    ways = BothWays(before=0.002, other=other, uneven_before=0.002, uneven_other=other, uneven_both=0.002 * other)
    monkeypatch.setattr("sharpset.readings.settling_curve.both_ways", lambda *_: ways)
    assert scene.pixels.itemsize * 8 == bits
    (piece,) = read_scan(write_scene(scene, tmp_path / "a.png"), piece=scene.piece).pieces
    assert any("edges say linear light" in remark for remark in piece.remarks) == is_linear
    assert any("suit sRGB badly" in remark for remark in piece.remarks) == is_doubtful
    # A curve that may be off by a factor of two leaves ten times what one leaves that is known to a fortieth.
    share = piece.contributions.groupby("line")["u_mm"].median()["transfer"] / (
        0.5 if is_doubtful else 0.1 / 2.2 / 3**0.5
    )
    plain = read_scan(
        write_scene(scene, tmp_path / "b.png"), piece=scene.piece, encoding="linear" if is_linear else "sRGB"
    )
    known = plain.pieces[0].contributions.groupby("line")["u_mm"].median()["transfer"] / (0.1 / 2.2 / 3**0.5)
    assert share == pytest.approx(known, rel=0.01)


def test_read_scan_holds_what_stretched_levels_do_to_edges(tmp_path, scene):
    share = np.clip((scene.pixels / 255.0 - 0.1) / 0.75, 0, 1)
    file = tmp_path / "a.png"
    Image.fromarray(np.round(255 * share).astype(np.uint8)).save(file, dpi=(1200, 1200))
    (piece,) = read_scan(file, piece=scene.piece).pieces
    assert any("levels were stretched" in remark for remark in piece.remarks)
    both = _joined(piece.table, scene)
    both = both[(both["formed"] == "yes") & both["true_mm"].notna()]
    error = (both["measured_mm"] - both["true_mm"]).abs()
    # Levels stretched by a third move edges by more than the plain uncertainty of about two micrometres holds.
    assert error.median() > 0.002
    assert (error <= both["U95_mm"]).mean() > 0.95
    (plain,) = read_scan(write_scene(scene, tmp_path / "b.png"), piece=scene.piece).pieces
    assert not any("stretched" in remark for remark in plain.remarks)
