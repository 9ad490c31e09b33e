"""Machines for people: lists, one machine, its history, its verdict."""

from collections.abc import Iterator
from dataclasses import dataclass, replace

from flashworthy_common.attention import (
    FirmwareChange,
    attention_of_priority,
    attention_of_silence,
    silent_before,
)
from flashworthy_common.makers import MachineMaker, canonical_machine_maker
from flashworthy_common.need import Need
from flashworthy_common.readiness import Moment, Verdict
from flashworthy_common.reasons import Priority
from flashworthy_common.values import Unknown
from flashworthy_server.db import Connection
from flashworthy_server.errors import AmbiguousNameError, NotFoundError
from flashworthy_server.services import audit, judgement
from flashworthy_server.services.places import canonical_place
from flashworthy_server.services.who import Who
from flashworthy_server.site import Site
from flashworthy_server.store import attentions as attention_store
from flashworthy_server.store import combinations as combination_store
from flashworthy_server.store import history as history_store
from flashworthy_server.store import machines as machine_store
from flashworthy_server.store.attentions import StoredAttention
from flashworthy_server.store.history import StoredReport
from flashworthy_server.store.listing import Filters as Filters
from flashworthy_server.store.listing import ListedMachine, list_machines
from flashworthy_server.store.machines import StoredMachine

HIGHEST_ID = 2**63 - 1  # of the database
MOST_CHANGES = 100  # firmware changes shown of one machine


@dataclass(frozen=True, slots=True)
class MachineRow:
    machine: ListedMachine
    attentions: list[StoredAttention]  # by their codes

    @property
    def attention(self) -> list[str]:
        return [attention.code for attention in self.attentions]


@dataclass(frozen=True, slots=True)
class Page:
    rows: list[MachineRow]
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


def page_of_machines(
    site: Site, filters: Filters, *, after: tuple[str, int] | None, count: int
) -> Page:
    """One page of at most `count` machines, judged as of now."""
    judgement.judge_due(site)
    filters = _canonical(filters)
    with site.database.reading() as connection:
        rows = _rows(site, connection, filters, after, count + 1)
    shown = rows[:count]
    more = len(rows) > count
    return Page(shown, (shown[-1].machine.name, shown[-1].machine.id) if more else None)


def all_machines(site: Site, filters: Filters, *, at_once: int) -> Iterator[MachineRow]:
    """Every machine, read page by page so that memory stays flat."""
    after, more = None, True
    while more:
        page = page_of_machines(site, filters, after=after, count=at_once)
        yield from page.rows
        after, more = page.after, page.after is not None


def view_machine(site: Site, machine_id: int) -> MachineView:
    judgement.judge_due(site)
    with site.database.reading() as connection:
        machine = _load(connection, machine_id)
        (row,) = _rows(site, connection, Filters(id=machine_id), None, 1)
        return MachineView(machine, row, _need(connection, machine))


def history_of(site: Site, machine_id: int, *, before: int | None, count: int) -> History:
    """A machine's reports, newest first, at most `count`, and its firmware changes."""
    with site.database.reading() as connection:
        _load(connection, machine_id)
        reports = history_store.load_reports(connection, machine_id, before=before, count=count + 1)
        changes = history_store.load_changes(connection, machine_id, MOST_CHANGES)
    more = len(reports) > count
    return History(reports[:count], list(changes), reports[count - 1].id if more else None)


def verdict_of(site: Site, machine_id: int, moment: Moment) -> Verdict:
    """The verdict of now.

    Raises:
        NotFoundError: there is no such machine, or it has not reported yet.
    """
    with site.database.reading() as connection:
        machine = _load(connection, machine_id)
        if machine.newest is None:
            raise NotFoundError(f"machine {machine_id} has not reported yet: there is no verdict")
        return judgement.verdict_of(site, connection, machine, machine.newest, moment)


def machine_id_of(site: Site, name: str) -> int:
    """The id of the machine that a person names, by its name or as ``#12``.

    Raises:
        NotFoundError: nothing has this name.
        AmbiguousNameError: several have it.
    """
    with site.database.reading() as connection:
        if name.startswith("#") and name[1:].isdecimal():
            return _load(connection, int(name[1:])).id
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
        before = _load(connection, machine_id).marked
        machine_store.save_mark(connection, machine_id, duty)
        judgement.judge_machines(site, connection, [machine_id], now)
        audit.record(
            connection,
            who,
            now,
            "machine.mark",
            f"machine #{machine_id}",
            before={"marked": before},
            after={"marked": duty},
        )


def _canonical(filters: Filters) -> Filters:
    """The filters with the one name of maker and place, however a person spelled them."""
    maker = None if filters.maker is None else canonical_machine_maker(filters.maker)
    if isinstance(maker, Unknown):
        maker = None if filters.maker is None else MachineMaker(filters.maker)
    return replace(filters, maker=maker, place=canonical_place(filters.place))


def _load(connection: Connection, machine_id: int) -> StoredMachine:
    known = 0 < machine_id <= HIGHEST_ID
    machine = machine_store.load_machine(connection, machine_id) if known else None
    if machine is None:
        raise NotFoundError(f"there is no machine #{machine_id}")
    return machine


def _need(connection: Connection, machine: StoredMachine) -> Need | None:
    if machine.newest is None:
        return None
    stored = combination_store.load_combination(connection, machine.newest.combination_id)
    return judgement.with_observation(connection, stored)


def _rows(
    site: Site,
    connection: Connection,
    filters: Filters,
    after: tuple[str, int] | None,
    count: int,
) -> list[MachineRow]:
    before = silent_before(site.policy, site.clock())
    found = list_machines(connection, filters, silent_before=before, after=after, count=count)
    stored = attention_store.load_attentions(connection, (each.id for each in found))
    return [_row(site, machine, stored.get(machine.id, [])) for machine in found]


def _row(site: Site, machine: ListedMachine, stored: list[StoredAttention]) -> MachineRow:
    """A row with what follows from time and need beside what its reports ask attention for."""
    last_at = machine.received_at or machine.enrolled_at
    derived = (
        attention_of_priority(Priority(machine.priority) if machine.priority else None),
        attention_of_silence(last_at, site.policy, site.clock()),
    )
    found = [StoredAttention(each.code.value, each.says, None) for each in derived if each]
    return MachineRow(machine, sorted(stored + found, key=lambda attention: attention.code))
