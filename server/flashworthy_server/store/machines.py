"""What a machine is now: one row each."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from functools import cached_property, partial
from typing import Any

from sqlalchemy import (
    ColumnElement,
    Connection,
    Row,
    Update,
    and_,
    bindparam,
    func,
    insert,
    or_,
    select,
    true,
    update,
)

from flashworthy_common.report import Report, report_from_json
from flashworthy_common.values import Maybe, Unknown
from flashworthy_server import json_text
from flashworthy_server.db import upsert
from flashworthy_server.dialects.many import among
from flashworthy_server.dialects.prepared import PreparedChange, PreparedQuery
from flashworthy_server.store.packing import Whole, unpacked_against
from flashworthy_server.tables import machines, whole_bodies

CLOCK_UNKNOWN = Unknown("the report came without a Date header")


# What follows is not frozen, though nothing changes one: each report makes one of each, and frozen
# objects cost five times as much to make.


@dataclass(kw_only=True)
class Newest:
    """A machine's newest report, and what is read from it; the report itself once it is asked for.

    `read` makes the report from what is kept: half of all that loading a machine costs.
    """

    read: Callable[[], Report]
    taken_at: datetime
    received_at: datetime
    clock_difference_seconds: Maybe[int]
    running: tuple[str, datetime] | None  # the last version that could be read, and when
    running_since: datetime | None  # when it was first seen to run that version
    firmware_on: date | None
    combination_id: int
    address: str | None = None  # that the report came from; none: no machine sent it

    @cached_property
    def report(self) -> Report:
        return self.read()

    def runs_since(self, then: datetime) -> bool:
        """Whether the running version was first seen then or later, as far as that is known."""
        return self.running_since is None or self.running_since >= then


@dataclass(slots=True)
class Judgement:
    """What is kept of a verdict; the rest is worked out whenever someone asks."""

    outcome: str
    sentence: str
    holds_until: datetime | None
    rules_version: int
    own_priority: str | None  # where a fault that it shows raises its combination's

    def but_the_time(self) -> dict[str, Any]:
        """Its columns but for the time, which every report moves."""
        return {
            "outcome": self.outcome,
            "sentence": self.sentence,
            "rules_version": self.rules_version,
            "own_priority": self.own_priority,
        }

    def says_as(self, other: "Judgement") -> bool:
        """Whether they are the same but for the time."""
        return (
            self.sentence == other.sentence
            and self.outcome == other.outcome
            and self.rules_version == other.rules_version
            and self.own_priority == other.own_priority
        )


@dataclass(slots=True, kw_only=True)
class StoredMachine:
    id: int
    name: str
    place: str | None
    place_by: str | None
    out_of_service_at: datetime | None  # none: in service
    marked: str | None
    agent_id: str | None
    token_digests: tuple[str, ...]  # of what lets its agent in: its token, and the one before
    enrolled_at: datetime
    sequence: int | None  # of the newest report; none: no report of the current agent yet
    report_number: int  # of the last report that came; 0: none did
    whole: Whole | None  # the body that reports are held against
    newest: Newest | None
    judgement: Judgement | None  # the last one that was kept
    due_at: datetime | None  # when verdict or attention may change by time alone
    has_own_facts: bool  # something was recorded of this machine alone
    flash_id: int | None  # the flash that its reports are held against

    @property
    def has_token(self) -> bool:
        return bool(self.token_digests)

    @property
    def last_heard_at(self) -> datetime:
        """When the last report came, or else when it enrolled."""
        return self.newest.received_at if self.newest else self.enrolled_at


@dataclass(slots=True, kw_only=True)
class Reported:
    """What a report makes of its machine."""

    was: StoredMachine
    report_id: str
    name: str
    number: int  # of the report in the machine's history
    sequence: int | None  # of the current agent, whoever made the report
    newest: Newest
    body: bytes  # of the report, packed against the machine's whole one
    judgement: Judgement
    due_at: datetime | None  # when judgement or attention may change by time alone; none: never

    @property
    def is_as_before(self) -> bool:
        """Whether nothing changed but times; that it is due may stand there too early."""
        was, newest = self.was, self.was.newest
        return (
            newest is not None
            and was.judgement is not None
            and self.name == was.name
            and self.newest.firmware_on == newest.firmware_on
            and self.newest.combination_id == newest.combination_id
            and self.newest.address == newest.address
            and self.judgement.says_as(was.judgement)
            and self._is_due_soon_enough
        )

    @property
    def _is_due_soon_enough(self) -> bool:
        was_due, is_due = self.was.due_at, self.due_at
        if was_due is None or is_due is None:
            return was_due is is_due
        return self.newest.received_at < was_due <= is_due


# ---- one machine ------------------------------------------------------------------------------


def add_machine(connection: Connection, name: str, enrolled_at: datetime) -> int:
    values = {"name": name, "enrolled_at": enrolled_at, "due_at": enrolled_at}
    made = connection.execute(insert(machines).values(values).returning(machines.c.id))
    return int(made.scalar_one())


def load_machine(connection: Connection, machine_id: int) -> StoredMachine | None:
    found = load_machines(connection, [machine_id])
    return found[0] if found else None


def of_combinations(
    connection: Connection, machine_ids: Iterable[int], combination_ids: Iterable[int]
) -> set[int]:
    """Those of some machines that are of some combinations; few are looked up, one by one."""
    by_id = select(machines.c.id, machines.c.combination_id)
    rows = connection.execute(by_id.where(machines.c.id.in_(list(machine_ids))))
    wanted = set(combination_ids)
    return {row.id for row in rows if row.combination_id in wanted}


def load_machines(connection: Connection, machine_ids: Iterable[int]) -> list[StoredMachine]:
    return [_machine(row) for row in _LOAD.rows(connection, ids=list(machine_ids))]


def take_machines(connection: Connection, machine_ids: Iterable[int]) -> dict[int, StoredMachine]:
    """Machines by their ids, which nobody else changes until the end of the transaction."""
    rows = _TAKE.rows(connection, ids=sorted(machine_ids))
    return {row.id: _machine(row) for row in rows}


# Statements of every report are made once: to make one costs as much as to execute it.
_WITH_WHOLE = (
    select(
        machines,
        whole_bodies.c.number.label("whole_number"),
        whole_bodies.c.received_at.label("whole_received_at"),
        whole_bodies.c.body.label("whole_body"),
    )
    .join_from(machines, whole_bodies, isouter=True)
    .where(among(machines.c.id, "ids"))
)
_LOAD = PreparedQuery(_WITH_WHOLE)
_TAKE = PreparedQuery(  # in one order: no deadlocks
    _WITH_WHOLE.order_by(machines.c.id).with_for_update(of=machines)
)


def names_of(connection: Connection, machine_ids: Iterable[int]) -> dict[int, str]:
    query = select(machines.c.id, machines.c.name).where(machines.c.id.in_(list(machine_ids)))
    return {row.id: row.name for row in connection.execute(query)}


def machine_ids_named(connection: Connection, name: str) -> Sequence[int]:
    found = select(machines.c.id).where(machines.c.name == name).order_by(machines.c.id)
    return connection.scalars(found).all()


def machine_of_agent(connection: Connection, agent_id: str) -> int | None:
    return connection.scalar(select(machines.c.id).where(machines.c.agent_id == agent_id))


def save_agent(
    connection: Connection,
    machine_id: int,
    *,
    agent_id: str,
    token_digest: str,
    now: datetime,
) -> None:
    """The machine's current agent; its sequence numbers begin anew, and it is in service."""
    connection.execute(
        update(machines)
        .where(machines.c.id == machine_id)
        .values(
            agent_id=agent_id,
            token_digest=token_digest,
            token_made_at=now,
            old_token_digest=None,
            sequence=None,
            out_of_service_at=None,
        )
    )


