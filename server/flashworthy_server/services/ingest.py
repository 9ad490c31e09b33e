"""A report arrives: kept for ever, and where it is the machine's newest, what the machine is now.

- A report that is here already changes nothing.
- The newest is the one with the highest sequence number of the machine's current agent; one that
  was carried by hand from elsewhere is newer if it was taken later. Others are history only.
- A report from other hardware than the machine's is kept, and changes nothing but attention.
- Reports that wait together are one transaction (`flashworthy_server.intake`); whoever sent them
  is answered after that. What most reports need is read and written for all of them at once; what
  happens to few, such as a version that changed, for each by itself.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from enum import Enum
from functools import partial
from typing import TypeVar

from flashworthy_common.aftermath import Seen
from flashworthy_common.attention import (
    Attention,
    FirmwareChange,
    attention_of_agent,
    attention_of_change,
    attention_of_clock,
    attention_of_report,
    firmware_change,
)
from flashworthy_common.dates import parse_release_date
from flashworthy_common.identity import Evidence, Likeness, evidence_of, likeness
from flashworthy_common.makers import Combination
from flashworthy_common.policy import Policy
from flashworthy_common.report import Report
from flashworthy_common.values import Maybe, Unknown
from flashworthy_server import __version__
from flashworthy_server.config import Config
from flashworthy_server.db import Connection
from flashworthy_server.errors import (
    ConflictError,
    ForbiddenError,
    InvalidTokenError,
    ServerError,
)
from flashworthy_server.intake import Bounds, Take
from flashworthy_server.services import audit
from flashworthy_server.services.credentials import forget_token
from flashworthy_server.services.flashes import Settled, settle
from flashworthy_server.services.judgement import (
    KnownMachine,
    due_at,
    judgement_of,
    know_reported,
)
from flashworthy_server.services.limits import Limits, load_limits
from flashworthy_server.services.needs import combination_of_report, load_reported
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
from flashworthy_server.store.history import NewReport
from flashworthy_server.store.machines import Newest, Reported, StoredMachine
from flashworthy_server.store.packing import Packed, Whole, pack, packed_against
from flashworthy_server.wire import ReadReport

T = TypeVar("T")

_CARRIED = Unknown("the report was carried by hand")
_SAID = Unknown("a person said it")


class KeptAs(Enum):
    CURRENT = "current"  # the newest when it came
    LATE = "late"  # a newer one was here already
    IN_DOUBT = "in-doubt"  # it came from other hardware


# What follows is not frozen, though nothing changes one: each report makes one of each.


@dataclass(slots=True)
class Arrival:
    """A report as it came: whose, read, its body byte for byte, and when.

    What follows from it alone is worked out when it is made, before anybody waits for it.
    """

    machine_id: int
    read: ReadReport
    body: bytes
    received_at: datetime
    clock_difference_seconds: Maybe[int]
    token_digest: str | None = None  # of what let it in, which must still be the machine's
    address: str | None = None  # that it came from; none: no machine sent it
    report: Report = field(init=False)
    seen: Seen = field(init=False)  # when it was taken by the server's clock, where that is known
    evidence: Evidence = field(init=False)
    combination: Combination = field(init=False)

    def __post_init__(self) -> None:
        self.report = report = self.read.report
        self.seen = Seen(report, _by_our_clock(report.taken_at, self.clock_difference_seconds))
        self.evidence = evidence_of(report.identity)
        self.combination = combination_of_report(report)


MayBeHere = Callable[[Arrival, StoredMachine], bool]


@dataclass(slots=True)
class Receipt:
    report_id: str
    machine_id: int
    stored: bool  # false: it was here already
    rotate_token: bool = False  # the machine should ask for a new token
    plan_digest: str | None = None  # of the machine's plan; none: the report changed nothing


@dataclass(slots=True)
class Taken:
    """What came of a report that was taken."""

    arrival: Arrival
    machine: StoredMachine  # as it was before
    is_new: bool  # false: it was here already
    known: KnownMachine | None = None  # by this report; none: it changed nothing

    def receipt(self) -> Receipt:
        """To be asked for once it is kept: nobody else has to wait until the plan is digested."""
        return Receipt(
            self.arrival.report.report_id,
            self.arrival.machine_id,
            self.is_new,
            rotate_token=self.arrival.token_digest in self.machine.token_digests[1:],
            plan_digest=digest_of(self.known) if self.known else None,
        )


@dataclass(slots=True)
class _Kept:
    """A new report of a machine, beside what was known of the machine before."""

    arrival: Arrival
    machine: StoredMachine
    known: Evidence
    seen: Evidence
    found: Likeness
    as_: KeptAs
    number: int
    packed: Packed

    @property
    def is_current(self) -> bool:
        return self.as_ is KeptAs.CURRENT


@dataclass(slots=True)
class _Renewed:
    """A machine as its newest report leaves it."""

    kept: _Kept
    machine: StoredMachine  # where it stands by now
    newest: Newest
    policy: Policy
    settled: Settled


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
        InvalidTokenError: the token is no longer the machine's.
        ConflictError: another machine has a report with this id.
        BusyError: too many reports wait already.
    """
    if read.report.agent_id != agent.agent_id:
        raise ForbiddenError("agent_id: this token belongs to another agent")
    now = site.clock()
    difference = _clock_difference(now, sent_at)
    arrival = Arrival(agent.machine_id, read, body, now, difference, agent.token_digest, address)
    try:
        taken: Taken = site.intake.hand_in(arrival, partial(_keep_all, site), _bounds(site.config))
    except InvalidTokenError:
        forget_token(site, agent.token_digest)
        raise
    receipt = taken.receipt()
    return replace(receipt, rotate_token=True) if agent.rotate_token else receipt


