"""Machines for people: lists, one machine, its history, its verdict."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from flashworthy_common.aftermath import attention_of_silence_after
from flashworthy_common.attention import (
    Acknowledgement,
    Attention,
    AttentionCode,
    FirmwareChange,
    attention_of_priority,
)
from flashworthy_common.makers import MachineMaker, canonical_machine_maker
from flashworthy_common.need import Need
from flashworthy_common.readiness import Moment, Verdict
from flashworthy_common.reasons import Priority
from flashworthy_common.values import Unknown
from flashworthy_server.db import Connection
from flashworthy_server.errors import (
    AmbiguousNameError,
    ConflictError,
    InvalidInputError,
    NotFoundError,
)
from flashworthy_server.services import audit, judgement
from flashworthy_server.services.places import PlaceBy, canonical_place, place_of_rules
from flashworthy_server.services.who import Who
from flashworthy_server.site import Site
from flashworthy_server.store import attentions as attention_store
from flashworthy_server.store import flashes as flash_store
from flashworthy_server.store import history as history_store
from flashworthy_server.store import identities as identity_store
from flashworthy_server.store import machines as machine_store
from flashworthy_server.store.attentions import LASTING as LASTING
from flashworthy_server.store.attentions import StoredAttention
from flashworthy_server.store.due import Judging, load_judging
from flashworthy_server.store.export import EXPORTED as EXPORTED
from flashworthy_server.store.export import LINE_END as LINE_END
from flashworthy_server.store.export import Form as Form
from flashworthy_server.store.export import load_written
from flashworthy_server.store.history import StoredReport
from flashworthy_server.store.listing import Filters as Filters
from flashworthy_server.store.listing import ListedMachine, list_machines
from flashworthy_server.store.machines import StoredMachine

HIGHEST_ID = 2**63 - 1  # of the database
MOST_CHANGES = 100  # firmware changes shown of one machine
LONGEST_REASON = 500  # characters


@dataclass(frozen=True, slots=True)
class MachineRow:
    machine: ListedMachine
    attentions: list[StoredAttention]  # by their codes, also those that rest
    as_of: datetime

    @property
    def attention(self) -> list[str]:
        """The codes that ask now."""
        return [each.code for each in self.attentions if not each.rests(self.as_of)]


@dataclass(frozen=True, slots=True)
class Page:
    rows: list[MachineRow]
    judging: Judging | None  # none: what was recorded holds everywhere
    after: tuple[str, int] | None  # where the next page begins; none: this is the last


@dataclass(frozen=True, slots=True)
class MachineView:
    """Everything that is known of one machine now."""

    machine: StoredMachine
    row: MachineRow
    need: Need | None  # none before its first report


@dataclass(frozen=True, slots=True)
class History:
    reports: list[StoredReport]
    changes: list[FirmwareChange]
    before: int | None  # where the next page of reports begins; none: this is the last


def judging(site: Site) -> Judging | None:
    """How far judging by what was recorded is; none: it holds everywhere."""
    return judgement.judging(site)


def page_of_machines(
    site: Site, filters: Filters, *, after: tuple[str, int] | None, count: int
) -> Page:
    """One page of at most `count` machines, judged as of now."""
    judgement.catch_up(site)
    filters = _canonical(filters)
    with site.database.reading() as connection:
        rows = _rows(site, connection, filters, after, count + 1)
        judging = load_judging(connection)
    shown = rows[:count]
    more = len(rows) > count
    return Page(shown, judging, (shown[-1].machine.name, shown[-1].machine.id) if more else None)


def all_machines(site: Site, filters: Filters, *, at_once: int) -> Iterator[MachineRow]:
    """Every machine, read page by page so that memory stays flat."""
    after, more = None, True
    while more:
        page = page_of_machines(site, filters, after=after, count=at_once)
        yield from page.rows
        after, more = page.after, page.after is not None


def export_machines(site: Site, filters: Filters, form: Form) -> Iterator[str]:
    """Every machine in this form, some as one text, so that memory stays flat."""
    judgement.catch_up(site)
    filters, after, at_once = _canonical(filters), None, site.config.export_batch_machines
    while True:
        with site.database.reading() as connection:
            written, after = load_written(
                connection, form, filters, now=site.clock(), after=after, count=at_once
            )
        if written:
            yield written
        if after is None:
            return


def view_machine(site: Site, machine_id: int) -> MachineView:
    judgement.catch_up(site)
    if judgement.judging(site):  # this one does not wait until it is its turn
        with site.database.writing() as connection:
            judgement.judge_machines(site, connection, [machine_id], site.clock())
    with site.database.reading() as connection:
        machine = load_machine(connection, machine_id)
        (row,) = _rows(site, connection, Filters(id=machine_id), None, 1)
        return MachineView(machine, row, _need(connection, machine))


def history_of(site: Site, machine_id: int, *, before: int | None, count: int) -> History:
    """A machine's reports, newest first, at most `count`, and its firmware changes."""
    with site.database.reading() as connection:
        load_machine(connection, machine_id)
        reports = history_store.load_reports(connection, machine_id, before=before, count=count + 1)
        changes = history_store.load_changes(connection, machine_id, MOST_CHANGES)
    more = len(reports) > count
    return History(reports[:count], list(changes), reports[count - 1].number if more else None)


