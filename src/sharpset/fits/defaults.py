"""Which model a plan supports, when the maker names none."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np
import pandas as pd

from sharpset.fits.algebra import independent_columns
from sharpset.fits.space import FactorRange, Space
from sharpset.fits.terms import Model, Term, as_category

__all__ = ["ModelChoice", "choose_model", "drop_aliased", "spelled"]

INTERCEPT = Term()


@dataclass(frozen=True, kw_only=True, slots=True)
class ModelChoice:
    """A model and what had to be said about it.

    Attributes
    ----------
    model : Model
    candidates : tuple of Term
        Second-order terms that the plan cannot hold all at once; selection may add some.
    remarks : tuple of str
    """

    model: Model
    candidates: tuple[Term, ...] = ()
    remarks: tuple[str, ...] = ()


def spelled(terms: list[Term]) -> str:
    """Return terms in words, long lists cut short."""
    labels = [term.label for term in terms]
    return ", ".join(labels) if len(labels) <= 8 else ", ".join(labels[:8]) + f" and {len(labels) - 8} more"


def drop_aliased(model: Model, runs: pd.DataFrame) -> tuple[Model, list[Term]]:
    """Return the model without the terms that earlier terms already account for.

    A category loses its term when none of its columns is independent of earlier terms.
    """
    matrix, names = model.columns(runs)
    kept = set(independent_columns(matrix))
    alive: dict[Term, bool] = dict.fromkeys(model.terms, False)
    for position, name in enumerate(names):
        alive[name.term] |= position in kept
    return model.with_terms([t for t in model.terms if alive[t]]), [t for t in model.terms if not alive[t]]


def n_columns(model: Model, runs: pd.DataFrame) -> int:
    """Return the rank of a model on the runs."""
    return len(independent_columns(model.columns(runs)[0]))


def choose_model(space: Space, runs: pd.DataFrame, *, blocks: bool = True) -> ModelChoice:
    """Choose the largest standard model that the plan supports.

    Parameters
    ----------
    space : Space
    runs : pandas.DataFrame
        Settings of the runs that have a response, natural units.
    blocks : bool
        Whether a block with more than one value enters as a fixed effect.

    Returns
    -------
    ModelChoice

    Notes
    -----
    Main effects first; then two-factor interactions and squares, as a whole, if they leave the plan
    estimable. A regular two-level plan is filled up with interactions in rising order; without
    replicates that saturates it, and Lenth's method judges the effects. Where second-order terms do not fit
    as a whole (Plackett-Burman, definitive screening) they become candidates for selection.
    """
    factors = [f for f in space.factors if len(pd.unique(runs[f.name])) > 1]
    still = [f.name for f in space.factors if len(pd.unique(runs[f.name])) <= 1]
    remarks = [f"{', '.join(still)} did not change in these runs and cannot have an effect here"] if still else []
    ranges = {f.name: as_category(f.name, runs, space) if f.kind == "categorical" else f for f in factors}
    head = [INTERCEPT]
    if blocks and "block" in runs and len(pd.unique(runs["block"])) > 1:
        ranges["block"] = as_category("block", runs, space)
        head.append(Term(categories=("block",)))
    mains = [_main(f) for f in factors]
    base, lost = drop_aliased(Model(terms=(*head, *mains), ranges=ranges), runs)
    if lost:
        remarks.append(f"{spelled(lost)} cannot be told from earlier effects in this plan and stand aside")
    if n_columns(base, runs) > len(runs):
        return ModelChoice(model=base, remarks=tuple(remarks))
    return _second_order(base, factors, runs, remarks)


def _main(factor: FactorRange) -> Term:
    if factor.kind == "categorical":
        return Term(categories=(factor.name,))
    return Term(powers=((factor.name, 1),))


def _product(factors: tuple[FactorRange, ...]) -> Term:
    return Term(
        powers=tuple((f.name, 1) for f in factors if f.kind != "categorical"),
        categories=tuple(f.name for f in factors if f.kind == "categorical"),
    )


def _second_order(base: Model, factors: list[FactorRange], runs: pd.DataFrame, remarks: list[str]) -> ModelChoice:
    pairs = [_product(pair) for pair in combinations(factors, 2)]
    squares = [
        Term(powers=((f.name, 2),))
        for f in factors
        if f.kind != "categorical" and runs[f.name].round(12).nunique() >= 3
    ]
    full, lost = drop_aliased(base.with_terms([*base.terms, *pairs, *squares]), runs)
    n_runs, used = len(runs), n_columns(full, runs)
    orthogonal = _orthogonal(full, runs)
    if (used >= n_runs and not orthogonal) or (len(lost) > 0 and not _aliases_are_exact(full, lost, runs)):
        count = len(pairs) + len(squares)
        ready = "one second-order term stands" if count == 1 else f"{count} second-order terms stand"
        remarks.append(
            f"the plan cannot hold all second-order terms at once; the model has main effects, and {ready} ready for "
            f"selection"
        )
        return ModelChoice(model=base, candidates=tuple(pairs + squares), remarks=tuple(remarks))
    if lost:
        remarks.append(_alias_remark(full, lost, runs))
    if orthogonal and used < n_runs and _two_level(factors, runs):
        grown = _fill_up(full, factors, runs)
        replicated = _replicated(runs, factors)
        if replicated or n_columns(grown, runs) == n_runs:
            full = grown
        if not replicated and n_columns(full, runs) == n_runs:
            remarks.append("no replicates: the plan is fitted with every interaction it can tell apart")
    return ModelChoice(model=full, remarks=tuple(remarks))


def _fill_up(model: Model, factors: list[FactorRange], runs: pd.DataFrame) -> Model:
    grown = model
    for order in range(3, len(factors) + 1):
        if n_columns(grown, runs) >= len(runs):
            break
        higher = [_product(group) for group in combinations(factors, order)]
        grown, _ = drop_aliased(grown.with_terms([*grown.terms, *higher]), runs)
    return grown


def _two_level(factors: list[FactorRange], runs: pd.DataFrame) -> bool:
    return all(runs[f.name].nunique() == 2 for f in factors)


def _replicated(runs: pd.DataFrame, factors: list[FactorRange]) -> bool:
    return bool(runs[[f.name for f in factors]].duplicated().any())


def _orthogonal(model: Model, runs: pd.DataFrame) -> bool:
    """Tell whether the columns of two-level numbers are mutually orthogonal."""
    matrix, _ = model.columns(runs)
    gram = matrix.T @ matrix
    size = np.sqrt(np.outer(np.diag(gram), np.diag(gram)))
    off = np.abs(gram / np.where(size > 0, size, 1.0)) - np.eye(len(gram))
    return bool(np.max(off, initial=0.0) < 1e-9)


def _aliases_are_exact(model: Model, lost: list[Term], runs: pd.DataFrame) -> bool:
    """Tell whether each lost term equals one kept column, up to sign (a regular fraction)."""
    kept, _ = model.columns(runs)
    kept = kept / np.linalg.norm(kept, axis=0)
    ranges = model.ranges
    for term in lost:
        column, _ = Model(terms=(INTERCEPT, *_margins(term), term), ranges=ranges).columns(runs)
        vector = column[:, -1]
        length = np.linalg.norm(vector)
        if length and np.max(np.abs(kept.T @ (vector / length))) < 1 - 1e-6 and not _only_square(term):
            return False
    return True


def _margins(term: Term) -> list[Term]:
    return [Term(categories=(name,)) for name in term.categories] if term.categories and term.order > 1 else []


def _only_square(term: Term) -> bool:
    return len(term.powers) == 1 and term.powers[0][1] == 2 and not term.categories


def _alias_remark(model: Model, lost: list[Term], runs: pd.DataFrame) -> str:
    kept, names = model.columns(runs)
    kept = kept / np.linalg.norm(kept, axis=0)
    said = []
    for term in lost[:12]:
        column, _ = Model(terms=(INTERCEPT, *_margins(term), term), ranges=model.ranges).columns(runs)
        vector = column[:, -1] / max(float(np.linalg.norm(column[:, -1])), 1e-300)
        overlap = np.abs(kept.T @ vector)
        partner = names[int(np.argmax(overlap))].label
        said.append(f"{term.label} = {partner}" if overlap.max() > 1 - 1e-6 else term.label)
    more = f" and {len(lost) - 12} more" if len(lost) > 12 else ""
    return f"aliased in this plan, so only the second of each pair is in the model: {'; '.join(said)}{more}"
