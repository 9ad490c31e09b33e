"""The audit trail: rows that are added and read, and never changed."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, Connection, Row, insert, select

from flashworthy_server.tables import audit, clean_text


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One change, as it was written; `before` and `after` are canonical JSON."""

    number: int  # from 1, without a gap
    at: datetime
    who: str
    address: str | None
    action: str
    subject: str
    before: str
    after: str
    digest: str  # over all of it and the digest of the entry before


@dataclass(frozen=True, slots=True, kw_only=True)
class Filters:
    """Which entries are meant; absent: all."""

    who: str | None = None
    action: str | None = None
    subject: str | None = None


def clean(text: str) -> str:
    """Text as the database will give it back."""
    return clean_text(text)


def last(connection: Connection) -> tuple[int, str] | None:
    """Number and digest of the newest entry."""
    newest = select(audit.c.number, audit.c.digest).order_by(audit.c.number.desc()).limit(1)
    row = connection.execute(newest).one_or_none()
    return None if row is None else (row.number, row.digest)


def add(connection: Connection, entries: Iterable[Entry]) -> None:
    rows = [{name: getattr(entry, name) for name in _COLUMNS} for entry in entries]
    if rows:
        connection.execute(insert(audit), rows)


def load_after(connection: Connection, filters: Filters, after: int, count: int) -> list[Entry]:
    """At most `count` entries with a number above `after`, oldest first."""
    wanted = select(audit).where(audit.c.number > after, *_conditions(filters))
    rows = connection.execute(wanted.order_by(audit.c.number).limit(count))
    return [_entry(row) for row in rows]


def load_before(
    connection: Connection, filters: Filters, before: int | None, count: int
) -> list[Entry]:
    """At most `count` entries with a number below `before`, newest first."""
    wanted = select(audit).where(*_conditions(filters))
    if before is not None:
        wanted = wanted.where(audit.c.number < before)
    rows = connection.execute(wanted.order_by(audit.c.number.desc()).limit(count))
    return [_entry(row) for row in rows]


_COLUMNS = tuple(audit.c.keys())


def _conditions(filters: Filters) -> list[ColumnElement[bool]]:
    equal = {
        audit.c.who: filters.who,
        audit.c.action: filters.action,
        audit.c.subject: filters.subject,
    }
    return [column == value for column, value in equal.items() if value is not None]


def _entry(row: Row[Any]) -> Entry:
    return Entry(**{name: getattr(row, name) for name in _COLUMNS})
