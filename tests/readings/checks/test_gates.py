"""Gates on pictures with one fault at a time, both sides of each threshold; and what must never happen."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from reading_scenes import Scene, make_scene, write_scene
from scipy.ndimage import gaussian_filter

from sharpset.errors import ReadingError
from sharpset.readings import PieceReading, read_scan
from sharpset.readings.checks.gates import off_levels, too_small_to_tell
from sharpset.readings.checks.plate import Overshoot

DPI = 600


@pytest.fixture(scope="module")
def scene() -> Scene:
    """One ordinary scene, made once."""
    return make_scene(dpi=DPI, blur_px=0.7, angle_deg=3.0, seed=11)


def _decode(values: np.ndarray) -> np.ndarray:
    v = values / 255
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4)


def _encode(light: np.ndarray) -> np.ndarray:
    light = np.clip(light, 0, 1)
    return np.round(255 * np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)).astype(
        np.uint8
    )


def _read(scene: Scene, pixels: np.ndarray, tmp_path) -> PieceReading:
    (piece,) = read_scan(
        write_scene(replace(scene, pixels=pixels), tmp_path / "g.png", dpi=DPI), piece=scene.piece
    ).pieces
    return piece


def _errors_um(piece: PieceReading, scene: Scene) -> np.ndarray:
    """Return the errors of the strips from 0.15 mm on that were given a number."""
    both = piece.table.merge(scene.truth[["feature_id", "true_mm"]], on="feature_id")
    both = both[both["kind"].isin(("slot", "bar")) & (both["true_mm"] >= 0.15) & both["measured_mm"].notna()]
    return 1000 * (both["measured_mm"] - both["true_mm"]).to_numpy()


def _patches(light: np.ndarray, *, n: int, radius: float, height: float, seed: int) -> np.ndarray:
    """Add bright patches inside the piece."""
    rng = np.random.default_rng(seed)
    rows, columns = light.shape
    out = light.copy()
    for _ in range(n):
        row, column = rng.uniform(0.2, 0.8) * rows, rng.uniform(0.2, 0.8) * columns
        y, x = np.ogrid[:rows, :columns]
        out += height * np.exp(-((y - row) ** 2 + (x - column) ** 2) / (2 * radius**2))
    return out


def _dust(light: np.ndarray, *, n: int, seed: int) -> np.ndarray:
    """Lay dark and light specks of one to three pixels anywhere."""
    rng = np.random.default_rng(seed)
    out = np.pad(light, 16, mode="edge")
    for _ in range(n):
        row, column, radius = rng.uniform(0, light.shape[0]), rng.uniform(0, light.shape[1]), rng.uniform(0.7, 2.5)
        y, x = np.mgrid[-12:13, -12:13]
        cover = np.exp(-((y - row % 1) ** 2 + (x - column % 1) ** 2) / (2 * radius**2))
        part = (slice(int(row) + 4, int(row) + 29), slice(int(column) + 4, int(column) + 29))
        out[part] = out[part] * (1 - cover) + rng.uniform(0, 0.7) * cover
    return out[16:-16, 16:-16]


def _tilted(light: np.ndarray, largest_px: float) -> np.ndarray:
    """Blur a picture more and more from left to right."""
    steps = np.array([gaussian_filter(light, s) if s else light for s in np.linspace(0, largest_px, 7)])
    place = np.clip(np.arange(light.shape[1]) / light.shape[1] * 6, 0, 5.999)
    low, share = place.astype(int), place % 1
    columns = np.arange(light.shape[1])
    return steps[low, :, columns].T * (1 - share) + steps[low + 1, :, columns].T * share


def test_a_plain_scan_passes_without_remarks(scene, tmp_path):
    piece = _read(scene, scene.pixels, tmp_path)
    assert not any(word in " ".join(piece.remarks) for word in ("glare", "dust", "flat", "overshoot"))
    assert not piece.table["flags"].astype(str).str.contains("refused").any()


def test_glare_refuses_the_features_beside_it_and_keeps_the_rest(scene, tmp_path):
    shining = _encode(_patches(_decode(scene.pixels), n=6, radius=18, height=0.5, seed=1))
    piece = _read(scene, shining, tmp_path)
    refused = piece.table["flags"].astype(str).str.contains("refused")
    assert 3 <= refused.sum() < 0.5 * len(refused)
    assert piece.table.loc[refused, "measured_mm"].isna().all()
    assert not (piece.table.loc[refused, "formed"] == "yes").any()
    assert any("shines" in remark for remark in piece.remarks)
    # What is left is as good as without glare: 1 um at 42 um pixels and a contrast of 50 times the noise.
    assert np.sqrt(np.mean(_errors_um(piece, scene) ** 2)) < 2.0
    assert np.abs(_errors_um(piece, scene)).max() < 10


def test_much_glare_refuses_the_scan(scene, tmp_path):
    shining = _encode(_patches(_decode(scene.pixels), n=40, radius=22, height=0.5, seed=2))
    with pytest.raises(ReadingError, match=r"shines \(glare\).*Matt the surface"):
        _read(scene, shining, tmp_path)


@pytest.mark.parametrize(("n", "said"), [(150, False), (1500, True)])
def test_dust_is_remarked(scene, tmp_path, n, said):
    piece = _read(scene, _encode(_dust(_decode(scene.pixels), n=n, seed=3)), tmp_path)
    assert any("dust" in remark for remark in piece.remarks) == said
    assert np.median(np.abs(_errors_um(piece, scene))) < 2.0


def test_much_dust_refuses_the_scan(scene, tmp_path):
    with pytest.raises(ReadingError, match=r"dust or scratches cover .*Blow"):
        _read(scene, _encode(_dust(_decode(scene.pixels), n=9000, seed=4)), tmp_path)


def test_a_piece_that_does_not_lie_flat_is_remarked_then_refused(scene, tmp_path):
    light = _decode(scene.pixels)
    piece = _read(scene, _encode(_tilted(light, 1.1)), tmp_path)
    assert any("does not lie flat" in remark for remark in piece.remarks)
    assert np.sqrt(np.mean(_errors_um(piece, scene) ** 2)) < 2.0
    for much in (2.6, 3.0):
        with pytest.raises(ReadingError, match=r"does not lie flat.*Weigh it down"):
            _read(scene, _encode(_tilted(light, much)), tmp_path)


@pytest.mark.parametrize(("amount", "outcome"), [(0.0, "plain"), (0.2, "remark"), (0.5, "refused"), (1.5, "refused")])
def test_sharpened_pictures(scene, tmp_path, amount, outcome):
    """Unsharp masking of the encoded values, as scanning programs do it."""
    values = scene.pixels / 255
    sharpened = np.round(255 * np.clip(values + amount * (values - gaussian_filter(values, 1.5)), 0, 1))
    if outcome == "refused":
        with pytest.raises(ReadingError, match=r"was sharpened.*Switch sharpening"):
            _read(scene, sharpened.astype(np.uint8), tmp_path)
        return
    piece = _read(scene, sharpened.astype(np.uint8), tmp_path)
    assert any("overshoot" in remark for remark in piece.remarks) == (outcome == "remark")
    both = piece.table.merge(scene.truth[["feature_id", "true_mm"]], on="feature_id")
    wide = both[(both["true_mm"] >= 0.15) & both["measured_mm"].notna()]
    assert ((wide["measured_mm"] - wide["true_mm"]).abs() <= wide["U95_mm"]).mean() > 0.9


def test_bright_rims_are_told_from_sharpening():
    # sRGB of 0.4 is 0.665, of 0.12 0.381; a mask that adds 0.02 there and takes it here adds 0.0267 and takes 0.0124.
    masked = Overshoot(plate=0.0267 / 0.28, background=0.0124 / 0.28)
    assert masked.by_a_mask(0.4, 0.12)
    assert not Overshoot(plate=0.027, background=0.0).by_a_mask(0.4, 0.12)
    # On black the dark side of a mask is cut off.
    assert Overshoot(plate=0.027, background=0.0).by_a_mask(0.4, 0.01)


@pytest.mark.parametrize(("plate", "refused"), [(0.85, False), (1.3, True)])
def test_clipped_pictures(tmp_path, plate, refused):
    bright = make_scene(dpi=DPI, blur_px=0.7, plate=plate, seed=12)
    if refused:
        with pytest.raises(ReadingError, match="end of the scale"):
            _read(bright, bright.pixels, tmp_path)
    else:
        assert np.sqrt(np.mean(_errors_um(_read(bright, bright.pixels, tmp_path), bright) ** 2)) < 2.0


@pytest.mark.parametrize(("blur_px", "refused"), [(1.6, False), (2.9, True)])
def test_focus(tmp_path, blur_px, refused):
    soft = make_scene(dpi=DPI, blur_px=blur_px, seed=13)
    if refused:
        # 0.75 of the 0.15 mm that the piece was made for are 2.7 px.
        with pytest.raises(ReadingError, match="blur"):
            _read(soft, soft.pixels, tmp_path)
    else:
        assert np.sqrt(np.mean(_errors_um(_read(soft, soft.pixels, tmp_path), soft) ** 2)) < 3.0


def test_what_did_not_form_is_never_called_formed(tmp_path):
    """Five faulty pictures, 775 features, a tenth of them missing."""
    hows = [
        {"seed": 21, "angle_deg": 200.0, "noise": 0.03},
        {"seed": 22, "angle_deg": 90.0, "blur_px": 1.4, "mirror": True},
        {"seed": 23, "plate": 0.15, "background": 0.7},
        {"seed": 24, "plate": 0.3, "background": 0.1, "noise": 0.006, "angle_deg": 45.0},
        {"seed": 25, "noise": 0.02},
    ]
    faults = (
        lambda light: _dust(light, n=600, seed=31),
        lambda light: _patches(light, n=4, radius=15, height=0.4, seed=32),
        lambda light: _dust(light, n=300, seed=33),
        lambda light: _dust(light, n=300, seed=34),
        lambda light: _tilted(_dust(light, n=400, seed=35), 1.0),
    )
    n_missing = n_features = 0
    for how, fault in zip(hows, faults, strict=True):
        drawn = make_scene(dpi=DPI, **{"blur_px": 0.7, "angle_deg": 10.0, **how})
        linear = how.get("linear", False)
        light = drawn.pixels / 255 if linear else _decode(drawn.pixels)
        spoilt = fault(light)
        pixels = np.round(255 * np.clip(spoilt, 0, 1)).astype(np.uint8) if linear else _encode(spoilt)
        table = _read(drawn, pixels, tmp_path).table
        both = table.merge(drawn.truth[["feature_id", "true_mm"]], on="feature_id")
        missing = both["true_mm"].isna()
        wrong = both.loc[missing & (both["formed"] == "yes"), ["feature_id", "measured_mm", "flags"]]
        assert wrong.empty, f"{how}: {wrong.to_string()}"
        n_missing += int(missing.sum())
        n_features += len(both)
    assert n_features >= 700
    assert n_missing >= 50


def test_refused_features_are_no_evidence(scene, tmp_path):
    """Neither fits nor comparisons count a refused feature as one that did not form."""
    from sharpset.fits.responses import formed_counts

    shining = _encode(_patches(_decode(scene.pixels), n=6, radius=18, height=0.5, seed=1))
    table = _read(scene, shining, tmp_path).table
    refused = table["flags"].astype(str).str.contains("refused")
    counted = table["kind"].isin(("slot", "bar", "hole"))
    assert (refused & counted).any()
    assert formed_counts(table)["n"].sum() == (counted & ~refused).sum()


@pytest.mark.parametrize(("share", "refused"), [(0.5, True), (0.16, False)])
def test_a_card_that_ends_under_the_piece(scene, tmp_path, share, refused):
    light = _decode(scene.pixels)
    rows = np.arange(len(light)) > (1 - share) * len(light)
    # Lighter where there is no card, as far as the background is seen: the plate's light stays.
    seen = np.clip((0.55 - light) / 0.5, 0, 1)
    pixels = _encode(light + 0.2 * rows[:, None] * seen)
    if refused:
        with pytest.raises(ReadingError, match="even background"):
            _read(scene, pixels, tmp_path)
        return
    piece = _read(scene, pixels, tmp_path)
    assert any("background is uneven" in remark for remark in piece.remarks)
    y = piece.table["y_mm"]
    # Row 0 is the far end of y on a scan seen from above.
    gone = piece.table["flags"].str.contains("uneven background")
    assert gone.any()
    assert y[gone].max() < y.median()
    assert gone.mean() < 0.4


def test_a_wide_hole_that_a_film_closes_is_no_uneven_background(scene, tmp_path):
    features = scene.piece.features
    wide = features[features["kind"] == "hole"].nlargest(1, "nominal_mm").iloc[0]
    centre = scene.matrix @ [wide["x_mm"], wide["y_mm"], 1.0]
    pixel = 1 / np.sqrt(abs(np.linalg.det(scene.matrix[:, :2])))
    light = _decode(scene.pixels)
    away = np.hypot(*(np.indices(light.shape)[::-1] - centre[:, None, None])) * pixel
    film = away < wide["nominal_mm"] / 2 + 0.1
    light[film] += 0.4 * np.clip(0.5 - light[film], 0, None)
    table = _read(scene, _encode(light), tmp_path).table.set_index("feature_id")
    assert not table["flags"].str.contains("uneven background").any()
    assert np.isnan(table.loc[wide["feature_id"], "measured_mm"])


def test_features_along_a_dead_column_are_refused(scene, tmp_path):
    features = scene.piece.features.set_index("feature_id")
    pixels = scene.pixels.copy()
    along = []
    for name, value in (("slots-90-0.2-1", 255), ("bars-90-0.2-2", 255), ("slots-90-0.315-2", 0)):
        f = features.loc[name]
        # Beside one edge: inside the slot, outside the bar.
        column = round(float((scene.matrix @ [f.x_mm + 0.4 * f.nominal_mm, f.y_mm, 1])[0]))
        pixels[:, column] = value
        along.append(name)
    pixels[:, 20] = 0
    piece = _read(scene, pixels, tmp_path)
    assert any("columns of pixels are off all along" in remark for remark in piece.remarks)
    table = piece.table.set_index("feature_id")
    assert all("refused: line of the scanner" in table.loc[name, "flags"] for name in along)
    assert table.loc[along, "measured_mm"].isna().all()
    refused = table["flags"].str.contains("line of the scanner")
    assert refused.sum() < 0.1 * len(table)
    both = table.join(scene.truth.set_index("feature_id")["true_mm"])
    both = both[both["true_mm"].notna() & both["measured_mm"].notna() & (both["formed"] == "yes")]
    # A dead column 0.05 mm beside an edge moved it by tens of micrometres; 95 % are due, less three binomial spreads.
    assert ((both["measured_mm"] - both["true_mm"]).abs() <= both["U95_mm"]).mean() > 0.89
    assert (1000 * (both["measured_mm"] - both["true_mm"]).abs() < 15).all()


def test_sizes_that_may_be_less_than_what_formed_are_not_told():
    u_mm = 0.005
    # A tenth of a hole's area is 0.316 of its diameter, and a slot must be 0.15 of its width.
    rows = [
        ("hole", 0.10, 0.0316 + 1.2 * u_mm, True),
        ("hole", 0.10, 0.0316 + 1.4 * u_mm, False),
        ("slot", 0.50, 0.0750 + 1.2 * u_mm, True),
        ("slot", 0.50, 0.0750 + 1.4 * u_mm, False),
        ("slot", 0.05, 4.9 * u_mm, True),
        ("bar", 0.05, 5.1 * u_mm, False),
        ("slot", 0.50, np.nan, False),
    ]
    table = pd.DataFrame(rows, columns=["kind", "nominal_mm", "measured_mm", "expected"])
    table = table.assign(formed="yes", U95_mm=1.96 * u_mm)
    assert too_small_to_tell(table).tolist() == table["expected"].tolist()
    assert not too_small_to_tell(table.assign(formed="partly")).any()


def test_a_picture_rounded_to_few_levels_is_not_said_to_shine(tmp_path):
    scene = make_scene(dpi=DPI, blur_px=0.5, angle_deg=5.0, seed=31, noise=0.0)
    rounded = np.round(np.round(scene.pixels / 255 * 19) * 255 / 19).astype(np.uint8)
    with pytest.raises(ReadingError, match="few different values") as refused:
        _read(scene, rounded, tmp_path)
    assert "shines" not in str(refused.value)


def test_light_that_differs_alike_beside_all_features_is_even():
    """Lines of filament along edges are brighter than those between them: a fifth more beside every opening."""
    mapped = np.repeat([1.0, 0.0], [12, 10])
    level = mapped + np.where(mapped == 1, 0.2, 0.0)
    level[0], level[5], level[15] = 0.95, 1.42, 0.2
    assert np.flatnonzero(off_levels(level, mapped)).tolist() == [0, 5, 15]
    # Few features tell no usual light, and one that lies far from any map stays far.
    assert off_levels(level[1:5], mapped[1:5]).all()
    assert off_levels(mapped + 0.4, mapped).all()
