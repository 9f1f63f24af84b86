"""What the record gives back: entries, complete and unchangeable."""

from __future__ import annotations

import html
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from sharpset.record.files import FileRef
from sharpset.record.wording import in_words

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["DetailLimit", "Entry", "Ref"]


@dataclass(frozen=True, kw_only=True, slots=True)
class DetailLimit:
    """The smallest size of one kind of detail that was proven to form.

    Attributes
    ----------
    kind : str
    limit_mm : float
        The limit with its confidence, mm (a90/95 unless `basis` says otherwise).
    a90_mm : float
        The best estimate of the size that forms 90 % of the time, mm; NaN where unknown.
    basis : str
        What the limit rests on, in words.
    n_features, n_prints : int or None
        How many features and print jobs it rests on.
    shown_utc : str
        When it was shown.
    """

    kind: str
    limit_mm: float
    a90_mm: float = float("nan")
    basis: str = ""
    n_features: int | None = None
    n_prints: int | None = None
    shown_utc: str = ""

    def summary(self) -> str:
        """Return the limit in one line."""
        counts = [f"{n} {word}" for n, word in ((self.n_features, "features"), (self.n_prints, "prints")) if n]
        parts = [self.basis, " in ".join(counts), self.shown_utc[:10]]
        rest = ", ".join(part for part in parts if part)
        return f"{self.kind} {self.limit_mm:.3g} mm" + (f" ({rest})" if rest else "")


@dataclass(frozen=True, kw_only=True, slots=True)
class Ref:
    """An entry that another one points to."""

    code: str
    uuid: str
    kind: str
    name: str
    created_utc: str = ""
    note: str = ""

    def summary(self) -> str:
        """Return the entry in a few words."""
        return f"{self.kind} {self.code}" + (f" {self.name}" if self.name else "")


@dataclass(frozen=True, kw_only=True, slots=True)
class Entry:
    """One entry of the record.

    Attributes
    ----------
    code : str
        Six characters that find the entry again.
    uuid : str
    kind : str
        printer, material, print ...
    name : str
    created_utc : str
        When the entry was made, UTC ISO text.
    by, note : str
        Who made it, and why.
    fields : mapping of str to object
        What it says; fields that are unknown are not there.
    refs : mapping of str to Ref
        The entries it points to.
    limits : tuple of DetailLimit
        What it was proven to form.
    evidence : tuple of Ref
        The entries on which it rests.
    files : tuple of FileRef
        The files that belong to it.
    corrects : Ref or None
        The entry that this one corrects.
    history : tuple of Ref
        The chain of corrections from the first entry to the newest, this one included.
    newest : bool
        Whether no later entry corrects it.
    """

    code: str
    uuid: str
    kind: str
    name: str
    created_utc: str
    by: str
    note: str
    fields: Mapping[str, Any]
    refs: Mapping[str, Ref]
    limits: tuple[DetailLimit, ...]
    evidence: tuple[Ref, ...]
    files: tuple[FileRef, ...]
    corrects: Ref | None
    history: tuple[Ref, ...]
    newest: bool

    def summary(self) -> str:
        """Return the entry in one line."""
        parts = [f"{self.kind} {self.code}" + (f" {self.name!r}" if self.name else ""), self.created_utc[:10]]
        if "status" in self.fields:
            parts.append(str(self.fields["status"]))
        parts += [f"{name} {ref.name or ref.code}" for name, ref in self.refs.items()]
        if not self.newest:
            parts.append("corrected later")
        return ", ".join(parts)

    def rows(self) -> list[tuple[str, str]]:
        """Return what the entry says as pairs of a name and a text."""
        rows = [("code", self.code), ("kind", self.kind), ("name", self.name), ("uuid", self.uuid)]
        rows += [("entered", self.created_utc), ("by", self.by), ("note", self.note)]
        rows += [(name, ref.summary()) for name, ref in self.refs.items()]
        for name, value in self.fields.items():
            if isinstance(value, Mapping):
                rows += [(f"{name}.{key}", in_words(part)) for key, part in value.items()]
            else:
                rows.append((name, in_words(value)))
        rows += [(f"forms.{limit.kind}", limit.summary()) for limit in self.limits]
        rows += [(f"file.{file.role}", file.summary()) for file in self.files]
        rows.append(("evidence", "; ".join(ref.summary() for ref in self.evidence)))
        if len(self.history) > 1:
            rows.append(("history", "; ".join(f"{r.code} {r.created_utc[:10]} {r.note}".strip() for r in self.history)))
        return [(name, text) for name, text in rows if text]

    def to_frame(self) -> pd.DataFrame:
        """Return what the entry says as a table with the columns name and value."""
        import pandas as pd

        return pd.DataFrame(self.rows(), columns=["name", "value"])

    def _repr_html_(self) -> str:
        cells = "".join(f"<tr><th>{html.escape(n)}</th><td>{html.escape(v)}</td></tr>" for n, v in self.rows())
        return f"<table><caption>{html.escape(self.summary())}</caption>{cells}</table>"
