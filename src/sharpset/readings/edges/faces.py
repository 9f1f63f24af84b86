"""How much light away from an edge says of the levels at the edge: less, the more faces vary away from edges.

A printed face is no even grey. Lines of filament run along edges, with dark grooves between them, a rim may be dim or
bright, and ground may be printed or woven. Steps of a profile that lie beyond the blur are many, and where each counts
for what its pixels' noise allows, they decide on a level that the edge itself does not have. So how far light differs
from that just beyond the blur, by the distance from edges, is taken from all edges of a piece together, and is added to
the variance of what lies there. The median over edges heeds no dust, which lies beside a few of them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["EVEN", "LEAST_SHARE", "Beside", "Faces", "faces_of"]

FloatArray = NDArray[np.float64]
_BLURRED, _NEAR = 2.0, 3.5
"""Blurs from an edge between which light is the level at the edge: nearer by it is the edge's own."""
_STEP = 0.5
_FEWEST = 12
"""Sides of edges by which a face is judged at a distance, at least."""
_BY_CHANCE = 7.0
"""Over the root of their number, what the median square of normal values is more than its mean by chance at the most,
relative: three standard deviations of it."""
_UNHEEDED = 0.01
"""Share of the contrast by which faces may vary unheeded: it moves edges by a fiftieth of the blur at most."""
_OF_SQUARES = 0.455
"""Median of the square of a normal value over its mean."""
LEAST_SHARE = 0.7
"""Share of their weight that steps keep at least where nothing was found: fits beside even faces are left alone."""


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Faces:
    """Variance of the light of a plate and of its ground by the distance from edges, share solid.

    Attributes
    ----------
    plate, ground : ndarray of float
        In steps of half a blur from two blurs on; the last one holds further out too.
    differ : float
        Half of what a plate's light on opposite sides of strips differs by, root mean square, at the distance where it
        differs most.
    """

    plate: FloatArray
    ground: FloatArray
    differ: float = 0.0

    @property
    def are_even(self) -> bool:
        """Whether nothing is known of any variance."""
        return not (self.plate.any() or self.ground.any())

    def where_also(self, other: Faces) -> Faces:
        """Return what both show."""
        both = []
        for one, more in ((self.plate, other.plate), (self.ground, other.ground)):
            ring = np.arange(max(len(one), len(more)))
            both.append(np.minimum(_at(one, ring), _at(more, ring)))
        return Faces(plate=both[0], ground=both[1])

    def shares(self, beside: Beside) -> FloatArray:
        """Return what share of their weight samples keep, 1 within the blur.

        What differs in one place differs alike all along a step, so that its many samples say no more than one.
        """
        cell, at = beside.cells()
        whole = np.bincount(cell, beside.weight[at], beside.n_cells)[cell]
        ring = cell % beside.n_rings
        of_plate = beside.of_plate[beside.group[at]]
        variance = np.where(of_plate, _at(self.plate, ring), _at(self.ground, ring))
        share = np.ones(len(beside.group))
        share[at] = 1 / (1 + whole * variance)
        return share


EVEN = Faces(plate=np.zeros(1), ground=np.zeros(1))
"""Faces of which nothing is known."""


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Beside:
    """Light on either side of edges, in flat arrays.

    Attributes
    ----------
    group : ndarray of int, shape (n,)
        Four for each strip: outside and inside of its lower edge, outside and inside of its upper one. Two for each
        hole.
    of_plate : ndarray of bool, shape (n_groups,)
        Which of them are plate; the others are ground.
    distance : ndarray of float, shape (n,)
        From the edge, in blurs.
    residual, weight : ndarray of float, shape (n,)
        What a plain level leaves, and one over the variance of its noise, 0 for what does not count.
    """

    group: NDArray[np.intp]
    of_plate: NDArray[np.bool_]
    distance: FloatArray
    residual: FloatArray
    weight: FloatArray

    @property
    def n_rings(self) -> int:
        """How many steps beyond the blur there are."""
        return int(max(float(self.distance.max(initial=0.0)) - _BLURRED, 0.0) / _STEP) + 1

    @property
    def n_cells(self) -> int:
        """How many steps there are on all sides of all edges."""
        return len(self.of_plate) * self.n_rings

    def cells(self) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
        """Return the step that each sample beyond the blur lies in, and which samples those are."""
        at = np.flatnonzero((self.distance > _BLURRED) & (self.weight > 0))
        ring = ((self.distance[at] - _BLURRED) / _STEP).astype(np.intp)
        return self.group[at] * self.n_rings + ring, at


