"""Searching the tried region: candidates, what lies inside, and the best point of any objective."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sharpset.errors import FitError
from sharpset.fits.algebra import independent_columns
from sharpset.fits.space import Space
from sharpset.fits.terms import Model

__all__ = ["Region", "maximise"]

Floats = NDArray[np.float64]
Objective = Callable[[pd.DataFrame], Floats]


@dataclass(frozen=True, kw_only=True, slots=True)
class Region:
    """The settings among which a best one may be looked for.

    Attributes
    ----------
    space : Space
        Cut down to the span of the runs.
    runs : pandas.DataFrame
        Settings that were printed.
    model : Model or None
        If given, a setting also has to lie no farther out than the runs, as the leverage measures it;
        this keeps the corners of spherical plans out.
    inverse : ndarray of float or None
    kept : tuple of int
    largest_leverage : float
    """

    space: Space
    runs: pd.DataFrame
    model: Model | None = None
    inverse: Floats | None = None
    kept: tuple[int, ...] = ()
    largest_leverage: float = float("inf")

    @classmethod
    def of(cls, space: Space, runs: pd.DataFrame, model: Model | None = None) -> Region:
        """Return the region spanned by the runs.

        Parameters
        ----------
        space : Space
        runs : pandas.DataFrame
        model : Model, optional
            Used for the leverage; functions and blocks in it are left out.
        """
        tried = space.with_tried(runs)
        settings = runs[space.names].drop_duplicates().reset_index(drop=True)
        if model is None:
            return cls(space=tried, runs=settings)
        plain = model.with_terms(
            [t for t in model.terms if not t.functions and set(t.categories) <= set(space.names) and _known(t, space)]
        )
        matrix, _ = plain.columns(runs)
        kept = independent_columns(matrix)
        q, r = np.linalg.qr(matrix[:, kept])
        inverse = np.linalg.inv(r)
        return cls(
            space=tried,
            runs=settings,
            model=plain,
            inverse=inverse,
            kept=tuple(kept),
            largest_leverage=float(np.max(np.sum(q**2, axis=1))),
        )

    def inside(self, settings: pd.DataFrame) -> NDArray[np.bool_]:
        """Tell which settings lie inside the tried region and keep the constraints."""
        ok = np.asarray(self.space.allows(settings), dtype=bool).copy()
        for factor in self.space.factors:
            if factor.kind == "continuous":
                slack = 1e-9 * (factor.high - factor.low)
                values = settings[factor.name].to_numpy(dtype=float)
                ok &= (values >= factor.low - slack) & (values <= factor.high + slack)
        if self.model is not None and self.inverse is not None and np.isfinite(self.largest_leverage):
            x = self.model.columns(settings)[0][:, list(self.kept)] @ self.inverse
            ok &= np.sum(x**2, axis=1) <= self.largest_leverage * (1 + 1e-6)
        return ok

    def candidates(self, n_settings: int, *, seed: int = 0) -> pd.DataFrame:
        """Return spread-out settings inside the region, the printed ones among them."""
        spread = self.space.sample(n_settings, seed=seed)
        table = pd.concat([self.runs[self.space.names], spread[self.space.names]], ignore_index=True)
        table = table[self.inside(table)].reset_index(drop=True)
        if table.empty:
            raise FitError("No setting lies inside the tried region and keeps the constraints. Check the plan's runs.")
        return table


def _known(term: object, space: Space) -> bool:
    return all(name in space.names for name, _ in term.powers)  # type: ignore[attr-defined]


def maximise(
    objective: Objective,
    region: Region,
    *,
    candidates: pd.DataFrame | None = None,
    seed: int = 0,
    n_candidates: int = 1024,
    n_starts: int = 8,
) -> pd.DataFrame:
    """Return the setting with the largest objective, one row.

    Parameters
    ----------
    objective : callable
        Takes a table of settings, returns one value per row.
    region : Region
    candidates : pandas.DataFrame, optional
        Settings to look at first; by default spread over the region.
    seed : int
    n_candidates, n_starts : int
        Spread-out settings to look at first, and how many of the best to climb from.

    Notes
    -----
    Compass search from several starts, all of them in one table so that the objective is computed for
    many settings at once. Ordered levels move to their neighbours and categories to each other.
    """
    table = region.candidates(n_candidates, seed=seed) if candidates is None else candidates
    value = objective(table)
    order = np.argsort(-value, kind="stable")
    points = table.iloc[order[:n_starts]].reset_index(drop=True)
    values = value[order[:n_starts]]
    step = 0.25
    while step > 0.004:
        moves, owner = _moves(points, region.space, step)
        keep = region.inside(moves)
        moves, owner = moves[keep].reset_index(drop=True), owner[keep]
        better = False
        if len(moves):
            new = objective(moves)
            for i in range(len(points)):
                mine = np.flatnonzero(owner == i)
                if len(mine) and new[mine].max() > values[i] + 1e-9 * (1 + abs(values[i])):
                    best = mine[int(np.argmax(new[mine]))]
                    points.iloc[i] = moves.iloc[best]
                    values[i] = new[best]
                    better = True
        if not better:
            step *= 0.5
    return points.iloc[[int(np.argmax(values))]].reset_index(drop=True)


def _moves(points: pd.DataFrame, space: Space, step: float) -> tuple[pd.DataFrame, NDArray[np.int64]]:
    frames: list[pd.DataFrame] = []
    owners: list[NDArray[np.int64]] = []
    index = np.arange(len(points))

    def add(name: str, values: object) -> None:
        frames.append(points.assign(**{name: values}))
        owners.append(index)

    for factor in space.factors:
        column = points[factor.name]
        if factor.kind == "continuous":
            coded = factor.code(column)
            for sign in (-1.0, 1.0):
                add(factor.name, factor.decode(np.clip(coded + 2.0 * sign * step, -1.0, 1.0)))
        elif factor.kind == "levels":
            levels = np.array(factor.levels, dtype=float)
            here = np.argmin(np.abs(column.to_numpy(dtype=float)[:, None] - levels), axis=1)
            for sign in (-1, 1):
                add(factor.name, levels[np.clip(here + sign, 0, len(levels) - 1)])
        else:
            for level in factor.levels:
                add(factor.name, level)
    return pd.concat(frames, ignore_index=True), np.concatenate(owners)
