"""Add tables of readings to the record, an entry for each scan."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from sqlalchemy import Connection, select

from sharpset.errors import RecordError
from sharpset.record.adding import insert_entry
from sharpset.record.base import RecordBase
from sharpset.record.chains import is_newest
from sharpset.record.entries import Entry
from sharpset.record.lookup import to_entries
from sharpset.record.making import Target, new_document
from sharpset.record.models import EntryRow, ReadingsRow
from sharpset.record.tables import check_readings, pack_table, table_digest

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["AddingReadings"]

_OF_ONE_PIECE = re.compile(r"-piece\d+(?=-[0-9a-f]+$)")
"""What ids of readings say besides their scan's where several pieces of one scan have the same run."""


class AddingReadings(RecordBase):
    """The part of a record that takes tables of readings."""

    def add_readings(
        self,
        readings: pd.DataFrame,
        *,
        scan: Target | None = None,
        print: Target | None = None,
        piece: Target | None = None,
        again: bool = True,
        by: str = "",
        note: str = "",
    ) -> tuple[Entry, ...]:
        """Add a table of readings, one entry for each scan_id in it, all or none.

        Parameters
        ----------
        readings : DataFrame
            A table of readings, lengths in mm.
        scan, print, piece : str or Entry, optional
            What was read. Without a `scan` the scan of the record whose name is the table's
            scan_id is taken, where there is exactly one; that of the whole scan for one of its pieces.
        again : bool
            Whether a scan's table that the record holds already, number for number, is entered again; else the
            entry that holds it is returned for it.
        """
        table = check_readings(readings)
        n_scans = len(set(table["scan_id"]))
        if scan is not None and n_scans > 1:
            raise RecordError(
                f"readings: the table holds {n_scans} scans but one scan entry was named. "
                "Leave it out, or give the table of one scan."
            )
        with self._writing() as connection:
            entries = []
            for scan_id, part in table.groupby("scan_id", sort=False):
                packed = pack_table(part.reset_index(drop=True))
                known = None if again else _readings_named(connection, str(scan_id), table_digest(packed))
                if known is not None:
                    entries += to_entries(connection, [known])
                    continue
                document = new_document(
                    connection,
                    "readings",
                    str(scan_id),
                    fields={"n_rows": len(part), "table_sha256": table_digest(packed)},
                    refs={"scan": scan or _scan_named(connection, str(scan_id)), "print": print, "piece": piece},
                    by=by,
                    note=note,
                )
                entries.append(insert_entry(connection, document, packed=packed))
            return tuple(entries)


def _scan_named(connection: Connection, scan_id: str) -> str | None:
    if not scan_id:
        return None
    query = select(EntryRow.uuid).where(EntryRow.kind == "scan", EntryRow.name == scan_id, is_newest())
    found = connection.execute(query.limit(2)).scalars().all()
    whole = _OF_ONE_PIECE.sub("", scan_id)
    if not found and whole != scan_id:
        return _scan_named(connection, whole)
    return found[0] if len(found) == 1 else None


def _readings_named(connection: Connection, scan_id: str, sha256: str) -> int | None:
    """Return the row number of the newest entry that holds this very table of this scan."""
    query = (
        select(EntryRow.id)
        .join(ReadingsRow, ReadingsRow.id == EntryRow.id)
        .where(EntryRow.kind == "readings", EntryRow.name == scan_id, ReadingsRow.table_sha256 == sha256, is_newest())
    )
    return connection.execute(query.order_by(EntryRow.created_utc.desc()).limit(1)).scalar_one_or_none()
