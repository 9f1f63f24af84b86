"""Look things up in the record."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from sqlalchemy import select

from sharpset.errors import RecordError
from sharpset.files import file_name, whole_file
from sharpset.record.base import RecordBase
from sharpset.record.chains import is_newest
from sharpset.record.entries import Entry
from sharpset.record.files import hash_file, stored_content
from sharpset.record.kinds import kind_named
from sharpset.record.listing import list_entries
from sharpset.record.lookup import find_key, to_entries
from sharpset.record.making import Target
from sharpset.record.models import EntryRow, ReadingsRow, ScanRow
from sharpset.record.searching import search_details
from sharpset.record.tables import unpack_table

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["AskingRecord"]


class AskingRecord(RecordBase):
    """The part of a record that answers."""

    def show(self, what: Target, *, kind: str | None = None, follow: bool = True) -> Entry:
        """Return one entry; corrections are followed to the newest unless `follow` is False."""
        with self._reading() as connection:
            return to_entries(connection, [find_key(connection, what, kind=kind, follow=follow)])[0]

    def scan_of_file(self, path: Path | str) -> Entry | None:
        """Return the newest scan that is this very picture, wherever it lay and whatever it was called then."""
        file_sha256, _ = hash_file(path)
        query = (
            select(EntryRow.id)
            .join(ScanRow, ScanRow.id == EntryRow.id)
            .where(ScanRow.file_sha256 == file_sha256, is_newest())
            .order_by(EntryRow.created_utc.desc())
        )
        with self._reading() as connection:
            found = connection.execute(query.limit(1)).scalar_one_or_none()
            return None if found is None else to_entries(connection, [found])[0]

    def readings(self, what: Target, *, follow: bool = True) -> pd.DataFrame:
        """Return the table of a readings entry."""
        with self._reading() as connection:
            key = find_key(connection, what, kind="readings", follow=follow)
            packed = connection.execute(select(ReadingsRow.packed).where(ReadingsRow.id == key)).scalar_one_or_none()
        if packed is None:
            raise RecordError(
                f"{self.where}: the table of {what!r} is missing, the record is damaged. Restore a backup."
            )
        return unpack_table(packed)

    def write_files(self, what: Target, folder: Path | str) -> tuple[Path, ...]:
        """Write the files that the record keeps for an entry into a folder.

        Nothing that lies there is overwritten: a file of the same name and another content is refused.
        """
        folder = Path(folder)
        entry = self.show(what)
        kept = [file for file in entry.files if file.kept]
        if not kept:
            raise RecordError(f"{entry.summary()}: the record keeps no file of it. See where they lay with 'show'.")
        written = []
        with self._reading() as connection:
            for file in kept:
                content = stored_content(connection, file.file_sha256)
                target = folder / file_name(Path(file.path.replace("\\", "/")).name)
                if target.exists() and target.read_bytes() != content:
                    raise RecordError(f"{target}: another file of this name lies there. Give an empty folder.")
                folder.mkdir(parents=True, exist_ok=True)
                with whole_file(target) as place:
                    place.write_bytes(content or b"")
                written.append(target)
        return tuple(written)

    def search(
        self,
        what: str = "recipe",
        *,
        kind: str | None = None,
        limit_mm: float | None = None,
        printer: Target | None = None,
        material: Target | None = None,
        status: str | None = None,
        most: int = 50,
    ) -> pd.DataFrame:
        """Search recipes, fits or prints by what they form; the finest first.

        Parameters
        ----------
        what : {'recipe', 'fit', 'print'}
            A recipe or a fit is found by its proven limits, a print by the smallest size from which on
            all features of a scan of it formed (what one scan showed, not a limit).
        kind : str, optional
            Kind of detail: bar, slot, hole ...
        limit_mm : float, optional
            It must form details this small, in mm.
        printer, material : str or Entry, optional
            Name, code or entry; corrected entries are found too.
        status : str, optional
            trial, good or retired, for recipes.
        most : int
            Largest number of rows.

        Returns
        -------
        DataFrame
            code, name, kind, limit_mm, basis, printer, material, status, when.
        """
        with self._reading() as connection:
            keys = {
                name: find_key(connection, target, kind=name)
                for name, target in (("printer", printer), ("material", material))
                if target is not None
            }
            return search_details(connection, what, kind=kind, limit_mm=limit_mm, refs=keys, status=status, most=most)

    def list(
        self,
        kind: str | None = None,
        *,
        text: str = "",
        corrected: bool = False,
        most: int = 100,
        **refs: Target,
    ) -> pd.DataFrame:
        """Return a table of entries, the newest first.

        Parameters
        ----------
        kind : str, optional
            printer, material, print ...; all kinds without it.
        text : str
            Keep entries whose name or note holds this.
        corrected : bool
            Whether entries that were corrected later are shown too.
        most : int
            Largest number of rows.
        **refs : str or Entry
            Keep entries that point to these: ``printer="Heron"``, ``material=...``.
        """
        with self._reading() as connection:
            targets = kind_named(kind).refs if kind else {}
            keys = {name: find_key(connection, what, kind=targets.get(name)) for name, what in refs.items()}
            return list_entries(connection, kind, refs=keys, text=text, corrected=corrected, most=most)
