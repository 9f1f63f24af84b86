"""Calibrations of scanners: made, kept, refused when they are too old or of another kind."""

from __future__ import annotations

import datetime
import json

import numpy as np
import pytest
from PIL import Image

from reference_scene import INCH, Glass, Layout, Thing, render
from sharpset.cli import main
from sharpset.errors import ScanError
from sharpset.scans import (
    ScaleReference,
    ScaleSources,
    calibrate_scanner,
    load_calibration,
    open_scan,
    scan_from_pixels,
    settle_scale,
)
from sharpset.scans.calibration import matching_calibration

GLASS = Glass(scale_x=1.003, scale_y=0.998, slow_mm=0.02, period_mm=90.0)
TODAY = datetime.date(2026, 3, 2)
REFERENCE = ScaleReference(name="steel rule", kind="rule", pitch_mm=0.5, u_relative=1e-5)
ID = "Brackwater Works Flatbed 7"


@pytest.fixture(scope="module")
def pixels():
    rules = (Thing(x_mm=23, y_mm=7, n=70), Thing(x_mm=49, y_mm=30, n=90, angle_deg=90))
    return render(Layout(size_mm=(58, 58), dpi=600, glass=GLASS, things=rules))


@pytest.fixture(scope="module")
def scan(pixels):
    return scan_from_pixels(pixels, pixel_mm=INCH / 600, name="rules.png", scanner_id=ID)


@pytest.fixture(scope="module")
def calibration(scan):
    return calibrate_scanner(scan, REFERENCE, today=TODAY)


def test_what_is_kept_comes_back(calibration, tmp_path):
    back = load_calibration(calibration.write(tmp_path / "new" / "c.json"))
    assert (back.scanner_id, back.date, back.expires) == (ID, TODAY, TODAY + datetime.timedelta(days=90))
    assert (back.size_px, back.sha256, back.reference) == (
        calibration.size_px,
        calibration.sha256,
        calibration.reference,
    )
    for name in ("x", "y"):
        before, after = getattr(calibration.scale, name), getattr(back.scale, name)
        np.testing.assert_array_equal(before.nodes_mm, after.nodes_mm)
        assert after.slope(10, 40) == before.slope(10, 40)
        assert after.u_slope(10, 40) == before.u_slope(10, 40)
    assert "good until 2026-05-31" in back.summary()
    data = json.loads((tmp_path / "new" / "c.json").read_text(encoding="utf-8"))
    assert data["kind"] == "sharpset scanner calibration"
    assert data["x"]["correction"] == pytest.approx(0.003, abs=2e-5)


def test_its_scale_is_right_and_later_scans_cost_uncertainty(calibration, scan):
    applied = calibration.applied(scan)
    assert applied.source == "calibration"
    assert applied.x.correction == pytest.approx(0.003, abs=2e-5)
    grid = np.linspace(10, 50, 80)
    true = GLASS.true_y(grid) - grid
    error = applied.y.offsets(grid) - true
    assert np.std(error) < 0.0015  # nodes 12 mm apart follow a sine of 90 mm to about a micrometre
    # 3 um along the sensor and 7 along the carriage between scans, over a piece of 30 mm.
    assert applied.x.u_slope(10, 40) == pytest.approx(0.003 / 30, rel=0.2)
    assert applied.y.u_slope(10, 40) == pytest.approx(0.007 / 30, rel=0.2)


def test_a_scan_of_another_area_gets_the_mean_scale_only(calibration, pixels):
    part = scan_from_pixels(np.ascontiguousarray(pixels[:1000, :900]), pixel_mm=INCH / 600)
    applied = calibration.applied(part)
    assert len(applied.y.nodes_mm) == 2
    assert applied.y.correction == pytest.approx(calibration.scale.y.correction, abs=1e-9)
    # The slopes of the slow error, 20 um * 2 pi / 90 mm / sqrt 2, are now not known.
    assert applied.y.u_slope(5, 20) > 0.8 * 0.02 * 2 * np.pi / 90 / np.sqrt(2)
    assert "another area" in applied.remarks[0]


@pytest.mark.parametrize(
    ("days", "dpi", "words"),
    [
        (0, 600, ""),
        (90, 600, ""),
        (91, 600, "expired on 2026-05-31"),
        (-1, 600, "after today"),
        (1, 1200, "made at 600 x 600 dpi, the scan has 1200 x 1200"),
    ],
)
def test_calibrations_that_do_not_fit_are_refused(calibration, pixels, days, dpi, words):
    scan = scan_from_pixels(pixels, pixel_mm=INCH / dpi)
    day = TODAY + datetime.timedelta(days=days)
    fault = calibration.fault(scan, today=day)
    assert words in fault
    assert bool(words) == bool(fault)
    if words:
        with pytest.raises(ScanError, match=words):
            settle_scale(scan, ScaleSources(calibration=calibration), today=day)


def test_a_scan_of_another_scanner_does_not_take_a_named_calibration(calibration, pixels):
    other = scan_from_pixels(pixels, pixel_mm=INCH / 600, scanner_id="Brackwater Works Flatbed 8")
    with pytest.raises(ScanError, match="of scanner 'Brackwater Works Flatbed 7', the scan is from"):
        settle_scale(other, ScaleSources(calibration=calibration), today=TODAY)


