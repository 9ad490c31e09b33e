"""Databases for tests: one is made by the migrations, and copied for each test."""

import shutil
from pathlib import Path
from typing import Any

from sqlalchemy import event

from flashworthy_server import schema
from flashworthy_server.db import Database
from support.postgres import Cluster


class SqliteDatabases:
    def __init__(self, folder: Path) -> None:
        self._empty = folder / "empty.db"
        self._file = folder / "site" / "flashworthy.db"
        self._file.parent.mkdir()
        self.url = f"sqlite:///{self._file}"
        _migrate(f"sqlite:///{self._empty}")

    def renew(self) -> str:
        """Its URL, now that it has no rows."""
        for left in self._file.parent.iterdir():
            left.unlink()
        shutil.copy(self._empty, self._file)
        return self.url

    def open(self) -> Database:
        database = Database(self.url, wait_seconds=30)
        event.listen(database.engine, "connect", _write_without_waiting)
        return database


class PostgresDatabases:
    def __init__(self, cluster: Cluster) -> None:
        self._cluster = cluster
        self.url = cluster.url("site")
        _migrate(cluster.make_database("empty"))

    def renew(self) -> str:
        """Its URL, now that it has no rows."""
        return self._cluster.make_database("site", template="empty")

    def open(self) -> Database:
        return Database(self.url, wait_seconds=30)


def _migrate(url: str) -> None:
    database = Database(url, wait_seconds=5)
    schema.migrate(database)
    if database.file:
        with database.engine.connect() as connection:
            connection.exec_driver_sql("PRAGMA wal_checkpoint(TRUNCATE)")
    database.close()


def _write_without_waiting(connection: Any, record: Any) -> None:
    """No test pulls the plug: what is written need not be on the disk yet."""
    connection.execute("PRAGMA synchronous = OFF")
