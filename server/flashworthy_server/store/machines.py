"""What a machine is now: one row each."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from sqlalchemy import Connection, Row, insert, select, update

from flashworthy_common.report import Report
from flashworthy_common.values import Maybe, Unknown, from_json, to_json
from flashworthy_server.store.packing import packed, unpacked
from flashworthy_server.tables import machines

_CLOCK_UNKNOWN = Unknown("the report came without a Date header")


@dataclass(frozen=True, slots=True, kw_only=True)
class Newest:
    """A machine's newest report, and what is read from it."""

    report: Report
    received_at: datetime
    clock_difference_seconds: Maybe[int]
    running: tuple[str, datetime] | None  # the last version that could be read, and when
    firmware_on: date | None
    combination_id: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Judgement:
    """What is kept of a verdict; the rest is worked out whenever someone asks."""

    outcome: str
    sentence: str
    holds_until: datetime | None
    rules_version: int


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredMachine:
    id: int
    name: str
    place: str | None
    marked: str | None
    agent_id: str | None
    enrolled_at: datetime
    sequence: int | None  # of the newest report; none: no report of the current agent yet
    newest: Newest | None
    outcome: str | None
    sentence: str | None
    holds_until: datetime | None


# ---- one machine ------------------------------------------------------------------------------


def add_machine(connection: Connection, name: str, place: str | None, enrolled_at: datetime) -> int:
    made = connection.execute(
        insert(machines)
        .values(name=name, place=place, enrolled_at=enrolled_at)
        .returning(machines.c.id)
    )
    return int(made.scalar_one())


def load_machine(connection: Connection, machine_id: int) -> StoredMachine | None:
    row = connection.execute(select(machines).where(machines.c.id == machine_id)).one_or_none()
    return None if row is None else _machine(row)


def load_machines(connection: Connection, machine_ids: Iterable[int]) -> list[StoredMachine]:
    rows = connection.execute(select(machines).where(machines.c.id.in_(list(machine_ids))))
    return [_machine(row) for row in rows]


def machine_ids_named(connection: Connection, name: str) -> Sequence[int]:
    found = select(machines.c.id).where(machines.c.name == name).order_by(machines.c.id)
    return connection.scalars(found).all()


def machine_of_agent(connection: Connection, agent_id: str) -> int | None:
    return connection.scalar(select(machines.c.id).where(machines.c.agent_id == agent_id))


def save_agent(
    connection: Connection, machine_id: int, *, agent_id: str, token_digest: str, place: str | None
) -> None:
    """The machine's current agent; its sequence numbers begin anew."""
    values: dict[str, Any] = {"agent_id": agent_id, "token_digest": token_digest, "sequence": None}
    if place is not None:
        values["place"] = place
    connection.execute(update(machines).where(machines.c.id == machine_id).values(values))


def adopt_agent(connection: Connection, machine_id: int, agent_id: str) -> None:
    """Let an agent be the machine's, though it never enrolled and has no token."""
    connection.execute(
        update(machines).where(machines.c.id == machine_id).values(agent_id=agent_id)
    )


def save_newest(
    connection: Connection,
    machine_id: int,
    newest: Newest,
    *,
    name: str,
    place: str | None,
    sequence: int | None,
) -> None:
    """What the machine is now; `sequence` is the current agent's, whoever made the report."""
    report, running = newest.report, newest.running
    difference = newest.clock_difference_seconds
    connection.execute(
        update(machines)
        .where(machines.c.id == machine_id)
        .values(
            name=name,
            place=place,
            report_id=report.report_id,
            sequence=sequence,
            taken_at=report.taken_at,
            received_at=newest.received_at,
            clock_difference_seconds=None if isinstance(difference, Unknown) else difference,
            report=packed(to_json(report)),
            running_text=running[0] if running else None,
            running_seen_at=running[1] if running else None,
            firmware_on=newest.firmware_on,
            combination_id=newest.combination_id,
        )
    )


def save_mark(connection: Connection, machine_id: int, marked: str | None) -> None:
    connection.execute(update(machines).where(machines.c.id == machine_id).values(marked=marked))


def save_judgement(connection: Connection, machine_id: int, judgement: Judgement) -> None:
    connection.execute(
        update(machines)
        .where(machines.c.id == machine_id)
        .values(
            outcome=judgement.outcome,
            sentence=judgement.sentence,
            holds_until=judgement.holds_until,
            rules_version=judgement.rules_version,
        )
    )


def _machine(row: Row[Any]) -> StoredMachine:
    return StoredMachine(
        id=row.id,
        name=row.name,
        place=row.place,
        marked=row.marked,
        agent_id=row.agent_id,
        enrolled_at=row.enrolled_at,
        sequence=row.sequence,
        newest=None if row.report is None else _newest(row),
        outcome=row.outcome,
        sentence=row.sentence,
        holds_until=row.holds_until,
    )


def _newest(row: Row[Any]) -> Newest:
    difference = row.clock_difference_seconds
    return Newest(
        report=from_json(Report, unpacked(row.report)),
        received_at=row.received_at,
        clock_difference_seconds=_CLOCK_UNKNOWN if difference is None else difference,
        running=None if row.running_text is None else (row.running_text, row.running_seen_at),
        firmware_on=row.firmware_on,
        combination_id=row.combination_id,
    )


# ---- whose judgement is due -------------------------------------------------------------------


def due_machine_ids(connection: Connection, now: datetime, after: int, count: int) -> Sequence[int]:
    """At most `count` machines with an id above `after` whose judgement may have changed."""
    due = (
        select(machines.c.id)
        .where(machines.c.holds_until <= now, machines.c.id > after)
        .order_by(machines.c.id)
        .limit(count)
    )
    return connection.scalars(due).all()


def machine_ids_of_combinations(
    connection: Connection, combination_ids: Iterable[int]
) -> Sequence[int]:
    wanted = machines.c.combination_id.in_(list(combination_ids))
    return connection.scalars(select(machines.c.id).where(wanted).order_by(machines.c.id)).all()


def outdated_machine_ids(connection: Connection, rules_version: int) -> Sequence[int]:
    """Those that other rules than these judged."""
    other = machines.c.rules_version != rules_version
    return connection.scalars(select(machines.c.id).where(other).order_by(machines.c.id)).all()
