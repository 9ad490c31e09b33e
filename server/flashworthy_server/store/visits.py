"""Visits, their machines, and what people noted during them."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, Row, Select, delete, insert, select, update

from flashworthy_common.aftermath import Aftermath, Result
from flashworthy_common.visits.progress import SeenFlash
from flashworthy_server.db import upsert
from flashworthy_server.store.machines import of_combinations
from flashworthy_server.tables import (
    accounts,
    calendars,
    flashes,
    machines,
    visit_machines,
    visit_notes,
    visits,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredVisit:
    id: int
    place: str | None
    begins_at: datetime
    ends_at: datetime
    technician_id: int
    technician: str
    remark: str
    minutes: int
    from_visit: int | None
    planned_by: str
    planned_at: datetime
    changed_at: datetime
    revision: int
    ended_at: datetime | None
    ended_by: str | None
    ended_because: str | None
    called_off: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Where a machine stands in a visit, and what was foreseen of it."""

    machine_id: int
    position: int
    minutes: int
    from_text: str | None
    target_text: str | None
    outcome: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class VisitedMachine:
    """A machine of a visit as it is now, by the columns of its row."""

    visit_id: int
    place_in_visit: Place
    name: str
    place: str | None
    outcome_now: str | None
    sentence: str | None
    running_text: str | None
    running_since: datetime | None
    received_at: datetime | None
    marked: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Note:
    id: int
    visit_id: int
    machine_id: int | None
    what: str
    says: str
    by: str
    at: datetime
    flash_id: int | None


@dataclass(frozen=True, slots=True)
class FlashAtVisit:
    """A flash, and the visit during which it was noted; none: it was noted elsewhere."""

    machine_id: int
    visit_id: int | None
    seen: SeenFlash
    done_at: datetime | None
    closed_at: datetime | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Filters:
    """Which visits are meant; absent: all."""

    is_open: bool | None = None
    technician_id: int | None = None
    begins_from: datetime | None = None
    begins_before: datetime | None = None
    ends_after: datetime | None = None


# ---- visits -----------------------------------------------------------------------------------


def add_visit(connection: Connection, **values: Any) -> int:
    added = connection.execute(insert(visits).values(values).returning(visits.c.id))
    return int(added.scalar_one())


def change_visit(connection: Connection, visit_id: int, now: datetime, **values: Any) -> None:
    """Change what calendars tell of a visit."""
    counted = {"changed_at": now, "revision": visits.c.revision + 1}
    connection.execute(update(visits).where(visits.c.id == visit_id).values(**values, **counted))


def visit_of_key(connection: Connection, sent_key: str) -> int | None:
    """The visit that a form planned already."""
    return connection.scalar(select(visits.c.id).where(visits.c.sent_key == sent_key))


def load_visit(connection: Connection, visit_id: int) -> StoredVisit | None:
    row = connection.execute(_SELECT.where(visits.c.id == visit_id)).one_or_none()
    return None if row is None else _visit(row)


def load_visits(
    connection: Connection,
    filters: Filters,
    *,
    after: tuple[datetime, int] | None = None,
    count: int,
) -> list[StoredVisit]:
    """At most `count` visits that come after a begin and an id, the earliest first."""
    query = _SELECT
    for condition in _conditions(filters):
        query = query.where(condition)
    if after is not None:
        begins_at, visit_id = after
        later = visits.c.begins_at > begins_at
        query = query.where(later | ((visits.c.begins_at == begins_at) & (visits.c.id > visit_id)))
    query = query.order_by(visits.c.begins_at, visits.c.id).limit(count)
    return [_visit(row) for row in connection.execute(query)]


def open_visits_with(
    connection: Connection, machine_ids: Iterable[int]
) -> list[tuple[int, StoredVisit]]:
    """Machines, each with an open visit that it is in."""
    of_these = visit_machines.c.machine_id.in_(list(machine_ids))
    query = _SELECT.add_columns(visit_machines.c.machine_id).join(
        visit_machines, visit_machines.c.visit_id == visits.c.id
    )
    rows = connection.execute(query.where(of_these, visits.c.ended_at.is_(None)))
    return [(row.machine_id, _visit(row)) for row in rows]


