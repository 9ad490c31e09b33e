"""Who a machine is: the evidence that speaks for each one."""

from collections.abc import Sequence

from sqlalchemy import Connection, delete, select

from flashworthy_common.identity import Evidence
from flashworthy_server.db import upsert
from flashworthy_server.dialects.many import among
from flashworthy_server.dialects.prepared import PreparedQuery
from flashworthy_server.tables import identities


def load_evidence(connection: Connection, machine_id: int) -> Evidence:
    return evidence_of_machines(connection, [machine_id])[machine_id]


def evidence_of_machines(connection: Connection, machine_ids: Sequence[int]) -> dict[int, Evidence]:
    """By machine, what speaks for it; nothing may."""
    found: dict[int, set[tuple[str, str]]] = {each: set() for each in machine_ids}
    for machine_id, kind, value in _EVIDENCE.rows(connection, ids=list(machine_ids)):
        found[machine_id].add((kind, value))
    return {each: Evidence(frozenset(items)) for each, items in found.items()}


_EVIDENCE = PreparedQuery(select(identities).where(among(identities.c.machine_id, "ids")))


def save_evidence(connection: Connection, machine_id: int, seen: Evidence) -> None:
    """Add what was seen to what is known; a kind that is known already gets the value seen."""
    for kind, value in sorted(seen.items):
        statement = upsert(identities).values(machine_id=machine_id, kind=kind, value=value)
        connection.execute(
            statement.on_conflict_do_update(
                index_elements=["machine_id", "kind"], set_={"value": value}
            )
        )


def forget_evidence(connection: Connection, machine_id: int) -> None:
    connection.execute(delete(identities).where(identities.c.machine_id == machine_id))


def machine_ids_sharing(connection: Connection, seen: Evidence) -> Sequence[int]:
    """Every machine that some evidence of `seen` speaks for."""
    found: set[int] = set()
    for kind, value in seen.items:
        found.update(
            connection.scalars(
                select(identities.c.machine_id).where(
                    identities.c.kind == kind, identities.c.value == value
                )
            )
        )
    return sorted(found)
