"""What forms: size, settings and the scatter between prints.

The model: a print has its own limit. The logarithm of the limit is linear in the settings, plus a
normal print effect; a feature of size a forms with the logistic probability of
``(ln a - ln limit) / s``. That is the binomial model in log size and settings with a random print
effect, written so that it stays finite where every ladder is cut cleanly.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sharpset.errors import FitError
from sharpset.fits.algebra import independent_columns
from sharpset.fits.defaults import choose_model
from sharpset.fits.ladder import Ladder, ladder_criterion, probability
from sharpset.fits.selection import select_terms, with_parents
from sharpset.fits.space import Space
from sharpset.fits.terms import Model, Term, parse_formula

__all__ = ["FormedFit", "fit_formed"]

Floats = NDArray[np.float64]
Status = Literal["fitted", "penalised", "separated", "all_formed", "none_formed"]


@dataclass(frozen=True, kw_only=True, slots=True)
class FormedFit:
    """How the smallest formed size of one kind depends on the settings.

    Attributes
    ----------
    kind : str
    status : {'fitted', 'penalised', 'separated', 'all_formed', 'none_formed'}
        'penalised': settings and size separate the data completely, so Firth's penalty holds the
        estimates finite. The last three have no model: only ``statement`` is true.
    formula : str
        Of the logarithm of the limit.
    model : Model
    coef : ndarray of float, shape (p,)
        Of ln(limit / mm), coded units.
    s, print_sd : float
        Logistic scale of ln(size) within a print and standard deviation of the print effect.
    covariance : ndarray of float, shape (p + 2, p + 2)
        Of ``coef, ln s, ln print_sd``; zero for a parameter held at its bound.
    counts : pandas.DataFrame
        ``run_id, nominal_mm, n, n_formed``.
    n_prints, n_features : int
    log_likelihood : float
    below_mm, above_mm : float
        Largest size that never formed below every formed one, smallest size from which all formed.
    statement : str
    remarks : tuple of str
    """

    kind: str
    status: Status
    formula: str
    model: Model
    kept: tuple[int, ...]
    coef: Floats
    s: float
    print_sd: float
    covariance: Floats
    counts: pd.DataFrame
    ladder: Ladder
    n_prints: int
    n_features: int
    log_likelihood: float
    below_mm: float
    above_mm: float
    statement: str
    remarks: tuple[str, ...] = ()

    @property
    def has_model(self) -> bool:
        """Whether limits can be computed from a fitted model."""
        return self.status in ("fitted", "penalised")

    def matrix(self, settings: pd.DataFrame) -> Floats:
        """Return the model matrix of settings in natural units, shape (m, p)."""
        return self.model.columns(settings)[0][:, list(self.kept)]

    def chance(self, size_mm: float, settings: pd.DataFrame) -> Floats:
        """Return the chance that a feature of this size forms on a new print, shape (m,).

        NaN where no model could be fitted and the size was not tried.
        """
        if not self.has_model:
            p = self._plain_chance(size_mm)
            return np.full(len(settings), p)
        centre = self.matrix(settings) @ self.coef
        return probability(np.log(size_mm) - centre, self.s, self.print_sd)

    def _plain_chance(self, size_mm: float) -> float:
        """Return the posterior mean with prints as the unit (Jeffreys' prior)."""
        n = self.n_prints
        if size_mm >= self.above_mm - 1e-9:
            return (n + 0.5) / (n + 1.0)
        if size_mm <= self.below_mm + 1e-9:
            return 0.5 / (n + 1.0)
        return float("nan")

    def draw_chance(
        self, sizes_mm: Floats, settings: pd.DataFrame, *, z: Floats, uniform: Floats, spread: Floats
    ) -> Floats:
        """Return simulated chances of forming, shape (m, n_draws).

        Parameters
        ----------
        sizes_mm : ndarray of float, shape (m,) or (m, n_draws)
        settings : pandas.DataFrame, m rows
        z : ndarray of float, shape (n_draws, >= p + 2)
        uniform : ndarray of float, shape (n_draws,)
        spread : ndarray of float, shape (n_draws,)
            Square root of chi-square over its degrees of freedom, reciprocal: widens the draws for the
            few prints that they rest on.
        """
        sizes = np.broadcast_to(
            sizes_mm if np.ndim(sizes_mm) == 2 else np.asarray(sizes_mm)[:, None], (len(settings), len(z))
        )
        if not self.has_model:
            return self._plain_draws(sizes, uniform)
        values, vectors = np.linalg.eigh(self.covariance)
        root = vectors * np.sqrt(np.maximum(values, 0.0))
        p = len(self.coef)
        step = (z[:, : p + 2] @ root.T) * spread[:, None]
        centre = self.matrix(settings) @ (self.coef[None, :] + step[:, :p]).T
        s = self.s * np.exp(np.clip(step[:, p], -1.5, 1.5))
        sd = self.print_sd * np.exp(np.clip(step[:, p + 1], -1.5, 1.5))
        # Logistic and normal joined: the logistic's scale is matched to a normal one (1.702).
        from scipy.special import expit

        wide = np.sqrt(s**2 + (sd / 1.702) ** 2)
        return np.asarray(expit((np.log(sizes) - centre) / wide[None, :]))

    def _plain_draws(self, sizes: Floats, uniform: Floats) -> Floats:
        from scipy.stats import beta

        n = self.n_prints
        high = beta.ppf(uniform, n + 0.5, 0.5)[None, :]
        low = beta.ppf(uniform, 0.5, n + 0.5)[None, :]
        between = uniform[None, :] if np.isfinite(self.below_mm) and np.isfinite(self.above_mm) else 0.0
        out = np.where(sizes >= self.above_mm - 1e-9, high, np.where(sizes <= self.below_mm + 1e-9, low, between))
        return np.asarray(out, dtype=float)

    def summary(self) -> str:
        """Return the fit in one line."""
        if not self.has_model:
            return f"{self.kind}: {self.statement}"
        note = ", held finite by Firth's penalty" if self.status == "penalised" else ""
        return (
            f"{self.kind}: ln limit ~ {self.formula} ({self.n_prints} prints, {self.n_features} features{note}); "
            f"print-to-print scatter of the limit {100 * self.print_sd:.0f} %"
        )

    def to_frame(self) -> pd.DataFrame:
        """Return the coefficients of ln(limit): ``term, estimate, se, z, p, low, high, factor``.

        ``factor`` is what one coded unit multiplies the limit by.
        """
        from scipy import stats

        if not self.has_model:
            return pd.DataFrame(columns=["term", "estimate", "se", "z", "p", "low", "high", "factor"])
        names = [c.label for c in self.model.columns(self.ladder.settings)[1]]
        labels = [names[i] for i in self.kept]
        se = np.sqrt(np.maximum(np.diag(self.covariance)[: len(self.coef)], 0.0))
        with np.errstate(divide="ignore", invalid="ignore"):
            z = self.coef / se
        return pd.DataFrame(
            {
                "term": labels,
                "estimate": self.coef,
                "se": se,
                "z": z,
                "p": 2 * stats.norm.sf(np.abs(z)),
                "low": self.coef - 1.96 * se,
                "high": self.coef + 1.96 * se,
                "factor": np.exp(self.coef),
            }
        )

    def _repr_html_(self) -> str:
        return f"<p>{self.summary()}</p>{self.to_frame().to_html(index=False)}"


def fit_formed(
    counts: pd.DataFrame,
    runs: pd.DataFrame,
    *,
    kind: str,
    space: Space,
    formula: str | None = None,
) -> FormedFit:
    """Fit which sizes of one kind form, against the settings.

    Parameters
    ----------
    counts : pandas.DataFrame
        ``run_id, kind, nominal_mm, n, n_formed``; 'partly' counted as not formed.
    runs : pandas.DataFrame
        ``run_id`` and settings in natural units.
    kind : str
    space : Space
    formula : str, optional
        Right-hand side for the logarithm of the limit; by default main effects and what second-order
        terms AICc finds worth having.

    Returns
    -------
    FormedFit
        With ``status`` 'all_formed', 'none_formed' or 'separated' a statement instead of a model.

    Raises
    ------
    FitError
        If no run of the plan has features of this kind.

    References
    ----------
    MIL-HDBK-1823A (hit/miss); Firth, D. (1993), Bias reduction of maximum likelihood estimates,
    Biometrika 80:27-38.
    """
    part = counts[counts["kind"] == kind].merge(runs, on="run_id", how="inner", suffixes=("", "_plan"))
    if part.empty:
        present = ", ".join(sorted(set(counts["kind"]))) or "none"
        raise FitError(f"No run of the plan has readings of the kind {kind!r}; kinds read are {present}.")
    part = part.sort_values(["run_id", "nominal_mm"], kind="stable").reset_index(drop=True)
    jobs = runs[runs["run_id"].isin(set(part["run_id"]))].drop_duplicates("run_id").sort_values("run_id", kind="stable")
    jobs = jobs.reset_index(drop=True)
    ladder = Ladder.from_counts(part, jobs)
    hit, n = part["n_formed"].to_numpy(dtype=float), part["n"].to_numpy(dtype=float)
    size = part["nominal_mm"].to_numpy(dtype=float)
    below, above = _certain_sizes(size, hit, n)
    base = {
        "kind": kind,
        "counts": part[["run_id", "nominal_mm", "n", "n_formed"]],
        "ladder": ladder,
        "n_prints": len(jobs),
        "n_features": int(n.sum()),
        "below_mm": below,
        "above_mm": above,
    }
    status, statement = _plain_status(size, hit, n, below, above, len(jobs))
    if status is not None:
        return FormedFit(
            status=status,
            formula="",
            model=Model(terms=()),
            kept=(),
            coef=np.zeros(0),
            s=np.nan,
            print_sd=np.nan,
            covariance=np.zeros((0, 0)),
            log_likelihood=0.0,
            statement=statement,
            **base,
        )
    model, remarks = _limit_model(ladder, jobs, space, formula)
    matrix = model.columns(jobs)[0]
    kept = independent_columns(matrix)
    x = matrix[:, kept]
    solution = ladder_criterion(ladder, x, firth=False).minimise()
    penalised = solution.runs_away or solution.separated
    if penalised:
        solution = ladder_criterion(ladder, x, firth=True).minimise()
        remarks = (
            *remarks,
            "size and settings separate formed from not formed completely in these prints; Firth's penalty keeps the "
            "estimates finite, and more prints near the limit would settle them",
        )
    if len(jobs) == 1:
        remarks = (*remarks, "one print only: the scatter between prints is unknown and not in the limits")
    return FormedFit(
        status="penalised" if penalised else "fitted",
        formula=model.formula,
        model=model,
        kept=tuple(kept),
        coef=solution.coef,
        s=solution.s,
        print_sd=solution.print_sd,
        covariance=solution.covariance,
        log_likelihood=solution.log_likelihood,
        statement="",
        remarks=remarks,
        **base,
    )


def _certain_sizes(size: Floats, hit: Floats, n: Floats) -> tuple[float, float]:
    """Return the size up to which nothing formed and the one from which everything did, infinite where none is."""
    missed, seen = size[hit < n], size[hit > 0]
    whole = size[size > missed.max(initial=-np.inf)]
    never = size[size < seen.min(initial=np.inf)]
    return float(never.max(initial=-np.inf)), float(whole.min(initial=np.inf))


def _plain_status(
    size: Floats, hit: Floats, n: Floats, below: float, above: float, n_prints: int
) -> tuple[Status | None, str]:
    sure = 0.05 ** (1.0 / n_prints)
    prints = f"{n_prints} print{'s' if n_prints > 1 else ''}"
    proof = f"With {prints} that shows a chance of at least {100 * sure:.0f} % with 95 % confidence" + (
        ", which meets 90/95." if sure >= 0.9 else "; 90/95 would take 29 prints without a miss."
    )
    if hit.sum() == n.sum():
        return "all_formed", f"all formed down to {size.min():g} mm: the limit is below {size.min():g} mm. {proof}"
    if hit.sum() == 0:
        return "none_formed", f"none formed up to {size.max():g} mm: the limit is above {size.max():g} mm"
    if below < above and not np.any((hit > 0) & (hit < n)) and size[hit == n].min() > size[hit == 0].max():
        return (
            "separated",
            f"all formed from {above:g} mm, none up to {below:g} mm, in every print alike: the limit is between them, "
            f"no closer. {proof}",
        )
    return None, ""


def _limit_model(
    ladder: Ladder, jobs: pd.DataFrame, space: Space, formula: str | None
) -> tuple[Model, tuple[str, ...]]:
    """Choose terms for ln(limit) by least squares on where each print's ladder is cut."""
    if formula is not None:
        text = formula.split("~", 1)[1] if "~" in formula else formula
        return parse_formula(f"~ {text}", jobs, space)[1], ()
    moving = [f.name for f in space.factors if len(pd.unique(jobs[f.name])) > 1]
    if len(jobs) < 4 or not moving:
        return Model(terms=(Term(),)), () if not moving else (
            "fewer than four prints: the limit is taken as the same everywhere",
        )
    choice = choose_model(space, jobs, blocks=False)
    cut = ladder.cuts()
    mains = tuple(t for t in choice.model.terms if t.order <= 1)
    second = tuple(t for t in (*choice.model.terms, *choice.candidates) if t.order == 2)
    start = choice.model.with_terms(list(mains))
    chosen = select_terms(start, jobs, cut - cut.mean(), candidates=second, demand=4.0)
    room = len(jobs) - 4
    full = [t for t in (*mains, *second) if t in mains or t in chosen]
    terms = full if len(full) <= room else with_parents(chosen, (*mains, *second))
    terms = terms if len(terms) <= room else [Term()]
    return choice.model.with_terms(terms), ()
