"""A report arrives: kept for ever, and where it is the machine's newest, what the machine is now.

- A report that is here already changes nothing.
- The newest is the one with the highest sequence number of the machine's current agent; one that
  was carried by hand from elsewhere is newer if it was taken later. Others are history only.
- A report from other hardware than the machine's is kept, and changes nothing but attention.
- Everything that one report changes is one transaction; whoever sent it is answered after that.
"""

from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import Enum
from typing import TypeVar

from flashworthy_common.attention import (
    Attention,
    attention_of_change,
    attention_of_clock,
    attention_of_report,
    firmware_change,
)
from flashworthy_common.dates import parse_release_date
from flashworthy_common.identity import Likeness, evidence_of, likeness
from flashworthy_common.makers import Combination
from flashworthy_common.report import Report
from flashworthy_common.values import Maybe, Unknown
from flashworthy_server.db import Connection
from flashworthy_server.errors import ConflictError, ForbiddenError, InvalidTokenError
from flashworthy_server.services import audit
from flashworthy_server.services.judgement import (
    combination_id_of,
    combination_of_report,
    judge_machines,
)
from flashworthy_server.services.places import canonical_place
from flashworthy_server.services.recognition import (
    learn,
    name_of,
    note_likeness,
    recognise_or_add,
)
from flashworthy_server.services.who import MachineAgent, Who
from flashworthy_server.site import Site
from flashworthy_server.store import attentions as attention_store
from flashworthy_server.store import history as history_store
from flashworthy_server.store import identities as identity_store
from flashworthy_server.store import machines as machine_store
from flashworthy_server.store.machines import Newest, StoredMachine
from flashworthy_server.wire import ReadReport

T = TypeVar("T")

_CARRIED = Unknown("the report was carried by hand")


class KeptAs(Enum):
    CURRENT = "current"  # the newest when it came
    LATE = "late"  # a newer one was here already
    IN_DOUBT = "in-doubt"  # it came from other hardware


@dataclass(frozen=True, slots=True)
class Arrival:
    """A report as it came: read, its body byte for byte, and when."""

    read: ReadReport
    body: bytes
    received_at: datetime
    clock_difference_seconds: Maybe[int]

    @property
    def report(self) -> Report:
        return self.read.report


@dataclass(frozen=True, slots=True)
class Receipt:
    report_id: str
    machine_id: int
    stored: bool  # false: it was here already


def receive_report(
    site: Site, agent: MachineAgent, read: ReadReport, body: bytes, sent_at: datetime | None
) -> Receipt:
    """Keep a report that a machine's agent sent.

    Args:
        sent_at: the time of the machine's clock when it sent, if it said so.

    Raises:
        ForbiddenError: the report is another agent's.
        ConflictError: another machine has a report with this id.
    """
    report, now = read.report, site.clock()
    if report.agent_id != agent.agent_id:
        raise ForbiddenError("agent_id: this token belongs to another agent")
    arrival = Arrival(read, body, now, _clock_difference(now, sent_at))
    with site.database.writing() as connection:
        machine = machine_store.load_machine(connection, agent.machine_id)
        if machine is None or machine.agent_id != agent.agent_id:
            raise InvalidTokenError("the machine has a newer agent")
        return _keep_once(site, connection, machine, arrival)


def import_carried(site: Site, who: Who, read: ReadReport, body: bytes) -> Receipt:
    """Keep a report that was carried by hand; the machine is recognised, or added."""
    report, now = read.report, site.clock()
    with site.database.writing() as connection:
        known = history_store.machine_of_report(connection, report.report_id)
        if known is not None:
            return Receipt(report.report_id, known, False)
        machine_id, is_new = recognise_or_add(
            connection,
            report.identity,
            agent_id=report.agent_id,
            place=canonical_place(_known(report.identity.place)),
            now=now,
        )
        if is_new and machine_store.machine_of_agent(connection, report.agent_id) is None:
            machine_store.adopt_agent(connection, machine_id, report.agent_id)
        (machine,) = machine_store.load_machines(connection, [machine_id])
        told = {"report_id": report.report_id, "is_new": is_new}
        audit.record(connection, who, now, "report.carry", f"machine #{machine_id}", after=told)
        return _keep_once(site, connection, machine, Arrival(read, body, now, _CARRIED))


