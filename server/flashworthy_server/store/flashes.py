"""Flashes that people said were started, and what came of each."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, Row, insert, select, update

from flashworthy_common.aftermath import Aftermath, Flash, Result
from flashworthy_common.readiness import Outcome
from flashworthy_common.report import Report
from flashworthy_common.values import from_json, to_json
from flashworthy_server.store.machines import of_combinations
from flashworthy_server.store.packing import packed, unpacked
from flashworthy_server.tables import flashes, machines


@dataclass(frozen=True, slots=True)
class StoredFlash:
    id: int
    machine_id: int
    flash: Flash
    outcome: Outcome  # of the verdict on the spot when it was started
    before: Report  # the last one before it was started
    found: Aftermath | None  # none: nothing came of it
    closed_at: datetime | None  # none: it is still watched
    given_up_because: str | None = None  # a person's word; none: it was not given up


@dataclass(frozen=True, slots=True)
class FlashOfMachine:
    """What came of a flash, with the machine's name."""

    machine_id: int
    machine: str
    from_text: str
    to_text: str
    result: str | None  # none: it was given up
    says: str
    closed_at: datetime


def add_flash(
    connection: Connection,
    machine_id: int,
    flash: Flash,
    *,
    outcome: Outcome,
    before: Report,
    alarm_at: datetime,
) -> int:
    """Add a flash, which is the one that its machine's reports are held against from now on."""
    added = connection.execute(
        insert(flashes)
        .values(
            machine_id=machine_id,
            from_text=flash.from_text,
            to_text=flash.to_text,
            target_text=flash.target_text,
            by=flash.by,
            started_at=flash.started_at,
            minutes=flash.minutes,
            outcome=outcome.value,
            before=packed(to_json(before)),
        )
        .returning(flashes.c.id)
    )
    flash_id = int(added.scalar_one())
    _watch(connection, machine_id, flash_id=flash_id, flash_alarm_at=alarm_at)
    return flash_id


def note_done(connection: Connection, flash_id: int, now: datetime) -> None:
    """A person says that it is done; what came of it, the machine says."""
    connection.execute(update(flashes).where(flashes.c.id == flash_id).values(done_at=now))


def close_flash(
    connection: Connection, stored: StoredFlash, found: Aftermath | None, now: datetime
) -> None:
    """Keep what came of it; none where it was started over."""
    result, says = (found.result.value, found.says) if found else (None, None)
    connection.execute(
        update(flashes)
        .where(flashes.c.id == stored.id)
        .values(result=result, says=says, closed_at=now)
    )
    _watch(connection, stored.machine_id, flash_alarm_at=None)


def give_up(connection: Connection, stored: StoredFlash, because: str, now: datetime) -> None:
    """A person says that it could not be done; nothing is waited for any longer."""
    close_flash(connection, stored, None, now)
    connection.execute(update(flashes).where(flashes.c.id == stored.id).values(says=because))


def forget(connection: Connection, machine_id: int) -> None:
    """Hold the machine's reports against no flash any longer."""
    _watch(connection, machine_id, flash_id=None, flash_alarm_at=None)


def load_flash(connection: Connection, flash_id: int) -> StoredFlash:
    row = connection.execute(select(flashes).where(flashes.c.id == flash_id)).one()
    return _stored(row)


def load_flashes(connection: Connection, machine_id: int, count: int) -> list[StoredFlash]:
    """At most `count` flashes of a machine, newest first."""
    query = select(flashes).where(flashes.c.machine_id == machine_id)
    rows = connection.execute(query.order_by(flashes.c.id.desc()).limit(count))
    return [_stored(row) for row in rows]


def open_flashes(
    connection: Connection, combination_ids: Iterable[int]
) -> list[tuple[int, str, str, str]]:
    """Those of some combinations that nothing came of yet: machine, from, to, target."""
    columns = (flashes.c.machine_id, flashes.c.from_text, flashes.c.to_text, flashes.c.target_text)
    query = select(*columns).where(flashes.c.closed_at.is_(None)).order_by(flashes.c.id)
    found = connection.execute(query).all()
    among = of_combinations(connection, {row.machine_id for row in found}, combination_ids)
    return [(row[0], row[1], row[2], row[3]) for row in found if row.machine_id in among]


def closed_since(connection: Connection, since: datetime, count: int) -> list[FlashOfMachine]:
    """What came of flashes since then, newest first; those that were started over are left out."""
    rows = connection.execute(
        select(flashes, machines.c.name)
        .join(machines, machines.c.id == flashes.c.machine_id)
        .where(flashes.c.closed_at >= since, flashes.c.says.is_not(None))
        .order_by(flashes.c.closed_at.desc())
        .limit(count)
    )
    return [
        FlashOfMachine(
            row.machine_id,
            row.name,
            row.from_text,
            row.to_text,
            row.result,
            row.says,
            row.closed_at,
        )
        for row in rows
    ]


def _watch(connection: Connection, machine_id: int, **values: Any) -> None:
    connection.execute(update(machines).where(machines.c.id == machine_id).values(values))


def _stored(row: Row[Any]) -> StoredFlash:
    flash = Flash(
        from_text=row.from_text,
        to_text=row.to_text,
        target_text=row.target_text,
        by=row.by,
        started_at=row.started_at,
        minutes=row.minutes,
        done_at=row.done_at,
    )
    before = from_json(Report, unpacked(row.before))
    found = Aftermath(Result(row.result), row.says) if row.result else None
    outcome = Outcome(row.outcome)
    because = None if found else row.says
    return StoredFlash(
        row.id, row.machine_id, flash, outcome, before, found, row.closed_at, because
    )
