"""Terms of a model: what a formula means, as columns in coded and in natural units."""

from __future__ import annotations

import ast
import keyword
import re
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any, Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sharpset.errors import FitError
from sharpset.fits.space import FactorRange, Space

__all__ = ["Model", "Term", "parse_formula"]

Floats = NDArray[np.float64]
Units = Literal["coded", "natural"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Term:
    """A product of powers of numbers, of functions of numbers, and of categories.

    Attributes
    ----------
    powers : tuple of (str, int)
        Name of a numeric column and its exponent.
    functions : tuple of str
        Python expressions such as ``log(exposure)``; each is one number per row.
    categories : tuple of str
        Names of categorical columns.
    """

    powers: tuple[tuple[str, int], ...] = ()
    functions: tuple[str, ...] = ()
    categories: tuple[str, ...] = ()

    @property
    def label(self) -> str:
        """The term as it is written in a formula."""
        parts = [name if power == 1 else f"I({name} ** {power})" for name, power in self.powers]
        return ":".join([*parts, *self.functions, *self.categories]) or "Intercept"

    @property
    def order(self) -> int:
        """Number of factors multiplied, powers counted as often as they stand."""
        return sum(power for _, power in self.powers) + len(self.functions) + len(self.categories)

    def contains(self, other: Term) -> bool:
        """Tell whether ``other`` is a part of this term (marginal to it)."""
        mine = dict(self.powers)
        return (
            all(mine.get(name, 0) >= power for name, power in other.powers)
            and set(other.functions) <= set(self.functions)
            and set(other.categories) <= set(self.categories)
        )


@dataclass(frozen=True, kw_only=True, slots=True)
class Model:
    """A right-hand side and how to turn a table of settings into its matrix.

    Attributes
    ----------
    terms : tuple of Term
        The intercept, where there is one, is the term without parts.
    ranges : dict of str to FactorRange
        Coding of every column that the terms use, functions included.
    """

    terms: tuple[Term, ...]
    ranges: dict[str, FactorRange] = field(default_factory=dict)

    @property
    def formula(self) -> str:
        """The right-hand side as patsy reads it."""
        labels = [self.natural_label(term) for term in self.terms if term.label != "Intercept"]
        head = "1" if self.has_intercept else "0"
        return " + ".join([head, *labels])

    def natural_label(self, term: Term) -> str:
        """Return a term's label with the logarithm of factors that are coded on a log scale."""
        logs = {name: self.ranges[name].natural_label for name, _ in term.powers}
        return (
            ":".join(
                [
                    *(logs[name] if power == 1 else f"I({logs[name]} ** {power})" for name, power in term.powers),
                    *term.functions,
                    *term.categories,
                ]
            )
            or "Intercept"
        )

    @property
    def has_intercept(self) -> bool:
        """Whether a constant stands in the model by itself."""
        return any(term.label == "Intercept" for term in self.terms)

    @property
    def polynomial(self) -> bool:
        """Whether the model holds powers and categories only."""
        return not any(term.functions for term in self.terms)

    def with_terms(self, terms: list[Term]) -> Model:
        """Return the same coding with other terms."""
        return Model(terms=tuple(terms), ranges=self.ranges)

    def columns(self, frame: pd.DataFrame, *, units: Units = "coded") -> tuple[Floats, list[ColumnName]]:
        """Return the model matrix, shape (n, p), and what each column is."""
        blocks: list[Floats] = []
        names: list[ColumnName] = []
        for term in self.terms:
            block, labels = self._term_columns(term, frame, units)
            blocks.append(block)
            names.extend(ColumnName(term=term, label=label) for label in labels)
        if not blocks:
            return np.zeros((len(frame), 0)), []
        return np.hstack(blocks), names

    def _numbers(self, name: str, frame: pd.DataFrame, units: Units) -> Floats:
        try:
            values = frame[name].to_numpy(dtype=float)
        except KeyError as error:
            raise FitError(f"The settings lack a value for {name!r}; give one for each factor of the model.") from error
        return self.ranges[name].on_scale(values) if units == "natural" else self.ranges[name].code(values)

    def _term_columns(self, term: Term, frame: pd.DataFrame, units: Units) -> tuple[Floats, list[str]]:
        column = np.ones(len(frame))
        parts: list[str] = []
        for name, power in term.powers:
            column = column * self._numbers(name, frame, units) ** power
            shown = self.ranges[name].natural_label if units == "natural" else name
            parts.append(shown if power == 1 else f"I({shown} ** {power})")
        for code in term.functions:
            values = evaluate(code, frame)
            column = column * (values if units == "natural" else self.ranges[code].code(values))
            parts.append(code)
        block, suffixes = column[:, None], [":".join(parts)]
        for name in term.categories:
            block, suffixes = self._cross(block, suffixes, name, frame, reduced=self._reduced(term, name))
        return block, [suffix or "Intercept" for suffix in suffixes]

    def _reduced(self, term: Term, name: str) -> bool:
        rest = Term(
            powers=term.powers, functions=term.functions, categories=tuple(c for c in term.categories if c != name)
        )
        return rest in self.terms

    def _cross(
        self, block: Floats, labels: list[str], name: str, frame: pd.DataFrame, *, reduced: bool
    ) -> tuple[Floats, list[str]]:
        levels = [str(level) for level in self.ranges[name].levels]
        values = frame[name].map(category_text).to_numpy()
        unknown = sorted(set(values) - set(levels))
        if unknown:
            raise FitError(f"{name} has no level {unknown[0]!r}; its levels are {', '.join(levels)}.")
        indicator = np.array([[1.0 if value == level else 0.0 for level in levels] for value in values]).reshape(
            len(values), len(levels)
        )
        if reduced:
            indicator = indicator[:, :-1] - indicator[:, -1:]
            levels = levels[:-1]
        crossed = (block[:, :, None] * indicator[:, None, :]).reshape(len(values), -1)
        names = [f"{label}:{name}[{level}]" if label else f"{name}[{level}]" for label in labels for level in levels]
        return crossed, names


@dataclass(frozen=True, kw_only=True, slots=True)
class ColumnName:
    """One column of a model matrix: its label and the term it belongs to."""

    term: Term
    label: str


def category_text(value: Any) -> str:
    """Return a category's value as text, whole numbers without a decimal point."""
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    return str(value)


_FUNCTIONS: dict[str, Callable[..., Any]] = {
    "log": np.log,
    "log2": np.log2,
    "log10": np.log10,
    "exp": np.exp,
    "sqrt": np.sqrt,
    "abs": np.abs,
    "np.log": np.log,
    "np.log2": np.log2,
    "np.log10": np.log10,
    "np.exp": np.exp,
    "np.sqrt": np.sqrt,
    "np.abs": np.abs,
    "np.power": np.power,
    "np.reciprocal": np.reciprocal,
    "pow": np.power,
    "I": lambda values: values,
}
_OPERATORS: dict[type, Callable[[Any, Any], Any]] = {
    ast.Add: np.add,
    ast.Sub: np.subtract,
    ast.Mult: np.multiply,
    ast.Div: np.true_divide,
    ast.Pow: np.power,
    ast.Gt: np.greater,
    ast.Lt: np.less,
    ast.GtE: np.greater_equal,
    ast.LtE: np.less_equal,
    ast.Eq: np.equal,
}


def evaluate(code: str, frame: pd.DataFrame) -> Floats:
    """Evaluate one function of a formula on a table; natural units.

    Only arithmetic, comparisons and the functions named in the error message are understood, so a
    formula that came in a file cannot run code.
    """
    quoted = quote_keywords(code, [str(c) for c in frame.columns])
    try:
        with np.errstate(all="ignore"):
            values = np.asarray(_value(ast.parse(quoted, mode="eval").body, frame), dtype=float)
    except (KeyError, TypeError, ValueError, SyntaxError) as error:
        known = ", ".join(name for name in _FUNCTIONS if not name.startswith("np."))
        raise FitError(
            f"The formula's part {code!r} cannot be computed ({error}). Columns are "
            f"{', '.join(map(str, frame.columns))}; functions are {known}."
        ) from error
    values = np.broadcast_to(values, (len(frame),)).astype(float)
    if not np.isfinite(values).all():
        raise FitError(f"The formula's part {code!r} is not a finite number in every run. Use another transformation.")
    return values


def quote_keywords(formula: str, columns: list[str]) -> str:
    """Return a formula in which columns named like Python keywords (yield) are quoted for patsy."""
    for name in columns:
        if keyword.iskeyword(name):
            formula = re.sub(rf"(?<![\w'\"]){name}(?![\w'\"])", f"Q('{name}')", formula)
    return formula


def _value(node: ast.expr, frame: pd.DataFrame) -> Any:
    if isinstance(node, ast.Constant) and isinstance(node.value, int | float):
        return float(node.value)
    if isinstance(node, ast.Name):
        return frame[node.id].to_numpy(dtype=float)
    if isinstance(node, ast.BinOp) and type(node.op) in _OPERATORS:
        return _OPERATORS[type(node.op)](_value(node.left, frame), _value(node.right, frame))
    if isinstance(node, ast.Compare) and len(node.ops) == 1 and type(node.ops[0]) in _OPERATORS:
        return _OPERATORS[type(node.ops[0])](_value(node.left, frame), _value(node.comparators[0], frame))
    if isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.USub):
        return -_value(node.operand, frame)
    if isinstance(node, ast.Call) and not node.keywords:
        called = ast.unparse(node.func)
        if called == "Q" and isinstance(node.args[0], ast.Constant):
            return frame[str(node.args[0].value)].to_numpy(dtype=float)
        if called in _FUNCTIONS:
            return _FUNCTIONS[called](*(_value(argument, frame) for argument in node.args))
        raise ValueError(f"{called} is not a known function")
    raise ValueError("only arithmetic and functions of columns are understood")


