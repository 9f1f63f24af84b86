"""Model matrices in coded units.

Numeric factors enter as powers of their coded value; a categorical factor with c levels enters as c - 1
effect-coded columns that sum to zero over its levels: the first level is -1 in all of them, level i is
1 in column i. With two levels that is -1 and +1, so the sign is that of second level minus first.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sharpset.plans.factors import Factor, Factors
from sharpset.plans.formulas import Term, expand_model

__all__ = ["ModelBasis", "make_basis", "model_matrix"]

Array = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, slots=True)
class ModelBasis:
    """The columns of a model matrix, ready to be evaluated quickly.

    Attributes
    ----------
    factors : Factors
    terms : tuple of Term
        One per term, the constant first.
    columns : tuple of str
        Names of the columns; a term of categorical factors has several.
    owner : tuple of int
        For each column the position of its term in ``terms``.
    """

    factors: Factors
    terms: tuple[Term, ...]
    columns: tuple[str, ...]
    owner: tuple[int, ...]
    _parts: tuple[tuple[tuple[int, int], ...], ...]

    @property
    def n_columns(self) -> int:
        """Number of columns, the constant included."""
        return len(self.columns)

    def columns_of(self, position: int) -> list[int]:
        """Return the columns that belong to the term at a position of ``terms``."""
        return [i for i, owner in enumerate(self.owner) if owner == position]

    def evaluate(self, matrix: Array) -> Array:
        """Return the model matrix of coded numbers.

        Parameters
        ----------
        matrix : ndarray of float, shape (..., n_factors)
            Coded settings, level numbers for categorical factors.

        Returns
        -------
        ndarray of float, shape (..., n_columns)
        """
        out = np.ones((*matrix.shape[:-1], self.n_columns))
        cache: dict[tuple[int, int], Array] = {}
        for column, parts in enumerate(self._parts):
            for key in parts:
                if key not in cache:
                    cache[key] = _part(self.factors.factors[key[0]], matrix[..., key[0]], key[1])
                out[..., column] *= cache[key]
        return out

    def part(self, factor: int, coded: Array) -> Array:
        """Return what one factor contributes to every column (1 where it takes no part).

        Parameters
        ----------
        factor : int
            Position of the factor.
        coded : ndarray of float, shape (...)

        Returns
        -------
        ndarray of float, shape (..., n_columns)
            The model matrix is the product of this over all factors.
        """
        out = np.ones((*np.shape(coded), self.n_columns))
        for column, parts in enumerate(self._parts):
            for key in parts:
                if key[0] == factor:
                    out[..., column] *= _part(self.factors.factors[factor], coded, key[1])
        return out

    def moments(self, *, seed: int = 20) -> Array:
        """Return the mean of f f' over the region, f being a row of the model matrix.

        Exact (a product of one-factor means) without rules between factors, else the mean over 16384
        evenly spread points, of which those count that keep the rules.
        """
        if self.factors.constraints:
            rows = self.evaluate(self.factors.sample(2**14, seed=seed))
            return np.asarray(rows.T @ rows / len(rows))
        nodes, weights = np.polynomial.legendre.leggauss(8)
        result = np.ones((self.n_columns, self.n_columns))
        for i, factor in enumerate(self.factors):
            x = factor.coded_levels if factor.levels else nodes
            w = np.full(len(x), 1 / len(x)) if factor.levels else weights / 2
            values = self.part(i, x)
            result *= values.T @ (values * w[:, None])
        return result


def _part(factor: Factor, coded: Array, number: int) -> Array:
    """Return a power of a numeric factor, or the effect-coded column of a level number."""
    if not factor.is_categorical:
        return coded if number == 1 else coded**number
    table = np.zeros(len(factor.levels))
    table[0], table[number] = -1.0, 1.0
    return np.asarray(table[np.rint(coded).astype(int)])


def make_basis(factors: Factors, model: str | Sequence[str | Term]) -> ModelBasis:
    """Return the columns of a model.

    Parameters
    ----------
    factors : Factors
    model : str or sequence of str or Term
        See :func:`sharpset.plans.expand_model`.
    """
    terms = expand_model(factors, model)
    index = {name: i for i, name in enumerate(factors.names)}
    columns: list[str] = []
    owner: list[int] = []
    parts: list[tuple[tuple[int, int], ...]] = []
    for position, term in enumerate(terms):
        built: list[tuple[str, tuple[tuple[int, int], ...]]] = [("", ())]
        for name, power in term.powers:
            factor = factors[name]
            if factor.is_categorical:
                pieces = [(f"{name}[{label}]", i) for i, label in enumerate(factor.levels) if i]
            else:
                pieces = [(name if power == 1 else f"{name}^{power}", power)]
            built = [
                (f"{text}:{piece}" if text else piece, (*keys, (index[name], number)))
                for text, keys in built
                for piece, number in pieces
            ]
        for text, keys in built:
            columns.append(text or "Intercept")
            owner.append(position)
            parts.append(keys)
    return ModelBasis(
        factors=factors, terms=tuple(terms), columns=tuple(columns), owner=tuple(owner), _parts=tuple(parts)
    )


def model_matrix(factors: Factors, runs: pd.DataFrame, terms: str | Sequence[str | Term]) -> pd.DataFrame:
    """Return the model matrix of runs in coded units.

    Parameters
    ----------
    factors : Factors
    runs : DataFrame
        One column per factor in natural units, as in runs.csv.
    terms : str or sequence of str or Term
        A model as :func:`sharpset.plans.expand_model` takes it.

    Returns
    -------
    DataFrame, shape (n_runs, n_columns)
        First column ``Intercept``; numeric factors as ``a``, ``a^2``, ``a:b``; categorical factors
        effect-coded as ``machine[B]`` (second and later levels, the first level is -1). The index is
        that of ``runs``.

    Examples
    --------
    >>> from sharpset.plans import factors_from_dict, model_matrix
    >>> import pandas as pd
    >>> factors = factors_from_dict({"factor": [{"name": "speed", "low": 10, "high": 30}]})
    >>> model_matrix(factors, pd.DataFrame({"speed": [10.0, 25.0]}), "speed + speed^2")
       Intercept  speed  speed^2
    0        1.0   -1.0     1.00
    1        1.0    0.5     0.25
    """
    basis = make_basis(factors, terms)
    values: Any = basis.evaluate(factors.to_matrix(runs))
    return pd.DataFrame(values, columns=list(basis.columns), index=runs.index)
