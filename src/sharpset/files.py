"""Files that people and other programs share with us: texts of any usual encoding, tables, names, whole writing."""

from __future__ import annotations

import csv
import io
import os
import re
import secrets
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["decoded_text", "file_name", "read_table", "read_text", "unfit_name", "whole_file"]

_RESERVED = {"con", "prn", "aux", "nul", *(f"{port}{n}" for port in ("com", "lpt") for n in range(1, 10))}
_DECIMAL_COMMA = re.compile(r"[+-]?\d+,\d+(e[+-]?\d+)?", re.IGNORECASE)


def decoded_text(data: bytes) -> str:
    """Return a text saved as UTF-8 or UTF-16 with or without its mark, or in the encoding of Western Windows.

    Raises
    ------
    ValueError
        If the bytes are no text.
    """
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        text = data.decode("utf-16")
    else:
        try:
            text = data.decode("utf-8-sig")
        except UnicodeDecodeError:
            text = data.decode("cp1252", errors="replace")
    if "\x00" in text:
        raise ValueError("it holds bytes that are no text")
    return text


def read_text(path: Path) -> str:
    """Return the text of a file; see `decoded_text`.

    Raises
    ------
    OSError, ValueError
    """
    return decoded_text(path.read_bytes())


def read_table(path: Path, *, texts: Iterable[str] = ()) -> pd.DataFrame:
    """Read a table that a person or a spreadsheet wrote: commas, semicolons or tabs, decimal points or commas.

    Parameters
    ----------
    path : Path
        Lines that begin with ``#`` are left out.
    texts : iterable of str
        Columns whose cells are names, however much they look like numbers.

    Returns
    -------
    DataFrame
        Names of columns without blanks around them.

    Raises
    ------
    OSError
    ValueError
        If it is no table: nothing in it, a column named twice, more cells in a row than columns.
    """
    import pandas as pd

    text = read_text(path)
    first = next((line for line in text.splitlines() if line.strip() and not line.lstrip().startswith("#")), "")
    if not first:
        raise ValueError("nothing stands in it")
    separator = max(",;\t", key=first.count)
    rows = [
        row
        for row in csv.reader(io.StringIO(text, newline=""), delimiter=separator, skipinitialspace=True)
        if any(cell.strip() for cell in row) and not row[0].lstrip().startswith("#")
    ]
    names = [name.strip() for name in rows[0]]
    named = [name for name in names if name]
    twice = [name for name in named if named.count(name) > 1]
    if twice:
        raise ValueError(f"the column {twice[0]} stands there twice; keep one")
    for number, row in enumerate(rows[1:], start=2):
        if len(row) > len(names) and any(cell.strip() for cell in row[len(names) :]):
            raise ValueError(f"row {number} has {len(row)} cells, the header {len(names)}")
    cells = [cell.strip() for row in rows[1:] for cell in row]
    decimal = "," if separator != "," and any(_DECIMAL_COMMA.fullmatch(cell) for cell in cells) else "."
    plain = io.StringIO()
    writer = csv.writer(plain, lineterminator="\n")
    writer.writerow(names)
    writer.writerows([cell.strip() for cell in row[: len(names)]] for row in rows[1:])
    plain.seek(0)
    return pd.read_csv(plain, dtype=dict.fromkeys(texts, str), decimal=decimal, index_col=False)


def unfit_name(text: str) -> str:
    """Return why a text cannot name a file or folder on every system; empty where it can."""
    if text in ("", ".", ".."):
        return "is no name"
    found = sorted({c for c in text if c in '/\\:*?"<>|' or ord(c) < 32})
    if found:
        return f"holds {found[0]!r}"
    if text[-1] in ". ":
        return "ends with a dot or a blank, which Windows takes away"
    if text.partition(".")[0].rstrip().casefold() in _RESERVED:
        return "is a name that Windows keeps for a device"
    return "is longer than 200 bytes" if len(text.encode("utf-8")) > 200 else ""


def file_name(text: str) -> str:
    """Return a text as a name that every system can store; fit names stay as they are.

    Two texts that differ in what cannot be stored may give one name.
    """
    name = re.sub(r'[/\\:*?"<>|\x00-\x1f]+', "-", text).strip(" .")
    name = name.encode("utf-8")[:120].decode("utf-8", errors="ignore").rstrip(" .")
    return name if not unfit_name(name) else f"_{name}"


@contextmanager
def whole_file(path: Path) -> Iterator[Path]:
    """Give a place beside a file to write to; it takes the file's place when all is written, else nothing changes.

    An interrupted or failed writer so leaves the old file as it was, and never half of a new one.

    Parameters
    ----------
    path : Path
        Its folder must exist. A device or pipe is written to directly.

    Yields
    ------
    Path
        With the same ending as `path`.

    Raises
    ------
    OSError
    """
    target = Path(os.path.realpath(path))
    if target.exists() and not target.is_file() and not target.is_dir():
        yield target
        return
    beside = target.with_name(f".{os.getpid()}-{secrets.token_hex(4)}{target.suffix}")
    try:
        yield beside
        beside.replace(target)
    finally:
        beside.unlink(missing_ok=True)
