"""Counts out of a number, typed by hand: how the share depends on the settings (binomial model).

References
----------
McCullagh, P. & Nelder, J. A. (1989), Generalized Linear Models, 2nd ed., Chapman & Hall, ch. 4 (logits, scatter
beyond the binomial one).
"""

from __future__ import annotations

import re
import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sharpset.errors import FitError
from sharpset.fits.algebra import independent_columns
from sharpset.fits.defaults import choose_model
from sharpset.fits.hitmiss import firth_logistic
from sharpset.fits.space import Space
from sharpset.fits.terms import ColumnName, Model, Term, parse_formula
from sharpset.plans.tables import plain_name
from sharpset.plans.written import is_run_order

__all__ = ["ShareFit", "count_columns", "fit_share"]

Floats = NDArray[np.float64]
_SIZES = {"n", "total", "ntotal", "trials", "ntrials", "tried", "ntried", "tested", "ntested", "samplesize", "outof"}
_ENDS = ("total", "n", "tried", "tested", "trials", "of", "outof")
_UNIT = re.compile(r"[\[(%]|_(mm|um|cm|m|h|min|s|g|kg|ml|pct|percent|C|K|N|V)$")
LARGE = 15.0
"""A logit in coded units beyond this is no estimate: settings separate the counts."""


def count_columns(runs: pd.DataFrame, columns: Sequence[str]) -> tuple[dict[str, str], list[str]]:
    """Tell which columns are counts out of which column of sample sizes.

    Parameters
    ----------
    runs : pandas.DataFrame
    columns : sequence of str
        Numeric columns that may be responses.

    Returns
    -------
    pairs : dict of str to str
        Column of counts to its column of sizes: ``formed`` and ``formed_total`` or ``n_formed_total``, else
        every column of whole numbers without a unit that nowhere exceeds a column called total, tried, n ...
    sizes : list of str
        Columns of sizes, which are no responses.

    Raises
    ------
    FitError
        If single counts exceed the number beside them, by whose name the column is one of sample sizes.
    """
    whole = {}
    for name in columns:
        values = pd.to_numeric(runs[name], errors="coerce")
        known = values.dropna()
        if len(known) and not _UNIT.search(name) and (known >= 0).all() and (known % 1 == 0).all():
            whole[name] = values
    pairs: dict[str, str] = {}
    for count, size in ((c, s) for c in whole for s in whole if c != s and _is_size_of(s, c)):
        _check_count(runs, count, size)
        if _fits(whole[count], whole[size]):
            pairs[count] = size
    general = [s for s in whole if plain_name(s) in _SIZES and s not in pairs and (whole[s].dropna() >= 1).all()]
    for size in general[:1]:
        rest = [c for c in whole if c not in pairs and c not in general and c not in pairs.values()]
        rest = [c for c in rest if not is_run_order(c, list(whole[c]))]
        pairs |= {c: size for c in rest if _fits(whole[c], whole[size])}
    alone = [s for s in general if plain_name(s) != "total" and s not in pairs.values()]
    return pairs, [*dict.fromkeys(pairs.values()), *alone]


def _is_size_of(size: str, count: str) -> bool:
    name = plain_name(count)
    return plain_name(size) in {*(name + end for end in _ENDS), f"total{name}", f"n{name}total"}


def _check_count(runs: pd.DataFrame, count: str, size: str) -> None:
    """Refuse counts that exceed their number; where most do, the columns are something else."""
    k, n = (pd.to_numeric(runs[c], errors="coerce") for c in (count, size))
    above = np.flatnonzero((k > n).to_numpy())
    if not 0 < len(above) < 0.5 * int((k.notna() & n.notna()).sum()):
        return
    names = runs["run_id"] if "run_id" in runs else pd.Series(np.arange(len(runs)) + 1).map("row {}".format)
    wrong = ", ".join(f"{names.iloc[i]} {k.iloc[i]:g} of {n.iloc[i]:g}" for i in above[:5])
    raise FitError(f"{count}: more counted than {size} says: {wrong}. Correct the table.")


def _fits(count: pd.Series[Any], size: pd.Series[Any]) -> bool:
    both = count.notna() & size.notna()
    return bool(both.any() and (count[both] <= size[both]).all() and (count[both] < size[both]).any())


