"""What refusals and remarks advise: a photograph is not told of glass and scanning programs, a scan not of lenses."""

from __future__ import annotations

import dataclasses
import re

import numpy as np
import pytest
import tifffile
from reading_scenes import Scene, make_scene, write_scene
from scipy.ndimage import gaussian_filter

from sharpset.errors import ReadingError
from sharpset.readings import read_scan
from sharpset.readings.advice import PHOTOGRAPHED, SCANNED, advice_for
from sharpset.scans import PixelSize, Viewing, Viewpoint
from sharpset.scans.scale_note import ScaleNote, write_note
from sharpset.scans.scan import scan_from_pixels

DPI = 600
OF_SCANS = re.compile(r"glass|scanning program|\b[Ss]can(ned)? |--dpi|\blid\b", re.IGNORECASE)
OF_PHOTOGRAPHS = re.compile(r"camera|photograph|lens|aperture|lamps|frame", re.IGNORECASE)


@pytest.fixture(scope="module")
def scene() -> Scene:
    return make_scene(dpi=DPI, blur_px=0.7, angle_deg=3.0, seed=11)


def _sharpened(scene: Scene, amount: float) -> Scene:
    values = scene.pixels.astype(float)
    values += amount * (values - gaussian_filter(values, 1.5))
    return dataclasses.replace(scene, pixels=np.clip(np.round(values), 0, 255).astype(np.uint8))


def _as_photograph(scene: Scene, path):
    """Write a picture as one that was made true to size from a photograph taken half a metre above."""
    height, width = (25.4 / DPI * n for n in scene.pixels.shape[:2])
    seen = Viewing(points=(Viewpoint(width / 2, height / 2, 500.0),), face_mm=scene.piece.thickness_mm)
    note = write_note(ScaleNote(pixel_mm=25.4 / DPI, u_scale=0.003, viewing=seen))
    tifffile.imwrite(path, scene.pixels, resolution=(DPI, DPI), resolutionunit="INCH", description=note, metadata=None)
    return path


def test_no_advice_for_photographs_speaks_of_scanners_nor_the_other_way_round():
    for name in (field.name for field in dataclasses.fields(PHOTOGRAPHED)):
        assert not OF_SCANS.search(getattr(PHOTOGRAPHED, name)), name
        assert not OF_PHOTOGRAPHS.search(getattr(SCANNED, name)), name


def test_a_picture_of_known_view_or_stated_scale_is_a_photograph():
    pixels = np.zeros((4, 5), dtype=np.uint8)
    scan = scan_from_pixels(pixels, pixel_mm=PixelSize(0.02, 0.02))
    assert advice_for(scan) is SCANNED
    assert advice_for(dataclasses.replace(scan, u_scale=0.003)) is PHOTOGRAPHED
    seen = Viewing(points=(Viewpoint(1.0, 1.0, 300.0),), face_mm=2.0)
    assert advice_for(dataclasses.replace(scan, viewing=seen)) is PHOTOGRAPHED


def test_a_sharpened_photograph_is_refused_with_the_camera_in_mind(scene, tmp_path):
    sharp = _sharpened(scene, 1.0)
    with pytest.raises(ReadingError, match=r"was sharpened.*scanning program\. Scan it again") as scanned:
        read_scan(write_scene(sharp, tmp_path / "scan.png", dpi=DPI), piece=scene.piece)
    assert not OF_PHOTOGRAPHS.search(str(scanned.value).partition("scan.png")[2])
    with pytest.raises(ReadingError, match=r"was sharpened.*off in the camera.*Photograph it again") as seen:
        read_scan(_as_photograph(sharp, tmp_path / "seen.tif"), piece=scene.piece)
    assert not OF_SCANS.search(str(seen.value).partition("seen.tif")[2])


def test_remarks_on_an_uneven_photograph_speak_of_focus(scene, tmp_path):
    values = scene.pixels.astype(float)
    ramp = np.linspace(0, 1, values.shape[1])[None, :]
    uneven = np.round((1 - ramp) * values + ramp * gaussian_filter(values, 1.6)).astype(np.uint8)
    uneven_scene = dataclasses.replace(scene, pixels=uneven)
    (scanned,) = read_scan(write_scene(uneven_scene, tmp_path / "s.png", dpi=DPI), piece=scene.piece).pieces
    (seen,) = read_scan(_as_photograph(uneven_scene, tmp_path / "s.tif"), piece=scene.piece).pieces
    assert any("does not lie flat on the glass, or the scanner draws softer" in remark for remark in scanned.remarks)
    assert any("out of focus" in remark and "aperture" in remark for remark in seen.remarks)
    assert not [remark for remark in seen.remarks if OF_SCANS.search(remark)]
