"""The fit folder: ``fit.json``, ``settings.json``, tables in CSV, and what is needed to open it again."""

from __future__ import annotations

import json
import math
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from sharpset.brief import Brief
from sharpset.errors import FitError
from sharpset.files import whole_file
from sharpset.fits.best import BestSettings
from sharpset.fits.fit import Fit, fit_plan
from sharpset.fits.surface import ResponseFit
from sharpset.fits.tables import NAMES

__all__ = ["holds_another_fit", "load_fit", "save_fit", "settings_document"]

FORMAT = 1


def save_fit(fit: Fit, folder: Path | str) -> Path:
    """Write a fit folder.

    Parameters
    ----------
    fit : Fit
    folder : path
        Made if it is not there. ``fit.json`` holds, per response, formula, method, terms (``coded`` and
        ``natural``: estimate, se, df, t, p, low, high), ANOVA of types I to III, lack of fit, residual
        standard deviation, n; ``settings.json`` the recommendation; ``tables/`` every table in CSV;
        ``inputs.json`` what :func:`load_fit` needs.

    Returns
    -------
    Path
        The folder.

    Raises
    ------
    FitError
        If the folder cannot be written.
    """
    folder = Path(folder)
    try:
        (folder / "tables").mkdir(parents=True, exist_ok=True)
        _write(folder / "fit.json", fit_document(fit))
        _write(folder / "settings.json", settings_document(fit))
        _write(folder / "inputs.json", _inputs(fit))
        tables = fit.tables()
        for name, table in tables.items():
            with whole_file(folder / "tables" / f"{name}.csv") as place:
                table.to_csv(place, index=False, lineterminator="\n")
        for name in set(NAMES) - set(tables):  # of an earlier fit in the same folder
            with suppress(PermissionError):  # open in a spreadsheet on Windows
                (folder / "tables" / f"{name}.csv").unlink(missing_ok=True)
    except OSError as error:
        raise FitError(f"{folder}: cannot be written ({error.strerror}). Choose another --out.") from error
    return folder


def load_fit(folder: Path | str) -> Fit:
    """Open a fit folder.

    Returns
    -------
    Fit
        Fitted anew from the saved inputs, with the recommendation that was saved.

    Raises
    ------
    FitError
        If the folder is no fit folder or was damaged.
    """
    path = Path(folder) / "inputs.json"
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
        plan = _plan_from(data["plan"])
        runs = pd.DataFrame(data["responses"])
        brief = None if data["brief"] is None else Brief.model_validate(data["brief"])
        counts = pd.DataFrame(data["counts"])
    except OSError as error:
        raise FitError(
            f"{path}: cannot be read ({error.strerror}). Give a folder that 'sharpset fit' wrote."
        ) from error
    except (KeyError, ValueError, TypeError) as error:
        raise FitError(f"{path}: damaged ({error}). Run 'sharpset fit' again.") from error
    fit = fit_plan(
        plan,
        results=runs,
        brief=None,
        seed=data["seed"],
        need_models=not data["formed"],
        **data["options"],
    )
    return _completed(fit, data, counts, brief)


def holds_another_fit(fit: Fit, folder: Path | str) -> bool:
    """Return whether a folder holds a fit that this one would not merely bring up to date.

    The same response and formula, and a plan that has all runs of the old one, are the same fit with more data. What
    cannot be read as a fit is left to be replaced.
    """
    try:
        old = json.loads((Path(folder) / "inputs.json").read_text(encoding="utf-8"))
        runs, options = pd.DataFrame(old["plan"]["runs"]), dict(old["options"])
    except (OSError, ValueError, KeyError, TypeError):
        return False
    new = pd.DataFrame(_plain(_plan_document(fit))["runs"])
    order = [c for c in runs.columns if c not in ("print_order", "whole_plot", "block")]
    if options != _plain(fit.options) or not set(order) <= set(new.columns):
        return True
    return len(runs.merge(new, on=order)) < len(runs)


