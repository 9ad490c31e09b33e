"""Verdicts: worked out once, kept, and renewed when they may have changed.

- The verdict at the desk is kept per machine as its outcome, its sentence and until when it
  holds. The whole verdict is worked out whenever someone asks, by the same function.
- New knowledge, new limits and time make verdicts due. Whoever lists or counts judges one batch
  of what is due, which usually is all; the rest follows in the background, in batches, so that
  reports get in between, and `judging` says how far that is and what holds already.
- A machine's need is its combination's (`services.needs`), together with what was recorded of
  this machine alone.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime

from flashworthy_common.attention import attention_of_silence, silent_from
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
    assess_in_brief,
)
from flashworthy_common.symptoms import Symptom
from flashworthy_common.values import Unknown
from flashworthy_common.versions import Order
from flashworthy_server.db import Connection
from flashworthy_server.services import needs
from flashworthy_server.services.limits import Limits, load_limits
from flashworthy_server.services.needs import Progress
from flashworthy_server.site import Site
from flashworthy_server.store import attentions as attention_store
from flashworthy_server.store import confirmations as confirmation_store
from flashworthy_server.store import due
from flashworthy_server.store import exceptions as exception_store
from flashworthy_server.store import packages as package_store
from flashworthy_server.store import symptoms as symptom_store
from flashworthy_server.store import verdicts as store
from flashworthy_server.store.combinations import StoredCombination
from flashworthy_server.store.due import Judging as Judging
from flashworthy_server.store.machines import Judgement, Newest, StoredMachine
from flashworthy_server.store.verdicts import Judged, Seen, ToJudge

MOST_NEEDS = 2_000  # combinations worked out anew while somebody waits: some seconds


@dataclass(frozen=True, slots=True)
class _Own:
    """What was recorded of single machines alone, by their ids."""

    symptoms: dict[int, list[Symptom]] = field(default_factory=dict)
    exceptions: dict[int, list[SiteException]] = field(default_factory=dict)
    dumps: dict[int, list[str]] = field(default_factory=dict)  # version texts
    confirmations: dict[int, list[Confirmation]] = field(default_factory=dict)


@dataclass(slots=True)
class KnownMachine:
    """Everything that a verdict of one machine rests on."""

    id: int
    machine: Machine
    of: StoredCombination
    need: Need
    policy: Policy

    def verdict(self, moment: Moment, now: datetime) -> Verdict:
        return assess(self.machine, self.need, self.policy, moment, now)

    def verdict_in_brief(self, moment: Moment, now: datetime) -> Verdict:
        return assess_in_brief(self.machine, self.need, self.policy, moment, now)


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
    """Judge machines at the desk and keep it, with whether they are silent."""
    limits, at_once = load_limits(connection), site.config.reassess_batch_machines
    for start in range(0, len(machine_ids), at_once):
        machines = store.load_to_judge(connection, machine_ids[start:][:at_once])
        _keep(connection, machines, limits, now)
        _note_silence(connection, machines, limits.policy_at(None), now)


def know_reported(
    connection: Connection,
    reported: Sequence[tuple[StoredMachine, Newest]],
    combinations: Mapping[int, StoredCombination],
    limits: Limits,
) -> Iterator[KnownMachine]:
    """What the verdicts of machines rest on, each with its newest report.

    Args:
        combinations: of these reports, by their ids.
    """
    machines = [ToJudge.of(machine, newest) for machine, newest in reported]
    return _known_machines(connection, machines, combinations, limits)


def _keep(
    connection: Connection, machines: Sequence[ToJudge], limits: Limits, now: datetime
) -> None:
    found = {each.id: judgement_of(each, now) for each in _known_now(connection, machines, limits)}
    policy = limits.policy_at(None)  # silence in lists is the site's
    store.save_judgements(
        connection, [_judged(each, found.get(each.id), policy, now) for each in machines]
    )


def _judged(machine: ToJudge, found: Judgement | None, policy: Policy, now: datetime) -> Judged:
    return Judged(machine, found, due_at(found, machine.last_heard_at, policy, now))


def due_at(
    found: Judgement | None, last_heard_at: datetime, policy: Policy, now: datetime
) -> datetime | None:
    """When the judgement or the silence of a machine may change by time alone; none: never.

    Args:
        policy: of the site as a whole.
    """
    times = (found.holds_until if found else None, silent_from(last_heard_at, policy))
    to_come = (each for each in times if each and each > now)
    return min(to_come, default=None)


def _note_silence(
    connection: Connection, machines: Sequence[ToJudge], policy: Policy, now: datetime
) -> None:
    found = {
        each.id: (silence, silent_from(each.last_heard_at, policy))
        for each in machines
        if (silence := attention_of_silence(each.last_heard_at, policy, now))
    }
    attention_store.save_silence(connection, [each.id for each in machines], found, now)


def judge_by_both(
    site: Site, connection: Connection, machine_ids: Sequence[int], limits: tuple[Limits, Limits]
) -> Iterator[Reassessed]:
    """The outcomes of now at the desk, by limits and by others; nothing is kept."""
    of_now, of_then = limits
    now, machines = site.clock(), store.load_to_judge(connection, machine_ids)
    for each in _known_now(connection, machines, of_now):
        other = replace(each, policy=of_then.policy_at(each.machine.place or None))
        yield Reassessed(
            each.id,
            each.machine.name,
            each.verdict_in_brief(Moment.DESK, now).outcome,
            other.verdict_in_brief(Moment.DESK, now).outcome,
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
    of = needs.load(connection, newest.combination_id)
    limits = load_limits(connection)
    (known,) = know_reported(connection, [(machine, newest)], {of.id: of}, limits)
    return replace(known, need=needs.with_observation(connection, of, known.need))


def know_all(connection: Connection, machine_ids: Iterable[int]) -> dict[int, KnownMachine]:
    """What the verdicts of machines rest on, by their ids; those without a report are left out."""
    machines = store.load_to_judge(connection, machine_ids)
    return {each.id: each for each in _known_now(connection, machines, load_limits(connection))}


def follow(site: Site, progress: Progress | None = None) -> None:
    """Let what was just recorded hold: every need, and verdicts as far as one batch goes.

    Without progress to show, somebody waits for an answer: needs that are left after the first
    thousands, and all other verdicts, follow in the background.
    """
    needs.renew_outdated(site, progress, most=None if progress else MOST_NEEDS)
    judge_some(site)


def catch_up(site: Site) -> None:
    """Work out what is due as far as one batch goes; usually that is all."""
    if is_due(site):
        needs.renew_outdated(site, most=needs.AT_ONCE)
        judge_some(site)


def is_due(site: Site) -> bool:
    """Whether a need or a verdict may be another now."""
    with site.database.asking() as connection:
        return due.is_anything(connection, site.clock())


def judge_due(site: Site, progress: Progress | None = None) -> None:
    """Work out everything that is due, by needs that are right."""
    needs.renew_outdated(site, progress)
    while judge_some(site):
        found = judging(site)
        if progress and found:
            progress("verdicts", min(found.done, found.total), found.total)


def work_some(site: Site) -> bool:
    """Work out a batch of what is due, needs before verdicts; whether there was anything."""
    return needs.renew_outdated(site, most=needs.AT_ONCE) > 0 or judge_some(site)


def judging(site: Site) -> Judging | None:
    """How far judging by what was recorded is; none: it holds everywhere."""
    with site.database.asking() as connection:
        return due.load_judging(connection)


def judge_some(site: Site) -> bool:
    """Judge a batch of what is due; whether there was anything."""
    now, most = site.clock(), site.config.reassess_batch_machines
    with site.database.asking() as connection:
        if not due.is_any(connection, now):
            return False
    with site.database.writing() as connection:
        ids = due.take(connection, most)
        judge_machines(site, connection, ids, now)
        due.note_done(connection, len(ids))
        by_time = store.due_machine_ids(connection, now, most - len(ids))
        judge_machines(site, connection, by_time, now)
    return True


def renew_by_present_rules(site: Site) -> None:
    """Renew every need and verdict that other rules than the present ones worked out."""
    with site.database.writing() as connection:
        needs.mark_all_of_other_rules(connection, site.clock())
    needs.renew_outdated(site)
    last, most = 0, site.config.reassess_batch_machines
    while True:
        with site.database.writing() as connection:
            ids = store.outdated_machine_ids(connection, RULES_VERSION, last, most)
            judge_machines(site, connection, ids, site.clock())
        if not ids:
            break
        last = ids[-1]
    judge_due(site)


def _known_now(
    connection: Connection, machines: Sequence[ToJudge], limits: Limits
) -> Iterator[KnownMachine]:
    """Those of them that have reported, by what is known of their combinations now."""
    combination_ids = {each.newest.combination_id for each in machines if each.newest}
    return _known_machines(
        connection, machines, needs.load_all(connection, combination_ids), limits
    )


def _known_machines(
    connection: Connection,
    machines: Sequence[ToJudge],
    combinations: Mapping[int, StoredCombination],
    limits: Limits,
) -> Iterator[KnownMachine]:
    """One after the other: whoever holds on to none of them lets no memory pile up."""
    own = _own_of(connection, machines)
    for each in machines:
        if each.newest:
            of = combinations[each.newest.combination_id]
            yield _known(each, each.newest, of, own, limits)


def _own_of(connection: Connection, machines: Iterable[ToJudge]) -> _Own:
    ids = [machine.id for machine in machines if machine.has_own_facts]
    if not ids:
        return _Own()
    return _Own(
        symptom_store.symptoms_of_machines(connection, ids),
        exception_store.exceptions_of_machines(connection, ids),
        package_store.intact_dumps_of_machines(connection, ids),
        confirmation_store.confirmations_of_machines(connection, ids),
    )


def _need(machine: ToJudge, of: StoredCombination, own: _Own) -> Need:
    if not machine.has_own_facts:
        return of.need
    return need_of_machine(
        of.need,
        machine_id=machine.id,
        symptoms=own.symptoms.get(machine.id, ()),
        exceptions=own.exceptions.get(machine.id, ()),
    )


def _packages(machine: ToJudge, of: StoredCombination, own: _Own) -> tuple[str, ...]:
    """The running version where it is kept: a maker's package, or a read-out of its own board."""
    running = of.combination.version_text
    if isinstance(running, Unknown):
        return ()
    is_kept = of.known.package_kept or _is_dumped(running, of, own.dumps.get(machine.id, ()))
    return (running,) if is_kept else ()


