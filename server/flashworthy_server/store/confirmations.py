"""Confirmations: what people said of single machines, and what no agent can see."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, Row, insert, select, update

from flashworthy_common.confirmations import Confirmation, Confirmed
from flashworthy_server.tables import confirmations


@dataclass(frozen=True, slots=True)
class StoredConfirmation:
    id: int
    machine_id: int
    confirmation: Confirmation
    withdrawn_at: datetime | None  # none: it stands


def add_confirmation(connection: Connection, machine_id: int, confirmation: Confirmation) -> int:
    added = connection.execute(
        insert(confirmations)
        .values(
            machine_id=machine_id,
            what=confirmation.what.value,
            of=confirmation.of,
            by=confirmation.by,
            at=confirmation.at,
        )
        .returning(confirmations.c.id)
    )
    return int(added.scalar_one())


def withdraw(connection: Connection, confirmation_id: int, now: datetime) -> None:
    of_it = confirmations.c.id == confirmation_id
    connection.execute(update(confirmations).where(of_it).values(withdrawn_at=now))


def load_confirmations(connection: Connection, machine_id: int) -> list[StoredConfirmation]:
    """Everything that was ever confirmed of a machine, newest first."""
    query = select(confirmations).where(confirmations.c.machine_id == machine_id)
    return [
        StoredConfirmation(row.id, machine_id, _confirmation(row), row.withdrawn_at)
        for row in connection.execute(query.order_by(confirmations.c.id.desc()))
    ]


def confirmations_of_machines(
    connection: Connection, machine_ids: Iterable[int]
) -> dict[int, list[Confirmation]]:
    """By machine, those that stand, however old they are."""
    found: dict[int, list[Confirmation]] = {}
    query = select(confirmations).where(
        confirmations.c.machine_id.in_(list(machine_ids)), confirmations.c.withdrawn_at.is_(None)
    )
    for row in connection.execute(query.order_by(confirmations.c.id)):
        found.setdefault(row.machine_id, []).append(_confirmation(row))
    return found


def _confirmation(row: Row[Any]) -> Confirmation:
    return Confirmation(what=Confirmed(row.what), of=row.of, by=row.by, at=row.at)
