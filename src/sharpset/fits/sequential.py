"""What to print next: the runs that raise the chance most, or settle a doubtful effect, or lead uphill."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sharpset.errors import FitError
from sharpset.fits.fit import Fit
from sharpset.fits.margins import brief_margins
from sharpset.fits.search import BriefSearch
from sharpset.fits.surface import ResponseFit
from sharpset.fits.terms import Term

__all__ = ["NextRuns", "next_runs", "steepest_ascent"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, slots=True)
class NextRuns:
    """Runs to print next.

    Attributes
    ----------
    aim : str
        'brief', 'chance' or 'effect'.
    runs : pandas.DataFrame
        ``run_id``, one column per factor, ``expected`` (chance that could be reached knowing what this
        and the runs above it show, or the standard error left of the effect) and ``why``.
    now : float
        The chance, or the standard error, before these runs.
    statement : str
    """

    aim: str
    runs: pd.DataFrame
    now: float
    statement: str

    def summary(self) -> str:
        """Return the advice in one line."""
        return self.statement

    def to_frame(self) -> pd.DataFrame:
        """Return the runs."""
        return self.runs.copy()

    def _repr_html_(self) -> str:
        return f"<p>{self.statement}</p>{self.runs.to_html(index=False)}"


def next_runs(
    fit: Fit,
    *,
    n_runs: int = 3,
    aim: str = "chance",
    response: str | None = None,
    term: str | None = None,
    n_candidates: int = 512,
) -> NextRuns:
    """Return the next runs of a sequential experiment.

    Parameters
    ----------
    fit : Fit
    n_runs : int
    aim : {'brief', 'chance', 'effect'}
        'brief': one print after the other until one meets the brief, of use from the first print on
        (:class:`sharpset.fits.BriefSearch`). 'chance': the prints among which the best one is expected to
        meet the brief most often, given what the models leave open. 'effect': the prints that shrink the
        standard error of one effect most.
    response, term : str, optional
        For 'effect'; by default the effect that is hardest to call.
    n_candidates : int

    Raises
    ------
    FitError
        If there is no brief (for 'brief' and 'chance') or no effect to settle.

    References
    ----------
    The second aim is the expected best of a batch (Ginsbourger, Le Riche and Carraro 2010) over draws of
    the models' parameters; the third augments for one coefficient (D_s-optimality).
    """
    if n_runs < 1:
        raise FitError(f"The number of next runs must be at least 1, got {n_runs}.")
    if aim == "brief":
        return _meet_brief(fit, n_runs, n_candidates)
    if aim == "chance":
        return _raise_chance(fit, n_runs, n_candidates)
    if aim == "effect":
        return _settle_effect(fit, n_runs, response, term, n_candidates)
    raise FitError(f"The aim is 'brief', 'chance' or 'effect', got {aim!r}.")


def _ids(fit: Fit, n: int) -> list[str]:
    used = set(fit.runs["run_id"].astype(str))
    out: list[str] = []
    number = len(used) + 1
    while len(out) < n:
        name = f"N{number:02d}"
        if name not in used:
            out.append(name)
        number += 1
    return out


def _meet_brief(fit: Fit, n_runs: int, n_candidates: int) -> NextRuns:
    if fit.brief is None:
        raise FitError("A search for a met brief needs the brief. Fit with --brief.")
    margins = brief_margins(fit.runs, fit.counts, fit.brief)
    search = BriefSearch(margins, fit.runs, fit.space, seed=fit.seed)
    found = search.next_settings(n_runs, n_candidates=n_candidates)
    chances = found.pop("chance")
    runs = found[fit.space.names].copy()
    runs.insert(0, "run_id", _ids(fit, n_runs))
    runs["expected"] = chances.to_numpy()
    weakest = search.parts(found).idxmin(axis=1)
    runs["why"] = [f"most in doubt: {name}" for name in weakest]
    now = float(search.chances(fit.runs[fit.space.names]).max())
    summary = margins.summary()
    return NextRuns(
        aim="brief",
        runs=runs,
        now=now,
        statement=(
            f"{summary[0].upper()}{summary[1:]}. The next print there would meet it with a chance of "
            f"{100 * float(chances.iloc[0]):.0f} %; of the settings printed so far the best would with "
            f"{100 * now:.0f} %."
        ),
    )


def _raise_chance(fit: Fit, n_runs: int, n_candidates: int) -> NextRuns:
    forecast, region = fit.forecast(), fit.region()
    table = region.candidates(n_candidates, seed=fit.seed + 1)
    if fit.best is not None:
        table = pd.concat([fit.best.frame[region.space.names], table], ignore_index=True)
    drawn = forecast.draw_chances(table)
    now = float(drawn.mean(axis=1).max())
    chosen: list[int] = []
    reached = np.zeros(drawn.shape[1])
    expected: list[float] = []
    for _ in range(n_runs):
        gain = np.maximum(drawn, reached[None, :]).mean(axis=1)
        gain[chosen] = -1.0
        best = int(np.argmax(gain))
        chosen.append(best)
        reached = np.maximum(reached, drawn[best])
        expected.append(float(reached.mean()))
    runs = table.iloc[chosen].reset_index(drop=True)
    runs.insert(0, "run_id", _ids(fit, n_runs))
    runs["expected"] = expected
    means = drawn[chosen].mean(axis=1)
    runs["why"] = [
        "the best bet now" if i == 0 else f"chance {100 * m:.0f} % by itself; best where the first fails"
        for i, m in enumerate(means)
    ]
    ceiling = float(drawn.max(axis=0).mean())
    enough = (
        " More prints would hardly help: confirm the settings ('sharpset fit confirm')." if ceiling - now < 0.02 else ""
    )
    return NextRuns(
        aim="chance",
        runs=runs,
        now=now,
        statement=(
            f"The best settings known meet the brief with a chance of {100 * now:.0f} %; choosing afterwards "
            f"among these {n_runs} prints is expected to give {100 * expected[-1]:.0f} %, and full knowledge "
            f"{100 * ceiling:.0f} %.{enough}"
        ),
    )


def _doubtful(fit: Fit, response: str | None, term: str | None) -> tuple[ResponseFit, str]:
    usable = {n: f for n, f in fit.responses.items() if f.df_resid > 0 and f.units == "coded"}
    if response is not None:
        if response not in usable:
            raise FitError(f"There is no fitted response {response!r}. Choose from {', '.join(usable) or 'none'}.")
        usable = {response: usable[response]}
    if not usable:
        raise FitError("No response has residual degrees of freedom, so no effect can be called doubtful.")
    rows = []
    for name, f in usable.items():
        table = f.terms[f.terms["term"] != "Intercept"]
        if term is not None:
            table = table[table["term"] == term]
        rows += [(name, t, abs(np.log(max(p, 1e-12) / 0.05))) for t, p in zip(table["term"], table["p"], strict=True)]
    if not rows:
        known = ", ".join(next(iter(usable.values())).terms["term"])
        raise FitError(f"There is no term {term!r} in these models. Terms are {known}.")
    name, label, _ = min(rows, key=lambda r: r[2])
    return usable[name], label


def _settle_effect(fit: Fit, n_runs: int, response: str | None, term: str | None, n_candidates: int) -> NextRuns:
    model, label = _doubtful(fit, response, term)
    region = fit.region()
    table = region.candidates(n_candidates, seed=fit.seed + 2)
    corners = _corners(fit, region.inside)
    table = pd.concat([table, corners], ignore_index=True)
    x = model.matrix(table)
    position = model.terms["term"].tolist().index(label)
    inverse = model.covariance / model.print_variance
    sd = float(np.sqrt(model.print_variance))
    now = sd * float(np.sqrt(inverse[position, position]))
    chosen, left = [], []
    for _ in range(n_runs):
        # Sherman-Morrison: what one more run takes off the variance of the coefficient.
        lever = x @ inverse
        gain = lever[:, position] ** 2 / (1.0 + np.einsum("ij,ij->i", lever, x))
        best = int(np.argmax(gain))
        chosen.append(best)
        inverse = inverse - np.outer(lever[best], lever[best]) / (1.0 + float(lever[best] @ x[best]))
        left.append(sd * float(np.sqrt(inverse[position, position])))
    runs = table.iloc[chosen].reset_index(drop=True)
    runs.insert(0, "run_id", _ids(fit, n_runs))
    runs["expected"] = left
    row = model.terms.iloc[position]
    runs["why"] = f"standard error of {label} in {model.name}"
    return NextRuns(
        aim="effect",
        runs=runs,
        now=now,
        statement=(
            f"The effect {label} on {model.name} ({row['estimate']:+.3g} per coded unit, p = {row['p']:.2g}) is the "
            f"most doubtful; {n_runs} prints bring its standard error from {now:.3g} to {left[-1]:.3g}."
        ),
    )


def _corners(fit: Fit, inside: Any) -> pd.DataFrame:
    """Return settings at the ends and middles of all factors, as far as they are few and inside."""
    from itertools import islice, product

    axes: list[list[Any]] = []
    for factor in fit.space.with_tried(fit.runs).factors:
        if factor.kind == "continuous":
            axes.append([float(v) for v in factor.decode([-1.0, 0.0, 1.0])])
        else:
            axes.append(list(factor.levels))
    table = pd.DataFrame(list(islice(product(*axes), 2000)), columns=fit.space.names)
    return table[inside(table)].reset_index(drop=True)


def steepest_ascent(fit: ResponseFit, *, step: float = 0.5, n_steps: int = 6, maximise: bool = True) -> pd.DataFrame:
    """Return settings along the path of steepest ascent of a first-order model.

    Parameters
    ----------
    fit : ResponseFit
        Its main effects give the direction.
    step : float
        Length of a step in coded units along the strongest factor.
    n_steps : int
    maximise : bool
        False for the path downhill.

    Returns
    -------
    pandas.DataFrame
        ``step``, one column per numeric factor in natural units, ``predicted`` (of the first-order part),
        ``inside`` (whether the step is within the factors' limits).

    Raises
    ------
    FitError
        If the model has no main effects of numbers.

    References
    ----------
    Box, G. E. P. and Wilson, K. B. (1951), J. R. Stat. Soc. B 13:1-45.
    """
    use = fit.predictor
    if use.units != "coded":
        raise FitError(f"{fit.name}: steepest ascent needs a polynomial in the factors. Leave functions out.")
    table = use.terms.set_index("term")["estimate"]
    names = [f.name for f in fit.space.factors if f.kind != "categorical"]
    slope = np.array([float(table.get(Term(powers=((n, 1),)).label, 0.0)) for n in names])
    if not np.abs(slope).max(initial=0.0) > 0:
        raise FitError(f"{fit.name}: the model has no main effect of a numeric factor, so no direction.")
    direction = slope / np.abs(slope).max() * (1.0 if maximise else -1.0)
    steps = np.arange(n_steps + 1)
    coded = steps[:, None] * step * direction[None, :]
    out = pd.DataFrame({"step": steps})
    for i, name in enumerate(names):
        out[name] = fit.space[name].decode(coded[:, i])
    out["predicted"] = float(table["Intercept"]) + coded @ slope
    out["inside"] = np.all(np.abs(coded) <= 1.0 + 1e-9, axis=1)
    return out
