"""The fit of a whole plan: every response, what forms, and the settings to use."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from sharpset.brief import Brief
from sharpset.errors import FitError
from sharpset.fits.best import BestSettings, best_settings, chance_map
from sharpset.fits.formed import FormedFit, fit_formed
from sharpset.fits.joining import Joined, join_tables
from sharpset.fits.region import Region
from sharpset.fits.regression import fit_response
from sharpset.fits.requirements import Forecast
from sharpset.fits.scales import least_scatter, on_its_scale
from sharpset.fits.shares import ShareFit, fit_share
from sharpset.fits.space import Space
from sharpset.fits.surface import ResponseFit
from sharpset.fits.terms import Model

__all__ = ["Fit", "fit_plan", "fit_responses"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Fit:
    """All models of a plan and what follows from them.

    Attributes
    ----------
    responses : dict of str to ResponseFit
    formed : dict of str to FormedFit
        By kind.
    best : BestSettings or None
        None without a brief.
    brief : Brief or None
    space : Space
    runs : pandas.DataFrame
        One row per print job with a response: settings and responses.
    counts : pandas.DataFrame
        What formed, by run, kind and size; empty without readings.
    feature_sd_mm : dict of str to float
        Spread of widths between details of one job, by kind (``bar``) and near the brief's size
        (``bar_at_brief``).
    remarks : tuple of str
    failed : dict of str to str
        Responses that could not be modelled, and why.
    seed : int
    plan : Any
        The plan as given.
    shares : dict of str to ShareFit
        Counts out of a number, typed by hand.
    directions : pandas.DataFrame
        Strips by the direction in which they run; see :func:`sharpset.fits.directions.direction_table`.
    """

    responses: dict[str, ResponseFit]
    formed: dict[str, FormedFit]
    best: BestSettings | None
    brief: Brief | None
    space: Space
    runs: pd.DataFrame
    counts: pd.DataFrame
    feature_sd_mm: dict[str, float]
    remarks: tuple[str, ...]
    failed: dict[str, str]
    seed: int
    plan: Any
    options: dict[str, Any] = field(default_factory=dict)
    shares: dict[str, ShareFit] = field(default_factory=dict)
    directions: pd.DataFrame = field(default_factory=pd.DataFrame)

    def on_its_scale(self, name: str) -> ResponseFit:
        """Return the model that predicts a response; see :func:`sharpset.fits.scales.on_its_scale`."""
        formula, select = self.options.get("formula"), self.options.get("select")
        return on_its_scale(self.responses[name], self.runs, formula=formula, select=select)

    def forecast(self, brief: Brief | None = None) -> Forecast:
        """Return the forecast for the fit's own or another brief."""
        wanted = brief or self.brief
        if wanted is None:
            raise FitError("A chance needs a brief. Fit again with --brief.")
        scaled = {name: self.on_its_scale(name) for name in self.responses}
        return Forecast(
            wanted,
            responses=scaled,
            formed=self.formed,
            feature_sd_mm=self.feature_sd_mm,
            near_mm=None if self.brief is None else dict(self.brief.smallest_mm),
            seed=self.seed,
            least_sd=lambda name, settings: least_scatter(scaled[name], self.runs, settings),
        )

    def region(self) -> Region:
        """Return the tried region of the runs that were used."""
        return Region.of(self.space, self.runs, largest_model(self.responses))

    def chance_map(self, x: str | None = None, y: str | None = None, *, n_points: int = 25) -> pd.DataFrame:
        """Return the chance over two factors at the best settings of the others."""
        if self.best is None:
            raise FitError("A map of the chance needs a brief. Give one with --brief.")
        forecast, region = self.forecast(), self.region()
        if x is None or y is None:
            names = strongest_factors(forecast, region, self.best.settings)
            x, y = x or names[0], y or next(n for n in names if n != (x or names[0]))
        return chance_map(forecast, region, x=x, y=y, at=self.best.settings, n_points=n_points)

    def summary(self) -> str:
        """Return everything that matters in a few lines."""
        lines = [fit.summary() for fit in self.responses.values()]
        lines += [fit.summary() for fit in self.formed.values()]
        lines += [fit.summary() for fit in self.shares.values()]
        lines += [f"{name}: no model: {why}" for name, why in self.failed.items()]
        if self.best is not None:
            lines.append(f"Best settings: {self.best.summary()}")
        lines += [f"Note: {remark}" for remark in self.remarks]
        return "\n".join(lines)

    def to_frame(self) -> pd.DataFrame:
        """Return the terms of all responses, coded units, one row per term."""
        frames = [f.predictor.terms.assign(response=n) for n, f in self.responses.items() if f.units == "coded"]
        frames += [f.terms_natural.assign(response=n) for n, f in self.responses.items() if f.units != "coded"]
        if not frames:
            return pd.DataFrame(columns=["response", "term", "estimate", "se", "df", "t", "p", "low", "high"])
        table = pd.concat(frames, ignore_index=True)
        return table[["response", *[c for c in table.columns if c != "response"]]]

    def tables(self) -> dict[str, pd.DataFrame]:
        """Return every table of the fit by name, as saved in CSV."""
        from sharpset.fits.tables import all_tables

        return all_tables(self)

    def save(self, folder: Path | str) -> Path:
        """Write ``fit.json``, ``settings.json`` and the tables; see :func:`sharpset.fits.save_fit`."""
        from sharpset.fits.files import save_fit

        return save_fit(self, folder)

    def _repr_html_(self) -> str:
        import html

        text = "".join(f"<p>{html.escape(line)}</p>" for line in self.summary().splitlines())
        return text + (self.best._repr_html_() if self.best is not None else "")