def verdict_of(site: Site, machine_id: int, moment: Moment) -> Verdict:
    """The verdict of now.

    Raises:
        NotFoundError: there is no such machine, or it has not reported yet.
    """
    with site.database.reading() as connection:
        machine = load_machine(connection, machine_id)
        if machine.newest is None:
            raise NotFoundError(f"machine {machine_id} has not reported yet: there is no verdict")
        return judgement.verdict_of(site, connection, machine, machine.newest, moment)


def report_text(site: Site, machine_id: int, number: int) -> str:
    """A report of a machine as it came.

    Raises:
        NotFoundError: the machine has no report of this number.
    """
    with site.database.reading() as connection:
        body = history_store.load_body(connection, machine_id, number)
    if body is None:
        raise NotFoundError(f"machine #{machine_id} has no report #{number}")
    return body.decode("utf-8", "replace")


def maker_and_models(site: Site, machine_ids: Sequence[int]) -> tuple[str, list[str]]:
    """The maker and the models of some machines, as they report them; of mixed ones the first."""
    rows = [view_machine(site, each).row.machine for each in machine_ids]
    maker = next((row.maker for row in rows if row.maker), "")
    return maker, list(dict.fromkeys(row.model for row in rows if row.model))


def names_of(site: Site, machine_ids: Iterable[int]) -> dict[int, str]:
    """The names of machines, by their ids; those that are not there are left out."""
    with site.database.reading() as connection:
        return machine_store.names_of(connection, machine_ids)


def machine_id_of(site: Site, name: str) -> int:
    """The id of the machine that a person names, by its name or as ``#12``.

    Raises:
        NotFoundError: nothing has this name.
        AmbiguousNameError: several have it.
    """
    with site.database.reading() as connection:
        if name.startswith("#") and name[1:].isdecimal():
            return load_machine(connection, int(name[1:])).id
        found = machine_store.machine_ids_named(connection, name)
    if not found:
        raise NotFoundError(f"there is no machine named {name!r}")
    if len(found) > 1:
        numbers = ", ".join(f"#{each}" for each in found)
        raise AmbiguousNameError(f"several machines are named {name!r}: name one of {numbers}")
    return found[0]


def mark(site: Site, who: Who, machine_id: int, duty: str | None) -> None:
    """Mark a machine as having a life-safety duty, or take the mark back with none."""
    now = site.clock()
    with site.database.writing() as connection:
        before = load_machine(connection, machine_id).marked
        machine_store.save_mark(connection, machine_id, duty)
        judgement.judge_machines(site, connection, [machine_id], now)
        told = {"before": {"marked": before}, "after": {"marked": duty}}
        _record(connection, who, now, "machine.mark", machine_id, **told)


def move(site: Site, who: Who, machine_id: int, place: str | None) -> None:
    """Say where a machine stands; with none, its reports or the site's rules say it again."""
    now, settled = site.clock(), canonical_place(place)
    with site.database.writing() as connection:
        machine = load_machine(connection, machine_id)
        by = PlaceBy.HAND.value if settled else None
        if settled is None:
            settled = place_of_rules(connection, machine)
            by = PlaceBy.RULE.value if settled else None
        machine_store.save_place(connection, machine_id, settled, by)
        machine_store.make_machines_due(connection, [machine_id], now)  # other limits may hold
        before, after = {"place": machine.place}, {"place": settled}
        _record(connection, who, now, "machine.move", machine_id, before=before, after=after)


def take_out_of_service(site: Site, who: Who, machine_id: int, reason: str) -> None:
    """It is listed and counted no longer, and its agent's token is worth nothing."""
    now, said = site.clock(), reason_of(reason)
    with site.database.writing() as connection:
        if load_machine(connection, machine_id).out_of_service_at is not None:
            raise ConflictError(f"machine #{machine_id} is out of service already")
        machine_store.save_service(connection, machine_id, now)
        machine_store.revoke_token(connection, machine_id)
        after = {"in_service": False, "reason": said}
        _record(connection, who, now, "machine.take-out", machine_id, after=after)


