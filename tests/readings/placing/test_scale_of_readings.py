"""Readings with a rule in the scan, a calibration, a check wire: against pieces whose truth is constructed."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from PIL import Image
from scale_scenes import TRUE_SCALE, piece_on_glass

from reference_scene import Glass, Layout, Rectangle, Thing, render
from sharpset.cli import main
from sharpset.pieces import make_stencil
from sharpset.readings import read_scan
from sharpset.readings.placing.piece_scale import chance_of_wrong_scale, scale_as_the_piece_says
from sharpset.scans import (
    LocalScale,
    Pose,
    ScaleReference,
    ScaleSources,
    Viewing,
    Viewpoint,
    calibrate_scanner,
    scan_from_pixels,
    settle_scale,
)
from sharpset.scans.scan import PixelSize

GLASS = Glass(scale_x=1.004, scale_y=0.997, slow_mm=0.02, period_mm=60.0)
RULE = ScaleReference(name="steel rule", kind="rule", pitch_mm=0.5, u_relative=1e-5, used_at_c=20.0)
WIRE_MM = 0.2


@pytest.fixture(scope="module")
def piece():
    return make_stencil(process="resin")


@pytest.fixture(scope="module")
def things(piece):
    w, h = piece.width_mm, piece.height_mm
    return (
        Thing(x_mm=5 + w / 2, y_mm=7, n=int(w / 0.5) + 8, angle_deg=0.8),
        Thing(x_mm=w + 14, y_mm=14 + h / 2, n=int(h / 0.5) + 8, angle_deg=90.6),
        Rectangle(x=w + 22, y=14 + h / 2, half_u=10, half_v=WIRE_MM / 2, angle_deg=88, step=0.4),
    )


@pytest.fixture(scope="module")
def scene(piece, things, tmp_path_factory):
    size = (piece.width_mm + 28, piece.height_mm + 22)
    pixels, truth = piece_on_glass(piece, GLASS, things=things, at_mm=(5, 15 + piece.height_mm), size_mm=size)
    path = tmp_path_factory.mktemp("scale") / "piece.png"
    Image.fromarray(pixels).save(path, dpi=(1200, 1200))
    return path, truth


@pytest.fixture(scope="module")
def with_rule(scene, piece):
    return read_scan(scene[0], piece=piece, scale_sources=ScaleSources(reference=RULE), check_wire_mm=WIRE_MM)


@pytest.fixture(scope="module")
def without(scene, piece):
    return read_scan(scene[0], piece=piece, check_wire_mm=WIRE_MM)


def test_scale_of_a_piece_is_right_where_a_rule_lies_beside_it(with_rule):
    quantities = with_rule.pieces[0].quantities
    for name, true in TRUE_SCALE.items():
        # The printer's own scatter of places is nought here; 1e-5 of the reference and 3e-5 of its turn are left.
        assert quantities[name].value == pytest.approx(true, abs=3e-5)
        assert abs(quantities[name].value - true) < quantities[name].U95 < 2e-4
    assert with_rule.scale.source == "reference"
    assert "lengths are corrected by +0.400 +- 0.00" in with_rule.pieces[0].remarks[-1]
    assert any("scale along x from the rule steel rule" in remark for remark in with_rule.remarks)


def test_without_a_rule_the_interval_of_the_scale_is_wide_enough(without):
    quantities = without.pieces[0].quantities
    for name, true in TRUE_SCALE.items():
        assert 0.003 < abs(quantities[name].value - true) < 0.005
        assert pytest.approx(2 * 0.002, rel=0.03) == quantities[name].U95
    assert "scale from the file (PNG pHYs), good to 0.4 %" in without.remarks


def test_a_resolution_that_is_two_percent_wrong_is_told_and_held(scene, piece, without):
    reading = read_scan(scene[0], piece=piece, dpi=1200 / 1.02)
    found = reading.pieces[0]
    assert any("larger than drawn" in remark and "give it with --dpi" in remark for remark in found.remarks)
    table = found.table.merge(scene[1][["feature_id", "true_mm"]], on="feature_id").dropna(subset=["measured_mm"])
    wide = table[table["nominal_mm"] >= 0.5]
    assert (wide["measured_mm"] / wide["true_mm"]).median() == pytest.approx(1.02, abs=0.005)
    assert ((wide["measured_mm"] - wide["true_mm"]).abs() < wide["U95_mm"]).all()
    assert not any("than drawn" in remark for remark in without.pieces[0].remarks)


@pytest.mark.parametrize(
    ("excess", "low", "high"), [(0.0, 0, 0.01), (0.01, 0, 0.03), (-0.02, 0.5, 0.9), (0.03, 0.99, 1)]
)
def test_the_larger_the_excess_the_likelier_a_wrong_resolution(excess, low, high):
    assert low < chance_of_wrong_scale(excess, 0.002) < high


@pytest.mark.parametrize(("has_rulers", "low", "high"), [(True, 0.003, 0.006), (False, 0.008, 0.011)])
def test_a_frame_without_measured_rulers_may_well_be_printed_wrong(has_rulers, low, high):
    # 1.5 % too large: of one in five such prints by hand 0.2 / 0.2 over that and 0.8 * 2.53 gives a chance of 0.33.
    viewing = Viewing(points=(Viewpoint(20.0, 20.0, 200.0),), face_mm=1.0, has_rulers=has_rulers)
    scan = scan_from_pixels(
        np.zeros((8, 8), np.uint16), pixel_mm=PixelSize(0.03, 0.03), scale_source="frame", u_scale=3e-3, viewing=viewing
    )
    pose = Pose(matrix=np.array([[1.015, 0, 0], [0, -1.015, 0]]) / 0.03, pixel_mm=PixelSize(0.03, 0.03))
    local = LocalScale(
        scan_scale=settle_scale(scan), pixel_mm=PixelSize(0.03, 0.03), u_x=3e-3, u_y=3e-3, shift_mm=np.zeros(2)
    )
    local, remarks = scale_as_the_piece_says(scan, pose, local)
    assert low < local.u_x < high
    assert bool(remarks) is not has_rulers


def test_sizes_and_places_gain_by_the_rule(with_rule, without, scene):
    error, away = {}, {}
    for name, reading in (("with", with_rule), ("without", without)):
        table = reading.pieces[0].table.merge(scene[1][["feature_id", "true_mm"]], on="feature_id")
        wide = table[table["nominal_mm"] >= 0.8]
        error[name] = float(np.sqrt(np.nanmean(((wide["measured_mm"] - wide["true_mm"]) / wide["true_mm"]) ** 2)))
        away[name] = reading.pieces[0].registration_px
        covered = (table["measured_mm"] - table["true_mm"]).abs() <= table["U95_mm"]
        # Of some 115 intervals of 95 % nine in ten is two and a half standard deviations below.
        assert covered[table["true_mm"].notna() & table["measured_mm"].notna()].mean() > 0.9
    assert error["with"] < 0.25 * error["without"]
    # The slow error moves features by up to 10 um about the best affine pose; the map takes it out.
    assert away["with"] < 0.4 * away["without"]


def test_skew_of_the_glass_stays_unknown(with_rule, without):
    # No rule along an axis tells the angle between the axes.
    assert (
        pytest.approx(without.pieces[0].quantities["skew_deg"].U95, rel=0.02)
        == with_rule.pieces[0].quantities["skew_deg"].U95
    )


def test_budget_lines_of_the_scale_are_those_of_the_rule(with_rule):
    piece = with_rule.pieces[0]
    lines = piece.contributions
    local = [lines.loc[lines["line"] == f"scale {axis}"].set_index("feature_id")["u_mm"] for axis in "xy"]
    sizes = piece.table.set_index("feature_id")["measured_mm"]
    relative = pd.concat([(line / sizes).dropna() for line in local])
    assert relative.max() < 1e-4


def test_check_wire_is_read_and_changes_nothing(with_rule, without, scene, piece):
    check = with_rule.check
    assert check.verdict == "agrees"
    # 2 % of a pixel of 21 um and the noise of 18 mm of edge: half a micrometre, at 95 % one.
    assert abs(check.deviation_mm) < check.U95_mm < 0.002
    assert any(check.summary() == remark for remark in with_rule.remarks)
    # The wire runs along y: its width gains 0.4 % of 200 um, which the dpi tag does not know of.
    assert check.measured_mm - without.check.measured_mm == pytest.approx(0.0008, abs=0.0002)
    thicker = read_scan(scene[0], piece=piece, check_wire_mm=0.21)
    assert thicker.check.verdict == "deviates"
    assert thicker.check.deviation_mm == pytest.approx(-0.0108, abs=0.001)
    pd.testing.assert_frame_equal(thicker.pieces[0].table, without.pieces[0].table)


def test_what_is_not_there_is_said_and_not_used(scene, piece, without):
    other = ScaleReference(name="inch rule", kind="rule", pitch_mm=0.79375, u_relative=1e-5)
    reading = read_scan(scene[0], piece=piece, check_wire_mm=1.0, scale_sources=ScaleSources(reference=other))
    assert reading.check.verdict == "not found"
    assert np.isnan(reading.check.measured_mm)
    assert any(remark.startswith("inch rule was not used: ") for remark in reading.remarks)
    assert reading.scale.source == "nominal"
    pd.testing.assert_frame_equal(reading.pieces[0].table, without.pieces[0].table)


@pytest.fixture(scope="module")
def files(scene, things, piece, tmp_path_factory):
    """A calibration of the same glass, and one made for another resolution."""
    folder = tmp_path_factory.mktemp("calibrations")
    size = (piece.width_mm + 28, piece.height_mm + 22)
    for dpi in (1200, 600):
        pixels = render(Layout(size_mm=size, dpi=dpi, glass=GLASS, things=things[:2]))
        scan = scan_from_pixels(pixels, pixel_mm=25.4 / dpi)
        calibrate_scanner(scan, RULE, scanner_id="Flatbed 7").write(folder / f"{dpi}.json")
    (folder / "rule.toml").write_text(
        'kind = "rule"\npitch_mm = 0.5\nu_relative = 1e-5\ncheck_wire_mm = 0.2\n', encoding="utf-8"
    )
    return folder


def test_a_calibration_found_by_the_scanner_id_gives_the_scale(scene, piece, files):
    sources = ScaleSources(calibrations=files, scanner_id="flatbed 7")
    reading = read_scan(scene[0], piece=piece, scale_sources=sources)
    assert reading.scale.source == "calibration"
    for name, true in TRUE_SCALE.items():
        quantity = reading.pieces[0].quantities[name]
        # 3 and 7 um over the piece's 40 mm: scans of one scanner differ by that much.
        assert abs(quantity.value - true) < quantity.U95 < 5e-4


def test_command_line_takes_references_and_calibrations(scene, piece, files, tmp_path, capsys):
    from sharpset.pieces import write_piece

    write_piece(piece, tmp_path / "piece")
    start = ["read", str(scene[0]), "--piece", str(tmp_path / "piece"), "--out", str(tmp_path / "r.csv")]
    assert main([*start, "--reference", str(files / "rule.toml")]) == 0
    out = capsys.readouterr().out
    assert "scale along x from the rule rule, 89 graduations" in out
    assert "check wire of 0.2 mm: reads 0.20" in out
    assert main([*start, "--calibration", str(files / "600.json")]) == 1
    err = capsys.readouterr().err
    assert err.count("\n") == 1
    assert "made at 600 x 600 dpi, the scan has 1200 x 1200" in err


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--reference", "none.toml"], "cannot be read"),
        (["--calibration", "none.json"], "cannot be read"),
        (["--calibrations", "nowhere"], "no such folder"),
        (["--check-wire", "50"], "50 mm is outside"),
    ],
)
def test_bad_input_is_one_line(scene, piece, tmp_path, monkeypatch, capsys, words, said):
    from sharpset.pieces import write_piece

    monkeypatch.chdir(tmp_path)
    write_piece(piece, tmp_path / "piece")
    assert main(["read", str(scene[0]), "--piece", "piece", "--out", "r.csv", *words]) == 1
    captured = capsys.readouterr()
    assert captured.out == ""
    assert captured.err.count("\n") == 1
    assert said in captured.err
