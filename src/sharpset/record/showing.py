"""Entries and tables as text for the terminal."""

from __future__ import annotations

import textwrap
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sharpset.errors import RecordError
from sharpset.record.entries import Entry
from sharpset.record.wording import in_words

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["as_text", "entry_text", "write_table"]

_WIDEST = 44


def _shown(value: Any) -> str:
    if value is None or (isinstance(value, float) and value != value):
        return ""
    text = in_words(value)
    if len(text) == 27 and text.endswith("Z") and text[10:11] == "T":
        return text[:16].replace("T", " ") if text[11:19] != "00:00:00" else text[:10]
    text = " ".join(text.split())
    return text if len(text) <= _WIDEST else text[: _WIDEST - 3] + "..."


def as_text(table: pd.DataFrame, *, nothing: str) -> str:
    """Return a table as text: columns that hold nothing are left out, long texts are cut."""
    if table.empty:
        return nothing
    columns = {str(name): [_shown(value) for value in table[name].tolist()] for name in table.columns}
    columns = {name: texts for name, texts in columns.items() if any(texts)}
    widths = {name: max(len(name), *(len(text) for text in texts)) for name, texts in columns.items()}
    lines = ["  ".join(name.ljust(widths[name]) for name in columns).rstrip()]
    for row in range(len(table)):
        lines.append("  ".join(texts[row].ljust(widths[name]) for name, texts in columns.items()).rstrip())
    return "\n".join(lines)


def entry_text(entry: Entry) -> str:
    """Return an entry as text, a line for each thing it says."""
    rows = entry.rows()
    width = min(max(len(name) for name, _ in rows), 34)
    lines = [entry.summary()]
    for name, text in rows:
        first = f"  {name.ljust(width)}  "
        for part in text.splitlines() or [""]:
            lines += textwrap.wrap(
                part, width=110, initial_indent=first, subsequent_indent=" " * (width + 4), break_on_hyphens=False
            ) or [first.rstrip()]
            first = " " * (width + 4)
    return "\n".join(lines)


def write_table(table: pd.DataFrame, path: Path) -> Path:
    """Write a table of readings to a new CSV file; return its path."""
    try:
        with path.open("x", encoding="utf-8", newline="") as file:
            table.to_csv(file, index=False, lineterminator="\n")
    except FileExistsError as error:
        raise RecordError(f"{path}: there is a file of this name already. Give a new name.") from error
    except OSError as error:
        raise RecordError(f"{path}: cannot be written ({error.strerror}). Check the folder.") from error
    return path
