"""Who is signed in; of each session's secret only the digest is here."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, delete, exists, insert, select, update

from flashworthy_server.tables import sessions


@dataclass(frozen=True, slots=True, kw_only=True)
class Session:
    id: int
    digest: str
    account_id: int
    created_at: datetime
    used_at: datetime
    proven_at: datetime
    address: str | None
    browser: str  # as it names itself


def add_session(connection: Connection, **values: Any) -> int:
    made = connection.execute(insert(sessions).values(values).returning(sessions.c.id))
    return int(made.scalar_one())


def session_with_digest(connection: Connection, digest: str) -> Session | None:
    row = connection.execute(select(sessions).where(sessions.c.digest == digest)).one_or_none()
    return None if row is None else Session(**row._mapping)


def change_session(connection: Connection, session_id: int, **values: Any) -> None:
    connection.execute(update(sessions).where(sessions.c.id == session_id).values(values))


def date_back(connection: Connection, digest: str, created_at: datetime) -> None:
    """Let a session have begun when the one before it did."""
    connection.execute(
        update(sessions).where(sessions.c.digest == digest).values(created_at=created_at)
    )


def sessions_of(connection: Connection, account_id: int) -> list[Session]:
    """The newest first."""
    rows = connection.execute(
        select(sessions).where(sessions.c.account_id == account_id).order_by(sessions.c.id.desc())
    )
    return [Session(**row._mapping) for row in rows]


def has_session_from(connection: Connection, account_id: int, address: str) -> bool:
    wanted = (sessions.c.account_id == account_id, sessions.c.address == address)
    return bool(connection.scalar(select(exists().where(*wanted))))


def end_sessions(connection: Connection, session_ids: Sequence[int]) -> None:
    connection.execute(delete(sessions).where(sessions.c.id.in_(session_ids)))


def end_before(connection: Connection, *, created: datetime, used: datetime) -> None:
    """Forget the sessions that began, or were used last, before a time."""
    ended = (sessions.c.created_at <= created) | (sessions.c.used_at <= used)
    connection.execute(delete(sessions).where(ended))
