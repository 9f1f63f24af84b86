"""The small language in which models are written.

``linear``, ``interactions`` and ``quadratic`` stand for sets of terms; ``a:b`` is an interaction, ``a*b``
is ``a + b + a:b``, ``a^2`` (or ``a**2``, ``I(a**2)``) the square of a numeric factor, ``(a + b + c)^2`` all
of them with their two-factor interactions, ``- a:b`` leaves a term out. The constant is always in the
model. Something before ``~`` is taken for the name of the response and left out.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Sequence
from dataclasses import dataclass

from sharpset.errors import PlanError
from sharpset.plans.factors import Factors

__all__ = ["NAMED_MODELS", "Term", "expand_model", "missing_margins"]

NAMED_MODELS = ("linear", "interactions", "quadratic")
_TOKEN = re.compile(r"\s*(?:(\d+)|([^\W\d]\w*)|(\*\*|[-+*:^()]))")
_HINT = "Write for instance 'quadratic' or 'a + b + a:b + a^2'"


@dataclass(frozen=True, order=True, slots=True)
class Term:
    """A product of powers of factors.

    Attributes
    ----------
    powers : tuple of (str, int)
        Factor names in the order of the factors file, with their powers; empty for the constant.
    """

    powers: tuple[tuple[str, int], ...] = ()

    @property
    def name(self) -> str:
        """The term as it is written in formulas: ``Intercept``, ``a``, ``a:b``, ``a^2``."""
        return ":".join(n if p == 1 else f"{n}^{p}" for n, p in self.powers) or "Intercept"

    @property
    def factors(self) -> tuple[str, ...]:
        """The factors that take part."""
        return tuple(n for n, _ in self.powers)

    @property
    def order(self) -> int:
        """Sum of the powers."""
        return sum(p for _, p in self.powers)

    def __str__(self) -> str:
        return self.name


def expand_model(factors: Factors, model: str | Sequence[str | Term]) -> list[Term]:
    """Turn a model into its terms.

    Parameters
    ----------
    factors : Factors
    model : str or sequence of str or Term
        ``linear`` (main effects), ``interactions`` (and all two-factor interactions), ``quadratic`` (and
        the squares of all numeric factors with three levels or more), a formula, or a list of terms.

    Returns
    -------
    list of Term
        The constant first, then by order (main effects, then interactions, then squares) as written.

    Raises
    ------
    PlanError
        For an unknown factor, a square of a factor with two levels or with labels, or a formula that
        cannot be read.
    """
    if isinstance(model, str):
        terms = _Reader(model, factors).read()
    else:
        terms = {}
        for part in model:
            if isinstance(part, Term):
                _check_powers(part, factors)
                terms[part] = None
            else:
                terms |= _Reader(str(part), factors).read()
    terms.pop(Term(), None)
    if not terms:
        raise PlanError(f"the model {model!r} has no term. {_HINT}; factors are {', '.join(factors.names)}.")
    return [Term(), *sorted(terms, key=lambda t: (t.order, len(t.powers) < t.order))]


def missing_margins(terms: Sequence[Term]) -> list[Term]:
    """Return the lower-order terms that hierarchy asks for and that are not there."""
    there = set(terms)
    missing: dict[Term, None] = {}
    for term in terms:
        for powers in itertools.product(*(range(p + 1) for _, p in term.powers)):
            part = Term(tuple((n, p) for (n, _), p in zip(term.powers, powers, strict=True) if p))
            if part.powers and part not in there:
                missing[part] = None
    return sorted(missing, key=lambda t: (t.order, t.powers))


def _check_powers(term: Term, factors: Factors) -> None:
    for name, power in term.powers:
        factor = factors[name]
        if power > 1 and (factor.is_categorical or factor.n_levels <= power):
            kind = "labels" if factor.is_categorical else f"{factor.n_levels:g} levels"
            raise PlanError(
                f"model term {term.name!r}: {name} has {kind}, so {name}^{power} cannot be told. Leave it out."
            )


class _Reader:
    """Reads a formula by recursive descent; every step returns an ordered set of terms."""

    def __init__(self, text: str, factors: Factors) -> None:
        self.text = text
        self.factors = factors
        self.order = {name: i for i, name in enumerate(factors.names)}
        body = text.split("~", 1)[-1]
        self.tokens: list[str] = []
        position = 0
        while position < len(body.rstrip()):
            match = _TOKEN.match(body, position)
            if match is None:
                raise self._fault(f"has the unexpected character {body[position:].lstrip()[:1]!r}")
            self.tokens.append(match.group().strip())
            position = match.end()
        self.at = 0

    def _fault(self, what: str) -> PlanError:
        return PlanError(f"the model {self.text!r} {what}. {_HINT}; factors are {', '.join(self.factors.names)}.")

    def _peek(self) -> str:
        return self.tokens[self.at] if self.at < len(self.tokens) else ""

    def _take(self) -> str:
        token = self._peek()
        self.at += 1
        return token

    def read(self) -> dict[Term, None]:
        if not self.tokens:
            raise self._fault("is empty")
        if len(self.tokens) > 2000:
            raise self._fault("is too long")
        terms = self._sum(depth=0)
        if self._peek():
            raise self._fault(f"cannot be read at {self._peek()!r}")
        return terms

    def _sum(self, depth: int) -> dict[Term, None]:
        if depth > 20:
            raise self._fault("has too many brackets")
        terms: dict[Term, None] = {}
        sign = self._take() if self._peek() in ("+", "-") else "+"
        while True:
            part = self._crossed(depth)
            if sign == "+":
                terms |= part
            elif Term() in part:
                raise self._fault("leaves out the constant, which is always needed")
            else:
                terms = {t: None for t in terms if t not in part}
            if self._peek() not in ("+", "-"):
                return terms
            sign = self._take()

    def _crossed(self, depth: int) -> dict[Term, None]:
        terms = self._product(depth)
        while self._peek() == "*":
            self._take()
            right = self._product(depth)
            terms = terms | right | self._multiply(terms, right)
        return terms

    def _product(self, depth: int) -> dict[Term, None]:
        terms = self._power(depth)
        while self._peek() == ":":
            self._take()
            terms = self._multiply(terms, self._power(depth))
        return terms

    def _power(self, depth: int) -> dict[Term, None]:
        bracket = self._peek() == "("
        terms = self._atom(depth)
        if self._peek() not in ("^", "**"):
            return terms
        self._take()
        exponent = self._take()
        if not exponent.isdigit() or not 1 <= int(exponent) <= 9:
            raise self._fault(f"has the power {exponent!r}; it must be a whole number from 1 to 9")
        if bracket and len(terms) > 1:
            return self._all_products(terms, int(exponent))
        if len(terms) != 1 or next(iter(terms)).order != 1:
            raise self._fault("takes a power of something that is not a single factor")
        name = next(iter(terms)).powers[0][0]
        powered = Term(((name, int(exponent)),))
        _check_powers(powered, self.factors)
        return {powered: None}

    def _atom(self, depth: int) -> dict[Term, None]:
        token = self._take()
        if token == "(":
            terms = self._sum(depth + 1)
            if self._take() != ")":
                raise self._fault("has an open bracket")
            return terms
        if token == "I" and self._peek() == "(" and "I" not in self.order:
            return self._atom(depth)
        if token.isdigit():
            if token == "1":
                return {Term(): None}
            raise self._fault(f"holds the number {token}; only 1, the constant, can stand alone")
        if token in self.order:
            return {Term(((token, 1),)): None}
        if token in NAMED_MODELS:
            return _named(self.factors, token)
        if token and (token[0].isalpha() or token[0] == "_"):
            raise self._fault(f"names the unknown factor {token!r}")
        raise self._fault(f"cannot be read at {token!r}" if token else "ends too early")

    def _multiply(self, left: dict[Term, None], right: dict[Term, None]) -> dict[Term, None]:
        result: dict[Term, None] = {}
        for a, b in itertools.product(left, right):
            powers = dict(a.powers)
            for name, power in b.powers:
                if name in powers:
                    raise self._fault(f"multiplies {name} with itself; write {name}^2 for its square")
                powers[name] = power
            result[Term(tuple(sorted(powers.items(), key=lambda item: self.order[item[0]])))] = None
        return result

    def _all_products(self, terms: dict[Term, None], highest: int) -> dict[Term, None]:
        if any(t.order != 1 for t in terms):
            raise self._fault("takes a power of a bracket that holds more than main effects")
        names = [t.powers[0][0] for t in terms]
        result: dict[Term, None] = {}
        for size in range(1, min(highest, len(names)) + 1):
            for chosen in itertools.combinations(sorted(names, key=self.order.__getitem__), size):
                result[Term(tuple((n, 1) for n in chosen))] = None
        return result


def _named(factors: Factors, model: str) -> dict[Term, None]:
    terms = {Term(((name, 1),)): None for name in factors.names}
    if model in ("interactions", "quadratic"):
        terms |= {Term(((a, 1), (b, 1))): None for a, b in itertools.combinations(factors.names, 2)}
    if model == "quadratic":
        squares = [f.name for f in factors if not f.is_categorical and f.n_levels > 2]
        terms |= {Term(((name, 2),)): None for name in squares}
    return terms
