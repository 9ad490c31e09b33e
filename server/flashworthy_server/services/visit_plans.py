"""Planning a visit: what it will probably take, what stands in its way, and saving it.

A plan is worked out whenever somebody looks at it, so that it follows what is known; what is saved
is who goes where, when, and to which machines. Saving the same form twice makes one visit.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from functools import cached_property

from flashworthy_common.report import Session
from flashworthy_common.values import Unknown
from flashworthy_common.visits.foresee import foresee
from flashworthy_common.visits.lists import (
    Item,
    KeptFile,
    PlannedMachine,
    to_bring,
    to_do_before,
    to_tell,
)
from flashworthy_common.visits.order import Schedule, schedule
from flashworthy_common.visits.work import with_margin
from flashworthy_server.db import Connection
from flashworthy_server.errors import ConflictError, InvalidInputError, NotFoundError
from flashworthy_server.local_time import days_later, window_in_words
from flashworthy_server.services import audit, judgement, needs
from flashworthy_server.services.judgement import KnownMachine
from flashworthy_server.services.names import name_key
from flashworthy_server.services.places import SEPARATOR
from flashworthy_server.services.visits import VisitView, load_open, load_view
from flashworthy_server.services.who import PEOPLE, Role, Who
from flashworthy_server.site import Site
from flashworthy_server.store import accounts as account_store
from flashworthy_server.store import attentions as attention_store
from flashworthy_server.store import machines as machine_store
from flashworthy_server.store import visits as store
from flashworthy_server.store.accounts import Account
from flashworthy_server.store.machines import StoredMachine
from flashworthy_server.store.visits import Place, StoredVisit

MOST_MACHINES = 200  # of one visit
LONGEST_REMARK = 1000  # characters
LONGEST_WINDOW = timedelta(days=7)
LONGEST_KEY = 100  # characters
NEXT_VISIT_DAYS = 7  # later, where what is left over has no visit yet


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """Which machines, when, and who goes."""

    machine_ids: tuple[int, ...]
    begins_at: datetime
    ends_at: datetime
    technician_id: int
    remark: str = ""


@dataclass(frozen=True)
class VisitPlan:
    """What a visit will probably take, in the order in which the machines are looked after."""

    place: str | None
    machines: tuple[PlannedMachine, ...]
    unjudged: tuple[tuple[int, str], ...]  # number and name of machines without a report
    schedule: Schedule
    conflicts: tuple[str, ...]

    @property
    def minutes(self) -> int:
        return with_margin(self.schedule.minutes)

    @property
    def minutes_of_machines(self) -> int:
        """One after the other, without what runs beside another."""
        return sum(machine.work.minutes for machine in self.machines)

    @cached_property
    def bring(self) -> tuple[Item, ...]:
        return to_bring(self.machines, self.schedule)

    @cached_property
    def before(self) -> tuple[Item, ...]:
        return to_do_before(self.machines)

    @cached_property
    def tell(self) -> tuple[Item, ...]:
        return to_tell(self.machines)

    @property
    def order(self) -> tuple[int, ...]:
        """Numbers of all machines; what is not flashed comes last."""
        others = [machine.id for machine in self.machines]
        numbers = (*self.schedule.machine_ids, *others, *(number for number, _ in self.unjudged))
        return tuple(dict.fromkeys(numbers))

    def machine(self, machine_id: int) -> PlannedMachine | None:
        return next((each for each in self.machines if each.id == machine_id), None)


def technicians(site: Site) -> list[Account]:
    """Who can be sent: people whose role may work visits, by their names."""
    with site.database.reading() as connection:
        return [each for each in account_store.load_accounts(connection) if _may_go(each)]


def technician_named(site: Site, name: str) -> int:
    """The account of somebody who can be sent.

    Raises:
        InvalidInputError: nobody of this name may work visits.
    """
    found = [each for each in technicians(site) if each.key == name_key(name)]
    if not found:
        expected = "expected the name of somebody who may work visits"
        raise InvalidInputError("technician", f"technician: {expected}, got {name[:80]!r}")
    return found[0].id


def preview(site: Site, wanted: Wanted) -> VisitPlan:
    """What a visit would take, as it will probably be when it begins.

    Raises:
        NotFoundError: there is no such machine.
        InvalidInputError: the window or the technician cannot be.
    """
    _check(wanted)
    judgement.catch_up(site)
    with site.database.reading() as connection:
        _technician(connection, wanted.technician_id)
        return _plan(site, connection, wanted)


def plan_visit(site: Site, who: Who, wanted: Wanted, sent_key: str) -> int:
    """Save a visit; its number. A key that was sent already names the visit that it made.

    Raises:
        NotFoundError: there is no such machine.
        InvalidInputError: the window or the technician cannot be.
    """
    _check(wanted)
    judgement.catch_up(site)
    with site.database.writing() as connection:
        known = store.visit_of_key(connection, checked_key(sent_key))
        if known is not None:
            return known
        return _save(site, connection, who, wanted, sent_key)


def plan_of_visit(site: Site, visit_id: int) -> tuple[VisitView, VisitPlan]:
    """A visit with its plan as it is now: what is decided already takes no time any more."""
    judgement.catch_up(site)
    with site.database.reading() as connection:
        view = load_view(site, connection, visit_id)
        open_ids = tuple(each.id for each in view.machines if not each.state.is_decided)
        wanted = replace(_wanted(view), machine_ids=open_ids)
        return view, _plan(site, connection, wanted, view.visit)


def change_visit(site: Site, who: Who, visit_id: int, wanted: Wanted) -> VisitView:
    """Another window, technician, remark or choice of machines.

    Raises:
        ConflictError: the visit has ended, or something was noted of a machine that is left out.
    """
    _check(wanted)
    judgement.catch_up(site)
    now = site.clock()
    with site.database.writing() as connection:
        view = load_open(site, connection, visit_id)
        _keep_what_was_noted(view, wanted)
        _technician(connection, wanted.technician_id)
        plan = _plan(site, connection, wanted, view.visit)
        before, after = _told(_wanted(view)), _told(wanted)
        store.change_visit(connection, visit_id, now, **_values(wanted, plan))
        store.set_machines(connection, visit_id, _places(plan, view))
        subject = f"visit #{visit_id}"
        audit.record(connection, who, now, "visit.change", subject, before=before, after=after)
        return load_view(site, connection, visit_id)


def carry_over(site: Site, who: Who, visit_id: int, sent_key: str) -> int:
    """Take what is left over into the next visit to the same place; the number of that visit.

    Where none is planned yet, one is: at the same time of day, a week later, or a week from now
    where that is over, by the same technician.

    Raises:
        ConflictError: nothing is left over.
    """
    judgement.catch_up(site)
    with site.database.writing() as connection:
        known = store.visit_of_key(connection, checked_key(sent_key))
        if known is not None:
            return known
        view = load_view(site, connection, visit_id)
        left = tuple(each.id for each in view.left_over)
        if not left:
            raise ConflictError(f"nothing of visit #{visit_id} is left over")
        following = _following(site, connection, view.visit)
        if following is None:
            wanted = replace(_a_week_later(site, view.visit), machine_ids=left)
            return _save(site, connection, who, wanted, sent_key, from_visit=visit_id)
        return _add(site, connection, who, following, left, from_visit=visit_id)


# ---- the plan ---------------------------------------------------------------------------------


def _plan(
    site: Site, connection: Connection, wanted: Wanted, visit: StoredVisit | None = None
) -> VisitPlan:
    ids = tuple(dict.fromkeys(wanted.machine_ids))
    machines = {each.id: each for each in machine_store.load_machines(connection, ids)}
    for number in ids:
        if number not in machines:
            raise NotFoundError(f"there is no machine #{number}")
    known = judgement.know_all(connection, ids)
    planned = _planned(site, connection, [known[each] for each in ids if each in known], wanted)
    found = schedule([each.work for each in planned])
    order = {number: at for at, number in enumerate(found.machine_ids)}
    plan = VisitPlan(
        place=_common_place(each.place for each in machines.values()),
        machines=tuple(sorted(planned, key=lambda each: order.get(each.id, len(order)))),
        unjudged=tuple((each, machines[each].name) for each in ids if each not in known),
        schedule=found,
        conflicts=(),
    )
    now = site.clock()
    conflicts = (
        *_of_technician(site, connection, wanted, visit),
        *_of_machines(connection, machines, visit),
        *_of_window(wanted, plan),
        *(["its window has begun already"] if visit is None and wanted.begins_at < now else ()),
    )
    return replace(plan, conflicts=conflicts)


def _planned(
    site: Site, connection: Connection, known: Sequence[KnownMachine], wanted: Wanted
) -> list[PlannedMachine]:
    attention = attention_store.load_attentions(connection, [each.id for each in known])
    kept = needs.kept_packages(connection, (each.of.combination for each in known))
    files = {
        combination: tuple(
            KeptFile(each.package.version_text, each.file_name, each.sha256) for each in found
        )
        for combination, found in kept.items()
    }
    now = site.clock()
    return [
        PlannedMachine(
            id=each.id,
            name=each.machine.name,
            foreseen=foresee(each.machine, each.need, each.policy, now=now, at=wanted.begins_at),
            policy=each.policy,
            sessions=_sessions(each),
            attention=tuple(one.code for one in attention.get(each.id, ())),
            files=files[each.of.combination],
        )
        for each in known
    ]


def _sessions(known: KnownMachine) -> tuple[Session, ...]:
    sessions = known.machine.report.people.sessions
    return () if isinstance(sessions, Unknown) else sessions


def _common_place(places: Iterable[str | None]) -> str | None:
    """What all stand in, as far as they agree; none: they do not, or it is not known."""
    names = [place.split(SEPARATOR) for place in places if place]
    if not names:
        return None
    common = []
    for level in zip(*names, strict=False):
        if len(set(level)) > 1:
            break
        common.append(level[0])
    return SEPARATOR.join(common) or None


# ---- conflicts --------------------------------------------------------------------------------


def _of_technician(
    site: Site, connection: Connection, wanted: Wanted, visit: StoredVisit | None
) -> list[str]:
    filters = store.Filters(
        is_open=True,
        technician_id=wanted.technician_id,
        begins_before=wanted.ends_at,
        ends_after=wanted.begins_at,
    )
    found = store.load_visits(connection, filters, count=MOST_MACHINES)
    return [
        f"{each.technician} is at visit #{each.id}{_at(each)} then: {_window(site, each)}"
        for each in found
        if visit is None or each.id != visit.id
    ]


def _of_machines(
    connection: Connection, machines: dict[int, StoredMachine], visit: StoredVisit | None
) -> list[str]:
    found = store.open_visits_with(connection, machines)
    twice = [
        f"{machines[number].name} is in visit #{each.id}{_at(each)} too"
        for number, each in found
        if visit is None or each.id != visit.id
    ]
    gone = [each.name for each in machines.values() if each.out_of_service_at is not None]
    return [*twice, *(f"{name} is out of service" for name in gone)]


def _of_window(wanted: Wanted, plan: VisitPlan) -> list[str]:
    minutes = round((wanted.ends_at - wanted.begins_at).total_seconds() / 60)
    if plan.minutes <= minutes:
        return []
    return [f"the window has {minutes} minutes, and the plan takes {plan.minutes} with its margin"]


def _at(visit: StoredVisit) -> str:
    return f" ({visit.place})" if visit.place else ""


def _window(site: Site, visit: StoredVisit) -> str:
    return window_in_words(visit.begins_at, visit.ends_at, site.config.time_zone)


# ---- saving -----------------------------------------------------------------------------------


def _save(
    site: Site,
    connection: Connection,
    who: Who,
    wanted: Wanted,
    sent_key: str,
    from_visit: int | None = None,
) -> int:
    now, technician = site.clock(), _technician(connection, wanted.technician_id)
    plan = _plan(site, connection, wanted)
    visit_id = store.add_visit(
        connection,
        **_values(wanted, plan),
        from_visit=from_visit,
        planned_by=who.known_as,
        planned_at=now,
        changed_at=now,
        revision=0,
        sent_key=sent_key,
    )
    store.set_machines(connection, visit_id, _places(plan))
    after = {**_told(wanted), "technician": technician.name, "from_visit": from_visit}
    audit.record(connection, who, now, "visit.plan", f"visit #{visit_id}", after=after)
    return visit_id


def _add(
    site: Site,
    connection: Connection,
    who: Who,
    visit: StoredVisit,
    machine_ids: tuple[int, ...],
    from_visit: int,
) -> int:
    now, view = site.clock(), load_view(site, connection, visit.id)
    was = _wanted(view)
    if set(machine_ids) <= set(was.machine_ids):
        return visit.id
    wanted = replace(was, machine_ids=tuple(dict.fromkeys((*was.machine_ids, *machine_ids))))
    plan = _plan(site, connection, wanted, visit)
    store.change_visit(connection, visit.id, now, **_values(wanted, plan))
    store.set_machines(connection, visit.id, _places(plan, view))
    after = {**_told(wanted), "from_visit": from_visit}
    subject = f"visit #{visit.id}"
    audit.record(connection, who, now, "visit.change", subject, before=_told(was), after=after)
    return visit.id


def _values(wanted: Wanted, plan: VisitPlan) -> dict[str, object]:
    return {
        "place": plan.place,
        "begins_at": wanted.begins_at,
        "ends_at": wanted.ends_at,
        "technician_id": wanted.technician_id,
        "remark": wanted.remark.strip(),
        "minutes": plan.minutes,
    }


def _places(plan: VisitPlan, before: VisitView | None = None) -> list[Place]:
    """The machines in their order; what something came of keeps what was foreseen of it."""
    kept = {
        each.id: each.machine.place_in_visit
        for each in (before.machines if before else ())
        if each.notes or each.flash or each.state.is_decided
    }
    return [
        replace(kept[number], position=position)
        if number in kept
        else _place(position, number, plan.machine(number))
        for position, number in enumerate(plan.order, 1)
    ]


def _place(position: int, machine_id: int, planned: PlannedMachine | None) -> Place:
    need = planned.verdict.need if planned else None
    running = need.running if need else None
    return Place(
        machine_id=machine_id,
        position=position,
        minutes=planned.work.minutes if planned else 0,
        from_text=running if isinstance(running, str) else None,
        target_text=need.target.version_text if need and need.target else None,
        outcome=planned.foreseen.outcome.value if planned else None,
    )


def _wanted(view: VisitView) -> Wanted:
    visit = view.visit
    return Wanted(
        machine_ids=tuple(each.id for each in view.machines),
        begins_at=visit.begins_at,
        ends_at=visit.ends_at,
        technician_id=visit.technician_id,
        remark=visit.remark,
    )


def _told(wanted: Wanted) -> dict[str, object]:
    return {
        "machines": sorted(wanted.machine_ids),
        "begins_at": wanted.begins_at.isoformat(),
        "ends_at": wanted.ends_at.isoformat(),
        "technician_id": wanted.technician_id,
    }


def _following(site: Site, connection: Connection, visit: StoredVisit) -> StoredVisit | None:
    """The next visit to the same place that has not begun yet."""
    begin = max(site.clock(), visit.begins_at)
    filters = store.Filters(is_open=True, begins_from=begin)
    found = store.load_visits(connection, filters, count=MOST_MACHINES)
    later = (each for each in found if each.id != visit.id and each.place == visit.place)
    return next(later, None)


def _a_week_later(site: Site, visit: StoredVisit) -> Wanted:
    days, zone_name = NEXT_VISIT_DAYS, site.config.time_zone
    while days_later(visit.begins_at, days, zone_name) <= site.clock():
        days += NEXT_VISIT_DAYS
    begins_at = days_later(visit.begins_at, days, zone_name)
    return Wanted(
        machine_ids=(),
        begins_at=begins_at,
        ends_at=begins_at + (visit.ends_at - visit.begins_at),
        technician_id=visit.technician_id,
        remark=visit.remark,
    )


# ---- what cannot be ---------------------------------------------------------------------------


def checked_key(sent_key: str) -> str:
    """What tells a form from its second sending."""
    if not 0 < len(sent_key) <= LONGEST_KEY or not sent_key.isprintable():
        raise InvalidInputError("sent_key", "expected the key of the form: open it again")
    return sent_key


def _check(wanted: Wanted) -> None:
    if not wanted.machine_ids or len(wanted.machine_ids) > MOST_MACHINES:
        raise InvalidInputError("machine", f"expected 1 to {MOST_MACHINES} machines")
    if not timedelta(0) < wanted.ends_at - wanted.begins_at <= LONGEST_WINDOW:
        raise InvalidInputError("ends", "ends: expected a time after its begin, within a week")
    if len(wanted.remark) > LONGEST_REMARK:
        raise InvalidInputError("remark", f"expected at most {LONGEST_REMARK} characters")


def _technician(connection: Connection, account_id: int) -> Account:
    account = account_store.load_account(connection, account_id)
    if account is None or not _may_go(account):
        raise InvalidInputError("technician", "technician: expected somebody who may work visits")
    return account


def _may_go(account: Account) -> bool:
    return account.disabled_at is None and Role(account.role) in PEOPLE[1:]


def _keep_what_was_noted(view: VisitView, wanted: Wanted) -> None:
    for each in view.machines:
        if each.id not in wanted.machine_ids and (each.notes or each.flash):
            raise ConflictError(f"something was noted of {each.machine.name}: it stays")
