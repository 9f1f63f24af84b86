"""Fitting the classical designs to the factors at hand: levels, labels, centre points, blocks."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sharpset.errors import PlanError
from sharpset.plans import classical, fractions
from sharpset.plans.classical import Points
from sharpset.plans.factors import Factor, Factors
from sharpset.plans.starting import start_settings

__all__ = ["CLASSICAL", "MOST_RUNS", "Wish"]

Array = NDArray[np.float64]
MOST_RUNS = 5000


@dataclass(frozen=True, kw_only=True, slots=True)
class Wish:
    """What was asked for, as the design makers see it."""

    blocks: int
    centre_points: int | None
    runs: int | None
    resolution: int | None
    generators: str | Sequence[str] | None
    axial: str | float | None
    levels: int


def _two_values(factor: Factor, design: str) -> Array:
    """Coded low and high of a factor in a two-level design."""
    if factor.is_categorical and len(factor.levels) != 2:
        raise PlanError(
            f"factor {factor.name!r} has {len(factor.levels)} labels, but {design} designs take two. Use full "
            f"or d-optimal."
        )
    return np.array([0.0, 1.0]) if factor.is_categorical else np.array([-1.0, 1.0])


def middle(factor: Factor) -> float | None:
    """Coded middle of a factor; None where it has none."""
    if factor.kind == "continuous":
        return 0.0
    if factor.kind == "categorical" or len(factor.levels) % 2 == 0:
        return None
    return float(factor.coded_levels[len(factor.levels) // 2])


def _to_levels(factors: Factors, points: Array, design: str) -> Array:
    """Turn -1, 0, +1 into coded numbers that the factors have."""
    matrix = points.copy()
    for i, factor in enumerate(factors):
        column = points[:, i]
        if not factor.levels:
            continue
        low, high = _two_values(factor, design)
        matrix[:, i] = np.where(column < 0, low, high)
        if np.any(column == 0):
            centre = middle(factor)
            if centre is None:
                raise PlanError(
                    f"factor {factor.name!r} has no middle level, which {design} needs. Use d-optimal or i-optimal."
                )
            matrix[column == 0, i] = centre
        if np.any((column != 0) & (np.abs(column) != 1)):
            raise PlanError(
                f"factor {factor.name!r} has fixed levels, but this {design} design needs values between or "
                f"beyond them. "
                "Use face-centred axial points, plackett-burman, d-optimal or i-optimal."
            )
    return matrix


def _with_centres(factors: Factors, points: Points, n: int | None, n_blocks: int) -> Points:
    """Add centre points: n for each combination of the factors without a middle, spread over the blocks."""
    if not n:
        return points
    if all(middle(f) is None for f in factors):
        raise PlanError("no factor has a middle level, so there are no centre points. Use replicates instead.")
    choices = [
        [middle(f)] if middle(f) is not None else f.coded_levels[[0, -1]] if not f.is_categorical else f.coded_levels
        for f in factors
    ]
    rows = np.array(list(itertools.product(*choices)) * n, dtype=float)
    blocks = np.concatenate([points.blocks, np.arange(len(rows)) % n_blocks + 1])
    return replace(points, matrix=np.vstack([points.matrix, rows]), blocks=blocks)


def _full(factors: Factors, wish: Wish) -> Points:
    axes = [f.coded_levels if f.levels else np.linspace(-1, 1, wish.levels) for f in factors]
    size = math.prod(len(a) for a in axes)
    if size > MOST_RUNS:
        raise PlanError(
            f"the full factorial would take {size} prints, more than {MOST_RUNS}. Use fractional, definitive "
            f"or d-optimal."
        )
    if all(len(a) == 2 for a in axes) and len(factors) <= fractions.LARGEST:
        points = classical.two_level(fractions.find_fraction(len(factors), len(factors)), n_blocks=wish.blocks)
        points = replace(points, matrix=_to_levels(factors, points.matrix, "full"))
    else:
        if wish.blocks > 1:
            raise PlanError(
                "a full factorial with more than two levels cannot be split into blocks here. Use d-optimal "
                "with blocks."
            )
        matrix = np.array(list(itertools.product(*axes[::-1])), dtype=float)[:, ::-1]
        points = Points(matrix=matrix, blocks=np.ones(len(matrix), dtype=np.int64))
    return _with_centres(factors, points, wish.centre_points, wish.blocks)


def _fractional(factors: Factors, wish: Wish) -> Points:
    k = len(factors)
    if k < 3:
        raise PlanError(f"a fraction needs three factors or more, got {k}. Use full.")
    if wish.generators:
        fraction = fractions.fraction_from_generators(factors.names, wish.generators)
    elif wish.runs is not None:
        q = wish.runs.bit_length() - 1
        if wish.runs != 2**q or not k < wish.runs <= 2 ** min(k, fractions.LARGEST):
            sizes = [2**i for i in range(2, min(k, fractions.LARGEST) + 1) if 2**i > k]
            raise PlanError(
                f"a fraction of {k} two-level factors cannot have {wish.runs} runs; choose "
                f"{', '.join(map(str, sizes))}."
            )
        fraction = fractions.find_fraction(k, q)
    else:
        fraction = fractions.fraction_by_resolution(k, wish.resolution if wish.resolution is not None else min(4, k))
    points = classical.two_level(fraction, n_blocks=wish.blocks)
    points = replace(points, matrix=_to_levels(factors, points.matrix, "fractional"))
    return _with_centres(factors, points, wish.centre_points, wish.blocks)


def _plackett_burman(factors: Factors, wish: Wish) -> Points:
    _one_block(wish, "plackett-burman")
    points = classical.plackett_burman(len(factors), runs=wish.runs)
    points = replace(points, matrix=_to_levels(factors, points.matrix, "plackett-burman"))
    return _with_centres(factors, points, wish.centre_points, 1)


def _simplex(factors: Factors, wish: Wish) -> Points:
    _one_block(wish, "simplex")
    points = classical.simplex(len(factors))
    points = replace(points, matrix=_to_levels(factors, points.matrix, "simplex"))
    return _with_centres(factors, points, wish.centre_points, 1)


def _box_behnken(factors: Factors, wish: Wish) -> Points:
    points = classical.box_behnken(len(factors), n_blocks=wish.blocks, centre_points=wish.centre_points)
    return replace(points, matrix=_to_levels(factors, points.matrix, "box-behnken"))


def _central_composite(factors: Factors, wish: Wish) -> Points:
    axial = wish.axial
    if axial is None:
        axial = "inscribed" if wish.blocks > 1 else "face-centred"
    elif axial == "rotatable" and wish.blocks > 1:
        axial = "orthogonal"
    points = classical.central_composite(
        len(factors),
        axial=axial,
        n_blocks=wish.blocks,
        centre_points=wish.centre_points,
        resolution=wish.resolution or 5,
    )
    points.about["axial"] = axial
    return replace(points, matrix=_to_levels(factors, points.matrix, "central-composite"))


def _definitive(factors: Factors, wish: Wish) -> Points:
    _one_block(wish, "definitive")
    three = [i for i, f in enumerate(factors) if middle(f) is not None]
    two = [i for i in range(len(factors)) if i not in three]
    points = classical.definitive_screening(len(three), len(two))
    matrix = np.empty_like(points.matrix)
    matrix[:, three + two] = points.matrix
    points = replace(points, matrix=_to_levels(factors, matrix, "definitive"))
    return _with_centres(factors, points, wish.centre_points, 1)


def _one_block(wish: Wish, design: str) -> None:
    if wish.blocks > 1:
        raise PlanError(
            f"a {design} design is made in one block here. Use replicates as blocks, or d-optimal with blocks."
        )


def _start(factors: Factors, wish: Wish) -> Points:
    _one_block(wish, "start")
    matrix = start_settings(factors)[None, :]
    return Points(matrix=matrix, blocks=np.ones(1, dtype=np.int64))


CLASSICAL: dict[str, Callable[[Factors, Wish], Points]] = {
    "full": _full,
    "fractional": _fractional,
    "plackett-burman": _plackett_burman,
    "simplex": _simplex,
    "start": _start,
    "box-behnken": _box_behnken,
    "central-composite": _central_composite,
    "definitive": _definitive,
}
