"""The database: how it is opened, read and written; differences between databases stand here.

- SQLite runs in WAL mode with synchronous FULL: what was committed survives a power cut.
- A transaction that writes says so at its begin (BEGIN IMMEDIATE), because one that starts by
  reading and then finds another writer cannot wait for it.
- Threads of one process queue for the write lock here; only other processes are waited for in
  SQLite's own busy handler, which is unfair under load.
"""

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, RootTransaction, create_engine, event, make_url
from sqlalchemy.dialects.sqlite import insert as upsert
from sqlalchemy.exc import ArgumentError, NoSuchModuleError, OperationalError

from flashworthy_server.errors import BusyError, ConfigurationError

__all__ = ["Connection", "Database", "upsert"]

_WRITES = "flashworthy_writes"


class Database:
    """One open database.

    `url` is a SQLAlchemy URL, `wait_seconds` how long a writer waits for another process.
    """

    def __init__(self, url: str, wait_seconds: int) -> None:
        self.engine = _engine(url, wait_seconds)
        self.writer = threading.Lock()

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """A transaction that sees one state throughout and writes nothing."""
        with self.engine.connect() as connection, connection.begin():
            yield connection

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """A transaction that may write; on disk once the block is left without an exception."""
        with self.writer, self.engine.connect() as plain:
            connection = plain.execution_options(**{_WRITES: True})
            with _begin(connection):
                yield connection

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


def _begin(connection: Connection) -> RootTransaction:
    try:
        return connection.begin()
    except OperationalError as error:
        if "locked" not in str(error.orig):
            raise
        raise BusyError("the database is busy: try again later") from error


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
        writes = connection.get_execution_options().get(_WRITES)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")
