"""What asks for attention, machine by machine, and since when."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import Connection, delete, select

from flashworthy_common.attention import Attention, AttentionCode
from flashworthy_server.db import upsert
from flashworthy_server.tables import attentions

# Set when the identity of a machine is weighed; a later report does not take them back.
LASTING = (AttentionCode.IDENTITY_IN_DOUBT, AttentionCode.BOARD_REPLACED)


@dataclass(frozen=True, slots=True)
class StoredAttention:
    code: str
    says: str
    since: datetime | None  # none where it follows from other facts


def save_attentions(
    connection: Connection, machine_id: int, found: Iterable[Attention], now: datetime
) -> None:
    """What the newest report asks attention for, in place of what earlier ones did."""
    texts = {attention.code.value: attention.says for attention in found}
    kept = [*texts, *(code.value for code in LASTING)]
    connection.execute(
        delete(attentions).where(
            attentions.c.machine_id == machine_id, attentions.c.code.not_in(kept)
        )
    )
    for code, says in texts.items():
        add_attention(connection, machine_id, Attention(AttentionCode(code), says), now)


def add_attention(
    connection: Connection, machine_id: int, attention: Attention, now: datetime
) -> None:
    """Ask attention for something; where that was asked before, since when stays."""
    statement = upsert(attentions).values(
        machine_id=machine_id, code=attention.code.value, says=attention.says, since=now
    )
    connection.execute(
        statement.on_conflict_do_update(
            index_elements=["machine_id", "code"], set_={"says": attention.says}
        )
    )


def drop_attention(connection: Connection, machine_id: int, code: AttentionCode) -> None:
    connection.execute(
        delete(attentions).where(
            attentions.c.machine_id == machine_id, attentions.c.code == code.value
        )
    )


def load_attentions(
    connection: Connection, machine_ids: Iterable[int]
) -> dict[int, list[StoredAttention]]:
    found: dict[int, list[StoredAttention]] = {}
    rows = connection.execute(
        select(attentions)
        .where(attentions.c.machine_id.in_(list(machine_ids)))
        .order_by(attentions.c.machine_id, attentions.c.code)
    )
    for row in rows:
        found.setdefault(row.machine_id, []).append(StoredAttention(row.code, row.says, row.since))
    return found