@dataclass(frozen=True, kw_only=True, slots=True)
class ShareFit:
    """A binomial model of counts out of a number.

    Attributes
    ----------
    name, size : str
        Columns of counts and of sample sizes.
    model : Model
    kept : tuple of int
        Columns of the model that could be estimated.
    formula : str
    terms, terms_natural : pandas.DataFrame
        ``term, estimate, se, z, p, low, high`` of the logit, in coded and in natural units.
    coef, covariance : ndarray of float
        Coded units; the covariance is widened by ``dispersion``.
    n_prints, n_tried, n_counted : int
    df_resid : int
    deviance, pearson : float
    dispersion : float
        Variance between prints over the binomial one; 1 where no more than that is seen.
    penalised : bool
        Whether Firth's penalty keeps the estimates finite, because settings separate the counts.
    half : float
        Where half are counted, for one numeric factor in a straight line; else NaN.
    remarks : tuple of str
    """

    name: str
    size: str
    model: Model
    kept: tuple[int, ...]
    formula: str
    terms: pd.DataFrame
    terms_natural: pd.DataFrame
    coef: Floats
    covariance: Floats
    n_prints: int
    n_tried: int
    n_counted: int
    df_resid: int
    deviance: float
    pearson: float
    dispersion: float
    penalised: bool
    half: float
    remarks: tuple[str, ...] = ()

    def share(self, settings: pd.DataFrame) -> Floats:
        """Return the expected share at settings in natural units, shape (m,)."""
        from scipy.special import expit

        return np.asarray(expit(self.model.columns(settings)[0][:, list(self.kept)] @ self.coef))

    def summary(self) -> str:
        """Return the fit in one line."""
        clear = self.terms[(self.terms["p"] < 0.05) & (self.terms["term"] != "Intercept")]["term"].tolist()
        more = "scatter between prints no more than counting gives"
        if self.df_resid <= 0:
            more = "scatter between prints unknown"
        elif self.dispersion > 1:
            more = (
                f"prints scatter {np.sqrt(self.dispersion):.2g} times as much as counting gives, which is allowed for"
            )
        held = ", held finite by Firth's penalty" if self.penalised else ""
        half = f"; half at {self.half:.4g}" if np.isfinite(self.half) else ""
        return (
            f"{self.name} out of {self.size}: logit of the share ~ {self.formula} (binomial, {self.n_prints} prints, "
            f"{self.n_counted} of {self.n_tried}, deviance {self.deviance:.4g} on {self.df_resid} df, {more}{held}): "
            f"clear effects {', '.join(clear) or 'none'}{half}"
        )

    def to_frame(self) -> pd.DataFrame:
        """Return the terms in coded units."""
        return self.terms.copy()

    def _repr_html_(self) -> str:
        return f"<p>{self.summary()}</p>{self.terms.to_html(index=False)}"


def fit_share(
    runs: pd.DataFrame, name: str, size: str, *, space: Space, formula: str | None = None, level: float = 0.95
) -> ShareFit:
    """Fit counts out of a number by logistic regression.

    Parameters
    ----------
    runs : pandas.DataFrame
        Settings in natural units and both columns; rows without either are left out.
    name, size : str
        Columns of counts and of sample sizes.
    space : Space
    formula : str, optional
        Right-hand side; by default main effects, and what second-order terms the plan supports and are clear (5 %).
    level : float

    Returns
    -------
    ShareFit

    Raises
    ------
    FitError
        If fewer than three prints have counts, a count is none, or all shares are 0 or all 1.
    """
    table, k, n = _usable(runs, name, size)
    model = _model(table, space, formula)
    found = _solve(model, table, k, n)
    while formula is None:
        weak = found.weakest()
        if weak is None and not (found.penalised and any(t.order > 1 for t in model.terms)):
            break
        model = model.with_terms([t for t in model.terms if (t != weak if weak is not None else t.order <= 1)])
        found = _solve(model, table, k, n)
    natural = _solve(model, table, k, n, units="natural")
    terms, natural_terms = _terms(found, level), _terms(natural, level)
    half = float("nan")
    straight = [t for t in model.terms if t != Term()]
    if len(straight) == 1 and straight[0].order == 1 and straight[0].powers and not found.penalised:
        factor = model.ranges[straight[0].powers[0][0]]
        half = float(factor.decode([-found.coef[0] / found.coef[1]])[0])
    said: tuple[str, ...] = ()
    if found.penalised:
        said = ("settings separate the counts completely; Firth's penalty keeps the estimates finite",)
    return ShareFit(
        name=name,
        size=size,
        model=model,
        kept=tuple(found.kept),
        formula=model.formula,
        terms=terms,
        terms_natural=natural_terms,
        coef=found.coef,
        covariance=found.covariance,
        n_prints=len(table),
        n_tried=int(n.sum()),
        n_counted=int(k.sum()),
        df_resid=found.df,
        deviance=found.deviance,
        pearson=found.pearson,
        dispersion=found.dispersion,
        penalised=found.penalised,
        half=half,
        remarks=said,
    )