def save_place(connection: Connection, machine_id: int, place: str | None, by: str | None) -> None:
    """Where the machine stands, and who says so."""
    connection.execute(
        update(machines).where(machines.c.id == machine_id).values(place=place, place_by=by)
    )


def save_service(connection: Connection, machine_id: int, out_at: datetime | None) -> None:
    connection.execute(
        update(machines).where(machines.c.id == machine_id).values(out_of_service_at=out_at)
    )


def forget_running(connection: Connection, machine_id: int) -> None:
    """No earlier version is known: what ran before ran on another board."""
    connection.execute(
        update(machines)
        .where(machines.c.id == machine_id)
        .values(running_text=None, running_seen_at=None, running_since=None)
    )


def adopt_agent(connection: Connection, machine_id: int, agent_id: str) -> None:
    """Let an agent be the machine's, though it never enrolled and has no token."""
    connection.execute(
        update(machines).where(machines.c.id == machine_id).values(agent_id=agent_id)
    )


def save_reported(connection: Connection, found: Iterable[Reported]) -> None:
    """What machines are now, by their newest reports.

    Where a report says what the one before said, no index and no counted column is touched.
    """
    as_before: list[dict[str, Any]] = []
    others: list[dict[str, Any]] = []
    for each in found:
        (as_before if each.is_as_before else others).append(_reported(each))
    _SAVE_SEEN.execute(connection, as_before)
    _SAVE_REPORTED.execute(connection, others)


