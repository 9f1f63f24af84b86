"""The run code: round trip, distance between code words, mending."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sharpset.errors import PieceError
from sharpset.pieces import CODE_BITS, decode_bits, encode_run_id
from sharpset.pieces.code import _check, code_number, run_id_of_number


def every_word() -> np.ndarray:
    """Return all 65,536 code words as numbers."""
    return np.array([payload << 8 | _check(payload) for payload in range(2**16)], dtype=np.uint32)


def bits_of(word: int) -> list[int]:
    return [int(character) for character in f"{word:024b}"]


@given(st.integers(0, 9999))
def test_numbered_runs_come_back(number):
    run_id = f"R{number:02d}"
    assert decode_bits(encode_run_id(run_id)) == number
    assert run_id_of_number(number) == run_id


@given(st.text(min_size=1, max_size=60).filter(lambda text: text.strip()))
def test_any_name_comes_back_where_it_is_known(run_id):
    number = decode_bits(encode_run_id(run_id))
    assert number == code_number(run_id)
    assert code_number(run_id_of_number(number, known=[run_id])) == number
    if number >= 10_000:
        assert run_id_of_number(number, known=[run_id]) == run_id
        assert run_id_of_number(number) == f"code-{number}"


def test_two_words_differ_in_four_cells_at_least():
    # The check value is an affine function of the payload over GF(2), so the distance between any two
    # words equals the weight of some word's difference from word 0; all of them are counted.
    words = every_word()
    difference = words ^ words[0]
    weight = np.array([bin(value).count("1") for value in difference[1:]])
    assert weight.min() == 4
    # The affine property itself, on pairs drawn at random.
    draw = np.random.default_rng(4)
    for a, b in draw.integers(0, 2**16, (500, 2)):
        assert words[a] ^ words[b] == words[a ^ b] ^ words[0]


def test_up_to_three_wrong_cells_are_always_found():
    draw = np.random.default_rng(11)
    for payload in draw.integers(0, 2**16, 40):
        word = bits_of(int(every_word_of(int(payload))))
        for n_wrong in (1, 2, 3):
            for _ in range(30):
                wrong = list(word)
                for cell in draw.choice(CODE_BITS, n_wrong, replace=False):
                    wrong[cell] ^= 1
                assert decode_bits(wrong) is None


def every_word_of(payload: int) -> int:
    return payload << 8 | _check(payload)


def test_one_doubtful_cell_is_mended_and_no_other():
    word = list(encode_run_id("R37"))
    for cell in range(CODE_BITS):
        wrong = list(word)
        wrong[cell] ^= 1
        assert decode_bits(wrong, doubtful=[cell]) == 37
        assert decode_bits(wrong, doubtful=[(cell + 1) % CODE_BITS]) is None


def test_all_open_and_all_solid_are_no_code_words():
    # A plate without cells, or one hole where they should be, must not be taken for a run.
    assert decode_bits([0] * CODE_BITS) is None
    assert decode_bits([1] * CODE_BITS) is None


def test_wrong_number_of_cells_is_refused():
    with pytest.raises(PieceError, match="24 cells, got 23"):
        decode_bits([0] * 23)
