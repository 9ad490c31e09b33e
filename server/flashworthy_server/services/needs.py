"""Needs of combinations: worked out once, kept, and worked out anew when something touches them.

- Whoever records something marks the combinations that it may be about as outdated, in the same
  transaction. What is marked survives a restart.
- An outdated need is never used: where someone asks for it, it is worked out there and then.
  `renew_outdated` does so for all that are marked, in batches, so that reports get in between.
- What is read for a need is what may be about its combination, and no more.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from datetime import datetime
from typing import TypeVar

from flashworthy_common.makers import Combination, combination_of
from flashworthy_common.need import Need, need_of, newest_seen
from flashworthy_common.releases import Release, Statement, is_of_running, speaks_for
from flashworthy_common.report import Report
from flashworthy_common.weighing import Weighing
from flashworthy_server.db import Connection
from flashworthy_server.site import Site
from flashworthy_server.store import combinations as store
from flashworthy_server.store import due
from flashworthy_server.store import exceptions as exception_store
from flashworthy_server.store import knowledge as knowledge_store
from flashworthy_server.store import packages as package_store
from flashworthy_server.store import statements as statement_store
from flashworthy_server.store import weighing as weighing_store
from flashworthy_server.store.combinations import Known, ModelKey, StoredCombination
from flashworthy_server.store.knowledge import StoredRelease
from flashworthy_server.store.packages import StoredPackage
from flashworthy_server.store.statements import Kind, Lookup

T = TypeVar("T")
Progress = Callable[[str, int, int], None]  # what is done, how many of them, of how many

AT_ONCE = 200  # combinations renewed in one transaction


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
    found = store.combination_id(connection, combination)
    if found is not None:
        return found
    known = _Knowledge(connection, [combination]).known_of(combination)
    return store.save_combination(connection, combination, known)


def load_reported(
    connection: Connection, combinations: Iterable[Combination], likely: Iterable[int]
) -> dict[tuple[str, ...], StoredCombination]:
    """The combinations of reports by their keys, each with a need that is right and kept.

    Args:
        likely: ids among which most of them are found.
    """
    stored = store.load_combinations(connection, set(likely))
    found = {each.combination.key: each for each in stored if not each.is_outdated}
    for combination in combinations:
        if combination.key not in found:
            id_ = combination_id_of(connection, combination)
            found[combination.key] = load(connection, id_)
    return found


def load(connection: Connection, combination_id: int) -> StoredCombination:
    """A combination with what is known of it now."""
    return load_all(connection, [combination_id])[combination_id]


def load_all(
    connection: Connection, combination_ids: Iterable[int]
) -> dict[int, StoredCombination]:
    """Combinations with what is known of them now, by their ids."""
    found = store.load_combinations(connection, combination_ids)
    outdated = [each.combination for each in found if each.is_outdated]
    knowledge = _Knowledge(connection, outdated) if outdated else None
    return {each.id: knowledge.renewed(each) if knowledge else each for each in found}


def releases_for(connection: Connection, combination: Combination) -> list[StoredRelease]:
    """The releases that are recorded for a combination."""
    lookups = statement_store.lookups_of(combination)
    found = statement_store.find_statements(connection, lookups)[Kind.RELEASE]
    stored = knowledge_store.load_releases_by_id(
        connection, {i for ids in found.values() for i in ids}
    )
    return [each for each in stored if speaks_for(each.release, combination)]


def with_observation(connection: Connection, stored: StoredCombination, need: Need) -> Need:
    """The need together with the newest version seen here, which changes with every report."""
    (seen,) = with_observations(connection, [replace(stored, known=Known(need, False))])
    return seen


def with_observations(connection: Connection, stored: Sequence[StoredCombination]) -> list[Need]:
    """The needs of some combinations, each with the newest version seen here."""
    models = [_model(each.combination) for each in stored]
    of_models = store.versions_here(connection, models)
    heres = [of_models.get(model, {}) for model in models]
    newest = [newest_seen(each.combination, here) for each, here in zip(stored, heres, strict=True)]
    return [
        each.need if text is None else replace(each.need, newest_seen=store.observation(text, here))
        for each, text, here in zip(stored, newest, heres, strict=True)
    ]


def _model(combination: Combination) -> ModelKey:
    maker, model, board, *_ = combination.key
    return maker, model, board


def mark_touched(
    connection: Connection, statements: Iterable[tuple[str, Statement]], now: datetime
) -> None:
    """Mark the combinations that new statements may be about.

    Args:
        statements: each with its maker's canonical name.
    """
    due.note_new(connection, now)
    named = ((maker, statement.models) for maker, statement in statements)
    statement_store.mark_outdated(connection, named)


def mark_weighed(connection: Connection, advisories: Iterable[str], now: datetime) -> None:
    """Mark the combinations that releases for these advisories are about."""
    naming = knowledge_store.releases_naming(connection, advisories)
    mark_touched(connection, ((each.maker, each.release) for each in naming), now)


def mark_all_behind(connection: Connection, now: datetime) -> None:
    """Mark every combination that has a target, since it may have reasons."""
    due.note_new(connection, now)
    store.mark_all_behind(connection)


def mark_all_of_other_rules(connection: Connection, now: datetime) -> None:
    due.note_new(connection, now)
    store.mark_all_of_other_rules(connection)


def renew_outdated(site: Site, progress: Progress | None = None, *, most: int | None = None) -> int:
    """Work out outdated needs anew, all or about so many; how many that were.

    The verdicts of machines whose need changed become due.
    """
    with site.database.reading() as connection:
        outdated = store.count_outdated(connection)
    total, done = outdated if most is None else min(outdated, most), 0
    while done < total:
        with site.database.writing() as connection:
            batch = store.outdated_combinations(connection, AT_ONCE)
            _renew(connection, batch, site.clock())
        if not batch:
            break
        done += len(batch)
        if progress:
            progress("needs", done, max(done, total))
    return done


def _renew(connection: Connection, batch: list[StoredCombination], now: datetime) -> None:
    knowledge = _Knowledge(connection, [stored.combination for stored in batch])
    found = {each.id: knowledge.known_of(each.combination) for each in batch}
    store.save_known(connection, {each.id: (each.combination, found[each.id]) for each in batch})
    changed = [each.id for each in batch if found[each.id] != each.known]
    due.make_due(connection, changed, now)
    due.note_done(connection, 0)


def kept_packages(
    connection: Connection, combinations: Iterable[Combination]
) -> dict[Combination, list[StoredPackage]]:
    """The intact packages that are for the machines of each combination, of any version."""
    wanted = set(combinations)
    lookups = {one: statement_store.lookups_of(one) for one in wanted}
    every = {each for some in lookups.values() for each in some}
    found = statement_store.find_statements(connection, every)[Kind.PACKAGE]
    ids = {each for some in found.values() for each in some}
    kept = package_store.intact_by_id(connection, ids)
    return {
        one: [
            kept[number]
            for number in sorted({n for each in lookups[one] for n in found.get(each, ())})
            if number in kept and speaks_for(kept[number].package, one)
        ]
        for one in wanted
    }


class _Knowledge:
    """What may be about some combinations, each statement read once."""

    def __init__(self, connection: Connection, combinations: Iterable[Combination]) -> None:
        lookups = {each for one in combinations for each in statement_store.lookups_of(one)}
        self._connection = connection
        self._found = statement_store.find_statements(connection, lookups)
        self._releases = self._read(Kind.RELEASE, knowledge_store.releases_by_id)
        self._reviews = self._read(Kind.REVIEW, knowledge_store.reviews_by_id)
        self._exceptions = self._read(Kind.EXCEPTION, exception_store.exceptions_by_id)
        self._packages = self._read(Kind.PACKAGE, package_store.intact_packages_by_id)
        self._weighing = _weighing(
            connection, (each for some in self._releases.values() for each in some)
        )

    def known_of(self, combination: Combination) -> Known:
        lookups = statement_store.lookups_of(combination)
        need = need_of(
            combination,
            _under(self._releases, lookups),
            _under(self._reviews, lookups),
            exceptions=_under(self._exceptions, lookups),
            weighing=self._weighing,
        )
        packages = _under(self._packages, lookups)
        return Known(need, any(is_of_running(each, combination) for each in packages))

    def renewed(self, stored: StoredCombination) -> StoredCombination:
        if not stored.is_outdated:
            return stored
        return replace(stored, known=self.known_of(stored.combination), is_outdated=False)

    def _read(
        self, kind: Kind, load_by_id: Callable[[Connection, Iterable[int]], dict[int, T]]
    ) -> dict[Lookup, list[T]]:
        found = self._found[kind]
        if not found:
            return {}
        by_id = load_by_id(self._connection, {each for ids in found.values() for each in ids})
        return {
            lookup: [by_id[each] for each in ids if each in by_id] for lookup, ids in found.items()
        }


def _under(found: dict[Lookup, list[T]], lookups: Iterable[Lookup]) -> list[T]:
    """Each once: a statement may name a model and its board, and is one object under both."""
    once = {id(each): each for lookup in lookups for each in found.get(lookup, ())}
    return list(once.values())


def _weighing(connection: Connection, releases: Iterable[Release]) -> Weighing:
    named = {
        advisory
        for release in releases
        for reason in release.reasons
        for advisory in reason.advisories
    }
    if not named:
        return Weighing(inputs=weighing_store.load_inputs(connection))
    recorded = weighing_store.load_catalogue(connection) is not None
    return Weighing(
        inputs=weighing_store.load_inputs(connection),
        exploited=weighing_store.exploited_among(connection, named) if recorded else None,
        advisories=weighing_store.advisories_by_id(connection, named),
    )