def is_full(site: Site) -> bool:
    """Whether a report that comes now is turned away."""
    return site.intake.waiting >= site.config.waiting_reports


def _bounds(config: Config) -> Bounds:
    return Bounds(config.waiting_reports, config.reports_together, config.database_wait_seconds)


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
        told = {"report_id": report.report_id, "is_new": is_new}
        audit.record(connection, who, now, "report.carry", f"machine #{machine_id}", after=told)
        return _keep_one(site, connection, Arrival(machine_id, read, body, now, _CARRIED)).receipt()


def keep_word(
    site: Site, connection: Connection, machine_id: int, read: ReadReport, body: bytes
) -> Receipt:
    """Keep what a person said of a machine."""
    arrival = Arrival(machine_id, read, body, site.clock(), _SAID)
    return _keep_one(site, connection, arrival).receipt()


# ---- many at once -----------------------------------------------------------------------------


def _keep_all(site: Site, take: Take[Arrival]) -> list[Taken | Exception]:
    """Keep reports in one transaction, beside other processes; where that fails, each alone."""
    arrivals: Sequence[Arrival] = ()
    try:
        with site.database.writing(beside_others=True) as connection:
            arrivals = take()
            return _keep(site, connection, arrivals, _is_likely_here)
    except ServerError as error:  # the database is busy or full, whatever is to be kept
        return [error] * len(arrivals or take())
    except Exception:  # noqa: BLE001  (one cannot be kept, or another process was in its way)
        return [_keep_alone(site, each) for each in arrivals or take()]


def _keep_alone(site: Site, arrival: Arrival) -> Taken | Exception:
    try:
        with site.database.writing() as connection:
            return _keep_one(site, connection, arrival)
    except Exception as error:  # noqa: BLE001  (one that cannot be kept must not fail the others)
        return error


def _keep_one(site: Site, connection: Connection, arrival: Arrival) -> Taken:
    (found,) = _keep(site, connection, [arrival], lambda *_: True)
    if isinstance(found, Exception):
        raise found
    return found