def _monomial(code: str) -> dict[str, int] | None:
    """Read ``a``, ``I(a ** 2)``, ``I(a * b)``, ``np.power(a, 2)`` as powers; None for anything else."""
    try:
        node = ast.parse(code, mode="eval").body
    except SyntaxError:
        return None
    return _powers(node)


def _powers(node: ast.expr) -> dict[str, int] | None:
    if isinstance(node, ast.Name):
        return {node.id: 1}
    if isinstance(node, ast.Call):
        called = ast.unparse(node.func)
        if called == "I" and len(node.args) == 1:
            return _powers(node.args[0])
        if called == "Q" and isinstance(node.args[0], ast.Constant):
            return {str(node.args[0].value): 1}
        if called in {"np.power", "pow"} and len(node.args) == 2:
            return _raised(node.args[0], node.args[1])
        return None
    if isinstance(node, ast.BinOp) and isinstance(node.op, ast.Pow):
        return _raised(node.left, node.right)
    if isinstance(node, ast.BinOp) and isinstance(node.op, ast.Mult):
        left, right = _powers(node.left), _powers(node.right)
        if left is None or right is None:
            return None
        return {name: left.get(name, 0) + right.get(name, 0) for name in [*left, *right]}
    return None


def _raised(base: ast.expr, exponent: ast.expr) -> dict[str, int] | None:
    inner = _powers(base)
    if inner is None or not isinstance(exponent, ast.Constant) or not isinstance(exponent.value, int):
        return None
    return {name: power * exponent.value for name, power in inner.items()} if exponent.value >= 1 else None


