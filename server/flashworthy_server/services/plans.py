"""Plans: what a machine is handed so that the look on the spot works without a network.

A plan's digest names everything in it but the times. It goes with the receipt of every report, so
that an agent fetches a plan only where it changed, and counts the one it has from then on.
"""

import hashlib
import json
from dataclasses import dataclass
from datetime import timedelta
from functools import lru_cache

from flashworthy_common.need import Need
from flashworthy_common.plan import Plan
from flashworthy_common.policy import Policy
from flashworthy_common.values import to_json
from flashworthy_server.db import Connection
from flashworthy_server.errors import NotFoundError
from flashworthy_server.services import judgement
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
        plan = make_plan(site, connection, machine_id)
    if plan is None:
        raise NotFoundError(f"machine #{machine_id} has not reported yet: there is no plan")
    return NamedPlan(plan, digest_of(plan))


def plan_digest(site: Site, machine_id: int) -> str | None:
    """The digest of a machine's plan; none where there is no plan."""
    with site.database.reading() as connection:
        plan = make_plan(site, connection, machine_id)
    return digest_of(plan) if plan else None


def make_plan(site: Site, connection: Connection, machine_id: int) -> Plan | None:
    """None where there is no such machine, or it has not reported yet."""
    known = machine_store.load_machine(connection, machine_id)
    if known is None or known.newest is None:
        return None
    found, now = judgement.know(connection, known, known.newest), site.clock()
    machine, policy = found.machine, found.policy
    return Plan(
        machine=machine.name,
        place=machine.place,
        marked=machine.marked,
        need=found.need,
        policy=policy,
        confirmations=machine.confirmations,
        clock_difference_seconds=machine.clock_difference_seconds,
        issued_at=now,
        expires_at=now + timedelta(seconds=policy.plan_age_seconds),
        packages=machine.packages,
    )


def digest_of(plan: Plan) -> str:
    """SHA-256 in hex."""
    facts = {
        name: to_json(getattr(plan, name))
        for name in ("machine", "place", "marked", "confirmations", "packages", "rules_version")
    }
    text = json.dumps(facts, sort_keys=True) + _text(plan.need) + _text(plan.policy)
    return hashlib.sha256(text.encode()).hexdigest()


@lru_cache(maxsize=1024)  # one need serves many machines, and one policy nearly all
def _text(part: Need | Policy) -> str:
    return json.dumps(to_json(part), sort_keys=True)