def _is_likely_here(arrival: Arrival, machine: StoredMachine) -> bool:
    """Whether the report may have come before: its agent gave a number as high already.

    One with a new number is taken for new, without a query; where its id is another report's after
    all, the database refuses it, and all that wait with it are kept one by one.
    """
    report, last = arrival.report, machine.sequence
    return report.agent_id != machine.agent_id or last is None or report.sequence <= last


def _keep(
    site: Site, connection: Connection, arrivals: Sequence[Arrival], is_likely_here: MayBeHere
) -> list[Taken | Exception]:
    """What came of each; of one machine, each is kept before the next is looked at.

    Args:
        is_likely_here: of which reports it is asked whether they came before.
    """
    found: dict[int, Taken | Exception] = {}
    limits = load_limits(connection)
    for turn in _turns(arrivals):
        found |= _keep_turn(site, connection, turn, limits, is_likely_here)
    return [found[id(each)] for each in arrivals]


def _turns(arrivals: Iterable[Arrival]) -> list[list[Arrival]]:
    """Reports in their order, split so that no machine has two in one part."""
    turns: list[list[Arrival]] = []
    count: dict[int, int] = {}
    for each in arrivals:
        turn = count[each.machine_id] = count.get(each.machine_id, -1) + 1
        if turn == len(turns):
            turns.append([])
        turns[turn].append(each)
    return turns


def _keep_turn(
    site: Site,
    connection: Connection,
    arrivals: Sequence[Arrival],
    limits: Limits,
    is_likely_here: MayBeHere,
) -> dict[int, Taken | Exception]:
    """What came of each, by the identity of the arrival; each is of another machine."""
    machines = machine_store.take_machines(connection, [each.machine_id for each in arrivals])
    found: dict[int, Taken | Exception] = {}
    let_in: list[tuple[Arrival, StoredMachine]] = []
    for each in arrivals:
        try:
            let_in.append((each, _let_in(each, machines)))
        except InvalidTokenError as error:
            found[id(each)] = error
    likely = [each.report.report_id for each, machine in let_in if is_likely_here(each, machine)]
    owners = history_store.machines_of_reports(connection, likely)
    found |= {
        id(each): _of_known(each, machine, owners[each.report.report_id])
        for each, machine in let_in
        if each.report.report_id in owners
    }
    kept = _add(connection, [each for each in let_in if id(each[0]) not in found])
    known = _renew_machines(site, connection, [each for each in kept if each.is_current], limits)
    for new in kept:
        machine = new.machine
        found[id(new.arrival)] = Taken(new.arrival, machine, True, known.get(machine.id))
    return found


def _let_in(arrival: Arrival, machines: Mapping[int, StoredMachine]) -> StoredMachine:
    """The machine, unless the token is no longer what it was when it was looked at before."""
    machine = machines.get(arrival.machine_id)
    if machine is None or arrival.token_digest not in (None, *machine.token_digests):
        raise InvalidTokenError("the token is unknown, expired or revoked")
    return machine


def _of_known(arrival: Arrival, machine: StoredMachine, owner: int) -> Taken | Exception:
    """What came of a report whose id is here already."""
    if owner != arrival.machine_id:
        return ConflictError("report_id: another machine has a report with this id")
    return Taken(arrival, machine, False)


def _add(connection: Connection, fresh: Sequence[tuple[Arrival, StoredMachine]]) -> list[_Kept]:
    """Add reports to the history, and note what they say of who sent them."""
    evidence = identity_store.evidence_of_machines(connection, [machine.id for _, machine in fresh])
    kept = [_weighed(arrival, machine, evidence[machine.id]) for arrival, machine in fresh]
    for each in kept:
        _note_identity(connection, each)
    history_store.add_reports(connection, [_new_report(each) for each in kept])
    others = {each.machine.id: each.number for each in kept if not each.is_current}
    machine_store.save_report_numbers(connection, others)
    return kept


