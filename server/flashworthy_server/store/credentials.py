"""Tokens of people and programs, and enrolment codes; only their digests are here."""

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, insert, select, update

from flashworthy_server.tables import accounts, enrolment_codes, tokens


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredToken:
    id: int
    name: str
    role: str
    created_at: datetime
    expires_at: datetime
    revoked_at: datetime | None
    used_at: datetime | None  # none: never
    account_id: int | None  # none: a program's, and so are the next two
    account_name: str | None
    account_role: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredCode:
    id: int
    place: str | None
    uses: int
    uses_left: int
    created_at: datetime
    created_by: str
    expires_at: datetime
    revoked_at: datetime | None


_TOKEN = select(
    *(column for column in tokens.c if column.name != "digest"),
    accounts.c.name.label("account_name"),
    accounts.c.role.label("account_role"),
).select_from(tokens.outerjoin(accounts, tokens.c.account_id == accounts.c.id))


def add_token(connection: Connection, **values: Any) -> None:
    connection.execute(insert(tokens).values(values))


def has_token_named(connection: Connection, name: str) -> bool:
    return connection.scalar(select(tokens.c.id).where(tokens.c.name == name)) is not None


def load_tokens(connection: Connection, account_id: int | None) -> list[StoredToken]:
    """By their names; those of one account, or all."""
    query = _TOKEN.order_by(tokens.c.name)
    if account_id is not None:
        query = query.where(tokens.c.account_id == account_id)
    return [StoredToken(**row._mapping) for row in connection.execute(query)]


def revoke_token(
    connection: Connection, name: str, now: datetime, account_id: int | None = None
) -> bool:
    """Whether there was a token of this name, and of this account, that was not revoked yet."""
    wanted = [tokens.c.name == name, tokens.c.revoked_at.is_(None)]
    if account_id is not None:
        wanted.append(tokens.c.account_id == account_id)
    found = connection.execute(update(tokens).where(*wanted).values(revoked_at=now))
    return found.rowcount == 1


def valid_token(connection: Connection, digest: str, now: datetime) -> StoredToken | None:
    """A token, unless it is unknown, expired or revoked, or its account is disabled."""
    row = connection.execute(
        _TOKEN.where(
            tokens.c.digest == digest,
            tokens.c.expires_at > now,
            tokens.c.revoked_at.is_(None),
            accounts.c.disabled_at.is_(None),
        )
    ).one_or_none()
    return None if row is None else StoredToken(**row._mapping)


def note_use(connection: Connection, token_id: int, now: datetime) -> None:
    connection.execute(update(tokens).where(tokens.c.id == token_id).values(used_at=now))


def add_code(connection: Connection, **values: Any) -> int:
    """The number of the code, by which people speak of it."""
    added = connection.execute(
        insert(enrolment_codes).values(values).returning(enrolment_codes.c.id)
    )
    return int(added.scalar_one())


def load_codes(connection: Connection, *, before: int | None, count: int) -> list[StoredCode]:
    """At most `count` codes with a number below `before`, the newest first."""
    columns = (column for column in enrolment_codes.c if column.name != "digest")
    query = select(*columns).order_by(enrolment_codes.c.id.desc()).limit(count)
    if before is not None:
        query = query.where(enrolment_codes.c.id < before)
    rows = connection.execute(query)
    return [StoredCode(**row._mapping) for row in rows]


def revoke_code(connection: Connection, number: int, now: datetime) -> bool:
    """Whether there was a code of this number that was not revoked yet."""
    found = connection.execute(
        update(enrolment_codes)
        .where(enrolment_codes.c.id == number, enrolment_codes.c.revoked_at.is_(None))
        .values(revoked_at=now)
    )
    return found.rowcount == 1


@dataclass(frozen=True, slots=True)
class UsedCode:
    number: int
    place: str | None


def use_code(connection: Connection, digest: str, now: datetime) -> UsedCode | None:
    """Use an enrolment code once; none where it cannot be used."""
    used = connection.execute(
        update(enrolment_codes)
        .where(
            enrolment_codes.c.digest == digest,
            enrolment_codes.c.uses_left > 0,
            enrolment_codes.c.revoked_at.is_(None),
            enrolment_codes.c.expires_at > now,
        )
        .values(uses_left=enrolment_codes.c.uses_left - 1)
        .returning(enrolment_codes.c.id, enrolment_codes.c.place)
    ).one_or_none()
    return None if used is None else UsedCode(used.id, used.place)
