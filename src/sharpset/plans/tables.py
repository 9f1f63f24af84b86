"""Reading tables that people wrote: runs planned elsewhere, results typed in by hand.

Comma, semicolon or tab between cells, decimal points or (with semicolons or tabs) decimal commas, lines that
start with # left out, a byte order mark tolerated. Row numbers in messages are those of the file.
"""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from sharpset.errors import PlanError

__all__ = ["TextTable", "read_table"]

_BLANK = ("", "na", "nan", "n/a", "-", "--", "none", "null")


@dataclass(frozen=True, kw_only=True, slots=True)
class TextTable:
    """A table as texts.

    Attributes
    ----------
    path : Path
    columns : tuple of str
    cells : tuple of tuple of str
        One tuple per row.
    lines : tuple of int
        Line of the file on which each row stands.
    decimal_comma : bool
        Whether ``0,06`` may stand for 0.06.
    """

    path: Path
    columns: tuple[str, ...]
    cells: tuple[tuple[str, ...], ...]
    lines: tuple[int, ...]
    decimal_comma: bool

    def find(self, name: str) -> str | None:
        """Return the column that is called so; case, spaces, hyphens and units in brackets do not matter."""
        if name in self.columns:
            return name
        alike = [c for c in self.columns if _plain(c) == _plain(name)]
        return alike[0] if len(alike) == 1 else None

    def texts(self, column: str) -> list[str]:
        """Return the cells of a column."""
        at = self.columns.index(column)
        return [row[at] for row in self.cells]

    def where(self, row: int, column: str) -> str:
        """Return file, row and column for a message."""
        return f"{self.path}: row {self.lines[row]}, column {column!r}"

    def numbers(self, column: str, *, what: str, blank: bool = False) -> list[float]:
        """Return a column as numbers; a blank cell is NaN where that is allowed, else an error."""
        values = []
        for i, text in enumerate(self.texts(column)):
            value = math.nan if blank and text.lower() in _BLANK else self.number(text)
            if value is None or (not blank and not math.isfinite(value)) or math.isinf(value):
                empty = "" if not blank else " Leave the cell empty where there is no result."
                raise PlanError(f"{self.where(i, column)}: {what} must be a number, got {text!r}.{empty}")
            values.append(value)
        return values

    def number(self, text: str) -> float | None:
        """Return a cell as a number, None if it is none."""
        text = text.replace("\u2212", "-")
        if self.decimal_comma and re.fullmatch(r"[-+]?\d*,\d+(e[-+]?\d+)?", text, re.IGNORECASE):
            text = text.replace(",", ".")
        if "_" in text:
            return None
        try:
            return float(text)
        except ValueError:
            return None


def _plain(name: str) -> str:
    return re.sub(r"[\s_\-]+", "", re.sub(r"[\(\[].*?[\)\]]", "", name)).casefold()


def read_table(path: Path | str, *, what: str) -> TextTable:
    """Read a table.

    Parameters
    ----------
    path : path of a text file
    what : str
        What it is, for messages: "the runs file".
    """
    path = Path(path)
    try:
        text = path.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise PlanError(f"{path}: {what} cannot be read ({error.strerror}). Give the path of a CSV file.") from error
    except UnicodeDecodeError as error:
        raise PlanError(f"{path}: {what} is not a text file. Save it as CSV (UTF-8).") from error
    numbered = [
        (i, line)
        for i, line in enumerate(text.splitlines(), start=1)
        if line.strip() and not line.lstrip().startswith("#")
    ]
    if "\0" in text or not numbered:
        raise PlanError(
            f"{path}: {what} {'is not a text file' if numbered else 'is empty'}. Save the table as CSV with a "
            f"header row."
        )
    mark = _separator(numbered[0][1])
    try:
        rows = [next(csv.reader(io.StringIO(line), delimiter=mark, skipinitialspace=True)) for _, line in numbered]
    except csv.Error as error:
        raise PlanError(f"{path}: {what} is not a CSV table ({error}). Save it as CSV with a header row.") from error
    header = tuple(c.strip() for c in rows[0])
    _check_header(path, header)
    kept = [
        (n, tuple(c.strip() for c in row))
        for (n, _), row in zip(numbered[1:], rows[1:], strict=True)
        if any(c.strip() for c in row)
    ]
    for line, row in kept:
        if len(row) != len(header):
            raise PlanError(f"{path}: row {line} has {len(row)} cells, the header has {len(header)}. Mend the row.")
    if not kept:
        raise PlanError(f"{path}: {what} has a header but no rows.")
    return TextTable(
        path=path,
        columns=header,
        cells=tuple(r for _, r in kept),
        lines=tuple(n for n, _ in kept),
        decimal_comma=mark != ",",
    )


def _separator(header: str) -> str:
    return max(",;\t", key=header.count)


def _check_header(path: Path, header: Sequence[str]) -> None:
    seen: set[str] = set()
    for i, name in enumerate(header, start=1):
        if not name:
            raise PlanError(f"{path}: column {i} has no name in the header row. Name it or take it out.")
        if name in seen:
            raise PlanError(f"{path}: column {name!r} stands in the header twice. Rename one of them.")
        seen.add(name)