def put_back(site: Site, who: Who, machine_id: int, reason: str) -> None:
    """It is listed and counted again; its agent must enrol before it reports."""
    now, said = site.clock(), reason_of(reason)
    with site.database.writing() as connection:
        if load_machine(connection, machine_id).out_of_service_at is None:
            raise ConflictError(f"machine #{machine_id} is in service")
        machine_store.save_service(connection, machine_id, None)
        machine_store.make_machines_due(connection, [machine_id], now)
        after = {"in_service": True, "reason": said}
        _record(connection, who, now, "machine.put-back", machine_id, after=after)


def acknowledge(
    site: Site, who: Who, machine_id: int, code: AttentionCode, reason: str, *, learn: bool = False
) -> None:
    """Take back what its identity asks attention for: a person has looked.

    Args:
        code: one of those that no later report takes back.
        learn: the machine is the one it was, whatever hardware it has now: its next report says
            by what it is known, and no earlier firmware version is compared with.

    Raises:
        ConflictError: it does not ask for that.
    """
    now, said = site.clock(), reason_of(reason)
    with site.database.writing() as connection:
        load_machine(connection, machine_id)
        if code not in LASTING or not attention_store.drop_attention(
            connection, machine_id, code, now
        ):
            raise ConflictError(f"{code.value} is nothing that machine #{machine_id} asks for now")
        if learn:
            identity_store.forget_evidence(connection, machine_id)
            machine_store.forget_running(connection, machine_id)
        after = {"code": code.value, "reason": said, "learn": learn}
        _record(connection, who, now, "attention.acknowledge", machine_id, after=after)


def reason_of(text: str) -> str:
    """What a person gives as a reason, in one line.

    Raises:
        InvalidInputError: it is empty, or too long.
    """
    said = " ".join(text.split())
    if not said or len(said) > LONGEST_REASON:
        expected = f"expected why, in 1 to {LONGEST_REASON} characters"
        raise InvalidInputError("reason", expected)
    return said


def _record(
    connection: Connection, who: Who, now: datetime, action: str, machine_id: int, **told: Any
) -> None:
    audit.record(connection, who, now, action, f"machine #{machine_id}", **told)


def _canonical(filters: Filters) -> Filters:
    """The filters with the one name of maker and place, however a person spelled them."""
    maker = None if filters.maker is None else canonical_machine_maker(filters.maker)
    if isinstance(maker, Unknown):
        maker = None if filters.maker is None else MachineMaker(filters.maker)
    return replace(filters, maker=maker, place=canonical_place(filters.place))


def load_machine(connection: Connection, machine_id: int) -> StoredMachine:
    """
    Raises:
        NotFoundError: there is no such machine.
    """
    known = 0 < machine_id <= HIGHEST_ID
    machine = machine_store.load_machine(connection, machine_id) if known else None
    if machine is None:
        raise NotFoundError(f"there is no machine #{machine_id}")
    return machine


def _need(connection: Connection, machine: StoredMachine) -> Need | None:
    newest = machine.newest
    return None if newest is None else judgement.need_now(connection, machine, newest)


def _rows(
    site: Site,
    connection: Connection,
    filters: Filters,
    after: tuple[str, int] | None,
    count: int,
) -> list[MachineRow]:
    now = site.clock()
    found = list_machines(connection, filters, now=now, after=after, count=count)
    ids = [each.id for each in found]
    stored = attention_store.load_attentions(connection, ids)
    resting = attention_store.acknowledgements_of(connection, ids)
    rows = []
    for machine in found:
        derived = _derived(connection, machine, now)
        asked = [*stored.get(machine.id, ()), *derived]
        rows.append(_row(machine, asked, resting, now))
    return rows


def _derived(
    connection: Connection, machine: ListedMachine, now: datetime
) -> list[StoredAttention]:
    """What follows from the need, and from a flash of which nothing came."""
    last_at = machine.received_at or machine.enrolled_at
    found: list[tuple[Attention | None, datetime | None]] = [
        (attention_of_priority(Priority(machine.priority) if machine.priority else None), None),
    ]
    alarm_at = machine.flash_alarm_at
    if alarm_at and alarm_at <= now and machine.flash_id:
        flash = flash_store.load_flash(connection, machine.flash_id).flash
        found.append((attention_of_silence_after(flash, last_at), alarm_at))
    return [StoredAttention(each.code.value, each.says, since) for each, since in found if each]


def _row(
    machine: ListedMachine,
    asked: list[StoredAttention],
    resting: dict[tuple[int, str], Acknowledgement],
    now: datetime,
) -> MachineRow:
    """What a person acknowledged is shown with it; what rests is not among the codes."""
    known = [_with(each, resting.get((machine.id, each.code))) for each in asked]
    return MachineRow(machine, sorted(known, key=lambda attention: attention.code), now)


def _with(asked: StoredAttention, said: Acknowledgement | None) -> StoredAttention:
    return replace(asked, acknowledged=said) if said else asked
