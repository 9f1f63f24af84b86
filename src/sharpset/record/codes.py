"""Names of entries: UUIDs, short codes to type from a card, and times.

A code has six characters. The first five are taken from the entry's UUID, the sixth is a check
character. The alphabet has 31 characters (no 0, O, I, L or U), and 31 is a prime: with the weights
1 to 6 the sum modulo 31 finds every single wrong character and every two characters that changed
places, by the argument that also holds for the ten-digit book number (ISO 2108:1992, modulus 11).
"""

from __future__ import annotations

import hashlib
import json
import re
import uuid
from datetime import UTC, datetime, timedelta
from typing import Any

from sharpset.errors import RecordError

__all__ = [
    "ALPHABET",
    "check_time",
    "code_of",
    "digest",
    "is_code",
    "later_than",
    "looks_like_code",
    "new_uuid",
    "now_utc",
    "parse_code",
    "to_json",
]

ALPHABET = "123456789ABCDEFGHJKMNPQRSTVWXYZ"
_VALUE = {character: value for value, character in enumerate(ALPHABET)}
_MODULUS = len(ALPHABET)
_PAYLOAD = 5
_ALIKE = str.maketrans({"I": "1", "L": "1", "U": "V"})
_TIME = "%Y-%m-%dT%H:%M:%S.%fZ"
_FULL_TIME = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{6}Z")


def _check_character(payload: str) -> str:
    total = sum(weight * _VALUE[c] for weight, c in enumerate(payload, start=1))
    # 6 * check = -total (mod 31); the inverse of 6 modulo 31 is 26, as 6 * 26 = 156 = 5 * 31 + 1
    return ALPHABET[(-total * 26) % _MODULUS]


def code_of(entry_uuid: str) -> str:
    """Return the six-character code of an entry's UUID."""
    number = int(uuid.UUID(entry_uuid).hex[:12], 16) % _MODULUS**_PAYLOAD
    payload = ""
    for _ in range(_PAYLOAD):
        number, digit = divmod(number, _MODULUS)
        payload = ALPHABET[digit] + payload
    return payload + _check_character(payload)


def _tidy(text: str) -> str:
    return text.strip(" \t\r\n,.;:()[]").upper().replace("-", "").replace(" ", "").translate(_ALIKE)


def looks_like_code(text: str) -> bool:
    """Tell whether a text is written like a code, whatever its check character."""
    tidy = _tidy(text)
    return len(tidy) == _PAYLOAD + 1 and all(c in _VALUE for c in tidy) and any(c.isdigit() for c in tidy)


def is_code(text: str) -> bool:
    """Tell whether a text is a code with a right check character."""
    tidy = _tidy(text)
    if len(tidy) != _PAYLOAD + 1 or any(c not in _VALUE for c in tidy):
        return False
    return _check_character(tidy[:-1]) == tidy[-1]


def parse_code(text: str) -> str:
    """Return a typed code in its proper form.

    Small letters, spaces and hyphens are accepted; I and L are read as 1, U as V.

    Parameters
    ----------
    text : str

    Returns
    -------
    str
        Six characters.

    Raises
    ------
    RecordError
        If the text is not a code or its check character is wrong.
    """
    tidy = _tidy(text)
    wrong = [c for c in tidy if c not in _VALUE]
    if len(tidy) != _PAYLOAD + 1 or wrong:
        raise RecordError(f"code {text!r}: a code has 6 characters out of {ALPHABET}. Read it again from the card.")
    if not is_code(tidy):
        raise RecordError(f"code {text!r}: its check character does not fit, so a character is wrong. Read it again.")
    return tidy


def new_uuid() -> str:
    """Return a new random UUID as text."""
    return str(uuid.uuid4())


def now_utc() -> str:
    """Return the present time, UTC, as ISO 8601 text of fixed width (so that text sorts by time)."""
    return datetime.now(UTC).strftime(_TIME)


def later_than(time_utc: str) -> str:
    """Return the present time, or one microsecond after `time_utc` where a clock runs behind."""
    after = (datetime.strptime(time_utc, _TIME) + timedelta(microseconds=1)).strftime(_TIME)
    return max(now_utc(), after)


def check_time(text: str, *, what: str) -> str:
    """Return a date or a time in the record's form, UTC ISO text.

    Parameters
    ----------
    text : str
        ISO 8601. A date alone means its midnight UTC; a time without an offset is taken as UTC.
    what : str
        What the time is of, for the error message.
    """
    if _FULL_TIME.fullmatch(text):
        return text
    try:
        moment = datetime.fromisoformat(text)
    except ValueError as error:
        raise RecordError(f"{what}: {text!r} is not a date. Write 2026-03-31 or 2026-03-31T14:05:00Z.") from error
    moment = moment.replace(tzinfo=UTC) if moment.tzinfo is None else moment.astimezone(UTC)
    return moment.strftime(_TIME)


def to_json(value: Any) -> str:
    """Return the one JSON text of a value: sorted keys, no spaces, no NaN."""
    return json.dumps(value, sort_keys=True, ensure_ascii=False, separators=(",", ":"), allow_nan=False)


def digest(value: Any) -> str:
    """Return the SHA-256 of a value's JSON text, in hexadecimal."""
    return hashlib.sha256(to_json(value).encode("utf-8")).hexdigest()