def save_report_numbers(connection: Connection, numbers: Mapping[int, int]) -> None:
    """The numbers of reports that change nothing else of their machines, by machine."""
    rows = [{"machine": id_, "new_report_number": number} for id_, number in numbers.items()]
    if rows:
        connection.execute(_SAVE_NUMBER, rows)


def save_wholes(connection: Connection, wholes: Mapping[int, Whole]) -> None:
    """The bodies that machines' reports are held against from now on, by machine."""
    rows = [
        {
            "machine_id": machine_id,
            "number": whole.number,
            "received_at": whole.received_at,
            "body": whole.packed,
        }
        for machine_id, whole in wholes.items()
    ]
    if rows:
        connection.execute(_SAVE_WHOLE, rows)


def save_mark(connection: Connection, machine_id: int, marked: str | None) -> None:
    connection.execute(update(machines).where(machines.c.id == machine_id).values(marked=marked))


def _changing(*names: str) -> Update:
    """An update of these columns of one machine, for many at once."""
    values: dict[str, Any] = {name: bindparam(f"new_{name}") for name in names}
    return update(machines).where(machines.c.id == bindparam("machine")).values(values)


_TIMES = ("holds_until", "due_at")
_JUDGED = ("outcome", "sentence", "rules_version", "own_priority")
_SELDOM_NEW = ("name", "firmware_on", "combination_id", "address")  # most stand in indexes
_SEEN = (
    "report_id",
    "report_number",
    "sequence",
    "taken_at",
    "received_at",
    "clock_difference_seconds",
    "report",
    "running_text",
    "running_seen_at",
    "running_since",
)
_SAVE_NUMBER = _changing("report_number")
_SAVE_SEEN = PreparedChange(_changing(*_SEEN, "holds_until"))
_SAVE_REPORTED = PreparedChange(_changing(*_SEEN, *_SELDOM_NEW, *_TIMES, *_JUDGED))
_WHOLE = upsert(whole_bodies)
_SAVE_WHOLE = _WHOLE.on_conflict_do_update(
    index_elements=["machine_id"],
    set_={name: _WHOLE.excluded[name] for name in ("number", "received_at", "body")},
)


def _reported(found: Reported) -> dict[str, Any]:
    newest, difference = found.newest, found.newest.clock_difference_seconds
    running_text, running_seen_at = newest.running or (None, None)
    return {
        "machine": found.was.id,
        "new_name": found.name,
        "new_report_id": found.report_id,
        "new_report_number": found.number,
        "new_sequence": found.sequence,
        "new_taken_at": newest.taken_at,
        "new_received_at": newest.received_at,
        "new_clock_difference_seconds": None if isinstance(difference, Unknown) else difference,
        "new_report": found.body,
        "new_running_text": running_text,
        "new_running_seen_at": running_seen_at,
        "new_running_since": newest.running_since,
        "new_firmware_on": newest.firmware_on,
        "new_combination_id": newest.combination_id,
        "new_address": newest.address,
        "new_due_at": found.due_at,
        "new_holds_until": found.judgement.holds_until,
        **{f"new_{name}": each for name, each in found.judgement.but_the_time().items()},
    }


def note_own_facts(connection: Connection, machine_ids: Iterable[int]) -> None:
    """From now on, look for what was recorded of these machines alone."""
    named = machines.c.id.in_(list(machine_ids))
    connection.execute(update(machines).where(named).values(has_own_facts=True))


def _machine(row: Row[Any]) -> StoredMachine:
    whole = None
    if row.whole_body is not None:
        whole = Whole(row.whole_number, row.whole_received_at, row.whole_body)
    return StoredMachine(
        id=row.id,
        name=row.name,
        place=row.place,
        place_by=row.place_by,
        out_of_service_at=row.out_of_service_at,
        marked=row.marked,
        agent_id=row.agent_id,
        token_digests=tuple(filter(None, (row.token_digest, row.old_token_digest))),
        enrolled_at=row.enrolled_at,
        sequence=row.sequence,
        report_number=row.report_number,
        whole=whole,
        newest=None if whole is None or row.report is None else _newest(row, whole),
        judgement=None if row.outcome is None else _judgement(row),
        due_at=row.due_at,
        has_own_facts=row.has_own_facts,
        flash_id=row.flash_id,
    )


def _judgement(row: Row[Any]) -> Judgement:
    return Judgement(
        outcome=row.outcome,
        sentence=row.sentence,
        holds_until=row.holds_until,
        rules_version=row.rules_version,
        own_priority=row.own_priority,
    )


def _newest(row: Row[Any], whole: Whole) -> Newest:
    difference = row.clock_difference_seconds
    return Newest(
        read=partial(_read_report, row.report, whole),
        taken_at=row.taken_at,
        received_at=row.received_at,
        clock_difference_seconds=CLOCK_UNKNOWN if difference is None else difference,
        running=None if row.running_text is None else (row.running_text, row.running_seen_at),
        running_since=row.running_since,
        firmware_on=row.firmware_on,
        combination_id=row.combination_id,
        address=row.address,
    )