def test_a_folder_is_searched_by_the_scanner_id(calibration, scan, pixels, tmp_path):
    import dataclasses

    calibration.write(tmp_path / "b.json")
    newer = dataclasses.replace(calibration, date=TODAY + datetime.timedelta(days=10))
    newer.write(tmp_path / "a.json")
    dataclasses.replace(calibration, scanner_id="another").write(tmp_path / "c.json")
    (tmp_path / "d.json").write_text('{"kind": "photo frame"}', encoding="utf-8")
    (tmp_path / "e.json").write_text('{"kind": "sharpset scanner calibration", "version": 1}', encoding="utf-8")
    day = TODAY + datetime.timedelta(days=20)
    found, remarks = matching_calibration(tmp_path, scan, today=day)
    assert found is not None
    assert (found.date, remarks) == (newer.date, ())
    found, remarks = matching_calibration(tmp_path, scan, today=TODAY + datetime.timedelta(days=400))
    assert found is None
    assert sum("expired" in remark for remark in remarks) == 2
    assert sum("e.json" in remark and "damaged" in remark for remark in remarks) == 1
    nameless = scan_from_pixels(pixels, pixel_mm=INCH / 600)
    assert "does not name its scanner" in matching_calibration(tmp_path, nameless, today=day)[1][0]
    assert matching_calibration(tmp_path, nameless, scanner_id=f" {ID.upper()} ", today=day)[0] is not None
    with pytest.raises(ScanError, match="no such folder"):
        matching_calibration(tmp_path / "none", scan)


def test_a_reference_in_the_scan_goes_before_a_calibration(calibration, pixels):
    upper = pixels.copy()
    upper[:, 1030:] = 20  # the rule along y is not there
    scan = scan_from_pixels(upper, pixel_mm=INCH / 600)
    sources = ScaleSources(reference=REFERENCE, calibration=calibration)
    scale = settle_scale(scan, sources, today=TODAY)
    assert scale.source == "reference and calibration"
    assert "from the rule steel rule" in scale.x.source
    assert "from the calibration of 2026-03-02" in scale.y.source


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda d: d.pop("x"), "'x' is missing"),
        (lambda d: d.update(version=9), "version 9"),
        (lambda d: d["y"]["offsets_mm"].pop(), "map along y is not whole"),
        (lambda d: d["x"].update(correction=0.1), "do not agree"),
        (lambda d: d["x"].update(u_common=-1), "impossible numbers"),
        (lambda d: d.update(expires="soon"), "damaged"),
        (lambda d: d.update(dpi=[600]), "dpi must be two numbers"),
        (lambda d: d.update(x=None, y=None), "neither axis"),
        (lambda d: d["reference"].update(kind="coin"), "is not known"),
        (lambda d: d.update(kind="photo frame"), "is no calibration"),
    ],
)
def test_a_damaged_file_says_what_is_wrong(calibration, tmp_path, change, words):
    path = calibration.write(tmp_path / "c.json")
    data = json.loads(path.read_text(encoding="utf-8"))
    change(data)
    path.write_text(json.dumps(data), encoding="utf-8")
    with pytest.raises(ScanError) as fault:
        load_calibration(path)
    assert str(fault.value).startswith(str(path))
    assert words in str(fault.value)


def test_half_a_file_is_no_calibration(calibration, tmp_path):
    path = calibration.write(tmp_path / "c.json")
    path.write_text(path.read_text(encoding="utf-8")[:300], encoding="utf-8")
    with pytest.raises(ScanError, match="damaged or no calibration"):
        load_calibration(path)


@pytest.fixture(scope="module")
def files(pixels, tmp_path_factory):
    folder = tmp_path_factory.mktemp("cli")
    exif = Image.Exif()
    exif[0x010F], exif[0x0110] = "Brackwater Works", "Flatbed 7"
    Image.fromarray(pixels).save(folder / "rules.png", dpi=(600, 600), exif=exif)
    Image.fromarray(np.full_like(pixels, 30)).save(folder / "empty.png", dpi=(600, 600))
    (folder / "rule.toml").write_text(
        'name = "steel rule"\nkind = "rule"\npitch_mm = 0.5\nu_relative = 1e-5\n', encoding="utf-8"
    )
    return folder


def test_calibrate_and_show_from_the_command_line(files, capsys, monkeypatch):
    monkeypatch.chdir(files)
    assert main(["scan", "calibrate", "rules.png", "--reference", "rule.toml", "--expires-days", "30"]) == 0
    out = capsys.readouterr().out
    assert "wrote brackwater-works-flatbed-7-600dpi.json" in out
    made = load_calibration(files / "brackwater-works-flatbed-7-600dpi.json")
    assert made.scanner_id == ID == open_scan(files / "rules.png").scanner_id
    assert (made.expires - made.date).days == 30
    assert main(["scan", "show", "brackwater-works-flatbed-7-600dpi.json"]) == 0
    out = capsys.readouterr().out
    assert "along x: from the rule steel rule, 71 graduations over 35 mm: +0.300" in out
    assert "note" not in out


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["calibrate", "empty.png", "--reference", "rule.toml"], "no row of graduations"),
        (["calibrate", "none.png", "--reference", "rule.toml"], "no such file"),
        (["calibrate", "rules.png", "--reference", "none.toml"], "cannot be read"),
        (["calibrate", "rules.png", "--reference", "rule.toml", "--expires-days", "0"], "0 days of use"),
        (["calibrate", "rules.png", "--reference", "rule.toml", "--dpi", "450"], "not used"),
        (["show", "rule.toml"], "damaged or no calibration"),
        (["show", "none.json"], "cannot be read"),
    ],
)
def test_bad_input_is_one_line(files, capsys, monkeypatch, words, said):
    monkeypatch.chdir(files)
    assert main(["scan", *words]) == 1
    captured = capsys.readouterr()
    assert captured.out == ""
    assert captured.err.count("\n") == 1
    assert said in captured.err
