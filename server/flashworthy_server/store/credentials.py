"""Programs' tokens, machines' tokens and enrolment codes; only their digests are here."""

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import Connection, insert, select, update

from flashworthy_server.tables import enrolment_codes, machines, tokens


def add_token(
    connection: Connection,
    name: str,
    digest: str,
    *,
    role: str,
    created_at: datetime,
    expires_at: datetime,
) -> None:
    connection.execute(
        insert(tokens).values(
            name=name, digest=digest, role=role, created_at=created_at, expires_at=expires_at
        )
    )


def has_token_named(connection: Connection, name: str) -> bool:
    return connection.scalar(select(tokens.c.id).where(tokens.c.name == name)) is not None


def revoke_token(connection: Connection, name: str, now: datetime) -> bool:
    """Whether there was a token of this name that was not revoked yet."""
    found = connection.execute(
        update(tokens)
        .where(tokens.c.name == name, tokens.c.revoked_at.is_(None))
        .values(revoked_at=now)
    )
    return found.rowcount == 1


def valid_token(connection: Connection, digest: str, now: datetime) -> tuple[str, str] | None:
    """Name and role of a token, unless it is unknown, expired or revoked."""
    row = connection.execute(
        select(tokens.c.name, tokens.c.role).where(
            tokens.c.digest == digest, tokens.c.expires_at > now, tokens.c.revoked_at.is_(None)
        )
    ).one_or_none()
    return None if row is None else (row.name, row.role)


def machine_of_token(connection: Connection, digest: str) -> tuple[int, str] | None:
    """The machine's id and its agent's, for a machine's token."""
    row = connection.execute(
        select(machines.c.id, machines.c.agent_id).where(machines.c.token_digest == digest)
    ).one_or_none()
    return None if row is None else (row.id, row.agent_id)


def add_code(
    connection: Connection,
    digest: str,
    *,
    uses: int,
    place: str | None,
    created_at: datetime,
    expires_at: datetime,
) -> int:
    """The number of the code, by which people speak of it."""
    added = connection.execute(
        insert(enrolment_codes)
        .values(
            digest=digest,
            uses_left=uses,
            place=place,
            created_at=created_at,
            expires_at=expires_at,
        )
        .returning(enrolment_codes.c.id)
    )
    return int(added.scalar_one())


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
            enrolment_codes.c.expires_at > now,
        )
        .values(uses_left=enrolment_codes.c.uses_left - 1)
        .returning(enrolment_codes.c.id, enrolment_codes.c.place)
    ).one_or_none()
    return None if used is None else UsedCode(used.id, used.place)
