"""Pieces that reach beyond the picture or overlap: what is seen reads as ever, the rest is refused by name."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from PIL import Image
from reading_scenes import Scene, make_scene, write_scene

from sharpset.errors import ReadingError, ScanError
from sharpset.readings import READING_COLUMNS, read_scan
from sharpset.readings.looking import look_at


@pytest.fixture(scope="module")
def scene() -> Scene:
    """One ordinary scene, made once."""
    return make_scene()


def _cut(scene: Scene, share: float) -> Scene:
    """Return a scene of which the left part of the picture is left out."""
    n = round(share * scene.pixels.shape[1])
    matrix = scene.matrix.copy()
    matrix[0, 2] -= n
    return replace(scene, pixels=np.ascontiguousarray(scene.pixels[:, n:]), matrix=matrix)


# By a few marks and by none of those on the left: with an outline on three sides, and by its openings alone.
@pytest.mark.parametrize("share", [0.2, 0.42])
def test_a_cut_piece_is_read_as_far_as_it_is_seen(tmp_path, scene, share):
    cut = _cut(scene, share)
    path = write_scene(cut, tmp_path / "a.png")
    reading = read_scan(path, piece=cut.piece)
    (piece,) = reading.pieces
    table = piece.table
    assert list(table.columns) == list(READING_COLUMNS)
    assert table["feature_id"].tolist() == cut.piece.features["feature_id"].tolist()
    places = cut.piece.features[["x_mm", "y_mm"]].to_numpy() @ cut.matrix[:, :2].T + cut.matrix[:, 2]
    outside = table["flags"].str.contains("refused: outside the picture").to_numpy()
    assert outside[places[:, 0] < 0].all()
    # The longest feature reaches 2.5 mm from its centre, the border is another 0.7 mm.
    assert not outside[places[:, 0] > 3.3 * 1200 / 25.4].any()
    assert table.loc[outside, "measured_mm"].isna().all()
    assert any("beyond the edge of the picture" in remark for remark in piece.remarks)
    both = table.merge(cut.truth[["feature_id", "true_mm"]], on="feature_id")
    assert not ((both["formed"] == "yes") & both["true_mm"].isna()).any()
    known = ~outside & (both["true_mm"] >= 0.1).to_numpy()
    assert (both["formed"] == "yes")[known].all()
    error = (both["measured_mm"] - both["true_mm"])[known & both["kind"].isin(("slot", "bar"))]
    # As in whole pictures: 3 um is what the job needs.
    assert np.sqrt((error**2).mean()) < 0.0015
    assert ((both["measured_mm"] - both["true_mm"]).abs() <= both["U95_mm"])[known].mean() > 0.93
    if share < 0.3:
        seen, unseen = (str(table["feature_id"][rows].iloc[0]) for rows in (known, outside))
        (view,) = look_at(path, piece=cut.piece, feature_id=seen, reading=reading)
        assert view.measured_mm == pytest.approx(float(table.loc[table["feature_id"] == seen, "measured_mm"].iloc[0]))
        assert look_at(path, piece=cut.piece, feature_id=unseen, reading=reading) == []


def test_where_pieces_overlap_nothing_is_said(tmp_path, scene):
    """Two light pieces, one over the other by a quarter: its openings are closed there by the other one's plate."""
    n_rows, n_columns = scene.pixels.shape
    moved = round(0.62 * n_columns)
    pixels = np.full((n_rows, n_columns + moved), scene.pixels[:200, :100].mean(), np.uint8)
    pixels[:, :n_columns] = scene.pixels
    pixels[:, moved:] = np.maximum(pixels[:, moved:], scene.pixels)
    reading = read_scan(write_scene(replace(scene, pixels=pixels), tmp_path / "a.png"), piece=scene.piece)
    assert len(reading.pieces) == 2
    for piece in reading.pieces:
        both = piece.table.merge(scene.truth[["feature_id", "true_mm"]], on="feature_id")
        lost = both["flags"].str.contains("refused: another piece lies there")
        assert 0.05 < lost.mean() < 0.6
        assert both.loc[lost, "measured_mm"].isna().all()
        known = ~lost & (both["true_mm"] >= 0.1)
        assert (both["formed"] == "yes")[known].all()
        assert ((both["measured_mm"] - both["true_mm"]).abs() <= both["U95_mm"])[known].mean() > 0.93
        assert any("pieces overlap" in remark for remark in piece.remarks)


def test_too_small_a_part_is_refused(tmp_path, scene):
    cut = _cut(scene, 0.72)
    with pytest.raises((ScanError, ReadingError), match=r"all of the piece|on the glass|whole piece"):
        read_scan(write_scene(cut, tmp_path / "a.png"), piece=cut.piece)


def test_what_the_picture_shows_none_of_has_no_part(tmp_path, scene):
    """A plain dark picture with a light rectangle at its border is no piece."""
    pixels = np.full_like(scene.pixels, 40)
    pixels[200:, :900] = 180
    Image.fromarray(pixels).save(tmp_path / "a.png", dpi=(1200, 1200))
    with pytest.raises(ScanError, match="no piece of"):
        read_scan(tmp_path / "a.png", piece=scene.piece)
