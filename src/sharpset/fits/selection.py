"""Choosing terms without breaking hierarchy."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sharpset.fits.algebra import independent_columns
from sharpset.fits.terms import Model, Term

__all__ = ["aicc", "select_terms", "with_parents"]

Floats = NDArray[np.float64]


def aicc(rss: float, n: int, p: int) -> float:
    """Return Akaike's criterion with the small-sample correction; infinite where n is too small.

    References
    ----------
    Hurvich, C. M. and Tsai, C.-L. (1989), Biometrika 76:297-307.
    """
    k = p + 1
    if n - k - 1 <= 0:
        return float("inf")
    return float(n * np.log(max(rss, 1e-300) / n) + 2 * k + 2 * k * (k + 1) / (n - k - 1))


def with_parents(terms: list[Term], pool: tuple[Term, ...]) -> list[Term]:
    """Return terms together with every term of the pool that is a part of one of them."""
    wanted = set(terms)
    return [t for t in pool if t in wanted or t == Term() or any(w.contains(t) for w in wanted)]


class _Scorer:
    """AICc of sets of terms, their columns worked out once."""

    def __init__(
        self, pool: tuple[Term, ...], model: Model, runs: pd.DataFrame, y: Floats, weights: Floats | None, demand: float
    ) -> None:
        self.root = np.ones(len(y)) if weights is None else np.sqrt(weights)
        self.y = y * self.root
        self.demand = demand
        matrix, names = model.with_terms(list(pool)).columns(runs)
        matrix = matrix * self.root[:, None]
        self.blocks = {t: matrix[:, [i for i, n in enumerate(names) if n.term == t]] for t in pool}

    def __call__(self, terms: list[Term]) -> float:
        y = self.y
        if terms:
            matrix = np.hstack([self.blocks[t] for t in terms])
            keep = independent_columns(matrix)
            q, _ = np.linalg.qr(matrix[:, keep])
            rest = y - q @ (q.T @ y)
            rest = rest - q @ (q.T @ rest)
            rss, p = float(rest @ rest), len(keep)
        else:
            rss, p = float(y @ y), 0
        floor = 1e-24 * float(y @ y)
        return aicc(max(rss, floor), len(y), p) + self.demand * sum(t.order > 1 for t in terms)


def select_terms(
    model: Model,
    runs: pd.DataFrame,
    response: Floats,
    *,
    candidates: tuple[Term, ...] = (),
    fixed: tuple[Term, ...] = (),
    weights: Floats | None = None,
    demand: float = 0.0,
) -> list[Term]:
    """Add and drop terms while AICc falls; a term stays as long as a higher one contains it.

    Parameters
    ----------
    model : Model
        Start; main effects that the candidates need are taken from it.
    runs : pandas.DataFrame
    response : ndarray of float, shape (n,)
    candidates : tuple of Term
        Terms that may be added, each with its parents.
    fixed : tuple of Term
        Terms that are never dropped (blocks).
    weights : ndarray of float, shape (n,), optional
    demand : float
        By how much more AICc has to fall for each term above first order.

    Returns
    -------
    list of Term
        In the order of model, then candidates.
    """
    pool = tuple(dict.fromkeys([*model.terms, *candidates]))
    kept = {Term(), *fixed}
    small = [t for t in model.terms if t in kept]
    starts = [small] if candidates else [list(model.terms), small]
    judge = _Scorer(pool, model, runs, response, weights, demand)
    best: list[Term] = small
    best_score = float("inf")
    for start in starts:
        terms, score = _walk(judge, pool, start, kept)
        if score < best_score:
            best, best_score = terms, score
    return best


def _walk(judge: _Scorer, pool: tuple[Term, ...], start: list[Term], kept: set[Term]) -> tuple[list[Term], float]:
    current = list(start)
    score = judge(current)
    for _ in range(4 * len(pool)):
        moves: list[list[Term]] = []
        for term in pool:
            if term not in current:
                moves.append(with_parents([*current, term], pool))
            elif term not in kept and not any(o != term and o.contains(term) for o in current):
                moves.append([t for t in current if t != term])
        if not moves:
            break
        scores = [judge(move) for move in moves]
        if not min(scores) < score - 1e-9:
            break
        current, score = moves[int(np.argmin(scores))], min(scores)
    return current, score