def _weighed(arrival: Arrival, machine: StoredMachine, known: Evidence) -> _Kept:
    seen = arrival.evidence
    found = likeness(known, seen)
    return _Kept(
        arrival=arrival,
        machine=machine,
        known=known,
        seen=seen,
        found=found,
        as_=_kept_as(machine, arrival.report, found),
        number=machine.report_number + 1,
        packed=pack(arrival.body, machine.whole, arrival.received_at),
    )


def _new_report(kept: _Kept) -> NewReport:
    arrival = kept.arrival
    return NewReport(
        kept.machine.id,
        kept.number,
        arrival.report,
        kept.packed,
        arrival.received_at,
        kept.as_.value,
    )


# ---- whose report it is -----------------------------------------------------------------------


def _kept_as(machine: StoredMachine, report: Report, found: Likeness) -> KeptAs:
    if found is Likeness.IN_DOUBT:
        return KeptAs.IN_DOUBT
    return KeptAs.CURRENT if _is_newest(machine, report) else KeptAs.LATE


def _is_newest(machine: StoredMachine, report: Report) -> bool:
    if report.agent_id == machine.agent_id:
        return machine.sequence is None or report.sequence > machine.sequence
    return machine.newest is None or report.taken_at > machine.newest.taken_at


def _note_identity(connection: Connection, kept: _Kept) -> None:
    """Before the report is in the history: a copy of its agent may have been here first."""
    machine, report, now = kept.machine, kept.arrival.report, kept.arrival.received_at
    if _is_told_twice(connection, machine, report):
        note_copy(connection, machine.id, now)
    if kept.as_ is not KeptAs.LATE:
        note_likeness(connection, machine.id, kept.found, now)
    if kept.is_current:
        learn(connection, machine.id, kept.known, kept.seen, now)


def _is_told_twice(connection: Connection, machine: StoredMachine, report: Report) -> bool:
    """Whether the agent gave this number to another report: it is a copy, or was set back."""
    is_behind = machine.sequence is not None and report.sequence <= machine.sequence
    return is_behind and history_store.has_sequence(
        connection, machine.id, report.agent_id, report.sequence
    )


# ---- what the machine is now ------------------------------------------------------------------


def _renew_machines(
    site: Site, connection: Connection, kept: Sequence[_Kept], limits: Limits
) -> dict[int, KnownMachine]:
    """Renew what machines are by their newest reports; what their verdicts rest on, by machine."""
    if not kept:
        return {}
    combinations = [each.arrival.combination for each in kept]
    likely = [each.machine.newest.combination_id for each in kept if each.machine.newest]
    stored = load_reported(connection, combinations, likely)
    renewed = [
        _renewed(site, connection, each, stored[each.arrival.combination.key].id, limits)
        for each in kept
    ]
    _save_attentions(site, connection, renewed)
    by_id = {each.id: each for each in stored.values()}
    reported = [(each.machine, each.newest) for each in renewed]
    known = list(know_reported(connection, reported, by_id, limits))
    _save(connection, zip(renewed, known, strict=True), limits.policy_at(None))
    return {each.id: each for each in known}


