"""Several pieces in one scan: codes that are alike, codes of other runs than the piece folder's."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from reading_scenes import Scene, make_scene, write_scene

from sharpset.comparison.tables import check_readings
from sharpset.errors import ScanError
from sharpset.pieces import make_stencil
from sharpset.readings import combine_readings, load_readings, read_scan, write_readings
from sharpset.readings.earlier import lost_scans
from sharpset.scans import locate, locate_pieces, open_scan

DPI = 600


@pytest.fixture(scope="module")
def piece():
    return make_stencil(process="resin")


def _side_by_side(piece, runs: list[str], **how: float) -> Scene:
    drawn = [
        make_scene(piece=make_stencil(process="resin", run_id=run), dpi=DPI, angle_deg=turn, blur_px=0.8, seed=n, **how)
        for n, (run, turn) in enumerate(zip(runs, (3.0, 91.0), strict=True))
    ]
    rows = max(len(scene.pixels) for scene in drawn)
    padded = [np.pad(scene.pixels, [(0, rows - len(scene.pixels)), (0, 0)], mode="edge") for scene in drawn]
    return replace(drawn[0], pixels=np.hstack(padded), piece=piece)


def test_pieces_of_one_run_keep_ids_of_their_own(tmp_path, piece):
    path = write_scene(_side_by_side(piece, ["R03", "R03"]), tmp_path / "two.png", dpi=DPI)
    reading = read_scan(path, piece=piece)
    assert [one.run_id for one in reading.pieces] == ["R03", "R03"]
    name, digest = reading.scan_id.rsplit("-", 1)
    ids = [one.scan_id for one in reading.pieces]
    assert ids == [f"{name}-piece1-{digest}", f"{name}-piece2-{digest}"]
    (said,) = (remark for remark in reading.remarks if "code of run R03" in remark)
    assert all(one in said for one in ids)
    # One piece lies in the left half of the picture, one in the right half: 8 mm of glass around each.
    assert said.count("mm from the left") == 2
    # A table that comparisons, which want each feature of a scan once, take, and in which a later look at the same
    # picture takes the place of the earlier one.
    write_readings([reading], tmp_path / "readings.csv")
    table = load_readings(tmp_path / "readings.csv")
    assert not table.duplicated(["scan_id", "run_id", "feature_id"]).any()
    check_readings(table, name="readings.csv")
    assert lost_scans(table, [reading.scan_id]) == []
    write_readings([reading], tmp_path / "readings.csv", append=True)
    assert len(load_readings(tmp_path / "readings.csv")) == len(table)
    # Nothing is put together that may be two prints.
    assert combine_readings([reading])[0].pieces == reading.pieces


def test_dark_pieces_with_codes_of_other_runs_are_read(tmp_path, piece):
    # Cells that are open in the folder's code are as dark as the plate in these, and the other way round: neither
    # shade of the ground nor glare.
    scene = _side_by_side(piece, ["R12", "R04"], plate=0.05, background=0.3, noise=0.006)
    reading = read_scan(write_scene(scene, tmp_path / "dark.png", dpi=DPI), piece=piece)
    assert sorted(one.run_id for one in reading.pieces) == ["R04", "R12"]
    assert not any("not read" in remark for remark in reading.remarks)
    assert not any("shines" in remark for one in reading.pieces for remark in one.remarks)
    # Ids stay those of the scan where codes tell pieces apart.
    assert {one.scan_id for one in reading.pieces} == {reading.scan_id}


def _with_clutter(pixels: np.ndarray, ground: int) -> np.ndarray:
    """Return a picture with a board full of holes, a rule, a sheet with round signs and a shadow below it."""
    px = 25.4 / DPI
    rows, columns = round(75 / px), pixels.shape[1]
    more = np.full((rows, columns), ground, np.uint8)

    def box(x: float, y: float, w: float, h: float, value: int) -> None:
        more[round(y / px) : round((y + h) / px), round(x / px) : round((x + w) / px)] = value

    box(5, 5, 44, 40, 190)
    for x in np.arange(7.1, 47, 2.6):
        for y in np.arange(7.1, 43, 2.6):
            cv2.circle(more, (round(x / px), round(y / px)), round(0.8 / px), ground, -1)
    box(55, 5, 50, 40, 220)
    for x, y in ((57.1, 7.1), (102.9, 7.1), (57.1, 42.9), (102.9, 42.9), *((60 + 4 * k, 25) for k in range(10))):
        cv2.circle(more, (round(x / px), round(y / px)), round(0.9 / px), ground, -1)
    box(5, 50, 100, 18, 200)
    for k in range(190):
        box(7 + 0.5 * k, 50, 0.1, 5 if k % 10 == 0 else 3, 40)
    shade = np.clip(1 - 0.3 * (np.arange(columns) > columns / 3), 0, 1)
    return np.vstack([pixels, np.round(more * shade).astype(np.uint8)])


def test_plates_of_other_pieces_are_told_and_nothing_else(tmp_path, piece):
    # The filament stencil of 45 mm beside the resin one of 40 mm, with things that are no pieces below them.
    scene = _side_by_side(piece, ["R03", "R05"])
    other = make_scene(piece=make_stencil(process="filament"), dpi=DPI, angle_deg=40.0, blur_px=0.8, seed=7)
    rows = max(len(scene.pixels), len(other.pixels))
    parts = [np.pad(p, [(0, rows - len(p)), (0, 0)], mode="edge") for p in (scene.pixels, other.pixels)]
    pixels = _with_clutter(np.hstack(parts), int(np.median(scene.pixels[:50])))
    reading = read_scan(write_scene(replace(scene, pixels=pixels), tmp_path / "a.png", dpi=DPI), piece=piece)
    assert [one.run_id for one in reading.pieces] == ["R03", "R05"]
    (said,) = (remark for remark in reading.remarks if "of another piece" in remark)
    middle = other.matrix[:, :2] @ [22.5, 20.75] + other.matrix[:, 2] + [parts[0].shape[1], 0]
    x, y = (middle + 0.5) * 25.4 / DPI
    assert f"({x:.0f} mm from the left and {y:.0f} mm from the top of the picture)" in said


def test_only_other_pieces_are_refused_without_a_search(tmp_path, piece, monkeypatch):
    scene = _side_by_side(piece, ["R03", "R05"])
    path = write_scene(scene, tmp_path / "a.png", dpi=DPI)

    def never(*_args: object, **_how: object) -> None:
        raise AssertionError("searched where every plate is that of another piece")

    monkeypatch.setattr(locate, "search_pattern", never)
    with pytest.raises(ScanError, match=r"2 plates of other pieces.*\(40 x 37 mm\)"):
        locate_pieces(open_scan(path), make_stencil(process="filament"))