def faces_of(beside: Beside) -> Faces:
    """Measure how faces vary away from edges.

    Parameters
    ----------
    beside : Beside
        Of all strips, or of all holes, of a piece; sides that differ are those of strips.
    """
    cell, at = beside.cells()
    shape = (len(beside.of_plate), beside.n_rings)
    whole = np.bincount(cell, beside.weight[at], beside.n_cells).reshape(shape)
    total = np.bincount(cell, (beside.weight * beside.residual)[at], beside.n_cells).reshape(shape)
    n_near = round((_NEAR - _BLURRED) / _STEP)
    of_level = whole[:, :n_near].sum(axis=1, keepdims=True)
    seen = (whole > 0) & (of_level > 0)
    level = total[:, :n_near].sum(axis=1, keepdims=True) / np.where(of_level > 0, of_level, 1.0)
    off = np.where(seen, total / np.where(whole > 0, whole, 1.0) - level, 0.0)
    noise = np.where(seen, 1 / np.where(whole > 0, whole, 1.0) + 1 / np.where(of_level > 0, of_level, 1.0), 0.0)
    plate, ground = (
        _by_distance(off[rows], noise[rows], seen[rows], n_near) for rows in (beside.of_plate, ~beside.of_plate)
    )
    below, above = (4 * np.arange(shape[0] // 4)[:, None] + side + [0, 1] for side in (0, 2))
    below, above = (rows[beside.of_plate[below]] for rows in (below, above))
    differ = _by_distance(
        (off[above] - off[below]) / 2,
        (noise[below] + noise[above]) / 4,
        seen[below] & seen[above],
        n_near,
    )
    return Faces(plate=plate, ground=ground, differ=float(np.sqrt(differ.max(initial=0.0))))


def _by_distance(off: FloatArray, noise: FloatArray, seen: NDArray[np.bool_], n_near: int) -> FloatArray:
    """Return the variance beyond noise at each distance: the larger of its own and the mean of all nearer ones."""
    near = seen[:, :n_near]
    grain = 1.0
    if near.any():
        # What the level at the edge scatters by itself is the face's grain, not how it changes further out.
        grain = max(1.0, float(np.median(off[:, :n_near][near] ** 2 / noise[:, :n_near][near])) / _OF_SQUARES)
    variance = np.zeros(off.shape[1])
    for ring in range(n_near, off.shape[1]):
        these = seen[:, ring]
        if (n := np.count_nonzero(these)) < _FEWEST:
            variance[ring] = variance[ring - 1]
            continue
        by_noise = float(np.median(noise[these, ring])) * grain
        varies = float(np.median(off[these, ring] ** 2)) / _OF_SQUARES
        variance[ring] = max(varies - (1 + _BY_CHANCE / np.sqrt(n)) * by_noise - _UNHEEDED**2, 0.0)
    # What is there is blurred, and so no narrower than two steps.
    both = np.pad(variance, 1)
    variance = np.minimum(variance, np.maximum(both[:-2], both[2:]))
    nearer = np.cumsum(variance[n_near:]) / np.arange(1, len(variance) - n_near + 1)
    variance[n_near:] = np.maximum(variance[n_near:], nearer)
    return variance


def _at(variance: FloatArray, ring: NDArray[np.intp]) -> FloatArray:
    return variance[np.minimum(ring, len(variance) - 1)]
