"""Choosing terms from so few prints that the usual criteria say nothing.

Akaike's corrected criterion needs three prints more than terms, and just above that it asks for absurdly much.
With six prints or fewer, models are compared by the F test of all their effects at once, and the smallest p value
is judged by how small the smallest one gets in pure noise, for the same settings and the same models.

References
----------
Westfall, P. H. & Young, S. S. (1993), Resampling-based multiple testing, Wiley (the smallest p value of many tests).
Wilkinson, L. & Dallal, G. E. (1981), Tests of significance in forward selection regression with an F-to-enter
stopping rule, Technometrics 23:377-380 (what becomes of a p value that was picked as the smallest).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sharpset.fits.algebra import independent_columns
from sharpset.fits.selection import with_parents
from sharpset.fits.terms import Model, Term

__all__ = ["FEW_PRINTS", "FewChoice", "rounding_variance", "select_from_few"]

Floats = NDArray[np.float64]
FEW_PRINTS = 6
"""Numbers of prints up to which models are compared as here."""
CHANCE = 0.05
"""How often pure noise may show an effect."""
N_DRAWS = 8000
MOST_MODELS = 2000


@dataclass(frozen=True, kw_only=True, slots=True)
class FewChoice:
    """Terms that few prints support, and what can be said of them.

    Attributes
    ----------
    terms : list of Term
    p : float
        Chance that pure noise lets the best of the models compared look as good as this one; NaN if none was compared.
    n_models : int
    least_r2 : float
        Share of the differences that one effect of one column must explain to be told from chance.
    """

    terms: list[Term]
    p: float
    n_models: int
    least_r2: float

    def statement(self, n_prints: int) -> str:
        """Return in words what the prints support."""
        names = ", ".join(t.label for t in self.terms if t.order and "block" not in t.categories)
        if not self.n_models:
            return f"{n_prints} prints leave nothing to judge effects by; repeat some runs or print more"
        models = "one model" if self.n_models == 1 else f"the best of {self.n_models} models"
        need = f"to be told from chance, one effect must explain {100 * self.least_r2:.0f} % of what differs"
        head = f"{n_prints} prints support little: {need}"
        if not names:
            return f"{head}; none is clear, so the mean of the prints predicts. Print more before trusting an effect"
        p = f"{self.p:.3f}" if self.p >= 0.001 else "below 0.001"
        return f"{head}; {names} passed (p {p} as {models}), finer effects cannot be seen"


@dataclass(frozen=True, kw_only=True, slots=True)
class _Candidate:
    """A model with what it adds to the smallest one."""

    terms: frozenset[Term]
    basis: Floats
    df: int


def rounding_variance(values: Floats) -> float:
    """Return the variance of the rounding error of values typed with few digits, 0 where no step can be seen.

    Values that all stand on whole multiples of 0.1 were rounded to 0.1: their error is rectangular, step^2 / 12.
    """
    for step in (1000.0, 100.0, 10.0, 1.0, 0.1, 0.01, 0.001):
        if np.allclose(values / step, np.round(values / step), rtol=0, atol=1e-7):
            return step**2 / 12.0
    return 0.0


def select_from_few(
    model: Model,
    runs: pd.DataFrame,
    response: Floats,
    *,
    candidates: tuple[Term, ...] = (),
    fixed: tuple[Term, ...] = (),
    weights: Floats | None = None,
    rounding: float = 0.0,
    seed: int = 0,
) -> FewChoice:
    """Return the terms that a handful of prints can tell from chance.

    Parameters
    ----------
    model : Model
    runs : pandas.DataFrame, n rows
    response : ndarray of float, shape (n,)
    candidates : tuple of Term
        Terms that may be added, each with its parents.
    fixed : tuple of Term
        Terms that stay (blocks).
    weights : ndarray of float, shape (n,), optional
    rounding : float
        Variance of the response's rounding error: no model fits more closely than that.
    seed : int
        Of the noise that the best model is judged by.

    Returns
    -------
    FewChoice
        The model whose effects together have the smallest p value, if every effect in it that no other contains
        passes an F test by itself (5 %) and pure noise lets the best of all models look as good in less than 5 %
        of cases; else what is fixed alone.
    """
    pool = tuple(dict.fromkeys([*model.terms, *candidates]))
    root = np.ones(len(response)) if weights is None else np.sqrt(weights)
    matrix, names = model.with_terms(list(pool)).columns(runs)
    matrix = matrix * root[:, None]
    blocks = {t: matrix[:, [i for i, n in enumerate(names) if n.term == t]] for t in pool}
    smallest = [t for t in pool if t == Term() or t in fixed]
    base = _basis(np.hstack([blocks[t] for t in smallest])) if smallest else np.zeros((len(response), 0))
    found = _models(pool, smallest, blocks, base)
    if not found:
        return FewChoice(terms=smallest, p=float("nan"), n_models=0, least_r2=float("nan"))
    least = _least_of_noise(found, base, seed)
    y = (response * root)[:, None]
    rest = _without(y, base)
    judged = [(_p_values(c, rest, rounding), c) for c in found]
    left = {c.terms: (float(rss[0]), c.df) for (_, rss), c in judged}
    left[frozenset(smallest)] = (float((rest**2).sum()), len(response) - base.shape[1])
    passed = [(float(p[0]), c) for (p, _), c in judged if _each_passes(c, left, set(smallest), len(pool))]
    best, chosen = min(passed, key=lambda pair: (pair[0], len(pair[1].terms))) if passed else (1.0, found[0])
    chance = float((np.searchsorted(least, best, side="right") + 1) / (N_DRAWS + 1))
    ordered = [t for t in pool if t in chosen.terms] if chance <= CHANCE else smallest
    needed = _least_r2(float(np.quantile(least, CHANCE)), len(response) - base.shape[1] - 1)
    return FewChoice(terms=ordered, p=chance, n_models=len(found), least_r2=needed)


def _basis(matrix: Floats) -> Floats:
    return np.asarray(np.linalg.qr(matrix[:, independent_columns(matrix)])[0])


def _without(values: Floats, basis: Floats) -> Floats:
    return values - basis @ (basis.T @ values)


def _models(pool: tuple[Term, ...], smallest: list[Term], blocks: dict[Term, Floats], base: Floats) -> list[_Candidate]:
    """Return every model with its parents that leaves a residual degree of freedom."""
    n = len(base)
    seen, waiting = {frozenset(smallest)}, [frozenset(smallest)]
    found: list[_Candidate] = []
    while waiting and len(found) < MOST_MODELS:
        current = waiting.pop(0)
        for term in (t for t in pool if t not in current):
            terms = frozenset(with_parents([*current, term], pool))
            width = sum(blocks[t].shape[1] for t in terms)
            if terms in seen or width > n - 1:
                continue
            seen.add(terms)
            added = _without(np.hstack([blocks[t] for t in pool if t in terms and t not in smallest]), base)
            if base.shape[1] + len(independent_columns(np.hstack([base, added]))) < base.shape[1] + width:
                continue  # aliased: the same model stands under another name
            basis = _basis(added)
            found.append(_Candidate(terms=terms, basis=basis, df=n - base.shape[1] - basis.shape[1]))
            waiting.append(terms)
    return found


def _least_of_noise(found: list[_Candidate], base: Floats, seed: int) -> Floats:
    """Return the smallest p value of all models in draws of pure noise, in rising order."""
    from scipy import stats

    rest = _without(np.random.default_rng(seed).standard_normal((len(base), N_DRAWS)), base)
    total = (rest**2).sum(axis=0)
    shares: dict[tuple[int, int], Floats] = {}
    for candidate in found:
        size = (candidate.basis.shape[1], candidate.df)
        share = ((candidate.basis.T @ rest) ** 2).sum(axis=0) / total
        shares[size] = np.maximum(shares[size], share) if size in shares else share
    p = [stats.f.sf(s / q * df / np.maximum(1.0 - s, 1e-24), q, df) for (q, df), s in shares.items()]
    return np.sort(np.min(p, axis=0))


def _p_values(candidate: _Candidate, rest: Floats, rounding: float) -> tuple[Floats, Floats]:
    """Return the p value of the F test of all effects, and the residual sum of squares, by column of ``rest``."""
    from scipy import stats

    q = candidate.basis.shape[1]
    explained = ((candidate.basis.T @ rest) ** 2).sum(axis=0)
    total = (rest**2).sum(axis=0)
    rss = np.maximum(total - explained, np.maximum(candidate.df * rounding, 1e-24 * total))
    return np.asarray(stats.f.sf(explained / q * candidate.df / rss, q, candidate.df)), rss


def _each_passes(
    candidate: _Candidate, left: dict[frozenset[Term], tuple[float, int]], fixed: set[Term], n_pool: int
) -> bool:
    """Tell whether each effect that could be dropped is clear by itself, allowing for what could stand in its place."""
    from scipy import stats

    rss, df = left[candidate.terms]
    level = CHANCE / (n_pool - len(candidate.terms) + 1)
    for term in candidate.terms - fixed:
        if any(o != term and o.contains(term) for o in candidate.terms):
            continue
        more, df_more = left[candidate.terms - {term}]
        if stats.f.sf((more - rss) / (df_more - df) * df / rss, df_more - df, df) > level:
            return False
    return True


def _least_r2(p: float, df: int) -> float:
    """Return the share that one column explains where its F test has this p value."""
    from scipy import stats

    if df < 1:
        return float("nan")
    f = float(stats.f.isf(p, 1, df))
    return f / (f + df)
