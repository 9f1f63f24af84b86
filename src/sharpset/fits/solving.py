"""Least squares of one model in coded units, or in natural ones where the formula is another model there."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sharpset.fits.algebra import LeastSquares, independent_columns, solve_least_squares
from sharpset.fits.terms import ColumnName, Model, Term

__all__ = ["Solved", "solve_model"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, slots=True)
class Solved:
    """Least squares in coded units, or in natural ones where the formula as written is another model there.

    Attributes
    ----------
    units : {'coded', 'natural'}
    both : bool
        Whether both units give the same model.
    used, natural : LeastSquares
        The solution in those units, and the one in natural units.
    names : list of ColumnName
        Of the kept columns.
    natural_names : list of ColumnName
        Of all columns.
    matrix : ndarray of float, shape (n, p)
        Kept columns in those units.
    natural_matrix : ndarray of float, shape (n, q)
        All columns.
    kept : list of int
        Columns that are independent.
    shift : float
        What was taken off the response before it was fitted.
    """

    units: Literal["coded", "natural"]
    both: bool
    used: LeastSquares
    natural: LeastSquares
    names: list[ColumnName]
    natural_names: list[ColumnName]
    matrix: Floats
    natural_matrix: Floats
    kept: list[int]
    shift: float

    @property
    def coef(self) -> Floats:
        """Coefficients of what was fitted, what was taken off the response beforehand put back."""
        coef = self.used.coef.copy()
        constant = next((i for i, c in enumerate(self.names) if c.term == Term()), None)
        if constant is not None:
            coef[constant] += self.shift
        return coef


def solve_model(
    model: Model, runs: pd.DataFrame, response: Floats, *, weights: Floats | None, as_asked: bool
) -> Solved:
    """Fit a model by least squares in coded units.

    Parameters
    ----------
    model : Model
    runs : pandas.DataFrame
        One row per print, a column per factor.
    response : ndarray of float, shape (n,)
    weights : ndarray of float, shape (n,), optional
    as_asked : bool
        Whether the formula was asked for: one that is another model in coded units (products or powers without their
        lower terms, no constant) is then fitted in natural units.

    Returns
    -------
    Solved
    """
    coded, names = model.columns(runs, units="coded")
    natural, natural_names = model.columns(runs, units="natural")
    keep = independent_columns(coded)
    shift = float(np.mean(response)) if model.has_intercept else 0.0
    in_coded = solve_least_squares(coded[:, keep], response - shift, weights=weights)
    in_natural = solve_least_squares(natural[:, keep], response - shift, weights=weights)
    near = 1e-6 * max(float(np.ptp(response)), 1e-300)
    same = bool(np.allclose(in_coded.fitted, in_natural.fitted, rtol=0, atol=near))
    as_written = not same and as_asked
    return Solved(
        units="natural" if as_written else "coded",
        both=same,
        used=in_natural if as_written else in_coded,
        natural=in_natural,
        names=[(natural_names if as_written else names)[i] for i in keep],
        natural_names=natural_names,
        matrix=(natural if as_written else coded)[:, keep],
        natural_matrix=natural,
        kept=keep,
        shift=shift,
    )
