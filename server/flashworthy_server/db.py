"""The database: how it is opened, read and written, whichever it is (`dialects`).

Writers of all threads queue for their turn here, by a lock in the process, before each database
lets one in after the other in its own way.
"""

import json
import threading
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, create_engine, make_url
from sqlalchemy.exc import ArgumentError, DBAPIError, NoSuchModuleError
from sqlalchemy.exc import TimeoutError as NoConnectionError

from flashworthy_server.dialects import Dialect, dialect_of, unusable, upsert
from flashworthy_server.errors import BusyError
from flashworthy_server.tables import clean_text

__all__ = ["Connection", "Database", "upsert"]

_BUSY = "the database is busy: try again later"


class Database:
    """One open database.

    `url` is a SQLAlchemy URL, `wait_seconds` how long a writer waits for its turn.
    """

    def __init__(self, url: str, wait_seconds: int) -> None:
        self.engine, self.dialect = _open(url)
        self.dialect.prepare(self.engine, wait_seconds)
        self._wait_seconds = wait_seconds
        self._writer = threading.Lock()
        self._reads = self.engine.execution_options(**self.dialect.reading_options)
        self._asks = self.engine.execution_options(**self.dialect.asking_options)
        self._writes = self.engine.execution_options(**self.dialect.writing_options)

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """A transaction that sees one state throughout and writes nothing."""
        with self._told(), self._reads.connect() as connection, connection.begin():
            self.dialect.begin_reading(connection)
            yield connection

    @contextmanager
    def asking(self) -> Iterator[Connection]:
        """For one query: no transaction is begun for it, which would cost as much as the query."""
        with self._told(), self._asks.connect() as connection:
            yield connection

    @contextmanager
    def writing(self, *, beside_others: bool = False) -> Iterator[Connection]:
        """A transaction that may write; on disk once the block is left without an exception.

        Args:
            beside_others: other processes may be in such a transaction too, where the database can
                do that: it locks the rows that it changes, and is run again without this where it
                fails. No other transaction writes meanwhile.

        Raises:
            BusyError: another writer holds the database for too long, or it does not answer.
            NoSpaceError: the disk is full.
        """
        with (
            self._taking_turns(),
            self._told(),
            self._writes.connect() as connection,
            self.dialect.turn(),
            connection.begin(),
        ):
            self.dialect.begin_writing(connection, beside_others)
            yield connection

    @property
    def is_writing(self) -> bool:
        """Whether a thread of this process writes."""
        return self._writer.locked()

    def alone(self, task: str) -> AbstractContextManager[bool]:
        """Do what only one process may do at a time, on whichever machine; false: another does."""
        return self.dialect.alone(self.engine, task)

    @property
    def name(self) -> str:
        """Its URL without a password, for messages."""
        return self.engine.url.render_as_string(hide_password=True)

    @property
    def file(self) -> Path | None:
        """The file of a SQLite database, there or not; none where there can be none."""
        url = self.engine.url
        if url.get_backend_name() != "sqlite" or not url.database or url.database == ":memory:":
            return None
        return Path(url.database)

    @property
    def missing_file(self) -> Path | None:
        """The file of a SQLite database that is not there yet; none otherwise."""
        return None if self.file is None or self.file.exists() else self.file

    def close(self) -> None:
        self.engine.dispose()

    @contextmanager
    def _taking_turns(self) -> Iterator[None]:
        if not self._writer.acquire(timeout=self._wait_seconds):
            raise BusyError(_BUSY)
        try:
            yield
        finally:
            self._writer.release()

    @contextmanager
    def _told(self) -> Iterator[None]:
        """What the database cannot do now, and may do later, as what it means for whoever asked."""
        try:
            yield
        except NoConnectionError as error:
            raise BusyError(_BUSY) from error
        except DBAPIError as error:
            meaning = self.dialect.meaning(error)
            if meaning is None:
                raise
            raise meaning from error


def _as_json(value: Any) -> str:
    """With letters as they are, so that a text is found in it."""
    return clean_text(json.dumps(value, ensure_ascii=False))


def _open(url: str) -> tuple[Engine, Dialect]:
    try:
        parsed = make_url(url)
        dialect = dialect_of(parsed)
        options = {"json_serializer": _as_json, **dialect.engine_options}
        return create_engine(parsed, **options), dialect
    except (ArgumentError, NoSuchModuleError, ImportError) as error:
        raise unusable(url) from error
