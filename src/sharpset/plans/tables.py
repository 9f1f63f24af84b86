"""Reading tables that people wrote: runs planned elsewhere, results typed in by hand.

Comma, semicolon or tab between cells, decimal points or (with semicolons or tabs) decimal commas, lines that
start with # left out, UTF-8, UTF-16 with its mark, or Windows-1252. Row numbers in messages are those of the file.
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
from sharpset.files import decoded_text

__all__ = ["BLANK", "TextTable", "plain_name", "read_table"]

BLANK = ("", "na", "nan", "n/a", "-", "--", "none", "null", "*", ".", "?", "missing")


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
        alike = [c for c in self.columns if plain_name(c) == plain_name(name)]
        return alike[0] if len(alike) == 1 else None

    def texts(self, column: str) -> list[str]:
        """Return the cells of a column."""
        at = self.columns.index(column)
        return [row[at] for row in self.cells]

    def where(self, row: int, column: str) -> str:
        """Return file, row and column for a message."""
        return f"{self.path}: row {self.lines[row]}, column {column!r}"

    def measured(self, column: str) -> list[float] | None:
        """Return a column as numbers with NaN where there is no result, None if any cell holds something else."""
        values = [math.nan if t.lower() in BLANK else self.number(t) for t in self.texts(column)]
        if any(v is None for v in values):
            return None
        return [v for v in values if v is not None]

    def words_only(self, column: str) -> bool:
        """Return whether a column holds words and not one number."""
        cells = [t for t in self.texts(column) if t.lower() not in BLANK]
        return bool(cells) and all(self.number(t) is None and not re.match(r"[-+]?[.,]?\d", t) for t in cells)

    def numbers(self, column: str, *, what: str, blank: bool = False) -> list[float]:
        """Return a column as numbers; a blank cell is NaN where that is allowed, else an error."""
        values = []
        for i, text in enumerate(self.texts(column)):
            value = math.nan if blank and text.lower() in BLANK else self.number(text)
            if value is None or (not blank and not math.isfinite(value)) or math.isinf(value):
                empty = "" if not blank else " Leave the cell empty where there is no result."
                if re.fullmatch(r"\d+:[0-5]\d(:[0-5]\d)?", text):
                    empty = " Write a time as one number: 1:30 h is 1.5."
                raise PlanError(f"{self.where(i, column)}: {what} must be a number, got {text!r}.{empty}")
            values.append(value)
        return values

    def number(self, text: str) -> float | None:
        """Return a cell as a number, None if it is none."""
        text = text.replace("\u2212", "-")
        if self.decimal_comma and re.fullmatch(r"[-+]?\d*,\d+(e[-+]?\d+)?", text, re.IGNORECASE):
            text = text.replace(",", ".")
        if text.endswith("%"):
            text = text[:-1]
        if "_" in text:
            return None
        try:
            return float(text)
        except ValueError:
            return None


def plain_name(name: str) -> str:
    """Return a column's name without case, spaces, hyphens, underscores and what stands in brackets."""
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
    mark, rows = _rows(path, _text(path, what), what)
    lines = [line for line, _ in rows]
    cells = _without_empty_ends([row for _, row in rows])
    header = cells[0]
    _check_header(path, header)
    kept = [(n, row) for n, row in zip(lines[1:], cells[1:], strict=True) if any(row)]
    for line, row in kept:
        if len(row) != len(header):
            count = f"{len(row)} cell" + ("s" if len(row) != 1 else "")
            raise PlanError(f"{path}: row {line} has {count}, the header has {len(header)}. Mend the row.")
    if not kept:
        raise PlanError(f"{path}: {what} has a header but no rows.")
    return TextTable(
        path=path,
        columns=header,
        cells=tuple(r for _, r in kept),
        lines=tuple(n for n, _ in kept),
        decimal_comma=mark != ",",
    )


def _text(path: Path, what: str) -> str:
    """Return the text of a file in one of the encodings in which spreadsheets save."""
    try:
        data = path.read_bytes()
    except OSError as error:
        raise PlanError(f"{path}: {what} cannot be read ({error.strerror}). Give the path of a CSV file.") from error
    try:
        text = decoded_text(data)
    except ValueError:
        text = ""
    if data and (not text or re.search(r"[\x00-\x08\x0e-\x1f\ufffd]", text)):
        raise PlanError(f"{path}: {what} is not a text file. Save the table as CSV (UTF-8).")
    return text


def _rows(path: Path, text: str, what: str) -> tuple[str, list[tuple[int, list[str]]]]:
    """Return the separator, and each row with the line on which it begins; comments and blank lines left out."""
    lines = [
        "\n" if not line.strip() or line.lstrip().startswith("#") else line
        for line in io.StringIO(text, newline=None).readlines()
    ]
    first = next((line for line in lines if line.strip()), None)
    if first is None:
        raise PlanError(f"{path}: {what} is empty. Save the table as CSV with a header row.")
    mark = _separator(first)
    reader = csv.reader(lines, delimiter=mark, skipinitialspace=True)
    rows, start = [], 1
    try:
        for row in reader:
            if row:
                rows.append((start, row))
            start = reader.line_num + 1
    except csv.Error as error:
        raise PlanError(f"{path}: {what} is not a CSV table ({error}). Save it as CSV with a header row.") from error
    return mark, rows


def _without_empty_ends(rows: list[list[str]]) -> list[tuple[str, ...]]:
    """Take off the columns without name and cells that spreadsheets leave at the right."""
    stripped = [tuple(c.strip() for c in row) for row in rows]
    width = len(stripped[0])
    while width and not any(any(row[width - 1 :]) for row in stripped):
        width -= 1
    return [row if any(row[width:]) else row[:width] for row in stripped]


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
