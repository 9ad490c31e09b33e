"""What verdicts rest on in machines' own rows, whose are due, and how they are kept.

Many machines are judged at a time, so that a row is read for that alone: only the columns, and of
the report only the sections, that a rule looks at.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import partial
from typing import Any

from sqlalchemy import Connection, bindparam, func, select, update

from flashworthy_common.report import Report, report_from_json
from flashworthy_common.values import Maybe
from flashworthy_server import json_text
from flashworthy_server.dialects.many import among
from flashworthy_server.store.machines import CLOCK_UNKNOWN, Judgement, Newest, StoredMachine
from flashworthy_server.store.packing import unpacked_against, unpacked_text
from flashworthy_server.tables import machines, whole_bodies

NOT_JUDGED = ("identity", "components")  # sections that no rule looks at


# What follows is not frozen: one of each is made for every machine that is judged.


@dataclass(slots=True)
class Seen:
    """The newest report of a machine, for rules only."""

    combination_id: int
    clock_difference_seconds: Maybe[int]
    read: Callable[[], Report]  # sections that no rule looks at may be missing


@dataclass(slots=True)
class ToJudge:
    """A machine as judging it needs it."""

    id: int
    name: str
    place: str | None
    marked: str | None
    has_own_facts: bool
    last_heard_at: datetime  # when the last report came, or else when it enrolled
    due_at: datetime | None  # when verdict or attention may change by time alone
    newest: Seen | None  # none: it has not reported
    judgement: Judgement | None  # the last one that was kept

    @classmethod
    def of(cls, machine: StoredMachine, newest: Newest) -> "ToJudge":
        """A machine with its newest report, which may be newer than its row."""
        return cls(
            machine.id,
            machine.name,
            machine.place,
            machine.marked,
            machine.has_own_facts,
            newest.received_at,
            machine.due_at,
            Seen(newest.combination_id, newest.clock_difference_seconds, lambda: newest.report),
            machine.judgement,
        )


def load_to_judge(connection: Connection, machine_ids: Iterable[int]) -> list[ToJudge]:
    rows = connection.execute(_LOAD, {"ids": list(machine_ids)})
    return [ToJudge(*row[:7], _seen(*row[7:11]), _judgement(*row[11:])) for row in rows]


_LOAD = (  # in the order in which it is taken: names cost as much again
    select(
        machines.c.id,
        machines.c.name,
        machines.c.place,
        machines.c.marked,
        machines.c.has_own_facts,
        func.coalesce(machines.c.received_at, machines.c.enrolled_at),
        machines.c.due_at,
        machines.c.combination_id,
        machines.c.clock_difference_seconds,
        machines.c.report,
        whole_bodies.c.body,
        machines.c.outcome,
        machines.c.sentence,
        machines.c.holds_until,
        machines.c.rules_version,
        machines.c.own_priority,
    )
    .join_from(machines, whole_bodies, isouter=True)
    .where(among(machines.c.id, "ids"))
)


def _seen(
    combination_id: int, difference: int | None, report: bytes | None, whole: bytes | None
) -> Seen | None:
    if report is None or whole is None:
        return None
    clock = CLOCK_UNKNOWN if difference is None else difference
    return Seen(combination_id, clock, partial(_read_report, report, whole))


def _judgement(outcome: str | None, *others: Any) -> Judgement | None:
    return None if outcome is None else Judgement(outcome, *others)


def _read_report(report: bytes, whole: bytes) -> Report:
    said = json_text.loads(unpacked_against(report, unpacked_text(whole)))
    for name in NOT_JUDGED:
        said.pop(name, None)
    return report_from_json(said)


@dataclass(slots=True)
class Judged:
    """What was found of one machine, and when that may change by time alone; none: never."""

    machine: ToJudge
    judgement: Judgement | None  # none: it has not reported yet
    due_at: datetime | None


def save_judgements(connection: Connection, found: Iterable[Judged]) -> None:
    """Keep what was found; an index is only touched where something changed."""
    times, others = [], []
    for each in found:
        kept, new = each.machine.judgement, each.judgement
        row = {"machine": each.machine.id, "due_at": each.due_at}
        row["holds_until"] = new.holds_until if new else None
        if new and not (kept and kept.says_as(new)):
            others.append(row | new.but_the_time())
        elif each.due_at != each.machine.due_at or (new and new != kept):
            times.append(row)
    for rows in (times, others):
        if rows:
            connection.execute(_SAVE, rows)


_SAVE = update(machines).where(machines.c.id == bindparam("machine"))  # the columns of the rows


def due_machine_ids(connection: Connection, now: datetime, count: int) -> Sequence[int]:
    """At most `count` machines whose verdict or attention may have changed by time alone."""
    due = select(machines.c.id).where(machines.c.due_at <= now)
    return connection.scalars(due.order_by(machines.c.due_at).limit(count)).all()


def outdated_machine_ids(
    connection: Connection, rules_version: int, after: int, count: int
) -> Sequence[int]:
    """At most `count` with an id above `after` that other rules than these judged."""
    other = (machines.c.rules_version != rules_version) & (machines.c.id > after)
    wanted = select(machines.c.id).where(other).order_by(machines.c.id).limit(count)
    return connection.scalars(wanted).all()
