"""Which effects a plan cannot tell apart."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sharpset.errors import PlanError
from sharpset.plans.formulas import Term
from sharpset.plans.plan import Plan

__all__ = ["alias_matrix", "alias_table", "effect_chains"]

Array = NDArray[np.float64]
_MOST_EFFECTS = 40_000


def effect_chains(matrix: Array, names: Sequence[str], *, max_order: int | None = None) -> pd.DataFrame:
    """Return all chains of effects whose columns are equal up to sign.

    Parameters
    ----------
    matrix : ndarray of float, shape (n_runs, n_factors)
        Two-level settings, -1 and +1. Works from the runs, so generators need not be known.
    names : sequence of str
    max_order : int, optional
        Leave out interactions of more factors than this.

    Returns
    -------
    DataFrame
        ``effect`` (lowest order of its chain), ``aliases`` (joined by `` = ``, a minus before the ones of
        opposite sign), ``n_aliases``. Effects mixed up with the constant stand with effect ``Intercept``.
    """
    k = matrix.shape[1]
    order = k if max_order is None else min(max_order, k)
    masks = _masks(k, order)
    columns = np.asarray(matrix, dtype=np.int8)
    chains: dict[bytes, list[tuple[str, int]]] = {np.ones(len(columns), dtype=np.int8).tobytes(): [("Intercept", 1)]}
    for members in masks:
        product = columns[:, list(members)].prod(axis=1, dtype=np.int8)
        sign = int(product[0])
        name = ":".join(names[m] for m in members)
        chains.setdefault((product * sign).astype(np.int8).tobytes(), []).append((name, sign))
    rows = []
    for chain in chains.values():
        head, head_sign = chain[0]
        others = [name if sign == head_sign else f"-{name}" for name, sign in chain[1:]]
        rows.append({"effect": head, "aliases": " = ".join(others), "n_aliases": len(others)})
    return pd.DataFrame(rows)


def _masks(k: int, order: int) -> list[tuple[int, ...]]:
    masks = [m for size in range(1, order + 1) for m in combinations(range(k), size)] if k <= 16 or order <= 3 else None
    if masks is None or len(masks) > _MOST_EFFECTS * 2:
        raise PlanError(f"all effects of {k} factors are too many to list. Give max_order = 2 or 3.")
    return masks


def alias_table(plan: Plan, *, max_order: int | None = None) -> pd.DataFrame:
    """Return the complete alias table of a two-level plan.

    Parameters
    ----------
    plan : Plan
        Factors that take two settings in the plan; middle settings (centre points) are left out.
    max_order : int, optional
        Leave out interactions of more factors than this.

    Returns
    -------
    DataFrame
        See :func:`effect_chains`.

    Raises
    ------
    PlanError
        If a factor takes more than two settings; :func:`alias_matrix` serves there.
    """
    coded = plan.factors.to_matrix(plan.runs)
    keep = np.ones(len(coded), dtype=bool)
    for i, f in enumerate(plan.factors):
        if not f.is_categorical:
            ends = (coded[:, i] == coded[:, i].min()) | (coded[:, i] == coded[:, i].max())
            keep &= ends
    signs = np.empty_like(coded[keep])
    for i, f in enumerate(plan.factors):
        values = np.unique(coded[keep, i])
        if len(values) != 2 or (not f.is_categorical and not _only_centres(coded, i, keep)):
            raise PlanError(
                f"factor {f.name!r} takes {len(np.unique(coded[:, i]))} settings in this plan; the alias table is for "
                "two-level plans. Use the alias matrix."
            )
        signs[:, i] = np.where(coded[keep, i] == values[0], -1.0, 1.0)
    return effect_chains(signs, plan.factors.names, max_order=max_order)


def _only_centres(coded: Array, i: int, keep: NDArray[np.bool_]) -> bool:
    """Whether the rows left out are centre points: one middle setting of this factor, few rows."""
    return len(np.unique(coded[~keep, i])) <= 1 or len(np.unique(coded[:, i])) == 2


def alias_matrix(
    plan: Plan, model: str | Sequence[str | Term] = "linear", larger: str | Sequence[str | Term] = "quadratic"
) -> pd.DataFrame:
    """Return how effects that are left out would bias those in the model.

    Parameters
    ----------
    plan : Plan
    model : str or sequence of str or Term
        What is fitted.
    larger : str or sequence of str or Term
        What may be there.

    Returns
    -------
    DataFrame
        Rows: columns of the model; columns: further columns of the larger model. An entry is the bias of
        the row's coefficient for each unit of the column's coefficient, (X1'X1)^-1 X1'X2.
    """
    x1 = plan.matrix(model)
    x2 = plan.matrix(larger)
    x2 = x2[[c for c in x2.columns if c not in x1.columns]]
    if np.linalg.matrix_rank(x1.to_numpy()) < x1.shape[1]:
        raise PlanError(f"these {plan.n_runs} runs cannot tell the model {model!r}. Choose a smaller model.")
    bias = np.linalg.lstsq(x1.to_numpy(), x2.to_numpy(), rcond=None)[0]
    return pd.DataFrame(np.round(bias, 12) + 0.0, index=x1.columns, columns=x2.columns)
