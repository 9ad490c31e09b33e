"""Verdicts: worked out once, kept, and renewed when they may have changed.

- The verdict at the desk is kept per machine as its outcome, its sentence and until when it
  holds. The whole verdict is worked out whenever someone asks, by the same function.
- Machines whose verdict is due are judged again before anything is listed or counted, in batches,
  so that reports get in between. New knowledge makes the verdicts that it touches due.
- A machine's need is its combination's (`services.needs`), together with what was recorded of
  this machine alone.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime

from flashworthy_common.confirmations import Confirmation
from flashworthy_common.exceptions import SiteException
from flashworthy_common.need import Need, need_of_machine
from flashworthy_common.ordering import Ordering
from flashworthy_common.policy import Policy
from flashworthy_common.present import sentence
from flashworthy_common.readiness import (
    RULES_VERSION,
    Machine,
    Moment,
    Outcome,
    Verdict,
    assess,
)
from flashworthy_common.symptoms import Symptom
from flashworthy_common.values import Unknown
from flashworthy_common.versions import Order
from flashworthy_server.db import Connection
from flashworthy_server.services import needs
from flashworthy_server.services.limits import Limits, load_limits
from flashworthy_server.site import Site
from flashworthy_server.store import combinations as combination_store
from flashworthy_server.store import confirmations as confirmation_store
from flashworthy_server.store import exceptions as exception_store
from flashworthy_server.store import machines as machine_store
from flashworthy_server.store import packages as package_store
from flashworthy_server.store import symptoms as symptom_store
from flashworthy_server.store.combinations import StoredCombination
from flashworthy_server.store.machines import Judgement, Newest, StoredMachine


@dataclass(frozen=True, slots=True)
class _Own:
    """What was recorded of single machines alone, by their ids."""

    symptoms: dict[int, list[Symptom]] = field(default_factory=dict)
    exceptions: dict[int, list[SiteException]] = field(default_factory=dict)
    dumps: dict[int, list[str]] = field(default_factory=dict)  # version texts
    confirmations: dict[int, list[Confirmation]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class KnownMachine:
    """Everything that a verdict of one machine rests on."""

    id: int
    machine: Machine
    of: StoredCombination
    need: Need
    policy: Policy

    def verdict(self, moment: Moment, now: datetime) -> Verdict:
        return assess(self.machine, self.need, self.policy, moment, now)


@dataclass(frozen=True, slots=True)
class Reassessed:
    """One machine's outcome at the desk, and what it would be by other limits."""

    machine_id: int
    name: str
    now: Outcome
    then: Outcome


def judge_machines(
    site: Site, connection: Connection, machine_ids: Sequence[int], now: datetime
) -> None:
    """Judge machines at the desk and keep it; those without a report have no judgement."""
    found = _known_machines(site, connection, machine_ids, load_limits(connection))
    judged = ((each.id, _judgement(each.verdict(Moment.DESK, now), each.of.need)) for each in found)
    machine_store.save_judgements(connection, judged)


def judge(site: Site, connection: Connection, machine_id: int, now: datetime) -> KnownMachine:
    """Judge one machine, which has reported, at the desk and keep it."""
    (known,) = _known_machines(site, connection, [machine_id], load_limits(connection))
    found = _judgement(known.verdict(Moment.DESK, now), known.of.need)
    machine_store.save_judgements(connection, [(machine_id, found)])
    return known


def judge_by_both(
    site: Site, connection: Connection, machine_ids: Sequence[int], limits: tuple[Limits, Limits]
) -> Iterator[Reassessed]:
    """The outcomes of now at the desk, by limits and by others; nothing is kept."""
    of_now, of_then = limits
    now = site.clock()
    for each in _known_machines(site, connection, machine_ids, of_now):
        other = replace(each, policy=of_then.policy_at(each.machine.place or None))
        yield Reassessed(
            each.id,
            each.machine.name,
            each.verdict(Moment.DESK, now).outcome,
            other.verdict(Moment.DESK, now).outcome,
        )


def verdict_of(
    site: Site, connection: Connection, machine: StoredMachine, newest: Newest, moment: Moment
) -> Verdict:
    """The whole verdict of now."""
    return know(connection, machine, newest).verdict(moment, site.clock())


def need_now(connection: Connection, machine: StoredMachine, newest: Newest) -> Need:
    """The need of a machine, with the newest version seen here."""
    return know(connection, machine, newest).need


