"""The site's policy: what it sets otherwise, for all of it or for one place, and since when.

- A setting is a new version of all that its place sets otherwise; the old ones stay to be read.
- Before it is saved, the verdicts that it would change can be counted.
"""

import json
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from flashworthy_common.errors import MalformedValueError
from flashworthy_common.policy import Policy, read_limits
from flashworthy_common.readiness import Outcome
from flashworthy_common.values import write_time
from flashworthy_server.db import Connection
from flashworthy_server.errors import ConflictError, InvalidInputError
from flashworthy_server.services import audit, judgement
from flashworthy_server.services.judgement import Reassessed
from flashworthy_server.services.limits import load_limits
from flashworthy_server.services.needs import Progress
from flashworthy_server.services.places import canonical_place
from flashworthy_server.services.who import Who
from flashworthy_server.site import Site
from flashworthy_server.store import due
from flashworthy_server.store import machines as machine_store
from flashworthy_server.store import policies as store
from flashworthy_server.store.policies import StoredLimits

MOST_VERSIONS = 100  # shown of one place
MOST_NAMED = 200  # machines whose verdict would change


@dataclass(frozen=True, slots=True)
class PolicyView:
    """The policy of one place, what is set there itself, and the versions of that."""

    place: str | None  # none: the whole site
    policy: Policy
    set_here: dict[str, Any]
    versions: list[StoredLimits]  # newest first


@dataclass(frozen=True, slots=True)
class Change:
    """Machines whose verdict at the desk would be another."""

    now: Outcome
    then: Outcome
    machines: int


@dataclass(frozen=True, slots=True)
class Proposed:
    """Limits that a place might set, as they are looked at before."""

    place: str | None  # none: the whole site
    limits: dict[str, Any]  # as JSON knows them
    based_on: int  # the version in force when they were proposed; 0: none


@dataclass(frozen=True, slots=True)
class Effect:
    """What limits would change at the desk."""

    machines: int  # that were judged by both
    changes: tuple[Change, ...]  # most machines first
    named: tuple[Reassessed, ...]  # the first of those machines


def view_policy(site: Site, place: str | None) -> PolicyView:
    place = canonical_place(place)
    with site.database.reading() as connection:
        limits = load_limits(connection)
        versions = store.versions_of(connection, place, MOST_VERSIONS)
    return PolicyView(place, limits.policy_at(place), limits.set_at(place), versions)


def places_with_limits(site: Site) -> list[str]:
    """The places that set something otherwise themselves."""
    with site.database.reading() as connection:
        found = store.limits_in_force(connection)
    return [each.place for each in found if each.place and each.limits != _canonical({})]


def set_limits(
    site: Site,
    who: Who,
    place: str | None,
    data: Mapping[str, Any],
    *,
    based_on: int | None = None,
) -> PolicyView:
    """Let these limits, and no others, be what a place sets otherwise; with none, the whole site.

    Args:
        based_on: the version that they were compared with; none: whatever is in force.

    Raises:
        InvalidInputError: a name is no limit's, or a value is not what it takes.
        ConflictError: somebody set others since.
    """
    now, place, limits = site.clock(), canonical_place(place), _read(data)
    with site.database.writing() as connection:
        before = load_limits(connection).set_at(place)
        if before == limits:
            return view_policy(site, place)
        _require_version(connection, place, based_on)
        store.add_limits(connection, place, _canonical(limits), who.known_as, now)
        due.make_due_within(connection, place, now)
        subject = f"policy of {place}" if place else "policy"
        audit.record(connection, who, now, "policy.set", subject, before=before, after=limits)
    return view_policy(site, place)


def propose(site: Site, place: str | None, data: Mapping[str, Any]) -> Proposed:
    """Limits that a place might set, and no others, to be looked at before.

    Raises:
        InvalidInputError: as of `set_limits`.
    """
    place, limits = canonical_place(place), _read(data)
    with site.database.reading() as connection:
        return Proposed(place, limits, _version_in_force(connection, place))


def machines_within(site: Site, place: str | None, most: int) -> int:
    """How many machines limits of a place would be held against; not counted beyond `most`."""
    with site.database.reading() as connection:
        return len(machine_store.machine_ids_within(connection, place, 0, most))


def preview(site: Site, place: str | None, data: Mapping[str, Any]) -> list[Change]:
    """Which verdicts at the desk would change, if a place set these limits and no others.

    Raises:
        InvalidInputError: as of `set_limits`.
    """
    return list(effect_of(site, propose(site, place, data)).changes)


def effect_of(site: Site, proposed: Proposed, progress: Progress | None = None) -> Effect:
    """Judge every machine of the place twice at the desk: by the limits in force, and by these.

    Every machine is looked at, none is left out or guessed: at large sites this takes minutes.
    """
    place, limits, done = proposed.place, _canonical(proposed.limits), 0
    found: Counter[tuple[Outcome, Outcome]] = Counter()
    named: list[Reassessed] = []
    with site.database.reading() as connection:
        total = machine_store.count_within(connection, place)
    for connection, ids in _batches_within(site, place):
        in_force = load_limits(connection)
        both = (in_force, in_force.with_limits(place, limits))
        changed = [
            each
            for each in judgement.judge_by_both(site, connection, ids, both)
            if each.now is not each.then
        ]
        found.update((each.now, each.then) for each in changed)
        named += changed[: MOST_NAMED - len(named)]
        done += len(ids)
        if progress:
            progress("machines", done, max(done, total))
    return Effect(done, tuple(_changes(found)), tuple(named))


def _batches_within(site: Site, place: str | None) -> Iterator[tuple[Connection, Sequence[int]]]:
    """The machines of a place, some at a time, each in a transaction of its own."""
    last = 0
    while True:
        with site.database.reading() as connection:
            ids = machine_store.machine_ids_within(
                connection, place, last, site.config.reassess_batch_machines
            )
            if not ids:
                return
            yield connection, ids
        last = ids[-1]


def _version_in_force(connection: Connection, place: str | None) -> int:
    newest = store.versions_of(connection, place, 1)
    return newest[0].id if newest else 0


def _require_version(connection: Connection, place: str | None, based_on: int | None) -> None:
    if based_on is None or based_on == _version_in_force(connection, place):
        return
    (newest,) = store.versions_of(connection, place, 1)
    raise ConflictError(
        f"{newest.set_by} set other limits on {write_time(newest.set_at)}, after this was"
        " looked at: look at the effect again"
    )


def _changes(found: Counter[tuple[Outcome, Outcome]]) -> list[Change]:
    """Most machines first."""
    changes = [Change(now, then, count) for (now, then), count in found.items() if now is not then]
    return sorted(changes, key=lambda each: (-each.machines, each.now.value, each.then.value))


def _read(data: Mapping[str, Any]) -> dict[str, Any]:
    try:
        return read_limits(data)
    except MalformedValueError as error:
        message = str(error).removeprefix(f"{error.path}: ")
        raise InvalidInputError(error.path, message) from None


def _canonical(limits: Mapping[str, Any]) -> str:
    return json.dumps(limits, sort_keys=True)
