"""Exact area coverage, against the areas that shapely's overlay finds."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import affinity
from shapely.geometry import MultiPolygon, Point, Polygon, box

from sharpset.rehearsal.coverage import Sides, area_coverage, sides_of

# Areas below are at most a few hundred: both routes round at about 1e-13.
TIGHT = 1e-9


def by_overlay(shape, rows, columns):
    return np.array([[shape.intersection(box(c, r, c + 1, r + 1)).area for c in range(columns)] for r in range(rows)])


def star(rng, *, x, y, low, high, n):
    angle = np.sort(rng.uniform(0, 2 * np.pi, n))
    radius = rng.uniform(low, high, n)
    return Polygon(np.column_stack((x + radius * np.cos(angle), y + radius * np.sin(angle))))


@pytest.mark.parametrize("seed", range(8))
def test_coverage_equals_overlay_areas_for_ragged_polygons_with_openings(seed):
    rng = np.random.default_rng(seed)
    shell = star(rng, x=9, y=7, low=4, high=12, n=14)
    shape = shell.difference(Point(9.3, 7.1).buffer(2.7))
    got = area_coverage(sides_of(shape), shape=(15, 19))
    assert np.abs(got - by_overlay(shape, 15, 19)).max() < TIGHT


@settings(max_examples=40, deadline=None)
@given(
    x=st.floats(-6, 14),
    y=st.floats(-6, 12),
    width=st.floats(0.01, 9),
    height=st.floats(0.01, 9),
    angle=st.floats(0, 360),
)
def test_coverage_of_a_turned_rectangle_cut_by_the_picture(x, y, width, height, angle):
    shape = affinity.rotate(box(x, y, x + width, y + height), angle)
    got = area_coverage(sides_of(shape), shape=(8, 11))
    assert np.abs(got - by_overlay(shape, 8, 11)).max() < TIGHT


def test_coverage_of_borders_on_the_grid_is_exactly_zero_and_one():
    got = area_coverage(sides_of(box(2, 1, 5, 4)), shape=(6, 7))
    want = np.zeros((6, 7))
    want[1:4, 2:5] = 1
    assert np.abs(got - want).max() < 1e-14


def test_coverage_of_a_band_is_that_part_of_the_whole():
    shape = star(np.random.default_rng(3), x=20, y=30, low=5, high=28, n=40)
    whole = area_coverage(sides_of(shape), shape=(60, 45))
    band = area_coverage(sides_of(shape), shape=(13, 45), first_row=24)
    assert np.abs(band - whole[24:37]).max() < 1e-12


def test_coverage_adds_up_to_the_area():
    disc = Point(50.3, 41.7).buffer(33.123, quad_segs=500)
    assert area_coverage(sides_of(disc), shape=(90, 100)).sum() == pytest.approx(disc.area, abs=1e-8)


def test_a_mirrored_map_keeps_solid_solid():
    shape = MultiPolygon([box(1, 1, 3, 5).difference(box(1.5, 2, 2, 3)), box(6, 2, 8, 3)])
    flipped = sides_of(shape).map(np.array([[-1.0, 0, 10], [0, 1, 0]]))
    assert flipped.signed_area() == pytest.approx(shape.area, abs=1e-12)
    assert np.abs(area_coverage(flipped, shape=(7, 10)) - by_overlay(shape, 7, 10)[:, ::-1]).max() < TIGHT


def test_nothing_covers_nothing():
    assert area_coverage(Sides(np.empty((0, 4))), shape=(3, 4)).sum() == 0
    assert area_coverage(sides_of(box(50, 50, 60, 60)), shape=(3, 4)).sum() == 0
    assert area_coverage(sides_of(box(-9, -9, -2, 20)), shape=(3, 4)).sum() == 0


def test_what_covers_the_whole_picture_covers_it_fully():
    assert np.all(np.abs(area_coverage(sides_of(box(-5, -6, 30, 31)), shape=(3, 4)) - 1) < 1e-13)