def packages_for(connection: Connection, machine: StoredMachine, newest: Newest) -> tuple[str, ...]:
    """Versions of which an intact package is kept for this machine, as it runs them."""
    return know(connection, machine, newest).machine.packages


def know(connection: Connection, machine: StoredMachine, newest: Newest) -> KnownMachine:
    """What the verdict of one machine rests on, with the newest version seen here."""
    of, own = needs.load(connection, newest.combination_id), _own_of(connection, [machine])
    known = _known(machine, newest, of, own, load_limits(connection))
    return replace(known, need=needs.with_observation(connection, of, known.need))


def judge_due(site: Site) -> None:
    """Judge every machine again whose verdict no longer holds, by needs that are right."""
    needs.renew_outdated(site)
    now, last = site.clock(), 0
    while True:
        with site.database.reading() as connection:
            due = machine_store.due_machine_ids(
                connection, now, last, site.config.reassess_batch_machines
            )
        if not due:
            return
        with site.database.writing() as connection:
            judge_machines(site, connection, due, now)
        last = due[-1]


def renew_by_present_rules(site: Site) -> None:
    """Renew every need and verdict that other rules than the present ones worked out."""
    with site.database.writing() as connection:
        combination_store.mark_all_of_other_rules(connection)
    needs.renew_outdated(site)
    with site.database.writing() as connection:
        judged_otherwise = machine_store.outdated_machine_ids(connection, RULES_VERSION)
        judge_machines(site, connection, judged_otherwise, site.clock())


def _known_machines(
    site: Site, connection: Connection, machine_ids: Sequence[int], limits: Limits
) -> Iterator[KnownMachine]:
    """Those that have reported, read some at a time."""
    at_once = site.config.reassess_batch_machines
    for start in range(0, len(machine_ids), at_once):
        machines = machine_store.load_machines(connection, machine_ids[start:][:at_once])
        reported = [(each, each.newest) for each in machines if each.newest is not None]
        combination_ids = {newest.combination_id for _, newest in reported}
        combinations, own = (
            needs.load_all(connection, combination_ids),
            _own_of(connection, machines),
        )
        for machine, newest in reported:
            yield _known(machine, newest, combinations[newest.combination_id], own, limits)


def _own_of(connection: Connection, machines: Iterable[StoredMachine]) -> _Own:
    ids = [machine.id for machine in machines if machine.has_own_facts]
    if not ids:
        return _Own()
    return _Own(
        symptom_store.symptoms_of_machines(connection, ids),
        exception_store.exceptions_of_machines(connection, ids),
        package_store.intact_dumps_of_machines(connection, ids),
        confirmation_store.confirmations_of_machines(connection, ids),
    )


def _need(machine: StoredMachine, of: StoredCombination, own: _Own) -> Need:
    if not machine.has_own_facts:
        return of.need
    return need_of_machine(
        of.need,
        machine_id=machine.id,
        symptoms=own.symptoms.get(machine.id, ()),
        exceptions=own.exceptions.get(machine.id, ()),
    )


def _packages(machine: StoredMachine, of: StoredCombination, own: _Own) -> tuple[str, ...]:
    """The running version where it is kept: a maker's package, or a read-out of its own board."""
    running = of.combination.version_text
    if isinstance(running, Unknown):
        return ()
    ordering = Ordering.of(of.combination)
    dumps = own.dumps.get(machine.id, ())
    is_dumped = any(ordering.compare(text, running) is Order.SAME for text in dumps)
    return (running,) if of.known.package_kept or is_dumped else ()


def _known(
    machine: StoredMachine, newest: Newest, of: StoredCombination, own: _Own, limits: Limits
) -> KnownMachine:
    known = Machine(
        name=machine.name,
        report=newest.report,
        place=machine.place or "",
        marked=machine.marked or "",
        received_at=newest.received_at,
        clock_difference_seconds=newest.clock_difference_seconds,
        confirmations=tuple(own.confirmations.get(machine.id, ())),
        packages=_packages(machine, of, own),
    )
    need, policy = _need(machine, of, own), limits.policy_at(machine.place)
    return KnownMachine(machine.id, known, of, need, policy)


def _judgement(verdict: Verdict, of_combination: Need) -> Judgement:
    priority = verdict.need.priority
    return Judgement(
        outcome=verdict.outcome.value,
        sentence=sentence(verdict),
        holds_until=verdict.holds_until,
        rules_version=verdict.rules_version,
        own_priority=priority.value if priority and priority != of_combination.priority else None,
    )
