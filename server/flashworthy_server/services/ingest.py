"""A report arrives: kept for ever, and where it is the machine's newest, what the machine is now.

- A report that is here already changes nothing.
- The newest is the one with the highest sequence number of the machine's current agent; one that
  was carried by hand from elsewhere is newer if it was taken later. Others are history only.
- A report from other hardware than the machine's is kept, and changes nothing but attention.
- Everything that one report changes is one transaction; whoever sent it is answered after that.
"""

from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from enum import Enum
from typing import TypeVar

from flashworthy_common.aftermath import Seen
from flashworthy_common.attention import (
    Attention,
    attention_of_agent,
    attention_of_change,
    attention_of_clock,
    attention_of_report,
    firmware_change,
)
from flashworthy_common.dates import parse_release_date
from flashworthy_common.identity import Likeness, evidence_of, likeness
from flashworthy_common.makers import Combination
from flashworthy_common.policy import Policy
from flashworthy_common.report import Report
from flashworthy_common.values import Maybe, Unknown
from flashworthy_server import __version__
from flashworthy_server.db import Connection
from flashworthy_server.errors import ConflictError, ForbiddenError, InvalidTokenError
from flashworthy_server.services import audit
from flashworthy_server.services.flashes import settle
from flashworthy_server.services.judgement import judge
from flashworthy_server.services.limits import load_limits
from flashworthy_server.services.needs import combination_id_of, combination_of_report
from flashworthy_server.services.places import PlaceBy, canonical_place, follow_rules, note_place
from flashworthy_server.services.plans import digest_of
from flashworthy_server.services.recognition import (
    learn,
    name_of,
    note_copy,
    note_likeness,
    recognise_or_add,
)
from flashworthy_server.services.who import MachineAgent, Who
from flashworthy_server.site import Site
from flashworthy_server.store import attentions as attention_store
from flashworthy_server.store import history as history_store
from flashworthy_server.store import identities as identity_store
from flashworthy_server.store import machines as machine_store
from flashworthy_server.store.combinations import note_running
from flashworthy_server.store.machines import Newest, StoredMachine
from flashworthy_server.store.packing import Packed, Whole, pack, packed_against
from flashworthy_server.wire import ReadReport

T = TypeVar("T")

_CARRIED = Unknown("the report was carried by hand")
_SAID = Unknown("a person said it")


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
    address: str | None = None  # that it came from; none: no machine sent it

    @property
    def report(self) -> Report:
        return self.read.report

    @property
    def seen(self) -> Seen:
        """The report, with when it was taken by the server's clock, where that is known."""
        difference = self.clock_difference_seconds
        late_by = 0 if isinstance(difference, Unknown) else difference
        return Seen(self.report, self.report.taken_at + timedelta(seconds=late_by))


@dataclass(frozen=True, slots=True)
class Receipt:
    report_id: str
    machine_id: int
    stored: bool  # false: it was here already
    rotate_token: bool = False  # the machine should ask for a new token
    plan_digest: str | None = None  # of the machine's plan; none: the report changed nothing


def receive_report(
    site: Site,
    agent: MachineAgent,
    read: ReadReport,
    body: bytes,
    sent_at: datetime | None,
    address: str | None = None,
) -> Receipt:
    """Keep a report that a machine's agent sent.

    Args:
        sent_at: the time of the machine's clock when it sent, if it said so.
        address: that it came from.

    Raises:
        ForbiddenError: the report is another agent's.
        ConflictError: another machine has a report with this id.
    """
    report, now = read.report, site.clock()
    if report.agent_id != agent.agent_id:
        raise ForbiddenError("agent_id: this token belongs to another agent")
    arrival = Arrival(read, body, now, _clock_difference(now, sent_at), address)
    with site.database.writing() as connection:
        machine = machine_store.load_machine(connection, agent.machine_id)
        if machine is None or machine.agent_id != agent.agent_id:
            raise InvalidTokenError("the machine has a newer agent")
        receipt = _keep_once(site, connection, machine, arrival)
    return replace(receipt, rotate_token=agent.rotate_token)


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
            now=now,
        )
        if is_new and machine_store.machine_of_agent(connection, report.agent_id) is None:
            machine_store.adopt_agent(connection, machine_id, report.agent_id)
        (machine,) = machine_store.load_machines(connection, [machine_id])
        told = {"report_id": report.report_id, "is_new": is_new}
        audit.record(connection, who, now, "report.carry", f"machine #{machine_id}", after=told)
        return _keep_once(site, connection, machine, Arrival(read, body, now, _CARRIED))


def keep_word(
    site: Site, connection: Connection, machine: StoredMachine, read: ReadReport, body: bytes
) -> Receipt:
    """Keep what a person said of a machine."""
    return _keep_once(site, connection, machine, Arrival(read, body, site.clock(), _SAID))


def _keep_once(
    site: Site, connection: Connection, machine: StoredMachine, arrival: Arrival
) -> Receipt:
    report_id = arrival.report.report_id
    known = history_store.machine_of_report(connection, report_id)
    if known not in (None, machine.id):
        raise ConflictError("report_id: another machine has a report with this id")
    if known is not None:
        return Receipt(report_id, machine.id, stored=False)
    digest = _keep(site, connection, machine, arrival)
    return Receipt(report_id, machine.id, stored=True, plan_digest=digest)