def _completed(fit: Fit, data: dict[str, Any], counts: pd.DataFrame, brief: Brief | None) -> Fit:
    from sharpset.fits.formed import fit_formed

    formed = {}
    if len(counts):
        counts["run_id"] = counts["run_id"].astype(str)
        formed = {k: fit_formed(counts, fit.runs, kind=k, space=fit.space) for k in data["formed"]}
    best = None
    if data["best"] is not None:
        saved = data["best"]
        best = BestSettings(
            settings=saved["settings"],
            chance=_number(saved["chance"]),
            chance_as_drawn=_number(saved["chance_as_drawn"]),
            parts={k: _number(v) for k, v in saved["parts"].items()},
            predicted=_frame(saved["predicted"]),
            thicken=_frame(saved["thicken"]),
            limits=_frame(saved["limits"]),
            untested=tuple(saved["untested"]),
            remarks=tuple(saved["remarks"]),
            units=saved["units"],
        )
    spread = {k: _number(v) for k, v in data["feature_sd_mm"].items()}
    return replace(
        fit, formed=formed, counts=counts, brief=brief, best=best, feature_sd_mm=spread,
        remarks=tuple(data["remarks"]), failed=dict(data["failed"]), directions=_frame(data.get("directions", [])),
    )  # fmt: skip


def fit_document(fit: Fit) -> dict[str, Any]:
    """Return the content of ``fit.json``."""
    limits = fit.best.limits if fit.best is not None else pd.DataFrame()
    formed = {}
    for kind, model in fit.formed.items():
        entry: dict[str, Any] = {
            "status": model.status,
            "formula": f"ln(limit_mm) ~ {model.formula}" if model.has_model else None,
            "terms": _records(model.to_frame()),
            "print_sd_ln": model.print_sd,
            "within_print_scale_ln": model.s,
            "n_prints": model.n_prints,
            "n_features": model.n_features,
            "statement": model.statement or model.summary(),
            "remarks": list(model.remarks),
        }
        if len(limits):
            entry["limit_at_best"] = _records(limits[limits["kind"] == kind])[0]
        formed[kind] = entry
    shares = {
        name: {
            "out_of": model.size,
            "formula": f"logit(share) ~ {model.formula}",
            "terms": {"coded": _records(model.terms), "natural": _records(model.terms_natural)},
            "n_prints": model.n_prints,
            "n_tried": model.n_tried,
            "n_counted": model.n_counted,
            "df_resid": model.df_resid,
            "deviance": model.deviance,
            "dispersion": model.dispersion,
            "half": model.half,
            "statement": model.summary(),
            "remarks": list(model.remarks),
        }
        for name, model in fit.shares.items()
    }
    return {
        "format": FORMAT,
        "what": "fit",
        "n_prints": len(fit.runs),
        "factors": [
            {"name": f.name, "unit": f.unit, "kind": f.kind, "low": f.low, "high": f.high, "levels": list(f.levels)}
            for f in fit.space.factors
        ],
        "responses": {name: _response(f) for name, f in fit.responses.items()},
        "formed": formed,
        "shares": shares,
        "failed": dict(fit.failed),
        "remarks": list(fit.remarks),
    }


def _response(fit: ResponseFit) -> dict[str, Any]:
    entry = _one_model(fit)
    if fit.reduced is not None:
        entry["selected"] = _one_model(fit.reduced)
        entry["predictions_from"] = "selected" if fit.predicts_with_reduced else "full"
    return entry


def _one_model(fit: ResponseFit) -> dict[str, Any]:
    entry: dict[str, Any] = {
        "formula": fit.formula,
        "method": fit.method,
        "n": fit.n,
        "df_resid": fit.df_resid,
        "residual_sd": fit.residual_sd,
        "r2": fit.r2,
        "r2_adjusted": fit.r2_adjusted,
        "r2_predicted": fit.r2_predicted,
        "power": fit.power,
        "terms": {"coded": _records(fit.terms), "natural": _records(fit.terms_natural)},
        "anova": {kind: _records(table) for kind, table in fit.anova.items()},
        "lack_of_fit": None if fit.lack_of_fit is None else _records(fit.lack_of_fit),
        "diagnostics": list(fit.diagnostics),
        "remarks": list(fit.remarks),
    }
    if fit.lenth is not None:
        judged = fit.lenth
        entry["lenth"] = {
            "s0": judged.s0, "PSE": judged.pse, "ME": judged.me, "SME": judged.sme, "df": judged.df,
            "effects": _records(judged.to_frame()),
        }  # fmt: skip
    if fit.box_cox is not None:
        best = fit.box_cox
        entry["box_cox"] = {"lambda": best.best, "low": best.low, "high": best.high, "suggestion": best.suggestion}
    if fit.mixed is not None:
        entry["standard_deviations"] = fit.mixed.standard_deviations
        entry["reml_log_likelihood"] = fit.mixed.log_likelihood
    try:
        entry["stationary_point"] = fit.stationary_point()
    except FitError:
        entry["stationary_point"] = None
    return entry


