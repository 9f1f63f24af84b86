"""Pictures whose background is darker beside the plate, of which the true sizes are known."""

from __future__ import annotations

import numpy as np
import pytest
from reading_scenes import make_scene, write_scene

from sharpset.readings import prepared, read_scan

DARK_PLATE = {"plate": 0.12, "background": 0.6, "angle_deg": 100.0}


@pytest.mark.parametrize("shade", [(0.2, 4.0), (0.2, 8.0)], ids=["over 0.08 mm", "over 0.17 mm"])
@pytest.mark.parametrize("taken_out", [True, False])
def test_shade_beside_the_plate_is_remarked_and_held_by_the_uncertainty(tmp_path, monkeypatch, shade, taken_out):
    """Shade all along a plate is taken out; where it is not, its sizes say that they may be off."""
    if not taken_out:
        monkeypatch.setattr(prepared, "measure_bleed", lambda *_: None)
    scene = make_scene(**DARK_PLATE, shade=shade, seed=7)
    (piece,) = read_scan(write_scene(scene, tmp_path / "a.png"), piece=scene.piece).pieces
    assert any(("light bleeds" if taken_out else "edges are lopsided") in remark for remark in piece.remarks)
    both = piece.table.merge(scene.truth[["feature_id", "true_mm"]], on="feature_id")
    both = both[(both["formed"] == "yes") & both["true_mm"].notna()]
    error = (both["measured_mm"] - both["true_mm"]).to_numpy()
    # Such shade moves many an edge by two micrometres and more, which an interval of two could not hold; where it
    # reaches far beyond the blur, light there counts for little.
    largest = np.quantile(np.abs(error), 0.9)
    assert largest < 0.003 if taken_out else largest > (0.004 if shade[1] < 5 else 0.002)
    # Edges move alike, so that the share inside is no binomial one: nearly all are, or few.
    assert np.mean(np.abs(error) <= both["U95_mm"]) > 0.9


def test_edges_without_shade_get_no_remark(tmp_path):
    scene = make_scene(**DARK_PLATE, seed=7)
    (piece,) = read_scan(write_scene(scene, tmp_path / "a.png"), piece=scene.piece).pieces
    assert not any("lopsided" in remark for remark in piece.remarks)
    edge = piece.contributions[piece.contributions["line"] == "edge"]
    # What is left of symmetric edges is a tenth of a micrometre beside the 0.02 px that always count, and lit walls
    # beside all of them that leave no lean may still move them by a few tenths.
    assert edge["u_mm"].max() < 1.5 * 0.02 * 0.0212