def _keep(
    site: Site, connection: Connection, machine: StoredMachine, arrival: Arrival
) -> str | None:
    """The digest of the machine's plan, where the report is what the machine is now."""
    report, now = arrival.report, arrival.received_at
    seen = evidence_of(report.identity)
    known = identity_store.load_evidence(connection, machine.id)
    found = likeness(known, seen)
    if _is_told_twice(connection, machine, report):
        note_copy(connection, machine.id, now)
    kept_as = _kept_as(machine, report, found)
    number, packed = machine.report_number + 1, pack(arrival.body, machine.whole, now)
    history_store.add_report(
        connection,
        machine.id,
        number,
        report,
        packed,
        received_at=now,
        kept_as=kept_as.value,
    )
    machine_store.save_report_number(connection, machine.id, number)
    if kept_as is not KeptAs.LATE:
        note_likeness(connection, machine.id, found, now)
    if kept_as is not KeptAs.CURRENT:
        return None
    learn(connection, machine.id, known, seen, now)
    if packed.whole is None:
        whole = Whole(number, now, packed.body)
        machine_store.save_whole(connection, machine.id, whole)
        packed = Packed(packed_against(arrival.body, whole.text), number)
    _renew_state(site, connection, machine, arrival, found, packed.body)
    return digest_of(judge(site, connection, machine.id, now))


def _kept_as(machine: StoredMachine, report: Report, found: Likeness) -> KeptAs:
    if found is Likeness.IN_DOUBT:
        return KeptAs.IN_DOUBT
    return KeptAs.CURRENT if _is_newest(machine, report) else KeptAs.LATE


def _is_told_twice(connection: Connection, machine: StoredMachine, report: Report) -> bool:
    """Whether the agent gave this number to another report: it is a copy, or was set back."""
    is_behind = machine.sequence is not None and report.sequence <= machine.sequence
    return is_behind and history_store.has_sequence(
        connection, machine.id, report.agent_id, report.sequence
    )


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
    body: bytes,
) -> None:
    report, now = arrival.report, arrival.received_at
    combination = combination_of_report(report)
    before = _running_before(machine, found)
    running = _running(report)
    policy = load_limits(connection).policy_at(machine.place)
    settled = settle(site, connection, machine, arrival.seen, combination, policy)
    if before and running:
        _note_change(connection, machine.id, combination, before, running, settled.flash_id)
    newest = Newest(
        report=report,
        received_at=now,
        clock_difference_seconds=arrival.clock_difference_seconds,
        running=running or before,
        running_since=_running_since(machine, before, running),
        firmware_on=_known(parse_release_date(report.firmware.date_text)),
        combination_id=combination_id_of(connection, combination),
        address=arrival.address,
    )
    name = machine.name if _known(report.identity.hostname) is None else name_of(report.identity)
    machine_store.save_newest(
        connection,
        machine,
        newest,
        body,
        name=name,
        sequence=report.sequence if report.agent_id == machine.agent_id else machine.sequence,
    )
    is_new = machine.newest is None or machine.newest.combination_id != newest.combination_id
    if is_new and newest.running_since:
        note_running(connection, newest.combination_id, newest.running_since)
    place = canonical_place(_known(report.identity.place))
    note_place(connection, machine, place, PlaceBy.AGENT)
    if place is None:
        follow_rules(connection, machine, name, arrival.address)
    found_now = _attentions(site, connection, machine.id, arrival, policy)
    attention_store.save_attentions(connection, machine.id, [*found_now, *settled.attentions], now)


def _running_before(machine: StoredMachine, found: Likeness) -> tuple[str, datetime] | None:
    if machine.newest is None or found is Likeness.BOARD_REPLACED:
        return None  # another board's version is no earlier version of this one
    return machine.newest.running


def _running(report: Report) -> tuple[str, datetime] | None:
    text = _known(report.firmware.version_text)
    return None if text is None else (text, _known(report.firmware.seen_at) or report.taken_at)


def _running_since(
    machine: StoredMachine,
    before: tuple[str, datetime] | None,
    running: tuple[str, datetime] | None,
) -> datetime | None:
    """When the machine was first seen to run what it runs."""
    is_as_before = before is not None and (running is None or running[0] == before[0])
    if is_as_before and machine.newest is not None:
        return machine.newest.running_since
    return None if running is None else running[1]


def _note_change(
    connection: Connection,
    machine_id: int,
    combination: Combination,
    before: tuple[str, datetime],
    running: tuple[str, datetime],
    flash_id: int | None,
) -> None:
    maker, model, *_ = combination.key
    change = firmware_change(before, running, maker=maker, model=model)
    if change is not None:
        history_store.add_change(connection, machine_id, change, flash_id)


def _attentions(
    site: Site, connection: Connection, machine_id: int, arrival: Arrival, policy: Policy
) -> list[Attention]:
    found = [*attention_of_report(arrival.report, arrival.read.problems, policy)]
    clock = attention_of_clock(arrival.clock_difference_seconds, policy)
    agent = attention_of_agent(arrival.report.agent.version, __version__)
    shown_from = arrival.received_at - timedelta(days=site.config.changed_shown_days)
    changes = [
        attention_of_change(change)
        for change in history_store.load_changes(connection, machine_id, 1)
        if change.to_seen_at >= shown_from and not change.is_planned
    ]
    return [*found, *filter(None, (clock, agent)), *changes]


def _clock_difference(now: datetime, sent_at: datetime | None) -> Maybe[int]:
    if sent_at is None:
        return Unknown("the report came without a Date header")
    return round((now - sent_at).total_seconds())


def _known(value: T | Unknown) -> T | None:
    return None if isinstance(value, Unknown) else value