def largest_model(responses: dict[str, ResponseFit]) -> Model | None:
    """Return the model with the most terms, for the leverage."""
    usable = [f.model for f in responses.values() if f.units == "coded" and f.predictor.df_resid > 0]
    return max(usable, key=lambda m: len(m.terms)) if usable else None


def strongest_factors(forecast: Forecast, region: Region, at: dict[str, Any]) -> list[str]:
    """Return the factors in falling order of how much the chance changes along each from one setting."""
    swing: dict[str, float] = {}
    for factor in region.space.factors:
        axis = factor.decode(np.linspace(-1, 1, 9)) if factor.kind == "continuous" else np.array(factor.levels)
        table = pd.DataFrame({n: [v] * len(axis) for n, v in at.items()})
        table[factor.name] = axis
        got = forecast.chances(table)
        hint = got.parts.clip(lower=1e-6).apply(np.log).mean(axis=1)
        swing[factor.name] = float(np.ptp(got.met)) + 1e-3 * float(np.ptp(hint))
    return sorted(swing, key=lambda n: -swing[n])


def fit_responses(
    plan: Any,
    responses: pd.DataFrame,
    *,
    response: str | None = None,
    formula: str | None = None,
    select: bool | None = None,
    power: float = 1.0,
) -> dict[str, ResponseFit]:
    """Fit response surfaces to a table of responses, one row per run.

    Parameters
    ----------
    plan : sharpset.plans.Plan or pandas.DataFrame
    responses : pandas.DataFrame
        ``run_id`` and responses; ``u_<response>`` is taken as the standard uncertainty.
    response : str, optional
        One of them; by default all.
    formula : str, optional
        Any patsy formula over factors and columns.
    select : bool, optional
        Whether predictions come from the model after selection.
    power : float
        Box-Cox power applied to every response.

    Returns
    -------
    dict of str to ResponseFit

    Raises
    ------
    FitError
        If the plan and the table share no run, or a response cannot be fitted.
    """
    joined = join_tables(plan, results=responses, response=response, formula=formula)
    fits, failed = _fit_all(joined, formula=formula, select=select, power=power, progress=None)
    if failed and not fits:
        raise FitError(next(iter(failed.values())))
    return fits


