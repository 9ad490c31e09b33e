"""Needs and verdicts: worked out once, kept, and renewed when they may have changed.

- A need belongs to a combination and is renewed when people record something about its maker.
- The verdict at the desk is kept per machine as its outcome, its sentence and until when it
  holds. The whole verdict is worked out whenever someone asks, by the same function.
- Machines whose verdict is due are judged again before anything is listed or counted, in batches,
  so that reports get in between.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from datetime import datetime

from flashworthy_common.makers import Combination, combination_of
from flashworthy_common.need import Need, need_of, newest_seen
from flashworthy_common.present import sentence
from flashworthy_common.readiness import RULES_VERSION, Machine, Moment, Verdict, assess
from flashworthy_common.releases import Release, Review, speaks_for
from flashworthy_common.report import Report
from flashworthy_server.db import Connection
from flashworthy_server.site import Site
from flashworthy_server.store import combinations as combination_store
from flashworthy_server.store import knowledge as knowledge_store
from flashworthy_server.store import machines as machine_store
from flashworthy_server.store.combinations import StoredCombination
from flashworthy_server.store.machines import Judgement, Newest, StoredMachine


def combination_of_report(report: Report) -> Combination:
    machine = report.machine
    return combination_of(
        maker=machine.maker,
        product=machine.product,
        product_version=machine.version,
        board_maker=machine.board_maker,
        board=machine.board,
        board_version=machine.board_version,
        version_text=report.firmware.version_text,
    )


def combination_id_of(connection: Connection, combination: Combination) -> int:
    """The id of a combination; its need is worked out where that was not done yet."""
    known = combination_store.combination_id(connection, combination)
    if known is not None:
        return known
    need = _knowledge(connection, [combination.key[0]])(combination)
    return combination_store.save_combination(connection, combination, need)


def judge_machines(
    site: Site, connection: Connection, machine_ids: Sequence[int], now: datetime
) -> None:
    """Judge machines at the desk and keep it; those without a report have no judgement."""
    needs: dict[int, Need] = {}
    at_once = site.config.reassess_batch_machines
    for start in range(0, len(machine_ids), at_once):
        for machine in machine_store.load_machines(connection, machine_ids[start:][:at_once]):
            if machine.newest is not None:
                need = _need(connection, machine.newest.combination_id, needs)
                verdict = _assess(site, machine, machine.newest, need, Moment.DESK, now)
                machine_store.save_judgement(connection, machine.id, _judgement(verdict))


def _need(connection: Connection, combination_id: int, known: dict[int, Need]) -> Need:
    if combination_id not in known:
        stored = combination_store.load_combination(connection, combination_id)
        known[combination_id] = stored.need
    return known[combination_id]


def verdict_of(
    site: Site, connection: Connection, machine: StoredMachine, newest: Newest, moment: Moment
) -> Verdict:
    """The whole verdict of now."""
    stored = combination_store.load_combination(connection, newest.combination_id)
    need = with_observation(connection, stored)
    return _assess(site, machine, newest, need, moment, site.clock())


def with_observation(connection: Connection, stored: StoredCombination) -> Need:
    """The need together with the newest version seen here, which changes with every report."""
    here = combination_store.versions_here(connection, stored.combination)
    return replace(stored.need, newest_seen=newest_seen(stored.combination, here))


def judge_due(site: Site) -> None:
    """Judge every machine again whose verdict no longer holds."""
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


def renew_needs_of(
    site: Site,
    connection: Connection,
    statements: Iterable[tuple[str, Release | Review]],
    now: datetime,
) -> None:
    """Renew what new statements speak for: needs of combinations, verdicts of their machines.

    Args:
        statements: each with its maker's canonical name.
    """
    by_maker: dict[str, list[Release | Review]] = {}
    for maker, statement in statements:
        by_maker.setdefault(maker, []).append(statement)
    touched = [
        stored
        for stored in combination_store.combinations_of_makers(connection, by_maker)
        if any(speaks_for(each, stored.combination) for each in by_maker[stored.combination.key[0]])
    ]
    _renew(site, connection, touched, now)


def renew_outdated(site: Site) -> None:
    """Renew every need and verdict that other rules than the present ones worked out."""
    with site.database.writing() as connection:
        outdated = list(combination_store.outdated_combinations(connection))
        _renew(site, connection, outdated, site.clock())
        judged_otherwise = machine_store.outdated_machine_ids(connection, RULES_VERSION)
        judge_machines(site, connection, judged_otherwise, site.clock())


def _renew(
    site: Site, connection: Connection, touched: list[StoredCombination], now: datetime
) -> None:
    work_out = _knowledge(connection, {stored.combination.key[0] for stored in touched})
    for stored in touched:
        combination_store.save_need(connection, stored, work_out(stored.combination))
    ids = machine_store.machine_ids_of_combinations(connection, (each.id for each in touched))
    judge_machines(site, connection, ids, now)


def _knowledge(connection: Connection, makers: Iterable[str]) -> Callable[[Combination], Need]:
    """What works out needs from everything recorded about some makers."""
    makers = list(makers)
    releases = [each.release for each in knowledge_store.releases_of(connection, makers)]
    reviews = knowledge_store.reviews_of(connection, makers)
    return lambda combination: need_of(combination, releases, reviews)


def _assess(
    site: Site,
    machine: StoredMachine,
    newest: Newest,
    need: Need,
    moment: Moment,
    now: datetime,
) -> Verdict:
    known = Machine(
        name=machine.name,
        report=newest.report,
        place=machine.place or "",
        marked=machine.marked or "",
        received_at=newest.received_at,
        clock_difference_seconds=newest.clock_difference_seconds,
    )
    return assess(known, need, site.policy, moment, now)


def _judgement(verdict: Verdict) -> Judgement:
    return Judgement(
        outcome=verdict.outcome.value,
        sentence=sentence(verdict),
        holds_until=verdict.holds_until,
        rules_version=verdict.rules_version,
    )
