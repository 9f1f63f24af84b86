"""Take the recipe of a fit folder into the record: its settings, limits, growth and evidence."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sharpset.errors import RecordError
from sharpset.files import read_table as read_any_table
from sharpset.record.codes import now_utc
from sharpset.record.entries import Entry
from sharpset.record.tables import check_readings, check_sizes
from sharpset.refusals import says_nothing

if TYPE_CHECKING:
    import pandas as pd

    from sharpset.record.store import Record

__all__ = ["FitFolder", "add_fit_folder", "read_fit_folder", "read_table"]


@dataclass(frozen=True, kw_only=True, slots=True)
class FitFolder:
    """What the record takes from a fit folder.

    Attributes
    ----------
    settings : dict
        Recommended settings by factor name.
    growth : dict of str to float
        Growth per side by kind of detail, mm: ``bar_mm``.
    thicken : dict of str to float
        What to draw thicker, and to how many mm: ``bar_mm``.
    limits : list of dict
        kind, limit_mm, and a90_mm where known.
    details : dict
        Units of the settings, and the chance that the brief is met.
    predicted : dict of str to dict
        Predicted responses: predicted, and low and high of the 95 % interval where known.
    results, model : dict
        settings.json and fit.json as they are.
    brief : dict
        The brief it was made for, from inputs.json; empty in folders of older versions without it.
    """

    settings: dict[str, Any]
    growth: dict[str, float]
    thicken: dict[str, float]
    limits: list[dict[str, Any]]
    predicted: dict[str, Any]
    results: dict[str, Any]
    model: dict[str, Any]
    brief: dict[str, Any]
    details: dict[str, Any]
    plan_id: str
    remarks: str


def _finite(value: Any) -> Any:
    """Return a JSON value without numbers that are none."""
    if isinstance(value, Mapping):
        return {str(key): _finite(part) for key, part in value.items()}
    if isinstance(value, list):
        return [_finite(part) for part in value]
    return None if isinstance(value, float) and not math.isfinite(value) else value


def _read_json(path: Path) -> dict[str, Any]:
    try:
        data = _finite(json.loads(path.read_text(encoding="utf-8")))
    except OSError as error:
        raise RecordError(
            f"{path}: cannot be read ({error.strerror}). Give the folder that 'sharpset fit' wrote."
        ) from error
    except ValueError as error:
        raise RecordError(f"{path}: is no JSON file ({error}). Run 'sharpset fit' again.") from error
    if not isinstance(data, dict):
        raise RecordError(f"{path}: holds no table of names and values. Run 'sharpset fit' again.")
    return data


def _rows(part: Any, name: str) -> list[dict[str, Any]]:
    """Return a table in any of the forms JSON gives it: rows, or a mapping of names to rows."""
    if isinstance(part, Mapping):
        return [{name: key, **row} for key, row in part.items() if isinstance(row, Mapping)]
    return [dict(row) for row in part or [] if isinstance(row, Mapping)]


def _positive(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and 0 < value < math.inf


def _limits(results: dict[str, Any]) -> list[dict[str, Any]]:
    limits = []
    for row in _rows(results.get("limits"), "kind") or _rows(results.get("thicken"), "kind"):
        limit_mm = row.get("limit_mm", row.get("a90_95_mm"))
        if row.get("kind") and limit_mm is not None and _positive(limit_mm):
            limit = {"kind": str(row["kind"]), "limit_mm": float(limit_mm), "basis": "a90/95"}
            if _positive(row.get("a90_mm")):
                limit["a90_mm"] = float(row["a90_mm"])
            limits.append(limit)
    return limits


def _predicted(results: dict[str, Any]) -> dict[str, Any]:
    """Return predicted responses with the ends of their intervals, whole."""
    said = {}
    for row in _rows(results.get("predicted"), "response"):
        if row.get("response") and isinstance(row.get("predicted"), int | float):
            parts = ("predicted", "low", "high")
            said[str(row["response"])] = {n: row[n] for n in parts if isinstance(row.get(n), int | float)}
    return said


def _brief_of(folder: Path) -> dict[str, Any]:
    path = folder / "inputs.json"
    brief = _read_json(path).get("brief") if path.is_file() else None
    return dict(brief) if isinstance(brief, Mapping) else {}


def read_fit_folder(folder: Path | str) -> FitFolder:
    """Read settings.json and fit.json of a fit folder.

    Parameters
    ----------
    folder : path
        As ``sharpset fit`` writes it.

    Raises
    ------
    RecordError
        If a file is missing or no JSON, or no settings are recommended.
    """
    folder = Path(folder)
    results = _read_json(folder / "settings.json")
    model = _read_json(folder / "fit.json")
    settings = results.get("settings")
    if not isinstance(settings, dict) or not settings:
        raise RecordError(f"{folder / 'settings.json'}: recommends no settings, so there is no recipe to keep.")
    rows = _rows(results.get("thicken"), "kind")
    growth = {f"{r['kind']}_mm": float(r["growth_mm"]) for r in rows if isinstance(r.get("growth_mm"), int | float)}
    thicken = {
        f"{r['kind']}_mm": float(r["draw_mm"])
        for r in rows
        if _positive(r.get("draw_mm")) and _positive(r.get("drawn_mm")) and r["draw_mm"] > r["drawn_mm"]
    }
    remarks = results.get("remarks")
    return FitFolder(
        settings=settings,
        growth=growth,
        thicken=thicken,
        limits=_limits(results),
        predicted=_predicted(results),
        results=results,
        model=model,
        brief=_brief_of(folder),
        details={name: results[name] for name in ("units", "chance") if results.get(name) is not None},
        plan_id=str(model.get("plan_id") or results.get("plan_id") or ""),
        remarks="\n".join(str(remark) for remark in remarks) if isinstance(remarks, list) else "",
    )


def read_table(path: Path | str) -> pd.DataFrame:
    """Read a table of readings, CSV or Parquet."""
    import pandas as pd

    path = Path(path)
    try:
        if path.suffix.lower() == ".parquet":
            table = pd.read_parquet(path)
        else:
            text = ("scan_id", "piece_id", "run_id", "feature_id", "kind", "formed", "flags")
            table = read_any_table(path, texts=text)
    except OSError as error:
        raise RecordError(f"{path}: the table cannot be read ({error.strerror or error}). Check its path.") from error
    except (ValueError, pd.errors.ParserError, UnicodeDecodeError) as error:
        first = str(error).splitlines()[0]
        raise RecordError(
            f"{path}: is no table of readings ({first}). Give the file that 'sharpset read' wrote."
        ) from error
    checked = check_readings(table, where=str(path))
    check_sizes(checked, where=str(path))
    return checked


def _with_counts(limits: list[dict[str, Any]], readings: pd.DataFrame | None) -> list[dict[str, Any]]:
    """Say on how many features and prints each limit rests, and when it was shown."""
    full = []
    for limit in limits:
        own = dict(limit) | {"shown_utc": now_utc()}
        if readings is not None:
            of_kind = readings[(readings["kind"] == limit["kind"]) & ~says_nothing(readings["flags"])]
            own["n_features"] = len(of_kind)
            runs = set(of_kind["run_id"]) - {""}
            if runs:
                own["n_prints"] = len(runs)
        full.append(own)
    return full


def add_fit_folder(
    record: Record,
    folder: Path | str,
    *,
    readings: Path | str | None = None,
    printer: str | Entry | None = None,
    material: str | Entry | None = None,
    head: str | Entry | None = None,
    name: str = "",
    status: str = "trial",
    by: str = "",
    note: str = "",
) -> Entry:
    """Take a fit folder into the record, as a fit and as a recipe, in one transaction.

    Parameters
    ----------
    record : Record
    folder : path
        As ``sharpset fit`` writes it.
    readings : path, optional
        The readings it was made from; they become the evidence. Tables that the record holds already are not entered
        again.
    printer, material, head : str or Entry, optional
        Must be in the record.
    name : str
        Of the recipe; without it the brief's, or the folder's.
    status : {'trial', 'good', 'retired'}

    Returns
    -------
    Entry
        The recipe.
    """
    folder = Path(folder)
    found = read_fit_folder(folder)
    table = None if readings is None else read_table(readings)
    limits = _with_counts(found.limits, table)
    report = folder / "report.html"
    title = name or str(found.brief.get("name") or "") or folder.resolve().name
    with record.together():
        evidence = [] if table is None else record.add_readings(table, again=False, by=by, note=f"evidence of {title}")
        fit = record.add_fit(
            f"fit of {title}",
            settings=found.settings,
            results=found.results,
            model=found.model,
            brief=found.brief,
            plan_id=found.plan_id,
            limits=limits,
            evidence=list(evidence),
            printer=printer,
            material=material,
            head=head,
            files={"report": report} if report.is_file() else None,
            by=by,
            note=note,
        )
        return record.add_recipe(
            title,
            found.settings,
            status=status,
            limits=limits,
            evidence=[fit, *evidence],
            growth=found.growth,
            thicken=found.thicken,
            predicted=found.predicted,
            details=found.details,
            cautions=found.remarks,
            process=_process_of(record, printer),
            printer=printer,
            material=material,
            head=head,
            fit=fit,
            by=by,
            note=note,
        )


def _process_of(record: Record, printer: str | Entry | None) -> str | None:
    return None if printer is None else str(record.show(printer, kind="printer").fields["process"])
