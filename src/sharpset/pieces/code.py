"""The run code: 24 round cells through the piece, open for 1, solid for 0.

Sixteen bits say which run the piece belongs to, eight bits are a cyclic redundancy check that
finds every fault of up to three cells and mends one.
"""

from __future__ import annotations

import re
import zlib
from collections.abc import Sequence
from dataclasses import dataclass

from sharpset.errors import PieceError

__all__ = ["CODE_BITS", "RunCode", "code_number", "decode_bits", "encode_run_id", "run_id_of_number"]

CODE_BITS = 24
_N_NUMBERS = 1 << 16
# Generator x^8+x^5+x^3+x^2+x+1: Hamming distance 4 up to 119 bits (Koopman & Chakravarty, DSN 2004, table 3,
# polynomial 0x97 in their notation = 0x12F with the leading term).
_GENERATOR = 0x12F
_CHECK_START = 0xA5
_NUMBERED = re.compile(r"R0*(\d{1,4})")
_FIRST_HASHED = 10_000


@dataclass(frozen=True, kw_only=True, slots=True)
class RunCode:
    """Where the cells of the run code lie and what they say.

    Attributes
    ----------
    run_id : str
    bits : tuple of int
        24 bits, most significant first; the last eight are the check.
    cells_mm : tuple of (x_mm, y_mm)
        Centre of each cell in the piece frame, in the order of the bits.
    cell_diameter_mm : float
    """

    run_id: str
    bits: tuple[int, ...]
    cells_mm: tuple[tuple[float, float], ...]
    cell_diameter_mm: float

    def open_cells_mm(self) -> list[tuple[float, float]]:
        """Return the centres of the cells that are holes."""
        return [cell for cell, bit in zip(self.cells_mm, self.bits, strict=True) if bit]


def code_number(run_id: str) -> int:
    """Return the 16-bit number of a run: R07 gives 7, any other name a number from its hash."""
    numbered = _NUMBERED.fullmatch(run_id)
    if numbered:
        return int(numbered[1])
    return _FIRST_HASHED + zlib.crc32(run_id.encode("utf-8")) % (_N_NUMBERS - _FIRST_HASHED)


def run_id_of_number(number: int, *, known: Sequence[str] = ()) -> str:
    """Return the run that a code number stands for.

    Parameters
    ----------
    number : int
        0 to 65535.
    known : sequence of str
        Run ids that may be meant (the piece's own, those of a plan); the first one with this
        number is returned as it is spelled there.

    Returns
    -------
    str
        The run id, or ``code-NNNNN`` for a hashed name that is not among `known`.
    """
    for run_id in known:
        if code_number(run_id) == number:
            return run_id
    return f"R{number:02d}" if number < _FIRST_HASHED else f"code-{number}"


def _remainder(value: int, n_bits: int) -> int:
    for shift in range(n_bits - 9, -1, -1):
        if value >> (shift + 8) & 1:
            value ^= _GENERATOR << shift
    return value


def _check(payload: int) -> int:
    return _remainder(payload << 8, CODE_BITS) ^ _CHECK_START


def encode_run_id(run_id: str) -> tuple[int, ...]:
    """Return the 24 bits of a run id.

    Raises
    ------
    PieceError
        If the run id is empty or longer than 60 characters.
    """
    if not 0 < len(run_id.strip()) <= 60:
        raise PieceError(f"run id {run_id!r}: 1 to 60 characters are needed, for example R07")
    payload = code_number(run_id)
    word = payload << 8 | _check(payload)
    return tuple(word >> (CODE_BITS - 1 - k) & 1 for k in range(CODE_BITS))


def decode_bits(bits: Sequence[int], *, doubtful: Sequence[int] = ()) -> int | None:
    """Return the 16-bit number of 24 cells, or None where the check fails.

    Parameters
    ----------
    bits : sequence of int, length 24
    doubtful : sequence of int
        Indices of cells that could be read either way. A single wrong bit is mended only where it
        lies on one of these, so that a clean reading of the wrong picture is never turned into a
        run.

    Returns
    -------
    int or None
    """
    if len(bits) != CODE_BITS:
        raise PieceError(f"a run code has {CODE_BITS} cells, got {len(bits)}")
    for flip in (None, *doubtful):
        trial = list(bits)
        if flip is not None:
            trial[flip] ^= 1
        word = int("".join(str(int(bit)) for bit in trial), 2)
        payload = word >> 8
        if _check(payload) == word & 0xFF:
            return payload
    return None
