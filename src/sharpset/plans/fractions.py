"""Regular fractions of two-level factorials: generators, word lengths, minimum aberration, blocks.

A column of a 2^q design is a whole number whose binary digits name the basic factors that are multiplied
(1 = first basic factor, 2 = second, 3 = their product, ...).

References
----------
Box, G. E. P., Hunter, J. S. & Hunter, W. G. (2005), Statistics for Experimenters, ch. 6.
Fries, A. & Hunter, W. G. (1980), Minimum aberration 2^(k-p) designs, Technometrics 22(4), 601-608.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from math import comb

import numpy as np
from numpy.typing import NDArray

from sharpset.errors import PlanError

__all__ = ["Fraction", "find_fraction", "fraction_by_resolution", "fraction_from_generators", "word_length_pattern"]

LETTERS = "ABCDEFGHJKLMNOPQRSTUVWXYZ"
"""Factor letters of the handbooks: I is left out, it stands for the constant."""
LARGEST = 10
_STARTS = 400


@dataclass(frozen=True, kw_only=True, slots=True)
class Fraction:
    """A regular two-level fraction.

    Attributes
    ----------
    n_factors : int
    n_basic : int
        The design has 2**n_basic runs.
    columns : tuple of int
        For each factor its column.
    signs : tuple of int
        For each factor +1 or -1.
    """

    n_factors: int
    n_basic: int
    columns: tuple[int, ...]
    signs: tuple[int, ...]

    @property
    def n_runs(self) -> int:
        """Number of runs."""
        return int(2**self.n_basic)

    @property
    def matrix(self) -> NDArray[np.float64]:
        """The runs as -1 and +1, shape (n_runs, n_factors), first factor changing fastest."""
        return np.asarray(_contrasts(self.n_basic)[:, list(self.columns)] * np.asarray(self.signs, dtype=float))

    @property
    def generators(self) -> tuple[str, ...]:
        """Generators in handbook letters, such as ``E=ABC``."""
        basic = {column: i for i, column in enumerate(self.columns) if column.bit_count() == 1}
        texts = []
        for i, (column, sign) in enumerate(zip(self.columns, self.signs, strict=True)):
            if column.bit_count() > 1 or basic[column] != i:
                word = "".join(sorted(LETTERS[basic[1 << b]] for b in range(self.n_basic) if column >> b & 1))
                texts.append(f"{LETTERS[i]}={'-' if sign < 0 else ''}{word}")
        return tuple(texts)

    @property
    def word_lengths(self) -> tuple[int, ...]:
        """Number of words of length 1, 2, ..., n_factors in the defining relation."""
        return _word_lengths(_row_weights(self.columns, self.n_basic), self.n_factors)

    @property
    def resolution(self) -> int:
        """Length of the shortest word; n_factors + 1 for a full factorial."""
        return next((i for i, n in enumerate(self.word_lengths, start=1) if n), self.n_factors + 1)


@lru_cache(maxsize=16)
def _contrasts(n_basic: int) -> NDArray[np.float64]:
    """All 2^q columns, the constant first; a basic factor is -1 where its bit of the run number is 0."""
    runs = np.arange(2**n_basic)
    columns = np.ones((2**n_basic, 1))
    for b in range(n_basic):
        sign = np.where(runs >> b & 1, 1.0, -1.0)[:, None]
        columns = np.hstack([columns, columns * sign])
    columns.setflags(write=False)
    return columns


@lru_cache(maxsize=16)
def _parities(n_basic: int) -> NDArray[np.int64]:
    """Digit sums modulo 2 of run & column, shape (2^q, 2^q)."""
    numbers = np.arange(2**n_basic)
    table = np.array([n.bit_count() & 1 for n in range(2**n_basic)], dtype=np.int64)
    return np.asarray(table[numbers[:, None] & numbers[None, :]])


def _row_weights(columns: Sequence[int], n_basic: int) -> NDArray[np.int64]:
    return np.asarray(_parities(n_basic)[:, list(columns)].sum(axis=1))


@lru_cache(maxsize=64)
def _krawtchouk(k: int) -> NDArray[np.float64]:
    """Krawtchouk polynomials K_j(w; k), shape (k + 1, k + 1), rows j."""
    return np.array(
        [
            [sum((-1) ** i * comb(w, i) * comb(k - w, j - i) for i in range(j + 1)) for w in range(k + 1)]
            for j in range(k + 1)
        ],
        dtype=float,
    )


def _word_lengths(weights: NDArray[np.int64], k: int) -> tuple[int, ...]:
    """Word lengths from the weights of the runs (MacWilliams identity)."""
    counts = _krawtchouk(k)[:, weights].mean(axis=1)
    return tuple(round(float(c)) for c in counts[1:])


@lru_cache(maxsize=256)
def find_fraction(n_factors: int, n_basic: int) -> Fraction:
    """Return a fraction of minimum aberration found by exchange of generators.

    Parameters
    ----------
    n_factors : int
        From 2 to 25.
    n_basic : int
        The fraction has 2**n_basic runs.

    Notes
    -----
    Starts from many random sets of generators (fixed random numbers, so the answer is always the same)
    and exchanges one at a time for the one with the best word lengths, shortest words first. For up to
    15 factors and 128 runs the word lengths equal those of the published catalogue; beyond that, minimum
    aberration is not proved.
    """
    n_added = n_factors - n_basic
    basics = tuple(1 << b for b in range(n_basic))
    if n_added <= 0:
        return Fraction(n_factors=n_factors, n_basic=n_factors, columns=basics[:n_factors], signs=(1,) * n_factors)
    scores = _score_table(n_factors)
    parities = _parities(n_basic)
    candidates = np.array([c for c in range(1, 2**n_basic) if c.bit_count() > 1])
    rng = np.random.default_rng(n_factors * 100 + n_basic)
    best: tuple[tuple[int, ...], tuple[int, ...]] | None = None
    for _ in range(_STARTS if n_added < len(candidates) else 1):
        chosen = _exchange(rng.choice(candidates, n_added, replace=False), basics, candidates, parities, scores)
        key = (_word_lengths(_row_weights((*basics, *chosen), n_basic), n_factors), tuple(sorted(chosen)))
        best = key if best is None or key < best else best
    assert best is not None
    order = sorted(best[1], key=lambda c: (c.bit_count(), [b for b in range(n_basic) if c >> b & 1]))
    return Fraction(n_factors=n_factors, n_basic=n_basic, columns=(*basics, *order), signs=(1,) * n_factors)


def _score_table(k: int) -> NDArray[np.float64]:
    """One number per run weight whose mean over the runs ranks word lengths 3 to 6, shortest first."""
    scale = (1e12, 1e8, 1e4, 1.0)
    rows = _krawtchouk(k)[3:7]
    return np.asarray((rows * np.array(scale[: len(rows)])[:, None]).sum(axis=0))


def _exchange(
    chosen: NDArray[np.int64],
    basics: tuple[int, ...],
    candidates: NDArray[np.int64],
    parities: NDArray[np.int64],
    scores: NDArray[np.float64],
) -> tuple[int, ...]:
    chosen = chosen.copy()
    weights = parities[:, [*basics, *chosen]].sum(axis=1)
    current = scores[weights].mean()
    stale = 0
    position = 0
    while stale < len(chosen):
        without = weights - parities[:, chosen[position]]
        trial = scores[without[:, None] + parities[:, candidates]].mean(axis=0)
        trial[np.isin(candidates, np.delete(chosen, position))] = np.inf
        at = int(np.argmin(trial))
        if trial[at] < current - 0.5:
            chosen[position], current, stale = candidates[at], trial[at], 0
            weights = without + parities[:, chosen[position]]
        else:
            stale += 1
        position = (position + 1) % len(chosen)
    return tuple(int(c) for c in chosen)


def fraction_by_resolution(n_factors: int, resolution: int) -> Fraction:
    """Return the smallest fraction of at least the wanted resolution."""
    if not 3 <= resolution <= n_factors + 1:
        possible = f"3 to {n_factors}" if n_factors > 3 else "3"
        raise PlanError(f"resolution {resolution} is not possible with {n_factors} factors; choose {possible}.")
    for n_basic in range(max(2, n_factors.bit_length()), min(n_factors, LARGEST) + 1):
        if 2**n_basic > n_factors:
            fraction = find_fraction(n_factors, n_basic)
            if fraction.resolution >= resolution:
                return fraction
    raise PlanError(f"resolution {resolution} with {n_factors} factors takes more than {2**LARGEST} runs. Lower it.")


def fraction_from_generators(names: Sequence[str], generators: str | Sequence[str]) -> Fraction:
    """Return the fraction that generators describe.

    Parameters
    ----------
    names : sequence of str
        Names of the factors; the letters A, B, C ... (without I) and the numbers 1, 2, 3 ... stand for
        them in their order.
    generators : str or sequence of str
        Such as ``"E=ABC; F=-BCD"``, ``"5=234"`` or ``"fan = speed*flow"``.
    """
    texts = re.split(r"[;,]", generators) if isinstance(generators, str) else list(generators)
    words: dict[int, tuple[int, list[int]]] = {}
    for text in (t for t in texts if t.strip()):
        left, equals, right = text.partition("=")
        factor = _factors_in(left, names, text)
        sign = -1 if right.strip().startswith("-") else 1
        members = _factors_in(right.strip().lstrip("+-"), names, text)
        if not equals or len(factor) != 1 or factor[0] in words or len(set(members)) != len(members) or not members:
            raise PlanError(
                f"generator {text.strip()!r} cannot be used. Write one per added factor, such as 'E=ABC; F=BCD'."
            )
        words[factor[0]] = (sign, members)
    basic = [i for i in range(len(names)) if i not in words]
    if not words or len(basic) < 2:
        raise PlanError(
            f"generators {generators!r} leave {len(basic)} basic factors; at least one generator and two are needed."
        )
    column = {factor: 1 << b for b, factor in enumerate(basic)}
    columns, signs = [], []
    for i in range(len(names)):
        sign, members = words.get(i, (1, [i]))
        if any(m not in column for m in members):
            raise PlanError(
                f"the generator of {names[i]!r} uses an added factor; use only {', '.join(names[b] for b in basic)}."
            )
        number = 0
        for m in members:
            number ^= column[m]
        columns.append(number)
        signs.append(sign)
    if len(set(columns)) != len(columns):
        raise PlanError(f"generators {generators!r} give two factors the same column. Choose different words.")
    return Fraction(n_factors=len(names), n_basic=len(basic), columns=tuple(columns), signs=tuple(signs))


def _factors_in(text: str, names: Sequence[str], generator: str) -> list[int]:
    index = {name: i for i, name in enumerate(names)}
    found = []
    for token in (t for t in re.split(r"[\s*:.]+", text.strip()) if t):
        if token in index:
            found.append(index[token])
            continue
        if token.isdigit() and int(token) > 9 and len(names) > 9 and "*" in text:
            symbols: Sequence[str] = [token]
        else:
            symbols = token
        for symbol in symbols:
            at = index.get(symbol, int(symbol) - 1 if symbol.isdigit() else LETTERS.find(symbol.upper()))
            if not 0 <= at < len(names):
                raise PlanError(
                    f"generator {generator.strip()!r} names the unknown factor {symbol!r}; letters A, B, C ... "
                    f"(without I) or numbers stand for {', '.join(names)}."
                )
            found.append(at)
    return found


def choose_block_columns(fraction: Fraction, n_blocks: int) -> tuple[int, ...]:
    """Return columns whose signs split the fraction into blocks.

    Chosen so that no main effect and as few two-factor (then three-factor) interactions as possible are
    mixed up with the differences between blocks.
    """
    n_block_columns = n_blocks.bit_length() - 1
    if n_blocks != 2**n_block_columns or not 2 <= n_blocks <= fraction.n_runs // 2:
        raise PlanError(f"{n_blocks} blocks cannot split {fraction.n_runs} two-level runs; choose 2, 4, 8 ... blocks.")
    cost = np.zeros(fraction.n_runs)
    for size, weight in ((1, 1e6), (2, 1e3), (3, 1.0)):
        for members in itertools.combinations(fraction.columns, size):
            number = 0
            for m in members:
                number ^= m
            cost[number] += weight
    tries = [_greedy_blocks(cost, first, n_block_columns) for first in range(1, fraction.n_runs)]
    total, _, chosen = min(tries)
    if total >= 1e6:
        raise PlanError(
            f"{n_blocks} blocks in {fraction.n_runs} runs mix up a main effect with the blocks. Use fewer blocks "
            "or more runs."
        )
    return chosen


def _greedy_blocks(cost: NDArray[np.float64], first: int, n_columns: int) -> tuple[float, int, tuple[int, ...]]:
    """Add to a first block column those of least cost; return cost, minus the factors in all words, columns."""
    numbers = np.arange(len(cost))
    chosen, span = [first], [0, first]
    while len(chosen) < n_columns:
        total = np.sum([cost[numbers ^ s] for s in span], axis=0)
        total[span] = np.inf
        digits = np.sum([np.bitwise_count(numbers ^ s) for s in span], axis=0)
        column = int(numbers[np.lexsort((-digits, total))[0]])
        chosen.append(column)
        span += [s ^ column for s in span]
    return float(cost[span[1:]].sum()), -sum(s.bit_count() for s in span), tuple(chosen)


def block_numbers(fraction: Fraction, block_columns: Sequence[int]) -> NDArray[np.int64]:
    """Return the block of each run, 1, 2, ..., shape (n_runs,)."""
    signs = _contrasts(fraction.n_basic)[:, list(block_columns)] > 0
    return np.asarray(signs @ (1 << np.arange(len(block_columns))) + 1)


def word_length_pattern(matrix: NDArray[np.float64]) -> tuple[int, ...]:
    """Return the number of words of each length, counted from the runs themselves.

    Parameters
    ----------
    matrix : ndarray of float, shape (n_runs, n_factors)
        -1 and +1.

    Returns
    -------
    tuple of int
        Element j - 1: how many products of j columns are constant.
    """
    k = matrix.shape[1]
    if k > 16:
        raise PlanError(f"words of {k} factors are too many to count one by one; 16 is the most.")
    counts = [0] * k
    products = np.ones((1, matrix.shape[0]), dtype=np.int8)
    sizes = np.zeros(1, dtype=int)
    for column in np.asarray(matrix, dtype=np.int8).T:
        products = np.vstack([products, products * column])
        sizes = np.concatenate([sizes, sizes + 1])
    constant = np.all(products == products[:, :1], axis=1)
    for size in sizes[constant]:
        if size:
            counts[size - 1] += 1
    return tuple(counts)
