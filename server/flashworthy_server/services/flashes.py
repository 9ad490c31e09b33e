"""Flashes: a person says that one was started; the machine's own reports say what came of it.

The flash that was started last is held against every newest report of its machine, until some
days after its end: an unchanged version may still be corrected, and what it left behind mended.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta

from flashworthy_common.aftermath import (
    Aftermath,
    Flash,
    Seen,
    aftermath,
    alarm_at,
    attention_of_aftermath,
    left_behind,
)
from flashworthy_common.attention import Attention
from flashworthy_common.makers import Combination
from flashworthy_common.policy import Policy
from flashworthy_common.readiness import Moment
from flashworthy_common.report import Report
from flashworthy_common.values import Unknown
from flashworthy_server.db import Connection
from flashworthy_server.errors import ConflictError
from flashworthy_server.services import audit, judgement
from flashworthy_server.services.judgement import KnownMachine
from flashworthy_server.services.machines import load_machine, reason_of
from flashworthy_server.services.who import Who
from flashworthy_server.site import Site
from flashworthy_server.store import flashes as store
from flashworthy_server.store.flashes import StoredFlash as StoredFlash
from flashworthy_server.store.machines import StoredMachine

MOST_SHOWN = 100  # flashes of one machine


@dataclass(frozen=True, slots=True)
class Settled:
    """What the newest report says of the flash that its machine is watched for."""

    flash_id: int | None = None  # none: it explains no change of the version
    attentions: tuple[Attention, ...] = ()


def start_flash(site: Site, who: Who, machine_id: int, to_text: str | None = None) -> StoredFlash:
    """Record that a flash is started now, and what the verdict on the spot says at this moment.

    Args:
        to_text: the version that is flashed; none: the next step of the path.

    Raises:
        NotFoundError: there is no such machine.
        ConflictError: its running version, or what is flashed, is not known.
    """
    with site.database.writing() as connection:
        return start_within(site, connection, who, machine_id, to_text)


def start_within(
    site: Site, connection: Connection, who: Who, machine_id: int, to_text: str | None = None
) -> StoredFlash:
    """The same as `start_flash`, as a part of a larger change."""
    now, machine = site.clock(), load_machine(connection, machine_id)
    if machine.newest is None:
        raise ConflictError(f"machine #{machine_id} has not reported yet")
    known = judgement.know(connection, machine, machine.newest)
    flash = _flash(known, to_text, who, now)
    outcome = known.verdict(Moment.SPOT, now).outcome
    _start_over(connection, machine, now)
    flash_id = store.add_flash(
        connection,
        machine_id,
        flash,
        outcome=outcome,
        before=known.machine.report,
        alarm_at=alarm_at(flash, known.policy),
    )
    told = {"flash": flash_id, "from": flash.from_text, "to": flash.to_text}
    told["outcome"] = outcome.value
    audit.record(connection, who, now, "flash.start", f"machine #{machine_id}", after=told)
    return store.load_flash(connection, flash_id)


def note_done(site: Site, who: Who, machine_id: int) -> StoredFlash:
    """Record that a person says it is done; its own report closes it.

    Raises:
        NotFoundError: there is no such machine.
        ConflictError: no flash of it is under way.
    """
    with site.database.writing() as connection:
        return note_done_within(site, connection, who, machine_id)


def note_done_within(site: Site, connection: Connection, who: Who, machine_id: int) -> StoredFlash:
    """The same as `note_done`, as a part of a larger change."""
    now, machine = site.clock(), load_machine(connection, machine_id)
    stored = _watched(connection, machine)
    if stored is None or stored.closed_at:
        raise ConflictError(f"no flash of machine #{machine_id} is under way")
    store.note_done(connection, stored.id, now)
    told = {"flash": stored.id, "to": stored.flash.to_text}
    audit.record(connection, who, now, "flash.done", f"machine #{machine_id}", after=told)
    return store.load_flash(connection, stored.id)


def give_up(site: Site, who: Who, machine_id: int, because: str) -> StoredFlash:
    """Record that a flash that was started could not be done, and why.

    Raises:
        NotFoundError: there is no such machine.
        ConflictError: no flash of it is under way.
        InvalidInputError: no reason is given.
    """
    now, said = site.clock(), reason_of(because)
    with site.database.writing() as connection:
        stored = _watched(connection, load_machine(connection, machine_id))
        if stored is None or stored.closed_at:
            raise ConflictError(f"no flash of machine #{machine_id} is under way")
        store.give_up(connection, stored, said, now)
        told = {"flash": stored.id, "to": stored.flash.to_text, "reason": said}
        audit.record(connection, who, now, "flash.give-up", f"machine #{machine_id}", after=told)
        return store.load_flash(connection, stored.id)


def flashes_of(site: Site, machine_id: int) -> list[StoredFlash]:
    """The flashes of a machine, newest first.

    Raises:
        NotFoundError: there is no such machine.
    """
    with site.database.reading() as connection:
        load_machine(connection, machine_id)
        return store.load_flashes(connection, machine_id, MOST_SHOWN)


def settle(
    site: Site,
    connection: Connection,
    machine: StoredMachine,
    seen: Seen,
    combination: Combination,
    policy: Policy,
) -> Settled:
    """Hold the newest report against the flash that its machine is watched for."""
    stored, now = _watched(connection, machine), site.clock()
    if stored is None:
        return Settled()
    shown_for = timedelta(days=site.config.changed_shown_days)
    if stored.closed_at and stored.closed_at + shown_for < now:
        store.forget(connection, machine.id)
        return Settled()
    found, is_new = _found(stored, seen, combination)
    if found is None:
        return Settled()
    if is_new:
        store.close_flash(connection, stored, found, now)
    return Settled(
        stored.id if is_new and found.is_final else None,
        tuple(_attentions(stored, found, seen.report, policy)),
    )


def _found(
    stored: StoredFlash, seen: Seen, combination: Combination
) -> tuple[Aftermath | None, bool]:
    """What came of it, and whether this report says so."""
    if stored.found and stored.found.is_final:
        return stored.found, False
    if stored.closed_at and stored.found is None:
        return None, False  # it was started over
    found = aftermath(stored.flash, seen, combination)
    if found is None or found == stored.found:
        return stored.found, False
    return found, True


def _attentions(
    stored: StoredFlash, found: Aftermath, report: Report, policy: Policy
) -> Iterator[Attention]:
    if attention := attention_of_aftermath(found):
        yield attention
    yield from left_behind(found, stored.before, report, policy)


def _flash(known: KnownMachine, to_text: str | None, who: Who, now: datetime) -> Flash:
    running = known.machine.report.firmware.version_text
    if isinstance(running, Unknown):
        raise ConflictError(f"its running version is not known: {running.because}")
    steps = known.need.steps
    if to_text is None and not steps:
        raise ConflictError("no path to a target is known: say which version is flashed")
    step = next((each for each in steps if to_text in (None, each.version_text)), None)
    meant = step.version_text if step else str(to_text)
    minutes = step.minutes if step else None
    return Flash(
        from_text=running,
        to_text=meant,
        target_text=steps[-1].version_text if step else meant,
        by=who.known_as,
        started_at=now,
        minutes=known.policy.flash_minutes if minutes is None else minutes,
    )


def _start_over(connection: Connection, machine: StoredMachine, now: datetime) -> None:
    """A flash of which nothing came is no longer watched."""
    stored = _watched(connection, machine)
    if stored is not None and stored.closed_at is None:
        store.close_flash(connection, stored, None, now)


def _watched(connection: Connection, machine: StoredMachine) -> StoredFlash | None:
    return None if machine.flash_id is None else store.load_flash(connection, machine.flash_id)
