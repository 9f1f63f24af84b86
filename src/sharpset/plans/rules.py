"""Constraints between factors, written as rules such as ``layer_height <= 0.75 * nozzle``.

A rule is parsed with :mod:`ast` and only arithmetic, comparisons, ``and``, ``or`` and ``not`` are
taken; nothing is ever handed to ``eval``.
"""

from __future__ import annotations

import ast
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sharpset.errors import PlanError

__all__ = ["Constraint", "parse_rule"]

_LONGEST_RULE = 500
_CLOSE = 1e-9
_ARITHMETIC = {
    ast.Add: np.add,
    ast.Sub: np.subtract,
    ast.Mult: np.multiply,
    ast.Div: np.divide,
    ast.Pow: np.power,
}
_ALLOWED = "arithmetic (+ - * / **), comparisons (< <= > >= == !=), and, or, not, numbers, factor names, 'texts'"


@dataclass(frozen=True, kw_only=True, slots=True)
class Constraint:
    """A rule that every run must keep.

    Attributes
    ----------
    rule : str
        The rule as it stands in the factors file, in natural units.
    names : tuple of str
        The factors that it speaks of.
    """

    rule: str
    names: tuple[str, ...]
    _tree: ast.expr = field(repr=False, compare=False)

    def holds(self, settings: Mapping[str, Any]) -> NDArray[np.bool_]:
        """Return where the rule is kept.

        Parameters
        ----------
        settings : mapping of str to array_like
            Natural settings by factor name, of shapes that broadcast together.

        Returns
        -------
        ndarray of bool
            Comparisons allow for rounding: a relative 1e-9 of the larger side.
        """
        with np.errstate(all="ignore"):
            return np.asarray(_truth(self._tree, settings), dtype=bool)


def parse_rule(rule: str, *, known: tuple[str, ...], where: str) -> Constraint:
    """Parse and check a rule.

    Parameters
    ----------
    rule : str
    known : tuple of str
        Names of the factors.
    where : str
        Put before an error message: file and place.

    Raises
    ------
    PlanError
        If the rule is not a comparison, holds anything but arithmetic and comparisons, or names an
        unknown factor.
    """
    if not isinstance(rule, str) or not rule.strip():
        raise PlanError(f"{where}: key 'rule' must be a text such as \"layer_height <= 0.75 * nozzle\", got {rule!r}.")
    if len(rule) > _LONGEST_RULE:
        raise PlanError(f"{where}: the rule has {len(rule)} characters, more than {_LONGEST_RULE}. Split it in two.")
    try:
        tree = ast.parse(rule.strip(), mode="eval").body
        _check(tree, where=f"{where}: rule {rule!r}", known=known, wants_truth=True)
    except (SyntaxError, ValueError, RecursionError, MemoryError) as error:
        if isinstance(error, PlanError):
            raise
        raise PlanError(f"{where}: rule {rule!r} cannot be understood. Allowed are {_ALLOWED}.") from error
    names = dict.fromkeys(node.id for node in ast.walk(tree) if isinstance(node, ast.Name))
    if not names:
        raise PlanError(f"{where}: rule {rule!r} names no factor; factors are {', '.join(known)}.")
    return Constraint(rule=rule.strip(), names=tuple(names), _tree=tree)


