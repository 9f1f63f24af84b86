"""Limits: the size that forms reliably, with the confidence that the prints support."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
import pandas as pd

from sharpset.fits.formed import FormedFit
from sharpset.fits.ladder import ladder_criterion, probability, quantile

__all__ = ["Limit", "formed_curve", "formed_limit", "limits_table"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Limit:
    """Limit of one kind at one setting.

    Attributes
    ----------
    kind : str
    a50_mm, a90_mm : float
        Sizes that form 50 and 90 % of the time on a new print; NaN where the data only bound them.
    a90_95_mm : float
        Upper 95 % confidence bound of ``a90_mm`` by likelihood ratio: the limit. Infinite where the
        prints cannot bound it.
    u_ln_a90 : float
        Standard error of ln(a90).
    statement : str
        What can be said, in words.
    """

    kind: str
    a50_mm: float
    a90_mm: float
    a90_95_mm: float
    u_ln_a90: float
    statement: str

    def summary(self) -> str:
        """Return the limit in one line."""
        return f"{self.kind}: {self.statement}"

    def to_frame(self) -> pd.DataFrame:
        """Return the limit as one row."""
        return pd.DataFrame([{f.name: getattr(self, f.name) for f in fields(self)}])


def formed_limit(fit: FormedFit, settings: pd.DataFrame, *, prob: float = 0.9, confidence: float = 0.95) -> Limit:
    """Return the limit of one kind at one setting.

    Parameters
    ----------
    fit : FormedFit
    settings : pandas.DataFrame
        One row, natural units.
    prob : float
        Chance of forming asked for, on a new print (print-to-print scatter included).
    confidence : float
        One-sided.

    Returns
    -------
    Limit
        Sizes beyond the ladder that was printed are not given as numbers: the statement says that the
        limit lies outside.

    References
    ----------
    MIL-HDBK-1823A, section on hit/miss data: likelihood-ratio bound of a90.
    """
    nan = float("nan")
    if not fit.has_model:
        proven = fit.status in ("all_formed", "separated") and 0.05 ** (1.0 / fit.n_prints) >= prob
        bound = fit.above_mm if proven else float("inf")
        return Limit(kind=fit.kind, a50_mm=nan, a90_mm=nan, a90_95_mm=bound, u_ln_a90=nan, statement=fit.statement)
    row = fit.matrix(settings.iloc[:1])[0]
    centre = float(row @ fit.coef)
    log_a90 = centre + quantile(prob, fit.s, fit.print_sd)
    upper, deviation = _upper_bound(fit, row, log_a90, prob, confidence)
    sizes = np.exp(fit.ladder.log_size)
    low, high = float(sizes.min()), float(sizes.max())
    a90, bound = float(np.exp(log_a90)), float(np.exp(upper))
    often = f"forms {100 * prob:.0f} % of the time from {a90:.3f} mm"
    words = f"{often}, with {100 * confidence:.0f} % confidence from {bound:.3f} mm"
    if a90 > high:
        words = f"the limit is above {high:g} mm, the largest size printed; how far above, these prints cannot say"
        bound = float("inf")
    elif bound > 1.5 * high:
        words = f"{often}, but these prints set no upper bound inside the sizes printed"
        bound = float("inf")
    elif bound < low:
        words = f"the limit is below {low:g} mm, the smallest size printed"
        bound = low
    return Limit(
        kind=fit.kind,
        a50_mm=float(np.exp(centre)),
        a90_mm=a90,
        a90_95_mm=bound,
        u_ln_a90=deviation,
        statement=words,
    )


def _upper_bound(
    fit: FormedFit, row: np.ndarray, log_a90: float, prob: float, confidence: float
) -> tuple[float, float]:
    """Return the likelihood-ratio bound of ln(a90) and the standard error that it amounts to."""
    from scipy.optimize import brentq
    from scipy.stats import norm, t

    matrix = fit.matrix(fit.ladder.settings)
    base = ladder_criterion(fit.ladder, matrix, firth=fit.status == "penalised")
    if not _has_constant(fit):
        return float("inf"), float("nan")
    k = float(norm.ppf(confidence))
    free = len(matrix) - matrix.shape[1]
    if base.free_print_sd and free > 0:
        # Deviance at which a normal model of the prints' limits would reach Student's t bound.
        k = float(np.sqrt(free * np.log1p(t.ppf(confidence, free) ** 2 / free)))
    full = np.concatenate([fit.coef, [np.log(fit.s), np.log(fit.print_sd)]])
    theta = full if base.free_print_sd else full[:-1]
    lowest = base.value(theta)[0]
    start = theta[1:]

    def excess(log_size: float) -> float:
        nonlocal start
        held = base.held(row, log_size, prob)
        solution = held.minimise(start)
        start = solution.parameters
        return float(np.sqrt(max(2.0 * (held.value(solution.parameters)[0] - lowest), 0.0))) - k

    step = 0.08
    last = log_a90
    for _ in range(12):
        here = last + step
        if excess(here) > 0:
            try:
                bound = float(brentq(excess, last, here, xtol=1e-4))
            except ValueError:  # a nearly flat likelihood, climbed from two sides: stay on the cautious side
                bound = here
            return bound, (bound - log_a90) / k
        last, step = here, step * 1.6
    return float("inf"), float("nan")


def _has_constant(fit: FormedFit) -> bool:
    return fit.model.has_intercept and bool(fit.kept) and fit.kept[0] == 0


def limits_table(fits: Sequence[FormedFit], settings: pd.DataFrame) -> pd.DataFrame:
    """Return the limits of several kinds at one setting."""
    names = [f.name for f in fields(Limit)]
    found = [formed_limit(fit, settings) for fit in fits]
    return pd.DataFrame([{name: getattr(limit, name) for name in names} for limit in found], columns=names)


def formed_curve(fit: FormedFit, settings: pd.DataFrame, *, n_points: int = 60) -> pd.DataFrame:
    """Return the chance of forming against size at one setting: ``size_mm, chance``."""
    sizes = np.exp(np.linspace(fit.ladder.log_size.min(), fit.ladder.log_size.max(), n_points))
    if not fit.has_model:
        return pd.DataFrame({"size_mm": sizes, "chance": [fit.chance(s, settings.iloc[:1])[0] for s in sizes]})
    centre = float(fit.matrix(settings.iloc[:1])[0] @ fit.coef)
    return pd.DataFrame({"size_mm": sizes, "chance": probability(np.log(sizes) - centre, fit.s, fit.print_sd)})