def planned_for(
    connection: Connection, combination_ids: Iterable[int]
) -> list[tuple[int, str | None]]:
    """Visits that are not over, of machines of some combinations: number and target."""
    columns = (visits.c.id, visit_machines.c.machine_id, visit_machines.c.target_text)
    query = select(*columns).join(visit_machines, visit_machines.c.visit_id == visits.c.id)
    found = connection.execute(query.where(visits.c.ended_at.is_(None))).all()
    among = of_combinations(connection, {row.machine_id for row in found}, combination_ids)
    told = {(row.id, row.target_text) for row in found if row.machine_id in among}
    return sorted(told, key=lambda each: (each[0], each[1] or ""))


def visits_of_machine(connection: Connection, machine_id: int, count: int) -> list[StoredVisit]:
    """At most `count` visits that a machine was in, the newest first."""
    query = _SELECT.join(visit_machines, visit_machines.c.visit_id == visits.c.id)
    query = query.where(visit_machines.c.machine_id == machine_id)
    query = query.order_by(visits.c.begins_at.desc(), visits.c.id.desc()).limit(count)
    return [_visit(row) for row in connection.execute(query)]


_SELECT: Select[Any] = select(visits, accounts.c.name.label("technician")).join(
    accounts, accounts.c.id == visits.c.technician_id
)


def _conditions(filters: Filters) -> list[Any]:
    found: list[Any] = []
    if filters.is_open is not None:
        is_open = visits.c.ended_at.is_(None)
        found.append(is_open if filters.is_open else ~is_open)
    if filters.technician_id is not None:
        found.append(visits.c.technician_id == filters.technician_id)
    if filters.begins_from is not None:
        found.append(visits.c.begins_at >= filters.begins_from)
    if filters.begins_before is not None:
        found.append(visits.c.begins_at < filters.begins_before)
    if filters.ends_after is not None:
        found.append(visits.c.ends_at > filters.ends_after)
    return found


def _visit(row: Row[Any]) -> StoredVisit:
    return StoredVisit(
        id=row.id,
        place=row.place,
        begins_at=row.begins_at,
        ends_at=row.ends_at,
        technician_id=row.technician_id,
        technician=row.technician,
        remark=row.remark,
        minutes=row.minutes,
        from_visit=row.from_visit,
        planned_by=row.planned_by,
        planned_at=row.planned_at,
        changed_at=row.changed_at,
        revision=row.revision,
        ended_at=row.ended_at,
        ended_by=row.ended_by,
        ended_because=row.ended_because,
        called_off=row.called_off,
    )


# ---- their machines ---------------------------------------------------------------------------


def set_machines(connection: Connection, visit_id: int, places: Iterable[Place]) -> None:
    """Let these be the machines of a visit, in their order."""
    connection.execute(delete(visit_machines).where(visit_machines.c.visit_id == visit_id))
    rows = [
        {
            "visit_id": visit_id,
            "machine_id": place.machine_id,
            "position": place.position,
            "minutes": place.minutes,
            "from_text": place.from_text,
            "target_text": place.target_text,
            "outcome": place.outcome,
        }
        for place in places
    ]
    if rows:
        connection.execute(insert(visit_machines), rows)


def keep_outcome(
    connection: Connection, visit_id: int, machine_id: int, outcome: str | None
) -> None:
    """The outcome at the end of the visit."""
    of_it = (visit_machines.c.visit_id == visit_id) & (visit_machines.c.machine_id == machine_id)
    connection.execute(update(visit_machines).where(of_it).values(outcome=outcome))


def machines_of(
    connection: Connection, visit_ids: Iterable[int]
) -> dict[int, list[VisitedMachine]]:
    """By visit, its machines in their order."""
    query = (
        select(
            visit_machines,
            machines.c.name,
            machines.c.place,
            machines.c.outcome.label("outcome_now"),
            machines.c.sentence,
            machines.c.running_text,
            machines.c.running_since,
            machines.c.received_at,
            machines.c.marked,
        )
        .join(machines, machines.c.id == visit_machines.c.machine_id)
        .where(visit_machines.c.visit_id.in_(list(visit_ids)))
        .order_by(visit_machines.c.visit_id, visit_machines.c.position)
    )
    found: dict[int, list[VisitedMachine]] = {}
    for row in connection.execute(query):
        found.setdefault(row.visit_id, []).append(_visited(row))
    return found


def _visited(row: Row[Any]) -> VisitedMachine:
    place = Place(
        machine_id=row.machine_id,
        position=row.position,
        minutes=row.minutes,
        from_text=row.from_text,
        target_text=row.target_text,
        outcome=row.outcome,
    )
    return VisitedMachine(
        visit_id=row.visit_id,
        place_in_visit=place,
        name=row.name,
        place=row.place,
        outcome_now=row.outcome_now,
        sentence=row.sentence,
        running_text=row.running_text,
        running_since=row.running_since,
        received_at=row.received_at,
        marked=row.marked,
    )