def _read_report(body: bytes, whole: Whole) -> Report:
    return report_from_json(json_text.loads(unpacked_against(body, whole.text)))


# ---- machines' tokens ------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class MachineToken:
    """A machine's token, and how it stands to the machine's other one."""

    machine_id: int
    agent_id: str
    made_at: datetime | None  # of the newer one
    is_old: bool  # a newer one was handed out
    has_old: bool  # an older one is still good


def machine_of_token(connection: Connection, digest: str) -> MachineToken | None:
    row = connection.execute(_TOKEN, {"digest": digest}).one_or_none()
    if row is None:
        return None
    return MachineToken(
        machine_id=row.id,
        agent_id=row.agent_id,
        made_at=row.token_made_at,
        is_old=row.old_token_digest == digest,
        has_old=row.old_token_digest is not None,
    )


_TOKEN = select(
    machines.c.id,
    machines.c.agent_id,
    machines.c.token_made_at,
    machines.c.token_digest,
    machines.c.old_token_digest,
).where(
    (machines.c.token_digest == bindparam("digest"))
    | (machines.c.old_token_digest == bindparam("digest"))
)


def replace_token(
    connection: Connection, machine_id: int, *, presented: str, new: str, now: datetime
) -> bool:
    """Make a new token the machine's, and keep the presented one beside it; false: it is neither.

    A newer one that was never used is worth nothing then: whoever asked for it did not get it.
    """
    is_its = (machines.c.token_digest == presented) | (machines.c.old_token_digest == presented)
    found = connection.execute(
        update(machines)
        .where(machines.c.id == machine_id, is_its)
        .values(token_digest=new, token_made_at=now, old_token_digest=presented)
    )
    return found.rowcount == 1


def drop_old_token(connection: Connection, machine_id: int, used: str) -> None:
    """The newer token was used: the older one is worth nothing."""
    connection.execute(
        update(machines)
        .where(machines.c.id == machine_id, machines.c.token_digest == used)
        .values(old_token_digest=None)
    )


def revoke_token(connection: Connection, machine_id: int) -> bool:
    """Whether there was a token to be revoked."""
    found = connection.execute(
        update(machines)
        .where(machines.c.id == machine_id, machines.c.token_digest.is_not(None))
        .values(token_digest=None, token_made_at=None, old_token_digest=None)
    )
    return found.rowcount == 1


# ---- whose judgement is due -------------------------------------------------------------------


def make_machines_due(connection: Connection, machine_ids: Iterable[int], now: datetime) -> None:
    """Let the judgement of these machines be renewed."""
    named = machines.c.id.in_(list(machine_ids))
    connection.execute(update(machines).where(named).values(due_at=now))


def machine_ids_within(
    connection: Connection, place: str | None, after: int, count: int
) -> Sequence[int]:
    """At most `count` machines in service that reported, with an id above `after`."""
    wanted = (
        select(machines.c.id)
        .where(machines.c.report_id.is_not(None), machines.c.out_of_service_at.is_(None))
        .where(is_within(place), machines.c.id > after)
        .order_by(machines.c.id)
        .limit(count)
    )
    return connection.scalars(wanted).all()


def count_within(connection: Connection, place: str | None) -> int:
    """How many machines `machine_ids_within` goes through."""
    wanted = select(func.count()).where(
        machines.c.report_id.is_not(None), machines.c.out_of_service_at.is_(None), is_within(place)
    )
    return int(connection.execute(wanted).scalar_one())


def is_within(place: str | None) -> ColumnElement[bool]:
    """At a place, or somewhere in it; with none, anywhere."""
    return true() if place is None else names_within(machines.c.place, place)


def names_within(column: ColumnElement[Any], place: str) -> ColumnElement[bool]:
    """Names of this place, or of one in it: a stretch of an index, as texts are sorted by bytes."""
    return _is_between(column, **place_values(place))


def within_place(column: ColumnElement[Any]) -> ColumnElement[bool]:
    """The same of a place that a statement is executed with, as `place_values` of it."""
    return _is_between(column, **{name: bindparam(name) for name in place_values("")})


def place_values(place: str) -> dict[str, str]:
    # no character comes between a blank and "!"
    return {"place": place, "place_begin": f"{place} / ", "place_end": f"{place} /!"}


def _is_between(
    column: ColumnElement[Any], place: Any, place_begin: Any, place_end: Any
) -> ColumnElement[bool]:
    is_in = or_(column == place, column >= place_begin)
    return and_(column >= place, column < place_end, is_in)
