"""Pitch of line triplets on a real picture of a USAF-1951 resolution target.

Source of the rule: MIL-STD-150A (1959), section 5.1.1.7: three bars, 2**(group + (element - 1) / 6) line pairs per
millimetre, bar and space equally wide (from memory of the standard). Source of the picture: a public data set under the
MIT licence (copyright 2021 LAB-UMK), 319 x 312 samples; it is not part of the project. The test looks for it beside the
project, in ../shared/real_images, or where the environment variable SHARPSET_REAL_IMAGES says.

The picture's scale is not recorded. It is found here from groups 2 and 3, as a plane over the picture for each axis
since the picture is a little distorted, and group 4, four times finer than 2 and read elsewhere, is checked with it.
The numbers of the groups are read from the picture; a wrong reading would move all alike and leave the check as it is.
"""

from __future__ import annotations

import functools
import itertools
import os
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from sharpset.errors import ReadingError
from sharpset.readings.placing.pitch import PitchReading, measure_pitch


@dataclass(frozen=True)
class Triplet:
    """Where three bars lie in the picture: columns and rows of their outer edges, by eye to about a pixel."""

    group: int
    element: int
    upright: bool
    columns: tuple[float, float]
    rows: tuple[float, float]

    @property
    def pitch_mm(self) -> float:
        return 2.0 ** -(self.group + (self.element - 1) / 6)

    @property
    def middle(self) -> tuple[float, float]:
        return sum(self.columns) / 2, sum(self.rows) / 2


TRIPLETS = [
    Triplet(2, 1, True, (201.4, 248.0), (184.3, 228.0)),
    Triplet(2, 3, True, (114.3, 151.4), (47.1, 82.9)),
    Triplet(2, 4, True, (108.6, 142.3), (105.1, 136.6)),
    Triplet(2, 5, True, (103.7, 134.3), (157.1, 185.1)),
    Triplet(2, 6, True, (99.1, 126.6), (202.9, 227.7)),
    Triplet(2, 1, False, (262.0, 306.6), (184.3, 228.0)),
    Triplet(2, 3, False, (66.3, 102.9), (47.1, 82.9)),
    Triplet(2, 4, False, (65.7, 99.1), (105.1, 136.6)),
    Triplet(2, 5, False, (65.7, 95.7), (157.1, 185.1)),
    Triplet(2, 6, False, (65.1, 92.9), (202.9, 227.7)),
    Triplet(3, 2, True, (260.0, 281.4), (20.6, 40.0)),
    Triplet(3, 3, True, (265.1, 284.6), (52.6, 70.6)),
    Triplet(3, 4, True, (269.1, 286.9), (81.4, 97.7)),
    Triplet(3, 5, True, (273.4, 289.4), (107.1, 122.0)),
    Triplet(3, 3, False, (289.1, 307.4), (52.6, 71.4)),
    Triplet(3, 4, False, (290.9, 307.4), (81.4, 97.7)),
    Triplet(3, 5, False, (292.6, 307.4), (106.6, 122.3)),
]

FINE = [
    Triplet(4, 1, True, (214.3, 228.0), (123.4, 134.3)),
    Triplet(4, 2, True, (194.3, 206.6), (72.9, 82.9)),
    Triplet(4, 1, False, (230.0, 242.3), (122.9, 134.9)),
    Triplet(4, 2, False, (181.1, 192.0), (72.3, 83.1)),
]

UNREADABLE = Triplet(4, 4, True, (191.7, 201.7), (103.4, 111.4))


@functools.cache
def light() -> np.ndarray:
    named = os.environ.get("SHARPSET_REAL_IMAGES")
    place = Path(named) if named else Path(__file__).parents[2].parent / "shared" / "real_images"
    file = place / "usaf1951" / "3.npy"
    if not file.is_file():
        pytest.skip(f"the real picture is not there: {file} (set SHARPSET_REAL_IMAGES)")
    return np.load(file).astype(float)


@functools.cache
def read(triplet: Triplet) -> PitchReading:
    """The reading in pixels, from the mean over the middle three fifths of the bars' length."""
    across, along = (triplet.columns, triplet.rows) if triplet.upright else (triplet.rows, triplet.columns)
    pad = max(0.16 * (across[1] - across[0]), 2.2)
    first, last = max(round(across[0] - pad), 0), round(across[1] + pad)
    trim = 0.2 * (along[1] - along[0])
    start, stop = int(np.ceil(along[0] + trim)), int(along[1] - trim)
    picture = light() if triplet.upright else light().T
    profile = picture[start : stop + 1, first : last + 1].mean(axis=0)
    return measure_pitch(profile, step_mm=1.0, n_bars=3, where=f"group {triplet.group} element {triplet.element}")


def mm_per_px(upright: bool) -> np.ndarray:
    """Scale as a plane over the picture: value at the origin, change per column, change per row."""
    used = [triplet for triplet in TRIPLETS if triplet.upright == upright]
    design = np.array([(1.0, *triplet.middle) for triplet in used])
    scales = np.array([triplet.pitch_mm / read(triplet).pitch_mm for triplet in used])
    return np.linalg.lstsq(design, scales, rcond=None)[0]


@pytest.mark.parametrize("triplet", FINE, ids=str)
def test_pitch_of_group_4(triplet: Triplet) -> None:
    scale = mm_per_px(triplet.upright) @ (1.0, *triplet.middle)
    assert read(triplet).pitch_mm * scale == pytest.approx(triplet.pitch_mm, rel=0.015)


@pytest.mark.parametrize(
    ("coarse", "fine"),
    [
        pair
        for pair in itertools.pairwise(TRIPLETS + FINE)
        if (pair[0].group, pair[0].upright) == (pair[1].group, pair[1].upright)
        and pair[1].element == pair[0].element + 1
    ],
    ids=str,
)
def test_ratio_of_neighbouring_elements(coarse: Triplet, fine: Triplet) -> None:
    # The scale itself varies by about 1 % between neighbours in this picture.
    assert read(coarse).pitch_mm / read(fine).pitch_mm == pytest.approx(2 ** (1 / 6), rel=0.015)


def test_bars_of_groups_2_and_4_are_flagged_as_bloomed() -> None:
    # On the target bar and space are equal. In the picture bars have 0.57 to 0.9 of the pitch.
    for triplet in [t for t in TRIPLETS if t.group == 2] + FINE:
        assert "bloomed" in read(triplet).flags, triplet


def test_bars_that_the_picture_does_not_resolve_are_refused() -> None:
    with pytest.raises(ReadingError, match="group 4 element 4"):
        read(UNREADABLE)
