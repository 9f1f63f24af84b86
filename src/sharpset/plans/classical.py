"""The classical designs as matrices of -1, 0 and +1 (and axial distances).

pydoe supplies two-level, Plackett-Burman and definitive screening matrices; what it gives is checked
before it is used. Box-Behnken designs of six and seven factors follow the original blocks of three
factors, central composites take a fraction of the cube and orthogonal blocks: pydoe has neither.

References
----------
Box, G. E. P. & Behnken, D. W. (1960), Technometrics 2(4), 455-475.
Box, G. E. P. & Hunter, J. S. (1957), Annals of Mathematical Statistics 28(1), 195-241.
Box, G. E. P. (1952), Biometrika 39(1/2), 49-57 (simplex).
Jones, B. & Nachtsheim, C. J. (2011), Journal of Quality Technology 43(1), 1-15; (2013), 45(2), 121-129.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sharpset.errors import PlanError
from sharpset.plans.fractions import (
    Fraction,
    block_numbers,
    choose_block_columns,
    find_fraction,
    fraction_by_resolution,
)

__all__ = [
    "AXIAL",
    "Points",
    "box_behnken",
    "central_composite",
    "definitive_screening",
    "plackett_burman",
    "simplex",
    "two_level",
]

AXIAL = ("rotatable", "face-centred", "inscribed", "orthogonal")
_TRIPLES = {
    6: ((0, 1, 3), (1, 2, 4), (2, 3, 5), (0, 3, 4), (1, 4, 5), (0, 2, 5)),
    7: ((3, 4, 5), (0, 5, 6), (1, 4, 6), (0, 1, 3), (2, 3, 6), (0, 2, 4), (1, 2, 5)),
}
_CENTRES_BOX_BEHNKEN = {3: 3, 4: 3, 5: 6, 6: 6, 7: 6}
# Centre points of uniform-precision central composites (Montgomery, Design and Analysis of Experiments,
# 11.4.2, from memory; three factors as in NIST table 3.24), by (factors, fraction of the cube).
_CENTRES_COMPOSITE = {
    (2, 0): 5,
    (3, 0): 6,
    (4, 0): 7,
    (5, 0): 10,
    (5, 1): 6,
    (6, 0): 15,
    (6, 1): 9,
    (7, 1): 14,
    (8, 2): 13,
}

Array = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, slots=True)
class Points:
    """Points of a design in coded units.

    Attributes
    ----------
    matrix : ndarray of float, shape (n_points, n_factors)
    blocks : ndarray of int, shape (n_points,)
        1, 2, ...; all 1 without blocks.
    about : dict
        What identifies the design: generators, resolution, axial distance ...
    """

    matrix: Array
    blocks: NDArray[np.int64]
    about: dict[str, Any] = field(default_factory=dict)


def _in_one_block(matrix: Array, **about: Any) -> Points:
    return Points(matrix=matrix, blocks=np.ones(len(matrix), dtype=np.int64), about=about)


def two_level(fraction: Fraction, *, n_blocks: int = 1) -> Points:
    """Return a regular two-level design, in blocks if asked for."""
    about: dict[str, Any] = {"generators": list(fraction.generators), "resolution": fraction.resolution}
    if not fraction.generators:
        about = {}
    if n_blocks == 1:
        return _in_one_block(fraction.matrix, **about)
    columns = choose_block_columns(fraction, n_blocks)
    return Points(matrix=fraction.matrix, blocks=block_numbers(fraction, columns), about=about)


def plackett_burman(n_factors: int, *, runs: int | None = None) -> Points:
    """Return a Plackett-Burman design.

    Parameters
    ----------
    n_factors : int
    runs : int, optional
        A multiple of 4. By default the smallest one that is no power of two: with a power of two the
        design is a regular fraction, in which interactions are fully mixed up with main effects.
    """
    from pydoe import pbdesign

    sizes = sorted({b * 2**e for b in (4, 12, 20) for e in range(5)})
    fitting = [n for n in sizes if n > n_factors and (runs is not None or n & (n - 1))]
    wanted = runs if runs is not None else (fitting[0] if fitting else None)
    if wanted is None or wanted not in fitting:
        raise PlanError(
            f"a Plackett-Burman design of {n_factors} factors cannot have {runs} runs; "
            f"choose {', '.join(map(str, fitting[:6])) or 'fewer factors'}."
        )
    matrix = np.asarray(pbdesign(wanted - 1), dtype=float)
    if matrix.shape != (wanted, wanted - 1) or np.any(matrix.T @ matrix != wanted * np.eye(wanted - 1)):
        raise PlanError(
            f"no orthogonal Plackett-Burman design of {wanted} runs was found. Choose another number of runs."
        )
    return _in_one_block(matrix[:, :n_factors], resolution=3)


def box_behnken(n_factors: int, *, n_blocks: int = 1, centre_points: int | None = None) -> Points:
    """Return a Box-Behnken design of 3 to 7 factors; 4 factors allow 3 blocks, 5 factors 2 blocks."""
    if n_factors not in _CENTRES_BOX_BEHNKEN:
        raise PlanError(
            f"Box-Behnken designs have 3 to 7 factors, not {n_factors}. Use central-composite or i-optimal."
        )
    if n_blocks != 1 and (n_factors, n_blocks) not in ((4, 3), (5, 2)):
        raise PlanError(
            f"a Box-Behnken design of {n_factors} factors cannot have {n_blocks} blocks; 4 factors allow 3, 5 "
            "factors allow 2. Use d-optimal for other blocks."
        )
    groups: list[tuple[int, ...]] = list(_TRIPLES.get(n_factors, ()) or itertools.combinations(range(n_factors), 2))
    rows, blocks = [], []
    for group in groups:
        for signs in itertools.product((-1.0, 1.0), repeat=len(group)):
            row = np.zeros(n_factors)
            row[list(group)] = signs
            rows.append(row)
            blocks.append(_box_behnken_block(group, n_factors) if n_blocks > 1 else 1)
    n_centre = _CENTRES_BOX_BEHNKEN[n_factors] if centre_points is None else centre_points
    rows += [np.zeros(n_factors)] * n_centre
    blocks += [i % n_blocks + 1 for i in range(n_centre)]
    return Points(matrix=np.array(rows), blocks=np.array(blocks, dtype=np.int64))


def _box_behnken_block(pair: tuple[int, ...], n_factors: int) -> int:
    """Blocks of pairs in which every factor occurs equally often."""
    if n_factors == 4:
        return {(0, 1): 1, (2, 3): 1, (0, 2): 2, (1, 3): 2, (0, 3): 3, (1, 2): 3}[(pair[0], pair[1])]
    ring = {(0, 1), (1, 2), (2, 3), (3, 4), (0, 4)}
    return 1 if pair in ring else 2


def central_composite(
    n_factors: int,
    *,
    axial: str | float = "rotatable",
    n_blocks: int = 1,
    centre_points: int | None = None,
    resolution: int = 5,
) -> Points:
    """Return a central composite design.

    Parameters
    ----------
    n_factors : int
        2 to 10.
    axial : {'rotatable', 'face-centred', 'inscribed', 'orthogonal'} or float
        Distance of the axial points: fourth root of the number of cube points; 1; rotatable (in
        blocks: orthogonal) but shrunk so that the axial points lie at 1; such that blocks are orthogonal; or a number.
    n_blocks : int
        1, or 2, 3, 5, 9 ...: the last block holds the axial points, the others the cube.
    centre_points : int, optional
        In all; spread over the blocks.
    resolution : int
        The cube is the smallest fraction of at least this resolution.
    """
    if not 2 <= n_factors <= 10:
        raise PlanError(
            f"central composite designs are made for 2 to 10 factors, not {n_factors}. Use d-optimal or definitive."
        )
    n_cube_blocks = n_blocks - 1
    if n_blocks > 1 and n_cube_blocks & (n_cube_blocks - 1):
        raise PlanError(
            f"a central composite design has 1, 2, 3, 5 or 9 blocks (cube in 1, 2, 4 or 8, axial points in one), "
            f"not {n_blocks}."
        )
    full = find_fraction(n_factors, n_factors)
    cube = full if n_factors < 5 or resolution > n_factors else fraction_by_resolution(n_factors, max(resolution, 5))
    cube_blocks = np.ones(cube.n_runs, dtype=np.int64)
    if n_cube_blocks > 1:
        cube_blocks = block_numbers(cube, choose_block_columns(cube, n_cube_blocks))
    key = (n_factors, n_factors - cube.n_basic)
    if centre_points is None:
        centre_points = _CENTRES_COMPOSITE.get(key, 8) if n_blocks == 1 else (3 if n_factors == 2 else 2) * n_blocks
    centre_blocks = np.array([i % n_blocks + 1 for i in range(centre_points)], dtype=np.int64)
    n_axial_centre = int(np.sum(centre_blocks == n_blocks)) if n_blocks > 1 else 0
    n_cube_centre = centre_points - n_axial_centre
    distance = "orthogonal" if axial == "inscribed" and n_blocks > 1 else axial
    alpha = _axial_distance(distance, n_factors, cube.n_runs, n_cube_centre, n_axial_centre)
    star = np.vstack([sign * np.eye(n_factors)[i] * alpha for i in range(n_factors) for sign in (-1, 1)])
    matrix = np.vstack([cube.matrix, star, np.zeros((centre_points, n_factors))])
    if axial == "inscribed":
        matrix = matrix / alpha
    blocks = np.concatenate([cube_blocks, np.full(len(star), n_blocks), centre_blocks])
    about: dict[str, Any] = {"axial_distance": 1.0 if axial == "inscribed" else alpha, "cube_runs": cube.n_runs}
    if cube.generators:
        about |= {"generators": list(cube.generators)}
    return Points(matrix=matrix, blocks=blocks, about=about)


def _axial_distance(axial: str | float, n_factors: int, n_cube: int, n_cube_centre: int, n_axial_centre: int) -> float:
    if isinstance(axial, int | float) and not isinstance(axial, bool):
        if not 0 < axial <= 10:
            raise PlanError(f"the axial distance must be a number above 0 and up to 10, got {axial:g}.")
        return float(axial)
    if axial not in AXIAL:
        raise PlanError(f"axial must be one of {', '.join(AXIAL)} or a number, got {axial!r}.")
    if axial == "face-centred":
        return 1.0
    if axial == "orthogonal":
        return math.sqrt(n_cube * (2 * n_factors + n_axial_centre) / (2 * (n_cube + n_cube_centre)))
    return float(n_cube**0.25)


def definitive_screening(n_three_level: int, n_two_level: int) -> Points:
    """Return a definitive screening design, three-level factors first.

    Every factor but the two-level ones has three levels; main effects are clear of each other and of
    every second-order effect of three-level factors.
    """
    from pydoe import definitive_screening_design

    k = n_three_level + n_two_level
    if n_three_level < 3 or k > 30:
        raise PlanError(
            f"a definitive screening design needs 3 to 30 factors with three levels, got {n_three_level} "
            f"(and {n_two_level} with two). Use full or d-optimal."
        )
    matrix = np.asarray(definitive_screening_design(n_three_level, n_two_level), dtype=float)
    main = matrix[:, :n_three_level]
    foldover = {tuple(row) for row in matrix} == {tuple(-row + 0.0) for row in matrix}
    if not foldover or np.abs(main.T @ main - np.diag(np.diag(main.T @ main))).max() > 1e-9:
        raise PlanError(f"no definitive screening design of {k} factors was found. Use d-optimal.")
    return _in_one_block(matrix)


def simplex(n_factors: int) -> Points:
    """Return the regular simplex about the middle: the smallest orthogonal first-order design.

    Parameters
    ----------
    n_factors : int
        From 2 up; all continuous.

    Returns
    -------
    Points
        One run more than factors. All runs lie at the same distance from the middle and the factors'
        columns are orthogonal. Of many turns the one that reaches farthest inside the limits is taken;
        three and seven factors get corners of the cube (a two-level fraction).
    """
    k = n_factors
    if k < 2:
        raise PlanError(f"a simplex needs two factors or more, got {k}.")
    basis = np.linalg.svd(np.eye(k + 1) - 1.0 / (k + 1))[2][:k].T
    rng = np.random.default_rng(k)
    turns = np.linalg.qr(rng.standard_normal((2000, k, k)))[0]
    corners = basis @ turns
    size = np.abs(corners).max(axis=(1, 2))
    best = int(np.argmin(size))
    matrix = corners[best] / size[best]
    if k in (3, 7):
        matrix = plackett_burman(k, runs=k + 1).matrix
    return _in_one_block(matrix)
