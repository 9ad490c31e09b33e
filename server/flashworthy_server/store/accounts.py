"""People's accounts, and their codes for when the second factor is lost."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, delete, func, insert, select, update

from flashworthy_server.tables import accounts, recovery_codes


@dataclass(frozen=True, slots=True, kw_only=True)
class Account:
    """One person's account; the comments of its fields stand in `tables`."""

    id: int
    name: str
    key: str
    role: str
    created_at: datetime
    disabled_at: datetime | None
    password_hash: str | None
    setup_digest: str | None
    setup_expires_at: datetime | None
    totp_secret: str | None
    totp_pending: str | None
    totp_step: int | None


def add_account(
    connection: Connection, *, name: str, key: str, role: str, created_at: datetime
) -> int:
    made = connection.execute(
        insert(accounts)
        .values(name=name, key=key, role=role, created_at=created_at)
        .returning(accounts.c.id)
    )
    return int(made.scalar_one())


def load_account(connection: Connection, account_id: int) -> Account | None:
    row = connection.execute(select(accounts).where(accounts.c.id == account_id)).one_or_none()
    return None if row is None else Account(**row._mapping)


def account_with_key(connection: Connection, key: str) -> Account | None:
    row = connection.execute(select(accounts).where(accounts.c.key == key)).one_or_none()
    return None if row is None else Account(**row._mapping)


def load_accounts(connection: Connection) -> list[Account]:
    """All of them, by their names."""
    rows = connection.execute(select(accounts).order_by(accounts.c.key))
    return [Account(**row._mapping) for row in rows]


def change_account(connection: Connection, account_id: int, **values: Any) -> None:
    connection.execute(update(accounts).where(accounts.c.id == account_id).values(values))


def count_active(connection: Connection, role: str) -> int:
    """How many of a role can sign in."""
    wanted = (accounts.c.role == role, accounts.c.disabled_at.is_(None))
    query = select(func.count()).select_from(accounts)
    return int(
        connection.execute(query.where(*wanted, accounts.c.password_hash.is_not(None))).scalar_one()
    )


# ---- recovery codes ---------------------------------------------------------------------------


def replace_recovery_codes(connection: Connection, account_id: int, digests: Iterable[str]) -> None:
    connection.execute(delete(recovery_codes).where(recovery_codes.c.account_id == account_id))
    rows = [{"account_id": account_id, "digest": digest} for digest in digests]
    if rows:
        connection.execute(insert(recovery_codes), rows)


def use_recovery_code(connection: Connection, account_id: int, digest: str) -> bool:
    """Whether there was such a code; it is gone then."""
    found = connection.execute(
        delete(recovery_codes).where(
            recovery_codes.c.account_id == account_id, recovery_codes.c.digest == digest
        )
    )
    return found.rowcount == 1


def count_recovery_codes(connection: Connection, account_ids: Sequence[int]) -> dict[int, int]:
    rows = connection.execute(
        select(recovery_codes.c.account_id, func.count())
        .where(recovery_codes.c.account_id.in_(account_ids))
        .group_by(recovery_codes.c.account_id)
    )
    return dict(rows.all())