def _is_dumped(running: str, of: StoredCombination, dumps: Iterable[str]) -> bool:
    return any(Ordering.of(of.combination).compare(text, running) is Order.SAME for text in dumps)


def _known(
    machine: ToJudge, newest: Seen, of: StoredCombination, own: _Own, limits: Limits
) -> KnownMachine:
    known = Machine(
        name=machine.name,
        report=newest.read(),
        place=machine.place or "",
        marked=machine.marked or "",
        received_at=machine.last_heard_at,
        clock_difference_seconds=newest.clock_difference_seconds,
        confirmations=tuple(own.confirmations.get(machine.id, ())),
        packages=_packages(machine, of, own),
    )
    need, policy = _need(machine, of, own), limits.policy_at(machine.place)
    return KnownMachine(machine.id, known, of, need, policy)


def judgement_of(known: KnownMachine, now: datetime) -> Judgement:
    """What is kept of the verdict at the desk."""
    verdict, of_combination = known.verdict_in_brief(Moment.DESK, now), known.of.need
    priority = verdict.need.priority
    return Judgement(
        outcome=verdict.outcome.value,
        sentence=sentence(verdict),
        holds_until=verdict.holds_until,
        rules_version=verdict.rules_version,
        own_priority=priority.value if priority and priority != of_combination.priority else None,
    )