_CATEGORY = re.compile(r"^C\(\s*(?:Q\(\s*['\"](?P<quoted>[^'\"]+)['\"]\s*\)|(?P<name>\w+))\s*(?:,.*)?\)$")


def parse_formula(formula: str, frame: pd.DataFrame, space: Space) -> tuple[str | None, Model]:
    """Read a patsy formula over the columns of a table.

    Parameters
    ----------
    formula : str
        With or without a left-hand side; ``C(x)`` makes a category of a column of numbers.
    frame : pandas.DataFrame
        Factor columns and others, natural units.
    space : Space
        Coding of the factors; other numeric columns are coded over their own span.

    Returns
    -------
    response : str or None
        The left-hand side as written.
    model : Model

    Raises
    ------
    FitError
        If the formula is not one, or names a column that is not there.
    """
    from patsy import EvalFactor, ModelDesc, PatsyError

    formula = quote_keywords(formula, [str(c) for c in frame.columns])
    try:
        parsed = ModelDesc.from_formula(formula)
    except (PatsyError, SyntaxError, TypeError) as error:
        reason = str(error).splitlines()[0]
        raise FitError(
            f"The formula {formula!r} cannot be read ({reason}). Write it like 'y ~ a + b + a:b'."
        ) from error
    left: str | None = None
    for lhs in parsed.lhs_termlist:
        left = ":".join(f.code for f in lhs.factors if isinstance(f, EvalFactor))
    ranges: dict[str, FactorRange] = {}
    terms = [_read_term([f.code for f in term.factors], frame, space, ranges, formula) for term in parsed.rhs_termlist]
    # Main effects before interactions, otherwise as written: the order that a sequential ANOVA expects.
    unique = sorted(dict.fromkeys(terms), key=lambda t: len(t.powers) + len(t.functions) + len(t.categories))
    return left, Model(terms=tuple(unique), ranges=ranges)


