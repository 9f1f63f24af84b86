"""Scans read in batches: folders with other files, one bad picture among good ones, one table for all."""

from __future__ import annotations

import shutil
from pathlib import Path

import pandas as pd
import pytest
from reading_scenes import make_scene, write_scene

from sharpset.cli import main
from sharpset.errors import ReadingError
from sharpset.pieces import write_piece
from sharpset.readings import load_readings
from sharpset.readings.pictures import pictures_named


@pytest.fixture
def bench(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_a_bad_picture_costs_no_good_one_and_batches_gather_in_one_table(bench, capsys):
    scene = make_scene()
    write_piece(scene.piece, bench / "piece", preview=False)
    folder = bench / "scans für Müller"
    folder.mkdir()
    write_scene(scene, folder / "first.png")
    (folder / "Thumbs.db").write_bytes(b"no picture")
    (folder / "half.PNG").write_bytes((folder / "first.png").read_bytes()[:3000])
    read = ["read", str(folder), "--piece", "piece", "--out", "r.csv"]
    assert main([*read, "--budget", "--jobs", "2"]) == 1
    said = capsys.readouterr()
    assert said.err.count("\n") == 1
    assert "half.PNG" in said.err and "the other picture was read" in said.err
    n_features = len(scene.piece.features)
    first = load_readings("r.csv")
    assert len(first) == n_features

    # Another batch: a new picture, and the first one under another name, which stays one picture.
    other = make_scene(seed=7)
    write_scene(other, bench / "second.png")
    shutil.copy(folder / "first.png", bench / "renamed.png")
    assert main(["read", "second.png", "renamed.png", "--piece", "piece", "--out", "r", "--append"]) == 0
    both = load_readings("r.csv")
    assert len(both) == 2 * n_features
    assert [name.partition("-")[0] for name in both["scan_id"].unique()] == ["second", "renamed"]
    assert len(pd.read_csv("r_pieces.csv")) == 2
    again = both[both["scan_id"].str.startswith("renamed")].reset_index(drop=True)
    pd.testing.assert_series_equal(again["measured_mm"], first["measured_mm"])
    pd.testing.assert_frame_equal(
        pd.read_parquet("r.parquet")[["feature_id", "formed"]], both[["feature_id", "formed"]], check_dtype=False
    )

    # Without --append the new table takes the place, and what other pictures gave is kept beside it.
    assert main(["read", "second.png", "--piece", "piece", "--out", "r.csv"]) == 0
    assert "kept in r_earlier.csv" in capsys.readouterr().out
    assert len(load_readings("r.csv")) == n_features
    pd.testing.assert_frame_equal(load_readings("r_earlier.csv"), both)


def test_a_table_of_something_else_is_not_written_over(bench, capsys):
    scene = make_scene()
    write_piece(scene.piece, bench / "piece", preview=False)
    Path("results.csv").write_text("run_id,print_time_h\nR01,1.5\n", encoding="utf-8")
    assert main(["read", "a.png", "--piece", "piece", "--out", "results.csv"]) == 1
    assert "it is no table of readings, it has no column scan_id" in capsys.readouterr().err
    assert "1.5" in Path("results.csv").read_text(encoding="utf-8")


def test_pictures_are_named_by_folder_or_pattern_and_counted_once(tmp_path):
    for name, data in (("b.tif", b"2"), ("a.JPG", b"1"), ("notes.txt", b"3"), (".c.png", b"4")):
        (tmp_path / name).write_bytes(data)
    assert [path.name for path in pictures_named([tmp_path])] == ["a.JPG", "b.tif"]
    assert [path.name for path in pictures_named([tmp_path / "*.tif"])] == ["b.tif"]
    (tmp_path / "again.tif").write_bytes(b"2")
    with pytest.raises(ReadingError, match="is the same picture as"):
        pictures_named([tmp_path])
    (tmp_path / "empty").mkdir()
    with pytest.raises(ReadingError, match="no TIFF, PNG or JPEG picture lies in this folder"):
        pictures_named([tmp_path / "empty"])
    (tmp_path / "above" / "scans").mkdir(parents=True)
    (tmp_path / "above" / "scans" / "a.png").write_bytes(b"5")
    with pytest.raises(ReadingError, match=r"Name .*scans, where some lie"):
        pictures_named([tmp_path / "above"])


def test_readings_that_a_spreadsheet_saved_with_decimal_commas_are_read(tmp_path):
    (tmp_path / "r.csv").write_text(
        "scan_id;run_id;feature_id;kind;nominal_mm;formed;measured_mm\ns;R01;a;bar;0,25;yes;0,2613\n", encoding="cp1252"
    )
    row = load_readings(tmp_path / "r.csv").iloc[0]
    assert (row["nominal_mm"], row["measured_mm"]) == (0.25, 0.2613)