def settings_document(fit: Fit) -> dict[str, Any]:
    """Return the content of ``settings.json``; ``settings`` is null without a brief."""
    if fit.best is None:
        return {"format": FORMAT, "what": "settings", "settings": None, "chance": None, "predicted": [], "thicken": [],
                "remarks": ["no brief was given, or nothing that it asks for was measured"]}  # fmt: skip
    best = fit.best
    return {
        "format": FORMAT,
        "what": "settings",
        "settings": _plain(best.settings),
        "units": best.units,
        "chance": best.chance,
        "chance_as_drawn": best.chance_as_drawn,
        "parts": best.parts,
        "predicted": _records(best.predicted),
        "thicken": _records(best.thicken),
        "limits": _records(best.limits),
        "untested": list(best.untested),
        "remarks": list(best.remarks),
    }


def _inputs(fit: Fit) -> dict[str, Any]:
    known = {*fit.space.names, "print_order", "whole_plot", "block"}
    columns = [c for c in fit.runs.columns if c == "run_id" or c not in known]
    best = None if fit.best is None else settings_document(fit)
    return {
        "format": FORMAT,
        "plan": _plan_document(fit),
        "responses": _columns(fit.runs[columns]),
        "counts": _columns(fit.counts),
        "formed": list(fit.formed),
        "feature_sd_mm": fit.feature_sd_mm,
        "brief": None if fit.brief is None else fit.brief.model_dump(),
        "options": fit.options,
        "seed": fit.seed,
        "remarks": list(fit.remarks),
        "failed": fit.failed,
        "best": best,
        "directions": _records(fit.directions),
    }


def _plan_document(fit: Fit) -> dict[str, Any]:
    books = [c for c in ("run_id", "print_order", "whole_plot", "block") if c in fit.runs]
    runs = _columns(fit.runs[[*books, *fit.space.names]])
    if isinstance(fit.plan, pd.DataFrame):
        return {"runs": runs}
    plan = fit.plan
    return {
        "runs": runs, "factors": plan.factors.to_dict(), "design": plan.design, "model": plan.model, "seed": plan.seed,
    }  # fmt: skip


def _plan_from(data: dict[str, Any]) -> Any:
    runs = pd.DataFrame(data["runs"])
    if "factors" not in data:
        return runs
    from sharpset.plans import Plan, factors_from_dict

    return Plan(
        factors=factors_from_dict(data["factors"]),
        design=data["design"],
        model=data["model"],
        seed=data["seed"],
        runs=runs,
    )


def _write(path: Path, document: dict[str, Any]) -> None:
    text = json.dumps(_plain(document), indent=1, ensure_ascii=False, allow_nan=False)
    with whole_file(path) as place:
        place.write_text(text + "\n", encoding="utf-8")


def _plain(value: Any) -> Any:
    """Return JSON values: no NaN or infinity (null), no numpy types."""
    if isinstance(value, dict):
        return {str(k): _plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple | np.ndarray):
        return [_plain(v) for v in value]
    if isinstance(value, np.bool_ | bool):
        return bool(value)
    if isinstance(value, np.integer):
        return int(value)
    if isinstance(value, float | np.floating):
        return float(value) if math.isfinite(value) else None
    if value is pd.NA or value is pd.NaT:
        return None
    return value


def _records(table: pd.DataFrame) -> list[dict[str, Any]]:
    return [_plain(row) for row in table.to_dict(orient="records")]


def _columns(table: pd.DataFrame) -> dict[str, list[Any]]:
    return {str(name): _plain(table[name].tolist()) for name in table.columns}


def _number(value: Any) -> float:
    return float("nan") if value is None else float(value)


def _frame(records: list[dict[str, Any]]) -> pd.DataFrame:
    table = pd.DataFrame(records)
    for name in table.columns:
        if name not in ("response", "kind", "verdict", "statement", "clear"):
            table[name] = pd.to_numeric(table[name]).astype(float)
    return table
