"""What an entry of each kind holds: its fields, what they mean, and which entries it may point to."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

from sharpset.errors import RecordError
from sharpset.record import models
from sharpset.record.codes import check_time, to_json

__all__ = ["KINDS", "STATUSES", "Field", "Kind", "check_fields", "kind_named", "plain"]

STATUSES = ("trial", "good", "retired")
PROCESSES = ("filament", "resin")
HEAD_TYPES = ("nozzle", "light engine")


@dataclass(frozen=True, kw_only=True, slots=True)
class Field:
    """One field of an entry."""

    type: Literal["text", "number", "integer", "time", "json"]
    meaning: str
    required: bool = False
    choices: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class Kind:
    """One kind of entry.

    Attributes
    ----------
    refs : dict of str to str
        Name of a reference to the kind that it points to.
    one_name : bool
        Whether two entries of this kind in use must not share a name.
    limits : bool
        Whether it may say what sizes form.
    """

    name: str
    row: type[models.Base]
    meaning: str
    fields: dict[str, Field]
    refs: dict[str, str]
    needs: tuple[str, ...] = ()
    one_name: bool = False
    name_required: bool = False
    limits: bool = False


_DETAILS = Field(type="json", meaning="anything else worth keeping")

KINDS: dict[str, Kind] = {
    kind.name: kind
    for kind in (
        Kind(
            name="printer",
            row=models.PrinterRow,
            meaning="a printer",
            fields={
                "process": Field(type="text", meaning="how it prints", required=True, choices=PROCESSES),
                "details": _DETAILS,
            },
            refs={},
            one_name=True,
            name_required=True,
        ),
        Kind(
            name="material",
            row=models.MaterialRow,
            meaning="a material",
            fields={
                "process": Field(type="text", meaning="which process it is for", choices=PROCESSES),
                "supplier": Field(type="text", meaning="who sold it"),
                "details": _DETAILS,
            },
            refs={},
            one_name=True,
            name_required=True,
        ),
        Kind(
            name="head",
            row=models.HeadRow,
            meaning="a nozzle or a light engine",
            fields={
                "type": Field(type="text", meaning="nozzle or light engine", required=True, choices=HEAD_TYPES),
                "size_mm": Field(type="number", meaning="diameter of the nozzle, or pixel pitch, in mm"),
                "details": _DETAILS,
            },
            refs={"printer": "printer"},
            one_name=True,
            name_required=True,
        ),
        Kind(
            name="lot",
            row=models.LotRow,
            meaning="one spool, bottle or delivery of a material",
            fields={
                "opened_utc": Field(type="time", meaning="when it was opened"),
                "details": _DETAILS,
            },
            refs={"material": "material"},
            needs=("material",),
            one_name=True,
            name_required=True,
        ),
        Kind(
            name="piece",
            row=models.PieceRow,
            meaning="a test piece, or the model of a master",
            fields={
                "type": Field(type="text", meaning="stencil, skyline ... or master"),
                "version": Field(type="text", meaning="version of the piece"),
                "definition": Field(type="json", meaning="the piece.json of its folder"),
            },
            refs={},
            one_name=True,
            name_required=True,
        ),
        Kind(
            name="print",
            row=models.PrintRow,
            meaning="a print job with all its settings",
            fields={
                "settings": Field(type="json", meaning="every setting by name", required=True),
                "run_id": Field(type="text", meaning="run of the plan"),
                "plan_id": Field(type="text", meaning="the plan"),
                "printed_utc": Field(type="time", meaning="when it was printed"),
                "duration_h": Field(type="number", meaning="print time in hours"),
                "outcome": Field(type="text", meaning="how it came out, in words"),
                "details": _DETAILS,
            },
            refs={
                "printer": "printer",
                "head": "head",
                "material": "material",
                "lot": "lot",
                "piece": "piece",
                "recipe": "recipe",
            },
            needs=("printer",),
        ),
        Kind(
            name="scan",
            row=models.ScanRow,
            meaning="a picture of a piece",
            fields={
                "path": Field(type="text", meaning="where the file lies", required=True),
                "file_sha256": Field(type="text", meaning="SHA-256 of the file", required=True),
                "n_bytes": Field(type="integer", meaning="size of the file", required=True),
                "dpi": Field(type="number", meaning="dots per inch"),
                "scanner": Field(type="text", meaning="which scanner or camera"),
                "scanned_utc": Field(type="time", meaning="when it was scanned"),
                "details": _DETAILS,
            },
            refs={"print": "print", "piece": "piece"},
        ),
        Kind(
            name="readings",
            row=models.ReadingsRow,
            meaning="the readings of one scan",
            fields={
                "n_rows": Field(type="integer", meaning="number of rows", required=True),
                "table_sha256": Field(type="text", meaning="SHA-256 of the table", required=True),
            },
            refs={"scan": "scan", "print": "print", "piece": "piece"},
        ),
        Kind(
            name="fit",
            row=models.FitRow,
            meaning="what an experiment came to",
            fields={
                "plan_id": Field(type="text", meaning="the plan"),
                "settings": Field(type="json", meaning="the settings it recommends"),
                "results": Field(type="json", meaning="the settings.json of its folder"),
                "model": Field(type="json", meaning="the fit.json of its folder"),
                "brief": Field(type="json", meaning="the brief it was made for"),
            },
            refs={"printer": "printer", "head": "head", "material": "material"},
            limits=True,
        ),
        Kind(
            name="recipe",
            row=models.RecipeRow,
            meaning="settings that worked",
            fields={
                "status": Field(type="text", meaning="trial, good or retired", required=True, choices=STATUSES),
                "settings": Field(type="json", meaning="every setting by name", required=True),
                "process": Field(type="text", meaning="how it prints", choices=PROCESSES),
                "growth": Field(type="json", meaning="growth to allow for in CAD, in mm"),
                "thicken": Field(type="json", meaning="what must be thickened, and to how many mm"),
                "predicted": Field(type="json", meaning="readings that were predicted"),
                "cautions": Field(type="text", meaning="what to be careful of, a line each"),
                "details": _DETAILS,
            },
            refs={"printer": "printer", "head": "head", "material": "material", "fit": "fit"},
            one_name=True,
            name_required=True,
            limits=True,
        ),
    )
}


def kind_named(name: str) -> Kind:
    """Return a kind by its name."""
    if name not in KINDS:
        raise RecordError(f"kind {name!r} is not known; kinds of entries are {', '.join(KINDS)}.")
    return KINDS[name]


def plain(value: Any, *, what: str) -> Any:
    """Return a value as plain JSON (numpy numbers unwrapped), or say which part cannot be kept.

    Parameters
    ----------
    value : object
        Text, number, truth value, None, or a list or mapping of such.
    what : str
        Name of the field, for the error message.
    """
    if isinstance(value, Mapping):
        wrong = [key for key in value if not isinstance(key, str)]
        if wrong:
            raise RecordError(f"{what}: the name {wrong[0]!r} is not a text. Name every setting by a text.")
        return {key: plain(part, what=f"{what}.{key}") for key, part in value.items()}
    if isinstance(value, list | tuple):
        return [plain(part, what=f"{what}[{i}]") for i, part in enumerate(value)]
    if hasattr(value, "item") and not isinstance(value, str | bytes):
        value = value.item()
    if isinstance(value, float) and not math.isfinite(value):
        raise RecordError(f"{what}: {value} cannot be kept. Leave it out where it is unknown.")
    if isinstance(value, str):
        try:
            value.encode("utf-8")
        except UnicodeEncodeError as error:
            raise RecordError(f"{what}: {value!r} holds a character that cannot be kept. Write it anew.") from error
        if "\x00" in value:
            raise RecordError(f"{what}: {value!r} holds a character that cannot be kept (NUL). Write it anew.")
    if value is None or isinstance(value, str | int | float | bool):
        return value
    raise RecordError(f"{what}: a {type(value).__name__} cannot be kept. Give text, numbers, lists or tables of them.")


def _check_value(kind: Kind, name: str, field: Field, value: Any) -> Any:
    what = f"{kind.name}: {name} ({field.meaning})"
    if field.type == "json":
        value = plain(value, what=f"{kind.name}: {name}")
        if not isinstance(value, dict):
            raise RecordError(f"{what} must be a table of names and values, got {value!r}.")
        return value
    value = plain(value, what=f"{kind.name}: {name}")
    if field.type in ("number", "integer"):
        wanted = int if field.type == "integer" else (int, float)
        if isinstance(value, bool) or not isinstance(value, wanted):
            raise RecordError(f"{what} must be a number, got {value!r}.")
        if value < 0:
            raise RecordError(f"{what} must not be negative, got {value!r}.")
        return value if field.type == "integer" else float(value)
    if not isinstance(value, str):
        raise RecordError(f"{what} must be a text, got {value!r}.")
    if field.choices and value not in field.choices:
        raise RecordError(f"{what} is one of {', '.join(field.choices)}, got {value!r}.")
    return check_time(value, what=what) if field.type == "time" else value


def check_fields(kind: Kind, given: Mapping[str, Any]) -> dict[str, Any]:
    """Return the fields of an entry, checked; those that are empty are left out.

    Raises
    ------
    RecordError
        If a field is unknown, of a wrong type, or missing; the text lists the known ones.
    """
    unknown = [name for name in given if name not in kind.fields]
    if unknown:
        known = ", ".join([*kind.fields, *kind.refs])
        raise RecordError(f"{kind.name}: unknown field {unknown[0]!r}; known here are name, {known}.")
    fields: dict[str, Any] = {}
    for name, field in kind.fields.items():
        value = given.get(name)
        if value is None or value == "":
            continue
        if field.type == "json" and not value and not field.required:
            continue
        fields[name] = _check_value(kind, name, field, value)
    missing = [name for name, field in kind.fields.items() if field.required and name not in fields]
    if missing:
        field = kind.fields[missing[0]]
        choices = f" (one of {', '.join(field.choices)})" if field.choices else ""
        raise RecordError(f"{kind.name}: {missing[0]} is missing: {field.meaning}{choices}. Add {missing[0]}=...")
    to_json(fields)
    return fields
