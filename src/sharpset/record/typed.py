"""Turn what is typed on the command line into fields, references and files of an entry."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from sharpset.errors import RecordError
from sharpset.record.kinds import Kind

__all__ = ["Typed", "parse_pairs", "read_typed"]


_NO_NUMBERS = ("nan", "inf", "infinity")
_NEVER_NEGATIVE = (
    *("height", "thickness", "width", "diameter", "nozzle", "speed", "time", "exposure", "fan", "flow", "power"),
    *("layers", "walls", "perimeters", "infill", "density", "acceleration", "multiplier", "dose", "energy"),
)
_MAY_BE_NEGATIVE = ("offset", "compensation", "correction", "adjustment", "change", "shift", "delta", "growth", "z")
"""Words of a setting's name: quantities that are nought or more, unless what is added to one of them is meant."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Typed:
    """An entry as it was typed."""

    name: str = ""
    fields: dict[str, Any] = field(default_factory=dict)
    refs: dict[str, Any] = field(default_factory=dict)
    rest: dict[str, Any] = field(default_factory=dict)

    def changes(self) -> dict[str, Any]:
        """Return all of it as changes for a correction."""
        own = {"name": self.name} if self.name else {}
        return own | self.fields | self.refs | {n: self.rest[n] for n in ("limits", "evidence") if n in self.rest}


def parse_pairs(pairs: Sequence[str], *, what: str) -> dict[str, str]:
    """Return ``key=value`` pairs as a dict; a key that stands there twice is refused."""
    found: dict[str, str] = {}
    for pair in pairs:
        key, equals, value = pair.partition("=")
        key = key.strip()
        if not equals or not key:
            raise RecordError(f"{what} {pair!r}: write key=value, for example name=Heron.")
        if key in found:
            raise RecordError(f"{what}: {key} is given twice. Keep one of them.")
        found[key] = value.strip()
    return found


def _literal(text: str) -> Any:
    """Return a number, truth value, list or table where the text is one in JSON, else the text."""
    try:
        value = json.loads(text)
    except ValueError:
        value = text
    if (isinstance(value, float) and not math.isfinite(value)) or text.casefold().lstrip("+-") in _NO_NUMBERS:
        raise RecordError(f"--set ...={text}: this is no number to keep. Leave it out where it is not known.")
    if isinstance(value, str) and re.fullmatch(r"[+-]?\d+,\d+", value):
        raise RecordError(f"--set ...={text}: write numbers with a decimal point, {value.replace(',', '.')}.")
    return value


def _put(table: dict[str, Any], path: Sequence[str], value: Any, *, key: str) -> None:
    for part in path[:-1]:
        table = table.setdefault(part, {})
        if not isinstance(table, dict):
            raise RecordError(f"--set {key}: {part} has a value already, so it cannot hold {path[-1]}.")
    table[path[-1]] = value


def _typed_value(kind: Kind, name: str, text: str) -> Any:
    spec = kind.fields.get(name)
    if spec is None or spec.type in ("text", "time"):
        return text
    value = _literal(text)
    return None if text == "" else value


def _refuse_negative(settings: dict[str, Any]) -> None:
    """Refuse a setting below nought whose name says that it cannot be; what was planned in coded units is not typed."""
    for name, value in settings.items():
        words = re.split(r"[^a-z]+", str(name).casefold())
        if (
            isinstance(value, int | float)
            and value < 0
            and any(word in words for word in _NEVER_NEGATIVE)
            and not any(word in words for word in _MAY_BE_NEGATIVE)
        ):
            raise RecordError(
                f"settings.{name}={value:g}: cannot be negative. Mend the sign; what is added to a setting is called "
                f"so, as in {name}_offset."
            )


def _load_json(path: Path) -> dict[str, Any]:
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise RecordError(f"{path}: cannot be read ({error.strerror}). Check its path.") from error
    except ValueError as error:
        raise RecordError(f"{path}: is no JSON file ({error}). Mend it.") from error
    if not isinstance(data, dict):
        raise RecordError(f"{path}: must hold one table of names and values.")
    return data


def read_typed(kind: Kind, pairs: Sequence[str], json_file: Path | None, *, extra: Sequence[str] = ()) -> Typed:
    """Return an entry from ``--set`` pairs and a JSON file; the pairs win.

    Parameters
    ----------
    kind : Kind
    pairs : sequence of str
        ``name=Heron``, ``printer=Heron``, ``settings.layer_height_mm=0.06``.
    json_file : Path or None
        A table with the same names.
    extra : sequence of str
        Further names that are let through.
    """
    data = {} if json_file is None else _load_json(json_file)
    for key, text in parse_pairs(pairs, what="--set").items():
        path = key.split(".")
        if len(path) == 1:
            data[key] = _typed_value(kind, key, text)
            continue
        if path[0] not in kind.fields or kind.fields[path[0]].type != "json":
            tables = [name for name, spec in kind.fields.items() if spec.type == "json"]
            raise RecordError(f"--set {key}: only {', '.join(tables)} hold parts, for example {tables[0]}.x=1.")
        _put(data, path, _literal(text), key=key)
    if isinstance(data.get("settings"), dict):
        _refuse_negative(data["settings"])
    let = {*extra, "limits", "evidence"}
    known = {"name", *kind.fields, *kind.refs, *let}
    unknown = [name for name in data if name not in known]
    if unknown:
        shown = ", ".join(["name", *kind.refs, *kind.fields, *extra])
        raise RecordError(f"{kind.name}: unknown field {unknown[0]!r}; known here are {shown}.")
    return Typed(
        name=str(data.get("name") or ""),
        fields={name: data[name] for name in kind.fields if name in data},
        refs={name: data[name] for name in kind.refs if name in data},
        rest={name: data[name] for name in let if name in data},
    )
