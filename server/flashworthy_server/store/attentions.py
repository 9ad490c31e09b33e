"""What asks for attention, machine by machine: since when, and what rests until when."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import (
    ColumnElement,
    Connection,
    and_,
    case,
    delete,
    select,
    update,
)

from flashworthy_common.attention import Acknowledgement, Attention, AttentionCode
from flashworthy_server.db import upsert
from flashworthy_server.dialects.many import among
from flashworthy_server.dialects.prepared import PreparedQuery
from flashworthy_server.tables import acknowledgements, attentions

# Set when the identity of a machine is weighed, or when a flash has reset its clock; a later report
# does not take them back, a person does.
LASTING = (
    AttentionCode.IDENTITY_IN_DOUBT,
    AttentionCode.BOARD_REPLACED,
    AttentionCode.CLOCK_RESET,
)


@dataclass(frozen=True, slots=True)
class StoredAttention:
    code: str
    says: str
    since: datetime | None  # without a break; none where it follows from other facts
    first_seen_at: datetime | None = None  # ever; none likewise
    acknowledged: Acknowledgement | None = None  # it rests, or did so until its day

    def rests(self, now: datetime) -> bool:
        return self.acknowledged is not None and self.acknowledged.holds(now)


def save_attentions(
    connection: Connection, found: Mapping[int, Iterable[Attention]], now: datetime
) -> None:
    """What the newest reports ask attention for, by machine, in place of what earlier ones did."""
    asked: dict[int, dict[str, str]] = {machine_id: {} for machine_id in found}
    for machine_id, code, says in _ASKED.rows(connection, ids=list(found)):
        asked[machine_id][code] = says
    for machine_id, attentions_now in found.items():
        texts = {attention.code.value: attention.says for attention in attentions_now}
        ended = asked[machine_id].keys() - texts.keys() - _LASTING_CODES
        if ended:
            _end(connection, machine_id, attentions.c.code.in_(sorted(ended)), now)
        for code, says in texts.items() - asked[machine_id].items():
            add_attention(connection, machine_id, Attention(AttentionCode(code), says), now)


_LASTING_CODES = {code.value for code in LASTING}
_ASKED = PreparedQuery(
    select(attentions.c.machine_id, attentions.c.code, attentions.c.says).where(
        among(attentions.c.machine_id, "ids"), attentions.c.ended_at.is_(None)
    )
)


def add_attention(
    connection: Connection, machine_id: int, attention: Attention, now: datetime
) -> None:
    """Ask attention for something; where it is asked already, since when stays."""
    statement = upsert(attentions).values(
        machine_id=machine_id,
        code=attention.code.value,
        says=attention.says,
        first_seen_at=now,
        since=now,
    )
    asked_already = attentions.c.ended_at.is_(None)
    since = case((asked_already, attentions.c.since), else_=statement.excluded.since)
    connection.execute(
        statement.on_conflict_do_update(
            index_elements=["machine_id", "code"],
            set_={"says": attention.says, "since": since, "ended_at": None},
        )
    )


def save_silence(
    connection: Connection,
    machine_ids: Sequence[int],
    silent: Mapping[int, tuple[Attention, datetime]],
    now: datetime,
) -> None:
    """Which of these machines are silent, in which words, and since when."""
    code = AttentionCode.SILENT
    of_them = (attentions.c.machine_id.in_(machine_ids), attentions.c.code == code.value)
    asked = select(attentions.c.machine_id).where(*of_them, attentions.c.ended_at.is_(None))
    known = set(connection.scalars(asked))
    for machine_id in known - silent.keys():
        drop_attention(connection, machine_id, code, now)
    for machine_id in silent.keys() - known:
        attention, since = silent[machine_id]
        add_attention(connection, machine_id, attention, since)


def drop_attention(
    connection: Connection, machine_id: int, code: AttentionCode, now: datetime
) -> bool:
    """Whether it was asked for."""
    return _end(connection, machine_id, attentions.c.code == code.value, now) == 1


_ASKING = PreparedQuery(
    select(
        attentions.c.machine_id,
        attentions.c.code,
        attentions.c.says,
        attentions.c.since,
        attentions.c.first_seen_at,
    )
    .where(among(attentions.c.machine_id, "ids"), attentions.c.ended_at.is_(None))
    .order_by(attentions.c.machine_id, attentions.c.code)
)
_ACKNOWLEDGED = PreparedQuery(
    select(acknowledgements).where(among(acknowledgements.c.machine_id, "ids"))
)


def load_attentions(
    connection: Connection, machine_ids: Iterable[int]
) -> dict[int, list[StoredAttention]]:
    """By machine, what asks now, by its codes; acknowledged or not."""
    found: dict[int, list[StoredAttention]] = {}
    for machine_id, *asked in _ASKING.rows(connection, ids=machine_ids):
        found.setdefault(machine_id, []).append(StoredAttention(*asked))
    return found


def _end(connection: Connection, machine_id: int, which: ColumnElement[bool], now: datetime) -> int:
    """What was asked is asked no longer, and an acknowledgement of it ends with it."""
    ending = (
        update(attentions)
        .where(attentions.c.machine_id == machine_id, attentions.c.ended_at.is_(None), which)
        .values(ended_at=now)
        .returning(attentions.c.code)
    )
    codes = connection.scalars(ending).all()
    if codes:
        _forget(connection, machine_id, codes)
    return len(codes)


# ---- what rests -------------------------------------------------------------------------------


def save_acknowledgement(
    connection: Connection, machine_id: int, code: AttentionCode, said: Acknowledgement
) -> None:
    """Keep it in place of the one before."""
    values = {"by": said.by, "at": said.at, "reason": said.reason, "until": said.until}
    statement = upsert(acknowledgements).values(machine_id=machine_id, code=code.value, **values)
    connection.execute(
        statement.on_conflict_do_update(index_elements=["machine_id", "code"], set_=values)
    )


def drop_acknowledgement(connection: Connection, machine_id: int, code: AttentionCode) -> bool:
    """Whether there was one."""
    return _forget(connection, machine_id, [code.value]) == 1


def acknowledgements_of(
    connection: Connection, machine_ids: Iterable[int]
) -> dict[tuple[int, str], Acknowledgement]:
    """By machine and code, those that hold and those that have ended."""
    return {
        (row.machine_id, row.code): Acknowledgement(
            by=row.by, at=row.at, reason=row.reason, until=row.until
        )
        for row in _ACKNOWLEDGED.rows(connection, ids=machine_ids)
    }


def _forget(connection: Connection, machine_id: int, codes: Iterable[str]) -> int:
    of_them = and_(
        acknowledgements.c.machine_id == machine_id, acknowledgements.c.code.in_(list(codes))
    )
    return connection.execute(delete(acknowledgements).where(of_them)).rowcount
