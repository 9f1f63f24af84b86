"""The confirmation print: predicted in writing beforehand, judged afterwards."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from sharpset.errors import FitError
from sharpset.fits.best import BestSettings
from sharpset.fits.fit import Fit
from sharpset.fits.misses import chance_of_misses, residual_correlation
from sharpset.fits.responses import formed_counts, responses_from_readings
from sharpset.fits.scales import least_scatter, misfit_only

__all__ = ["Confirmation", "Prediction", "judge_confirmation", "load_prediction", "write_prediction"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Prediction:
    """What is expected of prints at stated settings, written before they are made.

    Attributes
    ----------
    settings : dict
    n_prints : int
        How many prints will be made and averaged.
    level : float
        Of each interval.
    expected : pandas.DataFrame
        ``response, predicted, low, high`` for the mean of ``n_prints`` prints.
    forms : pandas.DataFrame
        ``kind, size_mm, chance``: the chance that a detail of each size forms.
    chance : float
        That one print meets the brief; NaN without a brief.
    near_mm : dict of str to float
        Smallest sizes of the brief, near which growth is predicted apart.
    together : pandas.DataFrame, shape (r, r)
        How errors of the expected responses go together (correlations); empty in files of older predictions,
        which are judged as if they did not.
    fitted_runs : tuple of str
        Prints that the prediction was made from, which cannot confirm it; empty in files of older predictions.
    """

    settings: dict[str, Any]
    n_prints: int
    level: float
    expected: pd.DataFrame
    forms: pd.DataFrame
    chance: float
    near_mm: dict[str, float] = field(default_factory=dict)
    together: pd.DataFrame = field(default_factory=pd.DataFrame)
    fitted_runs: tuple[str, ...] = ()

    def summary(self) -> str:
        """Return the prediction in one line."""
        rows = [f"{r.response} {r.low:.4g} to {r.high:.4g}" for r in self.expected.itertuples()]
        return f"{self.n_prints} print(s), {100 * self.level:.0f} % intervals: " + "; ".join(rows)

    def to_frame(self) -> pd.DataFrame:
        """Return the expected responses."""
        return self.expected.copy()

    def save(self, path: Path | str) -> Path:
        """Write the prediction as JSON; an existing file is not overwritten.

        Raises
        ------
        FitError
            If the file is there already: a prediction is not changed after the fact.
        """
        path = Path(path)
        document = {
            "what": "prediction",
            "settings": self.settings,
            "n_prints": self.n_prints,
            "level": self.level,
            "chance": None if np.isnan(self.chance) else self.chance,
            "near_mm": self.near_mm,
            "expected": self.expected.to_dict(orient="records"),
            "forms": self.forms.to_dict(orient="records"),
            "together": self.together.to_dict(),
            "fitted_runs": list(self.fitted_runs),
        }
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            with path.open("x", encoding="utf-8") as file:
                file.write(json.dumps(document, indent=1, allow_nan=False) + "\n")
        except FileExistsError as error:
            raise FitError(
                f"{path}: there is a prediction already, and it is not changed after the fact. Choose another name."
            ) from error
        except OSError as error:
            raise FitError(f"{path}: cannot be written ({error.strerror}). Choose another place.") from error
        return path


@dataclass(frozen=True, kw_only=True, slots=True)
class Confirmation:
    """Judgement of confirmation prints.

    Attributes
    ----------
    table : pandas.DataFrame
        ``response, predicted, low, high, observed, n, inside``.
    forms : pandas.DataFrame
        ``kind, size_mm, chance, n, n_formed, expected``. Details of one print share its luck, so these
        are shown and not tested.
    confirmed : bool
        No response outside its interval more than chance allows.
    statement : str
    """

    table: pd.DataFrame
    forms: pd.DataFrame
    confirmed: bool
    statement: str

    def summary(self) -> str:
        """Return the judgement in one line."""
        return self.statement

    def to_frame(self) -> pd.DataFrame:
        """Return the judged responses."""
        return self.table.copy()

    def _repr_html_(self) -> str:
        return f"<p>{self.statement}</p>{self.table.to_html(index=False)}"


def write_prediction(
    fit: Fit, *, settings: dict[str, Any] | BestSettings | None = None, n_prints: int = 1, level: float = 0.95
) -> Prediction:
    """Predict confirmation prints.

    Parameters
    ----------
    fit : Fit
    settings : dict or BestSettings, optional
        By default the recommended ones.
    n_prints : int
        Their mean is predicted.
    level : float

    Raises
    ------
    FitError
        If there are no settings, or one lies outside the tried region.

    Notes
    -----
    A response that scatters in proportion to its size (Box and Cox's method asks for a power below 1) is
    predicted on logarithms; growth never is. The scatter of a new print is taken as at least what its
    reading leaves uncertain, and where equal prints do not differ (a print time) as the model's own misfit, with
    what the plan cannot see between its levels (:func:`sharpset.fits.scales.least_scatter`).
    Rungs of ladders (``smallest_<kind>_mm``) are not predicted by intervals but in ``forms``.
    """
    if settings is None:
        settings = fit.best
    if settings is None:
        raise FitError(
            "There are no recommended settings to confirm. Give your own (--set NAME=VALUE ...), or fit with a brief."
        )
    values = settings.settings if isinstance(settings, BestSettings) else settings
    missing = [n for n in fit.space.names if n not in values]
    if missing:
        raise FitError(f"The settings lack {', '.join(missing)}. Give a value for each factor.")
    frame = pd.DataFrame([{n: values[n] for n in fit.space.names}])
    if not bool(fit.region().inside(frame)[0]):
        raise FitError("The settings lie outside the region that was tried, where the models say nothing.")
    rows, used = [], []
    for name, response in fit.responses.items():
        if not response.predictor.df_resid > 0 or _told_by_size(name, fit):
            continue
        use = fit.on_its_scale(name)
        least = least_scatter(use, fit.runs, frame)
        if misfit_only(use):
            least = least * np.sqrt(n_prints)  # what the model misses by does not average out over equal prints
        got = use.predict(frame, level=level, n_prints=n_prints, least_sd=least).iloc[0]
        used.append(use)
        rows.append({"response": name, **{c: float(got[c]) for c in ("predicted", "low", "high")}})
    forms = [
        {"kind": kind, "size_mm": float(size), "chance": float(chance)}
        for kind, model in fit.formed.items()
        for size in np.unique(model.counts["nominal_mm"])
        if np.isfinite(chance := float(model.chance(float(size), frame)[0]))
    ]
    return Prediction(
        settings={n: values[n] for n in fit.space.names},
        n_prints=n_prints,
        level=level,
        expected=pd.DataFrame(rows, columns=["response", "predicted", "low", "high"]),
        forms=pd.DataFrame(forms, columns=["kind", "size_mm", "chance"]),
        chance=float(fit.forecast().chances(frame).met[0]) if fit.brief is not None else float("nan"),
        near_mm={} if fit.brief is None else dict(fit.brief.smallest_mm),
        together=residual_correlation(used),
        fitted_runs=tuple(map(str, fit.runs["run_id"])),
    )


def _told_by_size(name: str, fit: Fit) -> bool:
    """Tell whether a response is the rung at which a ladder is cut, which ``forms`` predicts size by size.

    Rungs are no measurements: a print stays on the same rung over a range of limits, so that an interval
    for the rung holds nearly always.
    """
    match = re.fullmatch(r"smallest_(.+)_mm", name)
    return match is not None and match[1] in fit.formed and fit.formed[match[1]].has_model


def load_prediction(path: Path | str) -> Prediction:
    """Read a prediction that was written beforehand.

    Raises
    ------
    FitError
        If the file cannot be read or is no prediction.
    """
    path = Path(path)
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
        return Prediction(
            settings=data["settings"],
            n_prints=int(data["n_prints"]),
            level=float(data["level"]),
            expected=pd.DataFrame(data["expected"], columns=["response", "predicted", "low", "high"]),
            forms=pd.DataFrame(data["forms"], columns=["kind", "size_mm", "chance"]),
            chance=float("nan") if data["chance"] is None else float(data["chance"]),
            near_mm={str(k): float(v) for k, v in data.get("near_mm", {}).items()},
            together=pd.DataFrame(data.get("together", {}), dtype=float),
            fitted_runs=tuple(map(str, data.get("fitted_runs", []))),
        )
    except OSError as error:
        raise FitError(f"{path}: the prediction cannot be read ({error.strerror}). Check the path.") from error
    except (ValueError, KeyError, TypeError) as error:
        raise FitError(f"{path}: is no prediction ({error}). Write one with 'sharpset fit confirm'.") from error


def judge_confirmation(
    prediction: Prediction, *, readings: pd.DataFrame | None = None, results: pd.DataFrame | None = None
) -> Confirmation:
    """Compare confirmation prints with what was predicted.

    Parameters
    ----------
    prediction : Prediction
    readings : pandas.DataFrame, optional
        Of the confirmation prints only, one ``run_id`` per print.
    results : pandas.DataFrame, optional
        Typed by hand.

    Returns
    -------
    Confirmation
        With r responses, an interval of level L is missed by chance in r (1 - L) cases; the whole counts
        as not confirmed where the number of misses has a chance of 5 % or less, given how the responses' errors
        went together in the plan's prints.

    Raises
    ------
    FitError
        If no predicted response was measured, the number of prints is another than predicted, or a print is one of
        those that the prediction was made from.
    """
    _check_new(prediction, readings, results)
    observed, n_prints = _observed(readings, results, prediction.near_mm)
    table = prediction.expected.copy()
    table["observed"] = [observed.get(name, float("nan")) for name in table["response"]]
    table = table[table["observed"].notna()].reset_index(drop=True)
    if table.empty:
        raise FitError(
            f"None of the predicted responses was measured; predicted are {', '.join(prediction.expected['response'])}."
        )
    if n_prints != prediction.n_prints:
        raise FitError(
            f"The prediction is for the mean of {prediction.n_prints} print(s), got {n_prints}. Write a prediction for "
            "that number before printing."
        )
    table["n"] = n_prints
    table["inside"] = (table["observed"] >= table["low"]) & (table["observed"] <= table["high"])
    forms = prediction.forms.copy()
    if readings is not None and len(forms):
        counts = formed_counts(readings).groupby(["kind", "nominal_mm"], as_index=False)[["n", "n_formed"]].sum()
        counts = counts.rename(columns={"nominal_mm": "size_mm"})
        forms = forms.assign(size_mm=forms["size_mm"].round(6)).merge(counts, on=["kind", "size_mm"], how="inner")
        forms["expected"] = forms["n"] * forms["chance"]
    missed = table[~table["inside"]]["response"].tolist()
    n, k = len(table), len(missed)
    named = table["response"].tolist()
    together = prediction.together.reindex(index=named, columns=named).fillna(0.0).to_numpy(dtype=float, copy=True)
    np.fill_diagonal(together, 1.0)
    unlucky = chance_of_misses(k, together, prediction.level)
    confirmed = unlucky > 0.05 + 1e-9
    words = "confirmed" if confirmed else "not confirmed"
    detail = f"{n - k} of {n} responses inside their {100 * prediction.level:.0f} % intervals"
    if missed:
        detail += f"; outside: {', '.join(missed)} (that many misses by chance: p = {unlucky:.2g})"
    return Confirmation(
        table=table, forms=forms, confirmed=confirmed, statement=f"The prediction is {words}: {detail}."
    )


def _check_new(prediction: Prediction, *tables: pd.DataFrame | None) -> None:
    """Refuse prints of the experiment itself: the models were fitted to them, so that they confirm nothing."""
    seen = {str(run) for table in tables if table is not None for run in table["run_id"].unique()}
    known = sorted(seen & set(prediction.fitted_runs))
    if known:
        names = ", ".join(known[:5]) + (" and others" if len(known) > 5 else "")
        raise FitError(
            f"{names}: printed for the experiment that the prediction was made from. Give readings and results of the "
            "confirmation prints only, which carry run codes of their own ('sharpset piece stencil --run-id C01 ...')."
        )


def _observed(
    readings: pd.DataFrame | None, results: pd.DataFrame | None, near_mm: dict[str, float]
) -> tuple[dict[str, float], int]:
    values: dict[str, float] = {}
    counts: set[int] = set()
    for table in (None if readings is None else responses_from_readings(readings, near_mm=near_mm), results):
        if table is None:
            continue
        counts.add(int(table["run_id"].nunique()))
        for name in table.columns:
            if name != "run_id" and pd.api.types.is_numeric_dtype(table[name]) and table[name].notna().any():
                values[str(name)] = float(table[name].mean())
    if not counts:
        raise FitError("Give the readings or the results of the confirmation prints.")
    if len(counts) > 1:
        raise FitError(f"Readings and results are of different numbers of prints ({sorted(counts)}). Complete them.")
    return values, counts.pop()
