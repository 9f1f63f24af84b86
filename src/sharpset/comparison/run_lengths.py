"""How long a control chart runs before it signals: without cause, and after a shift."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from sharpset.errors import ComparisonError

__all__ = [
    "RULES",
    "ZoneRule",
    "chance_of_signal",
    "check_rules",
    "run_length_ewma",
    "run_length_individuals",
    "zone_signals",
]


class ZoneRule(NamedTuple):
    """``hits`` of the last ``window`` values beyond ``sigmas`` on one side of the centre."""

    hits: int
    window: int
    sigmas: float


RULES: dict[str, ZoneRule] = {
    "one beyond 3 sigma": ZoneRule(1, 1, 3.0),
    "two of three beyond 2 sigma": ZoneRule(2, 3, 2.0),
    "four of five beyond 1 sigma": ZoneRule(4, 5, 1.0),
    "eight in a row on one side": ZoneRule(8, 8, 0.0),
}
"""The zone rules of common practice; each is looked for on both sides."""


def check_rules(rules: Sequence[str]) -> tuple[str, ...]:
    """Return the rules if all are known.

    Raises
    ------
    ComparisonError
        With the list of choices.
    """
    unknown = [r for r in rules if r not in RULES]
    if unknown or not rules:
        raise ComparisonError(f"unknown rule {unknown[0] if unknown else ''!r}; rules are: {'; '.join(RULES)}.")
    return tuple(rules)


def zone_signals(z: NDArray[np.float64], *, rules: Sequence[str]) -> dict[str, NDArray[np.bool_]]:
    """Find where each rule signals.

    Parameters
    ----------
    z : ndarray of float, shape (n,) or (n_series, n)
        Values in standard deviations from the centre, in time order.
    rules : sequence of str

    Returns
    -------
    dict of str to ndarray of bool
        True at the value that completes the rule, which must itself lie beyond the rule's zone.
    """
    values = np.atleast_2d(np.asarray(z, float))
    out = {}
    for name in check_rules(rules):
        rule = RULES[name]
        hit = np.zeros(values.shape, bool)
        for side in (1.0, -1.0):
            beyond = side * values > rule.sigmas
            total = np.cumsum(np.pad(beyond, ((0, 0), (rule.window, 0))), axis=1)
            in_window: NDArray[np.int64] = total[:, rule.window :] - total[:, : -rule.window]
            hit |= (in_window >= rule.hits) & beyond
        out[name] = hit.reshape(np.shape(z))
    return out


@dataclass(frozen=True, kw_only=True, slots=True)
class _Zone:
    low: float
    high: float

    @property
    def middle(self) -> float:
        if math.isinf(self.low):
            return self.high - 1
        return self.low + 1 if math.isinf(self.high) else (self.low + self.high) / 2


def run_length_individuals(shift: float = 0.0, *, rules: Sequence[str] = tuple(RULES)) -> float:
    """Return the mean number of values until an individuals chart with known limits signals.

    Parameters
    ----------
    shift : float
        Shift of the mean, in standard deviations.
    rules : sequence of str
        Names of `RULES`.

    Returns
    -------
    float
        Average run length, from an exact Markov chain over the histories that the rules can see.

    References
    ----------
    Champ, C. W. & Woodall, W. H. (1987), Technometrics 29:393-399.
    """
    chosen = [RULES[name] for name in check_rules(rules)]
    edges = sorted({-math.inf, math.inf, *(r.sigmas for r in chosen), *(-r.sigmas for r in chosen)})
    zones = [_Zone(low=a, high=b) for a, b in pairwise(edges)]
    chance = np.diff(stats.norm.cdf(np.array(edges) - shift))
    sided = [(r, side) for r in chosen for side in (1.0, -1.0)]
    start: tuple[tuple[bool, ...], ...] = tuple(() for _ in sided)
    index = {start: 0}
    waiting, entries = [start], []
    while waiting:
        state = waiting.pop()
        for zone, p in zip(zones, chance, strict=True):
            following = _next_state(state, zone.middle, sided)
            if following is None:
                continue
            if following not in index:
                index[following] = len(index)
                waiting.append(following)
            entries.append((index[state], index[following], float(p)))
    q = np.zeros((len(index), len(index)))
    for i, j, p in entries:
        q[i, j] += p
    return float(np.linalg.solve(np.eye(len(index)) - q, np.ones(len(index)))[0])


def _next_state(
    state: tuple[tuple[bool, ...], ...], value: float, sided: Sequence[tuple[ZoneRule, float]]
) -> tuple[tuple[bool, ...], ...] | None:
    """Return the history after one more value, or None where a rule signals."""
    out = []
    for past, (rule, side) in zip(state, sided, strict=True):
        beyond = side * value > rule.sigmas
        recent = (*past, beyond)[-rule.window :]
        if beyond and sum(recent) >= rule.hits:
            return None
        keep = recent[-(rule.window - 1) :] if rule.window > 1 else ()
        if rule.hits == rule.window and not all(keep):
            keep = keep[len(keep) - keep[::-1].index(False) :]
        first = keep.index(True) if True in keep else len(keep)
        out.append(keep[first:])
    return tuple(out)


def run_length_ewma(shift: float = 0.0, *, weight: float, sigmas: float, n_nodes: int = 80) -> float:
    """Return the mean number of values until an EWMA chart with known, steady limits signals.

    Parameters
    ----------
    shift : float
        Shift of the mean, in standard deviations.
    weight : float
        Weight of the newest value (lambda), above 0 and at most 1.
    sigmas : float
        Limits in standard deviations of the average (L).
    n_nodes : int
        Nodes of the quadrature.

    Returns
    -------
    float
        Average run length from the start at the centre, by its integral equation.

    References
    ----------
    Crowder, S. V. (1987), Technometrics 29:401-407; Lucas, J. M. & Saccucci, M. S. (1990), Technometrics 32:1-12.
    """
    if not 0 < weight <= 1 or not sigmas > 0:
        raise ComparisonError(f"weight is {weight!r} and sigmas {sigmas!r}; give 0 < weight <= 1 and sigmas > 0.")
    limit = sigmas * math.sqrt(weight / (2 - weight))
    nodes, weights = np.polynomial.legendre.leggauss(n_nodes)
    x, w = limit * nodes, limit * weights
    if weight == 1:
        return float(1 / (stats.norm.sf(limit - shift) + stats.norm.cdf(-limit - shift)))
    kernel = stats.norm.pdf((x[None, :] - (1 - weight) * x[:, None]) / weight - shift) / weight * w
    at_nodes = np.linalg.solve(np.eye(n_nodes) - kernel, np.ones(n_nodes))
    return float(1 + np.sum(stats.norm.pdf(x / weight - shift) / weight * w * at_nodes))


def chance_of_signal(
    n_values: int,
    *,
    n_baseline: int | None,
    shift: float = 0.0,
    rules: Sequence[str],
    weight: float,
    sigmas: float,
    n_sim: int = 4000,
    seed: int = 1,
) -> float:
    """Return the chance that either chart signals within the next ``n_values`` values, by simulation.

    Parameters
    ----------
    n_values : int
    n_baseline : int or None
        Values from which centre and spread were estimated (moving range); None for known limits.
    shift : float
        Shift of the mean, in standard deviations.
    rules : sequence of str
        Rules of the individuals chart.
    weight, sigmas : float
        Of the EWMA chart.
    n_sim, seed : int

    Returns
    -------
    float
        Its own standard error is at most ``0.5 / sqrt(n_sim)``.
    """
    rng = np.random.default_rng(seed)
    new = rng.standard_normal((n_sim, n_values)) + shift
    if n_baseline is not None:
        base = rng.standard_normal((n_sim, n_baseline))
        sd = np.abs(np.diff(base, axis=1)).mean(axis=1) / (2 / math.sqrt(math.pi))
        new = (new - base.mean(axis=1, keepdims=True)) / sd[:, None]
    signalled = np.zeros(n_sim, bool)
    for hit in zone_signals(new, rules=rules).values():
        signalled |= hit.any(axis=1)
    level, limit = np.zeros(n_sim), sigmas * math.sqrt(weight / (2 - weight))
    for column in new.T:
        level = weight * column + (1 - weight) * level
        signalled |= np.abs(level) > limit
    return float(signalled.mean())
