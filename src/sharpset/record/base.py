"""The connection of a record: reading and writing, one transaction each."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from sqlalchemy import URL, Connection, Engine

from sharpset.record.engine import describe, faults_explained

__all__ = ["RecordBase"]


class RecordBase:
    """What all parts of a record share."""

    def __init__(self, url: URL, engine: Engine, notice: str) -> None:
        self._url = url
        self._engine = engine
        self.where = describe(url)
        self.notice = notice
        self._together: Connection | None = None

    def __repr__(self) -> str:
        return f"<Record {self.where}>"

    def close(self) -> None:
        """Let go of the database."""
        self._engine.dispose()

    @contextmanager
    def together(self) -> Iterator[None]:
        """Make one transaction of all calls inside the ``with`` statement: all of them count, or none."""
        if self._together is not None:
            yield
            return
        with self._writing() as connection:
            self._together = connection
            try:
                yield
            finally:
                self._together = None

    @contextmanager
    def _reading(self) -> Iterator[Connection]:
        if self._together is not None:
            yield self._together
            return
        with faults_explained(self._url), self._engine.connect() as connection, connection.begin():
            yield connection

    @contextmanager
    def _writing(self) -> Iterator[Connection]:
        if self._together is not None:
            yield self._together
            return
        with (
            faults_explained(self._url),
            self._engine.connect().execution_options(writing=True) as connection,
            connection.begin(),
        ):
            yield connection
