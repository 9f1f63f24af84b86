"""References beside the pieces have their true size in the picture."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from sharpset.errors import RehearsalError
from sharpset.rehearsal import CLEAN, Placement, Reference, Scanner, scan_pieces

LINEAR = Scanner(dpi=600, bits=16, encoding="linear", falloff=0, tilt=0, halo_share=0)
PX = 25.4 / 600


def scanned(printed, reference, **changes):
    scene = replace(CLEAN, references=(reference,))
    scanner = replace(LINEAR, **changes)
    return scan_pieces(printed, scanner=scanner, scene=scene, placements=[Placement(x_mm=25, y_mm=24)])


@pytest.mark.parametrize("wobble_mm", [0.0, 0.05])
def test_rule_marks_lie_where_they_are_told(filament_print, wobble_mm):
    rule = Reference(kind="rule", x_mm=58, y_mm=30, angle_deg=90, size_mm=1.0, length_mm=30)
    scan = scanned(filament_print, rule, scale_y=1.004, wobble_mm=wobble_mm)
    places = scan.places_px(rule.marks_mm())
    assert len(places) == 31
    # The marks reach from the edge 1 mm and more into the body, to the left where the rule runs up.
    column = round((58 - 6 + 1.2) / PX)
    strip = 0.36 - scan.image[:, column - 10 : column + 11].mean(axis=1) / 65535
    for _, row in places:
        rows = np.arange(round(row) - 6, round(row) + 7)
        # Noise of 13 by 21 pixels moves the centroid by a few hundredths of a pixel.
        assert (strip[rows] * rows).sum() / strip[rows].sum() == pytest.approx(row, abs=0.08)
    if not wobble_mm:
        assert np.diff(places[:, 1]) == pytest.approx(-1.004 / PX, abs=1e-9)


def test_board_corners_lie_where_they_are_told(filament_print):
    board = Reference(kind="board", x_mm=66, y_mm=28, angle_deg=83, size_mm=2.0, length_mm=24)
    scan = scanned(filament_print, board)
    places = scan.places_px(board.marks_mm()).astype(np.float32)
    assert len(places) == 11 * 5
    grey = (scan.image / 257).astype(np.uint8)
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 50, 1e-3)
    found = cv2.cornerSubPix(grey, places.reshape(-1, 1, 2).copy(), (9, 9), (-1, -1), stop)[:, 0]
    # OpenCV's corner refinement is good to a few hundredths of a pixel.
    assert np.abs(found - places).max() < 0.1


def test_wire_takes_the_area_of_its_diameter(filament_print):
    wire = Reference(kind="wire", x_mm=56, y_mm=24, angle_deg=90, size_mm=0.3, length_mm=30)
    scan = scanned(filament_print, wire)
    column = round(56 / PX)
    crop = scan.image[round(15 / PX) : round(33 / PX), column - 20 : column + 21] / 65535
    width = ((crop - CLEAN.background) / (0.5 - CLEAN.background)).sum(axis=1).mean() * PX
    # 425 rows of 41 pixels with a noise of 0.7 % of the contrast.
    assert width == pytest.approx(0.3, abs=2e-4)


def test_wrong_references_are_told():
    with pytest.raises(RehearsalError, match="reference 'coin' is unknown; references are rule, board, wire"):
        Reference(kind="coin", x_mm=1, y_mm=1)
    with pytest.raises(RehearsalError, match="a wire needs 0 < size_mm < length_mm"):
        Reference(kind="wire", x_mm=1, y_mm=1, size_mm=50)
