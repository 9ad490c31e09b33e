"""The record: one machine's story from reason to result, and a month of visits.

Everything is told from what was recorded when it happened; nothing is summed up by hand.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime

from flashworthy_common.visits.progress import Progress
from flashworthy_server.db import Connection
from flashworthy_server.local_time import month_window
from flashworthy_server.services import judgement
from flashworthy_server.services.machines import MOST_CHANGES, load_machine
from flashworthy_server.services.visits import Filters, MachineAtVisit, VisitView, views
from flashworthy_server.site import Site
from flashworthy_server.store import attentions as attention_store
from flashworthy_server.store import confirmations as confirmation_store
from flashworthy_server.store import flashes as flash_store
from flashworthy_server.store import history as history_store
from flashworthy_server.store import symptoms as symptom_store
from flashworthy_server.store import visits as store
from flashworthy_server.store.machines import StoredMachine

MOST_VISITS = 500  # of one machine or month
MOST_FLASHES = 100
FAILED = (Progress.NOT_UPDATED, Progress.SILENT, Progress.COULD_NOT)


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happened to a machine."""

    at: datetime
    what: str  # a word or two
    says: str
    by: str = ""  # a person; empty: the machine's own reports
    visit_id: int | None = None


@dataclass(frozen=True, slots=True)
class Story:
    """One machine from reason to result, the earliest first."""

    machine: StoredMachine
    reasons: tuple[str, ...]  # that speak for its target now, with their priorities
    events: tuple[Event, ...]


@dataclass(frozen=True, slots=True)
class Failure:
    """A machine that was not brought where it should be, and why."""

    visit_id: int
    machine_id: int
    name: str
    progress: str
    cause: str


@dataclass(frozen=True, slots=True)
class Month:
    """The visits that began in a month."""

    visits: tuple[VisitView, ...]

    @property
    def minutes_planned(self) -> int:
        return sum(view.visit.minutes for view in self.visits if not view.visit.called_off)

    @property
    def minutes_taken(self) -> int:
        return sum(view.minutes_taken or 0 for view in self.visits)

    @property
    def counts(self) -> dict[str, int]:
        """Machines by what came of them."""
        found: dict[str, int] = {}
        for view in self.visits:
            for name, count in view.counts.items():
                found[name] = found.get(name, 0) + count
        return found

    @property
    def failures(self) -> tuple[Failure, ...]:
        return tuple(
            _failure(view, each)
            for view in self.visits
            for each in view.machines
            if each.state.progress in FAILED
        )


def _failure(view: VisitView, machine: MachineAtVisit) -> Failure:
    state = machine.state
    return Failure(
        view.visit.id, machine.id, machine.machine.name, state.progress.value, state.says
    )


def month_of_visits(site: Site, month: str) -> Month:
    """
    Args:
        month: at the site, such as ``2026-05``.

    Raises:
        InvalidInputError: it is no month.
    """
    begin, end = month_window(month, site.config.time_zone)
    filters = Filters(begins_from=begin, begins_before=end)
    with site.database.reading() as connection:
        found = store.load_visits(connection, filters, count=MOST_VISITS)
        return Month(tuple(views(site, connection, found)))


def story_of(site: Site, machine_id: int) -> Story:
    """
    Raises:
        NotFoundError: there is no such machine.
    """
    judgement.catch_up(site)
    with site.database.reading() as connection:
        machine = load_machine(connection, machine_id)
        events = [
            *_of_reports(connection, machine),
            *_of_people(connection, machine_id),
            *_of_flashes(connection, machine_id),
            *_of_visits(site, connection, machine_id),
        ]
        reasons = tuple(_reasons(connection, machine, events))
    return Story(machine, reasons, tuple(sorted(events, key=lambda event: event.at)))


def _reasons(connection: Connection, machine: StoredMachine, events: list[Event]) -> Iterator[str]:
    if machine.newest is None:
        return
    need = judgement.need_now(connection, machine, machine.newest)
    if need.review:
        events.append(
            Event(need.review.reviewed_at, "compared", need.review.source, need.review.reviewed_by)
        )
    for reason in need.reasons:
        yield f"{reason.says}, priority {reason.priority.value}"


def _of_reports(connection: Connection, machine: StoredMachine) -> Iterator[Event]:
    yield Event(machine.enrolled_at, "joined", "")
    for change in history_store.load_changes(connection, machine.id, MOST_CHANGES):
        yield Event(change.to_seen_at, "version", f"{change.from_text} -> {change.to_text}")
    for asked in attention_store.load_attentions(connection, [machine.id]).get(machine.id, []):
        if asked.since:
            yield Event(asked.since, "attention", f"{asked.code}: {asked.says}")


def _of_people(connection: Connection, machine_id: int) -> Iterator[Event]:
    for word in confirmation_store.load_confirmations(connection, machine_id):
        confirmation = word.confirmation
        about = f" of {confirmation.of}" if confirmation.of else ""
        yield Event(
            confirmation.at, "confirmed", f"{confirmation.what.value}{about}", confirmation.by
        )
    for symptom in symptom_store.load_symptoms(connection, machine_id):
        yield Event(
            symptom.symptom.recorded_at, "fault", symptom.symptom.says, symptom.symptom.recorded_by
        )


def _of_flashes(connection: Connection, machine_id: int) -> Iterator[Event]:
    for stored in flash_store.load_flashes(connection, machine_id, MOST_FLASHES):
        flash = stored.flash
        says = f"{flash.from_text} -> {flash.to_text}; the verdict was {stored.outcome.value}"
        yield Event(flash.started_at, "flash started", says, flash.by)
        if flash.done_at:
            yield Event(flash.done_at, "said to be done", flash.to_text, flash.by)
        if stored.closed_at and stored.found:
            yield Event(stored.closed_at, stored.found.result.value, stored.found.says)


def _of_visits(site: Site, connection: Connection, machine_id: int) -> Iterator[Event]:
    for view in views(
        site, connection, store.visits_of_machine(connection, machine_id, MOST_VISITS)
    ):
        visit, machine = view.visit, view.machine(machine_id)
        where = f" at {visit.place}" if visit.place else ""
        says = f"#{visit.id}{where}, {visit.technician}"
        yield Event(visit.planned_at, "visit planned", says, visit.planned_by, visit.id)
        for note in machine.notes:
            if note.what == "could-not":
                yield Event(note.at, "could not", note.says, note.by, visit.id)
        if visit.ended_at:
            what = "visit called off" if visit.called_off else "visit ended"
            says = f"#{visit.id}: {machine.state.progress.value}"
            says += f"; by hand: {visit.ended_because}" if visit.ended_by else ""
            yield Event(visit.ended_at, what, says, visit.ended_by or "", visit.id)