def _read_term(
    codes: list[str], frame: pd.DataFrame, space: Space, ranges: dict[str, FactorRange], formula: str
) -> Term:
    powers: dict[str, int] = {}
    functions: list[str] = []
    categories: list[str] = []
    for code in codes:
        match = _CATEGORY.match(code)
        if match:
            name = match["quoted"] or match["name"]
            _known(name, frame, formula)
            categories.append(name)
            ranges[name] = as_category(name, frame, space)
            continue
        monomial = _monomial(code)
        if monomial is None:
            functions.append(code)
            values = evaluate(code, frame)
            ranges[code] = FactorRange(name=code, low=float(values.min()), high=float(values.max()))
            continue
        for name, power in monomial.items():
            _known(name, frame, formula)
            if is_category(name, frame, space):
                categories.append(name)
                ranges[name] = as_category(name, frame, space)
            else:
                powers[name] = powers.get(name, 0) + power
                ranges.setdefault(name, replace(as_number(name, frame, space), scale="linear"))
    return Term(powers=tuple(powers.items()), functions=tuple(functions), categories=tuple(categories))


def _known(name: str, frame: pd.DataFrame, formula: str) -> None:
    if name not in frame.columns:
        raise FitError(
            f"The formula {formula!r} names {name!r}, which is no factor or column here. "
            f"Choose from {', '.join(map(str, frame.columns))}."
        )


def is_category(name: str, frame: pd.DataFrame, space: Space) -> bool:
    """Tell whether a column holds categories (blocks and whole plots always do)."""
    if name in space.names:
        return space[name].kind == "categorical"
    if name in {"block", "whole_plot"}:
        return True
    return not pd.api.types.is_numeric_dtype(frame[name])


def as_category(name: str, frame: pd.DataFrame, space: Space) -> FactorRange:
    """Return the coding of a categorical column."""
    if name in space.names and space[name].kind == "categorical":
        present = set(frame[name].map(category_text))
        levels = tuple(str(level) for level in space[name].levels if str(level) in present)
        return FactorRange(name=name, kind="categorical", levels=levels)
    values = pd.unique(frame[name].dropna())
    ordered = sorted(values) if pd.api.types.is_numeric_dtype(frame[name]) else sorted(values, key=str)
    return FactorRange(name=name, kind="categorical", levels=tuple(category_text(v) for v in ordered))


def as_number(name: str, frame: pd.DataFrame, space: Space) -> FactorRange:
    """Return the coding of a numeric column."""
    if name in space.names:
        return space[name]
    values = frame[name].to_numpy(dtype=float)
    low, high = float(np.nanmin(values)), float(np.nanmax(values))
    return FactorRange(name=name, low=low, high=high if high > low else low + 1.0)
