"""The site's policy: what it sets otherwise, for all of it or for one place, and since when.

- A setting is a new version of all that its place sets otherwise; the old ones stay to be read.
- Before it is saved, the verdicts that it would change can be counted.
"""

import json
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from flashworthy_common.errors import MalformedValueError
from flashworthy_common.policy import Policy, read_limits
from flashworthy_common.readiness import Outcome
from flashworthy_server.errors import InvalidInputError
from flashworthy_server.services import audit, judgement
from flashworthy_server.services.limits import load_limits
from flashworthy_server.services.places import canonical_place
from flashworthy_server.services.who import Who
from flashworthy_server.site import Site
from flashworthy_server.store import machines as machine_store
from flashworthy_server.store import policies as store
from flashworthy_server.store.policies import StoredLimits

MOST_VERSIONS = 100  # shown of one place


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


def view_policy(site: Site, place: str | None) -> PolicyView:
    place = canonical_place(place)
    with site.database.reading() as connection:
        limits = load_limits(connection)
        versions = store.versions_of(connection, place, MOST_VERSIONS)
    return PolicyView(place, limits.policy_at(place), limits.set_at(place), versions)


def set_limits(site: Site, who: Who, place: str | None, data: Mapping[str, Any]) -> PolicyView:
    """Let these limits, and no others, be what a place sets otherwise; with none, the whole site.

    Raises:
        InvalidInputError: a name is no limit's, or a value is not what it takes.
    """
    now, place, limits = site.clock(), canonical_place(place), _read(data)
    with site.database.writing() as connection:
        before = load_limits(connection).set_at(place)
        store.add_limits(connection, place, _canonical(limits), who.known_as, now)
        machine_store.make_due_within(connection, place, now)
        subject = f"policy of {place}" if place else "policy"
        audit.record(connection, who, now, "policy.set", subject, before=before, after=limits)
    return view_policy(site, place)


def preview(site: Site, place: str | None, data: Mapping[str, Any]) -> list[Change]:
    """Which verdicts at the desk would change, if a place set these limits and no others.

    Raises:
        InvalidInputError: as of `set_limits`.
    """
    place, limits, last = canonical_place(place), _canonical(_read(data)), 0
    found: Counter[tuple[Outcome, Outcome]] = Counter()
    while True:
        with site.database.reading() as connection:
            ids = machine_store.machine_ids_within(
                connection, place, last, site.config.reassess_batch_machines
            )
            if not ids:
                return _changes(found)
            in_force = load_limits(connection)
            now = judgement.outcomes(site, connection, ids, in_force)
            then = judgement.outcomes(site, connection, ids, in_force.with_limits(place, limits))
        found.update(zip(now, then, strict=True))
        last = ids[-1]


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
