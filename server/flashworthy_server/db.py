"""The database: how it is opened, read and written; differences between databases stand here.

- SQLite runs in WAL mode with synchronous FULL: what was committed survives a power cut.
- A transaction that writes says so at its begin (BEGIN IMMEDIATE), because one that starts by
  reading and then finds another writer cannot wait for it.
- Writers of all threads and processes queue for their turn here, by a lock in the process and one
  on a file beside the database. SQLite's own busy handler only waits and tries again: between two
  processes under load that let some writers wait for up to a second. It is left for strangers.
"""

import fcntl
import os
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, create_engine, event, make_url
from sqlalchemy.dialects.sqlite import insert as upsert
from sqlalchemy.exc import ArgumentError, NoSuchModuleError, OperationalError

from flashworthy_server.errors import BusyError, ConfigurationError, NoSpaceError

__all__ = ["Connection", "Database", "upsert"]

_WRITES = "flashworthy_writes"
_ASKS = "flashworthy_asks"
_BUSY = "the database is busy: try again later"


class Database:
    """One open database.

    `url` is a SQLAlchemy URL, `wait_seconds` how long a writer waits for another process.
    """

    def __init__(self, url: str, wait_seconds: int) -> None:
        self.engine = _engine(url, wait_seconds)
        self._turns = _Turns(self.file, wait_seconds)

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """A transaction that sees one state throughout and writes nothing."""
        with self.engine.connect() as connection, connection.begin():
            yield connection

    @contextmanager
    def asking(self) -> Iterator[Connection]:
        """For one query: no transaction is begun for it, which would cost as much as the query."""
        with self.engine.connect() as plain:
            yield plain.execution_options(**{_ASKS: True})

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """A transaction that may write; on disk once the block is left without an exception.

        Raises:
            BusyError: another writer holds the database for too long, or the disk fails.
            NoSpaceError: the disk is full.
        """
        with self._turns.taken(), self.engine.connect() as plain:
            connection = plain.execution_options(**{_WRITES: True})
            with _told_in_words(), connection.begin():
                yield connection

    @property
    def is_writing(self) -> bool:
        """Whether a thread of this process writes."""
        return self._turns.are_taken

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

    def require_answer(self) -> None:
        """Fail unless the database answers."""
        with self.reading() as connection:
            connection.exec_driver_sql("SELECT 1")

    def close(self) -> None:
        self.engine.dispose()
        self._turns.close()


class _Turns:
    """One writer at a time among the threads of this process and, on SQLite, all processes."""

    def __init__(self, database: Path | None, wait_seconds: int) -> None:
        self._path = database and database.with_name(f"{database.name}-turn")
        self._wait_seconds = wait_seconds
        self._here = threading.Lock()
        self._file: int | None = None

    @property
    def are_taken(self) -> bool:
        return self._here.locked()

    @contextmanager
    def taken(self) -> Iterator[None]:
        if not self._here.acquire(timeout=self._wait_seconds):
            raise BusyError(_BUSY)
        try:
            with self._taken_from_others():
                yield
        finally:
            self._here.release()

    @contextmanager
    def _taken_from_others(self) -> Iterator[None]:
        if self._path is None:
            yield
            return
        if self._file is None:
            self._file = os.open(self._path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        fcntl.flock(self._file, fcntl.LOCK_EX)  # ends with the process, however that ends
        try:
            yield
        finally:
            fcntl.flock(self._file, fcntl.LOCK_UN)

    def close(self) -> None:
        if self._file is not None:
            os.close(self._file)
            self._file = None


@contextmanager
def _told_in_words() -> Iterator[None]:
    """What SQLite cannot do now and may do later, as what it means for whoever asked."""
    try:
        yield
    except OperationalError as error:
        cause = str(error.orig)
        if "locked" in cause:
            raise BusyError(_BUSY) from error
        if "is full" in cause:
            raise NoSpaceError("the disk that holds the database is full") from error
        if "disk I/O error" in cause:
            raise BusyError("the disk that holds the database fails: try again later") from error
        raise


def _engine(url: str, wait_seconds: int) -> Engine:
    try:
        parsed = make_url(url)
        engine = create_engine(parsed)
    except (ArgumentError, NoSuchModuleError, ImportError) as error:
        raise ConfigurationError(
            f"expected a database URL such as sqlite:///flashworthy.db, got {url!r}"
        ) from error
    if parsed.get_backend_name() == "sqlite":
        _prepare_sqlite(engine, wait_seconds)
    return engine


def _prepare_sqlite(engine: Engine, wait_seconds: int) -> None:
    @event.listens_for(engine, "connect")
    def set_up(connection: Any, record: Any) -> None:
        connection.isolation_level = None  # the driver begins no transaction by itself
        for pragma in (
            f"busy_timeout = {wait_seconds * 1000}",  # milliseconds; first, for the next line
            "journal_mode = WAL",
            "synchronous = FULL",
            "foreign_keys = ON",
        ):
            connection.execute(f"PRAGMA {pragma}")

    @event.listens_for(engine, "begin")
    def begin(connection: Connection) -> None:
        options = connection.get_execution_options()
        if not options.get(_ASKS):
            connection.exec_driver_sql("BEGIN IMMEDIATE" if options.get(_WRITES) else "BEGIN")
