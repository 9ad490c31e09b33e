"""Plans: what a machine is handed so that the look on the spot works without a network.

A plan's digest names everything in it but the times. It goes with the receipt of every report, so
that an agent fetches a plan only where it changed, and counts the one it has from then on.
"""

import hashlib
import json
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from functools import lru_cache

from flashworthy_common.need import Need
from flashworthy_common.plan import Plan
from flashworthy_common.policy import Policy
from flashworthy_common.readiness import RULES_VERSION
from flashworthy_common.values import to_json
from flashworthy_server.errors import NotFoundError
from flashworthy_server.services import judgement
from flashworthy_server.services.judgement import KnownMachine
from flashworthy_server.site import Site
from flashworthy_server.store import machines as machine_store


@dataclass(frozen=True, slots=True)
class NamedPlan:
    plan: Plan
    digest: str


def plan_of(site: Site, machine_id: int) -> NamedPlan:
    """The plan of a machine, as it is now.

    Raises:
        NotFoundError: there is no such machine, or it has not reported yet.
    """
    with site.database.reading() as connection:
        machine = machine_store.load_machine(connection, machine_id)
        if machine is None:
            raise NotFoundError(f"there is no machine #{machine_id}")
        if machine.newest is None:
            raise NotFoundError(f"machine #{machine_id} has not reported yet: there is no plan")
        known = judgement.know(connection, machine, machine.newest)
    return NamedPlan(_plan(known, site.clock()), digest_of(known))


def digest_of(known: KnownMachine) -> str:
    """SHA-256 in hex of a plan, but for its times and what is only an observation."""
    machine = known.machine
    facts = (
        *(machine.name, machine.place, machine.marked, machine.packages, RULES_VERSION),
        to_json(machine.confirmations),
    )
    need = known.need
    if need.newest_seen is not None:
        need = replace(need, newest_seen=None)
    text = json.dumps(facts) + _text(need) + _text(known.policy)
    return hashlib.sha256(text.encode()).hexdigest()


def _plan(known: KnownMachine, now: datetime) -> Plan:
    machine, policy = known.machine, known.policy
    return Plan(
        machine=machine.name,
        place=machine.place,
        marked=machine.marked,
        need=known.need,
        policy=policy,
        confirmations=machine.confirmations,
        clock_difference_seconds=machine.clock_difference_seconds,
        issued_at=now,
        expires_at=now + timedelta(seconds=policy.plan_age_seconds),
        packages=machine.packages,
    )


@lru_cache(maxsize=1024)  # one need serves many machines, and one policy nearly all
def _text(part: Need | Policy) -> str:
    return json.dumps(to_json(part), sort_keys=True)