def _usable(runs: pd.DataFrame, name: str, size: str) -> tuple[pd.DataFrame, Floats, Floats]:
    counts, sizes = (pd.to_numeric(runs[c], errors="coerce") for c in (name, size))
    known = counts.notna() & (sizes > 0)
    table, k, n = runs[known].reset_index(drop=True), counts[known].to_numpy(float), sizes[known].to_numpy(float)
    if len(table) < 3:
        raise FitError(f"{name}: {len(table)} prints have counts out of {size}; a model needs at least three.")
    if k.sum() in (0.0, n.sum()):
        every = "none" if k.sum() == 0 else "all"
        raise FitError(f"{name}: {every} of {n.sum():g} ({size}) counted in all {len(k)} prints; nothing to compare.")
    return table, k, n


def _model(table: pd.DataFrame, space: Space, formula: str | None) -> Model:
    if formula is not None:
        return parse_formula(f"~ {formula.split('~', 1)[-1]}", table, space)[1]
    model = choose_model(space, table).model
    if len(independent_columns(model.columns(table)[0])) >= len(table):
        model = model.with_terms([t for t in model.terms if t.order <= 1])
    return model


@dataclass(frozen=True, kw_only=True, slots=True)
class _Solution:
    model: Model
    names: list[ColumnName]
    kept: list[int]
    coef: Floats
    covariance: Floats
    df: int
    deviance: float
    pearson: float
    dispersion: float
    penalised: bool

    def p_values(self) -> Floats:
        from scipy import stats

        z = np.abs(self.coef) / np.sqrt(np.diag(self.covariance))
        return np.asarray(2 * (stats.t.sf(z, self.df) if self.dispersion > 1 else stats.norm.sf(z)))

    def weakest(self) -> Term | None:
        """Return the least clear term of second order that no other contains, None if all are clear."""
        p: dict[Term, float] = {}
        for name, value in zip(self.names, self.p_values(), strict=True):
            p[name.term] = min(p.get(name.term, 1.0), float(value))
        terms = self.model.terms
        free = [t for t in p if t.order > 1 and not any(o != t and o.contains(t) for o in terms)]
        weak = max(free, key=lambda t: p[t], default=None)
        return weak if weak is not None and p[weak] > 0.05 else None


def _solve(model: Model, table: pd.DataFrame, k: Floats, n: Floats, *, units: Any = "coded") -> _Solution:
    import statsmodels.api as sm
    from scipy import stats

    kept = independent_columns(model.columns(table)[0])
    matrix, names = model.columns(table, units=units)
    x = matrix[:, kept]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        result = sm.GLM(np.column_stack([k, n - k]), x, family=sm.families.Binomial()).fit(tol=1e-12, maxiter=200)
    coef, covariance = np.asarray(result.params), np.asarray(result.cov_params())
    # Judged in logits, so that it does not matter in which unit the settings are written.
    away = bool(np.max(np.abs(x @ coef)) > LARGE or not np.isfinite(coef).all())
    if away:
        coef, covariance = firth_logistic(x, k, n)
    df = len(k) - len(kept)
    pearson = float(result.pearson_chi2)
    over = df > 0 and not away and stats.chi2.sf(pearson, df) < 0.05
    dispersion = pearson / df if over else 1.0
    return _Solution(
        model=model,
        names=[names[i] for i in kept],
        kept=kept,
        coef=coef,
        covariance=covariance * dispersion,
        df=df,
        deviance=float(result.deviance),
        pearson=pearson,
        dispersion=dispersion,
        penalised=away,
    )


def _terms(found: _Solution, level: float) -> pd.DataFrame:
    from scipy import stats

    se = np.sqrt(np.diag(found.covariance))
    reach = stats.t.ppf(0.5 + level / 2, found.df) if found.dispersion > 1 else stats.norm.ppf(0.5 + level / 2)
    return pd.DataFrame(
        {
            "term": [n.label for n in found.names],
            "estimate": found.coef,
            "se": se,
            "z": found.coef / se,
            "p": found.p_values(),
            "low": found.coef - reach * se,
            "high": found.coef + reach * se,
        }
    )
