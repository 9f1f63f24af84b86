"""Blocks of features and how they are packed side by side on the plate."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from shapely import affinity
from shapely.geometry import Polygon

from sharpset.pieces.geometry import rectangle

__all__ = ["Block", "Spot", "bar_block", "hole_block", "pack", "slot_block"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Spot:
    """One feature with its place, relative to its block's lower-left corner or on the plate."""

    kind: str
    nominal_mm: float
    length_mm: float
    x_mm: float
    y_mm: float
    angle_deg: float
    group: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Block:
    """Features that keep together; (0, 0) is the lower-left corner of the box around them."""

    name: str
    width_mm: float
    height_mm: float
    spots: tuple[Spot, ...] = ()
    openings: tuple[Polygon, ...] = field(default=())

    def moved(self, x_mm: float, y_mm: float) -> Block:
        """Return the block with its corner at (x, y) on the plate."""
        return replace(
            self,
            spots=tuple(replace(s, x_mm=s.x_mm + x_mm, y_mm=s.y_mm + y_mm) for s in self.spots),
            openings=tuple(affinity.translate(opening, x_mm, y_mm) for opening in self.openings),
        )


def slot_block(sizes_mm: Sequence[float], *, length_mm: float, web_mm: float, angle_deg: float) -> Block:
    """Return a row of slots side by side, all running along `angle_deg` (0, 45 or 90)."""
    group = f"slots-{angle_deg:.0f}"
    turn = math.radians(angle_deg)
    spots, along = [], 0.0
    # Neighbours lie `web_mm` apart across their length; slots at 45 degrees are set out along x.
    stretch = math.sqrt(2) if angle_deg == 45 else 1.0
    for size in sizes_mm:
        centre = along + size / 2 * stretch
        x, y = (0.0, centre) if angle_deg == 0 else (centre, 0.0)
        spots.append(
            Spot(
                kind="slot",
                nominal_mm=size,
                length_mm=length_mm,
                x_mm=x,
                y_mm=y,
                angle_deg=angle_deg,
                group=group,
            )
        )
        along += (size + web_mm) * stretch
    cos, sin = abs(math.cos(turn)), abs(math.sin(turn))
    half_x = [(length_mm * cos + s.nominal_mm * sin) / 2 for s in spots]
    half_y = [(length_mm * sin + s.nominal_mm * cos) / 2 for s in spots]
    left = min(s.x_mm - h for s, h in zip(spots, half_x, strict=True))
    right = max(s.x_mm + h for s, h in zip(spots, half_x, strict=True))
    low = min(s.y_mm - h for s, h in zip(spots, half_y, strict=True))
    high = max(s.y_mm + h for s, h in zip(spots, half_y, strict=True))
    block = Block(name=group, width_mm=right - left, height_mm=high - low, spots=tuple(spots))
    return block.moved(-left, -low)


def bar_block(sizes_mm: Sequence[float], *, length_mm: float, gap_mm: float, angle_deg: float) -> Block:
    """Return a window with bars across it: gap, bar, gap, bar, ... gap, the bars along `angle_deg`."""
    group = f"bars-{angle_deg:.0f}"
    total = sum(sizes_mm) + gap_mm * (len(sizes_mm) + 1)
    turn = math.radians(angle_deg)
    across_x, across_y = -math.sin(turn), math.cos(turn)
    spots, openings = [], []
    edge = -total / 2

    def centre(start: float, width: float) -> tuple[float, float]:
        middle = start + width / 2
        return middle * across_x, middle * across_y

    for size in sizes_mm:
        x, y = centre(edge, gap_mm)
        openings.append(rectangle(x, y, length_mm=length_mm, width_mm=gap_mm, angle_deg=angle_deg))
        edge += gap_mm
        x, y = centre(edge, size)
        spots.append(
            Spot(
                kind="bar",
                nominal_mm=size,
                length_mm=length_mm,
                x_mm=x,
                y_mm=y,
                angle_deg=angle_deg,
                group=group,
            )
        )
        edge += size
    x, y = centre(edge, gap_mm)
    openings.append(rectangle(x, y, length_mm=length_mm, width_mm=gap_mm, angle_deg=angle_deg))
    window = rectangle(0, 0, length_mm=length_mm, width_mm=total, angle_deg=angle_deg)
    left, low, right, high = window.bounds
    block = Block(name=group, width_mm=right - left, height_mm=high - low, spots=tuple(spots), openings=tuple(openings))
    return block.moved(-left, -low)


def hole_block(sizes_mm: Sequence[float], *, web_mm: float) -> Block:
    """Return a row of round holes."""
    tallest = max(sizes_mm)
    spots, x = [], 0.0
    for size in sizes_mm:
        spots.append(
            Spot(
                kind="hole",
                nominal_mm=size,
                length_mm=size,
                x_mm=x + size / 2,
                y_mm=tallest / 2,
                angle_deg=0.0,
                group="holes",
            )
        )
        x += size + web_mm
    return Block(name="holes", width_mm=x - web_mm, height_mm=tallest, spots=tuple(spots))


def pack(blocks: Sequence[Block], *, width_mm: float, gap_mm: float) -> tuple[list[Block], float] | None:
    """Set blocks out on shelves from the bottom up.

    Parameters
    ----------
    blocks : sequence of Block
    width_mm : float
        Width that the shelves may have.
    gap_mm : float
        Distance kept between any two blocks.

    Returns
    -------
    list of Block and the height used (mm), or None where a block is wider than the shelf
    """
    placed: list[Block] = []
    shelves: list[list[float]] = []  # bottom, height, used width
    for block in sorted(blocks, key=lambda b: (-b.height_mm, -b.width_mm, b.name)):
        if block.width_mm > width_mm:
            return None
        fitting = [
            shelf
            for shelf in shelves
            if shelf[2] + gap_mm + block.width_mm <= width_mm + 1e-9 and block.height_mm <= shelf[1] + 1e-9
        ]
        if fitting:
            shelf = min(fitting, key=lambda s: s[1])
            placed.append(block.moved(shelf[2] + gap_mm, shelf[0]))
            shelf[2] += gap_mm + block.width_mm
            continue
        bottom = shelves[-1][0] + shelves[-1][1] + gap_mm if shelves else 0.0
        shelves.append([bottom, block.height_mm, block.width_mm])
        placed.append(block.moved(0.0, bottom))
    return placed, shelves[-1][0] + shelves[-1][1]
