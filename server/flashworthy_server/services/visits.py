"""Visits as they stand: what came of each machine, and when a visit is over.

- What came of a machine follows from its flashes, its newest report and what was noted, whenever
  somebody asks; nothing of it is stored twice (`flashworthy_common.visits.progress`).
- A visit is closed when all its machines are decided: by whoever looks at it, or by the worker.
  A person may end it before that, and says why; what was not decided then is told with it.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import Enum
from functools import cached_property

from flashworthy_common.errors import MalformedValueError
from flashworthy_common.readiness import Outcome
from flashworthy_common.values import read_time
from flashworthy_common.visits.progress import (
    LEFT_OVER,
    Evidence,
    Progress,
    Standing,
    State,
    Word,
    is_over,
    standing_of,
    state_of,
)
from flashworthy_server.db import Connection
from flashworthy_server.errors import ConflictError, InvalidInputError, NotFoundError
from flashworthy_server.local_time import day_window
from flashworthy_server.services import audit, judgement
from flashworthy_server.services.who import Who
from flashworthy_server.site import Site
from flashworthy_server.store import visits as store
from flashworthy_server.store.visits import Filters as Filters
from flashworthy_server.store.visits import FlashAtVisit, Note, VisitedMachine
from flashworthy_server.store.visits import StoredVisit as StoredVisit

MOST_OPEN = 1000  # visits that are looked through for those that are over
MOST_TODAY = 20  # visits of the first page
LONGEST_REASON = 500  # characters
# A flash that was noted elsewhere belongs to a visit from so long before its window until so long
# after it.
_EARLY, _LATE = timedelta(hours=2), timedelta(hours=12)


class Noted(Enum):
    """What is noted during a visit."""

    STARTED = "started"  # a flash
    DONE = "done"  # by a person's word
    COULD_NOT = "could-not"
    CONFIRMED = "confirmed"
    TOLD = "told"  # the people concerned


@dataclass(frozen=True)
class MachineAtVisit:
    """One machine of a visit, with what came of it."""

    machine: VisitedMachine
    state: State
    notes: tuple[Note, ...]
    flash: FlashAtVisit | None  # the last one
    outcome: str | None  # of the verdict at the desk, now or when the visit ended

    @property
    def id(self) -> int:
        return self.machine.place_in_visit.machine_id

    @cached_property
    def taken(self) -> tuple[datetime, datetime] | None:
        """From the first to the last that was noted of it; a report ends what nobody ended."""
        begun = [note.at for note in self.notes if note.what != Noted.CONFIRMED.value]
        ended = list(begun)
        if self.flash:
            begun.append(self.flash.seen.started_at)
            ended.append(self.flash.seen.started_at)
            if self.flash.closed_at and not self.flash.done_at:
                ended.append(self.flash.closed_at)
        return (min(begun), max(ended)) if begun else None


@dataclass(frozen=True)
class VisitView:
    visit: StoredVisit
    standing: Standing
    machines: tuple[MachineAtVisit, ...]
    notes: tuple[Note, ...]  # of the visit as a whole

    @property
    def left_over(self) -> tuple[MachineAtVisit, ...]:
        """What is for the next visit."""
        return tuple(each for each in self.machines if each.state.progress in LEFT_OVER)

    @property
    def undecided(self) -> tuple[MachineAtVisit, ...]:
        return tuple(each for each in self.machines if not each.state.is_decided)

    @property
    def counts(self) -> dict[str, int]:
        """Machines by what came of them."""
        found = [each.state.progress.value for each in self.machines]
        return {name: found.count(name) for name in dict.fromkeys(found)}

    @property
    def minutes_taken(self) -> int | None:
        """From the first to the last that was noted; none: nothing was."""
        spans = [each.taken for each in self.machines if each.taken]
        if not spans:
            return None
        span = max(end for _, end in spans) - min(begin for begin, _ in spans)
        return round(span.total_seconds() / 60)

    def machine(self, machine_id: int) -> MachineAtVisit:
        """
        Raises:
            NotFoundError: it is not in the visit.
        """
        found = next((each for each in self.machines if each.id == machine_id), None)
        if found is None:
            raise NotFoundError(f"machine #{machine_id} is not in visit #{self.visit.id}")
        return found


def view_visit(site: Site, visit_id: int) -> VisitView:
    """A visit as it stands now; it is closed where all its machines are decided.

    Raises:
        NotFoundError: there is no such visit.
    """
    judgement.catch_up(site)
    with site.database.reading() as connection:
        view = load_view(site, connection, visit_id)
    if not _is_to_be_closed(view, site.clock()):
        return view
    with site.database.writing() as connection:
        return _close_if_over(site, connection, visit_id)


def list_visits(
    site: Site,
    filters: Filters,
    *,
    after: tuple[datetime, int] | None = None,
    count: int,
) -> list[VisitView]:
    """At most `count` visits, the earliest first, each as it stands now."""
    with site.database.reading() as connection:
        found = store.load_visits(connection, filters, after=after, count=count)
        return views(site, connection, found)


def visits_of_today(site: Site) -> list[VisitView]:
    """Open visits that begin before the site's day is over: today's, and those not finished."""
    _, ends_at = day_window(site.clock(), site.config.time_zone)
    return list_visits(site, Filters(is_open=True, begins_before=ends_at), count=MOST_TODAY)


def close_those_over(site: Site) -> int:
    """Close every open visit whose machines are all decided; how many were."""
    now, closed = site.clock(), 0
    with site.database.reading() as connection:
        found = store.load_visits(connection, Filters(is_open=True), count=MOST_OPEN)
        over = [view for view in views(site, connection, found) if _is_to_be_closed(view, now)]
    for view in over:
        with site.database.writing() as connection:
            closed += _close_if_over(site, connection, view.visit.id).visit.ended_at is not None
    return closed


def end_visit(site: Site, who: Who, visit_id: int, reason: str) -> VisitView:
    """End a visit by hand; what is not decided is told with it.

    Raises:
        ConflictError: it has ended.
        InvalidInputError: it is not said why.
    """
    now, said = site.clock(), reason_of(reason)
    with site.database.writing() as connection:
        view = load_open(site, connection, visit_id)
        against = [f"{each.machine.name}: {_in_words(each.state)}" for each in view.undecided]
        _end(connection, view, now, by=who.known_as, because=said)
        after = {"because": said, "not decided": against}
        audit.record(connection, who, now, "visit.end", f"visit #{visit_id}", after=after)
        return load_view(site, connection, visit_id)


def call_off(site: Site, who: Who, visit_id: int, reason: str) -> VisitView:
    """It does not take place.

    Raises:
        ConflictError: it has ended.
        InvalidInputError: it is not said why.
    """
    now, said = site.clock(), reason_of(reason)
    with site.database.writing() as connection:
        load_open(site, connection, visit_id)
        values = {"ended_at": now, "ended_by": who.known_as, "ended_because": said}
        store.change_visit(connection, visit_id, now, called_off=True, **values)
        after = {"because": said}
        audit.record(connection, who, now, "visit.call-off", f"visit #{visit_id}", after=after)
        return load_view(site, connection, visit_id)


def load_open(site: Site, connection: Connection, visit_id: int) -> VisitView:
    """
    Raises:
        NotFoundError: there is no such visit.
        ConflictError: it has ended.
    """
    view = load_view(site, connection, visit_id)
    if view.visit.ended_at is not None:
        raise ConflictError(f"visit #{visit_id} has ended: plan another one")
    return view


def load_view(site: Site, connection: Connection, visit_id: int) -> VisitView:
    visit = store.load_visit(connection, visit_id)
    if visit is None:
        raise NotFoundError(f"there is no visit #{visit_id}")
    (view,) = views(site, connection, [visit])
    return view


def views(site: Site, connection: Connection, visits: list[StoredVisit]) -> list[VisitView]:
    """Visits as they stand now, read together."""
    ids = [visit.id for visit in visits]
    machines, notes = store.machines_of(connection, ids), store.notes_of(connection, ids)
    numbers = {each.place_in_visit.machine_id for some in machines.values() for each in some}
    since = min((visit.begins_at for visit in visits), default=site.clock()) - _EARLY
    noted_since = min((visit.planned_at for visit in visits), default=since)
    flashes = store.flashes_since(connection, sorted(numbers), min(since, noted_since))
    return [
        _view(visit, machines.get(visit.id, []), notes.get(visit.id, []), flashes, site.clock())
        for visit in visits
    ]


def time_of_cursor(text: str) -> datetime:
    """Where a page of visits begins.

    Raises:
        InvalidInputError: it is no time.
    """
    try:
        return read_time(text, "after")
    except MalformedValueError as error:
        raise InvalidInputError("after", "expected a cursor from a link, as it came") from error


def reason_of(text: str, field: str = "reason") -> str:
    """Why, as a person typed it.

    Raises:
        InvalidInputError: nothing is said, or too much.
    """
    said = " ".join(text.split())
    if not said or len(said) > LONGEST_REASON:
        raise InvalidInputError(field, f"expected why, in 1 to {LONGEST_REASON} characters")
    return said


def _view(
    visit: StoredVisit,
    machines: Iterable[VisitedMachine],
    notes: list[Note],
    flashes: dict[int, list[FlashAtVisit]],
    now: datetime,
) -> VisitView:
    found = tuple(
        _at_visit(visit, machine, notes, flashes.get(machine.place_in_visit.machine_id, []), now)
        for machine in machines
    )
    standing = standing_of(
        (each.state for each in found),
        begins_at=visit.begins_at,
        ends_at=visit.ends_at,
        now=now,
        is_closed=visit.ended_at is not None,
        is_called_off=visit.called_off,
    )
    return VisitView(visit, standing, found, tuple(n for n in notes if n.machine_id is None))


def _at_visit(
    visit: StoredVisit,
    machine: VisitedMachine,
    notes: list[Note],
    flashes: list[FlashAtVisit],
    now: datetime,
) -> MachineAtVisit:
    own = tuple(note for note in notes if note.machine_id == machine.place_in_visit.machine_id)
    flash = next((each for each in reversed(flashes) if _belongs(each, visit)), None)
    could_not = next((n for n in reversed(own) if n.what == Noted.COULD_NOT.value), None)
    place, is_closed = machine.place_in_visit, visit.ended_at is not None
    outcome = place.outcome if is_closed else machine.outcome_now
    evidence = Evidence(
        outcome=Outcome(outcome) if outcome else None,
        running_text=_running(visit, machine),
        from_text=place.from_text,
        target_text=place.target_text,
        reported_at=machine.received_at,
        flash=flash.seen if flash else None,
        could_not=Word(could_not.says, could_not.by, could_not.at) if could_not else None,
    )
    return MachineAtVisit(machine, state_of(evidence, now), own, flash, outcome)


def _belongs(flash: FlashAtVisit, visit: StoredVisit) -> bool:
    if flash.visit_id is not None:
        return flash.visit_id == visit.id
    until = visit.ended_at or visit.ends_at + _LATE
    return visit.begins_at - _EARLY <= flash.seen.started_at <= until


def _running(visit: StoredVisit, machine: VisitedMachine) -> str | None:
    """What ran while the visit was open; a version that came later is none of its doing."""
    since = machine.running_since
    came_later = visit.ended_at and since and since > visit.ended_at
    return machine.place_in_visit.from_text if came_later else machine.running_text


def _is_to_be_closed(view: VisitView, now: datetime) -> bool:
    states = [each.state for each in view.machines]
    is_open = view.visit.ended_at is None
    return is_open and is_over(states, begins_at=view.visit.begins_at, now=now)


def _close_if_over(site: Site, connection: Connection, visit_id: int) -> VisitView:
    """Once more within a transaction that may write: someone else may have been first."""
    now, view = site.clock(), load_view(site, connection, visit_id)
    if not _is_to_be_closed(view, now):
        return view
    _end(connection, view, now, by=None, because=None)
    return load_view(site, connection, visit_id)


def _end(
    connection: Connection, view: VisitView, now: datetime, *, by: str | None, because: str | None
) -> None:
    values = {"ended_at": now, "ended_by": by, "ended_because": because}
    store.change_visit(connection, view.visit.id, now, **values)
    for each in view.machines:
        store.keep_outcome(connection, view.visit.id, each.id, each.machine.outcome_now)


def _in_words(state: State) -> str:
    return f"{state.progress.value}: {state.says}" if state.says else state.progress.value


def is_worth_going(state: State) -> bool:
    """Whether somebody has to go to the machine yet."""
    return state.progress in (Progress.WAITS, Progress.NEXT_STEP)
