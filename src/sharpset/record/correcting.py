"""Correct entries by new ones that point to them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from sqlalchemy import select

from sharpset.errors import RecordError
from sharpset.record.adding import Files, Table, insert_entry
from sharpset.record.base import RecordBase
from sharpset.record.entries import Entry
from sharpset.record.files import hash_files
from sharpset.record.lookup import find_key
from sharpset.record.making import Target, corrected_document
from sharpset.record.models import ReadingsRow
from sharpset.record.tables import check_readings, pack_table, table_digest

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["CorrectingRecord"]


class CorrectingRecord(RecordBase):
    """The part of a record that corrects."""

    def correct(
        self,
        what: Target,
        changes: Table | None = None,
        *,
        note: str,
        readings: pd.DataFrame | None = None,
        files: Files | None = None,
        keep_files: bool = True,
        by: str = "",
        kind: str | None = None,
    ) -> Entry:
        """Correct an entry by a new one that points to it; the old one stays.

        Parameters
        ----------
        what : str or Entry
            Code, UUID, name or entry. The newest entry of its chain is corrected.
        changes : mapping, optional
            Fields and references to change; also name, limits and evidence. None empties.
        note : str
            Why; a correction without a reason is refused.
        readings : DataFrame, optional
            The right table, for readings.
        files : mapping, optional
            Files that are added, or take the place of those with the same role.
        """
        if not note.strip():
            raise RecordError("correct: note is missing: why the entry is corrected. Add a note.")
        changes = dict(changes or {})
        hashed = hash_files(files or {}, keep=keep_files)
        table = None if readings is None else check_readings(readings)
        with self._writing() as connection:
            key = find_key(connection, what, kind=kind)
            packed = connection.execute(select(ReadingsRow.packed).where(ReadingsRow.id == key)).scalar_one_or_none()
            if table is not None:
                if packed is None:
                    raise RecordError(f"correct: {what!r} is no readings entry, so it cannot take a table of readings.")
                packed = pack_table(table)
            if packed is not None:
                n_rows = len(table) if table is not None else None
                own = {} if n_rows is None else {"n_rows": n_rows, "table_sha256": table_digest(packed)}
                changes = {n: v for n, v in changes.items() if n not in ("n_rows", "table_sha256")} | own
            document = corrected_document(connection, key, changes, files=hashed, by=by, note=note)
            return insert_entry(connection, document, hashed, packed)
