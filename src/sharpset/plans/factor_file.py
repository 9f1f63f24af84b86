"""Reading ``factors.toml``."""

from __future__ import annotations

import math
import tomllib
from pathlib import Path
from typing import Any, cast

from sharpset.errors import PlanError
from sharpset.files import read_text
from sharpset.plans.factors import KINDS, Factor, Factors, Kind
from sharpset.plans.rules import parse_rule

__all__ = ["factors_from_dict", "load_factors"]

_KEYS = ("name", "unit", "kind", "low", "high", "levels", "hard_to_change", "scale", "finer")
_TABLES = ("factor", "constraint")


def load_factors(path: Path | str) -> Factors:
    """Read and check a factors file.

    Parameters
    ----------
    path : path of a TOML file
        ``[[factor]]`` tables with ``name``, ``unit``, ``kind`` (continuous, levels, categorical),
        ``low`` and ``high`` or ``levels``, optionally ``hard_to_change``, ``scale`` and ``finer``;
        ``[[constraint]]`` tables with ``rule``.

    Returns
    -------
    Factors

    Raises
    ------
    PlanError
        If the file cannot be read or a line is at fault; the text names file, factor, key and value.
    """
    path = Path(path)
    try:
        data = tomllib.loads(read_text(path))
    except OSError as error:
        raise PlanError(f"{path}: the factors file cannot be read ({error.strerror}). Give a factors.toml.") from error
    except ValueError as error:
        raise PlanError(
            f"{path}: not a TOML file ({error}). Write [[factor]] tables with name, low and high."
        ) from error
    return factors_from_dict(data, source=str(path))


def factors_from_dict(data: dict[str, Any], *, source: str = "") -> Factors:
    """Make factors from the tables of a factors file.

    Parameters
    ----------
    data : dict
        ``factor``: list of tables; ``constraint``: list of tables, may be missing.
    source : str
        Put before error messages.
    """
    where = f"{source}: " if source else ""
    unknown = sorted(set(data) - set(_TABLES))
    if unknown:
        raise PlanError(f"{where}unknown table {unknown[0]!r}; a factors file has [[factor]] and [[constraint]].")
    factors = []
    for number, entry in enumerate(_list_of_tables(data, "factor", where), start=1):
        try:
            factors.append(_factor(entry, number))
        except PlanError as error:
            raise PlanError(f"{where}{error}") from error
    names = tuple(f.name for f in factors)
    constraints = []
    for number, entry in enumerate(_list_of_tables(data, "constraint", where), start=1):
        extra = sorted(set(entry) - {"rule"})
        if extra:
            raise PlanError(f"{where}constraint {number}: unknown key {extra[0]!r}; the only key is 'rule'.")
        constraint = parse_rule(entry.get("rule", ""), known=names, where=f"{where}constraint {number}")
        constraints.append(constraint)
    return Factors(factors=tuple(factors), constraints=tuple(constraints), source=source)


def _list_of_tables(data: dict[str, Any], key: str, where: str) -> list[dict[str, Any]]:
    tables = data.get(key, [])
    if not isinstance(tables, list) or not all(isinstance(t, dict) for t in tables):
        raise PlanError(f"{where}{key!r} must be written as [[{key}]] with double brackets.")
    return tables


def _factor(entry: dict[str, Any], number: int) -> Factor:
    name = entry.get("name")
    if not isinstance(name, str) or not name:
        raise PlanError(f"factor number {number}: key 'name' must be a text, got {name!r}.")
    unknown = sorted(set(entry) - set(_KEYS))
    if unknown:
        raise PlanError(f"factor {name!r}: unknown key {unknown[0]!r}; known keys are {', '.join(_KEYS)}.")
    kind = entry.get("kind", _likely_kind(entry))
    if kind not in KINDS:
        raise PlanError(f"factor {name!r}: key 'kind' must be one of {', '.join(KINDS)}, got {kind!r}.")
    hard = entry.get("hard_to_change", False)
    if not isinstance(hard, bool):
        raise PlanError(f"factor {name!r}: key 'hard_to_change' must be true or false, got {hard!r}.")
    unit = entry.get("unit", "")
    if not isinstance(unit, str):
        raise PlanError(f"factor {name!r}: key 'unit' must be a text, got {unit!r}.")
    scale = entry.get("scale", "linear")
    common: dict[str, Any] = {
        "name": name,
        "unit": unit,
        "kind": cast("Kind", kind),
        "hard_to_change": hard,
        "scale": scale,
        "finer": entry.get("finer", ""),
    }
    if kind == "continuous":
        if "levels" in entry:
            raise PlanError(f'factor {name!r}: key \'levels\' needs kind = "levels" or "categorical", not continuous.')
        return Factor(**common, low=_number(entry, "low", name), high=_number(entry, "high", name))
    levels = entry.get("levels")
    if levels is None and "low" in entry and "high" in entry:
        levels = [entry["low"], entry["high"]]
    elif "low" in entry or "high" in entry:
        raise PlanError(f"factor {name!r}: give either 'levels' or both 'low' and 'high', not a mixture.")
    if not isinstance(levels, list):
        raise PlanError(f"factor {name!r}: key 'levels' must be a list, got {levels!r}.")
    if kind == "categorical":
        return Factor(**common, levels=tuple(label(v) for v in levels))
    return Factor(**common, levels=tuple(_number({"levels": v}, "levels", name) for v in levels))


def label(value: Any) -> str:
    """Return a TOML value as the label of a categorical level (1.0 and 1 are the same label)."""
    if isinstance(value, bool):
        return str(value).lower()
    return f"{value:g}" if isinstance(value, int | float) else str(value).strip()


def _likely_kind(entry: dict[str, Any]) -> str:
    levels = entry.get("levels", [])
    if not levels:
        return "continuous"
    numbers = isinstance(levels, list) and all(isinstance(v, int | float) and not isinstance(v, bool) for v in levels)
    return "levels" if numbers else "categorical"


def _number(entry: dict[str, Any], key: str, name: str) -> float:
    value = entry.get(key)
    if value is None:
        raise PlanError(f"factor {name!r}: key {key!r} is missing. A continuous factor needs low and high.")
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise PlanError(f"factor {name!r}: key {key!r} must be a number, got {value!r}.")
    return float(value)
