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

    def __repr__(self) -> str:
        return f"<Record {self.where}>"

    def close(self) -> None:
        """Let go of the database."""
        self._engine.dispose()

    @contextmanager
    def _reading(self) -> Iterator[Connection]:
        with faults_explained(self._url), self._engine.connect() as connection, connection.begin():
            yield connection

    @contextmanager
    def _writing(self) -> Iterator[Connection]:
        with (
            faults_explained(self._url),
            self._engine.connect().execution_options(writing=True) as connection,
            connection.begin(),
        ):
            yield connection
