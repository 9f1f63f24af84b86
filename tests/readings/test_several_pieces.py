"""Several pieces in one scan: codes that are alike, codes of other runs than the piece folder's."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from reading_scenes import Scene, make_scene, write_scene

from sharpset.comparison.tables import check_readings
from sharpset.pieces import make_stencil
from sharpset.readings import combine_readings, load_readings, read_scan, write_readings
from sharpset.readings.earlier import lost_scans

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
