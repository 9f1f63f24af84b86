"""Light that bleeds to one side of edges: translucent pieces, grounds lit or shaded by walls."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
import shapely
from faulty_scenes import covered_share, draw_print
from PIL import Image
from scipy.special import ndtr

from sharpset.brief import Brief
from sharpset.errors import ReadingError
from sharpset.pieces import Piece, stencil_from_brief
from sharpset.readings import PieceReading, prepared, read_scan
from sharpset.readings.picture.bleed import near_at, unbled

DPI = 1200.0
PIXEL_MM = 25.4 / DPI


@pytest.mark.parametrize(("plate", "ground"), [(0.6, 0.0), (0.0, 0.5), (0.3, 0.1), (1.1, 0.0)])
def test_a_straight_edge_is_got_back_through_blur(plate: float, ground: float) -> None:
    """The edge is blurred by summing on a fine grid, not by any formula."""
    step, blur, reach = 0.0005, 0.02, 0.11
    x = np.arange(-1.2, 1.2, step)
    solid = (x > 0).astype(float)
    near = ndtr(x / reach)
    bled = solid * (1 - plate * (1 - near)) + (1 - solid) * ground * near
    kernel = np.exp(-0.5 * (np.arange(-0.1, 0.1 + step / 2, step) / blur) ** 2)
    seen = np.convolve(bled, kernel / kernel.sum(), mode="same")
    wanted = np.convolve(solid, kernel / kernel.sum(), mode="same")
    found = unbled(seen, near, np.gradient(near, step) * blur, plate, ground)
    middle = np.abs(x) < 0.8
    # A hundredth of the contrast is a fortieth of the blur: half a micrometre.
    assert np.max(np.abs(found - wanted)[middle]) < (0.012 if plate < 1 else 0.05)
    assert np.max(np.abs(seen - wanted)[middle]) > 0.1


def test_a_coarse_grid_is_read_between_its_cells() -> None:
    """A plane stays a plane, whatever number of pixels a cell holds."""
    rows, columns = np.mgrid[0:20, 0:30].astype(np.float32)
    cells = 0.5 + 3 * columns + 2 * rows
    # The middle of cell (row 4, column 7) of three pixels is the middle of its pixel 1.
    assert near_at(cells, 3.0, np.array([22.0]), np.array([13.0]))[0] == pytest.approx(0.5 + 3 * 7 + 2 * 4)
    found = near_at(cells, 3.0, np.arange(10.0, 40.0), np.arange(12.0, 15.0)[:, None])
    assert found.shape == (3, 30)
    assert np.allclose(np.diff(found, axis=1), 1.0, atol=0.1)


@pytest.fixture(scope="module")
def piece() -> Piece:
    return stencil_from_brief(
        Brief.model_validate(
            {
                "name": "bollards",
                "process": "resin",
                "smallest_mm": {"bar": 0.2, "slot": 0.2, "hole": 0.3},
                "tolerance_mm": {"width": 0.02},
            }
        )
    )


def _picture(piece: Piece, path: Path, *, side: str, share: float, plate: float, ground: float) -> dict[str, float]:
    """Scan a print on which light bleeds over a tenth of a millimetre, by a kernel with a long tail; return truth."""
    rng = np.random.default_rng(5)
    printed = draw_print(piece, rng)
    fine = 2
    turn = np.radians(17.0)
    matrix = np.array([[np.cos(turn), np.sin(turn)], [np.sin(turn), -np.cos(turn)]]) * fine / PIXEL_MM
    points = shapely.get_coordinates(printed.solid) @ matrix.T
    origin = 90.0 * fine - points.min(axis=0)
    columns, rows = (np.ceil(np.ptp(points, axis=0) / fine + 180).astype(int) * fine).tolist()
    solid = covered_share(printed.solid, matrix, origin, (rows, columns))
    cell = PIXEL_MM / fine
    near = sum(w * cv2.GaussianBlur(solid, (0, 0), 0.1 * f / cell) for w, f in ((0.3, 0.6), (0.5, 1.0), (0.2, 1.8)))
    light = ground + (plate - ground) * solid
    if side == "plate":
        light -= share * (plate - ground) * solid * (1 - near)
    else:
        light += share * (plate - ground) * (1 - solid) * near
    light = cv2.GaussianBlur(light, (0, 0), 0.9 * fine).reshape(rows // fine, fine, columns // fine, fine).mean((1, 3))
    light += rng.normal(0, 0.004, light.shape)
    light = np.clip(light, 0, 1)
    stored = np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 1e-9) ** (1 / 2.4) - 0.055)
    Image.fromarray(np.round(255 * stored).astype(np.uint8)).save(path, dpi=(DPI, DPI))
    return {str(r.feature_id): float(r.true_mm) for r in printed.truth.itertuples()}


def _errors_um(read: PieceReading, truth: dict[str, float]) -> tuple[np.ndarray, np.ndarray]:
    """Return errors and expanded uncertainties of what formed and is not tiny, um."""
    table = read.table[(read.table["formed"] == "yes") & read.table["measured_mm"].notna()]
    true = table["feature_id"].map(truth).to_numpy(float)
    known = np.isfinite(true) & (true >= 0.1)
    off = 1000 * (table["measured_mm"].to_numpy(float) - true)
    return off[known], 1000 * table["U95_mm"].to_numpy(float)[known]


@pytest.mark.parametrize(("side", "share", "plate", "ground"), [("plate", 0.6, 0.6, 0.06), ("ground", 0.5, 0.06, 0.65)])
def test_what_bleeds_is_taken_out_and_said(
    piece: Piece, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, side: str, share: float, plate: float, ground: float
) -> None:
    """A translucent piece on black, and a dark piece whose walls keep light off a white ground."""
    path = tmp_path / "scan.png"
    truth = _picture(piece, path, side=side, share=share, plate=plate, ground=ground)
    read = read_scan(path, piece=piece).pieces[0]
    off, u95 = _errors_um(read, truth)
    assert len(off) > 100
    assert np.sqrt(np.mean(off**2)) < 4.5
    assert np.mean(np.abs(off) <= u95) > 0.93
    assert any(f"the {side}" in remark and "bleeds" in remark for remark in read.remarks)
    assert not (read.table["formed"].eq("no") & read.table["feature_id"].map(truth).gt(0.1)).any()
    monkeypatch.setattr(prepared, "measure_bleed", lambda *_: None)
    plain, _ = _errors_um(read_scan(path, piece=piece).pieces[0], truth)
    # What is taken off for walls beside all edges takes a part of it too.
    assert np.sqrt(np.mean(plain**2)) > 1.7 * np.sqrt(np.mean(off**2))


def test_an_even_piece_is_left_alone(piece: Piece, tmp_path: Path) -> None:
    path = tmp_path / "scan.png"
    truth = _picture(piece, path, side="plate", share=0.0, plate=0.6, ground=0.06)
    read = read_scan(path, piece=piece).pieces[0]
    off, _ = _errors_um(read, truth)
    assert np.sqrt(np.mean(off**2)) < 1.0
    assert not any("bleeds" in remark for remark in read.remarks)


def test_what_nothing_explains_is_refused(piece: Piece, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from sharpset.readings.edges import bleed_fit

    path = tmp_path / "scan.png"
    _picture(piece, path, side="plate", share=0.6, plate=0.6, ground=0.06)
    monkeypatch.setattr(bleed_fit, "_LEFT", 0.0)
    with pytest.raises(ReadingError, match=r"the plate changes by .* along its edges.*opaque"):
        read_scan(path, piece=piece)
