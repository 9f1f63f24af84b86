"""The record: open it."""

from __future__ import annotations

from pathlib import Path

from sharpset.record.adding import AddingRecord
from sharpset.record.adding_readings import AddingReadings
from sharpset.record.asking import AskingRecord
from sharpset.record.checking import CheckReport, check_record
from sharpset.record.correcting import CorrectingRecord
from sharpset.record.engine import faults_explained, locate_record, make_engine
from sharpset.record.exchange import ExportReport, export_folder
from sharpset.record.merging import ImportReport, import_folder
from sharpset.record.safety import backup_record
from sharpset.record.schema import HEAD, prepare

__all__ = ["Record", "open_record"]


class Record(AddingRecord, AddingReadings, CorrectingRecord, AskingRecord):
    """The database of printers, heads, materials, lots, prints, scans, readings, fits and recipes.

    Made by `open_record`; use it in a ``with`` statement. Every call that adds something is one
    transaction: it is in the record when the call returns, or not at all.

    Attributes
    ----------
    where : str
        Where the record lies.
    notice : str
        What was done on opening (an older record brought up to date), else empty.
    """

    def __enter__(self) -> Record:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def export(self, folder: Path | str) -> ExportReport:
        """Export the whole record to a new folder of CSV, JSON and hashes."""
        with self._reading() as connection:
            return export_folder(connection, Path(folder), tables=HEAD)

    def import_(self, folder: Path | str) -> ImportReport:
        """Import an export; what is here already stays once, all of the rest comes in or nothing."""
        with self._writing() as connection:
            return import_folder(connection, Path(folder))

    def backup(self, path: Path | str) -> int:
        """Copy the record, in use or not, into a new SQLite file; return its size in bytes."""
        with faults_explained(self._url):
            return backup_record(self._engine, Path(path))

    def check(self, *, files: bool = True, index: bool = True) -> CheckReport:
        """Check the file, the references and every hash; look at the files where they lie.

        Parameters
        ----------
        files : bool
            Whether scans and other files are hashed where they lie; paths that are not absolute are
            taken from the current folder.
        index : bool
            Whether the search index is compared with a new one.
        """
        with self._writing() as connection:
            return check_record(connection, self.where, base=Path(), files=files, index=index)


def open_record(url_or_path: str | Path | None = None, *, create: bool = True) -> Record:
    """Open the record, make it where there is none, bring an older one up to date.

    Parameters
    ----------
    url_or_path : str or Path, optional
        A file's path or a URL ``postgresql://user@host/name``; without it the environment variable
        SHARPSET_RECORD, and without that ``sharpset-record.sqlite`` in the current folder.
    create : bool
        Whether a new record may be made.

    Returns
    -------
    Record
        For use in a ``with`` statement.

    Raises
    ------
    RecordError
        If there is none and `create` is False, if it is damaged, or written by a newer sharpset.
    """
    url = locate_record(url_or_path)
    engine = make_engine(url)
    try:
        with faults_explained(url):
            notice = prepare(engine, create=create)
    except BaseException:
        engine.dispose()
        raise
    return Record(url, engine, notice)