# ---- what was noted, and what came of it ------------------------------------------------------


def add_note(connection: Connection, **values: Any) -> int:
    added = connection.execute(insert(visit_notes).values(values).returning(visit_notes.c.id))
    return int(added.scalar_one())


def change_note(connection: Connection, note_id: int, says: str) -> None:
    connection.execute(update(visit_notes).where(visit_notes.c.id == note_id).values(says=says))


def drop_note(connection: Connection, note_id: int) -> None:
    """What was begun did not come about."""
    connection.execute(delete(visit_notes).where(visit_notes.c.id == note_id))


def note_of_key(connection: Connection, sent_key: str) -> Note | None:
    """What a form noted already."""
    query = select(visit_notes).where(visit_notes.c.sent_key == sent_key)
    row = connection.execute(query).one_or_none()
    return None if row is None else _note(row)


def notes_of(connection: Connection, visit_ids: Iterable[int]) -> dict[int, list[Note]]:
    """By visit, in the order in which they were noted."""
    query = select(visit_notes).where(visit_notes.c.visit_id.in_(list(visit_ids)))
    found: dict[int, list[Note]] = {}
    for row in connection.execute(query.order_by(visit_notes.c.id)):
        found.setdefault(row.visit_id, []).append(_note(row))
    return found


def _note(row: Row[Any]) -> Note:
    return Note(
        id=row.id,
        visit_id=row.visit_id,
        machine_id=row.machine_id,
        what=row.what,
        says=row.says,
        by=row.by,
        at=row.at,
        flash_id=row.flash_id,
    )


def flashes_since(
    connection: Connection, machine_ids: Sequence[int], since: datetime
) -> dict[int, list[FlashAtVisit]]:
    """By machine, the flashes started since then, the earliest first."""
    query: Select[Any] = (
        select(
            flashes.c.id,
            flashes.c.machine_id,
            flashes.c.to_text,
            flashes.c.by,
            flashes.c.started_at,
            flashes.c.done_at,
            flashes.c.result,
            flashes.c.says,
            flashes.c.closed_at,
            machines.c.flash_id,
            machines.c.flash_alarm_at,
            visit_notes.c.visit_id,
        )
        .join(machines, machines.c.id == flashes.c.machine_id)
        .outerjoin(visit_notes, visit_notes.c.flash_id == flashes.c.id)
        .where(flashes.c.machine_id.in_(machine_ids), flashes.c.started_at >= since)
        .order_by(flashes.c.machine_id, flashes.c.id)
    )
    found: dict[int, list[FlashAtVisit]] = {}
    for row in connection.execute(query):
        if row.closed_at is None or row.result is not None:  # else it was started over
            found.setdefault(row.machine_id, []).append(_flash(row))
    return found


def _flash(row: Row[Any]) -> FlashAtVisit:
    seen = SeenFlash(
        to_text=row.to_text,
        by=row.by,
        started_at=row.started_at,
        found=Aftermath(Result(row.result), row.says) if row.result else None,
        alarm_at=row.flash_alarm_at if row.flash_id == row.id else None,
    )
    return FlashAtVisit(row.machine_id, row.visit_id, seen, row.done_at, row.closed_at)


# ---- calendars --------------------------------------------------------------------------------


def save_calendar(connection: Connection, account_id: int, digest: str, now: datetime) -> None:
    values = {"digest": digest, "made_at": now}
    statement = upsert(calendars).values(account_id=account_id, **values)
    connection.execute(statement.on_conflict_do_update(index_elements=["account_id"], set_=values))


def drop_calendar(connection: Connection, account_id: int) -> bool:
    """Whether there was one."""
    found = connection.execute(delete(calendars).where(calendars.c.account_id == account_id))
    return found.rowcount == 1


def calendar_made_at(connection: Connection, account_id: int) -> datetime | None:
    query = select(calendars.c.made_at).where(calendars.c.account_id == account_id)
    return connection.scalar(query)


def account_of_calendar(connection: Connection, digest: str) -> int | None:
    """The account whose visits a calendar tells; none: it is not known, or its owner may not."""
    query = select(calendars.c.account_id).join(accounts, accounts.c.id == calendars.c.account_id)
    return connection.scalar(
        query.where(calendars.c.digest == digest, accounts.c.disabled_at.is_(None))
    )