def _renewed(
    site: Site,
    connection: Connection,
    kept: _Kept,
    combination_id: int,
    limits: Limits,
) -> _Renewed:
    arrival, machine, report = kept.arrival, kept.machine, kept.arrival.report
    combination = arrival.combination
    before, running = _running_before(machine, kept.found), _running(report)
    policy = limits.policy_at(machine.place)
    settled = settle(site, connection, machine, arrival.seen, combination, policy)
    if before and running:
        _note_change(connection, machine.id, combination, before, running, settled.flash_id)
    newest = Newest(
        read=lambda: report,
        taken_at=report.taken_at,
        received_at=arrival.received_at,
        clock_difference_seconds=arrival.clock_difference_seconds,
        running=running or before,
        running_since=_running_since(machine, before, running),
        firmware_on=_known(parse_release_date(report.firmware.date_text)),
        combination_id=combination_id,
        address=arrival.address,
    )
    is_new = machine.newest is None or machine.newest.combination_id != newest.combination_id
    if is_new and newest.running_since:
        note_running(connection, newest.combination_id, newest.running_since)
    place = canonical_place(_known(report.identity.place))
    has_name = _known(report.identity.hostname) is not None
    name = name_of(report.identity) if has_name else machine.name
    if place is None:
        placed = follow_rules(connection, machine, name, arrival.address)
    else:
        placed = note_place(connection, machine, place, PlaceBy.AGENT)
    if name != placed.name:
        placed = replace(placed, name=name)
    return _Renewed(kept, placed, newest, policy, settled)


def _save(
    connection: Connection, renewed: Iterable[tuple[_Renewed, KnownMachine]], of_site: Policy
) -> None:
    wholes: dict[int, Whole] = {}
    reported = []
    for each, known in renewed:
        kept, machine, report = each.kept, each.machine, each.kept.arrival.report
        now = kept.arrival.received_at
        judgement = judgement_of(known, now)
        whole, body = _against_whole(kept)
        if whole is not machine.whole:
            wholes[machine.id] = whole
        is_of_agent = report.agent_id == machine.agent_id
        reported.append(
            Reported(
                was=kept.machine,
                report_id=report.report_id,
                name=machine.name,
                number=kept.number,
                sequence=report.sequence if is_of_agent else machine.sequence,
                newest=each.newest,
                body=body,
                judgement=judgement,
                due_at=due_at(judgement, now, of_site, now),
            )
        )
    machine_store.save_wholes(connection, wholes)
    machine_store.save_reported(connection, reported)


def _against_whole(kept: _Kept) -> tuple[Whole, bytes]:
    """The body that the machine's next reports are held against, and this one held against it."""
    if kept.packed.whole is not None and kept.machine.whole is not None:
        return kept.machine.whole, kept.packed.body
    whole = Whole(kept.number, kept.arrival.received_at, kept.packed.body)
    return whole, packed_against(kept.arrival.body, kept.arrival.body)


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


# ---- what asks for attention ------------------------------------------------------------------


def _save_attentions(site: Site, connection: Connection, renewed: Sequence[_Renewed]) -> None:
    now = site.clock()
    shown_from = now - timedelta(days=site.config.changed_shown_days)
    changed = [each.machine.id for each in renewed if each.newest.runs_since(shown_from)]
    changes = history_store.last_changes(connection, changed, shown_from)
    found = {
        each.machine.id: list(_attentions(each, changes.get(each.machine.id))) for each in renewed
    }
    attention_store.save_attentions(connection, found, now)


def _attentions(renewed: _Renewed, change: FirmwareChange | None) -> Iterator[Attention]:
    arrival, policy = renewed.kept.arrival, renewed.policy
    yield from attention_of_report(arrival.report, arrival.read.problems, policy)
    if clock := attention_of_clock(arrival.clock_difference_seconds, policy):
        yield clock
    if agent := attention_of_agent(arrival.report.agent.version, __version__):
        yield agent
    if change is not None and not change.is_planned:
        yield attention_of_change(change)
    yield from renewed.settled.attentions


def _by_our_clock(taken_at: datetime, difference: Maybe[int]) -> datetime:
    if isinstance(difference, Unknown):
        return taken_at
    try:
        return taken_at + timedelta(seconds=difference)
    except OverflowError:  # its clock stands at an end of the calendar
        return taken_at


def _clock_difference(now: datetime, sent_at: datetime | None) -> Maybe[int]:
    if sent_at is None:
        return Unknown("the report came without a Date header")
    return round((now - sent_at).total_seconds())


def _known(value: T | Unknown) -> T | None:
    return None if isinstance(value, Unknown) else value