def _keep_once(
    site: Site, connection: Connection, machine: StoredMachine, arrival: Arrival
) -> Receipt:
    report_id = arrival.report.report_id
    known = history_store.machine_of_report(connection, report_id)
    if known not in (None, machine.id):
        raise ConflictError("report_id: another machine has a report with this id")
    if known is None:
        _keep(site, connection, machine, arrival)
    return Receipt(report_id, machine.id, stored=known is None)


def _keep(site: Site, connection: Connection, machine: StoredMachine, arrival: Arrival) -> None:
    report, now = arrival.report, arrival.received_at
    seen = evidence_of(report.identity)
    known = identity_store.load_evidence(connection, machine.id)
    found = likeness(known, seen)
    kept_as = _kept_as(machine, report, found)
    history_store.add_report(
        connection,
        machine.id,
        report,
        arrival.body,
        received_at=now,
        kept_as=kept_as.value,
    )
    if kept_as is not KeptAs.LATE:
        note_likeness(connection, machine.id, found, now)
    if kept_as is KeptAs.CURRENT:
        learn(connection, machine.id, known, seen, now)
        _renew_state(site, connection, machine, arrival, found)
        judge_machines(site, connection, [machine.id], now)


def _kept_as(machine: StoredMachine, report: Report, found: Likeness) -> KeptAs:
    if found is Likeness.IN_DOUBT:
        return KeptAs.IN_DOUBT
    return KeptAs.CURRENT if _is_newest(machine, report) else KeptAs.LATE


def _is_newest(machine: StoredMachine, report: Report) -> bool:
    if report.agent_id == machine.agent_id:
        return machine.sequence is None or report.sequence > machine.sequence
    return machine.newest is None or report.taken_at > machine.newest.report.taken_at


def _renew_state(
    site: Site,
    connection: Connection,
    machine: StoredMachine,
    arrival: Arrival,
    found: Likeness,
) -> None:
    report, now = arrival.report, arrival.received_at
    combination = combination_of_report(report)
    before = _running_before(machine, found)
    running = _running(report)
    if before and running:
        _note_change(connection, machine.id, combination, before, running)
    newest = Newest(
        report=report,
        received_at=now,
        clock_difference_seconds=arrival.clock_difference_seconds,
        running=running or before,
        firmware_on=_known(parse_release_date(report.firmware.date_text)),
        combination_id=combination_id_of(connection, combination),
    )
    machine_store.save_newest(
        connection,
        machine.id,
        newest,
        name=machine.name if _known(report.identity.hostname) is None else name_of(report.identity),
        place=machine.place or canonical_place(_known(report.identity.place)),
        sequence=report.sequence if report.agent_id == machine.agent_id else machine.sequence,
    )
    found_now = _attentions(site, connection, machine.id, arrival)
    attention_store.save_attentions(connection, machine.id, found_now, now)


def _running_before(machine: StoredMachine, found: Likeness) -> tuple[str, datetime] | None:
    if machine.newest is None or found is Likeness.BOARD_REPLACED:
        return None  # another board's version is no earlier version of this one
    return machine.newest.running


def _running(report: Report) -> tuple[str, datetime] | None:
    text = _known(report.firmware.version_text)
    return None if text is None else (text, _known(report.firmware.seen_at) or report.taken_at)


def _note_change(
    connection: Connection,
    machine_id: int,
    combination: Combination,
    before: tuple[str, datetime],
    running: tuple[str, datetime],
) -> None:
    maker, model, *_ = combination.key
    change = firmware_change(before, running, maker=maker, model=model)
    if change is not None:
        history_store.add_change(connection, machine_id, change)


def _attentions(
    site: Site, connection: Connection, machine_id: int, arrival: Arrival
) -> list[Attention]:
    found = [*attention_of_report(arrival.report, arrival.read.problems, site.policy)]
    clock = attention_of_clock(arrival.clock_difference_seconds, site.policy)
    shown_from = arrival.received_at - timedelta(days=site.config.changed_shown_days)
    changes = [
        attention_of_change(change)
        for change in history_store.load_changes(connection, machine_id, 1)
        if change.to_seen_at >= shown_from
    ]
    return [*found, *([clock] if clock else []), *changes]


def _clock_difference(now: datetime, sent_at: datetime | None) -> Maybe[int]:
    if sent_at is None:
        return Unknown("the report came without a Date header")
    return round((now - sent_at).total_seconds())


def _known(value: T | Unknown) -> T | None:
    return None if isinstance(value, Unknown) else value
