"""SQLite, the embedded default: one file.

- WAL mode with synchronous FULL: what was committed survives a power cut.
- A transaction that writes says so at its begin (BEGIN IMMEDIATE), because one that starts by
  reading and then finds another writer cannot wait for it.
- Writing processes queue by a lock on a file beside the database. SQLite's own busy handler only
  waits and tries again: between two processes under load that let some writers wait for up to a
  second. It is left for strangers.
"""

import fcntl
import os
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from datetime import date
from typing import Any

from sqlalchemy import URL, Connection, Engine, event
from sqlalchemy.exc import DBAPIError

from flashworthy_server.errors import BusyError, NoSpaceError, ServerError

_LOG_PAGES = 4_000  # 16 MiB of what was written, before it is written back into the database


class Sqlite:
    """See `flashworthy_server.dialects.dialect.Dialect`."""

    history_key: tuple[str, ...] = ("machine_id", "number")
    splits_history = False

    def __init__(self, url: URL) -> None:
        self.engine_options: dict[str, Any] = {}
        self.reading_options: dict[str, Any] = {}
        self.asking_options: dict[str, Any] = {}
        self.writing_options: dict[str, Any] = {}
        self._file = url.database

    def prepare(self, engine: Engine, wait_seconds: int) -> None:
        @event.listens_for(engine, "connect")
        def set_up(connection: Any, record: Any) -> None:
            connection.isolation_level = None  # the driver begins no transaction by itself
            for pragma in (
                f"busy_timeout = {wait_seconds * 1000}",  # milliseconds; first, for the next line
                "journal_mode = WAL",
                "synchronous = FULL",
                f"wal_autocheckpoint = {_LOG_PAGES}",
                "foreign_keys = ON",
            ):
                connection.execute(f"PRAGMA {pragma}")

    def require_fit(self, connection: Connection) -> None:
        """Every SQLite database is."""

    @contextmanager
    def turn(self) -> Iterator[None]:
        with self._locked_beside("turn") as file:
            fcntl.flock(file, fcntl.LOCK_EX)
            yield

    def begin_reading(self, connection: Connection) -> None:
        connection.exec_driver_sql("BEGIN")

    def begin_writing(self, connection: Connection, beside_others: bool) -> None:
        connection.exec_driver_sql("BEGIN IMMEDIATE")

    def meaning(self, error: DBAPIError) -> ServerError | None:
        cause = str(error.orig)
        if "locked" in cause:
            return BusyError("the database is busy: try again later")
        if "is full" in cause:
            return NoSpaceError("the disk that holds the database is full")
        if "disk I/O error" in cause:
            return BusyError("the disk that holds the database fails: try again later")
        return None

    @contextmanager
    def alone(self, engine: Engine, task: str) -> Iterator[bool]:
        with self._locked_beside(task) as file:
            try:
                fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                is_alone = False
            else:
                is_alone = True
            yield is_alone

    @contextmanager
    def _locked_beside(self, name: str) -> Iterator[int]:
        """A file beside the database, to be locked; the lock ends with it, or with the process."""
        flags = os.O_RDWR | os.O_CREAT | os.O_CLOEXEC
        file = os.open(f"{self._file}-{name}", flags, 0o600)
        try:
            yield file
        finally:
            os.close(file)

    def keep_growing_only(self, connection: Connection, table: str, says: str) -> None:
        for change in ("update", "delete"):
            connection.exec_driver_sql(
                f"CREATE TRIGGER {table}_{change} BEFORE {change} ON {table}"
                f" BEGIN SELECT RAISE(ABORT, '{says}'); END"
            )

    @contextmanager
    def without_triggers(self, connection: Connection) -> Iterator[None]:
        found = connection.exec_driver_sql(
            "SELECT name, sql FROM sqlite_master WHERE type = 'trigger'"
        )
        triggers = found.all()
        for name, _ in triggers:
            connection.exec_driver_sql(f"DROP TRIGGER {name}")
        yield
        for _, made_by in triggers:
            connection.exec_driver_sql(made_by)

    def go_on_counting(self, connection: Connection) -> None:
        """It always does."""

    def split_history(self, connection: Connection) -> None:
        """It lies in one table."""

    def make_months(self, connection: Connection, months: Iterable[date]) -> None:
        """It lies in one table."""

    def drop_months(self, connection: Connection, before: date) -> None:
        """It lies in one table, from which rows are deleted."""
