"""Round holes as a lens out of focus shows them: blurred by a disc of even light and a little more."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import i0e, i1e

from sharpset.readings.edges.blur import SpreadShape, blurred_edge

__all__ = ["defocused_discs", "disc_tables"]

FloatArray = NDArray[np.float64]
_LARGEST, _REACH = 20.0, 6.5
"""Radius in blurs from which on an edge is nearly straight, and blurs beyond it that tables reach."""
_RADIUS_STEP, _PLACE_STEP, _FINE = 0.05, 0.08, 2
_N_RINGS, _N_TURNS = 10, 16
"""Rings and turns of half a circle by which light is summed over the lens's disc."""


def disc_tables(first: FloatArray, n_steps: int, radius: FloatArray, sigma: float, step: float) -> NDArray[np.float64]:
    """Return the blurred disc and its derivatives by place and by radius from `first` on, shape (3, n_holes, n_steps).

    The derivatives have closed forms; the disc is the sum of what it rises by from outside, where there is nothing
    left of it, by the trapezoidal rule with its first correction (Euler and Maclaurin).
    """
    r = first + step * np.arange(n_steps)
    z = r * radius / sigma**2
    bell = radius / sigma**2 * np.exp(-0.5 * ((r - radius) / sigma) ** 2)
    fall, slope = -bell * i1e(z), bell * i0e(z)
    bend = np.gradient(fall, step, axis=1)
    rise = step / 2 * (fall[:, 1:] + fall[:, :-1]) - step**2 / 12 * (bend[:, 1:] - bend[:, :-1])
    disc = np.zeros_like(fall)
    disc[:, :-1] = -np.cumsum(rise[:, ::-1], axis=1)[:, ::-1]
    return np.stack((disc, fall, slope))


def defocused_discs(r: FloatArray, radius: FloatArray, sigma: float, shape: SpreadShape) -> NDArray[np.float64]:
    """Return unit discs blurred by a lens out of focus, and their derivatives by place and by radius.

    Parameters
    ----------
    r : ndarray of float, shape (n_holes, n)
        Distances from their centres.
    radius : ndarray of float, shape (n_holes,)
    sigma : float
        Standard deviation of the blur along a line; of the length unit of `r` and `radius`, as they are.
    shape : SpreadShape
        Its `defocus` is meant; a halo is not allowed for.

    Returns
    -------
    ndarray of float, shape (3, n_holes, n)

    Notes
    -----
    From a radius of 20 blurs on the edge is taken for straight, moved by its curvature by sigma^2 / (2 R).
    """
    table = _table(shape.defocus)
    place, size = r / sigma, (radius / sigma)[:, None]
    across, row = np.minimum(size, _LARGEST - _RADIUS_STEP) / _RADIUS_STEP, place / _PLACE_STEP
    i, k = across.astype(np.intp), np.minimum(row, table.shape[2] - 1.001).astype(np.intp)
    along, between = np.clip(row - k, 0.0, 1.0), across - i
    lower, upper = ((1 - along) * table[:, n, k] + along * table[:, n, k + 1] for n in (i, i + 1))
    values = (1 - between) * lower + between * upper
    step, slope = blurred_edge(size - place - 0.5 / np.maximum(size, 1.0), shape)
    straight = np.broadcast_to(size > _LARGEST - 2 * _RADIUS_STEP, place.shape)
    values = np.where(straight, np.stack((step, -slope, slope)), values)
    values[1:] /= sigma
    return np.asarray(values)


@lru_cache(maxsize=16)
def _table(defocus: float) -> NDArray[np.float64]:
    """Return discs of blur 1 by radius and by distance from the centre, and their derivatives by place and radius.

    What a lens spreads over a disc is a sum of discs moved by its radii and turned all round.
    """
    rest, reach = float(np.sqrt(1 - defocus)), 2 * float(np.sqrt(defocus))
    radius = np.linspace(0.0, _LARGEST, round(_LARGEST / _RADIUS_STEP) + 1)
    place = _PLACE_STEP * np.arange(round((_LARGEST + _REACH) / _PLACE_STEP) + 1)
    step = _PLACE_STEP * rest / _FINE
    n_fine = int(np.ceil((place[-1] + reach) / step)) + 2
    plain = disc_tables(np.zeros((1, 1)), n_fine, np.asarray(radius[:, None], dtype=float), rest, step)[0]
    nodes, weights = np.polynomial.legendre.leggauss(_N_RINGS)
    turns = np.cos(np.pi * (np.arange(_N_TURNS) + 0.5) / _N_TURNS)
    light = np.zeros((len(radius), len(place)))
    for moved, weight in zip(reach * np.sqrt((1 + nodes) / 2), weights / 2 / _N_TURNS, strict=True):
        for turn in turns:
            away = np.sqrt(np.maximum(place**2 + moved**2 - 2 * place * moved * turn, 0.0)) / step
            cell = away.astype(np.intp)
            part = away - cell
            light += weight * ((1 - part) * plain[:, cell] + part * plain[:, cell + 1])
    by_radius, by_place = np.gradient(light, _RADIUS_STEP, _PLACE_STEP)
    return np.stack((light, by_place, by_radius))