def fit_plan(
    plan: Any,
    *,
    readings: pd.DataFrame | None = None,
    results: pd.DataFrame | None = None,
    brief: Brief | None = None,
    response: str | None = None,
    formula: str | None = None,
    select: bool | None = None,
    power: float = 1.0,
    seed: int = 0,
    progress: Callable[[str], None] | None = None,
    need_models: bool = True,
) -> Fit:
    """Fit everything that a plan's readings and results support.

    Parameters
    ----------
    plan : sharpset.plans.Plan or pandas.DataFrame
        A table has ``run_id`` and a column per factor.
    readings : pandas.DataFrame, optional
        Readings table, one row per feature.
    results : pandas.DataFrame, optional
        ``run_id`` and one column per response, typed by hand. Responses that stand in an imported
        plan's runs are taken too.
    brief : Brief, optional
        Needed for best settings.
    response : str, optional
        Fit this response only.
    formula : str, optional
        Any patsy formula over factors and columns; without it the largest standard model that the plan
        supports.
    select : bool, optional
        Whether predictions come from the model after selection with hierarchy.
    power : float
        Box-Cox power applied to the responses.
    seed : int
        Of the simulation behind the chance.
    progress : callable, optional
        Called with a few words before each step.
    need_models : bool
        False lets a fit pass in which no response has enough prints for a model: a search for a met brief
        begins with fewer.

    Returns
    -------
    Fit

    Raises
    ------
    FitError
        If plan and tables share no run, a response or factor is not known, or nothing can be fitted.
    """
    joined = join_tables(plan, readings=readings, results=results, brief=brief, response=response, formula=formula)
    fits, failed = _fit_all(
        joined, formula=formula, select=select, power=power, progress=progress, need_models=need_models
    )
    formed: dict[str, FormedFit] = {}
    if response is None:
        for kind in sorted(set(joined.counts["kind"])) if len(joined.counts) else []:
            if progress is not None:
                progress(f"what forms: {kind}")
            formed[kind] = fit_formed(joined.counts, joined.runs, kind=kind, space=joined.space, formula=formula)
    shares = _fit_shares(joined, formula, failed, progress)
    if need_models and not fits and not formed and not shares:
        raise FitError(next(iter(failed.values()), "There is no response to fit. Give readings or a results file."))
    said = _said_together(fits)
    said += [f"{kind}: {remark}" for kind, f in formed.items() for remark in f.remarks]
    said += [f"{name}: {remark}" for name, f in shares.items() for remark in f.remarks]
    asked = brief is not None and response is None
    if brief is not None and asked and not joined.measured_for(brief):
        kinds = ", ".join(brief.smallest_mm)
        said.append(
            f"no settings are recommended: nothing that the brief asks for was measured (needed are readings of "
            f"{kinds}, or a result called print_time_h or edge_roughness_mm)"
        )
    remarks = (*joined.remarks, *said)
    fit = Fit(
        responses=fits,
        formed=formed,
        best=None,
        brief=brief,
        space=joined.space,
        runs=joined.runs,
        counts=joined.counts,
        feature_sd_mm=joined.feature_sd_mm,
        remarks=remarks,
        failed=failed,
        seed=seed,
        plan=plan,
        options={"response": response, "formula": formula, "select": select, "power": power},
        shares=shares,
    )
    if brief is None or not asked or not joined.measured_for(brief):
        return fit
    if progress is not None:
        progress("best settings")
    from dataclasses import replace

    from sharpset.fits.directions import direction_table

    forecast = fit.forecast()
    fit = replace(fit, best=best_settings(forecast, fit.region(), seed=seed))
    return fit if readings is None else replace(fit, directions=direction_table(readings, fit))


def _said_together(fits: dict[str, ResponseFit]) -> list[str]:
    """Return the remarks of the models, each once with the responses that it is said of."""
    names: dict[str, list[str]] = {}
    for name, fit in fits.items():
        for remark in fit.remarks:
            names.setdefault(remark, []).append(name)
    return [
        f"{'all responses' if len(fits) > 3 and len(of) == len(fits) else ', '.join(of)}: {remark}"
        for remark, of in names.items()
    ]


def _fit_shares(
    joined: Joined, formula: str | None, failed: dict[str, str], progress: Callable[[str], None] | None
) -> dict[str, ShareFit]:
    """Fit the counts out of a number; what cannot be fitted is noted in ``failed``."""
    shares: dict[str, ShareFit] = {}
    for name, size in joined.shares.items():
        if progress is not None:
            progress(name)
        try:
            shares[name] = fit_share(joined.runs, name, size, space=joined.space, formula=formula)
        except FitError as error:
            failed[name] = str(error)
    return shares


def _fit_all(
    joined: Joined,
    *,
    formula: str | None,
    select: bool | None,
    power: float,
    progress: Callable[[str], None] | None,
    need_models: bool = True,
) -> tuple[dict[str, ResponseFit], dict[str, str]]:
    fits: dict[str, ResponseFit] = {}
    failed: dict[str, str] = {}
    for name in joined.responses:
        if progress is not None:
            progress(name)
        try:
            fits[name] = fit_response(
                joined.runs,
                name,
                space=joined.space,
                formula=_with_left(formula, name),
                uncertainty=f"u_{name}",
                groups=joined.groups,
                select=select,
                power=power,
            )
        except FitError as error:
            if need_models and len(joined.responses) == 1 and not len(joined.counts):
                raise
            failed[name] = str(error)
    return fits, failed


def _with_left(formula: str | None, name: str) -> str | None:
    if formula is None or "~" in formula:
        return formula
    return f"Q('{name}') ~ {formula}" if not name.isidentifier() else f"{name} ~ {formula}"
