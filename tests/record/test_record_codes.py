"""Codes of entries: what a slip of the hand must not get past, and times."""

from __future__ import annotations

import itertools
import uuid

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sharpset.errors import RecordError
from sharpset.record import codes

UUIDS = st.uuids(version=4).map(str)


def test_code_sum_is_divisible_by_the_prime() -> None:
    # by hand: number 0 gives the digits 00000, whose weighted sum is 0, so the check digit is 0 ("1")
    assert codes.code_of(str(uuid.UUID(int=0))) == "111111"
    # number 1 gives the digits 0 0 0 0 1: find c with 5 * 1 + 6 * c = 0 (mod 31) by counting
    check = next(c for c in range(31) if (5 + 6 * c) % 31 == 0)
    assert codes.code_of("00000000-0001-0000-0000-000000000000") == "11112" + codes.ALPHABET[check]


@settings(deadline=None)
@given(UUIDS)
def test_every_single_wrong_character_is_found(entry_uuid: str) -> None:
    code = codes.code_of(entry_uuid)
    assert codes.is_code(code)
    for place, other in itertools.product(range(6), codes.ALPHABET):
        if other != code[place]:
            assert not codes.is_code(code[:place] + other + code[place + 1 :])


@settings(deadline=None)
@given(UUIDS)
def test_every_exchange_of_two_characters_is_found(entry_uuid: str) -> None:
    code = codes.code_of(entry_uuid)
    for i, j in itertools.combinations(range(6), 2):
        if code[i] != code[j]:
            swapped = list(code)
            swapped[i], swapped[j] = swapped[j], swapped[i]
            assert not codes.is_code("".join(swapped))


@settings(deadline=None)
@given(UUIDS)
def test_typed_code_is_read_with_small_letters_hyphens_and_alike_characters(entry_uuid: str) -> None:
    code = codes.code_of(entry_uuid)
    typed = f" {code[:3].lower()}-{code[3:]} ".replace("1", "l").replace("V", "u")
    assert codes.parse_code(typed) == code


@pytest.mark.parametrize("typed", ["", "ABC", "ABCDE0", "ABCDEFG", "äöüßéè"])
def test_text_that_is_no_code_is_refused_with_what_was_typed(typed: str) -> None:
    with pytest.raises(RecordError, match="a code has 6 characters") as caught:
        codes.parse_code(typed)
    assert repr(typed) in str(caught.value)


def test_wrong_check_character_is_named() -> None:
    with pytest.raises(RecordError, match="check character"):
        codes.parse_code("111112")


@pytest.mark.parametrize(
    ("given_text", "expected"),
    [
        ("2026-03-31", "2026-03-31T00:00:00.000000Z"),
        ("2026-03-31T14:05:00Z", "2026-03-31T14:05:00.000000Z"),
        ("2026-03-31T14:05:00+02:00", "2026-03-31T12:05:00.000000Z"),
        ("2026-01-01 00:30:00+01:00", "2025-12-31T23:30:00.000000Z"),
    ],
)
def test_times_become_utc_text(given_text: str, expected: str) -> None:
    assert codes.check_time(given_text, what="when") == expected


def test_wrong_date_is_refused() -> None:
    with pytest.raises(RecordError, match=r"31\.02\.2026"):
        codes.check_time("31.02.2026", what="printed_utc")


def test_later_than_a_clock_that_runs_ahead() -> None:
    assert codes.later_than("2999-12-31T23:59:59.999998Z") == "2999-12-31T23:59:59.999999Z"
    assert codes.later_than("2000-01-01T00:00:00.000000Z") > "2026-01-01"
