"""Piece folders: written, opened again, and what is said of damaged ones."""

from __future__ import annotations

import json

import pandas as pd
import pytest

from sharpset.errors import PieceError
from sharpset.pieces import FEATURE_COLUMNS, load_piece, make_stencil, write_piece


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    return write_piece(make_stencil(run_id="R09"), tmp_path_factory.mktemp("whole"))


@pytest.fixture
def folder(whole, tmp_path):
    for name in ("piece.json", "features.csv"):
        (tmp_path / name).write_bytes((whole / name).read_bytes())
    return tmp_path


def test_folder_holds_what_the_contract_names(whole):
    assert sorted(path.name for path in whole.iterdir()) == [
        *("features.csv", "piece.3mf", "piece.json", "piece.stl", "preview.png")
    ]
    data = json.loads((whole / "piece.json").read_text(encoding="utf-8"))
    assert data["units"] == "mm"
    assert {"id", "kind", "version", "outline_mm", "thickness_mm", "marks", "code", "parameters"} <= set(data)
    assert tuple(pd.read_csv(whole / "features.csv").columns) == FEATURE_COLUMNS


def test_opened_piece_is_the_one_that_was_written(whole):
    made, opened = make_stencil(run_id="R09"), load_piece(whole)
    pd.testing.assert_frame_equal(opened.features, made.features, check_dtype=False, atol=1e-9)
    assert opened.code == made.code
    assert opened.marks == made.marks
    assert opened.scale_lines == made.scale_lines
    assert opened.piece_id == made.piece_id
    # Outlines are rounded to 1e-6 mm; a few hundred corners of at most 60 mm plate.
    assert opened.silhouette().symmetric_difference(made.silhouette()).area < 1e-3


def test_missing_folder_is_named(tmp_path):
    with pytest.raises(PieceError, match=r"nowhere: no piece folder.*sharpset piece stencil"):
        load_piece(tmp_path / "nowhere")


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (lambda f: (f / "piece.json").write_text("{", encoding="utf-8"), "piece.json: damaged"),
        (lambda f: (f / "piece.json").write_text("[1]", encoding="utf-8"), "not a piece description"),
        (lambda f: (f / "piece.json").write_bytes(b"\xff\xfe\x00"), "piece.json: damaged"),
        (lambda f: (f / "features.csv").unlink(), "features.csv: cannot be read"),
        (lambda f: (f / "features.csv").write_text("a,b\n1,2\n", encoding="utf-8"), "column feature_id is missing"),
        (lambda f: (f / "features.csv").write_text("", encoding="utf-8"), "features.csv: not a table"),
    ],
)
def test_damaged_folders_are_refused_in_words(folder, spoil, words):
    spoil(folder)
    with pytest.raises(PieceError, match=words):
        load_piece(folder)


def edit(folder, **changes):
    path = folder / "piece.json"
    data = json.loads(path.read_text(encoding="utf-8"))
    data.update(changes)
    path.write_text(json.dumps(data), encoding="utf-8")


def test_newer_format_is_refused_with_both_numbers(folder):
    edit(folder, version=99)
    with pytest.raises(PieceError, match=r"format 99, known to 1"):
        load_piece(folder)


def test_other_units_are_refused(folder):
    edit(folder, units="inch")
    with pytest.raises(PieceError, match="'inch'"):
        load_piece(folder)


def test_missing_key_is_named(folder):
    path = folder / "piece.json"
    data = json.loads(path.read_text(encoding="utf-8"))
    del data["marks"]
    path.write_text(json.dumps(data), encoding="utf-8")
    with pytest.raises(PieceError, match="'marks'"):
        load_piece(folder)


def test_feature_that_stands_twice_is_named(folder):
    table = pd.read_csv(folder / "features.csv")
    table.loc[3, "feature_id"] = table.loc[2, "feature_id"]
    table.to_csv(folder / "features.csv", index=False)
    with pytest.raises(PieceError, match=f"{table.loc[2, 'feature_id']} stands twice"):
        load_piece(folder)


def test_cell_that_is_no_number_is_named_by_its_row(folder):
    table = pd.read_csv(folder / "features.csv", dtype=str)
    table.loc[4, "nominal_mm"] = "wide"
    table.to_csv(folder / "features.csv", index=False)
    with pytest.raises(PieceError, match="row 6"):
        load_piece(folder)


def test_folder_that_cannot_be_written_is_one_clear_error(tmp_path):
    (tmp_path / "file").write_text("x", encoding="utf-8")
    with pytest.raises(PieceError, match="cannot be written"):
        write_piece(make_stencil(), tmp_path / "file", preview=False)
