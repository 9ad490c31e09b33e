"""All rows of a database, into another one, whichever each is."""

import hashlib
import json
from collections.abc import Generator, Iterable, Iterator
from datetime import date, datetime
from typing import Any

from sqlalchemy import Connection, Table, func, insert, select

from flashworthy_server.db import upsert
from flashworthy_server.tables import metadata, reports, settings

TABLES: tuple[Table, ...] = tuple(metadata.sorted_tables)  # what others refer to comes first
_AT_ONCE = 1000  # rows
_NOTHING = {"audited": 0, "reports": 0}
_MARK = "moved"  # in `settings`: how far the new database had come when it was made


def count_rows(connection: Connection, table: Table) -> int:
    return int(connection.scalar(select(func.count()).select_from(table)) or 0)


def rows_of(connection: Connection, table: Table) -> Generator[list[dict[str, Any]]]:
    """All rows in the order of their primary key, some at a time; not the mark of a move."""
    wanted = select(table).order_by(*table.primary_key)
    if table is settings:
        wanted = wanted.where(settings.c.name != _MARK)
    with connection.execute(wanted.execution_options(yield_per=_AT_ONCE)) as found:
        for part in found.mappings().partitions():
            yield [dict(row) for row in part]


def add_rows(connection: Connection, table: Table, rows: list[dict[str, Any]]) -> None:
    connection.execute(insert(table), rows)


class Digest:
    """SHA-256 over rows, the same for the same values whichever database they lie in."""

    def __init__(self) -> None:
        self.rows = 0
        self._hash = hashlib.sha256()

    def add(self, rows: Iterable[dict[str, Any]]) -> None:
        for row in rows:
            text = json.dumps(list(row.values()), default=_plain, separators=(",", ":"))
            self._hash.update(f"{text}\n".encode())
            self.rows += 1

    def __str__(self) -> str:
        return self._hash.hexdigest()


def digest_of(connection: Connection, table: Table) -> Iterator[Digest]:
    """The digest of a table as it grows; the last one is the table's."""
    digest = Digest()
    yield digest
    for rows in rows_of(connection, table):
        digest.add(rows)
        yield digest


def leave_mark(connection: Connection, now: datetime) -> None:
    """Note how far a database has come that holds what was moved, and nothing else."""
    value = _progress(connection)
    made = upsert(settings).values(name=_MARK, value=value, set_at=now)
    changed = {"value": value, "set_at": now}
    connection.execute(made.on_conflict_do_update(index_elements=["name"], set_=changed))


def is_unused(connection: Connection) -> bool:
    """Whether nothing was changed or reported since the tables were made, or filled by a move."""
    mark = connection.scalar(select(settings.c.value).where(settings.c.name == _MARK))
    return (mark or _NOTHING) == _progress(connection)


def _progress(connection: Connection) -> dict[str, int]:
    """What grows with everything that happens: people's changes are audited, reports are kept."""
    audit = metadata.tables["audit"]
    last = connection.scalar(select(func.max(audit.c.number)))
    return {"audited": last or 0, "reports": count_rows(connection, reports)}


def _plain(value: Any) -> str:
    if isinstance(value, datetime | date):
        return value.isoformat()
    return str(value.hex())