def _check(node: ast.expr, *, where: str, known: tuple[str, ...], wants_truth: bool) -> None:
    """Refuse every node that is not on the list; comparisons and numbers may not be mixed up."""
    if wants_truth:
        parts: list[ast.expr]
        if isinstance(node, ast.BoolOp):
            for part in node.values:
                _check(part, where=where, known=known, wants_truth=True)
            return
        if isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not):
            _check(node.operand, where=where, known=known, wants_truth=True)
            return
        allowed = ast.Lt | ast.LtE | ast.Gt | ast.GtE | ast.Eq | ast.NotEq
        if isinstance(node, ast.Compare) and all(isinstance(op, allowed) for op in node.ops):
            parts = [node.left, *node.comparators]
            for part in parts:
                _check(part, where=where, known=known, wants_truth=False)
            return
        raise PlanError(f"{where} is not a comparison. Write for instance layer_height <= 0.75 * nozzle.")
    if isinstance(node, ast.BinOp) and type(node.op) in _ARITHMETIC:
        _check(node.left, where=where, known=known, wants_truth=False)
        _check(node.right, where=where, known=known, wants_truth=False)
    elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.USub | ast.UAdd):
        _check(node.operand, where=where, known=known, wants_truth=False)
    elif isinstance(node, ast.Name):
        if node.id not in known:
            raise PlanError(f"{where} names the unknown factor {node.id!r}; factors are {', '.join(known)}.")
    elif not (isinstance(node, ast.Constant) and type(node.value) in (int, float, str)):
        raise PlanError(f"{where} holds {ast.unparse(node)!r}, which is not allowed. Allowed are {_ALLOWED}.")


def _truth(node: ast.expr, settings: Mapping[str, Any]) -> Any:
    if isinstance(node, ast.BoolOp):
        parts = [np.asarray(_truth(part, settings), dtype=bool) for part in node.values]
        joined = np.logical_and if isinstance(node.op, ast.And) else np.logical_or
        result = parts[0]
        for part in parts[1:]:
            result = joined(result, part)
        return result
    if isinstance(node, ast.UnaryOp):
        return np.logical_not(np.asarray(_truth(node.operand, settings), dtype=bool))
    assert isinstance(node, ast.Compare)
    values = [_value(part, settings) for part in (node.left, *node.comparators)]
    result = np.asarray(True)
    for left, op, right in zip(values[:-1], node.ops, values[1:], strict=True):
        result = np.logical_and(result, _compare(left, op, right))
    return result


def _compare(left: Any, op: ast.cmpop, right: Any) -> NDArray[np.bool_]:
    a, b = np.asarray(left), np.asarray(right)
    if a.dtype.kind not in "fiu" or b.dtype.kind not in "fiu":
        same = np.asarray(a.astype(str) == b.astype(str))
        if isinstance(op, ast.Eq | ast.NotEq):
            return same if isinstance(op, ast.Eq) else ~same
        raise PlanError(
            "a categorical factor can only be compared with == or != in a rule, for instance nozzle != 'A'."
        )
    slack = _CLOSE * np.maximum(np.abs(a), np.abs(b))
    slack = np.where(np.isfinite(slack), slack, 0.0)
    if isinstance(op, ast.Eq | ast.NotEq):
        same = np.abs(a - b) <= slack
        return np.asarray(same if isinstance(op, ast.Eq) else ~same)
    if isinstance(op, ast.LtE):
        return np.asarray(a <= b + slack)
    if isinstance(op, ast.GtE):
        return np.asarray(a >= b - slack)
    return np.asarray(a < b - slack) if isinstance(op, ast.Lt) else np.asarray(a > b + slack)


def _value(node: ast.expr, settings: Mapping[str, Any]) -> Any:
    if isinstance(node, ast.Constant):
        return np.float64(node.value) if isinstance(node.value, int | float) else node.value
    if isinstance(node, ast.Name):
        values = np.asarray(settings[node.id])
        return values.astype(float) if values.dtype.kind in "fiu" else values
    if isinstance(node, ast.UnaryOp):
        value = _value(node.operand, settings)
        return np.negative(value) if isinstance(node.op, ast.USub) else value
    assert isinstance(node, ast.BinOp)
    left, right = _value(node.left, settings), _value(node.right, settings)
    if np.asarray(left).dtype.kind not in "fiu" or np.asarray(right).dtype.kind not in "fiu":
        raise PlanError("a rule calculates with a categorical factor; use only == and != with it.")
    return _ARITHMETIC[type(node.op)](left, right)
